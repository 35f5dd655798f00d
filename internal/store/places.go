package store

import (
	"context"
	"fmt"

	"gorm.io/gorm"

	"lastlook/internal/code"
	"lastlook/internal/consignment"
	"lastlook/internal/place"
	"lastlook/internal/say"
)

// placesStream is the history of the list of places. There is no read table of it:
// the list is short, and folding it is as quick as reading one.
const placesStream = "places"

func loadPlaces(tx *gorm.DB) (*place.List, error) {
	var rows []eventRow
	if err := tx.Where("stream = ?", placesStream).Order("version").Find(&rows).Error; err != nil {
		return nil, fmt.Errorf("reading the list of places: %w", err)
	}
	l := &place.List{}
	for _, row := range rows {
		e, err := place.Decode(row.Kind, []byte(row.Data))
		if err != nil {
			return nil, fmt.Errorf("list of places, step %d: %w", row.Version, err)
		}
		at, err := parseTime(row.At)
		if err != nil {
			return nil, err
		}
		if err := l.Apply(e, at); err != nil {
			return nil, err
		}
	}
	return l, nil
}

// Places reads the list of places.
func (s *Store) Places(ctx context.Context) (*place.List, error) {
	l, err := loadPlaces(s.db.WithContext(ctx))
	return l, explain(err, s.dir)
}

// DoPlaces takes a step on the list of places, with an idempotency key: the same key
// again adds nothing and gives the list as it is now. A Make without an ID gets a
// new one.
func (s *Store) DoPlaces(ctx context.Context, actor consignment.Actor, bench, key string, c place.Command) (*place.List, error) {
	var list *place.List
	err := s.inTx(ctx, func(tx *gorm.DB) error {
		var err error
		if list, err = loadPlaces(tx); err != nil {
			return err
		}
		prior, repeated, err := seen(tx, key)
		switch {
		case err != nil:
			return err
		case repeated && prior.Stream != placesStream:
			return say.Refuse(say.Invalid, "This step was sent before for something else. Open the page again.")
		case repeated:
			return nil
		}
		if m, ok := c.(place.Make); ok && m.ID == "" {
			for m.ID == "" {
				id := code.NewToken(code.KindLocation, s.random64())
				if _, used := list.Place(id); !used {
					m.ID = id
				}
			}
			c = m
		}
		events, err := place.Decide(list, c)
		if err != nil {
			return err
		}
		m := consignment.Meta{Actor: actor, Bench: bench, At: s.at(list.LastAt)}
		if m.At.Before(list.LastAt) {
			return say.Refuse(say.Clock, "The clock says %s, but the last step was at %s. Set the clock right, then do this step again.",
				say.Moment(m.At), say.Moment(list.LastAt))
		}
		after := list.Version
		enc := make([]encoded, len(events))
		for i, e := range events {
			if enc[i].data, err = place.Encode(e); err != nil {
				return err
			}
			enc[i].kind = e.Kind()
			if err := list.Apply(e, m.At); err != nil {
				return err
			}
		}
		return appendEvents(tx, placesStream, after, m, key, enc)
	})
	if err != nil {
		return nil, err
	}
	return list, nil
}
