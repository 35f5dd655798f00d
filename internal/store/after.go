package store

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"gorm.io/gorm"

	"lastlook/internal/code"
	"lastlook/internal/consignment"
	"lastlook/internal/say"
)

// This file holds the read tables of what follows a decision.

type sampleRow struct {
	Code        string `gorm:"primaryKey"`
	Consignment string
	Round       int
	Find        int
	TakenAt     string
	Step        string
	StepAt      string
	HeldBy      string
	Result      string
	AnsweredAt  string
}

func (sampleRow) TableName() string { return "samples" }

type uncleanRow struct {
	Bench       string `gorm:"primaryKey"`
	Consignment string `gorm:"primaryKey"`
	Round       int    `gorm:"primaryKey"`
	Number      string
	Outcome     string
	Since       string
}

func (uncleanRow) TableName() string { return "unclean_benches" }

type lineRow struct {
	Consignment string `gorm:"primaryKey"`
	Line        int    `gorm:"primaryKey"`
	Crop        string
	Batch       string
	Bay         string
	Packages    int
}

func (lineRow) TableName() string { return "crop_lines" }

type useRow struct {
	Consignment string `gorm:"primaryKey"`
	Round       int    `gorm:"primaryKey"`
	Bench       string `gorm:"primaryKey"`
	FirstAt     string
	LastAt      string
}

func (useRow) TableName() string { return "bench_uses" }

// aside is what the read tables beside the list of consignments hold of one.
type aside struct {
	finds   []findRow
	samples []sampleRow
	unclean []uncleanRow
	lines   []lineRow
	uses    []useRow
	rounds  []roundRow
	exams   []examRow
}

func asideOf(st *consignment.State) aside {
	a := aside{finds: findRows(st)}
	for _, x := range st.Samples {
		row := sampleRow{Code: x.Sample, Consignment: st.Code, Round: x.Round, Find: x.Find, TakenAt: formatTime(x.At)}
		if n := len(x.Steps); n > 0 {
			last := x.Steps[n-1]
			row.Step, row.StepAt, row.HeldBy = string(last.Step), formatTime(last.At), last.By
			if last.Step == consignment.Stored {
				row.HeldBy = last.Place
			}
		}
		if x.Answer != nil {
			row.Result, row.AnsweredAt = string(x.Answer.Result), formatTime(x.Answer.At)
		}
		a.samples = append(a.samples, row)
	}
	for _, u := range st.BenchesToClean() {
		a.unclean = append(a.unclean, uncleanRow{
			Bench: u.Bench, Consignment: u.Consignment, Round: u.Round, Number: u.Number,
			Outcome: string(u.Outcome), Since: formatTime(u.Since),
		})
	}
	for i, l := range st.Lines {
		a.lines = append(a.lines, lineRow{Consignment: st.Code, Line: i, Crop: l.Crop, Batch: l.Batch, Bay: l.Bay, Packages: l.Present()})
	}
	for _, u := range st.BenchUses() {
		a.uses = append(a.uses, useRow{Consignment: st.Code, Round: u.Round, Bench: u.Bench, FirstAt: formatTime(u.First), LastAt: formatTime(u.Last)})
	}
	a.rounds, a.exams = finishedRows(st)
	return a
}

// readAside reads what the tables hold of one consignment.
func readAside(tx *gorm.DB, consignment string) (aside, error) {
	var a aside
	err := errors.Join(
		tx.Where("consignment = ?", consignment).Order("round, find").Find(&a.finds).Error,
		tx.Where("consignment = ?", consignment).Order("taken_at, code").Find(&a.samples).Error,
		tx.Where("consignment = ?", consignment).Order("round, bench").Find(&a.unclean).Error,
		tx.Where("consignment = ?", consignment).Order("line").Find(&a.lines).Error,
		tx.Where("consignment = ?", consignment).Order("round, bench").Find(&a.uses).Error,
		tx.Where("consignment = ?", consignment).Order("round").Find(&a.rounds).Error,
		tx.Where("consignment = ?", consignment).Order("round, package").Find(&a.exams).Error,
	)
	return a, err
}

// differs names the tables in which two asides differ.
func (a aside) differs(b aside) []say.Text {
	var out []say.Text
	if !slices.Equal(a.finds, b.finds) {
		out = append(out, say.T("list of finds"))
	}
	if !sameRows(a.samples, b.samples) {
		out = append(out, say.T("list of samples"))
	}
	if !sameRows(a.unclean, b.unclean) {
		out = append(out, say.T("list of benches to clean"))
	}
	if !slices.Equal(a.lines, b.lines) {
		out = append(out, say.T("list of crop lines"))
	}
	if !sameRows(a.uses, b.uses) {
		out = append(out, say.T("list of bench uses"))
	}
	if !slices.Equal(a.rounds, b.rounds) {
		out = append(out, say.T("list of finished inspections"))
	}
	if !sameRows(a.exams, b.exams) {
		out = append(out, say.T("list of packages opened"))
	}
	return out
}

// sameRows compares rows whatever their order.
func sameRows[R comparable](a, b []R) bool {
	if len(a) != len(b) {
		return false
	}
	have := map[R]int{}
	for _, r := range a {
		have[r]++
	}
	for _, r := range b {
		if have[r]--; have[r] < 0 {
			return false
		}
	}
	return true
}

