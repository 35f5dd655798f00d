package kiosk

import (
	"context"
	"net/url"
	"strings"
	"testing"
)

func TestKeysPage(t *testing.T) {
	d := newDesk(t)
	staff := d.staff()
	terms := func() []string {
		t.Helper()
		all, err := d.store.KeyTerms(context.Background())
		if err != nil {
			t.Fatal(err)
		}
		var out []string
		for _, k := range all {
			out = append(out, k.Fingerprint())
		}
		return out
	}
	first := terms()[0]
	d.get("/keys").wants(t, 200, "/keys", first, "Key for draws", "the first ones", "Change the keys")
	for _, tt := range []struct {
		name string
		form url.Values
		want string
	}{
		{"not sure", url.Values{"reason": {"the old computer was sold"}}, "Tick this"},
		{"no reason", url.Values{"sure": {"yes"}, "reason": {" "}}, "Say why the keys change."},
		{"a reason too long", url.Values{"sure": {"yes"}, "reason": {strings.Repeat("x", 401)}}, "longer than 400"},
	} {
		a := d.post("/keys", tt.form)
		a.wants(t, 422, "/keys", tt.want)
		if r := strings.TrimSpace(tt.form.Get("reason")); !strings.Contains(a.body, `value="`+r) && r != "" {
			t.Errorf("%s: what was typed is gone", tt.name)
		}
	}
	d.signIn(staff["Tam Orrin"])
	d.get("/keys").wants(t, 200, "/keys", first, "Only a supervisor can change the keys.")
	d.post("/keys", url.Values{"sure": {"yes"}, "reason": {"x"}}).wants(t, 403, "", "Only a supervisor")
	if got := terms(); len(got) != 1 {
		t.Fatalf("%d sets of keys after refusals, want 1", len(got))
	}
	// The same form sent twice changes the keys once.
	d.signIn(staff["Ida Fenn"])
	form := url.Values{"sure": {"yes"}, "reason": {"<b>sold</b>"}, "key": {"once"}}
	for range 2 {
		d.post("/keys", form).wants(t, 200, "/keys", "New keys are in force.", "Ida Fenn", "&lt;b&gt;sold&lt;/b&gt;")
	}
	got := terms()
	if len(got) != 2 || got[0] != first || got[1] == first {
		t.Fatalf("sets of keys: %q", got)
	}
	d.get("/keys").wants(t, 200, "/keys", first, got[1])
	if len(d.store.Warnings()) > 0 {
		t.Errorf("warnings: %v", d.store.Warnings())
	}
}

// Before anybody is on the list, nobody changes keys: the step would have no name.
func TestKeysNeedSomebody(t *testing.T) {
	d := newDesk(t)
	d.post("/keys", url.Values{"sure": {"yes"}, "reason": {"x"}}).wants(t, 403, "", "Say who you are first")
}
