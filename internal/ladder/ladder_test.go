package ladder

import (
	"encoding/json"
	"testing"
)

func TestRungNames(t *testing.T) {
	if len(Rungs) != 4 {
		t.Fatalf("Rungs has %d rungs, want 4", len(Rungs))
	}
	for i, r := range Rungs {
		if i > 0 && Rungs[i-1] >= r {
			t.Errorf("%v does not stand above %v", r, Rungs[i-1])
		}
		b, err := json.Marshal(r)
		if err != nil {
			t.Fatal(err)
		}
		var back Rung
		if err := json.Unmarshal(b, &back); err != nil || back != r {
			t.Errorf("%s read back as %v, %v; want %v", b, back, err, r)
		}
		if r.Word().IsZero() || r.Act().IsZero() {
			t.Errorf("%v has no words", r)
		}
	}
	if _, err := Parse("pass"); err == nil {
		t.Error(`Parse("pass") gave no error`)
	}
	if _, err := json.Marshal(Rung(0)); err == nil {
		t.Error("the undecided rung was stored")
	}
}
