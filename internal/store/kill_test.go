package store

import (
	"bufio"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"testing"
	"time"

	"lastlook/internal/consignment"
)

// childEnv makes the test binary play the bench: it takes scripted steps and
// writes the version of each acknowledged one to standard output.
const childEnv = "LASTLOOK_TEST_BENCH"

// plays are the parts that the test binary can play for a test, by the variable
// that asks for it.
var plays = map[string]func(dir string) error{childEnv: bench}

func TestMain(m *testing.M) {
	for env, play := range plays {
		if dir := os.Getenv(env); dir != "" {
			if err := play(dir); err != nil {
				fmt.Fprintln(os.Stderr, err)
				os.Exit(1)
			}
			os.Exit(0)
		}
	}
	os.Exit(m.Run())
}

// bench inspects the consignment, one step at a time, for ever: when a round has
// passed it registers another consignment.
func bench(dir string) error {
	s, err := Open(ctx, dir)
	if err != nil {
		return err
	}
	defer s.Close()
	s.Now = func() time.Time { return time.Now().UTC() }
	out := bufio.NewWriter(os.Stdout)
	for n := 0; ; n++ {
		due, _, err := s.Due(ctx, 0)
		if err != nil {
			return err
		}
		if len(due) == 0 {
			o := order(fmt.Sprintf("K-%d", time.Now().UnixNano()), 3)
			o.DispatchAt = time.Now().Add(30 * time.Hour)
			if _, err := s.Register(ctx, tam, "office", []consignment.Registered{o}, nil); err != nil {
				return err
			}
			continue
		}
		st, err := s.Consignment(ctx, due[0].Code)
		if err != nil {
			return err
		}
		c := scripted(s, st)
		done, err := s.Do(ctx, Step{Code: st.Code, Key: fmt.Sprintf("%s-%d", st.Code, st.Version), Expect: st.Version, Actor: tam, Bench: "bench 1", Command: c})
		if err != nil {
			return fmt.Errorf("%T: %w", c, err)
		}
		fmt.Fprintf(out, "%s %d %s\n", st.Code, done.State.Version, standsAt(done.State))
		if err := out.Flush(); err != nil { // the acknowledgement
			return err
		}
	}
}

// standsAt is where the bench stands: the same words mean the same unit of the same package.
func standsAt(st *consignment.State) string {
	step := consignment.Next(st, "bench 1")
	unit := 0
	if r := st.Running(); r != nil && step.Kind == consignment.StepExamine {
		unit = r.Exams[step.Package].NextUnseen()
	}
	return fmt.Sprintf("%s/%d/%d", step.Kind, step.Package, unit)
}

// TestKilledAtAnyMoment kills the bench without warning, again and again, and
// looks each time that every acknowledged step is there, that at most the one
// step on its way is there besides, and that the bench stands where it stood.
func TestKilledAtAnyMoment(t *testing.T) {
	const kills = 120
	dir := t.TempDir()
	exe, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	random := rand.New(rand.NewPCG(31, 5))
	steps, finished := 0, 0
	for i := range kills {
		cmd := exec.Command(exe)
		cmd.Env = append(os.Environ(), childEnv+"="+dir)
		cmd.Stderr = os.Stderr
		out, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		// Kill after a random number of acknowledgements plus a random moment, so
		// that the blow falls anywhere in a step.
		after := 1 + random.IntN(25)
		lines := bufio.NewScanner(out)
		last := ""
		for n := 0; n < after && lines.Scan(); n++ {
			last = lines.Text()
			steps++
		}
		if last == "" {
			t.Fatalf("run %d: the bench took no step", i)
		}
		time.Sleep(time.Duration(random.IntN(3000)) * time.Microsecond)
		if err := cmd.Process.Kill(); err != nil { // SIGKILL
			t.Fatal(err)
		}
		for lines.Scan() { // acknowledged between the last line read and the blow
			if strings.Count(lines.Text(), "/") == 2 { // a whole line
				last = lines.Text()
				steps++
			}
		}
		cmd.Wait() // killed: the error is the point

		s, err := Open(ctx, dir)
		if err != nil {
			t.Fatalf("run %d: opening after the kill: %v", i, err)
		}
		if w := s.Warnings(); len(w) > 0 {
			t.Fatalf("run %d: a kill looks like a change from outside: %v", i, w)
		}
		f := strings.Fields(last)
		code, place0 := f[0], f[2]
		version, err := strconv.Atoi(f[1])
		if err != nil {
			t.Fatal(err)
		}
		st, err := s.Consignment(ctx, code)
		if err != nil {
			t.Fatalf("run %d: %v", i, err)
		}
		if st.Version < version {
			t.Fatalf("run %d: step %d of %s was acknowledged, but only %d are there", i, version, code, st.Version)
		}
		if st.Version > version+2 { // a seal with its draw is two events in one step
			t.Fatalf("run %d: %d steps are there, but only %d were acknowledged and one can be on its way", i, st.Version, version)
		}
		if st.Version == version && standsAt(st) != place0 {
			t.Fatalf("run %d: the bench stands at %s, want %s", i, standsAt(st), place0)
		}
		sum, err := s.ByCode(ctx, code)
		if err != nil || sum.Version != st.Version {
			t.Fatalf("run %d: the list shows version %d (%v), the history has %d", i, sum.Version, err, st.Version)
		}
		if st.Round() != nil && st.Round().Ended != nil {
			finished++
		}
		s.Close()
	}
	t.Logf("%d kills, %d acknowledged steps, none lost; %d kills fell just after a finished round", kills, steps, finished)
}
