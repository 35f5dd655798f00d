package store

import (
	"context"
	"fmt"
	"time"
)

// EntryFind is one find that was put down to a reference entry, for the entry's
// page.
type EntryFind struct {
	Number string // of the consignment, as on its papers
	Code   string // of the consignment
	Round  int
	Find   int
	Crop   string
	Bay    string
	Units  int
	Rung   string // in force, by name
	At     time.Time
}

// FindsOf lists the finds put down to a reference entry at or after a moment,
// newest first and at most limit of them, and tells how many there are.
func (s *Store) FindsOf(ctx context.Context, entry string, since time.Time, limit int) (finds []EntryFind, total int, err error) {
	db := s.db.WithContext(ctx)
	var n int64
	if err := db.Model(&findRow{}).Where("entry = ? AND at >= ?", entry, formatTime(since)).Count(&n).Error; err != nil {
		return nil, 0, explain(err, s.dir)
	}
	var rows []struct {
		Number, Consignment, Crop, Bay, Rung, At string
		Round, Find, Units                       int
	}
	err = db.Model(&findRow{}).
		Select("consignments.number, finds.consignment, finds.crop, finds.bay, finds.rung, finds.at, finds.round, finds.find, finds.units").
		Joins("JOIN consignments ON consignments.code = finds.consignment").
		Where("finds.entry = ? AND finds.at >= ?", entry, formatTime(since)).
		Order("finds.at DESC, finds.consignment, finds.round, finds.find").Limit(limit).Scan(&rows).Error
	if err != nil {
		return nil, 0, explain(err, s.dir)
	}
	for _, r := range rows {
		at, err := parseTime(r.At)
		if err != nil {
			return nil, 0, fmt.Errorf("list of finds, %s: %w", r.Consignment, err)
		}
		finds = append(finds, EntryFind{
			Number: r.Number, Code: r.Consignment, Round: r.Round, Find: r.Find,
			Crop: r.Crop, Bay: r.Bay, Units: r.Units, Rung: r.Rung, At: at,
		})
	}
	return finds, int(n), nil
}

// FindCounts tells how many finds were put down to each reference entry at or
// after a moment, by entry id.
func (s *Store) FindCounts(ctx context.Context, since time.Time) (map[string]int, error) {
	var rows []struct {
		Entry string
		N     int
	}
	err := s.db.WithContext(ctx).Model(&findRow{}).Select("entry, COUNT(*) AS n").
		Where("entry <> '' AND at >= ?", formatTime(since)).Group("entry").Scan(&rows).Error
	if err != nil {
		return nil, explain(err, s.dir)
	}
	counts := make(map[string]int, len(rows))
	for _, r := range rows {
		counts[r.Entry] = r.N
	}
	return counts, nil
}
