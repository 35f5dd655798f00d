package store

import (
	"context"
	"fmt"
	"strings"

	"gorm.io/gorm"

	"lastlook/internal/consignment"
	"lastlook/internal/practice"
	"lastlook/internal/say"
)

const practiceStream = "practice/"

func loadPractice(tx *gorm.DB, person string) (*practice.State, error) {
	var rows []eventRow
	if err := tx.Where("stream = ?", practiceStream+person).Order("version").Find(&rows).Error; err != nil {
		return nil, fmt.Errorf("reading the practice of %s: %w", person, err)
	}
	s := &practice.State{}
	for _, row := range rows {
		e, err := practice.Decode(row.Kind, []byte(row.Data))
		if err != nil {
			return nil, fmt.Errorf("practice of %s, step %d: %w", person, row.Version, err)
		}
		at, err := parseTime(row.At)
		if err != nil {
			return nil, err
		}
		if err := s.Apply(e, at); err != nil {
			return nil, err
		}
	}
	return s, nil
}

// Practice reads a person's practice, by the payload of the badge. Somebody who
// has not begun has an empty one.
func (s *Store) Practice(ctx context.Context, person string) (*practice.State, error) {
	p, err := loadPractice(s.db.WithContext(ctx), person)
	return p, explain(err, s.dir)
}

// Practised lists who has practised, by the payload of the badge.
func (s *Store) Practised(ctx context.Context) ([]string, error) {
	var streams []string
	err := s.db.WithContext(ctx).Model(&eventRow{}).Where("version = 1 AND stream LIKE ?", practiceStream+"%").Order("stream").Pluck("stream", &streams).Error
	if err != nil {
		return nil, explain(err, s.dir)
	}
	for i := range streams {
		streams[i] = strings.TrimPrefix(streams[i], practiceStream)
	}
	return streams, nil
}

// DoPractice takes a step in the actor's own practice: nobody practises for
// somebody else. The same idempotency key again adds nothing and gives the state
// as it is now.
func (s *Store) DoPractice(ctx context.Context, actor consignment.Actor, bench, key string, c practice.Command) (*practice.State, error) {
	if actor.ID == "" {
		return nil, say.Refuse(say.Forbidden, "Say who you are first: choose your name or scan your badge.")
	}
	var state *practice.State
	err := s.inTx(ctx, func(tx *gorm.DB) error {
		var err error
		if state, err = loadPractice(tx, actor.ID); err != nil {
			return err
		}
		stream := practiceStream + actor.ID
		prior, repeated, err := seen(tx, key)
		switch {
		case err != nil:
			return err
		case repeated && prior.Stream != stream:
			return say.Refuse(say.Invalid, "This step was sent before for something else. Open the page again.")
		case repeated:
			return nil
		}
		events, err := practice.Decide(state, c)
		if err != nil || len(events) == 0 {
			return err
		}
		m := consignment.Meta{Actor: actor, Bench: bench, At: s.at(state.LastAt)}
		if m.At.Before(state.LastAt) {
			return say.Refuse(say.Clock, "The clock says %s, but the last step was at %s. Set the clock right, then do this step again.",
				say.Moment(m.At), say.Moment(state.LastAt))
		}
		after := state.Version
		enc := make([]encoded, len(events))
		for i, e := range events {
			if enc[i].data, err = practice.Encode(e); err != nil {
				return err
			}
			enc[i].kind = e.Kind()
			if err := state.Apply(e, m.At); err != nil {
				return err
			}
		}
		return appendEvents(tx, stream, after, m, key, enc)
	})
	if err != nil {
		return nil, err
	}
	return state, nil
}
