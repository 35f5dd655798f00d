// Package intake takes order files in: it has them read, has what is good kept,
// and tells line by line what became of the rest.
//
// Start with [Take]; the command line, the upload page and the demo all go
// through it, so that an order means the same whichever way it came.
// [Registered] turns one order into what the core registers. The package
// opens no files and shows nothing.
package intake

import (
	"bytes"
	"cmp"
	"context"
	"fmt"
	"slices"
	"time"

	"lastlook/internal/consignment"
	"lastlook/internal/order"
	"lastlook/internal/say"
	"lastlook/internal/store"
)

// Keeper keeps orders. It is [store.Store], but for tests.
type Keeper interface {
	Register(ctx context.Context, actor consignment.Actor, bench string, orders []consignment.Registered, progress func(done, total int)) ([]store.Taken, error)
}

// Phase says what is being done, for a progress line.
type Phase int

// The phases, in their order.
const (
	Reading Phase = iota // lines of the file
	Keeping              // consignments
)

// Options are what must be known besides the file.
type Options struct {
	Now    time.Time      // before it, a dispatch time is in the past
	Loc    *time.Location // of times without a zone; nil means UTC
	Source string         // name of the file, kept with each consignment
	Actor  consignment.Actor
	Bench  string
	// Sprintf says the problems in the lines given back; nil means English.
	Sprintf func(key string, args ...any) string
	// Progress, if set, is told now and then how far a phase is.
	Progress func(phase Phase, done, total int)
}

// Entry is a consignment that is here now.
type Entry struct{ Number, Code string }

// Refusal is one reason for which something was not taken.
type Refusal struct {
	Line   int    // of the file, from 1
	Number string // of the consignment, "" if the line has none
	Field  string // as order names it, "" for the line as a whole
	Text   say.Text
	Value  string // what was read, cut short if long
}

// Report tells what became of a file.
type Report struct {
	Lines   int     // below the header
	Taken   []Entry // new
	Here    []Entry // here already with the same content, and left alone
	Refused []Refusal
	// NotTaken lists the numbers of the consignments that were left out whole.
	NotTaken []string
	Notices  []say.Text // about the file; nothing was left out for them
	// Fix is the lines to be put right as CSV, with a column "problem", nil if there
	// are none. FixLines counts them.
	Fix      []byte
	FixLines int
}

// Clean reports whether everything was taken or here already.
func (r *Report) Clean() bool { return len(r.Refused) == 0 && len(r.NotTaken) == 0 }

// Take reads an order file and keeps its good consignments. Taking the same file
// twice changes nothing. If the file as a whole cannot be read, or the data folder
// cannot be written, the error is a say.Refusal; in the second case the Report
// tells what was kept before.
func Take(ctx context.Context, k Keeper, src []byte, opt Options) (*Report, error) {
	tell := opt.Progress
	if tell == nil {
		tell = func(Phase, int, int) {}
	}
	res, err := order.Read(src, order.Options{Now: opt.Now, Loc: opt.Loc, Progress: func(done, total int) { tell(Reading, done, total) }})
	if err != nil {
		return nil, err
	}
	rep := &Report{Lines: res.Lines, Notices: res.Notices, FixLines: res.Rejected()}
	for _, p := range res.Problems {
		rep.Refused = append(rep.Refused, Refusal(p))
	}
	for _, n := range res.NotTaken {
		rep.NotTaken = append(rep.NotTaken, n.Number)
	}
	if rep.FixLines > 0 {
		var b bytes.Buffer
		if err := res.WriteRejected(&b, opt.Sprintf); err != nil {
			return nil, fmt.Errorf("intake: %w", err)
		}
		rep.Fix = b.Bytes()
	}
	orders := make([]consignment.Registered, len(res.Consignments))
	for i, c := range res.Consignments {
		orders[i] = Registered(c, opt.Source)
	}
	taken, err := k.Register(ctx, opt.Actor, opt.Bench, orders, func(done, total int) { tell(Keeping, done, total) })
	for i, t := range taken {
		switch {
		case t.Refused != nil:
			rep.Refused = append(rep.Refused, Refusal{
				Line: res.Consignments[i].FirstLine, Number: t.Number, Field: t.Refused.Field, Text: t.Refused.Text,
			})
			rep.NotTaken = append(rep.NotTaken, t.Number)
		case t.New:
			rep.Taken = append(rep.Taken, Entry{t.Number, t.Code})
		default:
			rep.Here = append(rep.Here, Entry{t.Number, t.Code})
		}
	}
	slices.SortStableFunc(rep.Refused, func(a, b Refusal) int { return cmp.Compare(a.Line, b.Line) })
	return rep, err
}

// Registered gives what the core registers for an order. It has no code yet: the
// store gives it one. source says where the order came from.
func Registered(c order.Consignment, source string) consignment.Registered {
	r := consignment.Registered{
		Number: c.Number, Invoice: c.Invoice, Customer: c.Customer, Destination: c.Destination,
		DispatchAt: c.Dispatch, Source: source, Fingerprint: c.Fingerprint(),
	}
	for _, l := range c.Lines {
		r.Lines = append(r.Lines, consignment.Line{
			Crop: l.Crop, Batch: l.Batch, Bay: l.Bay, Packages: l.Packages, UnitsPerPackage: l.UnitsPerPackage, Refs: l.Refs,
		})
	}
	return r
}
