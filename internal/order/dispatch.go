package order

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"lastlook/internal/say"
)

// example is how a dispatch time is best written (ISO 8601 extended format,
// with a space for the T as RFC 3339, section 5.6, allows).
const example = "2026-11-25 14:30"

// ParseDispatch reads a dispatch time: year first (2026-11-25 14:30, with T or
// space, with seconds, with a zone) or day first with a four-digit year
// (25/11/2026 14:30, also with dots or hyphens). Without a zone the time is
// meant in loc; nil means UTC. The result is in loc.
//
// What could be meant in two ways is refused with both readings: a day and month
// that could change places, a two-digit year, an hour that a change of the
// clocks skips or repeats.
func ParseDispatch(text string, loc *time.Location) (time.Time, error) {
	if loc == nil {
		loc = time.UTC
	}
	s := clean(text)
	if s == "" {
		return time.Time{}, say.Refuse(say.Invalid, "A dispatch time is needed. Write it like %s.", example)
	}
	date, clock := cutDate(s)
	d, err := parseDate(s, date, clock)
	if err != nil {
		return time.Time{}, err
	}
	if clock == "" {
		return time.Time{}, say.Refuse(say.Invalid, "“%s” is a date alone, and a dispatch time is needed. Write it like %s 14:30.", shown(s), d.iso())
	}
	c, err := parseClock(s, clock)
	if err != nil {
		return time.Time{}, err
	}
	if c.zoned {
		return time.Date(d.y, time.Month(d.m), d.d, c.h, c.m, c.s, 0, time.FixedZone("", c.offset)).In(loc), nil
	}
	return wall(s, d, c, loc)
}

// Upcoming refuses a dispatch time that is not after now.
func Upcoming(dispatch, now time.Time) error {
	if dispatch.After(now) {
		return nil
	}
	return say.Refuse(say.Invalid, "It leaves in the past (%s): correct the dispatch time.", moment(dispatch))
}

// moment writes a time so that it can be typed into an order file.
func moment(t time.Time) string { return t.Format("2006-01-02 15:04") }

type day struct{ y, m, d int }

func (d day) iso() string { return fmt.Sprintf("%04d-%02d-%02d", d.y, d.m, d.d) }

func (d day) words() say.Text { return say.T("%d %s %s", d.d, monthText(d.m), strconv.Itoa(d.y)) }

// months are Texts so that a translated sentence has translated months.
var months = [12]say.Text{
	say.T("January"), say.T("February"), say.T("March"), say.T("April"), say.T("May"), say.T("June"),
	say.T("July"), say.T("August"), say.T("September"), say.T("October"), say.T("November"), say.T("December"),
}

func monthText(m int) say.Text { return months[m-1] }

// cutDate splits a date from what follows it.
func cutDate(s string) (date, rest string) {
	i := strings.IndexAny(s, " \u00a0\u202fTt,")
	if i < 0 {
		return s, ""
	}
	return s[:i], strings.TrimLeft(s[i:], " \u00a0\u202fTt,")
}

func notUnderstood(s string) error {
	return say.Refuse(say.Invalid, "“%s” is not a date and time that can be read. Write it like %s.", shown(s), example)
}

func parseDate(s, date, clock string) (day, error) {
	var p [3]string
	sep := strings.IndexAny(date, "-/.")
	if sep < 0 {
		if len(date) == 5 && digits(date) {
			return day{}, serial(s)
		}
		return day{}, notUnderstood(s)
	}
	parts := strings.Split(date, date[sep:sep+1])
	if len(parts) == 2 && len(parts[0]) == 5 && digits(parts[0]) && digits(parts[1]) {
		return day{}, serial(s)
	}
	if len(parts) != 3 {
		return day{}, notUnderstood(s)
	}
	for i, v := range parts {
		if !digits(v) || len(v) > 4 || len(v) == 3 {
			return day{}, notUnderstood(s)
		}
		p[i] = v
	}
	a, b, c := number(p[0]), number(p[1]), number(p[2])
	var d day
	switch {
	case len(p[1]) > 2 || len(p[0]) == 4 && len(p[2]) == 4:
		return day{}, notUnderstood(s)
	case len(p[0]) == 4:
		d = day{a, b, c}
	case len(p[2]) < 4:
		return day{}, say.Refuse(say.Invalid, "The year in “%s” has two digits. Write all four, like %s.", shown(s), example)
	case a >= 1 && a <= 12 && b >= 1 && b <= 12 && a != b:
		x, y := day{c, b, a}, day{c, a, b}
		if err := x.check(s); err != nil {
			return day{}, err
		}
		if clock == "" {
			clock = "14:30"
		}
		return day{}, say.Refuse(say.Invalid, "“%s” can be read as %s or as %s. Write %s %s or %s %s.", shown(s), x.words(), y.words(), x.iso(), shown(clock), y.iso(), shown(clock))
	case a >= 1 && a <= 12 && b > 12 && b <= 31:
		y := day{c, a, b}
		if err := y.check(s); err != nil {
			return day{}, err
		}
		return day{}, say.Refuse(say.Invalid, "In “%s” the month seems to come first. Write the day first or, better, the year; if %s is meant, write %s.", shown(s), y.words(), y.iso())
	default:
		d = day{c, b, a}
	}
	return d, d.check(s)
}

