// Package export takes a consignment out of a data folder, to be kept and checked
// elsewhere.
//
// [Bundle] makes the portable record that package bundle reads and checks; [Mark]
// gives what ties a printed record to the ledger. The package decides nothing and
// writes no files.
package export

import (
	"context"
	"encoding/hex"
	"slices"

	"lastlook/internal/bundle"
	"lastlook/internal/consignment"
	"lastlook/internal/ledger"
	"lastlook/internal/record"
	"lastlook/internal/say"
	"lastlook/internal/store"
)

// Options are what a bundle takes besides what the data folder holds.
type Options struct {
	Program  string
	Invented bool
	// Since are signed heads that the receiver has: the bundle proves that the
	// history goes on from them.
	Since [][]byte
	// Entry finds the canonical bytes of a reference entry that came with the
	// program, by their SHA-256 in hex; nil if there is no such entry.
	Entry func(hash string) []byte
}

// Bundle makes the portable record of a consignment, as of now. The same data
// gives the same bundle. A head that is none of this history is refused.
func Bundle(ctx context.Context, st *store.Store, code string, o Options) (*bundle.Bundle, error) {
	heads := make([]ledger.Head, len(o.Since))
	var sizes []int64
	for i, signed := range o.Since {
		h, err := ledger.PeekHead(signed)
		if err != nil {
			return nil, say.Refuse(say.Invalid, "What was given as an earlier head is not the head of a ledger.").Because(err)
		}
		heads[i] = h
		sizes = append(sizes, h.Size)
	}
	ev, err := st.Evidence(ctx, code, func(steps []store.Proven) []int64 {
		for _, s := range steps {
			if s.Entry.Kind == (consignment.RoundEnded{}).Kind() {
				sizes = append(sizes, s.Entry.Seq)
			}
		}
		slices.Sort(sizes)
		sizes = slices.Compact(sizes)
		return sizes
	})
	if err != nil {
		return nil, err
	}
	src := bundle.Source{
		Code: code, Head: []byte(ev.Head.Note), Site: steps(ev.Site), Steps: steps(ev.Steps), Program: o.Program, Invented: o.Invented,
		Photo: func(hash string) ([]byte, error) {
			_, b, err := st.Blob(ctx, hash)
			return b, err
		},
		Entry: func(hash string) ([]byte, error) {
			if o.Entry != nil {
				if b := o.Entry(hash); b != nil {
					return b, nil
				}
			}
			_, b, err := st.Blob(ctx, hash)
			return b, err
		},
	}
	for _, older := range ev.Older {
		for _, h := range heads {
			if h.Size == older.Size && h != older.Head {
				return nil, say.Refuse(say.Conflict, "The head given for %d steps is not of this history: the data were changed or put back since, or it is of another site. Keep the head, and run lastlook audit.", h.Size)
			}
		}
		src.Marks = append(src.Marks, bundle.Mark{Size: older.Size, Root: older.Root, Proof: older.Proof})
	}
	return bundle.New(src)
}

func steps(ps []store.Proven) []bundle.Step {
	out := make([]bundle.Step, len(ps))
	for i, p := range ps {
		out[i] = bundle.Step{Entry: p.Entry, Proof: p.Proof}
	}
	return out
}

// Mark gives what a printed record of the consignment carries: nil unless its
// newest round has ended.
func Mark(ctx context.Context, st *store.Store, s *consignment.State) (*record.Mark, error) {
	r := s.Round()
	if r == nil || r.Ended == nil {
		return nil, nil
	}
	for _, rec := range slices.Backward(s.History) {
		if end, ok := rec.Event.(consignment.RoundEnded); ok && end.Round == r.Number {
			m, err := markOf(ctx, st, s, rec.Version, end)
			return &m, err
		}
	}
	return nil, nil
}

// Marks gives what the printed records of all ended rounds of the consignment carry,
// oldest first.
func Marks(ctx context.Context, st *store.Store, s *consignment.State) ([]record.Mark, error) {
	var marks []record.Mark
	for _, rec := range s.History {
		if end, ok := rec.Event.(consignment.RoundEnded); ok {
			m, err := markOf(ctx, st, s, rec.Version, end)
			if err != nil {
				return nil, err
			}
			marks = append(marks, m)
		}
	}
	return marks, nil
}

func markOf(ctx context.Context, st *store.Store, s *consignment.State, version int, end consignment.RoundEnded) (record.Mark, error) {
	e, head, err := st.Stood(ctx, s.Code, version)
	if err != nil {
		return record.Mark{}, err
	}
	leaf := e.Hash()
	return record.Mark{Code: s.Code, Outcome: end.Outcome, Head: record.Compact(head.Fingerprint()), Leaf: hex.EncodeToString(leaf[:])}, nil
}
