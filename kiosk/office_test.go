package kiosk

import (
	"bufio"
	"bytes"
	"context"
	"fmt"
	"io"
	"log/slog"
	"mime/multipart"
	"net"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"golang.org/x/net/html"

	"lastlook/internal/browsertest"
	"lastlook/internal/code"
	"lastlook/internal/consignment"
	"lastlook/internal/intake"
	"lastlook/internal/order"
	"lastlook/internal/paper"
	"lastlook/internal/people"
	"lastlook/internal/store"
)

// desk is a kiosk on a data folder of its own, with a browser's cookies.
type desk struct {
	t      testing.TB
	store  *store.Store
	url    string
	client *http.Client
}

// newDesk starts a kiosk at noon. Tongues are for the pseudo language.
func newDesk(t testing.TB, tongues ...tongue) *desk {
	t.Helper()
	return newDeskAt(t, func() time.Time { return noon }, tongues...)
}

// newDeskAt is newDesk with a clock that a test may move.
func newDeskAt(t testing.TB, clock func() time.Time, tongues ...tongue) *desk {
	t.Helper()
	st, err := store.Open(context.Background(), t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { st.Close() })
	st.Now = clock
	k := &kiosk{store: st, paper: "a4", ref: testReference(t), live: newLive()}
	k.screens, err = newScreens(screensConfig{
		Bench: "office", Demo: true, Tongues: tongues, Fill: k.fill,
		Now: clock, Log: slog.New(slog.NewTextHandler(io.Discard, nil)),
	})
	if err != nil {
		t.Fatal(err)
	}
	e := k.newEngine(streams...)
	k.routes(e)
	srv := httptest.NewServer(e)
	t.Cleanup(srv.Close)
	t.Cleanup(k.live.stop) // before the server waits for open streams
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	return &desk{t: t, store: st, url: srv.URL, client: &http.Client{Jar: jar}}
}

// reply is a page as it came, redirects followed.
type reply struct {
	status int
	path   string // where it led
	body   string
	header http.Header
}

func (d *desk) read(resp *http.Response, err error) reply {
	d.t.Helper()
	if err != nil {
		d.t.Fatal(err)
	}
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	if err != nil {
		d.t.Fatal(err)
	}
	return reply{resp.StatusCode, resp.Request.URL.RequestURI(), string(b), resp.Header}
}

func (d *desk) get(path string) reply {
	d.t.Helper()
	return d.read(d.client.Get(d.url + path))
}

var keySeen int

// post sends a form with a key of its own, unless it has one.
func (d *desk) post(path string, form url.Values) reply {
	d.t.Helper()
	if !form.Has("key") {
		keySeen++
		form.Set("key", fmt.Sprintf("test-key-%d", keySeen))
	}
	return d.read(d.client.PostForm(d.url+path, form))
}

// send uploads a file.
func (d *desk) send(name string, content []byte) reply {
	d.t.Helper()
	var b bytes.Buffer
	w := multipart.NewWriter(&b)
	part, err := w.CreateFormFile("file", name)
	if err != nil {
		d.t.Fatal(err)
	}
	part.Write(content)
	w.Close()
	a := d.read(d.client.Post(d.url+"/orders/upload", w.FormDataContentType(), &b))
	for i := 0; strings.Contains(a.body, `aria-busy="true"`) && i < 600; i++ {
		time.Sleep(50 * time.Millisecond)
		a = d.get(a.path)
	}
	return a
}

// staff puts people on the list and signs the supervisor in.
func (d *desk) staff() map[string]people.Person {
	d.t.Helper()
	out := map[string]people.Person{}
	for _, p := range []people.Join{
		{Name: "Ida Fenn", Roles: []string{people.Supervisor, people.Inspector}},
		{Name: "Tam Orrin", Roles: []string{people.Inspector}},
	} {
		r, err := d.store.DoPeople(context.Background(), consignment.Actor{ID: "x", Name: "x"}, "office", "", p)
		if err != nil {
			d.t.Fatal(err)
		}
		out[p.Name] = r.People[len(r.People)-1]
	}
	d.signIn(out["Ida Fenn"])
	return out
}

func (d *desk) signIn(p people.Person) {
	d.t.Helper()
	u, _ := url.Parse(d.url)
	d.client.Jar.SetCookies(u, []*http.Cookie{{Name: personCookie, Value: p.ID, Path: "/"}})
}

// text is what a page says, white space as one space.
func (a reply) text() string {
	root, err := html.Parse(strings.NewReader(a.body))
	if err != nil {
		return err.Error()
	}
	var b strings.Builder
	var walk func(n *html.Node)
	walk = func(n *html.Node) {
		if n.Type == html.TextNode {
			b.WriteString(n.Data + " ")
		}
		for c := n.FirstChild; c != nil; c = c.NextSibling {
			walk(c)
		}
	}
	walk(root)
	return strings.Join(strings.Fields(b.String()), " ")
}

// wants checks status, address and words of an reply.
func (a reply) wants(t testing.TB, status int, path string, words ...string) {
	t.Helper()
	if a.status != status || path != "" && !regexp.MustCompile("^"+path+"$").MatchString(a.path) {
		t.Errorf("got %d at %s, want %d at %s; the page says %.600q", a.status, a.path, status, path, a.text())
	}
	for _, w := range words {
		if !strings.Contains(a.text(), w) && !strings.Contains(a.body, w) {
			t.Errorf("%s says %.900q, without %q", a.path, a.text(), w)
		}
	}
}

