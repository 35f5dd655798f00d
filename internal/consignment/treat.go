package consignment

import (
	"errors"
	"slices"
	"strings"
	"time"

	"lastlook/internal/dose"
	"lastlook/internal/say"
)

// Treating is a kind of treatment.
type Treating string

// The kinds of treatment.
const (
	TreatProduct Treating = "product" // a plant protection product
	TreatWash    Treating = "washing"
	TreatPrune   Treating = "pruning"
	TreatDiscard Treating = "discarding"
	TreatHeat    Treating = "heat"
	TreatRepot   Treating = "repotting"
	TreatOther   Treating = "other"
)

// Treatings lists the kinds of treatment.
var Treatings = []Treating{TreatProduct, TreatWash, TreatPrune, TreatDiscard, TreatHeat, TreatRepot, TreatOther}

var treatWords = map[Treating]say.Text{
	TreatProduct: say.T("Plant protection product"),
	TreatWash:    say.T("Washing"),
	TreatPrune:   say.T("Pruning"),
	TreatDiscard: say.T("Discarding parts or plants"),
	TreatHeat:    say.T("Heat"),
	TreatRepot:   say.T("Repotting"),
	TreatOther:   say.T("Another treatment"),
}

// Words names the kind.
func (t Treating) Words() say.Text { return treatWords[t] }

type (
	// Treated is the record of one treatment. It is kept as it was stated: whether
	// the product may be used so is for the label, local law and a licensed person.
	Treated struct {
		Treatment int      `json:"treatment"` // 1, 2, 3 …
		Round     int      `json:"round"`     // after which it was done
		Way       Treating `json:"way"`
		Packages  []int    `json:"packages,omitempty"` // none means all

		Product      string `json:"product,omitempty"`
		Active       string `json:"active,omitempty"`       // active ingredient
		Registration string `json:"registration,omitempty"` // number on the label
		Batch        string `json:"batch,omitempty"`        // of the product
		Rate         string `json:"rate,omitempty"`         // with its unit, as package dose writes it
		Volume       string `json:"volume,omitempty"`       // of spray or water, with its unit
		Temperature  string `json:"temperature,omitempty"`  // of heat, with its unit
		Target       string `json:"target"`                 // against what
		Method       string `json:"method"`
		Operator     string `json:"operator"`
		Licence      string `json:"licence,omitempty"`
		Outdoors     bool   `json:"outdoors,omitempty"`
		Weather      string `json:"weather,omitempty"`
		Note         string `json:"note,omitempty"`

		Start time.Time `json:"start"`
		End   time.Time `json:"end"`
		// ReEntry is when people may come back to the plants; zero if at once.
		ReEntry time.Time `json:"re_entry,omitzero"`
		// Withholding is until when the plants may not be sold or leave; zero if there is none.
		Withholding time.Time `json:"withholding,omitzero"`
	}

	// Disposed records that packages, or units of them, were destroyed. Whole
	// packages leave the list.
	Disposed struct {
		Packages []int  `json:"packages"`
		Units    int    `json:"units,omitempty"` // 0 means the whole packages
		Method   string `json:"method"`
		Witness  string `json:"witness"`
		Note     string `json:"note,omitempty"`
	}
)

// Kind names the event in storage.
func (Treated) Kind() string { return "treated" }

// Kind names the event in storage.
func (Disposed) Kind() string { return "disposed" }

type (
	// Treat records a treatment that was done. Re-entry and withholding are intervals
	// from its end.
	Treat struct {
		Treated
		ReEntryAfter     time.Duration
		WithholdingAfter time.Duration
	}

	// Dispose records that packages or units were destroyed before a witness.
	Dispose struct{ Disposed }
)

func (Treat) isCommand()   {}
func (Dispose) isCommand() {}

// Treatment is a treatment as recorded.
type Treatment struct {
	Treated
	At time.Time
	By Actor
}

// Disposal is a disposal as recorded.
type Disposal struct {
	Disposed
	At time.Time
	By Actor
}

// longest interval after a treatment that is believed.
const longestInterval = 366 * 24 * time.Hour