// check refuses days that are in no calendar.
func (d day) check(s string) error {
	switch {
	case d.m < 1 || d.m > 12:
		return say.Refuse(say.Invalid, "There is no month %d in “%s”. Write the time like %s.", d.m, shown(s), example)
	case d.y < 2000 || d.y > 2199:
		return say.Refuse(say.Invalid, "The year %s in “%s” cannot be right. Write the time like %s.", strconv.Itoa(d.y), shown(s), example)
	case d.d < 1 || d.d > time.Date(d.y, time.Month(d.m)+1, 0, 0, 0, 0, 0, time.UTC).Day():
		return say.Refuse(say.Invalid, "%s %s has no day %d. Correct the day in “%s”.", monthText(d.m), strconv.Itoa(d.y), d.d, shown(s))
	}
	return nil
}

func serial(s string) error {
	return say.Refuse(say.Invalid, "“%s” looks like a spreadsheet's own number for a day. Show the column as year-month-day hour:minute there, like %s, and save the file again.", shown(s), example)
}

func number(s string) int {
	n, _ := strconv.Atoi(s) // at most four digits, checked before
	return n
}

type clockTime struct {
	h, m, s int
	zoned   bool
	offset  int // seconds east of UTC
}

func parseClock(s, clock string) (clockTime, error) {
	bad := func() (clockTime, error) {
		return clockTime{}, say.Refuse(say.Invalid, "The time of day in “%s” cannot be read. Write it like %s, with a zone only as Z or like +01:00.", shown(s), example)
	}
	end := strings.IndexFunc(clock, func(r rune) bool { return (r < '0' || r > '9') && r != ':' && r != '.' })
	if end < 0 {
		end = len(clock)
	}
	hms, zone := strings.Split(clock[:end], ":"), strings.TrimSpace(clock[end:])
	if z := strings.ToLower(strings.ReplaceAll(zone, ".", "")); z == "am" || z == "pm" {
		return clockTime{}, say.Refuse(say.Invalid, "“%s” uses the twelve-hour clock. Write the hour from 00 to 23, like %s.", shown(s), example)
	}
	if len(hms) < 2 || len(hms) > 3 {
		return bad()
	}
	var c clockTime
	if len(hms) == 3 {
		sec, frac, dot := strings.Cut(hms[2], ".")
		if dot && (frac == "" || strings.Trim(frac, "0") != "") || len(sec) != 2 || !digits(sec) {
			return bad()
		}
		c.s = number(sec)
	}
	if !digits(hms[0]) || len(hms[0]) > 2 || !digits(hms[1]) || len(hms[1]) != 2 {
		return bad()
	}
	c.h, c.m = number(hms[0]), number(hms[1])
	switch {
	case c.h == 24:
		return clockTime{}, say.Refuse(say.Invalid, "“%s” has the hour 24. Write 00:00 and the next day.", shown(s))
	case c.h > 24 || c.m > 59 || c.s > 59:
		return clockTime{}, say.Refuse(say.Invalid, "There is no such time of day as in “%s”. Write it from 00:00 to 23:59.", shown(s))
	case zone == "":
		return c, nil
	}
	c.zoned = true
	switch strings.ToUpper(zone) {
	case "Z", "UTC", "GMT":
		return c, nil
	}
	off, ok := parseOffset(zone)
	if !ok {
		return bad()
	}
	c.offset = off
	return c, nil
}

// parseOffset reads +01:00, +0100 and +01.
func parseOffset(z string) (int, bool) {
	sign := 1
	switch z[0] {
	case '+':
	case '-':
		sign = -1
	default:
		return 0, false
	}
	z = z[1:]
	if len(z) == 5 && z[2] == ':' {
		z = z[:2] + z[3:]
	}
	if !digits(z) || len(z) != 2 && len(z) != 4 {
		return 0, false
	}
	h, m := number(z[:2]), 0
	if len(z) == 4 {
		m = number(z[2:])
	}
	// UTC+14:00 and UTC-12:00 are the outermost in use.
	if h > 14 || m > 59 || h == 14 && m > 0 {
		return 0, false
	}
	return sign * (h*3600 + m*60), true
}

// wall finds the one moment at which clocks in loc show d and c.
func wall(s string, d day, c clockTime, loc *time.Location) (time.Time, error) {
	t := time.Date(d.y, time.Month(d.m), d.d, c.h, c.m, c.s, 0, loc)
	utc := time.Date(d.y, time.Month(d.m), d.d, c.h, c.m, c.s, 0, time.UTC)
	_, off := t.Zone()
	start, end := t.ZoneBounds()
	if shownAs := t.Add(time.Duration(off) * time.Second).UTC(); !shownAs.Equal(utc) {
		// time.Date gave a moment on one side of the gap; the change is at the
		// bound of its zone that faces the other side.
		change := end
		if shownAs.After(utc) {
			change = start
		}
		return time.Time{}, say.Refuse(say.Invalid, "There is no such time as “%s”: the clocks are put forward over it, to %s. Write a time that the clocks will show.", shown(s), moment(change.In(loc)))
	}
	// The same clock reading may come once more under the zone before or after.
	var others []time.Time
	if !start.IsZero() {
		others = append(others, start.Add(-time.Second))
	}
	if !end.IsZero() {
		others = append(others, end)
	}
	for _, other := range others {
		_, o := other.Zone()
		u := utc.Add(-time.Duration(o) * time.Second).In(loc)
		if _, uo := u.Zone(); uo != o || u.Equal(t) {
			continue
		}
		first, second := t, u
		if u.Before(t) {
			first, second = u, t
		}
		const zoned = "2006-01-02T15:04Z07:00"
		return time.Time{}, say.Refuse(say.Invalid, "“%s” comes twice, as the clocks are put back then. Write %s for the first or %s for the second.", shown(s), first.Format(zoned), second.Format(zoned))
	}
	return t, nil
}