// shouts are strings that break pages which do not look after them.
var shouts = []string{
	`<script>alert(1)</script>`, `"><img src=x onerror=alert(1)>`, `O'Neill "the tall"`, "two\nlines\tand a tab",
	"🌱 emoji 花", "\u202egnp.live", "שלום عالم", "  spaces  around  ", "' OR 1=1 --", "{{.Store}}", "%s%d%!",
}

// harmless checks that nothing in the page runs, and that a value came through.
func harmless(t *testing.T, a reply) {
	t.Helper()
	for _, s := range needsScript(a.body) {
		t.Errorf("%s: %s", a.path, s)
	}
	for _, bad := range []string{"<script>alert", "<img src=x"} {
		if strings.Contains(a.body, bad) {
			t.Errorf("%s holds %q as it came", a.path, bad)
		}
	}
}

func TestFirstSupervisor(t *testing.T) {
	d := newDesk(t)
	d.get("/people").wants(t, 200, "/people", "Who is the first supervisor?", "Put me on the list")
	d.get("/orders/new").wants(t, 200, "/who.*", "Nobody is on the list yet")
	d.post("/people", url.Values{"name": {"  "}}).wants(t, 422, "/people", "The name is missing.")
	a := d.post("/people", url.Values{"name": {" Ida  Fenn "}, "key": {"first"}})
	a.wants(t, 200, "/people", "Ida Fenn is at the bench.", "inspector", "supervisor", "Put somebody on the list")
	roster, err := d.store.Roster(context.Background())
	if err != nil || len(roster.People) != 1 || roster.People[0].Name != "Ida Fenn" || !roster.People[0].Has(people.Supervisor) {
		t.Fatalf("list = %+v, %v", roster.People, err)
	}
	// The list is not empty any more: nobody else gets on it by themselves.
	stranger := &desk{t: t, store: d.store, url: d.url, client: &http.Client{}}
	stranger.post("/people", url.Values{"name": {"Somebody"}, "roles": {people.Supervisor}}).wants(t, 403, "/people", "Say who you are first")
	stranger.get("/people").wants(t, 200, "/people", "Only a supervisor can change the list.")
}

func TestPeople(t *testing.T) {
	d := newDesk(t)
	staff := d.staff()

	a := d.post("/people", url.Values{"name": {"Bea Lund"}, "roles": {people.Trainee}, "key": {"bea"}})
	a.wants(t, 200, "/people/p-[0-9a-f]+/badge", "Bea Lund is on the list.", "trainee", "Print this page")
	// The same form again adds nobody and leads to the same badge.
	if again := d.post("/people", url.Values{"name": {"Bea Lund"}, "roles": {people.Trainee}, "key": {"bea"}}); again.path != a.path {
		t.Errorf("the same form led to %s, then to %s", a.path, again.path)
	}
	d.post("/people", url.Values{"name": {"bea lund"}, "roles": {people.Trainee}}).wants(t, 409, "/people", "Bea Lund is on the list already", `value="bea lund"`)
	d.post("/people", url.Values{"name": {"Wilo Pasch"}}).wants(t, 422, "/people", "Choose at least one role.", `value="Wilo Pasch"`)
	d.post("/people", url.Values{"name": {"Wilo Pasch"}, "roles": {"king"}}).wants(t, 422, "/people", "is not a role")
	d.post("/people", url.Values{"name": {strings.Repeat("x", 81)}, "roles": {people.Trainee}}).wants(t, 422, "/people", "longer than 80")

	bea := strings.TrimSuffix(strings.TrimPrefix(a.path, "/people/"), "/badge")
	d.get("/people/"+bea).wants(t, 200, "", `value="Bea Lund"`)
	d.post("/people/"+bea, url.Values{"do": {"change"}, "name": {"Bea Lund-Marr"}, "roles": {people.Inspector}}).wants(t, 200, "/people", "The change is kept.", "Bea Lund-Marr")
	d.post("/people/"+bea, url.Values{"do": {"change"}, "name": {""}, "roles": {people.Inspector}}).wants(t, 422, "", "The name is missing.")
	d.post("/people/"+bea, url.Values{"do": {"leave"}}).wants(t, 200, "/people", "Bea Lund-Marr is off the list.", "has left")
	d.get("/people/"+bea).wants(t, 404, "", "There is nobody with that badge")
	d.get("/people/"+bea+"/badge").wants(t, 404, "")

	// The last supervisor can neither leave nor step down.
	ida := staff["Ida Fenn"].ID
	d.post("/people/"+ida, url.Values{"do": {"leave"}}).wants(t, 409, "", "is the last supervisor")
	d.post("/people/"+ida, url.Values{"do": {"change"}, "name": {"Ida Fenn"}, "roles": {people.Inspector}}).wants(t, 409, "", "is the last supervisor")
	d.get("/people/ZZZZ").wants(t, 404, "")
	d.post("/people/"+ida, url.Values{"do": {"sell"}}).wants(t, 422, "")
	d.get("/badges").wants(t, 200, "/badges", "Ida Fenn", "Tam Orrin", badgeCode(staff["Tam Orrin"]).Human())

	// An inspector may look, and no more.
	d.signIn(staff["Tam Orrin"])
	d.get("/people").wants(t, 200, "/people", "Only a supervisor can change the list.")
	d.get("/people/"+ida).wants(t, 403, "", "Only a supervisor")
	d.post("/people", url.Values{"name": {"X Y"}, "roles": {people.Supervisor}}).wants(t, 403, "", "Only a supervisor")
}

