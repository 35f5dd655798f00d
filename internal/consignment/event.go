package consignment

import (
	"bytes"
	"encoding/json"
	"fmt"
	"time"

	"lastlook/internal/draw"
	"lastlook/internal/exact"
	"lastlook/internal/ladder"
	"lastlook/internal/say"
)

// Actor is the person who took a step, as known at that moment.
type Actor struct {
	ID    string   `json:"id"`
	Name  string   `json:"name"`
	Roles []string `json:"roles,omitempty"`
}

// Supervisor is the role that may go down the ladder and set the rules.
const Supervisor = "supervisor"

// Has reports whether the person acts in the given role.
func (a Actor) Has(role string) bool {
	for _, r := range a.Roles {
		if r == role {
			return true
		}
	}
	return false
}

// Meta is what every step carries besides itself.
type Meta struct {
	Actor Actor
	Bench string
	At    time.Time
	// Unclean is set when the bench must be cleaned before it is used; the core cannot
	// know, as it sees one consignment.
	Unclean *Unclean
	// Prover makes the seed of a draw, with its proof. Only a Seal needs it.
	Prover draw.Prover
}

// Event is something that happened to a consignment. Kind is its name in storage.
type Event interface {
	Kind() string
}

// Recorded is an event as kept: its place in the consignment's history, when,
// by whom and at which bench.
type Recorded struct {
	Version int // 1, 2, 3 … without gaps
	At      time.Time
	Actor   Actor
	Bench   string
	Event   Event
}

