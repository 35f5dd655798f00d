package consignment

import (
	"lastlook/internal/say"
)

// Describe says in one sentence what a step on record did: for the history of
// the record, and for telling what changed meanwhile.
func Describe(e Event) say.Text {
	switch e := e.(type) {
	case Registered:
		return say.T("Order taken in: %d packages for %s", total(e.Lines), e.Customer)
	case Rescheduled:
		return say.T("Dispatch time changed: %s", e.Reason)
	case Recounted:
		return say.T("Crop line %d counted again: %d packages (%s)", e.Line+1, e.Packages, e.Reason)
	case LabelsPrinted:
		return say.T("Labels %d to %d printed", e.From, e.To)
	case BenchChecked:
		phase := say.T("Bench checked before the inspection")
		if e.After {
			phase = say.T("Bench checked after the inspection")
		}
		if len(e.No) > 0 {
			return say.T("%s: not fit", phase)
		}
		return say.T("%s: fit", phase)
	case Sealed:
		return say.T("Round %d: package list sealed with %d packages", e.Round, e.Packages)
	case Drawn:
		return say.T("%d packages drawn", len(e.Examine))
	case Fetched:
		return say.T("Package %03d fetched", e.Package)
	case Replaced:
		return say.T("Package %03d replaced by %03d: %s", e.Package, e.By, e.Reason)
	case Opened:
		return say.T("Package %03d opened", e.Package)
	case PackageLooked:
		return say.T("Package %03d emptied and looked at", e.Package)
	case UnitsCounted:
		return say.T("Package %03d: %d units counted", e.Package, e.Units)
	case UnitsClean:
		n := 0
		for _, sp := range e.Units {
			n += sp.To - sp.From + 1
		}
		if n == 1 {
			return say.T("Package %03d: unit %d clean", e.Package, e.Units[0].From)
		}
		return say.T("Package %03d: %d units clean", e.Package, n)
	case LooksConfirmed:
		return say.T("Package %03d: looks confirmed", e.Package)
	case FindRecorded:
		if e.Facts.Unit == 0 {
			return say.T("Find %d in package %03d itself: %s, %s", e.Find, e.Facts.Package, e.Facts.What.Words(), e.Rung.Word())
		}
		return say.T("Find %d in package %03d, unit %d: %s, %s", e.Find, e.Facts.Package, e.Facts.Unit, e.Facts.What.Words(), e.Rung.Word())
	case FindRaised:
		return say.T("Find %d raised to %s", e.Find, e.Rung.Word())
	case FindLowered:
		return say.T("Find %d lowered to %s: %s", e.Find, e.Rung.Word(), e.Reason)
	case PackageClosed:
		return say.T("Package %03d closed", e.Package)
	case RoundEnded:
		return say.T("Round %d ended: %s", e.Round, e.Outcome.Words())
	case Amended:
		if e.With == nil {
			return say.T("Step %d taken back: %s", e.Of, e.Reason)
		}
		return say.T("Step %d amended: %s", e.Of, e.Reason)
	}
	return say.T("Step of another kind")
}