// scan sends a code as a scanner does, and gives the answer.
func (d *desk) scan(text, at string) reply {
	d.t.Helper()
	return d.post("/scan", url.Values{"code": {text}, "at": {at}})
}

func TestNewBadge(t *testing.T) {
	d := newDesk(t)
	staff := d.staff()
	tam := staff["Tam Orrin"]
	if _, err := code.New(code.KindBadge, tam.ID); err == nil || tam.Badge == tam.ID {
		t.Fatalf("a badge could be printed from the ID %s (badge %s)", tam.ID, tam.Badge)
	}
	old := badgeCode(tam).String()
	d.scan(old, "/").wants(t, 200, "/", "Tam Orrin is at the bench.")
	d.post("/people/"+tam.ID, url.Values{"do": {"badge"}}).wants(t, 403, "", "Only a supervisor")
	d.signIn(staff["Ida Fenn"])
	d.get("/people/"+tam.ID).wants(t, 200, "", "Give a new badge")
	form := url.Values{"do": {"badge"}, "key": {"once"}}
	a := d.post("/people/"+tam.ID, form)
	a.wants(t, 200, "/people/"+tam.ID+"/badge", "Tam Orrin has a new badge.")
	roster, err := d.store.Roster(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	now, _ := roster.Person(tam.ID)
	if now.Badge == tam.Badge || !strings.Contains(a.text(), badgeCode(now).Human()) {
		t.Errorf("the new badge is %s, after %s: %s", now.Badge, tam.Badge, a.text())
	}
	d.post("/people/"+tam.ID, form) // the same form twice gives one badge
	if again, err := d.store.Roster(context.Background()); err != nil || again.Version != roster.Version {
		t.Errorf("%d steps, want %d (%v)", again.Version, roster.Version, err)
	}
	// People who are at a bench stay there; the old badge brings nobody there any more.
	d.scan(old, "/").wants(t, 200, "", "This badge is no longer valid: Tam Orrin was given a new one.")
	d.scan(badgeCode(now).String(), "/").wants(t, 200, "/", "Tam Orrin is at the bench.")
	d.signIn(staff["Ida Fenn"])
	d.post("/people/"+tam.ID, url.Values{"do": {"leave"}}).wants(t, 200, "/people")
	for _, b := range []string{old, badgeCode(now).String()} {
		d.scan(b, "/").wants(t, 200, "", "This badge is no longer valid: Tam Orrin has left.")
	}
	other := code.Code{Kind: code.KindBadge, Payload: "2222"}
	d.scan(other.String(), "/").wants(t, 200, "", "Nobody on the list has this badge.", "It may be of another site.")
}

// Badges that were made by an older version, in which the ID was the badge, go on
// working until another is given.
func TestBadgeOfAnOlderVersion(t *testing.T) {
	d := newDesk(t)
	d.staff()
	r, err := d.store.DoPeople(context.Background(), consignment.Actor{ID: "x", Name: "x"}, "office", "", people.Join{ID: "2ABC", Name: "Wilo Pasch", Roles: []string{people.Inspector}})
	if err != nil {
		t.Fatal(err)
	}
	wilo := r.People[len(r.People)-1]
	d.get("/people/2ABC").wants(t, 200, "", "This badge can be read in records")
	d.scan(badgeCode(wilo).String(), "/office").wants(t, 200, "/office", "Wilo Pasch is at the bench.")
	ida := r.People[0]
	d.signIn(ida)
	d.post("/people/2ABC", url.Values{"do": {"badge"}}).wants(t, 200, "/people/2ABC/badge", "Wilo Pasch has a new badge.")
	if a := d.get("/people/2ABC"); strings.Contains(a.body, "can be read in records") {
		t.Error("the new badge is said to be in records")
	}
	d.scan(badgeCode(wilo).String(), "/").wants(t, 200, "", "was given a new one")
}

func TestPeopleWithAwkwardNames(t *testing.T) {
	d := newDesk(t)
	d.staff()
	for i, name := range shouts {
		a := d.post("/people", url.Values{"name": {name}, "roles": {people.Trainee}})
		a.wants(t, 200, "/people/p-[0-9a-f]+/badge")
		harmless(t, a)
		r, err := d.store.Roster(context.Background())
		if err != nil || len(r.People) != 3+i {
			t.Fatalf("%q: %d people, %v; want %d", name, len(r.People), err, 3+i)
		}
	}
	harmless(t, d.get("/people"))
	harmless(t, d.get("/badges"))
	harmless(t, d.get("/who"))
}

// orderForm is a consignment as typed in, with n crop lines.
func orderForm(number string, lines ...[]string) url.Values {
	f := url.Values{"number": {number}, "customer": {"Marrow Ferry Gardens (invented)"}, "destination": {"Marrow Island"}, "dispatch": {"2026-03-12T14:30"}, "lines": {itoa(len(lines))}}
	for i, l := range lines {
		for j, name := range []string{"crop", "packages", "units", "refs", "batch", "bay"} {
			if j < len(l) {
				f.Set(name+itoa(i+1), l[j])
			}
		}
	}
	return f
}

func TestTypeOrder(t *testing.T) {
	d := newDesk(t)
	d.staff()
	ctx := context.Background()
	d.get("/orders/new").wants(t, 200, "", "Type a consignment in", "Crop line 1", "Add a crop line")

	form := orderForm("K-3001", []string{"Viola", "12", "18", "T001-T012", "V1", "House 2"}, []string{"Ajuga", "", "10", "X1 X2 X3"})
	form.Set("do", "add")
	a := d.post("/orders/new", form)
	a.wants(t, 200, "/orders/new", "Crop line 3", `value="T001-T012"`, `value="X1 X2 X3"`, `value="Marrow Island"`)
	if strings.Contains(a.body, "field-error") {
		t.Error("adding a line complains about what is not filled in yet")
	}
	form.Set("lines", "3")
	form.Set("do", "off-3")
	if a := d.post("/orders/new", form); strings.Contains(a.text(), "Crop line 3") || !strings.Contains(a.text(), "Crop line 2") {
		t.Errorf("taking line 3 off gives %.300q", a.text())
	}
	form.Set("lines", "2")
	form.Set("do", "off-1")
	if a := d.post("/orders/new", form); strings.Contains(a.body, `value="Viola"`) || !strings.Contains(a.body, `name="crop1" type="text" value="Ajuga"`) {
		t.Errorf("taking line 1 off leaves %.300q", a.text())
	}

	form.Set("do", "keep")
	d.post("/orders/new", form).wants(t, 200, "/c/..../labels", "K-3001 is here.")
	// The same form again is the same consignment.
	d.post("/orders/new", form).wants(t, 200, "/c/..../labels", "was here already")
	sum, err := d.store.ByNumber(ctx, "K-3001")
	if err != nil {
		t.Fatal(err)
	}
	st, err := d.store.Consignment(ctx, sum.Code)
	if err != nil || st.Total() != 15 || len(st.Lines) != 2 || st.Lines[1].Refs[2] != "X3" || st.Source != "bench" || st.Lines[0].Bay != "House 2" ||
		!st.DispatchAt.Equal(time.Date(2026, 3, 12, 14, 30, 0, 0, time.UTC)) || st.History[0].Actor.Name != "Ida Fenn" {
		t.Errorf("kept: %+v, %v", st, err)
	}
	// Another consignment may not have its number.
	other := orderForm("K-3001", []string{"Rosa", "2", "5"})
	d.post("/orders/new", other).wants(t, 409, "/orders/new", "is here already with other values", `value="Rosa"`)
}

func TestTypeOrderRefuses(t *testing.T) {
	d := newDesk(t)
	d.staff()
	good := []string{"Viola", "12", "18"}
	tests := []struct {
		name  string
		form  url.Values
		set   map[string]string
		field string
		want  string
	}{
		{"nothing", url.Values{}, nil, "number", "The consignment number is missing."},
		{"no customer", orderForm("K-1", good), map[string]string{"customer": " "}, "customer", "The customer is missing."},
		{"no destination", orderForm("K-1", good), map[string]string{"destination": ""}, "destination", "The destination is missing."},
		{"no time", orderForm("K-1", good), map[string]string{"dispatch": ""}, "dispatch", "The dispatch time is missing."},
		{"past", orderForm("K-1", good), map[string]string{"dispatch": "2026-03-11T12:00"}, "dispatch", "It leaves in the past"},
		{"no such day", orderForm("K-1", good), map[string]string{"dispatch": "2026-02-30 10:00"}, "dispatch", "has no day 30"},
		{"two readings", orderForm("K-1", good), map[string]string{"dispatch": "04/05/2026 10:00"}, "dispatch", "can be read as"},
		{"no crop", orderForm("K-1", []string{"", "12", "18"}), nil, "crop1", "The crop is missing."},
		{"no packages", orderForm("K-1", []string{"Viola", "", "18"}), nil, "packages1", "The number of packages is missing."},
		{"no packages at all", orderForm("K-1", []string{"Viola", "0", "18"}), nil, "packages1", "from 1 to"},
		{"negative", orderForm("K-1", []string{"Viola", "-4", "18"}), nil, "packages1", "a negative number"},
		{"half", orderForm("K-1", []string{"Viola", "1.5", "18"}), nil, "packages1", "not a whole number"},
		{"too many", orderForm("K-1", []string{"Viola", "100001", "18"}), nil, "packages1", "more than 100,000"},
		{"no units", orderForm("K-1", []string{"Viola", "4", ""}), nil, "units1", "The units in a package are missing."},
		{"zero units", orderForm("K-1", []string{"Viola", "4", "0"}), nil, "units1", "from 1 to"},
		{"words", orderForm("K-1", []string{"Viola", "a dozen", "18"}), nil, "packages1", "not a number"},
		{"marks and count differ", orderForm("K-1", []string{"Viola", "4", "18", "T1-T3"}), nil, "packages1", "The count says 4 and the marks are 3."},
		{"mark twice", orderForm("K-1", []string{"Viola", "", "18", "T1 T1"}), nil, "refs1", "T1 is in the list twice"},
		{"mark in two lines", orderForm("K-1", []string{"Viola", "", "18", "T1"}, []string{"Ajuga", "", "9", "T1"}), nil, "refs2", "is in crop line 1 as well"},
		{"empty second line", orderForm("K-1", good, nil), nil, "", "This crop line is empty."},
		{"too many together", orderForm("K-1", []string{"Viola", "60000", "1"}, []string{"Ajuga", "60000", "1"}), nil, "", "120,000 packages are more"},
		{"long", orderForm("K-1", good), map[string]string{"customer": strings.Repeat("x", 201)}, "customer", "at most 200 fit"},
		{"line that is not there", orderForm("K-1", good), map[string]string{"do": "off-7"}, "", "There is no such crop line."},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			for k, v := range tt.set {
				tt.form.Set(k, v)
			}
			a := d.post("/orders/new", tt.form)
			a.wants(t, 422, "/orders/new", tt.want)
			if tt.field != "" {
				a.wants(t, 422, "", `id="`+tt.field+`-error"`)
			}
			for _, vs := range tt.form {
				for _, v := range vs {
					if v != "" && len(v) < 60 && tt.form.Get("do") == "" && !strings.HasPrefix(v, "test-key") && !strings.Contains(a.body, `value="`+html.EscapeString(v)+`"`) {
						t.Errorf("%q was typed and is gone", v)
					}
				}
			}
		})
	}
	due, _, err := d.store.Due(context.Background(), 9)
	if err != nil || len(due) != 0 {
		t.Errorf("%d consignments are kept, %v; want none", len(due), err)
	}
}

