package store

import (
	"context"
	"fmt"
	"slices"
	"time"

	"gorm.io/gorm"

	"lastlook/internal/consignment"
	"lastlook/internal/say"
	"lastlook/internal/trace"
)

// TraceFrom says where a trace begins: a find or a sample of a round or, with
// neither, everything that rejects, holds or stops in the newest round.
type TraceFrom struct {
	Code   string // of the consignment
	Round  int    // 0 is the newest
	Find   int
	Sample string
	Since  time.Time // goods that left before are left out
}

// Traced is a consignment that shares something with where a trace began.
type Traced struct {
	trace.Link
	Summary
}

// EarlierFind is a find made before, in goods of the same batch, bay or crop.
type EarlierFind struct {
	Code, Number     string
	Round, Find      int
	Crop, Batch, Bay string
	What             consignment.What
	Entry            string // reference entry, or ""
	Rung             string
	At               time.Time
	Thread           trace.Thread
}

// TraceResult is a trace both ways.
type TraceResult struct {
	State  *consignment.State
	Origin trace.Origin
	Source consignment.Source
	Links  []Traced
	Before []EarlierFind // newest first
}

// Trace finds which other consignments may share what was found, and what was
// found in their kind before.
func (s *Store) Trace(ctx context.Context, from TraceFrom) (TraceResult, error) {
	var out TraceResult
	err := s.db.WithContext(ctx).Transaction(func(tx *gorm.DB) error {
		state, err := load(tx, from.Code)
		if err != nil {
			return err
		}
		if !state.Exists() {
			return say.Refuse(say.NotFound, "There is no consignment with the code %s here.", clip(from.Code))
		}
		if out, err = origin(state, from); err != nil {
			return err
		}
		goods, err := candidates(tx, state.Code, out.Origin)
		if err != nil {
			return err
		}
		for _, l := range trace.Follow(out.Origin, goods, from.Since) {
			var row consignmentRow
			if err := tx.Where("code = ?", l.Code).Take(&row).Error; err != nil {
				return err
			}
			sum, err := row.summary()
			if err != nil {
				return err
			}
			out.Links = append(out.Links, Traced{Link: l, Summary: sum})
		}
		out.Before, err = earlier(tx, state.Code, out.Origin)
		return err
	})
	return out, explain(err, s.dir)
}

// origin works out where a trace begins.
func origin(st *consignment.State, from TraceFrom) (TraceResult, error) {
	out := TraceResult{State: st, Source: consignment.Source{Code: st.Code, Number: st.Number}}
	if from.Sample != "" {
		x := st.Sample(from.Sample)
		if x == nil {
			return out, say.Refuse(say.NotFound, "There is no sample %s of this consignment. Is it of another site?", clip(from.Sample))
		}
		from.Round, from.Find, out.Source.Sample = x.Round, x.Find, x.Sample
	}
	if from.Round == 0 {
		from.Round = len(st.Rounds)
	}
	o := &out.Origin
	o.At = st.LastAt
	affected := map[int]bool{}
	if from.Round > len(st.Rounds) || from.Round < 0 {
		return out, say.Refuse(say.NotFound, "There is no round %d.", from.Round)
	}
	if from.Round > 0 {
		r := st.Rounds[from.Round-1]
		out.Source.Round, out.Source.Find = from.Round, from.Find
		packages := r.Infested()
		if from.Find != 0 {
			f := r.Find(from.Find)
			if f == nil {
				return out, say.Refuse(say.NotFound, "There is no find %d in this round.", from.Find)
			}
			packages, o.At = []int{f.Facts.Package}, f.At
		}
		for _, n := range packages {
			if p, ok := st.Package(n); ok {
				affected[p.Line] = true
			}
		}
		for _, u := range st.BenchUses() {
			if u.Round == from.Round {
				o.Uses = append(o.Uses, trace.Use{Bench: u.Bench, First: u.First, Last: u.Last})
			}
		}
	}
	for i, l := range st.Lines {
		if affected[i] || len(affected) == 0 {
			o.Units = append(o.Units, trace.Units{Crop: l.Crop, Batch: l.Batch, Bay: l.Bay})
		}
	}
	return out, nil
}

// few is how many values one query asks for: below what any database allows.
const few = 500

