package consignment

import (
	"time"

	"lastlook/internal/ladder"
)

// Command is a step somebody wants to take. [Decide] turns it into events or
// refuses it.
type Command interface{ isCommand() }

// The commands, in the order in which they usually come.
type (
	// Register opens a consignment.
	Register struct{ Registered }

	// Reschedule changes the dispatch time, with a reason.
	Reschedule struct {
		DispatchAt time.Time
		Reason     string
	}

	// Recount corrects the packages of a crop line, between rounds, with a reason.
	Recount struct {
		Line     int // from 0
		Packages int
		Reason   string
	}

	// PrintLabels records that labels for packages From to To were made.
	PrintLabels struct {
		Sheet    string
		From, To int
		Reason   string // asked for when all of them were printed before
	}

	// CheckBench records a bench check: every item of the list is yes or no.
	CheckBench struct {
		After bool
		Yes   []string
		No    []string
		Note  string
		Rules RuleSet // the rule set in force, for a check before the seal
	}

	// Seal fixes the package list and draws from it, with the prover of the step.
	// Counted is the number of packages the inspector counted.
	Seal struct {
		Counted int
		Rules   RuleSet
		Reason  string // for a second or later round
	}

	// Fetch confirms by scan that a drawn package is at the bench.
	Fetch struct{ Package int }

	// Replace takes the next reserve for a package that cannot be reached.
	Replace struct {
		Package int
		Reason  string
	}

	// Open opens a fetched package.
	Open struct{ Package int }

	// LookPackage states that the emptied package was looked at and is clean.
	LookPackage struct{ Package int }

	// CountUnits states how many units are in the package.
	CountUnits struct{ Package, Units int }

	// CleanUnit states that one unit was looked at from all sides and is clean.
	// Unit 0 is the next one not yet seen.
	CleanUnit struct{ Package, Unit int }

	// CleanRest states that all units not yet seen are clean; Count is how many
	// the inspector counted, which must be how many are left.
	CleanRest struct{ Package, Count int }

	// ConfirmLooks states for each look of the rule set that it was made at every
	// unit, or that there is no such part.
	ConfirmLooks struct {
		Package    int
		Made, None []Look
	}

	// RecordFind records a find. Rung may be above the advice; 0 takes the advice.
	RecordFind struct {
		Facts FindFacts
		Rung  ladder.Rung
	}

	// RaiseFind goes up the ladder.
	RaiseFind struct {
		Find   int
		Rung   ladder.Rung
		Reason string
	}

	// LowerFind goes down the ladder: supervisors only, with a reason.
	LowerFind struct {
		Find   int
		Rung   ladder.Rung
		Reason string
	}

	// AmendFind puts the facts of a find right, with a reason.
	AmendFind struct {
		Find   int
		Facts  FindFacts
		Reason string
	}

	// ClosePackage states that everything was put back and the package closed.
	ClosePackage struct{ Package int }

	// Undo takes back the newest step of the round under way.
	Undo struct{ Reason string }

	// EndRound asks for the outcome.
	EndRound struct{}
)

func (Register) isCommand()     {}
func (Reschedule) isCommand()   {}
func (Recount) isCommand()      {}
func (PrintLabels) isCommand()  {}
func (CheckBench) isCommand()   {}
func (Seal) isCommand()         {}
func (Fetch) isCommand()        {}
func (Replace) isCommand()      {}
func (Open) isCommand()         {}
func (LookPackage) isCommand()  {}
func (CountUnits) isCommand()   {}
func (CleanUnit) isCommand()    {}
func (CleanRest) isCommand()    {}
func (ConfirmLooks) isCommand() {}
func (RecordFind) isCommand()   {}
func (RaiseFind) isCommand()    {}
func (LowerFind) isCommand()    {}
func (AmendFind) isCommand()    {}
func (ClosePackage) isCommand() {}
func (Undo) isCommand()         {}
func (EndRound) isCommand()     {}
