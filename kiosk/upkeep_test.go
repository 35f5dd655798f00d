package kiosk

import (
	"bytes"
	"compress/gzip"
	"context"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"io"
	"log/slog"
	"mime/multipart"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"golang.org/x/net/html"

	"lastlook/internal/browsertest"
	"lastlook/internal/consignment"
	"lastlook/internal/handtest"
	"lastlook/internal/people"
	"lastlook/internal/store"
	"lastlook/reference"
)

// shippedBook is read once for all tests; books do not change.
var shippedBook = sync.OnceValues(func() (*reference.Book, error) {
	ix, err := shippedReference()
	if err != nil {
		return nil, err
	}
	return ix.Book(), nil
})

// keepDesk is a kiosk with a reference, on a data folder that others may share.
type keepDesk struct {
	*desk
	k *kiosk
}

func newKeepDesk(t testing.TB, dir string, book *reference.Book, tongues ...tongue) *keepDesk {
	t.Helper()
	st, err := store.Open(context.Background(), dir)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { st.Close() })
	st.Now = func() time.Time { return noon }
	k := &kiosk{store: st, paper: "a4"}
	if k.ref, err = reference.NewIndex(book); err != nil {
		t.Fatal(err)
	}
	k.screens, err = newScreens(screensConfig{
		Bench: "office", Demo: true, Tongues: tongues, Fill: k.fill,
		Now: func() time.Time { return noon }, Log: slog.New(slog.NewTextHandler(t.Output(), &slog.HandlerOptions{Level: slog.LevelError})),
	})
	if err != nil {
		t.Fatal(err)
	}
	if err := k.startUpkeep(context.Background()); err != nil {
		t.Fatal(err)
	}
	e := k.newEngine()
	k.routes(e)
	srv := httptest.NewServer(e)
	t.Cleanup(srv.Close)
	return &keepDesk{desk: &desk{t: t, store: st, url: srv.URL, client: newClient(t)}, k: k}
}

func newClient(t testing.TB) *http.Client {
	t.Helper()
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	return &http.Client{Jar: jar}
}

// another is a second browser at the same kiosk.
func (d *keepDesk) another(p people.Person) *keepDesk {
	out := &keepDesk{desk: &desk{t: d.t, store: d.store, url: d.url, client: newClient(d.t)}, k: d.k}
	out.signIn(p)
	return out
}