// candidates reads what may share something with the origin.
func candidates(tx *gorm.DB, code string, o trace.Origin) ([]trace.Goods, error) {
	found := map[string]bool{}
	pick := func(q *gorm.DB) error {
		var codes []string
		err := q.Distinct().Pluck("consignment", &codes).Error
		for _, c := range codes {
			found[c] = true
		}
		return err
	}
	for _, u := range o.Units {
		q := tx.Model(&lineRow{}).Where("consignment <> ?", code)
		if err := pick(q.Where("(crop = ? AND crop <> '') OR (bay = ? AND bay <> '')", u.Crop, u.Bay)); err != nil {
			return nil, fmt.Errorf("tracing crop lines: %w", err)
		}
	}
	for _, u := range o.Uses {
		if err := pick(tx.Model(&useRow{}).Where("consignment <> ? AND bench = ? AND last_at >= ?", code, u.Bench, formatTime(u.First))); err != nil {
			return nil, fmt.Errorf("tracing benches: %w", err)
		}
	}
	delete(found, code)
	var codes []string
	for c := range found {
		codes = append(codes, c)
	}
	slices.Sort(codes)
	var goods []trace.Goods
	for part := range slices.Chunk(codes, few) {
		var rows []consignmentRow
		var lines []lineRow
		var uses []useRow
		if err := tx.Where("code IN ?", part).Order("dispatch_at, number").Find(&rows).Error; err != nil {
			return nil, err
		}
		if err := tx.Where("consignment IN ?", part).Order("consignment, line").Find(&lines).Error; err != nil {
			return nil, err
		}
		if err := tx.Where("consignment IN ?", part).Order("first_at").Find(&uses).Error; err != nil {
			return nil, err
		}
		for _, row := range rows {
			left, err := parseTime(row.LeftAt)
			if err != nil {
				return nil, err
			}
			g := trace.Goods{Code: row.Code, Left: left}
			for _, l := range lines {
				if l.Consignment == row.Code {
					g.Units = append(g.Units, trace.Units{Crop: l.Crop, Batch: l.Batch, Bay: l.Bay})
				}
			}
			for _, u := range uses {
				if u.Consignment != row.Code {
					continue
				}
				use := trace.Use{Bench: u.Bench}
				if use.First, err = parseTime(u.FirstAt); err != nil {
					return nil, err
				}
				if use.Last, err = parseTime(u.LastAt); err != nil {
					return nil, err
				}
				g.Uses = append(g.Uses, use)
			}
			goods = append(goods, g)
		}
	}
	return goods, nil
}

// mostEarlier is how many earlier finds a trace shows.
const mostEarlier = 50

// earlier reads the finds made before in goods of the same batch, bay or crop.
func earlier(tx *gorm.DB, code string, o trace.Origin) ([]EarlierFind, error) {
	var out []EarlierFind
	seen := map[[3]any]bool{}
	for _, u := range o.Units {
		for _, q := range []struct {
			thread trace.Thread
			where  string
			args   []any
		}{
			{trace.Batch, "finds.batch = ? AND finds.batch <> '' AND finds.crop = ?", []any{u.Batch, u.Crop}},
			{trace.Bay, "finds.bay = ? AND finds.bay <> ''", []any{u.Bay}},
			{trace.Crop, "finds.crop = ? AND finds.crop <> ''", []any{u.Crop}},
		} {
			var rows []struct {
				Number, Consignment, Crop, Batch, Bay, What, Entry, Rung, At string
				Round, Find                                                  int
			}
			err := tx.Model(&findRow{}).
				Select("consignments.number, finds.consignment, finds.crop, finds.batch, finds.bay, finds.what, finds.entry, finds.rung, finds.at, finds.round, finds.find").
				Joins("JOIN consignments ON consignments.code = finds.consignment").
				Where("finds.at < ? AND finds.consignment <> ?", formatTime(o.At), code).
				Where(q.where, q.args...).Order("finds.at DESC, finds.consignment, finds.find").Limit(mostEarlier).Scan(&rows).Error
			if err != nil {
				return nil, fmt.Errorf("reading earlier finds: %w", err)
			}
			for _, row := range rows {
				key := [3]any{row.Consignment, row.Round, row.Find}
				if seen[key] {
					continue
				}
				seen[key] = true
				at, err := parseTime(row.At)
				if err != nil {
					return nil, err
				}
				out = append(out, EarlierFind{
					Code: row.Consignment, Number: row.Number, Round: row.Round, Find: row.Find, Crop: row.Crop, Batch: row.Batch, Bay: row.Bay,
					What: consignment.What(row.What), Entry: row.Entry, Rung: row.Rung, At: at, Thread: q.thread,
				})
			}
		}
	}
	slices.SortStableFunc(out, func(a, b EarlierFind) int { return b.At.Compare(a.At) })
	return out[:min(len(out), mostEarlier)], nil
}