// The events, in the order in which they usually happen.
type (
	// Registered opens a consignment's history.
	Registered struct {
		Code        string    `json:"code"` // own code, on every label
		Number      string    `json:"number"`
		Invoice     string    `json:"invoice,omitempty"`
		Customer    string    `json:"customer"`
		Destination string    `json:"destination"`
		DispatchAt  time.Time `json:"dispatch_at"`
		Lines       []Line    `json:"lines"`
		Source      string    `json:"source,omitempty"`      // order file, or "bench"
		Fingerprint string    `json:"fingerprint,omitempty"` // of the order, to know it again
	}

	// Rescheduled changes the dispatch time.
	Rescheduled struct {
		DispatchAt time.Time `json:"dispatch_at"`
		Reason     string    `json:"reason"`
	}

	// Recounted corrects the number of packages of a crop line before the list is sealed.
	Recounted struct {
		Line     int    `json:"line"` // index into the lines, from 0
		Packages int    `json:"packages"`
		Reason   string `json:"reason"`
	}

	// LabelsPrinted records that labels were made for packages From to To.
	LabelsPrinted struct {
		Sheet  string `json:"sheet"`
		From   int    `json:"from"`
		To     int    `json:"to"`
		Reason string `json:"reason,omitempty"` // for a reprint
	}

	// BenchChecked records one bench check. Yes lists the items found so, No the others.
	BenchChecked struct {
		Round int      `json:"round"`
		After bool     `json:"after"`
		Yes   []string `json:"yes"`
		No    []string `json:"no,omitempty"`
		Note  string   `json:"note,omitempty"`
	}

	// Sealed fixes the package list of a round.
	Sealed struct {
		Round    int     `json:"round"`
		Rules    RuleSet `json:"rules"`
		Packages int     `json:"packages"`
		Digest   string  `json:"digest"` // SHA-256 of the canonical list, hex
		Reason   string  `json:"reason,omitempty"`
	}

	// Drawn is the draw from the sealed list. The full order follows from the
	// seed, and the seed from the evidence; Seed and Examine are kept as well so that
	// the record can be read without working them out. Histories from before draws
	// were proven have no evidence.
	Drawn struct {
		Round   int       `json:"round"`
		Seed    draw.Seed `json:"seed"`
		Quotas  []int     `json:"quotas,omitempty"` // packages a crop line, when spread
		Examine []int     `json:"examine"`          // package numbers, in draw order

		Evidence *draw.Evidence `json:"evidence,omitempty"`
	}

	// Fetched records that a drawn package was scanned at the bench.
	Fetched struct {
		Round   int `json:"round"`
		Package int `json:"package"`
	}

	// Replaced puts the next reserve in the place of a package that cannot be reached.
	Replaced struct {
		Round   int    `json:"round"`
		Package int    `json:"package"`
		By      int    `json:"by"`
		Reason  string `json:"reason"`
	}

	// Opened records that a package was opened. The first one starts the window.
	Opened struct {
		Round   int `json:"round"`
		Package int `json:"package"`
	}

	// PackageLooked records that the emptied package itself was looked at, and nothing found.
	PackageLooked struct {
		Round   int `json:"round"`
		Package int `json:"package"`
	}

	// UnitsCounted records how many units are in the package.
	UnitsCounted struct {
		Round   int `json:"round"`
		Package int `json:"package"`
		Units   int `json:"units"`
	}

	// UnitsClean records units looked at from all sides with nothing found.
	UnitsClean struct {
		Round   int    `json:"round"`
		Package int    `json:"package"`
		Units   []Span `json:"units"`
		Counted bool   `json:"counted,omitempty"` // the rest, by the count
	}

	// LooksConfirmed states for each look of the rule set whether it was made at
	// every unit, or that there is none of that part.
	LooksConfirmed struct {
		Round   int    `json:"round"`
		Package int    `json:"package"`
		Made    []Look `json:"made"`
		None    []Look `json:"none,omitempty"`
	}

	// FindRecorded is one find with the advice given and the rung chosen.
	FindRecorded struct {
		Round  int         `json:"round"`
		Find   int         `json:"find"`
		Facts  FindFacts   `json:"facts"`
		Advice Advice      `json:"advice"`
		Rung   ladder.Rung `json:"rung"`
	}

	// FindRaised goes up the ladder.
	FindRaised struct {
		Round  int         `json:"round"`
		Find   int         `json:"find"`
		Rung   ladder.Rung `json:"rung"`
		Reason string      `json:"reason,omitempty"`
	}

	// FindLowered is a supervisor's way down the ladder.
	FindLowered struct {
		Round  int         `json:"round"`
		Find   int         `json:"find"`
		Rung   ladder.Rung `json:"rung"`
		Reason string      `json:"reason"`
	}

	// PackageClosed records that everything was put back and the package closed.
	PackageClosed struct {
		Round   int `json:"round"`
		Package int `json:"package"`
	}

	// RoundEnded is the outcome of a round.
	RoundEnded struct {
		Round   int        `json:"round"`
		Outcome Outcome    `json:"outcome"`
		Reasons []say.Text `json:"reasons"`
		// ValidUntil is the end of the window; zero unless passed.
		ValidUntil time.Time `json:"valid_until,omitzero"`
	}

	// Amended puts an earlier event right. With is the event that now stands in
	// its place; without it the earlier event is taken back. Both stay on record.
	Amended struct {
		Of     int       `json:"of"` // version of the event amended
		Reason string    `json:"reason"`
		With   *Replaces `json:"with,omitempty"`
	}
)

// Replaces wraps the event that stands in the place of an amended one.
type Replaces struct{ Event Event }

// Span is the units From to To, both included.
type Span struct {
	From int `json:"from"`
	To   int `json:"to"`
}

// Kinds in storage. They never change once written.
func (Registered) Kind() string     { return "registered" }
func (Rescheduled) Kind() string    { return "rescheduled" }
func (Recounted) Kind() string      { return "recounted" }
func (LabelsPrinted) Kind() string  { return "labels_printed" }
func (BenchChecked) Kind() string   { return "bench_checked" }
func (Sealed) Kind() string         { return "sealed" }
func (Drawn) Kind() string          { return "drawn" }
func (Fetched) Kind() string        { return "fetched" }
func (Replaced) Kind() string       { return "replaced" }
func (Opened) Kind() string         { return "opened" }
func (PackageLooked) Kind() string  { return "package_looked" }
func (UnitsCounted) Kind() string   { return "units_counted" }
func (UnitsClean) Kind() string     { return "units_clean" }
func (LooksConfirmed) Kind() string { return "looks_confirmed" }
func (FindRecorded) Kind() string   { return "find_recorded" }
func (FindRaised) Kind() string     { return "find_raised" }
func (FindLowered) Kind() string    { return "find_lowered" }
func (PackageClosed) Kind() string  { return "package_closed" }
func (RoundEnded) Kind() string     { return "round_ended" }
func (Amended) Kind() string        { return "amended" }

