// Package trace says which other consignments may share what was found in one:
// those with units of the same batch, from the same growing bay or of the same
// crop, and those whose packages were open on the same bench afterwards. Start
// with [Follow]. The package reads nothing and decides nothing: who is put on hold
// is for people, and a consignment that is not in the answer is not proven clean.
//
// That a pest spreads within a batch and a bay, and is carried on by a bench, is
// common practice to assume (compare ISPM 31 on the homogeneity of a lot: the same
// species, the same place of growing, the same packing).
package trace

import (
	"cmp"
	"slices"
	"time"

	"lastlook/internal/say"
)

// Thread is what two consignments have in common.
type Thread string

// The threads, the strongest first.
const (
	Batch Thread = "batch"
	Bench Thread = "bench" // open on the same bench afterwards
	Bay   Thread = "bay"
	Crop  Thread = "crop"
)

// Threads lists the threads, the strongest first.
var Threads = []Thread{Batch, Bench, Bay, Crop}

// Words names the thread.
func (t Thread) Words() say.Text {
	switch t {
	case Batch:
		return say.T("same batch")
	case Bench:
		return say.T("same bench afterwards")
	case Bay:
		return say.T("same growing bay")
	case Crop:
		return say.T("same crop")
	}
	return say.T("%s", string(t))
}

// Units is a crop line as tracing sees it.
type Units struct{ Crop, Batch, Bay string }

// Use is a time in which packages of a consignment were open on a bench.
type Use struct {
	Bench       string
	First, Last time.Time
}

// Origin is where a trace begins: what was found in, on which bench and when.
// Without a find it is the whole consignment.
type Origin struct {
	Units []Units // the affected crop lines
	Uses  []Use   // benches on which the affected round was open
	At    time.Time
}

// Goods is a consignment that may share something with the origin.
type Goods struct {
	Code  string
	Units []Units
	Uses  []Use
	Left  time.Time // when it was dispatched; zero if it was not
}

// Shared is one thread between the origin and some goods, with what it is about:
// the batch, the bench, the bay or the crop.
type Shared struct {
	Thread Thread
	What   string
	At     time.Time // of a bench: when it was used
}

// Words says what is shared.
func (s Shared) Words() say.Text { return say.T("%s: %s", s.Thread.Words(), s.What) }

// Link is a consignment with what it shares with the origin, the strongest first.
type Link struct {
	Code   string
	Shared []Shared
}

// Strongest is the strongest thread of the link.
func (l Link) Strongest() Thread { return l.Shared[0].Thread }

// Follow finds which goods share something with the origin, those with the
// strongest thread first. Goods that left before the given time are left out: the
// zero time leaves out none.
func Follow(o Origin, goods []Goods, since time.Time) []Link {
	var links []Link
	for _, g := range goods {
		if !g.Left.IsZero() && g.Left.Before(since) {
			continue
		}
		if shared := o.shares(g); len(shared) > 0 {
			links = append(links, Link{Code: g.Code, Shared: shared})
		}
	}
	rank := func(l Link) int { return slices.Index(Threads, l.Strongest()) }
	slices.SortStableFunc(links, func(a, b Link) int {
		return cmp.Or(cmp.Compare(rank(a), rank(b)), cmp.Compare(len(b.Shared), len(a.Shared)))
	})
	return links
}

func (o Origin) shares(g Goods) []Shared {
	var out []Shared
	add := func(s Shared) {
		if s.What == "" {
			return // nothing is known of either: that is nothing in common
		}
		if !slices.ContainsFunc(out, func(x Shared) bool { return x.Thread == s.Thread && x.What == s.What }) {
			out = append(out, s)
		}
	}
	for _, a := range o.Units {
		for _, b := range g.Units {
			if a.Batch == b.Batch && a.Crop == b.Crop {
				add(Shared{Thread: Batch, What: a.Batch})
			}
			if a.Bay == b.Bay {
				add(Shared{Thread: Bay, What: a.Bay})
			}
			if a.Crop == b.Crop {
				add(Shared{Thread: Crop, What: a.Crop})
			}
		}
	}
	for _, a := range o.Uses {
		for _, b := range g.Uses {
			if a.Bench == b.Bench && !b.Last.Before(a.First) {
				add(Shared{Thread: Bench, What: a.Bench, At: b.First})
			}
		}
	}
	slices.SortStableFunc(out, func(a, b Shared) int {
		return cmp.Compare(slices.Index(Threads, a.Thread), slices.Index(Threads, b.Thread))
	})
	return out
}
