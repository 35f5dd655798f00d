package intake

import (
	"context"
	"errors"
	"slices"
	"testing"
	"time"

	"lastlook/internal/consignment"
	"lastlook/internal/say"
	"lastlook/internal/store"
)

var (
	ctx   = context.Background()
	noon  = time.Date(2026, 3, 11, 12, 20, 0, 0, time.UTC)
	clerk = consignment.Actor{ID: "office", Name: "order import"}
)

const header = "consignment,customer,destination,dispatch,packages,crop,units per package\n"

func open(t *testing.T) *store.Store {
	t.Helper()
	st, err := store.Open(ctx, t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { st.Close() })
	st.Now = func() time.Time { return noon }
	return st
}

func take(t *testing.T, k Keeper, src string) *Report {
	t.Helper()
	rep, err := Take(ctx, k, []byte(src), Options{Now: noon, Source: "orders.csv", Actor: clerk, Bench: "office"})
	if err != nil {
		t.Fatal(err)
	}
	return rep
}

func entries(es []Entry) (ns []string) {
	for _, e := range es {
		ns = append(ns, e.Number)
	}
	return ns
}

func TestTake(t *testing.T) {
	const (
		a     = "A,Hall,Eastmoor,2026-03-12 10:00,4,Salvia,6\n"
		aLate = "A,Hall,Eastmoor,2026-03-13 10:00,4,Salvia,6\n"
		b     = "B,Hall,Eastmoor,2026-03-12 10:00,4,Salvia,6\n"
		bad   = "C,Hall,Eastmoor,2026-03-12 10:00,-4,Salvia,6\n"
	)
	st := open(t)
	steps := []struct {
		name                  string
		src                   string
		taken, here, notTaken []string
		refused               []int // lines
		fix                   int
		clean                 bool
	}{
		{"one good, one bad", header + a + bad, []string{"A"}, nil, []string{"C"}, []int{3}, 1, false},
		{"the same again", header + a + bad, nil, []string{"A"}, []string{"C"}, []int{3}, 1, false},
		{"more", header + b + a, []string{"B"}, []string{"A"}, nil, nil, 0, true},
		{"bad before changed", header + bad + aLate, nil, nil, []string{"C", "A"}, []int{2, 3}, 1, false},
	}
	for _, s := range steps {
		t.Run(s.name, func(t *testing.T) {
			rep := take(t, st, s.src)
			var lines []int
			for _, r := range rep.Refused {
				lines = append(lines, r.Line)
				if r.Text.IsZero() {
					t.Errorf("line %d is refused without a word", r.Line)
				}
			}
			if !slices.Equal(entries(rep.Taken), s.taken) || !slices.Equal(entries(rep.Here), s.here) || !slices.Equal(rep.NotTaken, s.notTaken) ||
				!slices.Equal(lines, s.refused) || rep.FixLines != s.fix || (rep.Fix != nil) != (s.fix > 0) || rep.Clean() != s.clean {
				t.Errorf("Take = %+v", rep)
			}
		})
	}
	sum, err := st.ByNumber(ctx, "A")
	if err != nil || !sum.DispatchAt.Equal(time.Date(2026, 3, 12, 10, 0, 0, 0, time.UTC)) {
		t.Errorf("A leaves at %v, %v; want what was taken first", sum.DispatchAt, err)
	}
}

// What is registered is what the file says.
func TestRegistered(t *testing.T) {
	st := open(t)
	rep := take(t, st, "consignment,invoice,customer,destination,dispatch,package list,crop,batch,bay,units per package\n"+
		"M,I-1,“Ünal & Söhne” 🌿,Saltwick,2026-03-12 10:00,T001-T003,Viola,V1,House 2,18\nM,,,,,X7 X9,Ajuga,,,5\n")
	if len(rep.Taken) != 1 {
		t.Fatalf("Take = %+v", rep)
	}
	s, err := st.Consignment(ctx, rep.Taken[0].Code)
	if err != nil {
		t.Fatal(err)
	}
	if s.Number != "M" || s.Invoice != "I-1" || s.Customer != "“Ünal & Söhne” 🌿" || s.Destination != "Saltwick" || s.Source != "orders.csv" || s.Total() != 5 {
		t.Errorf("registered %+v", s)
	}
	for n, want := range map[int][3]string{1: {"Viola", "V1", "T001"}, 3: {"Viola", "V1", "T003"}, 5: {"Ajuga", "", "X9"}} {
		p, _ := s.Package(n)
		if got := [3]string{p.CropLine.Crop, p.CropLine.Batch, p.Ref}; got != want {
			t.Errorf("package %d = %q, want %q", n, got, want)
		}
	}
}

func TestTakeUnreadable(t *testing.T) {
	for name, src := range map[string]string{"empty": "", "no table": "hello", "binary": "\x00\x01\x02\xff\xfe", "header alone": header} {
		t.Run(name, func(t *testing.T) {
			rep, err := Take(ctx, open(t), []byte(src), Options{Now: noon, Actor: clerk, Bench: "office"})
			if rep != nil || say.CodeOf(err) != say.Invalid {
				t.Errorf("Take(%q) = %+v, %v; want a refusal", src, rep, err)
			}
		})
	}
}

// fullDisk keeps the first order and no more.
type fullDisk struct{}

func (fullDisk) Register(_ context.Context, _ consignment.Actor, _ string, orders []consignment.Registered, _ func(int, int)) ([]store.Taken, error) {
	return []store.Taken{{Number: orders[0].Number, Code: "AAAA", New: true}}, errors.New("full")
}

// When the disk fills up, the report tells what was kept before.
func TestTakeStorageFails(t *testing.T) {
	src := header
	for _, n := range []string{"A", "B"} {
		src += n + ",Hall,Eastmoor,2026-03-12 10:00,4,Salvia,6\n"
	}
	rep, err := Take(ctx, fullDisk{}, []byte(src), Options{Now: noon, Actor: clerk, Bench: "office"})
	if err == nil || rep == nil || !slices.Equal(entries(rep.Taken), []string{"A"}) {
		t.Errorf("Take on a full disk = %+v, %v", rep, err)
	}
}

func TestProgress(t *testing.T) {
	type told struct {
		phase       Phase
		done, total int
	}
	var last []told
	_, err := Take(ctx, open(t), []byte(header+"A,Hall,Eastmoor,2026-03-12 10:00,4,Salvia,6\n"), Options{Now: noon, Actor: clerk, Bench: "office",
		Progress: func(p Phase, done, total int) { last = append(last, told{p, done, total}) }})
	if err != nil || len(last) < 2 || last[0].phase != Reading || last[len(last)-1] != (told{Keeping, 1, 1}) {
		t.Errorf("progress = %+v, %v", last, err)
	}
}
