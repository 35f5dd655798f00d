package kiosk

import (
	"bytes"
	"context"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"mime/multipart"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/gin-gonic/gin"

	"lastlook/internal/browsertest"
	"lastlook/internal/bundle"
	"lastlook/internal/consignment"
	"lastlook/internal/photo"
	"lastlook/internal/record"
	"lastlook/internal/record/recordtest"
	"lastlook/internal/store"
)

// recordPages serves the record of each case of recordtest at /NAME.
func recordPages(t testing.TB, tongues ...tongue) (http.Handler, []recordtest.Case, map[string]record.Document) {
	t.Helper()
	s := newTestScreens(t, tongues...)
	e := s.newEngine()
	cases, docs := recordtest.Cases(t), map[string]record.Document{}
	for _, c := range cases {
		r, err := record.Build(c.State, record.Options{Photos: c.Photo, Invented: true, Program: "Lastlook 0", Mark: c.Mark()})
		if err != nil {
			t.Fatal(err)
		}
		docs[c.Name] = r.Document(recordtest.Zone)
	}
	e.GET("/record/:case", s.handle(func(c *gin.Context) error {
		d := docs[c.Param("case")]
		return s.render(c, http.StatusOK, recordPage, recordViewOf(s.page(c, d.Title), d, "a4"))
	}))
	e.GET("/photo/:hash", func(c *gin.Context) {
		for _, one := range cases {
			if b, err := one.Photo(c.Param("hash")); err == nil {
				c.Data(http.StatusOK, "image/jpeg", b)
				return
			}
		}
	})
	return e, cases, docs
}

// squash leaves white space and case out of account: the stamp is in capitals.
func squash(s string) string { return strings.ToLower(strings.Join(strings.Fields(s), "")) }

// Every sentence and value of the record is on the page, and nothing in it runs.
func TestRecordPageSaysAll(t *testing.T) {
	h, cases, docs := recordPages(t)
	for _, c := range cases {
		t.Run(c.Name, func(t *testing.T) {
			w := get(t, h, "/record/"+url.PathEscape(c.Name))
			if w.Code != http.StatusOK {
				t.Fatalf("status %d", w.Code)
			}
			a := reply{status: w.Code, path: c.Name, body: w.Body.String()}
			text := squash(a.text())
			for _, line := range docs[c.Name].Lines(nil) {
				if !strings.Contains(text, squash(line)) {
					t.Errorf("%q is not on the page", line)
				}
			}
			harmless(t, a)
		})
	}
}

func TestRecordPageIsSaid(t *testing.T) {
	h, cases, _ := recordPages(t, pseudo)
	for _, c := range cases {
		for _, s := range unsaid(get(t, h, "/record/"+url.PathEscape(c.Name)).Body.String()) {
			t.Errorf("%s: not from the catalogue: %s", c.Name, s)
		}
	}
}

func TestRecordInBrowser(t *testing.T) {
	b := browsertest.New(t)
	h, cases, _ := recordPages(t)
	srv := httptest.NewServer(h)
	defer srv.Close()
	shots := os.Getenv("LASTLOOK_SHOTS")
	for _, c := range cases {
		if !slices.Contains([]string{"rejected", "hostile", "second round"}, c.Name) {
			continue
		}
		b.Open(srv.URL + "/record/" + url.PathEscape(c.Name))
		for _, v := range b.Axe() {
			t.Errorf("%s: axe: %s", c.Name, v)
		}
		for _, size := range sizes {
			b.Size(size.width, size.height)
			if wide := browsertest.Eval[[]string](b, tooWide); len(wide) > 0 {
				t.Errorf("%s at %s: wider than the window: %q", c.Name, size.name, wide)
			}
			if shots != "" && size.width > 500 { // a long page on a telephone is more than a picture takes
				b.FullShot(filepath.Join(shots, "record-"+strings.ReplaceAll(c.Name, " ", "-")+"-"+size.name+".png"))
			}
		}
		b.Size(1280, 800)
	}
	if f := b.Faults(); len(f) > 0 {
		t.Errorf("the pages complained: %q", f)
	}
}

