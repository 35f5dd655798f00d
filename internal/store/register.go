package store

import (
	"context"
	"errors"

	"gorm.io/gorm"

	"lastlook/internal/code"
	"lastlook/internal/consignment"
	"lastlook/internal/say"
)

// Taken tells what became of one order.
type Taken struct {
	Number string
	Code   string // of the consignment, if it is here now
	// New is false if the same order was here already.
	New bool
	// Refused says why the order was not taken, if it was not.
	Refused *say.Refusal
}

// batch is how many orders are kept in one transaction: few enough that a bench
// never waits long behind an import.
const batch = 100

// Register takes in orders. Each gets a code of its own. An order that is here
// already with the same content is left alone; one with the same number and other
// content is refused, and the one here stays. Every other order is kept. The
// answer has one entry an order, in their order; progress, if not nil, is told how
// many are done. An error means that storage failed: what was taken before stays.
func (s *Store) Register(ctx context.Context, actor consignment.Actor, bench string, orders []consignment.Registered, progress func(done, total int)) ([]Taken, error) {
	taken := make([]Taken, 0, len(orders))
	for start := 0; start < len(orders); start += batch {
		part := orders[start:min(start+batch, len(orders))]
		var got []Taken
		err := s.inTx(ctx, func(tx *gorm.DB) error {
			got = got[:0]
			for _, o := range part {
				t, err := s.register(tx, actor, bench, o)
				if err != nil {
					return err
				}
				got = append(got, t)
			}
			return nil
		})
		if err != nil {
			return taken, err
		}
		taken = append(taken, got...)
		if progress != nil {
			progress(len(taken), len(orders))
		}
	}
	return taken, nil
}

func (s *Store) register(tx *gorm.DB, actor consignment.Actor, bench string, o consignment.Registered) (Taken, error) {
	t := Taken{Number: o.Number}
	var here consignmentRow
	err := tx.Select("code", "fingerprint").Where("number = ?", o.Number).Take(&here).Error
	switch {
	case err == nil && o.Fingerprint != "" && here.Fingerprint == o.Fingerprint:
		t.Code = here.Code
		return t, nil
	case err == nil:
		t.Refused = say.Refuse(say.Conflict, "Consignment %s is here already with other values: the one here was left as it is. Change it at the bench, or give this one another number.", clip(o.Number)).For("number")
		return t, nil
	case !errors.Is(err, gorm.ErrRecordNotFound):
		return t, err
	}
	if o.Code, err = s.freeCode(tx); err != nil {
		return t, err
	}
	_, err = s.do(tx, Step{Code: o.Code, Actor: actor, Bench: bench, Command: consignment.Register{Registered: o}})
	var refused *say.Refusal
	if errors.As(err, &refused) {
		t.Refused = refused
		return t, nil
	}
	t.Code, t.New = o.Code, err == nil
	return t, err
}

// freeCode makes a consignment code that is not in use. There are 810 000 of
// them; a site that has used most of them is told so instead of waiting for ever.
func (s *Store) freeCode(tx *gorm.DB) (string, error) {
	for range 1000 {
		c := code.NewConsignmentCode(s.random64())
		var n int64
		if err := tx.Model(&eventRow{}).Where("stream = ?", consignmentStream+c).Limit(1).Count(&n).Error; err != nil {
			return "", err
		}
		if n == 0 {
			return c, nil
		}
	}
	return "", say.Refuse(say.Storage, "Nearly all consignment codes are used up: archive old years, then try again.")
}