// writeAside writes the tables beside the list of consignments for one of them.
func writeAside(tx *gorm.DB, st *consignment.State) error {
	want := asideOf(st)
	var have aside
	if st.Version > 1 { // one that was only registered has nothing there
		var err error
		if have, err = readAside(tx, st.Code); err != nil {
			return fmt.Errorf("reading the read tables: %w", err)
		}
	}
	return errors.Join(
		rewrite(tx, st.Code, have.finds, want.finds),
		rewrite(tx, st.Code, have.samples, want.samples),
		rewrite(tx, st.Code, have.unclean, want.unclean),
		rewrite(tx, st.Code, have.lines, want.lines),
		rewrite(tx, st.Code, have.uses, want.uses),
		rewrite(tx, st.Code, have.rounds, want.rounds),
		rewrite(tx, st.Code, have.exams, want.exams),
	)
}

// rewrite puts a consignment's rows of one table right, if they are not.
func rewrite[R comparable](tx *gorm.DB, code string, have, want []R) error {
	if sameRows(have, want) {
		return nil
	}
	var model R
	if len(have) > 0 {
		if err := tx.Where("consignment = ?", code).Delete(&model).Error; err != nil {
			return fmt.Errorf("updating a read table: %w", err)
		}
	}
	if len(want) > 0 {
		if err := tx.Create(&want).Error; err != nil {
			return fmt.Errorf("updating a read table: %w", err)
		}
	}
	return nil
}

// uncleanIn finds what must be cleaned away from a bench before it is used.
func uncleanIn(tx *gorm.DB, bench string) (*consignment.Unclean, error) {
	var row uncleanRow
	err := tx.Where("bench = ?", bench).Order("since, consignment").Take(&row).Error
	if errors.Is(err, gorm.ErrRecordNotFound) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("reading the benches to clean: %w", err)
	}
	u, err := row.unclean()
	return &u, err
}

func (row uncleanRow) unclean() (consignment.Unclean, error) {
	since, err := parseTime(row.Since)
	return consignment.Unclean{
		Consignment: row.Consignment, Number: row.Number, Round: row.Round, Bench: row.Bench,
		Since: since, Outcome: consignment.Outcome(row.Outcome),
	}, err
}

// Unclean gives what must be cleaned away from a bench before it is used again;
// nil if it may be used.
func (s *Store) Unclean(ctx context.Context, bench string) (*consignment.Unclean, error) {
	u, err := uncleanIn(s.db.WithContext(ctx), bench)
	return u, explain(err, s.dir)
}

// SampleLine is a sample as lists show it.
type SampleLine struct {
	Code        string
	Consignment Summary
	Round, Find int
	TakenAt     time.Time
	Step        consignment.Custody // newest, or ""
	StepAt      time.Time
	HeldBy      string
	Result      consignment.Result // or ""
	AnsweredAt  time.Time
}

// SampleOf finds the consignment of a sample by the sample's code. There being
// none is a refusal with the code NotFound.
func (s *Store) SampleOf(ctx context.Context, sample string) (string, error) {
	var row sampleRow
	err := s.db.WithContext(ctx).Where("code = ?", sample).Take(&row).Error
	if errors.Is(err, gorm.ErrRecordNotFound) {
		return "", say.Refuse(say.NotFound, "There is no sample %s here. Is it of another site?", clip(sample))
	}
	return row.Consignment, explain(err, s.dir)
}

// Samples lists the samples without a result, oldest first, or with them the
// newest limit of those that have one.
func (s *Store) Samples(ctx context.Context, answered bool, limit int) ([]SampleLine, error) {
	db := s.db.WithContext(ctx)
	q := db.Where("result = ''").Order("taken_at, code")
	if answered {
		q = db.Where("result <> ''").Order("answered_at DESC, code").Limit(limit)
	}
	var rows []sampleRow
	if err := q.Find(&rows).Error; err != nil {
		return nil, explain(err, s.dir)
	}
	out := make([]SampleLine, len(rows))
	for i, row := range rows {
		sum, err := s.ByCode(ctx, row.Consignment)
		if err != nil {
			return nil, err
		}
		l := SampleLine{
			Code: row.Code, Consignment: sum, Round: row.Round, Find: row.Find,
			Step: consignment.Custody(row.Step), HeldBy: row.HeldBy, Result: consignment.Result(row.Result),
		}
		for _, f := range []struct {
			text string
			to   *time.Time
		}{{row.TakenAt, &l.TakenAt}, {row.StepAt, &l.StepAt}, {row.AnsweredAt, &l.AnsweredAt}} {
			if *f.to, err = parseTime(f.text); err != nil {
				return nil, fmt.Errorf("list of samples, %s: %w", row.Code, err)
			}
		}
		out[i] = l
	}
	return out, nil
}

// NewSampleCode makes a code for a sample that no sample here has.
func (s *Store) NewSampleCode(ctx context.Context) (string, error) {
	for range 1000 {
		c := code.NewToken(code.KindSample, s.random64())
		var n int64
		if err := s.db.WithContext(ctx).Model(&sampleRow{}).Where("code = ?", c).Limit(1).Count(&n).Error; err != nil {
			return "", explain(err, s.dir)
		}
		if n == 0 {
			return c, nil
		}
	}
	return "", say.Refuse(say.Storage, "Nearly all sample codes are used up: archive old years, then try again.")
}

// Board lists every consignment that has not left, soonest dispatch first, and
// at most limit of those that have, newest first.
func (s *Store) Board(ctx context.Context, limit int) (here, left []Summary, err error) {
	db := s.db.WithContext(ctx)
	var a, b []consignmentRow
	gone := string(consignment.StandGone)
	if err := db.Where("stage <> ?", gone).Order("dispatch_at, number").Find(&a).Error; err != nil {
		return nil, nil, explain(err, s.dir)
	}
	if err := db.Where("stage = ?", gone).Order("left_at DESC, number").Limit(limit).Find(&b).Error; err != nil {
		return nil, nil, explain(err, s.dir)
	}
	if here, err = summaries(a); err != nil {
		return nil, nil, err
	}
	left, err = summaries(b)
	return here, left, err
}