// onBench registers a consignment, seals it and opens the first drawn package with
// four units. It gives the consignment's code and the package.
func (d *desk) onBench() (code string, pkg int) {
	d.t.Helper()
	ida := d.staff()["Ida Fenn"]
	actor := consignment.Actor{ID: ida.ID, Name: ida.Name, Roles: ida.Roles}
	ctx := context.Background()
	taken, err := d.store.Register(ctx, actor, "office", []consignment.Registered{{
		Number: "K-2041", Customer: "Eastmoor Plant Hall (invented)", Destination: "Eastmoor", DispatchAt: noon.Add(4 * time.Hour),
		Lines: []consignment.Line{{Crop: "Lavandula", Packages: 9, UnitsPerPackage: 4}},
	}}, nil)
	if err != nil {
		d.t.Fatal(err)
	}
	code = taken[0].Code
	rules := d.store.Rules("Eastmoor")
	check := consignment.CheckBench{Rules: rules}
	for _, it := range rules.Before {
		check.Yes = append(check.Yes, it.ID)
	}
	do := func(cs ...consignment.Command) *consignment.State {
		var done store.Done
		for _, cmd := range cs {
			if done, err = d.store.Do(ctx, store.Step{Code: code, Actor: actor, Bench: "office", Command: cmd}); err != nil {
				d.t.Fatal(err)
			}
		}
		return done.State
	}
	st := do(consignment.PrintLabels{Sheet: "a4", From: 1, To: 9}, check, consignment.Seal{Counted: 9, Rules: rules})
	pkg = st.Running().ToExamine()[0]
	do(consignment.Fetch{Package: pkg}, consignment.Open{Package: pkg}, consignment.LookPackage{Package: pkg}, consignment.CountUnits{Package: pkg, Units: 4})
	return code, pkg
}

func TestRecordOfTheBench(t *testing.T) {
	d := newDesk(t)
	code, _ := d.onBench()
	path := "/c/" + code + "/record"
	d.get(path).wants(t, http.StatusOK, path, "Record of consignment K-2041", "Not finished", "INVENTED DATA", "Ida Fenn")

	first := d.get(path + ".pdf")
	if first.status != http.StatusOK || first.header.Get("Content-Type") != "application/pdf" || !strings.HasPrefix(first.body, "%PDF-") {
		t.Fatalf("%d %v", first.status, first.header)
	}
	if cd := first.header.Get("Content-Disposition"); !strings.Contains(cd, `inline; filename="record K-2041.pdf"`) {
		t.Errorf("Content-Disposition %q", cd)
	}
	if again := d.get(path + ".pdf?paper=a4"); again.body != first.body {
		t.Error("the same record gave another file")
	}
	media := regexp.MustCompile(`/MediaBox \[0 0 ([0-9.]+) ([0-9.]+)\]`)
	for name, want := range map[string]string{"a4": "595.28 841.89", "letter": "612.00 792.00"} {
		m := media.FindStringSubmatch(d.get(path + ".pdf?paper=" + name).body)
		if len(m) != 3 || m[1]+" "+m[2] != want {
			t.Errorf("%s: pages of %v, want %s", name, m, want)
		}
	}
	d.get(path+".pdf?paper=a3").wants(t, http.StatusUnprocessableEntity, "", "Use a4 or letter")
	d.get(path).wants(t, http.StatusOK, path, "Portable record")
	file := d.get("/c/" + code + "/bundle")
	if cd := file.header.Get("Content-Disposition"); file.status != http.StatusOK || file.header.Get("Content-Type") != "application/zip" || !strings.Contains(cd, `attachment; filename="K-2041.bundle.zip"`) {
		t.Fatalf("%d %v", file.status, file.header)
	}
	b, err := bundle.Read([]byte(file.body))
	if err != nil {
		t.Fatal(err)
	}
	if r := bundle.Check(b, bundle.Against{}); !r.Holds() || r.Number != "K-2041" || !r.Invented {
		t.Errorf("the file that was saved: %+v", r)
	}
	check := d.get("/verify.html")
	if cd := check.header.Get("Content-Disposition"); check.status != http.StatusOK || !strings.HasPrefix(cd, "attachment") || !strings.Contains(check.body, "Check a portable record") {
		t.Errorf("the page to check with: %d %v", check.status, check.header)
	}
	d.get("/c/ZZZZ/bundle").wants(t, http.StatusNotFound, "", "There is no consignment")
	d.get("/c/ZZZZ/record").wants(t, http.StatusNotFound, "", "There is no consignment")
	d.get("/c/ZZZZ/record.pdf").wants(t, http.StatusNotFound, "", "There is no consignment")
}

