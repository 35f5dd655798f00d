package store

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"gorm.io/gorm"
	"gorm.io/gorm/clause"

	"lastlook/internal/consignment"
	"lastlook/internal/say"
)

// Stage is where a consignment stands, for lists.
type Stage string

// The stages: open until the first seal, then inspecting, then what
// [consignment.Standing] says.
const (
	OpenStage  Stage = "open"
	Inspecting Stage = "inspecting"
)

type consignmentRow struct {
	Code        string `gorm:"primaryKey"`
	Number      string
	Invoice     string
	Customer    string
	Destination string
	Crops       string
	DispatchAt  string
	LatestStart string
	Packages    int
	Fingerprint string
	Version     int
	Round       int
	Stage       string
	ToExamine   int
	Fetched     int
	Examined    int
	Highest     string
	ValidUntil  string
	EndedAt     string

	Held         string
	Place        string
	WaitingSince string
	ReEntry      string
	Aboard       int
	Vehicle      string
	LeftAt       string
}

func (consignmentRow) TableName() string { return "consignments" }

type findRow struct {
	Consignment string `gorm:"primaryKey"`
	Round       int    `gorm:"primaryKey"`
	Find        int    `gorm:"primaryKey"`
	Package     int
	Unit        int
	Crop        string
	Batch       string
	Bay         string
	Part        string
	What        string
	Entry       string
	Units       int
	Rung        string
	At          string
}

func (findRow) TableName() string { return "finds" }

// Summary is a consignment as lists show it.
type Summary struct {
	Code        string
	Number      string
	Invoice     string
	Customer    string
	Destination string
	Crops       string
	DispatchAt  time.Time
	LatestStart time.Time
	Packages    int
	Fingerprint string
	Version     int
	Round       int
	Stage       Stage
	ToExamine   int
	Fetched     int
	Examined    int
	Highest     string // highest rung among the finds of the newest round, or ""
	ValidUntil  time.Time
	EndedAt     time.Time

	Held         string    // reason of the first hold that stands, or ""
	Place        string    // where all packages stand, or ""
	WaitingSince time.Time // for an answer to a sample, a stop or a hold
	ReEntry      time.Time // latest end of re-entry of its treatments
	Aboard       int       // packages on the vehicle
	Vehicle      string
	LeftAt       time.Time
}

// project writes the read tables for one consignment from its state.
func (s *Store) project(tx *gorm.DB, st *consignment.State) error {
	h, err := s.rulesIn(tx)
	if err != nil {
		return err
	}
	row := summaryRow(st, *h.InForce(st.Destination, s.Now()).Rules)
	if err := tx.Clauses(clause.OnConflict{Columns: []clause.Column{{Name: "code"}}, UpdateAll: true}).Create(&row).Error; err != nil {
		if errors.Is(err, gorm.ErrDuplicatedKey) {
			return say.Refuse(say.Conflict, "There is a consignment %s already: give this one another number.", clip(st.Number)).For("number")
		}
		return fmt.Errorf("updating the list of consignments: %w", err)
	}
	return writeAside(tx, st)
}

// activeStages are those of consignments that still need the bench.
var activeStages = []string{string(OpenStage), string(Inspecting)}

// summaryRow gives the line of a consignment in the list, with the rules for a round
// that is not begun.
func summaryRow(st *consignment.State, rules consignment.RuleSet) consignmentRow {
	row := consignmentRow{
		Code: st.Code, Number: st.Number, Invoice: st.Invoice, Customer: st.Customer, Destination: st.Destination,
		Crops: crops(st.Lines), DispatchAt: formatTime(st.DispatchAt), Packages: st.Count(),
		Fingerprint: st.Fingerprint, Version: st.Version,
	}
	if r := st.Round(); r != nil {
		if r.Ended == nil {
			rules = r.Rules
		}
		row.Round, row.ToExamine = r.Number, len(r.Exams)
		for _, x := range r.Exams {
			if !x.FetchedAt.IsZero() {
				row.Fetched++
			}
			if x.Closed() {
				row.Examined++
			}
		}
		if top := r.Highest(); top.Valid() {
			row.Highest = top.String()
		}
		row.ValidUntil = formatTime(r.ValidUntil())
		if r.Ended != nil {
			row.EndedAt = formatTime(r.Ended.At)
		}
	}
	row.Stage = string(st.Standing())
	row.Place = st.AllIn()
	if open := st.OpenHolds(); len(open) > 0 {
		row.Held = open[0].Reason
	}
	row.WaitingSince = formatTime(st.WaitingSince())
	row.ReEntry = formatTime(st.ReEntryEnds(time.Time{}))
	row.Aboard = len(st.Aboard())
	if st.Dispatched != nil {
		row.Vehicle, row.LeftAt = st.Dispatched.Vehicle, formatTime(st.Dispatched.At)
	}
	row.LatestStart = formatTime(st.LatestStart(rules))
	return row
}

func crops(lines []consignment.Line) string {
	var names []string
	for _, l := range lines {
		names = append(names, l.Crop)
	}
	return strings.Join(names, ", ")
}

