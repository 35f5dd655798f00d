package consignment

import (
	"lastlook/internal/ladder"
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
	case SampleTaken:
		return say.T("Sample %s taken of find %d: %s, %s", e.Sample, e.Find, e.What.Words(), e.Kept.Words())
	case SampleMoved:
		if e.Step == Stored {
			return say.T("Sample %s stored: %s", e.Sample, e.Place)
		}
		return say.T("Sample %s: %s, %s", e.Sample, e.Step.Words(), e.By)
	case SampleAnswered:
		if e.Entry != nil {
			return say.T("Sample %s identified as %s by %s", e.Sample, e.Entry.Name, e.Laboratory)
		}
		return say.T("Sample %s answered by %s: %s", e.Sample, e.Laboratory, e.Result.Words())
	case FindAnswered:
		return say.T("Find %d decided again with sample %s: %s", e.Find, e.Sample, e.Rung.Word())
	case RoundRevised:
		if e.Outcome == "" {
			return say.T("Round %d goes on", e.Round)
		}
		return say.T("Round %d decided again: %s", e.Round, e.Outcome.Words())
	case StopAnswered:
		switch {
		case e.Answer == StopTold:
			return say.T("Stop: %s, %s (reference %s)", e.Answer.Words(), e.Office, e.Reference)
		case e.Reason == "":
			return say.T("Stop: %s", e.Answer.Words())
		}
		return say.T("Stop: %s (%s)", e.Answer.Words(), e.Reason)
	case StopStepDone:
		return say.T("Stop: done: %s", e.Step.Words())
	case HeldBack:
		if e.Rung == ladder.Stop {
			return say.T("Stopped: %s", e.Reason)
		}
		return say.T("Put on hold: %s", e.Reason)
	case HoldLifted:
		return say.T("Hold %d lifted: %s", e.Hold, e.Reason)
	case Moved:
		switch len(e.Packages) {
		case 0:
			return say.T("All packages put in %s", e.Place.Name)
		case 1:
			return say.T("Package %03d put in %s", e.Packages[0], e.Place.Name)
		}
		return say.T("%d packages put in %s", len(e.Packages), e.Place.Name)
	case StoreChecked:
		if len(e.No) > 0 {
			return say.T("Store checked in %s: not as it must be", e.Place.Name)
		}
		return say.T("Store checked in %s: as it must be", e.Place.Name)
	case MarksPrinted:
		return say.T("%d marks printed: %s", e.Marks, e.Outcome.Words())
	case BenchCleaned:
		return say.T("%s cleaned: %s", e.Bench, e.How)
	case DetailPlanned:
		return say.T("Detailed examination planned: %d packages", len(e.Packages))
	case DetailLooked:
		if e.Affected == 0 {
			return say.T("Package %03d examined in detail: %d units, nothing found", e.Package, e.Units)
		}
		return say.T("Package %03d examined in detail: %d of %d units, %s", e.Package, e.Affected, e.Units, e.What.Words())
	case ListChanged:
		return say.T("Packages changed: %d taken out, %d added, %d repacked (%s)", len(e.Removed), total(e.Added), len(e.Repacked), e.Reason)
	case Treated:
		return say.T("Treatment %d: %s, against %s", e.Treatment, e.Way.Words(), e.Target)
	case Disposed:
		if e.Units > 0 {
			return say.T("%d units disposed of: %s, seen by %s", e.Units, e.Method, e.Witness)
		}
		return say.T("%d packages disposed of: %s, seen by %s", len(e.Packages), e.Method, e.Witness)
	case Loaded:
		return say.T("Package %03d loaded", e.Package)
	case Unloaded:
		if e.Package == 0 {
			return say.T("All packages unloaded: %s", e.Reason)
		}
		return say.T("Package %03d unloaded: %s", e.Package, e.Reason)
	case Dispatched:
		if len(e.Short) > 0 {
			return say.T("Dispatched with %s: %d packages aboard, %d not (%s)", e.Vehicle, e.Aboard, len(e.Short), e.Reason)
		}
		return say.T("Dispatched with %s: all %d packages aboard", e.Vehicle, e.Aboard)
	case Amended:
		if e.With == nil {
			return say.T("Step %d taken back: %s", e.Of, e.Reason)
		}
		return say.T("Step %d amended: %s", e.Of, e.Reason)
	}
	return say.T("Step of another kind")
}