func testBook(t testing.TB) *reference.Book {
	t.Helper()
	b, err := shippedBook()
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// supervisors puts two of them on the list and signs the first in.
func (d *keepDesk) supervisors() (ida, bea people.Person) {
	d.t.Helper()
	ida = d.staff()["Ida Fenn"]
	r, err := d.store.DoPeople(context.Background(), consignment.Actor{ID: "x", Name: "x"}, "office", "", people.Join{Name: "Bea Lund", Roles: []string{people.Supervisor}})
	if err != nil {
		d.t.Fatal(err)
	}
	return ida, r.People[len(r.People)-1]
}

// form reads the values of the form of a page that posts to action, as a browser
// would send them.
func (a reply) form(t testing.TB, action string) url.Values {
	t.Helper()
	root, err := html.Parse(strings.NewReader(a.body))
	if err != nil {
		t.Fatal(err)
	}
	attr := func(n *html.Node, key string) (string, bool) {
		for _, x := range n.Attr {
			if x.Key == key {
				return x.Val, true
			}
		}
		return "", false
	}
	text := func(n *html.Node) string {
		if n.FirstChild == nil {
			return ""
		}
		return n.FirstChild.Data
	}
	out, found := url.Values{}, false
	var walk func(n *html.Node, in bool)
	walk = func(n *html.Node, in bool) {
		if n.Type == html.ElementNode && n.Data == "form" {
			to, _ := attr(n, "action")
			in = to == action
			found = found || in
		}
		if in && n.Type == html.ElementNode {
			name, _ := attr(n, "name")
			value, _ := attr(n, "value")
			switch n.Data {
			case "input":
				kind, _ := attr(n, "type")
				_, checked := attr(n, "checked")
				if kind == "file" || (kind == "checkbox" || kind == "radio") && !checked {
					break
				}
				out.Add(name, value)
			case "textarea":
				out.Add(name, text(n))
			case "select":
				chosen := ""
				for i, o := 0, n.FirstChild; o != nil; o = o.NextSibling {
					if o.Type != html.ElementNode {
						continue
					}
					v, _ := attr(o, "value")
					if _, on := attr(o, "selected"); on || i == 0 {
						chosen = v
					}
					i++
				}
				out.Add(name, chosen)
			}
		}
		for c := n.FirstChild; c != nil; c = c.NextSibling {
			walk(c, in)
		}
	}
	walk(root, false)
	if !found {
		t.Fatalf("%s has no form that goes to %s: %.500s", a.path, action, a.text())
	}
	return out
}

// edit changes fields on the edit page and presses the button.
func (d *keepDesk) edit(id, do string, change url.Values) reply {
	d.t.Helper()
	form := d.get(upkeepPath(id)+"/edit").form(d.t, upkeepPath(id)+"/edit")
	for k, v := range change {
		form[k] = v
	}
	form.Set("do", do)
	form.Del("key")
	return d.post(upkeepPath(id)+"/edit", form)
}

// publish edits an entry and publishes it.
func (d *keepDesk) publish(id, why string, change url.Values) reply {
	d.t.Helper()
	d.edit(id, "preview", change).wants(d.t, 200, upkeepPath(id)+"/preview", "Publish")
	return d.post(upkeepPath(id)+"/publish", url.Values{"why": {why}})
}

// search gives the ids that the bench finds.
func (d *desk) search(query string) []string {
	d.t.Helper()
	a := d.get("/api/v1/lookup?q=" + url.QueryEscape(query))
	var got reference.Reply
	if err := json.Unmarshal([]byte(a.body), &got); err != nil || a.status != 200 {
		d.t.Fatalf("look-up of %q: %d %s", query, a.status, a.body)
	}
	var ids []string
	for _, h := range got.Hits {
		ids = append(ids, h.ID)
	}
	return ids
}

// A supervisor edits an entry, and the next search shows it: at this bench, and at
// one of another program on the same data.
func TestPublishedTextIsFoundAtOnce(t *testing.T) {
	dir := t.TempDir()
	d := newKeepDesk(t, dir, testBook(t))
	d.supervisors()
	other := newKeepDesk(t, dir, testBook(t))
	if got := d.search("zebraline"); len(got) > 0 && got[0] == "plum-pox" {
		t.Fatalf("before: %q", got)
	}
	d.publish("plum-pox", "a name that growers use", url.Values{"other_names": {"sharka\nzebraline disease"}}).
		wants(t, 200, upkeepPath("plum-pox"), "Published.", "revision 2, published by Ida Fenn", "a name that growers use")
	for i, at := range []*keepDesk{d, other} {
		if got := at.search("zebraline"); len(got) == 0 || got[0] != "plum-pox" {
			t.Errorf("bench %d finds %q", i+1, got)
		}
	}
	// A program that starts later begins with it.
	if got := newKeepDesk(t, dir, testBook(t)).search("zebraline"); len(got) == 0 || got[0] != "plum-pox" {
		t.Errorf("after a restart: %q", got)
	}
	shipped := testBook(t).Entry("plum-pox")
	now := d.k.ref.Book().Entry("plum-pox")
	d.get("/reference/plum-pox/r/1").wants(t, 200, "", "revision 1", "This is not the text in force", shipped.OtherNames[1])
	d.get("/reference/plum-pox/r/2").wants(t, 200, "", "zebraline disease", "This is the text in force", "a name that growers use")
	d.get(revisionPath("plum-pox", 1, shipped.Hash())).wants(t, 200, "", "revision 1")
	d.get(upkeepPath("plum-pox")+"/diff?from="+shipped.Hash()+"&to="+now.Hash()).wants(t, 200, "", "Other names", "zebraline disease")
	for _, path := range []string{"/reference/plum-pox/r/3", "/reference/plum-pox/r/two", "/reference/plum-pox/r/1?hash=" + now.Hash(), "/reference/plum-pox/r/1?hash=nonsense", "/reference/no-such/r/1", "/reference/grey-mould/r/1?hash=" + shipped.Hash()} {
		if a := d.get(path); a.status != 404 {
			t.Errorf("GET %s: %d %s", path, a.status, a.text())
		}
	}
}

// What a find was decided on stays readable after the text, the site's own words
// and the shipped reference have changed.
func TestPinnedTextsStayReadable(t *testing.T) {
	dir := t.TempDir()
	d := newKeepDesk(t, dir, testBook(t))
	d.supervisors()
	d.post(upkeepPath("plum-pox")+"/local", url.Values{"names": {"orchard curse"}, "action": {"stop"}, "action_why": {"free of it"}, "why": {"our district"}, "seen": {"0"}}).
		wants(t, 200, upkeepPath("plum-pox"), "orchard curse")
	pin := *d.k.ref.Book().Entry("plum-pox")
	if pin.Action.String() != "stop" {
		t.Fatalf("with own words it asks for %v", pin.Action)
	}
	d.publish("plum-pox", "clearer", url.Values{"looks": {"Quite another text."}})
	// A newer program ships another text of the same entry.
	newer := newKeepDesk(t, dir, shippedWith(t, "plum-pox", func(e *reference.Entry) { e.Does, e.Revision = "Newer text.", 2 }))
	newer.signIn(d.person("Ida Fenn"))
	newer.get(revisionPath("plum-pox", pin.Revision, pin.Hash())).wants(t, 200, "", "orchard curse", testBook(t).Entry("plum-pox").Looks[:20])
	newer.get("/reference/plum-pox/r/1").wants(t, 200, "", "revision 1", testBook(t).Entry("plum-pox").Does[:20])
	// Two texts have the number 2: the one of this site is shown, the other by its mark.
	newer.get("/reference/plum-pox/r/2").wants(t, 200, "", "Quite another text.")
	ship := shippedWith(t, "plum-pox", func(e *reference.Entry) { e.Does, e.Revision = "Newer text.", 2 }).Entry("plum-pox")
	newer.get(revisionPath("plum-pox", 2, ship.Hash())).wants(t, 200, "", "Newer text.")
}

func (d *desk) person(name string) people.Person {
	d.t.Helper()
	r, err := d.store.Roster(context.Background())
	if err != nil {
		d.t.Fatal(err)
	}
	i := slices.IndexFunc(r.People, func(p people.Person) bool { return p.Name == name })
	if i < 0 {
		d.t.Fatalf("nobody is called %s", name)
	}
	return r.People[i]
}

// shippedWith is the shipped book of a newer program.
func shippedWith(t testing.TB, id string, change func(*reference.Entry)) *reference.Book {
	t.Helper()
	x := *testBook(t).Entry(id)
	change(&x)
	b, ps := testBook(t).With(&x)
	if len(ps) > 0 {
		t.Fatal(ps)
	}
	return b
}

func TestShippedTextChangedUnderOurs(t *testing.T) {
	dir := t.TempDir()
	d := newKeepDesk(t, dir, testBook(t))
	ida, _ := d.supervisors()
	d.publish("plum-pox", "ours", url.Values{"looks": {"Our looks."}, "does": {"Our does."}})
	newer := newKeepDesk(t, dir, shippedWith(t, "plum-pox", func(e *reference.Entry) { e.Looks, e.Name, e.Revision = "Their looks.", "Plum pox anew", 2 }))
	newer.signIn(ida)
	if got := newer.k.ref.Book().Entry("plum-pox"); got.Looks != "Our looks." {
		t.Errorf("an update overwrote what is published here: %q", got.Looks)
	}
	newer.get("/upkeep?show=behind").wants(t, 200, "", "1 entry", "Plum pox")
	newer.get(upkeepPath("plum-pox")).wants(t, 200, "", "The shipped text was changed", "Compare and decide")
	m := upkeepPath("plum-pox") + "/merge"
	page := newer.get(m)
	page.wants(t, 200, "", "Our looks.", "Their looks.", "Faint, washed-out rings", "Our does.", "Plum pox anew", "changed on both sides")
	form := page.form(t, m)
	form.Set("do", "draft")
	newer.post(m, form).wants(t, 422, "", "Choose one of the two.")
	form.Set("take.looks", "theirs")
	newer.post(m, form).wants(t, 200, upkeepPath("plum-pox")+"/preview", "Their looks.", "Plum pox anew")
	newer.post(upkeepPath("plum-pox")+"/publish", url.Values{"why": {"both are right"}}).wants(t, 200, upkeepPath("plum-pox"), "Published.")
	got := newer.k.ref.Book().Entry("plum-pox")
	if got.Looks != "Their looks." || got.Does != "Our does." || got.Name != "Plum pox anew" || got.Revision != 3 {
		t.Errorf("merged: revision %d %q %q %q", got.Revision, got.Name, got.Looks, got.Does)
	}
	newer.get("/upkeep?show=behind").wants(t, 200, "", "Nothing here.")

	// And once more, decided by a word each.
	third := newKeepDesk(t, dir, shippedWith(t, "plum-pox", func(e *reference.Entry) { e.Looks, e.Revision = "Third looks.", 3 }))
	third.signIn(ida)
	seen := third.get(m).form(t, m).Get("seen")
	third.post(m, url.Values{"do": {"keep"}, "seen": {seen}}).wants(t, 422, "", "Say why")
	third.post(m, url.Values{"do": {"keep"}, "seen": {seen}, "why": {"ours is better"}}).wants(t, 200, upkeepPath("plum-pox"), "Decided.", "our text kept")
	if a := third.get(m); a.status != 200 { // still comparable, if somebody wants to
		t.Errorf("merge after keeping: %d", a.status)
	}
	third.post(m, url.Values{"do": {"follow"}, "seen": {seen}, "why": {"x"}}).wants(t, 409, "", "somebody was quicker")
	seen = third.get(m).form(t, m).Get("seen")
	third.post(m, url.Values{"do": {"follow"}, "seen": {seen}, "why": {"theirs after all"}}).wants(t, 200, upkeepPath("plum-pox"), "as shipped")
	if got := third.k.ref.Book().Entry("plum-pox"); got.Looks != "Third looks." {
		t.Errorf("followed: %q", got.Looks)
	}
	third.get(m).wants(t, 409, "", "nothing to decide")
}

func TestDraftsAreKept(t *testing.T) {
	d := newKeepDesk(t, t.TempDir(), testBook(t))
	_, bea := d.supervisors()
	d.edit("plum-pox", "save", url.Values{"looks": {"Half a sen"}, "kind": {"mushroom"}, "review_by": {"soon"}}).wants(t, 200, upkeepPath("plum-pox")+"/edit", "The draft is kept.", "Half a sen")
	// On another page, another day: it is still there, wrong values and all.
	d.get("/upkeep?show=drafts").wants(t, 200, "", "draft (Ida Fenn)")
	d.get(upkeepPath("plum-pox")).wants(t, 200, "", "Go on with the draft")
	page := d.get(upkeepPath("plum-pox") + "/edit")
	f := page.form(t, upkeepPath("plum-pox")+"/edit")
	if f.Get("looks") != "Half a sen" || f.Get("kind") != "mushroom" || f.Get("review_by") != "soon" {
		t.Errorf("the draft came back as %q %q %q", f.Get("looks"), f.Get("kind"), f.Get("review_by"))
	}
	if d.k.ref.Book().Entry("plum-pox").Looks == "Half a sen" {
		t.Error("a draft is in force")
	}
	// Problems stand at their fields, and what was typed stays.
	f.Set("do", "preview")
	f.Set("signs[0].seen", "mauve_dust")
	f.Set("look_alikes[0].id", "no-such-entry")
	f.Set("signs[1].text", "")
	f.Set("other_names", "one\none")
	bad := d.post(upkeepPath("plum-pox")+"/edit", f)
	bad.wants(t, 422, "", "Put these right before publishing", `"mushroom" is not a word of the vocabulary`, `"soon" is not a date`, `"mauve_dust" is not a word`,
		`There is no entry "no-such-entry"`, "Signs, row 2: In words", "Line 2:", "Half a sen", `href="#signs[0].seen"`, `id="signs[0].seen"`)
	harmless(t, bad)
	// The other supervisor has a draft of her own, made from the text in force.
	b := d.another(bea)
	if got := b.get(upkeepPath("plum-pox")+"/edit").form(t, upkeepPath("plum-pox")+"/edit").Get("looks"); got == "Half a sen" {
		t.Error("somebody else's draft is shown")
	}
	b.get(upkeepPath("plum-pox")+"/edit").wants(t, 200, "", "Also being edited by Ida Fenn")
	// Kept while it is written, without a word.
	f.Set("looks", "Half a sentence, kept by itself")
	if a := d.post(upkeepPath("plum-pox")+"/draft", f); a.status != 204 {
		t.Errorf("keeping by itself: %d", a.status)
	}
	d.get(upkeepPath("plum-pox")+"/edit").wants(t, 200, "", "Half a sentence, kept by itself")
	d.post(upkeepPath("plum-pox")+"/draft", url.Values{"do": {"discard"}}).wants(t, 200, upkeepPath("plum-pox"), "thrown away")
	if got := d.get(upkeepPath("plum-pox")+"/edit").form(t, upkeepPath("plum-pox")+"/edit").Get("kind"); got != "virus" {
		t.Errorf("after throwing it away kind is %q", got)
	}
}

func TestRowsOfTheForm(t *testing.T) {
	d := newKeepDesk(t, t.TempDir(), testBook(t))
	d.supervisors()
	path := upkeepPath("plum-pox") + "/edit"
	f := d.get(path).form(t, path)
	first, second := f.Get("signs[0].text"), f.Get("signs[1].text")
	n := len(testBook(t).Entry("plum-pox").Signs)
	if f.Get(rowName("signs", n, "text")) != "" || !f.Has(rowName("signs", n, "text")) {
		t.Fatal("there is no row to spare")
	}
	d.edit("plum-pox", "up signs 1", nil)
	f = d.get(path).form(t, path)
	if f.Get("signs[0].text") != second || f.Get("signs[1].text") != first || !slices.Equal(f["signs[1].colour"], plainWords(testBook(t).Entry("plum-pox").Signs[0].Colour)) {
		t.Errorf("row 2 up: %q, %q", f.Get("signs[0].text"), f.Get("signs[1].text"))
	}
	d.edit("plum-pox", "drop signs 0", nil)
	f = d.get(path).form(t, path)
	if f.Get("signs[0].text") != first || f.Get(rowName("signs", n-1, "text")) != "" {
		t.Errorf("row 1 out: %q", f.Get("signs[0].text"))
	}
	d.edit("plum-pox", "add signs", url.Values{rowName("signs", n-1, "text"): {"a new sign"}})
	if f = d.get(path).form(t, path); f.Get(rowName("signs", n-1, "text")) != "a new sign" || !f.Has(rowName("signs", n, "text")) {
		t.Error("the new row is not there, or none to spare")
	}
	for _, do := range []string{"drop signs 99", "up signs 0", "drop nothing 1", "add nothing", "\x00"} {
		if a := d.edit("plum-pox", do, nil); a.status != 200 {
			t.Errorf("do %q: %d", do, a.status)
		}
	}
	// A browser sends ticked boxes in the order of the page: that is no change.
	d.post(path[:len(path)-len("edit")]+"draft", url.Values{"do": {"discard"}})
	f = d.get(path).form(t, path)
	f.Set("do", "save")
	d.post(path, f)
	d.get(upkeepPath("plum-pox")+"/preview").wants(t, 200, "", "Nothing is changed against revision 1")
	// The form and the entry say the same, for each shipped entry.
	for _, e := range testBook(t).Entries() {
		if got := entryFrom(e.ID, tidyForm(entryValues(e))); !reference.SameText(e, got) {
			t.Errorf("%s comes out of its form changed: %v", e.ID, reference.DiffText(e, got)[0].Field)
		}
	}
}

func TestANewEntry(t *testing.T) {
	d := newKeepDesk(t, t.TempDir(), testBook(t))
	d.supervisors()
	for id, want := range map[string]string{"Grey Mould": "not an id", "": "not an id", "plum-pox": "already", strings.Repeat("a", 200): "not an id"} {
		d.post("/upkeep/new", url.Values{"id": {id}, "name": {"X"}}).wants(t, 0+map[bool]int{true: 409, false: 422}[id == "plum-pox"], "/upkeep/new", want)
	}
	d.post("/upkeep/new", url.Values{"id": {"paper-wasp"}}).wants(t, 422, "", "The name is missing.")
	d.post("/upkeep/new", url.Values{"id": {"paper-wasp"}, "name": {"Paper wasp"}}).wants(t, 200, upkeepPath("paper-wasp")+"/edit", "Paper wasp")
	d.get("/upkeep?show=drafts").wants(t, 200, "", "not published yet")
	a := d.edit("paper-wasp", "preview", nil)
	a.wants(t, 422, "", "An entry has 3 to 10 signs; this has 0.", "This needs at least 1")
	change := url.Values{"scientific": {"Polistes inventus"}, "kind": {"insect"}, "hosts": {"any"}, "parts": {"stem"}, "looks": {"A nest like grey paper."}, "does": {"Stings."},
		"closer_look": {"Do not knock."}, "exam": {"visual"}, "action": {"reject"}, "action_why": {"A live insect."}, "sources": {"from memory"}}
	for i := range 3 {
		change.Set(rowName("signs", i, "part"), "stem")
		change.Set(rowName("signs", i, "seen"), "insect_winged")
		change.Set(rowName("signs", i, "often"), "usual")
		change.Set(rowName("signs", i, "text"), fmt.Sprintf("paper nest %d", i))
	}
	// A form shows one row more than it has: the rows come one by one.
	change["do"] = []string{"preview"}
	form := a.form(t, upkeepPath("paper-wasp")+"/edit")
	for k, v := range change {
		form[k] = v
	}
	d.post(upkeepPath("paper-wasp")+"/edit", form).wants(t, 200, upkeepPath("paper-wasp")+"/preview", "This is a new entry.", "A nest like grey paper.")
	d.post(upkeepPath("paper-wasp")+"/publish", url.Values{"why": {""}}).wants(t, 422, "", "Say why")
	d.post(upkeepPath("paper-wasp")+"/publish", url.Values{"why": {"seen in a trolley"}}).wants(t, 200, upkeepPath("paper-wasp"), "Published.")
	if got := d.search("paper wasp nest"); len(got) == 0 || got[0] != "paper-wasp" {
		t.Errorf("the new entry is not found: %q", got)
	}
	d.get("/reference/paper-wasp/r/1").wants(t, 200, "", "Polistes inventus")
}

func TestTwoSupervisorsPublishAtOnce(t *testing.T) {
	d := newKeepDesk(t, t.TempDir(), testBook(t))
	_, bea := d.supervisors()
	b := d.another(bea)
	p := upkeepPath("plum-pox")
	d.edit("plum-pox", "preview", url.Values{"looks": {"Ida's looks."}}).wants(t, 200, p+"/preview")
	b.edit("plum-pox", "preview", url.Values{"looks": {"Bea's looks."}, "does": {"Bea's does."}}).wants(t, 200, p+"/preview")
	var wg sync.WaitGroup
	replies := make([]reply, 2)
	for i, at := range []*keepDesk{d, b} {
		wg.Go(func() { replies[i] = at.post(p+"/publish", url.Values{"why": {fmt.Sprintf("publisher %d", i)}}) })
	}
	wg.Wait()
	won := slices.IndexFunc(replies, func(a reply) bool { return a.status == 200 })
	lost := 1 - won
	if won < 0 || replies[lost].status != 409 {
		t.Fatalf("got %d and %d, want one 200 and one 409", replies[0].status, replies[1].status)
	}
	who := []string{"Ida Fenn", "Bea Lund"}
	replies[lost].wants(t, 409, "", "somebody was quicker", who[won]+": revision 2 published", fmt.Sprintf("publisher %d", won), "Compare with what was published meanwhile")
	if x := d.k.upkeepNow().Entry("plum-pox"); len(x.Own) != 1 {
		t.Errorf("%d revisions were published", len(x.Own))
	}
	// The loser's draft is kept, and the two are put beside each other.
	loser := []*keepDesk{d, b}[lost]
	loser.get(p+"/edit").wants(t, 200, "", "published by somebody else after you began", who[lost][:3]+"'s looks.")
	page := loser.get(p + "/merge?with=draft")
	page.wants(t, 200, "", "Your draft", "Published meanwhile", "Ida's looks.", "Bea's looks.", "changed on both sides")
	form := page.form(t, p+"/merge")
	form.Set("take.looks", "ours")
	form.Set("do", "draft")
	loser.post(p+"/merge", form).wants(t, 200, p+"/preview", who[lost][:3]+"'s looks.")
	loser.post(p+"/publish", url.Values{"why": {"on second thoughts"}}).wants(t, 200, p, "Published.")
	if got := d.k.ref.Book().Entry("plum-pox"); got.Looks != who[lost][:3]+"'s looks." || got.Does != "Bea's does." || got.Revision != 3 {
		t.Errorf("in the end: %d %q %q", got.Revision, got.Looks, got.Does)
	}
	// The same form sent twice publishes once; so does a page that is late.
	loser.post(p+"/publish", url.Values{"why": {"on second thoughts"}}).wants(t, 200, p)
	if x := d.k.upkeepNow().Entry("plum-pox"); len(x.Own) != 2 {
		t.Errorf("%d revisions after a form sent twice", len(x.Own))
	}
	late := url.Values{"seen": {"0"}, "looks": {"a ghost"}}
	if a := loser.post(p+"/draft", late); a.status != 204 {
		t.Errorf("late keeping: %d", a.status)
	}
	loser.get("/upkeep?show=drafts").wants(t, 200, "", "Nothing here.")
}

// Searches go on while the index is built again and again, and each sees a whole one.
func TestSearchWhileIndexing(t *testing.T) {
	d := newKeepDesk(t, t.TempDir(), testBook(t))
	d.supervisors()
	var done atomic.Bool
	var wg sync.WaitGroup
	var answered atomic.Int64
	for range 4 {
		wg.Go(func() {
			for !done.Load() {
				if got := d.search("plum pox"); len(got) == 0 || got[0] != "plum-pox" {
					t.Errorf("a search meanwhile gave %q", got)
				}
				answered.Add(1)
			}
		})
	}
	for i := range 4 {
		a := d.post(upkeepPath("plum-pox")+"/local", url.Values{"names": {fmt.Sprintf("zebraline%d", i)}, "why": {"test"}, "seen": {itoa(i)}})
		a.wants(t, 200, upkeepPath("plum-pox"), fmt.Sprintf("zebraline%d", i))
		if got := d.search(fmt.Sprintf("zebraline%d", i)); len(got) == 0 || got[0] != "plum-pox" {
			t.Errorf("own name %d is not found: %q", i, got)
		}
	}
	done.Store(true)
	wg.Wait()
	if answered.Load() < 4 {
		t.Errorf("only %d searches were answered", answered.Load())
	}
}

func TestOwnWords(t *testing.T) {
	d := newKeepDesk(t, t.TempDir(), testBook(t))
	d.supervisors()
	p := upkeepPath("grey-mould")
	text := d.k.upkeepNow().text("grey-mould").Hash()
	d.post(p+"/local", url.Values{"action": {"note"}, "why": {"x"}, "seen": {"0"}, "note": {"typed and kept"}}).wants(t, 422, "", "Say why the entry asks for something else", "typed and kept")
	d.post(p+"/local", url.Values{"action": {"burn"}, "why": {"x"}, "seen": {"0"}}).wants(t, 422, "", "not a rung")
	d.post(p+"/local", url.Values{"names": {"fluff"}, "seen": {"0"}}).wants(t, 422, "", "Say why", "fluff")
	d.post(p+"/local", url.Values{"names": {"fluff\r\n\r\n duvet  mould "}, "hosts": {"wattle"}, "action": {"note"}, "action_why": {"Common in our tunnels, and sold as such."}, "note": {"Ask Ida.\r\nShe knows."}, "why": {"agreed"}, "seen": {"0"}}).
		wants(t, 200, p, "duvet mould", "wattle", "asks for less here")
	if got := d.search("duvet mould"); len(got) == 0 || got[0] != "grey-mould" {
		t.Errorf("found %q", got)
	}
	if l := d.k.localOf("grey-mould"); l.Note != "Ask Ida.\nShe knows." || d.k.ref.Book().Entry("grey-mould").Action.String() != "note" {
		t.Errorf("own words: %+v", l)
	}
	if d.k.upkeepNow().text("grey-mould").Hash() != text {
		t.Error("the text was changed")
	}
	d.post(p+"/local", url.Values{"names": {"other"}, "why": {"x"}, "seen": {"0"}}).wants(t, 409, "", "somebody was quicker", "agreed")
	d.get("/upkeep?show=local").wants(t, 200, "", "Note here (else Reject)")
}

func TestRetireAnEntry(t *testing.T) {
	d := newKeepDesk(t, t.TempDir(), testBook(t))
	d.supervisors()
	p := upkeepPath("citrus-greening")
	d.get(p+"/retire").wants(t, 200, "", "Lists name it", "Marrow Island", "It is taken for")
	d.post(p+"/retire", url.Values{"seen": {"0"}, "do": {"retire"}}).wants(t, 422, "", "Say why")
	d.post(p+"/retire", url.Values{"seen": {"0"}, "do": {"retire"}, "why": {"no citrus here"}}).wants(t, 200, p, "is retired", "no citrus here")
	if got := d.search("citrus greening"); slices.Contains(got, "citrus-greening") {
		t.Errorf("still found: %q", got)
	}
	d.get("/reference/citrus-greening/r/1").wants(t, 200, "", "This entry is retired", "no citrus here")
	d.get("/upkeep?show=retired").wants(t, 200, "", "1 entry")
	d.post("/upkeep/new", url.Values{"id": {"citrus-greening"}, "name": {"X"}}).wants(t, 409, "", "already")
	d.post(p+"/retire", url.Values{"seen": {"1"}, "do": {"restore"}, "why": {"citrus is back"}}).wants(t, 200, p, "is back")
	if got := d.search("citrus greening"); len(got) == 0 || got[0] != "citrus-greening" {
		t.Errorf("not found again: %q", got)
	}
}

func TestReviewList(t *testing.T) {
	d := newKeepDesk(t, t.TempDir(), testBook(t))
	d.supervisors()
	d.get("/upkeep?show=review").wants(t, 200, "", "Nothing here.")
	d.publish("plum-pox", "soon", url.Values{"review_by": {"2026-04-01"}})
	d.publish("grey-mould", "late", url.Values{"review_by": {"2026-01-01"}})
	a := d.get("/upkeep?show=review")
	a.wants(t, 200, "", "2 entries", "2026-01-01, overdue")
	if text := a.text(); strings.Index(text, "2026-01-01") > strings.Index(text, "2026-04-01") {
		t.Errorf("the overdue one does not come first: %s", text)
	}
	d.get("/upkeep?q=sharka").wants(t, 200, "", "1 entry", "Plum pox")
	d.get("/upkeep?q="+url.QueryEscape(shouts[0])).wants(t, 200, "", "0 entries")
}

func picture(w, h int) []byte {
	img := image.NewRGBA(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			img.Set(x, y, color.RGBA{uint8(x), uint8(y), 90, 255})
		}
	}
	var b bytes.Buffer
	if err := jpeg.Encode(&b, img, nil); err != nil {
		panic(err)
	}
	return b.Bytes()
}