func TestTypeOrderWithAwkwardValues(t *testing.T) {
	d := newDesk(t)
	d.staff()
	for i, s := range shouts {
		f := orderForm("K-"+itoa(i)+" "+s, []string{s, "2", "3", "", s, s})
		f.Set("customer", s)
		a := d.post("/orders/new", f)
		a.wants(t, 200, "/c/..../labels")
		harmless(t, a)
		code := strings.Split(a.path, "/")[2]
		for _, p := range []string{"/c/" + code, "/c/" + code + "/labels/1", "/c/" + code + "/history"} {
			harmless(t, d.get(p))
		}
		pdf := d.get("/c/" + code + "/labels.pdf")
		if pdf.status != 200 || !strings.HasPrefix(pdf.body, "%PDF-") {
			t.Errorf("%q: labels are %d, %.20q", s, pdf.status, pdf.body)
		}
	}
	harmless(t, d.get("/"))
}

func TestUpload(t *testing.T) {
	d := newDesk(t)
	d.staff()
	d.get("/orders/upload").wants(t, 200, "", "Bring in orders", "units per package")
	demo := order.Demo(noon)
	d.send("orders.csv", demo).wants(t, 200, "/orders/upload/.+", "All of it is here", "8 consignments new.", "orders.csv", "K-2041")
	d.send("orders.csv", demo).wants(t, 200, "/orders/upload/.+", "All of it was here already", "Nothing was changed.")

	const header = "consignment,customer,destination,dispatch,packages,crop,units per package\n"
	mixed := header + "G-1,Hall,Eastmoor,2026-03-12 10:00,4,Salvia,6\n" +
		"B-1,<script>alert(1)</script>,Eastmoor,2026-03-12 10:00,0,Salvia,6\n" +
		"B-2,Hall,Eastmoor,2001-01-01 10:00,4,Salvia,6\n" +
		"K-2041,Hall,Eastmoor,2026-03-12 10:00,4,Salvia,6\n"
	a := d.send(`C:\orders\“mixed” <b>.csv`, []byte(mixed))
	a.wants(t, 200, "", "Part of it is here", "B-1", "B-2", "It leaves in the past", "is here already with other values", "Save what is to be put right (2 lines)", "print labels")
	harmless(t, a)
	fix := d.get(a.path + "/fix.csv")
	if fix.status != 200 || !strings.HasPrefix(fix.header.Get("Content-Disposition"), "attachment") || !strings.Contains(fix.body, "B-1") || strings.Contains(fix.body, "G-1") {
		t.Errorf("lines to put right: %d %q %.300q", fix.status, fix.header, fix.body)
	}
	if sum, err := d.store.ByNumber(context.Background(), "G-1"); err != nil || sum.Packages != 4 {
		t.Errorf("the good consignment: %+v, %v", sum, err)
	}
	d.get("/orders/upload/nothing").wants(t, 404, "", "not kept any longer")
}

