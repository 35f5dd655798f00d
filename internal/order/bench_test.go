package order

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"io"
	"strings"
	"testing"
	"time"
)

// tenThousand is a file of 10 000 lines, four a consignment.
func tenThousand() []byte {
	var b strings.Builder
	b.WriteString(head)
	for i := range 10_000 {
		v := map[string]string{"consignment": fmt.Sprint("K-", i/4), "invoice": fmt.Sprint("R-", i/4), "crop": fmt.Sprint("Viola ", i%4), "batch": "V-26-1", "bay": "House 2"}
		if i%10 == 0 {
			v["packages"], v["package list"] = "", "T001-T036"
		}
		if i%4 != 0 {
			v["customer"], v["destination"], v["dispatch"], v["invoice"], v["package list"] = "", "", "", "", ""
			v["packages"] = "12"
		}
		b.WriteString(lineOf(v))
	}
	return []byte(b.String())
}

// BenchmarkRead reports, besides the time, how many times as long as encoding/csv
// alone it takes to read the same bytes.
func BenchmarkRead(b *testing.B) {
	src := tenThousand()
	b.SetBytes(int64(len(src)))
	b.ReportAllocs()
	var own, alone time.Duration
	for b.Loop() {
		start := time.Now()
		r, err := Read(src, Options{Now: now, Loc: zone(b, "Europe/Paris"), Progress: func(int, int) {}})
		own += time.Since(start)
		if err != nil || r.Lines != 10_000 || len(r.Problems) != 0 {
			b.Fatal(err, r)
		}
		start = time.Now()
		c := csv.NewReader(bytes.NewReader(src))
		for {
			if _, err := c.Read(); err == io.EOF {
				break
			} else if err != nil {
				b.Fatal(err)
			}
		}
		alone += time.Since(start)
	}
	b.ReportMetric(float64(own)/float64(alone), "times-csv")
	b.ReportMetric(float64(own.Milliseconds())/float64(b.N), "ms/read")
}
