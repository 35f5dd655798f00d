package rules

import (
	"fmt"
	"slices"
	"strings"

	"lastlook/internal/consignment"
	"lastlook/internal/sampling"
	"lastlook/internal/say"
)

// Row is one field of a rule set, in words.
type Row struct {
	Field string // the JSON name in a file
	Label say.Text
	Lines []say.Text
}

// Label names a field of a rule set on screen.
func Label(field string) say.Text {
	switch field {
	case "rate":
		return say.T("Share of the packages to examine")
	case "minimum":
		return say.T("At least so many packages")
	case "spread":
		return say.T("Draw spread over crop lines")
	case "window_hours":
		return say.T("From the first package opened to dispatch, at most")
	case "looks":
		return say.T("Looks at every unit")
	case "before":
		return say.T("Bench check before")
	case "after":
		return say.T("Bench check after")
	case "store":
		return say.T("Check of the store")
	case "detail_confidence":
		return say.T("Detailed examination: confidence")
	case "detail_detect":
		return say.T("Detailed examination: level of detection")
	case "remove_infested":
		return say.T("Infested packages may be taken out")
	case "minutes_per_round":
		return say.T("Expected for each inspection")
	case "seconds_per_package":
		return say.T("Expected for each package")
	case "seconds_per_unit":
		return say.T("Expected for each unit")
	case "retention_years":
		return say.T("Records are kept at least")
	case "two_people":
		return say.T("Takes two supervisors")
	}
	return say.T("%s", field)
}

// Rows gives a rule set in words, field by field.
func Rows(r consignment.RuleSet) []Row {
	one := func(field, key string, args ...any) Row {
		return Row{field, Label(field), []say.Text{say.T(key, args...)}}
	}
	spread := say.T("no, drawn from all packages alike")
	if r.Spread {
		spread = say.T("yes, in proportion to their packages")
	}
	looks := Row{"looks", Label("looks"), nil}
	for _, l := range r.Looks {
		looks.Lines = append(looks.Lines, l.Words())
	}
	two := Row{"two_people", Label("two_people"), nil}
	for _, d := range r.TwoPeople {
		two.Lines = append(two.Lines, d.Words())
	}
	if len(two.Lines) == 0 {
		two.Lines = []say.Text{say.T("nothing")}
	}
	return []Row{
		one("rate", "%v %% of the packages, rounded up", r.Rate.Percent()),
		one("minimum", "%d packages", r.Minimum),
		{"spread", Label("spread"), []say.Text{spread}},
		one("window_hours", "%d hours", r.WindowHours),
		looks,
		itemRow("before", r.Before),
		itemRow("after", r.After),
		itemRow("store", r.StoreItems()),
		one("detail_confidence", "%v %%", r.DetailConfidence.Percent()),
		one("detail_detect", "%v %% of the packages", r.DetailDetect.Percent()),
		{"remove_infested", Label("remove_infested"), []say.Text{r.RemoveInfested.Words()}},
		one("minutes_per_round", "%d minutes", r.MinutesPerRound),
		one("seconds_per_package", "%d seconds", r.SecondsPerPackage),
		one("seconds_per_unit", "%d seconds", r.SecondsPerUnit),
		one("retention_years", "%d years", r.RetentionYears),
		two,
	}
}

func itemRow(field string, items []consignment.CheckItem) Row {
	row := Row{field, Label(field), nil}
	for _, it := range items {
		// By id: answers on record name it, so another id is another line.
		line := say.T("%s (%s)", it.Words, it.ID)
		if it.Rejects {
			line = say.T("%s (%s): a No rejects", it.Words, it.ID)
		}
		row.Lines = append(row.Lines, line)
	}
	return row
}

// Line is one line of a difference. Mark is "gone", "new", or "" for what stays.
type Line struct {
	Mark string
	Text say.Text
}

// Change is one field that differs.
type Change struct {
	Field string
	Label say.Text
	Lines []Line
}

// Diff lists the fields in which two rule sets differ, line by line.
func Diff(a, b consignment.RuleSet) []Change {
	var out []Change
	before, after := Rows(a), Rows(b)
	for i, row := range before {
		lines := lineDiff(row.Lines, after[i].Lines)
		if slices.ContainsFunc(lines, func(l Line) bool { return l.Mark != "" }) {
			out = append(out, Change{row.Field, row.Label, lines})
		}
	}
	return out
}

