package kiosk

import (
	"context"
	"net/url"
	"strings"
	"testing"

	"lastlook/internal/consignment"
	"lastlook/internal/export"
	"lastlook/internal/ledger"
	"lastlook/internal/order"
	"lastlook/internal/record"
	"lastlook/internal/store"
)

// inspected has a consignment of two packages inspected to the end, without a find,
// and gives what its printed record carries.
func (d *desk) inspected(number string) record.Mark {
	d.t.Helper()
	ctx := context.Background()
	sum, err := d.store.ByNumber(ctx, number)
	if err != nil {
		d.t.Fatal(err)
	}
	st, err := d.store.Consignment(ctx, sum.Code)
	if err != nil {
		d.t.Fatal(err)
	}
	do := func(cs ...consignment.Command) {
		d.t.Helper()
		for _, c := range cs {
			done, err := d.store.Do(ctx, store.Step{Code: st.Code, Actor: consignment.Actor{ID: "x", Name: "Tam Orrin", Roles: []string{"inspector"}}, Bench: "office", Command: c})
			if err != nil {
				d.t.Fatalf("%T: %v", c, err)
			}
			st = done.State
		}
	}
	rules := d.store.Rules(st.Destination)
	check := func(items []consignment.CheckItem, after bool) consignment.CheckBench {
		c := consignment.CheckBench{After: after, Rules: rules}
		for _, it := range items {
			c.Yes = append(c.Yes, it.ID)
		}
		return c
	}
	n := st.Total()
	do(consignment.PrintLabels{Sheet: "a4", From: 1, To: n}, check(rules.Before, false), consignment.Seal{Counted: n, Rules: rules})
	for _, pkg := range st.Round().ToExamine() {
		do(consignment.Fetch{Package: pkg}, consignment.Open{Package: pkg}, consignment.LookPackage{Package: pkg}, consignment.CountUnits{Package: pkg, Units: 1},
			consignment.CleanUnit{Package: pkg}, consignment.ConfirmLooks{Package: pkg, Made: st.Round().Rules.Looks}, consignment.ClosePackage{Package: pkg})
	}
	do(check(rules.After, true), consignment.EndRound{})
	m, err := export.Mark(ctx, d.store, st)
	if err != nil || m == nil {
		d.t.Fatal(m, err)
	}
	return *m
}

func TestScanOfAPrintedRecord(t *testing.T) {
	d := newDesk(t)
	d.staff()
	d.send("orders.csv", order.Demo(noon)).wants(t, 200, "/orders/upload/.+", "All of it is here")
	m := d.inspected("K-2038")
	other, err := d.store.ByNumber(context.Background(), "K-2045")
	if err != nil {
		t.Fatal(err)
	}
	with := func(change func(*record.Mark)) string {
		x := m
		change(&x)
		return x.String()
	}
	kept := "/c/" + m.Code + "/record"
	for _, tt := range []struct {
		name, code string
		path       string
		want       []string
	}{
		{"as printed", m.String(), kept, []string{"This paper matches the record kept here: K-2038, Passed."}},
		{"in small letters", strings.ToLower(m.String()) + "\r", kept, []string{"This paper matches"}},
		{"another outcome", with(func(m *record.Mark) { m.Outcome = consignment.Rejected }), kept, []string{"does not match the record of K-2038", "The paper says Rejected; on record is Passed. The paper was changed."}},
		{"another step", with(func(m *record.Mark) { m.Leaf = strings.Repeat("0a", 32) }), kept, []string{"does not match", "none of those on record here"}},
		{"another history before it", with(func(m *record.Mark) { m.Head = record.Compact(ledger.Head{Site: "elsewhere", Size: 7}.Fingerprint()) }), kept, []string{"does not match", "what came before it on record"}},
		{"one that is not inspected", with(func(m *record.Mark) { m.Code = other.Code }), "/c/" + other.Code + "/record", []string{"no inspection of it has ended here"}},
		{"another site's", with(func(m *record.Mark) { m.Code = "2222" }), "/", []string{"This paper is not of this site"}},
		{"read wrong", with(func(m *record.Mark) { m.Head = "123456789012345600" }), "/", []string{"does not fit its check digits"}},
		{"cut short", m.String()[:60], "/", []string{"cut short"}},
	} {
		a := d.post("/scan", url.Values{"code": {tt.code}, "at": {"/"}})
		if a.path != tt.path {
			t.Errorf("%s: led to %s, want %s", tt.name, a.path, tt.path)
		}
		for _, w := range tt.want {
			if !strings.Contains(a.text(), w) {
				t.Errorf("%s: %.700s\nwant %q", tt.name, a.text(), w)
			}
		}
	}
}