// decoders has one entry an event kind; a test keeps it complete.
var decoders = map[string]func([]byte) (Event, error){
	"registered":      decodeAs[Registered],
	"rescheduled":     decodeAs[Rescheduled],
	"recounted":       decodeAs[Recounted],
	"labels_printed":  decodeAs[LabelsPrinted],
	"bench_checked":   decodeAs[BenchChecked],
	"sealed":          decodeAs[Sealed],
	"drawn":           decodeAs[Drawn],
	"fetched":         decodeAs[Fetched],
	"replaced":        decodeAs[Replaced],
	"opened":          decodeAs[Opened],
	"package_looked":  decodeAs[PackageLooked],
	"units_counted":   decodeAs[UnitsCounted],
	"units_clean":     decodeAs[UnitsClean],
	"looks_confirmed": decodeAs[LooksConfirmed],
	"find_recorded":   decodeAs[FindRecorded],
	"find_raised":     decodeAs[FindRaised],
	"find_lowered":    decodeAs[FindLowered],
	"package_closed":  decodeAs[PackageClosed],
	"round_ended":     decodeAs[RoundEnded],
	"amended":         decodeAs[Amended],

	"sample_taken":    decodeAs[SampleTaken],
	"sample_moved":    decodeAs[SampleMoved],
	"sample_answered": decodeAs[SampleAnswered],
	"find_answered":   decodeAs[FindAnswered],
	"round_revised":   decodeAs[RoundRevised],
	"stop_answered":   decodeAs[StopAnswered],
	"stop_step_done":  decodeAs[StopStepDone],
	"held_back":       decodeAs[HeldBack],
	"hold_lifted":     decodeAs[HoldLifted],
	"moved":           decodeAs[Moved],
	"store_checked":   decodeAs[StoreChecked],
	"marks_printed":   decodeAs[MarksPrinted],
	"bench_cleaned":   decodeAs[BenchCleaned],
	"detail_planned":  decodeAs[DetailPlanned],
	"detail_looked":   decodeAs[DetailLooked],
	"list_changed":    decodeAs[ListChanged],
	"treated":         decodeAs[Treated],
	"disposed":        decodeAs[Disposed],
	"loaded":          decodeAs[Loaded],
	"unloaded":        decodeAs[Unloaded],
	"dispatched":      decodeAs[Dispatched],
}

func decodeAs[E Event](b []byte) (Event, error) {
	var e E
	dec := json.NewDecoder(bytes.NewReader(b))
	dec.DisallowUnknownFields()
	err := dec.Decode(&e)
	return e, err
}

// Encode gives the stored bytes of an event: JSON with the fields in the order
// of the type and no HTML escaping. Equal events give equal bytes.
func Encode(e Event) ([]byte, error) {
	b, err := exact.JSON(e)
	if err != nil {
		return nil, fmt.Errorf("encoding %s: %w", e.Kind(), err)
	}
	return b, nil
}

// Decode reads what Encode wrote. A kind it does not know is an error that says
// so: the data is of a newer version.
func Decode(kind string, b []byte) (Event, error) {
	d, ok := decoders[kind]
	if !ok {
		return nil, say.Refuse(say.Storage, "The history holds a step of a kind this version does not know (%s). Start a newer version of Lastlook.", kind)
	}
	e, err := d(b)
	if err != nil {
		return nil, fmt.Errorf("decoding %s: %w", kind, err)
	}
	return e, nil
}

type wireReplaces struct {
	Kind string          `json:"kind"`
	Data json.RawMessage `json:"data"`
}

// MarshalJSON writes the event with its kind.
func (r Replaces) MarshalJSON() ([]byte, error) {
	data, err := Encode(r.Event)
	if err != nil {
		return nil, err
	}
	return json.Marshal(wireReplaces{Kind: r.Event.Kind(), Data: data})
}

// UnmarshalJSON reads what MarshalJSON wrote.
func (r *Replaces) UnmarshalJSON(b []byte) error {
	var w wireReplaces
	if err := json.Unmarshal(b, &w); err != nil {
		return err
	}
	e, err := Decode(w.Kind, w.Data)
	r.Event = e
	return err
}