// sendFile posts a form with a file.
func (d *desk) sendFile(path, field, name string, file []byte, form url.Values) reply {
	d.t.Helper()
	var b bytes.Buffer
	w := multipart.NewWriter(&b)
	for k, vs := range form {
		for _, v := range vs {
			w.WriteField(k, v)
		}
	}
	if name != "" {
		part, err := w.CreateFormFile(field, name)
		if err != nil {
			d.t.Fatal(err)
		}
		part.Write(file)
	}
	w.Close()
	return d.read(d.client.Post(d.url+path, w.FormDataContentType(), &b))
}

func TestPicturesOfAnEntry(t *testing.T) {
	d := newKeepDesk(t, t.TempDir(), testBook(t))
	d.supervisors()
	p := upkeepPath("plum-pox")
	words := url.Values{"caption": {"Rings on a leaf"}, "credit": {"Ida Fenn"}}
	d.sendFile(p+"/photo", "photo", "x.jpg", picture(80, 60), url.Values{"caption": {"Rings"}}).wants(t, 422, "", "This must not be empty.", "Rings")
	d.sendFile(p+"/photo", "photo", "x.jpg", []byte("not a picture"), words).wants(t, 422, "", "not a picture the bench can read", "Rings on a leaf")
	d.sendFile(p+"/photo", "photo", "", nil, words).wants(t, 422, "", "No photo came")
	with := append(picture(80, 60), []byte("a tail with a secret")...)
	d.sendFile(p+"/photo", "photo", "x.jpg", with, words).wants(t, 200, p, "The picture is on the entry", "Rings on a leaf", "Ida Fenn")
	ph := d.k.photosOf("plum-pox")
	if len(ph) != 1 || ph[0].Caption != "Rings on a leaf" || ph[0].Credit != "Ida Fenn" {
		t.Fatalf("pictures: %+v", ph)
	}
	a := d.get("/photo/" + ph[0].Hash)
	if a.status != 200 || strings.Contains(a.body, "secret") {
		t.Errorf("the picture: %d, tail kept: %v", a.status, strings.Contains(a.body, "secret"))
	}
	d.sendFile(p+"/photo", "photo", "x.jpg", with, words).wants(t, 409, "", "has this picture already")
	d.post(p+"/photo/remove", url.Values{"hash": {ph[0].Hash}}).wants(t, 422, "", "Say why")
	d.post(p+"/photo/remove", url.Values{"hash": {ph[0].Hash}, "why-0": {"blurred"}}).wants(t, 200, p, "off the entry", "blurred")
	if len(d.k.photosOf("plum-pox")) != 0 {
		t.Error("still there")
	}
}

