package store

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"gorm.io/gorm"

	"lastlook/internal/consignment"
	"lastlook/internal/ladder"
	"lastlook/internal/learn"
)

// This file holds the read tables of finished inspections, from which the site's own
// history is told.

type roundRow struct {
	Consignment string `gorm:"primaryKey"`
	Round       int    `gorm:"primaryKey"`
	OpenedAt    string
	EndedAt     string
	ValidUntil  string
	NextAt      string
	Outcome     string
	Causes      string
}

func (roundRow) TableName() string { return "rounds" }

type examRow struct {
	Consignment string `gorm:"primaryKey"`
	Round       int    `gorm:"primaryKey"`
	Package     int    `gorm:"primaryKey"`
	Crop        string
	Batch       string
	Bay         string
	Units       int
	OpenedAt    string
	ClosedAt    string
}

func (examRow) TableName() string { return "exams" }

// finishedRows gives the rows of the rounds that have an outcome.
func finishedRows(st *consignment.State) (rounds []roundRow, exams []examRow) {
	for i, r := range st.Rounds {
		if r.Ended == nil || len(r.Endings) == 0 {
			continue
		}
		row := roundRow{
			Consignment: st.Code, Round: r.Number, OpenedAt: formatTime(r.FirstOpened), EndedAt: formatTime(r.Endings[0].At),
			ValidUntil: formatTime(r.ValidUntil()), Outcome: string(r.Ended.Outcome), Causes: causesOf(r),
		}
		if i+1 < len(st.Rounds) {
			row.NextAt = formatTime(st.Rounds[i+1].SealedAt)
		}
		rounds = append(rounds, row)
		for _, n := range r.ToExamine() {
			x := r.Exams[n]
			if x == nil || x.OpenedAt.IsZero() {
				continue
			}
			p, _ := st.Package(n)
			exams = append(exams, examRow{
				Consignment: st.Code, Round: r.Number, Package: n, Crop: p.CropLine.Crop, Batch: p.CropLine.Batch, Bay: p.CropLine.Bay,
				Units: x.Seen(), OpenedAt: formatTime(x.OpenedAt), ClosedAt: formatTime(x.ClosedAt),
			})
		}
	}
	return rounds, exams
}

// causesOf gives what decided a round that did not pass, space between: what was found
// on the rung that its outcome stands for, and the causes of package learn.
func causesOf(r *consignment.Round) string {
	rung, ok := map[consignment.Outcome]ladder.Rung{
		consignment.Rejected: ladder.Reject, consignment.Held: ladder.Sample, consignment.Stopped: ladder.Stop,
	}[r.Ended.Outcome]
	if !ok {
		return ""
	}
	var causes []string
	for _, f := range r.Finds {
		if f.Rung == rung {
			causes = append(causes, string(f.Facts.What))
		}
	}
	if rung == ladder.Reject {
		if r.After != nil {
			for _, it := range r.Rules.After {
				if it.Rejects && slices.Contains(r.After.No, it.ID) {
					causes = append(causes, string(learn.BenchCause))
				}
			}
		}
		if r.OnlyLapsed() {
			causes = append(causes, string(learn.WindowCause))
		}
	}
	slices.Sort(causes)
	return strings.Join(slices.Compact(causes), " ")
}

// History gives the inspections whose work at the bench ended from one moment on and
// before another, in that order. The detailed examination of rejected goods is not in it.
func (s *Store) History(ctx context.Context, from, to time.Time) ([]learn.Round, error) {
	var out []learn.Round
	err := s.db.WithContext(ctx).Transaction(func(tx *gorm.DB) error {
		const within = "ended_at >= ? AND ended_at < ?"
		lo, hi := formatTime(from), formatTime(to)
		var rows []struct {
			Consignment, Number, Destination, LeftAt               string
			OpenedAt, EndedAt, ValidUntil, NextAt, Outcome, Causes string
			Round, Newest                                          int
		}
		err := tx.Model(&roundRow{}).
			Select("rounds.*, consignments.number, consignments.destination, consignments.left_at, consignments.round AS newest").
			Joins("JOIN consignments ON consignments.code = rounds.consignment").
			Where("rounds.ended_at >= ? AND rounds.ended_at < ?", lo, hi).
			Order("rounds.ended_at, rounds.consignment, rounds.round").Scan(&rows).Error
		if err != nil {
			return err
		}
		var exams []examRow
		if err := tx.Table("exams").Where("EXISTS (SELECT 1 FROM rounds WHERE rounds.consignment = exams.consignment AND rounds.round = exams.round AND "+within+")", lo, hi).
			Order("consignment, round, package").Find(&exams).Error; err != nil {
			return err
		}
		var finds []findRow
		if err := tx.Table("finds").Where("EXISTS (SELECT 1 FROM rounds WHERE rounds.consignment = finds.consignment AND rounds.round = finds.round AND "+within+")", lo, hi).
			Order("consignment, round, find").Find(&finds).Error; err != nil {
			return err
		}
		type key struct {
			consignment string
			round       int
		}
		at := map[key]int{}
		for _, row := range rows {
			r := learn.Round{
				Consignment: row.Consignment, Number: row.Number, Destination: row.Destination, Round: row.Round,
				Outcome: consignment.Outcome(row.Outcome),
			}
			for _, c := range strings.Fields(row.Causes) {
				r.Causes = append(r.Causes, learn.Cause(c))
			}
			if row.Newest != row.Round {
				row.LeftAt = "" // they left under a later one
			}
			err := readTimes(row.Consignment, []stored{
				{row.OpenedAt, &r.Opened}, {row.EndedAt, &r.Ended}, {row.ValidUntil, &r.ValidUntil}, {row.NextAt, &r.Next}, {row.LeftAt, &r.Left},
			})
			if err != nil {
				return err
			}
			at[key{row.Consignment, row.Round}] = len(out)
			out = append(out, r)
		}
		for _, row := range exams {
			x := learn.Exam{Package: row.Package, Crop: row.Crop, Batch: row.Batch, Bay: row.Bay, Units: row.Units}
			if err := readTimes(row.Consignment, []stored{{row.OpenedAt, &x.Opened}, {row.ClosedAt, &x.Closed}}); err != nil {
				return err
			}
			if i, ok := at[key{row.Consignment, row.Round}]; ok {
				out[i].Exams = append(out[i].Exams, x)
			}
		}
		for _, row := range finds {
			f := learn.Find{
				ID: row.Find, Entry: row.Entry, What: consignment.What(row.What), Crop: row.Crop, Bay: row.Bay, Units: row.Units,
			}
			if f.Rung, err = ladder.Parse(row.Rung); err != nil {
				return err
			}
			if err := readTimes(row.Consignment, []stored{{row.At, &f.At}}); err != nil {
				return err
			}
			if i, ok := at[key{row.Consignment, row.Round}]; ok {
				out[i].Finds = append(out[i].Finds, f)
			}
		}
		return nil
	})
	return out, explain(err, s.dir)
}

// stored is a time as a table holds it, and where it is to go.
type stored struct {
	text string
	to   *time.Time
}

func readTimes(consignment string, times []stored) error {
	for _, f := range times {
		t, err := parseTime(f.text)
		if err != nil {
			return fmt.Errorf("list of finished inspections, %s: %w", consignment, err)
		}
		*f.to = t
	}
	return nil
}