func TestUploadRefuses(t *testing.T) {
	d := newDesk(t)
	d.staff()
	for name, b := range map[string][]byte{
		"empty": nil, "binary": bytes.Repeat([]byte{0, 1, 2, 254, 255}, 1000), "workbook": []byte("PK\x03\x04xl/workbook.xml"),
		"picture": []byte("\x89PNG\r\n\x1a\n"), "words": []byte("Dear bench,\nplease look at these.\n"), "header alone": []byte("consignment,customer,destination,dispatch,packages,crop,units per package\n"),
		"one long line": bytes.Repeat([]byte("x"), 3<<20),
	} {
		t.Run(name, func(t *testing.T) {
			d.send("orders.csv", b).wants(t, 422, "/orders/upload/.+", "Back to the upload")
		})
	}
	t.Run("no file", func(t *testing.T) {
		d.post("/orders/upload", url.Values{}).wants(t, 422, "/orders/upload", "No file was chosen.")
		d.send("", []byte("x")).wants(t, 422, "/orders/upload", "No file was chosen.")
	})
	t.Run("too large", func(t *testing.T) {
		for _, more := range []int{1, maxOrders} {
			d.send("orders.csv", make([]byte, order.MaxBytes+more)).wants(t, 422, "/orders/upload", "The file is larger than 64 MiB.")
		}
	})
	t.Run("cut off", func(t *testing.T) {
		a := d.read(d.client.Post(d.url+"/orders/upload", "multipart/form-data; boundary=x", strings.NewReader("--x\r\nContent-Disposition: form-data; name=\"file\"; filename=\"a.csv\"\r\n\r\nconsignment")))
		a.wants(t, 422, "/orders/upload", "did not arrive whole")
	})
	t.Run("nobody", func(t *testing.T) {
		stranger := &desk{t: t, store: d.store, url: d.url, client: &http.Client{}}
		stranger.send("orders.csv", order.Demo(noon)).wants(t, 403, "", "Say who you are first")
	})
}