func TestPacksOverHTTP(t *testing.T) {
	d := newKeepDesk(t, t.TempDir(), testBook(t))
	d.supervisors()
	d.publish("plum-pox", "ours", url.Values{"looks": {"Looks from the first site."}})
	d.sendFile(upkeepPath("plum-pox")+"/photo", "photo", "x.jpg", picture(80, 60), url.Values{"caption": {"Rings"}, "credit": {"Ida Fenn"}})
	all := d.get("/upkeep/pack.json?photos=1")
	if all.status != 200 || !strings.Contains(all.header.Get("Content-Disposition"), "reference.json") {
		t.Fatalf("export: %d %v", all.status, all.header)
	}
	if again := d.get("/upkeep/pack.json?photos=1"); again.body != all.body {
		t.Error("the same reference gives other bytes")
	}
	if a := d.get("/upkeep/pack.json?own=1"); a.status != 200 || strings.Count(a.body, `"action":`) != 1 {
		t.Errorf("only our own: %d, %d entries", a.status, strings.Count(a.body, `"action":`))
	}
	d.get("/upkeep/pack.json?entry=no-such").wants(t, 404, "")
	if a := d.get("/reference/schema.json"); a.status != 200 || !json.Valid([]byte(a.body)) {
		t.Errorf("the schema: %d", a.status)
	}

	// At another site: a preview that changes nothing, then the taking.
	o := newKeepDesk(t, t.TempDir(), testBook(t))
	o.supervisors()
	var z bytes.Buffer
	w := gzip.NewWriter(&z)
	io.WriteString(w, all.body)
	w.Close()
	o.sendFile("/upkeep/packs", "file", "pack.json.gz", z.Bytes(), nil).wants(t, 200, "/upkeep/packs/preview", "Looks from the first site.", "Changed 1", "New 1", "Conflict 0")
	if o.k.ref.Book().Entry("plum-pox").Looks == "Looks from the first site." {
		t.Error("a preview changed something")
	}
	o.get("/upkeep/packs").wants(t, 200, "", "not taken yet")
	take := o.get("/upkeep/packs/preview").form(t, "/upkeep/packs/take")
	take.Set("do", "take")
	o.post("/upkeep/packs/take", take).wants(t, 422, "", "Say why")
	take.Set("why", "from the first site")
	take.Del("key")
	o.post("/upkeep/packs/take", take).wants(t, 200, "/upkeep\\?show=own", "The pack is taken.", "Plum pox")
	if o.k.ref.Book().Entry("plum-pox").Looks != "Looks from the first site." || len(o.k.photosOf("plum-pox")) != 1 {
		t.Errorf("not taken: %q, %d pictures", o.k.ref.Book().Entry("plum-pox").Looks, len(o.k.photosOf("plum-pox")))
	}
	if got := o.search("looks from the first site"); len(got) == 0 || got[0] != "plum-pox" {
		t.Errorf("not found: %q", got)
	}
	// The same pack again is the same, with its picture.
	o.sendFile("/upkeep/packs", "file", "pack.json", []byte(all.body), nil).wants(t, 200, "/upkeep/packs/preview", "is here already", "Changed 0", "New 0")

	// A conflict is left alone unless it is ticked.
	o.publish("plum-pox", "our own", url.Values{"looks": {"Looks of the second site."}})
	other := strings.Replace(d.get("/upkeep/pack.json?entry=plum-pox").body, "Looks from the first site.", "Third looks.", 1)
	other = strings.Replace(other, `"name":"Plum pox (sharka)"`, `"name":"Another pack"`, 1) // the pack's name comes first
	o.sendFile("/upkeep/packs", "file", "pack.json", []byte(other), nil).wants(t, 200, "/upkeep/packs/preview", "Conflict 1", "changed here as well, in revision 3", "Third looks.", "Looks of the second site.")
	take = o.get("/upkeep/packs/preview").form(t, "/upkeep/packs/take")
	take.Set("do", "take")
	take.Set("why", "x")
	o.post("/upkeep/packs/take", take).wants(t, 409, "", "Nothing of the pack is to be taken")
	// Meanwhile something else happens to the reference.
	o.post(upkeepPath("grey-mould")+"/local", url.Values{"note": {"n"}, "why": {"x"}, "seen": {"0"}})
	take["over"] = []string{"entry:plum-pox"}
	take.Del("key")
	a := o.post("/upkeep/packs/take", take)
	a.wants(t, 409, "", "Look at the preview again")
	take = a.form(t, "/upkeep/packs/take")
	take.Set("do", "take")
	if !slices.Equal(take["over"], []string{"entry:plum-pox"}) || take.Get("why") != "x" {
		t.Errorf("what was ticked and typed is lost: %v", take)
	}
	o.post("/upkeep/packs/take", take).wants(t, 200, "/upkeep\\?show=own")
	if got := o.k.ref.Book().Entry("plum-pox"); got.Looks != "Third looks." || got.Revision != 4 {
		t.Errorf("taken over: %d %q", got.Revision, got.Looks)
	}
}

