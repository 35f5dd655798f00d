package kiosk

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"golang.org/x/text/language"
	"golang.org/x/text/message"
	"golang.org/x/text/message/catalog"

	"lastlook/internal/say"
)

// tongue prints sentences in one language. The key of a sentence is the English
// sentence itself, so English needs no catalogue.
type tongue struct {
	tag     language.Tag
	printer *message.Printer
	// marked puts each printed sentence in ⟦ ⟧. Tests use it to find text that
	// does not come from the catalogue.
	marked bool
}

// english is the language the sentences are written in.
var english = newTongue(language.English, nil)

// newTongue makes a tongue from a catalogue; nil means the key is the sentence.
func newTongue(tag language.Tag, cat catalog.Catalog) tongue {
	if cat == nil {
		cat = catalog.NewBuilder(catalog.Fallback(language.English))
	}
	return tongue{tag: tag, printer: message.NewPrinter(tag, message.Catalog(cat))}
}

func (t tongue) lang() string { return t.tag.String() }

// print says the sentence with the given English key. A sentence without
// arguments is still a format: a per cent sign is written %%.
func (t tongue) print(key string, args ...any) string {
	if key == "" {
		return ""
	}
	args = slices.Clone(args)
	for i, a := range args {
		switch x := a.(type) {
		case say.Text:
			args[i] = x.With(t.print)
		case say.Moment:
			args[i] = x.In(time.Local) // the bench is read where it stands
		}
	}
	s := t.printer.Sprintf(key, args...)
	if t.marked {
		return "⟦" + s + "⟧"
	}
	return s
}

// clock says a time of day, with the day when it is not the day of now:
// "14:10", "Thu 14:10", "3 Dec 14:10".
func clock(at, now time.Time) say.Text {
	at = at.In(now.Location())
	hm := at.Format("15:04")
	y, m, d := at.Date()
	if ny, nm, nd := now.Date(); y == ny && m == nm && d == nd {
		return say.T("%s", hm)
	}
	if away := at.Sub(now); away > -6*24*time.Hour && away < 6*24*time.Hour {
		return say.T("%s %s", weekdays[at.Weekday()], hm)
	}
	return say.T("%d %s %s", d, months[m-1], hm)
}

var weekdays = [...]say.Text{
	say.T("Sun"), say.T("Mon"), say.T("Tue"), say.T("Wed"), say.T("Thu"), say.T("Fri"), say.T("Sat"),
}

var months = [...]say.Text{
	say.T("Jan"), say.T("Feb"), say.T("Mar"), say.T("Apr"), say.T("May"), say.T("Jun"),
	say.T("Jul"), say.T("Aug"), say.T("Sep"), say.T("Oct"), say.T("Nov"), say.T("Dec"),
}

// span says a length of time as people do: "50 min", "1 h 50", "2 d 3 h".
// Less than a minute is "under 1 min". The sign is dropped.
func span(d time.Duration) say.Text {
	if d < 0 {
		d = -d
	}
	min := int(d / time.Minute)
	switch {
	case min < 1:
		return say.T("under 1 min")
	case min < 60:
		return say.T("%d min", min)
	case min < 24*60 && min%60 == 0:
		return say.T("%d h", min/60)
	case min < 24*60:
		return say.T("%d h %s", min/60, fmt.Sprintf("%02d", min%60))
	case min%(24*60) < 60:
		return say.T("%d d", min/(24*60))
	}
	return say.T("%d d %d h", min/(24*60), min%(24*60)/60)
}

// left says how far away a moment is: "in 1 h 50" or "25 min late".
func left(at, now time.Time) say.Text {
	d := at.Sub(now)
	if d < 0 {
		return say.T("%s late", span(d))
	}
	return say.T("in %s", span(d))
}

// pick finds the language for an Accept-Language header among the tongues.
func pick(tongues []tongue, accept string) tongue {
	if len(tongues) == 1 || strings.TrimSpace(accept) == "" {
		return tongues[0]
	}
	tags := make([]language.Tag, len(tongues))
	for i, t := range tongues {
		tags[i] = t.tag
	}
	_, i := language.MatchStrings(language.NewMatcher(tags), accept)
	return tongues[i]
}