// A browser reads the answer only when it has sent all of the file. One that is
// far too large must still be told so, not be cut off.
func TestUploadTooLargeIsReadToItsEnd(t *testing.T) {
	d := newDesk(t)
	ida := d.staff()["Ida Fenn"]
	host := strings.TrimPrefix(d.url, "http://")
	conn, err := net.Dial("tcp", host)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	const size = 2 * maxOrders
	head := "--x\r\nContent-Disposition: form-data; name=\"file\"; filename=\"a.csv\"\r\n\r\n"
	fmt.Fprintf(conn, "POST /orders/upload HTTP/1.1\r\nHost: %s\r\nCookie: %s=%s\r\nContent-Type: multipart/form-data; boundary=x\r\nContent-Length: %d\r\n\r\n%s",
		host, personCookie, ida.ID, len(head)+size, head)
	chunk := make([]byte, 1<<20)
	for sent := 0; sent < size; sent += len(chunk) {
		if _, err := conn.Write(chunk[:min(len(chunk), size-sent)]); err != nil {
			t.Fatalf("cut off after %d MiB: %v", sent>>20, err)
		}
	}
	resp, err := http.ReadResponse(bufio.NewReader(conn), nil)
	if err != nil || resp.StatusCode != 422 {
		t.Fatalf("the answer is %v, %v; want 422", resp, err)
	}
	if b, err := io.ReadAll(resp.Body); err != nil || !bytes.Contains(b, []byte("larger than 64 MiB")) {
		t.Errorf("the answer lacks the reason: %v", err)
	}
}

// Only so many files wait in memory, and only so many results are kept.
func TestUploadsAreBounded(t *testing.T) {
	var u uploads
	hold := make(chan struct{})
	wait := func(*uploadJob) (*intake.Report, error) { <-hold; return nil, nil }
	var last *uploadJob
	for range uploadsAtOnce {
		_, j, ok := u.start("a", wait)
		if !ok {
			t.Fatal("refused too early")
		}
		last = j
	}
	if _, _, ok := u.start("a", wait); ok {
		t.Errorf("more than %d files wait at once", uploadsAtOnce)
	}
	close(hold)
	<-last.done
	var first string
	for i := range uploadsKept + 1 {
		id, j, ok := u.start("a", wait)
		for !ok {
			time.Sleep(time.Millisecond)
			id, j, ok = u.start("a", wait)
		}
		if i == 0 {
			first = id
		}
		<-j.done
	}
	if _, err := u.find(first); err == nil || len(u.jobs) > uploadsKept {
		t.Errorf("%d results are kept, the oldest too: %v", len(u.jobs), err)
	}
	// A file that makes the program trip is a failure of that file.
	_, j, _ := u.start("a", func(*uploadJob) (*intake.Report, error) { panic("trip") })
	<-j.done
	if j.err == nil {
		t.Error("a panic left no error")
	}
}

func (d *desk) demoOrders() map[string]string {
	d.t.Helper()
	d.send("orders.csv", order.Demo(noon))
	due, _, err := d.store.Due(context.Background(), 9)
	if err != nil {
		d.t.Fatal(err)
	}
	codes := map[string]string{}
	for _, s := range due {
		codes[s.Number] = s.Code
	}
	return codes
}