func TestBadPacksOverHTTP(t *testing.T) {
	d := newKeepDesk(t, t.TempDir(), testBook(t))
	d.supervisors()
	good := d.get("/upkeep/pack.json?entry=plum-pox").body
	edit := func(old, new string) []byte {
		if !strings.Contains(good, old) {
			t.Fatalf("the pack does not hold %q", old)
		}
		return []byte(strings.Replace(good, old, new, 1))
	}
	entry := regexp.MustCompile(`(?m)^\{.*"id":"plum-pox".*\}$`).FindString(good)
	photoOf := func(data []byte) []byte {
		digest := sha256.Sum256(data)
		sum := hex.EncodeToString(digest[:])
		return edit("\n]}", "\n],\"photos\":[{\"entry\":\"plum-pox\",\"hash\":\""+sum+"\",\"caption\":\"c\",\"credit\":\"c\",\"data\":\""+base64.StdEncoding.EncodeToString(data)+"\"}]}")
	}
	for _, c := range []struct {
		name string
		file []byte
		want string
	}{
		{"empty", nil, "The file is empty."},
		{"not JSON", []byte("hello <script>alert(1)</script>"), "not valid JSON"},
		{"newer", edit(`"schema":1`, `"schema":7`), "newer form (7)"},
		{"duplicate ids", edit(entry, entry+",\n"+entry), `The id "plum-pox" is already that of entries[0]`},
		{"dangling look-alike", edit(`"id":"iron-deficiency"`, `"id":"no-such-thing"`), `look-alike "no-such-thing"`},
		{"wrong type", edit(`"hosts":["Prunus"]`, `"hosts":"Prunus"`), "entries[0].hosts"},
		{"unknown word", edit(`"kind":"virus"`, `"kind":"ghost"`), "is not a word of the vocabulary"},
		{"unknown code", edit("\n]}", "\n],\"lists\":[{\"id\":\"l\",\"name\":\"L\",\"source\":\"invented\",\"date\":\"2026-01-01\",\"standing\":\"invented\",\"optional\":true,\"destinations\":[],\"raise\":[{\"eppo\":\"ZZZZZ9\",\"to\":\"stop\",\"why\":\"x\"}]}]}"), `EPPO code "ZZZZZ9"`},
		{"deep", []byte(`{"format":"lastlook-reference","schema":1,"entries":` + strings.Repeat("[", 50000)), "nested more than"},
		{"a picture that is none", photoOf([]byte("not a picture")), "not a picture the bench can read"},
		{"100 MB", bytes.Repeat([]byte("x"), 100<<20), "larger than 32 MiB"},
		{"a bomb", bomb(t), "Unpacked, the pack is larger"},
	} {
		t.Run(c.name, func(t *testing.T) {
			d.t = t
			a := d.sendFile("/upkeep/packs", "file", "pack.json", c.file, nil)
			a.wants(t, 422, "", c.want)
			harmless(t, a)
		})
	}
	d.t = t
	d.sendFile("/upkeep/packs", "file", "", nil, nil).wants(t, 422, "", "No file was chosen")
	d.get("/upkeep/packs/preview").wants(t, 200, "/upkeep/packs")
	if x := d.k.upkeepNow().Entry("plum-pox"); x != nil {
		t.Errorf("something of a bad pack was taken: %+v", x)
	}
}

