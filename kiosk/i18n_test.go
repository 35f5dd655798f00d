package kiosk

import (
	"io/fs"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode"

	"golang.org/x/net/html"
	"golang.org/x/text/language"
	"golang.org/x/text/message/catalog"

	"lastlook/assets"
	"lastlook/internal/say"
)

// unsaid lists what a page shows to eyes or ears that does not come from the
// catalogue. The page must be rendered in the pseudo language, which puts each
// sentence in ⟦ ⟧. Not reported: values of people and orders, in elements marked
// data-v; the product's name; script, style and what is hidden for good.
func unsaid(page string) []string {
	root, err := html.Parse(strings.NewReader(page))
	if err != nil {
		return []string{err.Error()}
	}
	var out []string
	check := func(where, s string) {
		if bare := strings.ReplaceAll(outside(s), "Lastlook", ""); strings.ContainsFunc(bare, unicode.IsLetter) {
			out = append(out, where+": "+strings.Join(strings.Fields(s), " "))
		}
	}
	var walk func(n *html.Node)
	walk = func(n *html.Node) {
		if n.Type == html.TextNode {
			check(n.Parent.Data, n.Data)
		}
		if n.Type == html.ElementNode {
			if n.Data == "script" || n.Data == "style" {
				return
			}
			for _, a := range n.Attr {
				switch a.Key {
				case "aria-label", "title", "placeholder", "alt", "aria-description":
					check(n.Data+" "+a.Key, a.Val)
				case "data-v":
					return
				}
			}
		}
		for c := n.FirstChild; c != nil; c = c.NextSibling {
			walk(c)
		}
	}
	walk(root)
	return out
}

// outside gives what of s is not inside ⟦ ⟧.
func outside(s string) string {
	var b strings.Builder
	depth := 0
	for _, r := range s {
		switch {
		case r == '⟦':
			depth++
		case r == '⟧':
			depth--
		case depth == 0:
			b.WriteRune(r)
		}
	}
	return b.String()
}

func TestUnsaidFindsBareText(t *testing.T) {
	for _, tt := range []struct {
		name, html string
		want       []string
	}{
		{"said", `<p>⟦Fetch these⟧</p>`, nil},
		{"nested", `<p>⟦start by ⟦14:10⟧ (⟦in ⟦1 h⟧⟧)⟧</p>`, nil},
		{"bare", `<p>Fetch these</p>`, []string{"p: Fetch these"}},
		{"half", `<p>⟦Fetch⟧ these</p>`, []string{"p: ⟦Fetch⟧ these"}},
		{"figures", `<p>⟦of⟧ 12 · 14:10</p>`, nil},
		{"data", `<p data-v>Lavandula</p>`, nil},
		{"data beside bare", `<p><b data-v>Lavandula</b> tray</p>`, []string{"p: tray"}},
		{"label", `<p aria-label="ladder"></p>`, []string{"p aria-label: ladder"}},
		{"name", `<title>⟦Due⟧ · Lastlook</title>`, nil},
	} {
		t.Run(tt.name, func(t *testing.T) {
			if got := unsaid(tt.html); !slices.Equal(got, tt.want) {
				t.Errorf("unsaid(%q) = %q, want %q", tt.html, got, tt.want)
			}
		})
	}
}

func TestDesignIsSaidFromTheCatalogue(t *testing.T) {
	s := newTestScreens(t, pseudo)
	e := s.newEngine()
	for _, path := range []string{"/design", "/design?show=wrong", "/design?show=note", "/no-such-page"} {
		body := get(t, e, path).Body.String()
		if !strings.Contains(body, "⟦") {
			t.Fatalf("GET %s says nothing in the pseudo language: %.300s", path, body)
		}
		for _, u := range unsaid(body) {
			t.Errorf("GET %s: not from the catalogue: %s", path, u)
		}
	}
}

var action = regexp.MustCompile(`(?s)\{\{.*?\}\}`)

