package store

import (
	"context"
	"encoding/json"
	"fmt"

	"gorm.io/gorm"

	"lastlook/internal/code"
	"lastlook/internal/consignment"
	"lastlook/internal/people"
	"lastlook/internal/say"
)

const peopleStream = "people"

type personRow struct {
	ID      string `gorm:"primaryKey"`
	Place   int
	Name    string
	Roles   string
	Retired bool
}

func (personRow) TableName() string { return "people" }

func loadRoster(tx *gorm.DB) (*people.Roster, error) {
	var rows []eventRow
	if err := tx.Where("stream = ?", peopleStream).Order("version").Find(&rows).Error; err != nil {
		return nil, fmt.Errorf("reading the list of people: %w", err)
	}
	r := &people.Roster{}
	for _, row := range rows {
		e, err := people.Decode(row.Kind, []byte(row.Data))
		if err != nil {
			return nil, fmt.Errorf("list of people, step %d: %w", row.Version, err)
		}
		at, err := parseTime(row.At)
		if err != nil {
			return nil, err
		}
		if err := r.Apply(e, at); err != nil {
			return nil, err
		}
	}
	return r, nil
}

// Roster reads the list of people.
func (s *Store) Roster(ctx context.Context) (*people.Roster, error) {
	r, err := loadRoster(s.db.WithContext(ctx))
	return r, explain(err, s.dir)
}

// newBadge makes a badge that nobody on the list has or had.
func (s *Store) newBadge(r *people.Roster) string {
	for {
		if b := code.NewToken(code.KindBadge, s.random64()); !r.Used(b) {
			return b
		}
	}
}

// newPerson makes an ID for a person. It is no payload of any code, so that no badge
// can be printed from it.
func (s *Store) newPerson(r *people.Roster) string {
	for {
		if id := fmt.Sprintf("p-%016x", s.random64()); !r.Used(id) {
			return id
		}
	}
}

// DoPeople takes a step on the list of people, with an idempotency key. A Join
// without an ID gets a new one, and a badge; a GiveBadge without a badge a new one.
func (s *Store) DoPeople(ctx context.Context, actor consignment.Actor, bench, key string, c people.Command) (*people.Roster, error) {
	var roster *people.Roster
	err := s.inTx(ctx, func(tx *gorm.DB) error {
		var err error
		if roster, err = loadRoster(tx); err != nil {
			return err
		}
		if _, repeated, err := seen(tx, key); err != nil || repeated {
			return err
		}
		switch step := c.(type) {
		case people.Join:
			if step.ID == "" {
				step.ID, step.Badge = s.newPerson(roster), s.newBadge(roster)
				c = step
			}
		case people.GiveBadge:
			if step.Badge == "" {
				step.Badge = s.newBadge(roster)
				c = step
			}
		}
		events, err := people.Decide(roster, c)
		if err != nil {
			return err
		}
		m := consignment.Meta{Actor: actor, Bench: bench, At: s.at(roster.LastAt)}
		if m.At.Before(roster.LastAt) {
			return say.Refuse(say.Clock, "The clock says %s, but the last step was at %s. Set the clock right, then do this step again.",
				say.Moment(m.At), say.Moment(roster.LastAt))
		}
		enc := make([]encoded, len(events))
		after := roster.Version
		for i, e := range events {
			if enc[i].data, err = people.Encode(e); err != nil {
				return err
			}
			enc[i].kind = e.Kind()
			if err := roster.Apply(e, m.At); err != nil {
				return err
			}
		}
		if err := appendEvents(tx, peopleStream, after, m, key, enc); err != nil {
			return err
		}
		return projectPeople(tx, roster)
	})
	if err != nil {
		return nil, err
	}
	return roster, nil
}

// personRows gives the list of people as the table holds it.
func personRows(r *people.Roster) ([]personRow, error) {
	var rows []personRow
	for i, p := range r.People {
		roles, err := json.Marshal(p.Roles)
		if err != nil {
			return nil, err
		}
		rows = append(rows, personRow{ID: p.ID, Place: i, Name: p.Name, Roles: string(roles), Retired: p.Retired})
	}
	return rows, nil
}

func projectPeople(tx *gorm.DB, r *people.Roster) error {
	if err := tx.Where("1 = 1").Delete(&personRow{}).Error; err != nil {
		return fmt.Errorf("updating the list of people: %w", err)
	}
	rows, err := personRows(r)
	if err != nil {
		return err
	}
	if len(rows) == 0 {
		return nil
	}
	if err := tx.Create(&rows).Error; err != nil {
		return fmt.Errorf("updating the list of people: %w", err)
	}
	return nil
}