func bomb(t testing.TB) []byte {
	t.Helper()
	var z bytes.Buffer
	w := gzip.NewWriter(&z)
	for range 64 {
		w.Write(make([]byte, 1<<20))
	}
	w.Close()
	return z.Bytes()
}

func TestListsAreSwitched(t *testing.T) {
	d := newKeepDesk(t, t.TempDir(), testBook(t))
	d.supervisors()
	id := "eu-priority-pests"
	change := func(do, dest, why string) reply {
		return d.post("/upkeep/lists", url.Values{"list": {id}, "do": {do}, "destination-" + id: {dest}, "why-" + id: {why}})
	}
	d.get("/upkeep/lists").wants(t, 200, "", "EU priority quarantine pests", "for nowhere", "Eastmoor")
	change("on "+id, "", "x").wants(t, 422, "", "Name the destination.")
	change("on "+id, "Northreach", "").wants(t, 422, "", "Say why", "Northreach")
	d.post(upkeepPath("japanese-beetle")+"/local", url.Values{"action": {"reject"}, "action_why": {"a rule of this site"}, "why": {"x"}, "seen": {"0"}})
	change("on "+id, "Northreach", "goes on abroad").wants(t, 200, "/upkeep/lists", "Switch off for Northreach")
	e := d.k.ref.Book().Entry("japanese-beetle")
	for dest, want := range map[string]string{"northreach": "stop", "Saltwick": "reject"} {
		if got := reference.Escalate(d.k.ref.Book(), e, d.k.destinationOf(dest)).Action.String(); got != want {
			t.Errorf("for %s it asks for %s, want %s", dest, got, want)
		}
	}
	if got := d.k.destinationOf("Saltwick").Lists; len(got) != 0 {
		t.Errorf("for Saltwick: %v", got)
	}
	change("off "+id+" Northreach", "", "no longer").wants(t, 200, "/upkeep/lists", "for nowhere")
	change("retire "+id, "", "not ours").wants(t, 200, "/upkeep/lists", "not ours", "Bring it back")
	change("restore "+id, "", "ours after all").wants(t, 200, "/upkeep/lists", "Retire this list")
	change("burn "+id, "", "x").wants(t, 422, "", "do not know this step")
	change("on no-such-list", "Eastmoor", "x").wants(t, 404, "")
}