func (s *State) decideTreat(m Meta, c Treat) ([]Event, error) {
	r := s.Round()
	if r == nil || r.Ended == nil {
		return nil, say.Refuse(say.Illegal, "A treatment is recorded between inspections: no inspection of %s has ended, or one is under way.", s.Number)
	}
	if s.Dispatched != nil {
		return nil, s.gone()
	}
	if s.stoppedRound() {
		return nil, say.Refuse(say.Illegal, "%s is stopped: nothing is treated until the supervisor answers the stop.", s.Number)
	}
	e := c.Treated
	for _, p := range []*string{&e.Product, &e.Active, &e.Registration, &e.Batch, &e.Rate, &e.Volume, &e.Temperature, &e.Target, &e.Method, &e.Operator, &e.Licence, &e.Weather, &e.Note} {
		*p = strings.TrimSpace(*p)
		if err := tooLong(*p, "note"); err != nil {
			return nil, err
		}
	}
	product := e.Way == TreatProduct
	switch {
	case treatWords[e.Way].IsZero():
		return nil, say.Refuse(say.Invalid, "Say what kind of treatment it was.").For("kind")
	case product && e.Product == "":
		return nil, say.Refuse(say.Invalid, "Name the product, as on its label.").For("product")
	case product && e.Active == "":
		return nil, say.Refuse(say.Invalid, "Name the active ingredient, as on the label.").For("active")
	case product && e.Registration == "":
		return nil, say.Refuse(say.Invalid, "The registration number is missing: it is on the label.").For("registration")
	case product && e.Rate == "":
		return nil, say.Refuse(say.Invalid, "The rate is missing: write it with its unit, for instance 2 L/ha or 10 mL/L.").For("rate")
	case product && e.Licence == "":
		return nil, say.Refuse(say.Invalid, "The licence of the operator is missing: products are applied by a licensed person.").For("licence")
	case e.Way == TreatHeat && e.Temperature == "":
		return nil, say.Refuse(say.Invalid, "The temperature is missing: write it with its unit, for instance 48 °C.").For("temperature")
	case e.Target == "":
		return nil, say.Refuse(say.Invalid, "Say what it was against.").For("target")
	case e.Method == "":
		return nil, say.Refuse(say.Invalid, "Say how it was done.").For("method")
	case e.Operator == "":
		return nil, say.Refuse(say.Invalid, "Say who did it.").For("operator")
	case e.Outdoors && e.Weather == "":
		return nil, say.Refuse(say.Invalid, "It was done outdoors: say what the weather was.").For("weather")
	case e.Start.IsZero():
		return nil, say.Refuse(say.Invalid, "Say when it began.").For("start")
	case e.End.IsZero():
		return nil, say.Refuse(say.Invalid, "Say when it ended.").For("end")
	case e.End.Before(e.Start):
		return nil, say.Refuse(say.Invalid, "It cannot have ended (%s) before it began (%s): correct one of them.", say.Moment(e.End), say.Moment(e.Start)).For("end")
	case e.End.After(m.At):
		return nil, say.Refuse(say.Invalid, "It cannot have ended at %s: that is still to come. Record it when it is over.", say.Moment(e.End)).For("end")
	case e.Start.Before(r.Ended.At.Add(-time.Minute)):
		return nil, say.Refuse(say.Invalid, "It began at %s, before the inspection it follows ended (%s): correct the time.", say.Moment(e.Start), say.Moment(r.Ended.At)).For("start")
	case c.ReEntryAfter < 0 || c.ReEntryAfter > longestInterval:
		return nil, say.Refuse(say.Invalid, "The re-entry interval cannot be that long: give hours, as on the label.").For("re_entry")
	case c.WithholdingAfter < 0 || c.WithholdingAfter > longestInterval:
		return nil, say.Refuse(say.Invalid, "The withholding period cannot be that long: give days, as on the label.").For("withholding")
	}
	if err := measure(&e); err != nil {
		return nil, err
	}
	for _, n := range e.Packages {
		if !s.Present(n) {
			return nil, s.absent(n)
		}
	}
	e.Packages = slices.Compact(slices.Sorted(slices.Values(e.Packages)))
	e.Treatment, e.Round = s.nextTreatment(), r.Number
	e.Start, e.End = e.Start.UTC(), e.End.UTC()
	e.ReEntry, e.Withholding = time.Time{}, time.Time{}
	if c.ReEntryAfter > 0 {
		e.ReEntry = e.End.Add(c.ReEntryAfter)
	}
	if c.WithholdingAfter > 0 {
		e.Withholding = e.End.Add(c.WithholdingAfter)
	}
	return []Event{e}, nil
}

