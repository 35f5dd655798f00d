package kiosk

import (
	"context"
	"encoding/xml"
	"fmt"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"lastlook/internal/browsertest"
	"lastlook/internal/code"
	places "lastlook/internal/place"
)

func typedPlace(kind, name, where string) url.Values {
	return url.Values{"kind": {kind}, "name": {name}, "where": {where}}
}

func TestPlaces(t *testing.T) {
	d := newDesk(t)
	d.get("/places").wants(t, 200, "/places", "No place is on the list yet.", "Only a supervisor can change the list.")
	staff := d.staff()
	d.get("/places").wants(t, 200, "/places", "Put a place on the list", "Quarantine bay", "Nothing leaves this place unless the supervisor says so.")
	d.get("/places.pdf").wants(t, 422, "", "There are no places yet")

	bay := typedPlace("quarantine_bay", " Bay  Q ", "behind the potting shed")
	bay.Set("key", "bay")
	d.post("/places", bay).wants(t, 200, "/places", "Bay Q is on the list.", "behind the potting shed", "card")
	// The same form again adds nothing.
	d.post("/places", bay).wants(t, 200, "/places", "Bay Q is on the list.")
	list, err := d.store.Places(context.Background())
	if err != nil || len(list.Places) != 1 {
		t.Fatalf("list = %+v, %v; want one place", list, err)
	}
	id := list.Places[0].ID
	human := code.Code{Kind: code.KindLocation, Payload: id}.Human()
	d.get("/places").wants(t, 200, "/places", strings.ReplaceAll(human, " ", "\u00a0"))

	for _, tt := range []struct {
		name   string
		form   url.Values
		status int
		says   []string
	}{
		{"no kind", typedPlace("", "Bench 1", ""), 422, []string{"Choose what the place is for.", `value="Bench 1"`}},
		{"kind of another world", typedPlace("cellar", "Bench 1", ""), 422, []string{"Choose what the place is for."}},
		{"no name", typedPlace("gate", " ", "by the road"), 422, []string{"The name is missing.", `value="by the road"`, `value="gate" checked`}},
		{"same name", typedPlace("gate", "bay q", ""), 409, []string{"Bay Q is on the list already"}},
		{"long name", typedPlace("gate", strings.Repeat("x", 41), ""), 422, []string{"longer than 40"}},
		{"long way", typedPlace("gate", "Gate", strings.Repeat("x", 121)), 422, []string{"longer than 120"}},
	} {
		t.Run(tt.name, func(t *testing.T) { d.post("/places", tt.form).wants(t, tt.status, "/places", tt.says...) })
	}

	page := "/places/" + id
	d.get(page).wants(t, 200, page, `value="Bay Q"`, "Quarantine bay. Records keep the name they were made under.")
	d.post(page, url.Values{"do": {"change"}, "name": {"Bay R"}, "where": {"left of the gate"}}).wants(t, 200, "/places", "The change is kept.", "Print the card again", "Bay R", "left of the gate")
	d.post(page, url.Values{"do": {"change"}, "name": {""}}).wants(t, 422, page, "The name is missing.")
	d.post(page, url.Values{"do": {"change"}, "name": {"Bay R"}, "where": {"left of the gate"}}).wants(t, 422, page, "Nothing is changed yet")
	d.post(page, url.Values{"do": {"sell"}}).wants(t, 422, "", "does not know this step")
	d.get("/places/ZZZZ").wants(t, 404, "", "no place with that code")
	d.post("/places/ZZZZ", url.Values{"do": {"retire"}}).wants(t, 404, "", "no place with that code")
	d.get("/places.pdf?place=ZZZZ").wants(t, 404, "", "no place with that code")

	gone := url.Values{"do": {"retire"}, "key": {"gone"}}
	d.post(page, gone).wants(t, 200, "/places", "Bay R is given up.", "Take its card down.", "no longer valid")
	d.post(page, gone).wants(t, 200, "/places") // the same form again
	d.post(page, url.Values{"do": {"retire"}}).wants(t, 404, "", "Bay R was given up")
	d.get(page).wants(t, 404, "")
	d.get("/places.pdf?place="+id).wants(t, 404, "")

	for _, s := range shouts {
		a := d.post("/places", typedPlace("bench", s, s))
		a.wants(t, 200, "/places")
		harmless(t, a)
	}

	// Only a supervisor changes the list; everybody may look and print.
	d.post("/places", typedPlace("gate", "Gate", "")).wants(t, 200, "/places")
	d.signIn(staff["Tam Orrin"])
	list, err = d.store.Places(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	gate := "/places/" + list.InUse(places.Gate)[0].ID
	d.get("/places").wants(t, 200, "/places", "Gate", "Only a supervisor can change the list.")
	d.get(gate).wants(t, 403, "", "Only a supervisor")
	d.post("/places", typedPlace("gate", "Gate 2", "")).wants(t, 403, "", "Only a supervisor")
	d.post(gate, url.Values{"do": {"retire"}}).wants(t, 403, "", "Only a supervisor")
	d.get("/places.pdf").wants(t, 200, "")
}

// What stands on the printed cards is read by zbarimg, and means the place.
func TestPlaceCardsAreRead(t *testing.T) {
	for _, tool := range []string{"pdftoppm", "zbarimg"} {
		if _, err := exec.LookPath(tool); err != nil {
			if os.Getenv("LASTLOOK_TOOLS") == "required" {
				t.Fatalf("%s is required and not installed", tool)
			}
			t.Skipf("%s is not installed", tool)
		}
	}
	d := newDesk(t)
	d.staff()
	var want []string
	for _, kind := range places.Kinds {
		d.post("/places", typedPlace(string(kind), "The "+string(kind), "")).wants(t, 200, "/places")
	}
	list, err := d.store.Places(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range list.Places {
		want = append(want, placeCode(p).String(), placeCode(p).String())
	}
	a := d.get("/places.pdf")
	a.wants(t, 200, "/places.pdf")
	if got := a.header.Get("Content-Type"); got != "application/pdf" {
		t.Fatalf("Content-Type = %q", got)
	}
	dir := t.TempDir()
	file := filepath.Join(dir, "cards.pdf")
	if err := os.WriteFile(file, []byte(a.body), 0o600); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command("pdftoppm", "-r", "150", "-gray", "-png", file, filepath.Join(dir, "page")).CombinedOutput(); err != nil {
		t.Fatalf("pdftoppm: %v: %s", err, out)
	}
	pages, err := filepath.Glob(filepath.Join(dir, "page*.png"))
	if err != nil || len(pages) != 3 {
		t.Fatalf("%d pages, %v; want 3 for 5 cards", len(pages), err)
	}
	out, err := exec.Command("zbarimg", append([]string{"--quiet", "--nodbus", "--xml"}, pages...)...).Output()
	if err != nil {
		t.Fatal(err)
	}
	var report struct {
		Data []string `xml:"source>index>symbol>data"`
	}
	if err := xml.Unmarshal(out, &report); err != nil {
		t.Fatal(err)
	}
	slices.Sort(want)
	slices.Sort(report.Data)
	if !slices.Equal(report.Data, want) {
		t.Fatalf("zbarimg read %q, want %q", report.Data, want)
	}
	for _, scan := range report.Data {
		c, err := code.Parse(scan)
		if err != nil || c.Kind != code.KindLocation {
			t.Errorf("Parse(%q) = %v, %v", scan, c, err)
		}
		if _, ok := list.Place(c.Payload); !ok {
			t.Errorf("%s is no place on the list", scan)
		}
	}
}

// setPlaces fills the list and gives the screens of it.
func (d *desk) setPlaces() []struct{ name, path string } {
	d.t.Helper()
	d.post("/places", typedPlace("quarantine_bay", "Bay Q", "behind the potting shed, key with the supervisor")).wants(d.t, 200, "/places")
	d.post("/places", typedPlace("gate", "Gate", "")).wants(d.t, 200, "/places")
	list, err := d.store.Places(context.Background())
	if err != nil {
		d.t.Fatal(err)
	}
	d.post("/places/"+list.Places[1].ID, url.Values{"do": {"retire"}}).wants(d.t, 200, "/places")
	return []struct{ name, path string }{{"places", "/places"}, {"place", "/places/" + list.Places[0].ID}}
}

func TestPlacesAreSaidAndPlain(t *testing.T) {
	d := newDesk(t, pseudo)
	check := func(name string, a reply) {
		for _, s := range append(unsaid(a.body), needsScript(a.body)...) {
			t.Errorf("%s: %s", name, s)
		}
	}
	check("nobody", d.get("/places"))
	d.staff()
	for _, p := range d.setPlaces() {
		a := d.get(p.path)
		a.wants(t, 200, p.path)
		check(p.name, a)
	}
	check("refused", d.post("/places", typedPlace("", "", "")))
}

func TestPlacesInBrowser(t *testing.T) {
	b := browsertest.New(t)
	d := newDesk(t)
	d.withStaff(b, "/places")
	// Made by hand: choose, type, press.
	b.Click(`input[value="quarantine_bay"]`)
	b.Click(`[name="name"]`)
	b.Type("Bay Q")
	b.Click(`#main form .act-big`)
	b.Wait(`document.querySelector("#main table") && document.querySelector("#main table").textContent.includes("Bay Q")`)
	list, err := d.store.Places(context.Background())
	if err != nil || len(list.InUse(places.QuarantineBay)) != 1 {
		t.Fatalf("list = %+v, %v", list, err)
	}
	shots := os.Getenv("LASTLOOK_SHOTS")
	for _, p := range []struct{ name, path string }{{"places", "/places"}, {"place", "/places/" + list.Places[0].ID}} {
		b.Open(d.url + p.path)
		for _, v := range b.Axe() {
			t.Errorf("%s: axe: %s", p.name, v)
		}
		for _, size := range sizes {
			b.Size(size.width, size.height)
			if wide := browsertest.Eval[[]string](b, tooWide); len(wide) > 0 {
				t.Errorf("%s at %s: wider than the window: %q", p.name, size.name, wide)
			}
			if small := browsertest.Eval[[]string](b, tooSmall); len(small) > 0 {
				t.Errorf("%s at %s: smaller than 64 px: %q", p.name, size.name, small)
			}
			if shots != "" {
				b.FullShot(filepath.Join(shots, fmt.Sprintf("office-%s-%s.png", p.name, size.name)))
			}
		}
		b.Size(1280, 800)
	}
	if f := b.Faults(); len(f) > 0 {
		t.Errorf("the pages complained: %q", f)
	}
}