// Only a supervisor keeps the reference; reading an old revision is for anybody.
func TestUpkeepIsForSupervisors(t *testing.T) {
	d := newKeepDesk(t, t.TempDir(), testBook(t))
	d.get("/upkeep").wants(t, 200, "/people") // nobody is on the list yet
	tam := d.staff()["Tam Orrin"]
	d.signIn(tam)
	for _, path := range []string{"/upkeep", "/upkeep/new", upkeepPath("plum-pox"), upkeepPath("plum-pox") + "/edit", upkeepPath("plum-pox") + "/preview", "/upkeep/packs", "/upkeep/pack.json", "/upkeep/lists", upkeepPath("plum-pox") + "/merge"} {
		if a := d.get(path); a.status != 403 {
			t.Errorf("GET %s as an inspector: %d", path, a.status)
		}
	}
	for _, path := range []string{"/upkeep/new", upkeepPath("plum-pox") + "/edit", upkeepPath("plum-pox") + "/publish", upkeepPath("plum-pox") + "/local", upkeepPath("plum-pox") + "/retire", upkeepPath("plum-pox") + "/draft", "/upkeep/packs", "/upkeep/packs/take", "/upkeep/lists"} {
		if a := d.post(path, url.Values{"why": {"x"}}); a.status != 403 {
			t.Errorf("POST %s as an inspector: %d", path, a.status)
		}
	}
	d.get("/reference/plum-pox/r/1").wants(t, 200, "")
}

// TestUpkeepPages looks at each page: all of it is said from the catalogue, it
// works without script, and nothing that was typed runs.
func TestUpkeepPages(t *testing.T) {
	dir := t.TempDir()
	d := newKeepDesk(t, dir, testBook(t))
	_, bea := d.supervisors()
	d.publish("plum-pox", shouts[0], url.Values{"looks": {strings.Join(shouts, " ")}, "other_names": {shouts[1] + "\n" + shouts[4] + "\n" + shouts[10]}})
	d.post(upkeepPath("plum-pox")+"/local", url.Values{"names": {shouts[0]}, "note": {shouts[1]}, "why": {shouts[2]}, "seen": {"1"}})
	d.sendFile(upkeepPath("plum-pox")+"/photo", "photo", "x.jpg", picture(80, 60), url.Values{"caption": {shouts[1]}, "credit": {shouts[0]}})
	pack := strings.Replace(d.get("/upkeep/pack.json?entry=plum-pox").body, "two lines and a tab", "another text", 1)
	d.post("/upkeep/lists", url.Values{"list": {"eu-priority-pests"}, "do": {"on eu-priority-pests"}, "destination-eu-priority-pests": {shouts[0]}, "why-eu-priority-pests": {shouts[1]}})
	s := newKeepDesk(t, dir, shippedWith(t, "plum-pox", func(e *reference.Entry) { e.Looks, e.Revision = "Newer.", 2 }), pseudo)
	s.signIn(d.person("Ida Fenn"))
	s.edit("plum-pox", "save", url.Values{"does": {shouts[0]}, "kind": {shouts[1]}})
	s.sendFile("/upkeep/packs", "file", "pack.json", []byte(strings.Replace(pack, `"name":"Plum pox (sharka)"`, `"name":"<script>alert(2)</script>"`, 1)), nil)
	s.another(bea).edit("plum-pox", "save", url.Values{"does": {"x"}})
	p := upkeepPath("plum-pox")
	hash := testBook(t).Entry("plum-pox").Hash()
	for _, path := range []string{"/upkeep", "/upkeep?show=behind", "/upkeep?show=drafts&q=plum", "/upkeep?show=nonsense", "/upkeep/new", p, p + "/edit", p + "/edit?check=1", p + "/merge", p + "/local", p + "/retire",
		p + "/diff?from=" + hash + "&to=" + d.k.upkeepNow().text("plum-pox").Hash(), "/upkeep/packs", "/upkeep/packs/preview", "/upkeep/lists", "/reference/plum-pox/r/2", "/reference/plum-pox/r/1"} {
		a := s.get(path)
		if a.status >= 500 || a.status == 404 {
			t.Errorf("GET %s: %d %.300s", path, a.status, a.text())
		}
		harmless(t, a)
		for _, u := range unsaid(a.body) {
			t.Errorf("GET %s: not from the catalogue: %s", path, u)
		}
		if dup := twiceUsed(a.body); dup != "" {
			t.Errorf("GET %s: the id %q stands twice", path, dup)
		}
	}
	// The preview of what is in order.
	s.post(p+"/draft", url.Values{"do": {"discard"}})
	a := s.edit("plum-pox", "preview", url.Values{"does": {shouts[0]}})
	a.wants(t, 200, p+"/preview")
	harmless(t, a)
	for _, u := range unsaid(a.body) {
		t.Errorf("preview: not from the catalogue: %s", u)
	}
}

var idAttr = regexp.MustCompile(` id="([^"]*)"`)

func twiceUsed(page string) string {
	seen := map[string]bool{}
	for _, m := range idAttr.FindAllStringSubmatch(page, -1) {
		if seen[m[1]] {
			return m[1]
		}
		seen[m[1]] = true
	}
	return ""
}