// measure reads the quantities of a treatment and writes them as they are kept.
func measure(e *Treated) error {
	for _, q := range []struct {
		text  *string
		field string
		parse func(string) (dose.Quantity, error)
	}{
		{&e.Rate, "rate", dose.ParseRate},
		{&e.Volume, "volume", dose.ParseAmount},
		{&e.Temperature, "temperature", dose.ParseTemperature},
	} {
		if *q.text == "" {
			continue
		}
		typed := *q.text
		if kept, err := dose.Read(typed); err == nil { // as an earlier step kept it
			typed = kept.Human()
		}
		v, err := q.parse(typed)
		if err != nil {
			var r *say.Refusal
			if errors.As(err, &r) {
				return r.For(q.field)
			}
			return err
		}
		*q.text = v.String()
	}
	return nil
}

// nextTreatment numbers treatments, counting those taken back.
func (s *State) nextTreatment() int {
	n := 1
	for _, rec := range s.History {
		if e, ok := rec.Event.(Treated); ok {
			n = max(n, e.Treatment+1)
		}
	}
	return n
}

// ReEntryEnds is until when nobody may handle the plants; zero if they may.
func (s *State) ReEntryEnds(now time.Time) time.Time {
	var until time.Time
	for _, t := range s.Treatments {
		if t.ReEntry.After(now) && t.ReEntry.After(until) {
			until = t.ReEntry
		}
	}
	return until
}

// WithheldUntil is until when the plants may not leave; zero if they may.
func (s *State) WithheldUntil(now time.Time) time.Time {
	var until time.Time
	for _, t := range s.Treatments {
		if t.Withholding.After(now) && t.Withholding.After(until) {
			until = t.Withholding
		}
	}
	return until
}

// mayHandle refuses work on the plants before re-entry has ended.
func (s *State) mayHandle(now time.Time) error {
	if until := s.ReEntryEnds(now); !until.IsZero() {
		return say.Refuse(say.Illegal, "The plants were treated: nobody handles them before %s. Inspect again after that.", say.Moment(until))
	}
	return nil
}

func (s *State) decideDispose(c Dispose) ([]Event, error) {
	e := c.Disposed
	e.Method, e.Witness, e.Note = strings.TrimSpace(e.Method), strings.TrimSpace(e.Witness), strings.TrimSpace(e.Note)
	if s.Running() != nil {
		return nil, say.Refuse(say.Illegal, "The package list is sealed: it cannot change until round %d is over.", len(s.Rounds))
	}
	if s.Dispatched != nil {
		return nil, s.gone()
	}
	if s.stoppedRound() {
		return nil, say.Refuse(say.Illegal, "%s is stopped: everything stays where it is until the supervisor answers the stop.", s.Number)
	}
	e.Packages = slices.Compact(slices.Sorted(slices.Values(e.Packages)))
	switch {
	case len(e.Packages) == 0:
		return nil, say.Refuse(say.Invalid, "Say which packages were disposed of.").For("packages")
	case e.Method == "":
		return nil, say.Refuse(say.Invalid, "Say how they were disposed of.").For("method")
	case e.Witness == "":
		return nil, say.Refuse(say.Invalid, "Say who saw it: a disposal needs a witness.").For("witness")
	case e.Units < 0 || e.Units > MaxUnits*len(e.Packages):
		return nil, say.Refuse(say.Invalid, "%d units cannot be: give a number from 1 to %d.", e.Units, MaxUnits*len(e.Packages)).For("units")
	}
	if err := tooLong(e.Method+e.Witness+e.Note, "note"); err != nil {
		return nil, err
	}
	for _, n := range e.Packages {
		if !s.Present(n) {
			return nil, s.absent(n)
		}
	}
	if e.Units == 0 {
		if err := s.mayRemove(e.Packages); err != nil && say.CodeOf(err) == say.Forbidden && len(e.Packages) < s.Count() {
			return nil, err
		}
	}
	return []Event{e}, nil
}