// lineDiff keeps the longest common subsequence.
func lineDiff(a, b []say.Text) []Line {
	same := func(i, j int) bool { return a[i].String() == b[j].String() }
	length := make([][]int, len(a)+1)
	for i := range length {
		length[i] = make([]int, len(b)+1)
	}
	for i := len(a) - 1; i >= 0; i-- {
		for j := len(b) - 1; j >= 0; j-- {
			if same(i, j) {
				length[i][j] = length[i+1][j+1] + 1
			} else {
				length[i][j] = max(length[i+1][j], length[i][j+1])
			}
		}
	}
	var out []Line
	i, j := 0, 0
	for i < len(a) || j < len(b) {
		switch {
		case i < len(a) && j < len(b) && same(i, j):
			out = append(out, Line{"", b[j]})
			i, j = i+1, j+1
		case i < len(a) && (j == len(b) || length[i+1][j] >= length[i][j+1]):
			out = append(out, Line{"gone", a[i]})
			i++
		default:
			out = append(out, Line{"new", b[j]})
			j++
		}
	}
	return out
}

// Sizes are the consignments that a preview speaks of, in packages.
var Sizes = []int{3, 36, 240, 1200}

// Effect is what a rule set comes to for a consignment of one size: so many are
// examined, and this is what it shows if they are clean.
type Effect struct {
	Packages, Examine int
	Shows             []say.Text
}

// Preview works out what a rule set, which [Check] finds nothing wrong with, comes
// to for each of [Sizes].
func Preview(r consignment.RuleSet) ([]Effect, error) {
	var out []Effect
	for _, n := range Sizes {
		plan, err := sampling.ByRate(n, r.Rate, r.Minimum)
		if err != nil {
			return nil, err
		}
		ev, err := sampling.Clean(n, plan.Examine)
		if err != nil {
			return nil, err
		}
		out = append(out, Effect{n, plan.Examine, ev.Words()})
	}
	return out, nil
}

// ItemText writes check items as they are edited: one a line, "id: words", with a !
// before the words of those that reject.
func ItemText(items []consignment.CheckItem) string {
	var b strings.Builder
	for _, it := range items {
		b.WriteString(it.ID + ": ")
		if it.Rejects {
			b.WriteString("! ")
		}
		b.WriteString(it.Words.String() + "\n")
	}
	return b.String()
}

// ParseItems reads what ItemText writes. A line without an id gets one, made of its
// words, that no line of the text nor of known has; a line whose words are those of a
// known item with its id keeps them as they were, with their translations. Whether the
// items can be used says [Check].
func ParseItems(text string, known []consignment.CheckItem) []consignment.CheckItem {
	type line struct {
		id, words string
		rejects   bool
	}
	var lines []line
	taken := map[string]bool{}
	for _, it := range known {
		taken[it.ID] = true
	}
	for _, raw := range strings.Split(text, "\n") {
		raw = oneLine(raw)
		if raw == "" {
			continue
		}
		l := line{words: raw}
		if id, words, ok := strings.Cut(raw, ":"); ok && !strings.Contains(strings.TrimSpace(id), " ") {
			l.id, l.words = strings.TrimSpace(id), strings.TrimSpace(words)
		}
		if words, ok := strings.CutPrefix(l.words, "!"); ok {
			l.rejects, l.words = true, strings.TrimSpace(words)
		}
		if l.id != "" {
			taken[l.id] = true
		}
		lines = append(lines, l)
	}
	var out []consignment.CheckItem
	for _, l := range lines {
		if l.id == "" {
			l.id = freshID(l.words, taken)
			taken[l.id] = true
		}
		it := consignment.CheckItem{ID: l.id, Rejects: l.rejects}
		if l.words != "" {
			it.Words = say.T("%s", l.words)
		}
		for _, k := range known {
			if k.ID == l.id && k.Words.String() == l.words {
				it.Words = k.Words
			}
		}
		out = append(out, it)
	}
	return out
}

// freshID makes an id of words: the first few of them, and a number if it is taken.
func freshID(words string, taken map[string]bool) string {
	parts := strings.FieldsFunc(strings.ToLower(words), func(c rune) bool { return (c < 'a' || c > 'z') && (c < '0' || c > '9') })
	base := strings.Join(parts[:min(len(parts), 3)], "_")
	if base = base[:min(len(base), 30)]; base == "" || base[0] < 'a' {
		base = "item"
	}
	id := base
	for n := 2; taken[id]; n++ {
		id = fmt.Sprintf("%s_%d", base, n)
	}
	return id
}
