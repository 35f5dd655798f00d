package store

import (
	"reflect"
	"testing"
	"time"

	"lastlook/internal/consignment"
	"lastlook/internal/ladder"
)

func TestFindsOfAnEntry(t *testing.T) {
	s := open(t, t.TempDir())
	rules := consignment.DefaultRules()
	find := func(number, entry string, units int) {
		t.Helper()
		code := register(t, s, order(number, 3))
		st := do(t, s, code, consignment.PrintLabels{Sheet: "a4", From: 1, To: 3}, check(false), consignment.Seal{Counted: 3, Rules: rules})
		var cs []consignment.Command
		for _, n := range st.Running().ToExamine() {
			cs = append(cs, consignment.Fetch{Package: n})
		}
		pkg := st.Running().ToExamine()[0]
		f := consignment.FindFacts{Package: pkg, Unit: 1, Part: consignment.PartStem, What: consignment.LivePest, Units: units, Alive: consignment.AliveYes, Method: consignment.ByEye}
		if entry != "" {
			f.Entry = &consignment.EntryPin{ID: entry, Name: entry, Revision: 1, Kind: "insect", Rung: ladder.Reject}
		}
		do(t, s, code, append(cs, consignment.Open{Package: pkg}, consignment.LookPackage{Package: pkg}, consignment.CountUnits{Package: pkg, Units: 4},
			consignment.RecordFind{Facts: f, Rung: ladder.Reject})...)
	}
	find("K-1", "aphid", 1)
	find("K-2", "aphid", 3)
	find("K-3", "", 1)
	find("K-4", "mite", 1)

	got, total, err := s.FindsOf(ctx, "aphid", t0, 1)
	if err != nil || total != 2 || len(got) != 1 {
		t.Fatalf("FindsOf(aphid, limit 1) = %+v, %d, %v, want the newest of two", got, total, err)
	}
	if f := got[0]; f.Number != "K-2" || f.Units != 3 || f.Crop != "Lavandula" || f.Rung != "reject" || f.Round != 1 || f.Find != 1 || f.At.Before(t0) {
		t.Errorf("FindsOf(aphid) = %+v, want find 1 of K-2 with three units", f)
	}
	if got, total, err := s.FindsOf(ctx, "aphid", t0.Add(time.Hour), 10); err != nil || total != 0 || len(got) != 0 {
		t.Errorf("FindsOf(aphid, later) = %+v, %d, %v, want none", got, total, err)
	}
	counts, err := s.FindCounts(ctx, t0)
	if want := map[string]int{"aphid": 2, "mite": 1}; err != nil || !reflect.DeepEqual(counts, want) {
		t.Errorf("FindCounts = %v, %v, want %v", counts, err, want)
	}
}