func findRows(st *consignment.State) []findRow {
	var rows []findRow
	for _, r := range st.Rounds {
		for _, f := range r.Finds {
			p, _ := st.Package(f.Facts.Package)
			row := findRow{
				Consignment: st.Code, Round: r.Number, Find: f.ID, Package: f.Facts.Package, Unit: f.Facts.Unit,
				Crop: p.CropLine.Crop, Batch: p.CropLine.Batch, Bay: p.CropLine.Bay,
				Part: string(f.Facts.Part), What: string(f.Facts.What), Units: f.Facts.Units,
				Rung: f.Rung.String(), At: formatTime(f.At),
			}
			if f.Facts.Entry != nil {
				row.Entry = f.Facts.Entry.ID
			}
			rows = append(rows, row)
		}
	}
	return rows
}

func (row consignmentRow) summary() (Summary, error) {
	sum := Summary{
		Code: row.Code, Number: row.Number, Invoice: row.Invoice, Customer: row.Customer, Destination: row.Destination,
		Crops: row.Crops, Packages: row.Packages, Fingerprint: row.Fingerprint, Version: row.Version, Round: row.Round,
		Stage: Stage(row.Stage), ToExamine: row.ToExamine, Fetched: row.Fetched, Examined: row.Examined, Highest: row.Highest,
		Held: row.Held, Place: row.Place, Aboard: row.Aboard, Vehicle: row.Vehicle,
	}
	for _, f := range []struct {
		text string
		to   *time.Time
	}{{row.DispatchAt, &sum.DispatchAt}, {row.LatestStart, &sum.LatestStart}, {row.ValidUntil, &sum.ValidUntil}, {row.EndedAt, &sum.EndedAt},
		{row.WaitingSince, &sum.WaitingSince}, {row.ReEntry, &sum.ReEntry}, {row.LeftAt, &sum.LeftAt}} {
		t, err := parseTime(f.text)
		if err != nil {
			return sum, fmt.Errorf("list of consignments, %s: %w", row.Code, err)
		}
		*f.to = t
	}
	return sum, nil
}

// Due lists the consignments that still need the bench, soonest latest moment
// first, and at most limit of those that are over, newest first.
func (s *Store) Due(ctx context.Context, limit int) (due, over []Summary, err error) {
	db := s.db.WithContext(ctx)
	var a, b []consignmentRow
	if err := db.Where("stage IN ?", activeStages).Order("latest_start, number").Find(&a).Error; err != nil {
		return nil, nil, explain(err, s.dir)
	}
	if err := db.Where("stage NOT IN ?", activeStages).Order("CASE WHEN left_at > ended_at THEN left_at ELSE ended_at END DESC, number").Limit(limit).Find(&b).Error; err != nil {
		return nil, nil, explain(err, s.dir)
	}
	if due, err = summaries(a); err != nil {
		return nil, nil, err
	}
	over, err = summaries(b)
	return due, over, err
}

func summaries(rows []consignmentRow) ([]Summary, error) {
	out := make([]Summary, len(rows))
	for i, row := range rows {
		var err error
		if out[i], err = row.summary(); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// ByNumber finds a consignment by the number on its papers. There being none is
// a refusal with the code NotFound.
func (s *Store) ByNumber(ctx context.Context, number string) (Summary, error) {
	return s.summaryWhere(ctx, "number = ?", number)
}

// ByTyped finds a consignment by its number as somebody typed it: as it is on the
// papers, or else without regard to dashes, spaces and capitals, if that leaves one.
func (s *Store) ByTyped(ctx context.Context, typed string) (Summary, error) {
	sum, err := s.ByNumber(ctx, strings.TrimSpace(typed))
	if say.CodeOf(err) != say.NotFound {
		return sum, err
	}
	bare := strings.NewReplacer("-", "", " ", "").Replace(strings.ToUpper(typed))
	if bare == "" {
		return sum, err
	}
	var rows []consignmentRow
	if ferr := s.db.WithContext(ctx).Where("REPLACE(REPLACE(UPPER(number), '-', ''), ' ', '') = ?", bare).Limit(2).Find(&rows).Error; ferr != nil {
		return Summary{}, explain(ferr, s.dir)
	}
	if len(rows) != 1 {
		return sum, err
	}
	return rows[0].summary()
}

// ByCode finds a consignment by its own code.
func (s *Store) ByCode(ctx context.Context, code string) (Summary, error) {
	return s.summaryWhere(ctx, "code = ?", code)
}

func (s *Store) summaryWhere(ctx context.Context, where, value string) (Summary, error) {
	var row consignmentRow
	err := s.db.WithContext(ctx).Where(where, value).Take(&row).Error
	if errors.Is(err, gorm.ErrRecordNotFound) {
		return Summary{}, say.Refuse(say.NotFound, "There is no consignment %s here. Import its order, or type it in.", clip(value))
	}
	if err != nil {
		return Summary{}, explain(err, s.dir)
	}
	return row.summary()
}
