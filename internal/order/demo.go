package order

import (
	"bytes"
	"encoding/csv"
	"time"
)

// Demo writes an order file of Quillfern Growers, an invented nursery, with
// eight consignments to four invented districts that leave in the hours and days
// after now. All names in it are invented.
func Demo(now time.Time) []byte {
	start := now.Truncate(15 * time.Minute)
	if start.Before(now) {
		start = start.Add(15 * time.Minute)
	}
	at := func(hours int) string {
		// With the zone, so that it reads the same wherever it is read.
		return start.Add(time.Duration(hours) * time.Hour).Format("2006-01-02T15:04Z07:00")
	}
	const (
		hall   = "Eastmoor Plant Hall (invented)"
		ferry  = "Marrow Ferry Gardens (invented)"
		ridge  = "Northreach Ridge Plants (invented)"
		quay   = "Saltwick Quay Market (invented)"
		school = "Eastmoor School Gardens (invented)"
	)
	rows := [][]string{
		{"consignment", "invoice", "customer", "destination", "dispatch", "packages", "package list", "crop", "batch", "bay", "units per package"},
		{"K-2041", "QF-7741", hall, "Eastmoor", at(4), "240", "", "Lavandula", "LV-26-31", "North 4", "12"},
		{"K-2038", "QF-7738", ferry, "Marrow Island", at(6), "2", "", "Rosmarinus", "RS-26-08", "South 1", "8"},
		{"K-2036", "QF-7736", school, "Eastmoor", at(8), "12", "T001-T012", "Viola", "VI-26-44", "House 2", "18"},
		{"K-2036", "", "", "", "", "16", "T013-T028", "Petunia", "PE-26-40", "House 2", "18"},
		{"K-2036", "", "", "", "", "8", "T029-T036", "Primula", "PR-26-17", "House 3", "15"},
		{"K-2029", "QF-7729", ridge, "Northreach", at(10), "60", "", "Rosa", "RO-25-90", "Field 7", "5"},
		{"K-2043", "QF-7743", quay, "Saltwick", at(26), "18", "", "Heuchera", "HE-26-12", "House 1", "10"},
		{"K-2043", "", "", "", "", "6", "", "Ajuga", "AJ-26-03", "House 1", "10"},
		{"K-2044", "QF-7744", ridge, "Northreach", at(30), "120", "", "Buxus", "BX-24-55", "Field 2", "4"},
		{"K-2045", "QF-7745", ferry, "Marrow Island", at(50), "9", "", "Camellia", "CA-25-21", "Shade 2", "6"},
		{"K-2047", "QF-7747", quay, "Saltwick", at(98), "75", "", "Geranium", "GE-26-62", "House 4", "12"},
	}
	var b bytes.Buffer
	w := csv.NewWriter(&b)
	// A bytes.Buffer takes everything.
	_ = w.WriteAll(rows)
	return b.Bytes()
}
