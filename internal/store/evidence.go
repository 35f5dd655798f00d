package store

import (
	"context"
	"fmt"

	"gorm.io/gorm"

	"lastlook/internal/ledger"
	"lastlook/internal/say"
)

// Proven is an event with the proof that it is under a head.
type Proven struct {
	Entry ledger.Entry
	Proof []ledger.Hash
}

// Older is a head of a smaller size with the proof that a head goes on from it.
type Older struct {
	ledger.Head
	Proof []ledger.Hash
}

// Evidence is what proves a consignment's history, all of it under one head.
type Evidence struct {
	Head  SignedHead
	Site  []Proven // the site's own events
	Steps []Proven // the consignment's
	Older []Older  // as asked for, in the order asked for
}

// Evidence reads a consignment's events as they are kept, the site's own, and the
// proofs that they are under the newest head, all as of one moment. also says from
// which earlier sizes a proof is wanted that the head goes on, once the
// events are known.
func (s *Store) Evidence(ctx context.Context, code string, also func(steps []Proven) (sizes []int64)) (Evidence, error) {
	var ev Evidence
	err := s.db.WithContext(ctx).Transaction(func(tx *gorm.DB) error {
		var err error
		if ev.Head, err = s.headIn(tx); err != nil {
			return err
		}
		hashes := hashesIn(tx)
		prove := func(stream string) ([]Proven, error) {
			var rows []eventRow
			if err := tx.Where("stream = ?", stream).Order("version").Find(&rows).Error; err != nil {
				return nil, fmt.Errorf("reading %s: %w", stream, err)
			}
			out := make([]Proven, len(rows))
			for i, row := range rows {
				p, err := ledger.Prove(ev.Head.Size, row.Seq, hashes)
				if err != nil {
					return nil, err
				}
				out[i] = Proven{row.entry(), p}
			}
			return out, nil
		}
		if ev.Site, err = prove(ledger.Stream); err != nil {
			return err
		}
		if ev.Steps, err = prove(consignmentStream + code); err != nil {
			return err
		}
		if len(ev.Steps) == 0 {
			return say.Refuse(say.NotFound, "There is no consignment with the code %s here.", clip(code))
		}
		for _, size := range also(ev.Steps) {
			if size < 1 || size > ev.Head.Size {
				return say.Refuse(say.NotFound, "The record never had %d steps: it has %d.", size, ev.Head.Size)
			}
			edge, err := ledger.ReadEdge(size, hashes)
			if err != nil {
				return err
			}
			p, err := ledger.ProveGrowth(size, ev.Head.Size, hashes)
			if err != nil {
				return err
			}
			ev.Older = append(ev.Older, Older{ledger.Head{Site: ev.Head.Site, Size: size, Root: edge.Root()}, p})
		}
		return nil
	})
	return ev, explain(err, s.dir)
}

// Stood gives an event of a consignment and the head as it was when that event was
// the newest of the whole history.
func (s *Store) Stood(ctx context.Context, code string, version int) (ledger.Entry, ledger.Head, error) {
	var row eventRow
	var head ledger.Head
	err := s.db.WithContext(ctx).Transaction(func(tx *gorm.DB) error {
		now, err := s.headIn(tx)
		if err != nil {
			return err
		}
		if err := tx.Where("stream = ? AND version = ?", consignmentStream+code, version).Take(&row).Error; err != nil {
			return fmt.Errorf("reading step %d of %s: %w", version, code, err)
		}
		edge, err := ledger.ReadEdge(row.Seq, hashesIn(tx))
		head = ledger.Head{Site: now.Site, Size: row.Seq, Root: edge.Root()}
		return err
	})
	if err != nil {
		return ledger.Entry{}, ledger.Head{}, explain(err, s.dir)
	}
	return row.entry(), head, nil
}