// bareText lists English written straight into a template.
func bareText(source string) []string {
	var out []string
	z := html.NewTokenizer(strings.NewReader(action.ReplaceAllString(source, "")))
	check := func(where, s string) {
		if strings.ContainsFunc(strings.ReplaceAll(s, "Lastlook", ""), unicode.IsLetter) {
			out = append(out, where+": "+strings.TrimSpace(s))
		}
	}
	data := false // in an element marked data-v
	for {
		switch z.Next() {
		case html.ErrorToken:
			return out
		case html.TextToken:
			if !data {
				check("text", string(z.Text()))
			}
		case html.EndTagToken:
			data = false
		case html.StartTagToken, html.SelfClosingTagToken:
			data = false
			for _, a := range z.Token().Attr {
				if a.Key == "data-v" {
					data = true
				}
				if slices.Contains([]string{"aria-label", "title", "placeholder", "alt"}, a.Key) {
					check(a.Key, a.Val)
				}
			}
		}
	}
}

// Every text in a template goes through t, say or T, or it stays English for ever.
func TestTemplatesHoldNoBareText(t *testing.T) {
	if got := bareText(`<p title="Look">{{t "a"}} Fetch</p>`); len(got) != 2 {
		t.Fatalf("bareText finds %q, want two", got)
	}
	var seen int
	err := fs.WalkDir(assets.FS, "templates", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		seen++
		b, err := fs.ReadFile(assets.FS, name)
		for _, s := range bareText(string(b)) {
			t.Errorf("%s: bare text in %s", name, s)
		}
		return err
	})
	if err != nil || seen < 10 {
		t.Errorf("looked at %d templates, error %v", seen, err)
	}
}

func TestTimes(t *testing.T) {
	at := func(d time.Duration) time.Time { return noon.Add(d) }
	for _, tt := range []struct {
		name string
		got  say.Text
		want string
	}{
		{"clock today", clock(at(110*time.Minute), noon), "14:10"},
		{"clock tomorrow", clock(at(24*time.Hour), noon), "Thu 12:20"},
		{"clock yesterday", clock(at(-24*time.Hour), noon), "Tue 12:20"},
		{"clock in three weeks", clock(at(21*24*time.Hour), noon), "1 Apr 12:20"},
		{"clock in another zone", clock(at(0).In(time.FixedZone("east", 3600)), noon), "12:20"},
		{"span seconds", span(59 * time.Second), "under 1 min"},
		{"span minutes", span(50 * time.Minute), "50 min"},
		{"span hours", span(2 * time.Hour), "2 h"},
		{"span hours and minutes", span(110 * time.Minute), "1 h 50"},
		{"span with a leading nought", span(65 * time.Minute), "1 h 05"},
		{"span days", span(48 * time.Hour), "2 d"},
		{"span days and hours", span(51 * time.Hour), "2 d 3 h"},
		{"left", left(at(110*time.Minute), noon), "in 1 h 50"},
		{"late", left(at(-25*time.Minute), noon), "25 min late"},
		{"start by", Base{Now: noon}.StartBy(at(110 * time.Minute)), "start by 14:10 (in 1 h 50)"},
		{"leave by", Base{Now: noon}.LeaveBy(at(-25 * time.Minute)), "leave by 11:55 (25 min late)"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			if got := tt.got.String(); got != tt.want {
				t.Errorf("= %q, want %q", got, tt.want)
			}
		})
	}
}

func TestTongueTranslates(t *testing.T) {
	cat := catalog.NewBuilder()
	if err := cat.SetString(language.Dutch, "in %s", "over %s"); err != nil {
		t.Fatal(err)
	}
	if err := cat.SetString(language.Dutch, "%d min", "%d minuten"); err != nil {
		t.Fatal(err)
	}
	nl := newTongue(language.Dutch, cat)
	if got, want := nl.print("in %s", say.T("%d min", 5)), "over 5 minuten"; got != want {
		t.Errorf("print = %q, want %q", got, want)
	}
	if got, want := nl.print("2 %% of %d", 1240), "2 % of 1.240"; got != want {
		t.Errorf("print of an unknown sentence = %q, want %q", got, want)
	}
	for accept, want := range map[string]string{"": "en", "nl-BE, en;q=0.5": "nl", "fr": "en"} {
		if got := pick([]tongue{english, nl}, accept).lang(); got != want {
			t.Errorf("pick(%q) = %s, want %s", accept, got, want)
		}
	}
}