func TestLabels(t *testing.T) {
	d := newDesk(t)
	d.staff()
	codes := d.demoOrders()
	page := "/c/" + codes["K-2036"] + "/labels"
	d.get(page).wants(t, 200, "", "Print the labels", "package 1 of 36", "Viola", "INVENTED DATA", "Make the labels", "57 × 32")

	a := d.post(page, url.Values{"sheet": {"a4"}, "from": {"1"}, "to": {"36"}, "skip": {"4"}, "key": {"once"}, "version": {"1"}})
	a.wants(t, 200, page+`\?done=1.*`, "The labels are made", "Open the labels (PDF)", "36 labels, 1 to 36", "Check the bench")
	// The button pressed twice is one printing.
	d.post(page, url.Values{"sheet": {"a4"}, "from": {"1"}, "to": {"36"}, "skip": {"4"}, "key": {"once"}, "version": {"1"}}).wants(t, 200, page+`\?done=1.*`)
	st, err := d.store.Consignment(context.Background(), codes["K-2036"])
	if err != nil || len(st.Labels) != 1 || st.Labels[0].Sheet != "a4" || st.Labels[0].To != 36 {
		t.Fatalf("printings: %+v, %v; want one", st.Labels, err)
	}
	link := regexp.MustCompile(`href="([^"]+labels\.pdf[^"]*)"`).FindStringSubmatch(a.body)
	if link == nil {
		t.Fatal("no link to the file")
	}
	pdf := d.get(html.UnescapeString(link[1]))
	if pdf.status != 200 || pdf.header.Get("Content-Type") != "application/pdf" || !strings.HasPrefix(pdf.header.Get("Content-Disposition"), "inline") ||
		strings.Count(pdf.body, "/Type /Page\n") != 4 { // 36 labels and 4 places gone, 10 on a sheet
		t.Errorf("labels: %d %v, %d pages", pdf.status, pdf.header, strings.Count(pdf.body, "/Type /Page\n"))
	}

	// One again wants a reason.
	one := url.Values{"sheet": {"57x32"}, "from": {"7"}, "to": {"7"}}
	d.post(page, one).wants(t, 422, page, "Say why they are printed again.", `value="7"`)
	one.Set("reason", "torn “in the rain”")
	d.post(page, one).wants(t, 200, page+`\?done=1.*`, "the label of package 7", "torn “in the rain”")

	for _, tt := range []struct{ name, field, value, id, want string }{
		{"no such sheet", "sheet", "a3", "sheet", "Choose what the labels are printed on."},
		{"zero", "from", "0", "from", "from 1 to 36"},
		{"negative", "from", "-1", "from", "a negative number"},
		{"beyond", "to", "37", "to", "more than 36"},
		{"words", "to", "all", "to", "not a number"},
		{"backwards", "from", "9", "to", "from 9 to 36"},
		{"more gone than there are", "skip", "10", "skip", "has 10 labels"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			f := url.Values{"sheet": {"a4"}, "from": {"2"}, "to": {"3"}, "reason": {"wet"}}
			f.Set(tt.field, tt.value)
			d.post(page, f).wants(t, 422, page, tt.want, `id="`+tt.id+`-error"`)
			if tt.field != "sheet" {
				q := url.Values{"sheet": {"a4"}, "from": {"2"}, "to": {"3"}}
				q.Set(tt.field, tt.value)
				d.get("/c/"+codes["K-2036"]+"/labels.pdf?"+q.Encode()).wants(t, 422, "")
			}
		})
	}

	d.get(page+"/36").wants(t, 200, "", "package 36 of 36", "Primula", packageCode(codes["K-2036"], 36).Human())
	d.get(page+"/37").wants(t, 404, "", "numbered 1 to 36")
	d.get(page+"/x").wants(t, 404, "")
	d.get("/c/ZZZZ/labels").wants(t, 404, "")
	d.get("/c/ZZZZ/labels.pdf").wants(t, 404, "")
}

// More labels than one file holds are proposed in parts.
func TestManyLabels(t *testing.T) {
	d := newDesk(t)
	d.staff()
	a := d.post("/orders/new", orderForm("K-9", []string{"Viola", "4500", "1"}))
	page := "/c/" + strings.Split(a.path, "/")[2] + "/labels"
	a.wants(t, 200, page, "One file holds 2000 labels", "1 to 2000, then 2001 to 4000", `value="2000"`)
	d.post(page, url.Values{"sheet": {"a4"}, "from": {"1"}, "to": {"4500"}}).wants(t, 422, page, fmt.Sprintf("holds (%d)", paper.MaxLabels), "Print 1 to 2000 first")
	d.post(page, url.Values{"sheet": {"a4"}, "from": {"1"}, "to": {"2000"}}).wants(t, 200, page+`\?done.*`, "2000 labels")
	d.get(page).wants(t, 200, page, `value="2001"`, `value="4000"`)
	d.get(strings.TrimSuffix(page, "labels")+"labels.pdf").wants(t, 422, "", "Print 1 to 2000 first")
}

// officePages are all screens of the office, as a supervisor sees them. The folder is
// that of setOffice.
func officePages(codes map[string]string, ida string) []struct{ name, path string } {
	return []struct{ name, path string }{
		{"office", "/office"}, {"people", "/people"}, {"person", "/people/" + ida}, {"badge", "/people/" + ida + "/badge"}, {"badges", "/badges"}, {"keys", "/keys"},
		{"order", "/orders/new"}, {"upload", "/orders/upload"},
		{"labels", "/c/" + codes["K-2041"] + "/labels"}, {"labels-done", "/c/" + codes["K-2036"] + "/labels?done=1"}, {"label", "/c/" + codes["K-2036"] + "/labels/17"},
	}
}

// setOffice fills the desk: people, orders, labels printed once.
func (d *desk) setOffice() []struct{ name, path string } {
	d.t.Helper()
	staff := d.staff()
	codes := d.demoOrders()
	d.post("/c/"+codes["K-2036"]+"/labels", url.Values{"sheet": {"a4"}, "from": {"1"}, "to": {"36"}})
	pages := officePages(codes, staff["Ida Fenn"].ID)
	a := d.send("orders.csv", []byte("consignment,customer,destination,dispatch,packages,crop,units per package\n"+
		"G-1,Hall,Eastmoor,2026-03-12 10:00,4,Salvia,6\nB-1,Hall,Eastmoor,2026-03-12 10:00,0,Salvia,6\nB-2,Hall,Eastmoor,2001-01-01 10:00,4,,6\n"))
	return append(pages, struct{ name, path string }{"upload-result", a.path})
}