// The page at the bench shows what the site adds, and leads to the old text where
// an entry is retired.
func TestBenchShowsWhatTheSiteAdds(t *testing.T) {
	d := newKeepDesk(t, t.TempDir(), testBook(t))
	d.supervisors()
	p := upkeepPath("plum-pox")
	d.post(p+"/local", url.Values{"note": {"Ask Ida before cutting."}, "why": {"agreed"}, "seen": {"0"}})
	d.sendFile(p+"/photo", "photo", "x.jpg", picture(80, 60), url.Values{"caption": {"Rings on a leaf"}, "credit": {"Tam Orrin"}})
	a := d.get("/e/plum-pox")
	a.wants(t, 200, "/e/plum-pox", "At this site", "Ask Ida before cutting.", "Rings on a leaf", "Tam Orrin", "/photo/"+d.k.photosOf("plum-pox")[0].Hash)
	d.post(p+"/retire", url.Values{"seen": {"2"}, "do": {"retire"}, "why": {"no Prunus here"}})
	d.get("/e/plum-pox").wants(t, 200, "/reference/plum-pox/r/1.*", "This entry is retired")
	d.get("/e/no-such-entry").wants(t, 404, "")
	// A list that is switched on counts for programs that ask, too.
	rung := func() string {
		a := d.get("/api/v1/lookup?destination=Northreach&q=japanese+beetle")
		var got reference.Reply
		if err := json.Unmarshal([]byte(a.body), &got); err != nil || len(got.Hits) == 0 {
			t.Fatalf("%v: %s", err, a.body)
		}
		return got.Hits[0].Action
	}
	// The entry's own rung is stop: it is lowered here, so that the list has something to raise.
	d.post(upkeepPath("japanese-beetle")+"/local", url.Values{"action": {"reject"}, "action_why": {"a rule of this site"}, "why": {"x"}, "seen": {"0"}})
	if before := rung(); before != "reject" {
		t.Errorf("without the list it asks for %s", before)
	}
	d.post("/upkeep/lists", url.Values{"list": {"eu-priority-pests"}, "do": {"on eu-priority-pests"}, "destination-eu-priority-pests": {"Northreach"}, "why-eu-priority-pests": {"goes on abroad"}})
	if after := rung(); after != "stop" {
		t.Errorf("with the list it asks for %s", after)
	}
}

// TestUpkeepInABrowser writes, publishes and looks up in a browser, checks the
// pages with axe-core, and that none is wider than its window.
func TestUpkeepInABrowser(t *testing.T) {
	dir := t.TempDir()
	d := newKeepDesk(t, dir, testBook(t))
	d.supervisors()
	h := handtest.New(t, d.url)
	h.Open(d.url + "/who")
	h.Press("Ida Fenn")
	h.Wait(`document.querySelector(".who").innerText.includes("Ida Fenn")`)
	p := upkeepPath("plum-pox")
	h.Open(d.url + p + "/edit")
	h.Fill("other_names", "sharka\nzebraline disease")
	browsertest.Eval[bool](h.Browser, `(document.getElementById("other_names").dispatchEvent(new Event("input", {bubbles: true})), true)`)
	// It is kept without a press; leaving the page loses nothing.
	for range 100 {
		if ds, err := d.store.Drafts(context.Background()); err != nil || len(ds) > 0 {
			break
		}
		time.Sleep(100 * time.Millisecond)
	}
	h.Open(d.url + "/upkeep?show=drafts")
	h.Wait(`document.body.innerText.includes("draft (Ida Fenn)")`)
	h.Open(d.url + p + "/edit")
	if got := browsertest.Eval[string](h.Browser, `document.getElementById("other_names").value`); got != "sharka\nzebraline disease" {
		t.Fatalf("the draft came back as %q", got)
	}
	h.See("edit")
	h.Fill("kind", "")
	h.Press("Check and preview")
	h.Wait(`document.body.innerText.includes("Put these right before publishing")`)
	h.See("edit-wrong")
	h.Fill("kind", "virus")
	h.Press("Check and preview")
	h.On("Publish Plum pox")
	h.See("preview")
	h.Fill("why", "a name that growers use")
	h.Press("Publish")
	h.Wait(`document.body.innerText.includes("The next look-up finds it.")`)
	h.See("entry")
	h.Open(d.url + "/lookup?q=zebraline+disease")
	h.Wait(`document.querySelector("#main").innerText.includes("Plum pox")`)

	d.post(p+"/local", url.Values{"names": {"orchard curse"}, "note": {"Ask Ida before cutting."}, "action": {"stop"}, "action_why": {"The orchard next door is free of it."}, "why": {"agreed"}, "seen": {"1"}})
	d.sendFile(p+"/photo", "photo", "x.jpg", picture(800, 600), url.Values{"caption": {"Rings on a leaf"}, "credit": {"Ida Fenn"}})
	pack := strings.Replace(d.get("/upkeep/pack.json").body, `"name":"Reference"`, `"name":"Invented pack"`, 1)
	pack = strings.Replace(pack, "zebraline disease", "zebra disease", 1)
	pack = strings.Replace(pack, "Knock the plant and small snow-white flies", "Knock the pot and small snow-white flies", 1)
	d.publish("grey-mould", "overdue", url.Values{"review_by": {"2026-01-01"}})
	newer := newKeepDesk(t, dir, shippedWith(t, "plum-pox", func(e *reference.Entry) {
		e.OtherNames, e.Looks, e.Revision = []string{"sharka", "ring pox"}, "Newer looks. Faint rings.", 2
	}))
	newer.signIn(d.person("Ida Fenn"))
	newer.sendFile("/upkeep/packs", "file", "pack.json", []byte(pack), nil).wants(t, 200, "/upkeep/packs/preview")
	h.Open(newer.url + "/who")
	h.Press("Ida Fenn")
	h.Wait(`document.querySelector(".who").innerText.includes("Ida Fenn")`)
	revs := newer.k.upkeepNow().Revisions("plum-pox")
	paths := []string{"/upkeep", "/upkeep?show=review", "/upkeep/new", p, p + "/edit", p + "/merge", p + "/local", p + "/retire", p + "/diff?from=" + revs[len(revs)-1].Hash + "&to=" + revs[0].Hash,
		"/upkeep/packs", "/upkeep/packs/preview", "/upkeep/lists", "/reference/plum-pox/r/1", "/e/plum-pox"}
	for _, path := range paths {
		h.Open(newer.url + path)
		if dir := os.Getenv("LASTLOOK_SHOTS"); dir != "" {
			h.FullShot(filepath.Join(dir, "full"+fileWord.ReplaceAllString(path, "_")+".png"))
		}
		h.See(strings.NewReplacer("/", "_", "?", "_", "&", "_").Replace(path[:min(len(path), 40)]))
		for _, v := range h.Axe() {
			t.Errorf("%s: %s", path, v)
		}
		for _, width := range []int64{1024, 390} {
			h.Size(width, 800)
			if wide := browsertest.Eval[float64](h.Browser, `document.documentElement.scrollWidth - innerWidth`); wide > 0 {
				t.Errorf("%s: %v px wider than a window of %d", path, wide, width)
			}
		}
		h.Size(1280, 800)
	}
	h.NoFaults()
}