// sendPhoto posts the photo form of a find page as a browser would: answers first.
func (d *desk) sendPhoto(code string, pkg int, answers url.Values, file []byte) reply {
	d.t.Helper()
	var b bytes.Buffer
	w := multipart.NewWriter(&b)
	for name, values := range answers {
		for _, v := range values {
			w.WriteField(name, v)
		}
	}
	if file != nil {
		part, err := w.CreateFormFile("photo", "leaf.jpg")
		if err != nil {
			d.t.Fatal(err)
		}
		part.Write(file)
	} else {
		w.CreateFormFile("photo", "") // a file input left empty
	}
	w.Close()
	return d.read(d.client.Post(fmt.Sprintf("%s/c/%s/p/%d/photo", d.url, code, pkg), w.FormDataContentType(), &b))
}

func leafPhoto(t testing.TB, shade uint8) []byte {
	t.Helper()
	img := image.NewRGBA(image.Rect(0, 0, 60, 40))
	for i := range img.Pix {
		img.Pix[i] = shade
	}
	img.Set(3, 3, color.RGBA{200, 0, 0, 255})
	var b bytes.Buffer
	if err := jpeg.Encode(&b, img, nil); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func TestPhotoOfAFind(t *testing.T) {
	d := newDesk(t)
	code, pkg := d.onBench()
	answers := url.Values{"unit": {"2"}, "part": {"leaf_lower"}, "what": {"live_pest"}, "alive": {"yes"}, "method": {"hand_lens"},
		"units": {"1"}, "note": {"two words & more"}, "key": {"abc"}, "version": {"7"}}
	a := d.sendPhoto(code, pkg, answers, leafPhoto(t, 90))
	a.wants(t, http.StatusOK, "", "The photo is kept")
	u, err := url.Parse(a.path)
	if err != nil {
		t.Fatal(err)
	}
	q := u.Query()
	if u.Path != fmt.Sprintf("/c/%s/p/%d/find", code, pkg) || q.Has("key") || q.Has("version") {
		t.Errorf("leads to %s", a.path)
	}
	for _, name := range []string{"unit", "part", "what", "alive", "method", "units", "note"} {
		if q.Get(name) != answers.Get(name) {
			t.Errorf("%s = %q, want %q", name, q.Get(name), answers.Get(name))
		}
	}
	if len(q["photo"]) != 1 || !isHash(q.Get("photo")) {
		t.Fatalf("photos %q, want one hash", q["photo"])
	}

	// A second photo, with the first among the answers.
	answers["photo"] = []string{q.Get("photo"), "no hash", ""}
	a = d.sendPhoto(code, pkg, answers, leafPhoto(t, 160))
	u, _ = url.Parse(a.path)
	photos := u.Query()["photo"]
	if len(photos) != 2 || photos[0] != q.Get("photo") || photos[0] == photos[1] {
		t.Fatalf("photos %q, want the first and another", photos)
	}

	got := d.get("/photo/" + photos[0])
	if got.status != http.StatusOK || got.header.Get("Content-Type") != "image/jpeg" || !strings.Contains(got.header.Get("Cache-Control"), "immutable") {
		t.Errorf("%d %v", got.status, got.header)
	}
	if _, err := jpeg.Decode(strings.NewReader(got.body)); err != nil {
		t.Error(err)
	}
	for _, bad := range []string{strings.Repeat("0", 64), "xyz", strings.Repeat("0", 63), "..%2f..%2fetc"} {
		d.get("/photo/"+bad).wants(t, http.StatusNotFound, "")
	}

	// Recorded, they are in the record.
	form := url.Values{"photo": photos}
	for _, name := range []string{"unit", "part", "what", "alive", "method", "units"} {
		form.Set(name, answers.Get(name))
	}
	d.post(fmt.Sprintf("/c/%s/p/%d/find", code, pkg), form)
	page := d.get("/c/" + code + "/record")
	b, err := bundle.Read([]byte(d.get("/c/" + code + "/bundle").body))
	if err != nil {
		t.Fatal(err)
	}
	if r := bundle.Check(b, bundle.Against{}); !r.Holds() {
		t.Errorf("the portable record: %+v", r)
	}
	for _, p := range photos {
		if !strings.Contains(page.body, `<img src="/photo/`+p+`"`) {
			t.Errorf("photo %s is not in the record", p)
		}
		if len(b.Photos[p]) == 0 {
			t.Errorf("photo %s is not in the portable record", p)
		}
	}
}

func TestPhotoRefused(t *testing.T) {
	d := newDesk(t)
	code, pkg := d.onBench()
	good := leafPhoto(t, 90)
	full := url.Values{"unit": {"1"}}
	for i := range maxPhotos {
		full.Add("photo", fmt.Sprintf("%064x", i))
	}
	tests := []struct {
		name    string
		answers url.Values
		file    []byte
		want    string
	}{
		{"no file", url.Values{"unit": {"1"}}, nil, "No photo came"},
		{"text", url.Values{"unit": {"1"}}, []byte("<script>alert(1)</script>"), "not a picture"},
		{"cut off", url.Values{"unit": {"1"}}, good[:len(good)/2], "damaged or did not arrive whole"},
		{"too large", url.Values{"unit": {"1"}}, make([]byte, photo.MaxBytes+1), "larger than 20 MB"},
		{"larger than the request may be", url.Values{"unit": {"1"}}, make([]byte, maxPhoto+1), "larger than 20 MB"},
		{"too many", full, good, "12 photos"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			a := d.sendPhoto(code, pkg, tt.answers, tt.file)
			a.wants(t, http.StatusOK, "", tt.want, "Your answers are still here")
			u, _ := url.Parse(a.path)
			if u.Path != fmt.Sprintf("/c/%s/p/%d/find", code, pkg) || u.Query().Get("unit") != "1" {
				t.Errorf("leads to %s, want the find page with the answers", a.path)
			}
			if got := len(u.Query()["photo"]); got != len(tt.answers["photo"]) {
				t.Errorf("%d photos, want %d", got, len(tt.answers["photo"]))
			}
			harmless(t, a)
		})
	}
	t.Run("not a photo form", func(t *testing.T) {
		d.post(fmt.Sprintf("/c/%s/p/%d/photo", code, pkg), url.Values{"unit": {"1"}}).wants(t, http.StatusOK, "", "No photo came")
	})
	t.Run("answers too long", func(t *testing.T) {
		d.sendPhoto(code, pkg, url.Values{"note": {strings.Repeat("x", maxAnswers+1)}}, good).wants(t, http.StatusOK, "", "too long")
	})
	t.Run("no such package", func(t *testing.T) {
		d.sendPhoto(code, 999, url.Values{"unit": {"1"}}, good).wants(t, http.StatusConflict, "")
	})
}