// Every sentence of the office comes from the catalogue, and every page works
// without script.
func TestOfficeIsSaidAndPlain(t *testing.T) {
	d := newDesk(t, pseudo)
	first := d.get("/people")
	pages := d.setOffice()
	check := func(name string, a reply) {
		for _, s := range unsaid(a.body) {
			t.Errorf("%s: not from the catalogue: %s", name, s)
		}
		for _, s := range needsScript(a.body) {
			t.Errorf("%s: %s", name, s)
		}
	}
	check("first supervisor", first)
	for _, p := range pages {
		a := d.get(p.path)
		if a.status != 200 {
			t.Errorf("GET %s = %d", p.path, a.status)
		}
		check(p.name, a)
	}
	check("order, refused", d.post("/orders/new", orderForm("", []string{"", "-1", "x"}, nil)))
	check("people, refused", d.post("/people", url.Values{"name": {""}}))
	check("upload, refused", d.post("/orders/upload", url.Values{}))
}

// Looked at in a browser, in each look and size: nothing that axe-core finds,
// nothing wider than the window, nothing too small to touch.
func TestOfficeInBrowser(t *testing.T) {
	b := browsertest.New(t)
	d := newDesk(t)
	b.Open(d.url + "/people")
	shots := os.Getenv("LASTLOOK_SHOTS")
	pages := append([]struct{ name, path string }{{"first", ""}}, d.setOffice()...)
	u, _ := url.Parse(d.url)
	for i, p := range pages {
		if i == 1 {
			for _, ck := range d.client.Jar.Cookies(u) {
				browsertest.Eval[bool](b, fmt.Sprintf(`(document.cookie = "%s=%s; path=/", true)`, ck.Name, ck.Value))
			}
		}
		if i > 0 {
			b.Open(d.url + p.path)
		}
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
				b.FullShot(filepath.Join(shots, "office-"+p.name+"-"+size.name+".png"))
			}
		}
		b.Size(1280, 800)
	}
	if f := b.Faults(); len(f) > 0 {
		t.Errorf("the pages complained: %q", f)
	}
}

// withStaff opens a page in a browser as the supervisor.
func (d *desk) withStaff(b *browsertest.Browser, path string) {
	d.t.Helper()
	staff := d.staff()
	b.Open(d.url + "/people")
	browsertest.Eval[bool](b, fmt.Sprintf(`(document.cookie = "%s=%s; path=/", true)`, personCookie, staff["Ida Fenn"].ID))
	b.Open(d.url + path)
}

// A crop line that was added is where the typing goes on, and what was typed
// before is still there.
func TestAddCropLineInBrowser(t *testing.T) {
	b := browsertest.New(t)
	d := newDesk(t)
	d.withStaff(b, "/orders/new")
	b.Wait(`document.activeElement.name === "number"`)
	b.Type("K-77")
	b.Click(`[name="crop1"]`)
	b.Type("Viola")
	b.Click(`.act[value="add"]`)
	b.Wait(`document.activeElement.name === "crop2"`)
	for name, want := range map[string]string{"number": "K-77", "crop1": "Viola"} {
		if got := browsertest.Eval[string](b, `document.querySelector('[name="`+name+`"]').value`); got != want {
			t.Errorf("%s = %q, want %q", name, got, want)
		}
	}
	// Enter keeps the consignment; it takes no line off.
	b.Keys("\r")
	b.Wait(`document.querySelectorAll(".field-error").length > 0 && document.querySelector('[name="crop2"]')`)
	if f := b.Faults(); len(f) > 0 {
		t.Errorf("the page complained: %q", f)
	}
}

// The page of a long upload follows it to its end by itself.
func TestUploadInBrowser(t *testing.T) {
	b := browsertest.New(t)
	d := newDesk(t)
	d.withStaff(b, "/orders/upload")
	var s strings.Builder
	s.WriteString("consignment,customer,destination,dispatch,packages,crop,units per package\n")
	for i := range 6000 {
		fmt.Fprintf(&s, "N-%d,Hall,Eastmoor,2026-03-13 10:00,%d,Salvia,6\n", i, 1+i%90)
	}
	file := filepath.Join(t.TempDir(), "long.csv")
	if err := os.WriteFile(file, []byte(s.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	b.Do(chromedp.SetUploadFiles("#file", []string{file}))
	b.Click(`#main form .act-big`)
	b.Wait(`location.pathname.startsWith("/orders/upload/")`)
	for range 20 { // each Wait is bounded; a slow machine may need some
		if strings.Contains(b.Text("#upload h1"), "All of it is here") {
			break
		}
		b.Wait(`document.querySelector("#upload h1, #upload .panel")`)
		time.Sleep(time.Second)
	}
	if got := b.Text("#upload"); !strings.Contains(got, "6,000 consignments new.") || strings.Contains(got, "Look again") {
		t.Errorf("the page ends with %.300q", got)
	}
	if f := b.Faults(); len(f) > 0 {
		t.Errorf("the page complained: %q", f)
	}
}
