package order

import (
	"strings"
	"testing"
	"time"
	_ "time/tzdata" // the tests must not depend on the machine's zones
	"unicode"
	"unicode/utf8"

	"lastlook/internal/say"

	"pgregory.net/rapid"
)

func zone(t testing.TB, name string) *time.Location {
	t.Helper()
	loc, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	return loc
}

func TestParseDispatch(t *testing.T) {
	paris := zone(t, "Europe/Paris")
	utc := func(y, m, d, h, mi, s int) time.Time { return time.Date(y, time.Month(m), d, h, mi, s, 0, time.UTC) }
	good := []struct {
		text string
		want time.Time
	}{
		{"2026-11-25T14:30", utc(2026, 11, 25, 13, 30, 0)},
		{"2026-11-25 14:30", utc(2026, 11, 25, 13, 30, 0)},
		{"  2026-11-25   14:30:15 ", utc(2026, 11, 25, 13, 30, 15)},
		{"2026-11-25t14:30:15.000", utc(2026, 11, 25, 13, 30, 15)},
		{"2026-11-25T14:30Z", utc(2026, 11, 25, 14, 30, 0)},
		{"2026-11-25 14:30 UTC", utc(2026, 11, 25, 14, 30, 0)},
		{"2026-11-25T14:30+05:30", utc(2026, 11, 25, 9, 0, 0)},
		{"2026-11-25T14:30:00-0800", utc(2026, 11, 25, 22, 30, 0)},
		{"2026-11-25 14:30 +01", utc(2026, 11, 25, 13, 30, 0)},
		{"2026/11/5 9:05", utc(2026, 11, 5, 8, 5, 0)},
		{"25/11/2026 14:30", utc(2026, 11, 25, 13, 30, 0)},
		{"25.11.2026 14:30", utc(2026, 11, 25, 13, 30, 0)},
		{"25-11-2026 14:30", utc(2026, 11, 25, 13, 30, 0)},
		{"25/11/2026, 14:30:00", utc(2026, 11, 25, 13, 30, 0)},
		{"5/5/2027 00:00", utc(2027, 5, 4, 22, 0, 0)},
		{"13.1.2027\u00a010:00", utc(2027, 1, 13, 9, 0, 0)},
		{"29/02/2028 10:00", utc(2028, 2, 29, 9, 0, 0)},
		{"2026-03-04 10:00", utc(2026, 3, 4, 9, 0, 0)},
	}
	for _, tt := range good {
		got, err := ParseDispatch(tt.text, paris)
		if err != nil || !got.Equal(tt.want) || got.Location() != paris {
			t.Errorf("ParseDispatch(%q) = %v, %v; want %v in %v", tt.text, got, err, tt.want, paris)
		}
	}
	bad := []struct{ name, text, want string }{
		{"empty", " ", "A dispatch time is needed."},
		{"date alone", "2026-11-25", "“2026-11-25” is a date alone, and a dispatch time is needed. Write it like 2026-11-25 14:30."},
		{"date alone, day first", "25/11/2026", "Write it like 2026-11-25 14:30."},
		{"two readings", "03/04/2027 08:00", "“03/04/2027 08:00” can be read as 3 April 2027 or as 4 March 2027. Write 2027-04-03 08:00 or 2027-03-04 08:00."},
		{"two readings, dots", "3.4.2027 08:00", "3 April 2027 or as 4 March 2027"},
		{"two readings, hyphens", "12-11-2026 08:00", "12 November 2026 or as 11 December 2026"},
		{"two readings, no time", "3/4/2027", "Write 2027-04-03 14:30 or 2027-03-04 14:30."},
		{"month first", "11/25/2026 14:30", "if 25 November 2026 is meant, write 2026-11-25"},
		{"two-digit year", "25/11/26 14:30", "has two digits. Write all four"},
		{"two-digit year, whichever end", "26-11-25 14:30", "has two digits"},
		{"no such month", "25/13/2026 14:30", "There is no month 13"},
		{"no such month, year first", "2026-13-01 14:30", "There is no month 13"},
		{"month zero", "2026-00-10 14:30", "There is no month 0"},
		{"no such day", "31/04/2027 14:30", "April 2027 has no day 31"},
		{"no leap year", "29/02/2027 14:30", "February 2027 has no day 29"},
		{"day zero", "2027-02-00 14:30", "has no day 0"},
		{"year before", "1926-11-25 14:30", "The year 1926"},
		{"year after", "2926-11-25 14:30", "The year 2926"},
		{"hour 24", "2026-11-25 24:00", "Write 00:00 and the next day"},
		{"hour 25", "2026-11-25 25:00", "There is no such time of day"},
		{"minute 60", "2026-11-25 14:60", "There is no such time of day"},
		{"second 60", "2026-11-25 14:30:60", "There is no such time of day"},
		{"fraction", "2026-11-25 14:30:00.5", "cannot be read"},
		{"twelve-hour clock", "2026-11-25 2:30 PM", "twelve-hour clock"},
		{"twelve-hour clock, dots", "2026-11-25 2:30p.m.", "twelve-hour clock"},
		{"hour alone", "2026-11-25 14", "cannot be read"},
		{"zone by name", "2026-11-25 14:30 CET", "with a zone only as Z or like +01:00"},
		{"zone too far", "2026-11-25 14:30+15:00", "cannot be read"},
		{"zone cut", "2026-11-25 14:30+1", "cannot be read"},
		{"spreadsheet number", "46351.604166", "spreadsheet's own number"},
		{"spreadsheet number, whole", "46351", "spreadsheet's own number"},
		{"words", "tomorrow at noon", "is not a date and time"},
		{"month by name", "25 Nov 2026 14:30", "is not a date and time"},
		{"mixed separators", "25/11-2026 14:30", "is not a date and time"},
		{"other digits", "٢٠٢٦-١١-٢٥ 14:30", "is not a date and time"},
		{"sign", "-2026-11-25 14:30", "is not a date and time"},
		{"markup", "<script>", "“<script>” is not"},
	}
	for _, tt := range bad {
		t.Run(tt.name, func(t *testing.T) {
			got, err := ParseDispatch(tt.text, paris)
			if err == nil || !strings.Contains(err.Error(), tt.want) || say.CodeOf(err) != say.Invalid {
				t.Errorf("ParseDispatch(%q) = %v, %v; want an error with %q", tt.text, got, err, tt.want)
			}
		})
	}
	if got, err := ParseDispatch("2026-11-25 14:30", nil); err != nil || got.Location() != time.UTC {
		t.Errorf("without a location: %v, %v", got, err)
	}
}

// The changes are those of the IANA time zone database; the database itself was
// looked at with zdump -v.
func TestParseDispatchClockChanges(t *testing.T) {
	tests := []struct{ name, zone, text, want string }{
		{"skipped", "Europe/Paris", "2027-03-28 02:30", "There is no such time as “2027-03-28 02:30”: the clocks are put forward over it, to 2027-03-28 03:00."},
		{"first skipped", "Europe/Paris", "2027-03-28 02:00", "to 2027-03-28 03:00"},
		{"before", "Europe/Paris", "2027-03-28 01:59:59", ""},
		{"after", "Europe/Paris", "2027-03-28 03:00", ""},
		{"doubled", "Europe/Paris", "2026-10-25 02:30", "“2026-10-25 02:30” comes twice, as the clocks are put back then. Write 2026-10-25T02:30+02:00 for the first or 2026-10-25T02:30+01:00 for the second."},
		{"first doubled", "Europe/Paris", "2026-10-25 02:00", "comes twice"},
		{"last doubled", "Europe/Paris", "2026-10-25 02:59:59", "comes twice"},
		{"before doubling", "Europe/Paris", "2026-10-25 01:59:59", ""},
		{"after doubling", "Europe/Paris", "2026-10-25 03:00", ""},
		{"doubled but with its zone", "Europe/Paris", "2026-10-25T02:30+01:00", ""},
		{"skipped, west", "America/New_York", "2027-03-14 02:30", "to 2027-03-14 03:00"},
		{"doubled, west", "America/New_York", "2026-11-01 01:30", "2026-11-01T01:30-04:00 for the first or 2026-11-01T01:30-05:00 for the second"},
		{"half an hour skipped", "Australia/Lord_Howe", "2026-10-04 02:15", "to 2026-10-04 02:30"},
		{"half an hour skipped, after", "Australia/Lord_Howe", "2026-10-04 02:30", ""},
		{"half an hour doubled", "Australia/Lord_Howe", "2027-04-04 01:45", "+11:00 for the first or 2027-04-04T01:45+10:30 for the second"},
		{"half an hour doubled, before", "Australia/Lord_Howe", "2027-04-04 01:29", ""},
		{"day skipped", "Pacific/Apia", "2011-12-30 12:00", "to 2011-12-31 00:00"},
		{"no changes", "UTC", "2027-03-28 02:30", ""},
		{"fixed zone", "Etc/GMT-3", "2027-03-28 02:30", ""},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got, err := ParseDispatch(tt.text, zone(t, tt.zone))
			switch {
			case tt.want == "" && err != nil:
				t.Errorf("ParseDispatch(%q, %s): %v", tt.text, tt.zone, err)
			case tt.want != "" && (err == nil || !strings.Contains(err.Error(), tt.want)):
				t.Errorf("ParseDispatch(%q, %s) = %v, %v; want %q", tt.text, tt.zone, got, err, tt.want)
			}
		})
	}
}

// Any moment written with its zone comes back, and without it comes back or is refused.
func TestParseDispatchRoundTrip(t *testing.T) {
	zones := []string{"UTC", "Europe/Paris", "America/New_York", "Australia/Lord_Howe", "Pacific/Apia", "Asia/Kathmandu"}
	zoned := []string{"2006-01-02T15:04:05Z07:00", "2006-01-02 15:04:05-0700", "02/01/2006 15:04:05 -07:00"}
	local := []string{"2006-01-02T15:04:05", "2006-1-2 15:04:05", "02.01.2006 15:04:05", "2-1-2006 15:04:05"}
	rapid.Check(t, func(rt *rapid.T) {
		loc := zone(t, rapid.SampledFrom(zones).Draw(rt, "zone"))
		at := time.Unix(rapid.Int64Range(946771200, 7258032000).Draw(rt, "unix"), 0).In(loc)
		ambiguous := at.Day() <= 12 && at.Day() != int(at.Month())
		f := rapid.SampledFrom(zoned).Draw(rt, "zoned")
		got, err := ParseDispatch(at.Format(f), loc)
		if dayFirst := f[0] == '0'; dayFirst && ambiguous {
			if err == nil {
				rt.Fatalf("ParseDispatch(%q) = %v, want refused", at.Format(f), got)
			}
		} else if err != nil || !got.Equal(at) {
			rt.Fatalf("ParseDispatch(%q) = %v, %v; want %v", at.Format(f), got, err, at)
		}
		f = rapid.SampledFrom(local).Draw(rt, "local")
		got, err = ParseDispatch(at.Format(f), loc)
		if err == nil && !got.Equal(at) {
			rt.Fatalf("ParseDispatch(%q) = %v, want %v or refused", at.Format(f), got, at)
		}
		if err != nil && !strings.Contains(err.Error(), "comes twice") && !(f[0] != '2' || f[:2] == "2-") {
			rt.Fatalf("ParseDispatch(%q): %v", at.Format(f), err)
		}
	})
}

func TestParseCount(t *testing.T) {
	good := map[string]int{"1": 1, " 240 ": 240, "007": 7, "99999": 99999, "100000": 100000, "0000000000000000000000000012": 12}
	for in, want := range good {
		if got, err := ParseCount(in, MaxPackages); err != nil || got != want {
			t.Errorf("ParseCount(%q) = %d, %v; want %d", in, got, err, want)
		}
	}
	bad := []struct{ in, want string }{
		{"", "Nothing is written. Write a whole number from 1 to 100000."},
		{"0", "It reads 0."},
		{"000", "It reads 000."},
		{"-1", "“-1”, a negative number"},
		{"−12", "a negative number"},
		{"+5", "“+5”, which is not a number"},
		{"1,000", "“1,000”, which is one number in some places and another elsewhere"},
		{"1.000", "one number in some places"},
		{"1 000", "“1 000”, with separators between the digits. Write the digits alone"},
		{"1\u202f000", "with separators"},
		{"12'000", "with separators"},
		{"1,000,000", "with separators"},
		{"1.000,000", "with separators"},
		{"2.5", "not a whole number"},
		{"2,0", "not a whole number"},
		{"2.", "not a whole number"},
		{".5", "not a whole number"},
		{"1e3", "which is not a number"},
		{"0x10", "which is not a number"},
		{"twelve", "“twelve”, which is not a number"},
		{"١٢", "with the digits 0 to 9"},
		{"１２", "with the digits 0 to 9"},
		{"12 pcs", "which is not a number"},
		{"100001", "100001, which is more than 100000"},
		{"99999999999999999999999", "more than 100000"},
	}
	for _, tt := range bad {
		if got, err := ParseCount(tt.in, MaxPackages); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("ParseCount(%q) = %d, %v; want an error with %q", tt.in, got, err, tt.want)
		}
	}
}

func TestParseRefs(t *testing.T) {
	good := []struct{ in, want string }{
		{"T001", "T001"},
		{"T001 T002|T003+T009", "T001 T002 T003 T009"},
		{" T2 |  T1 ", "T2 T1"},
		{"T001-T004", "T001 T002 T003 T004"},
		{"T001–T003", "T001 T002 T003"},
		{"T9-T11", "T9 T10 T11"},
		{"T099-T101", "T099 T100 T101"},
		{"7-9", "7 8 9"},
		{"T5-T5", "T5"},
		{"B12-3", "B12-3"},
		{"B12-003-B12-005", "B12-003 B12-004 B12-005"},
		{"rot-blau", "rot-blau"},
		{"T1\nT2\tT3", "T1 T2 T3"},
		{"é1-é3", "é1 é2 é3"},
		{"<b>1", "<b>1"},
	}
	for _, tt := range good {
		got, err := ParseRefs(tt.in)
		if err != nil || strings.Join(got, " ") != tt.want {
			t.Errorf("ParseRefs(%q) = %q, %v; want %q", tt.in, got, err, tt.want)
		}
	}
	if got, err := ParseRefs("1-100000"); err != nil || len(got) != MaxPackages {
		t.Errorf("ParseRefs(1-100000) has %d references, %v", len(got), err)
	}
	bad := []struct{ in, want string }{
		{"", "The list names no package."},
		{" | + ", "The list names no package."},
		{"T1 T2 T1", "T1 is in the list twice."},
		{"T1-T9 T3-T5", "3 references are in the list more than once, first T3."},
		{"T9-T1", "“T9-T1” runs backwards"},
		{"T001-T36", "different numbers of digits"},
		{"T001-036", "For a range write T001-T036; for one reference leave out the hyphen."},
		{"T001 - T036", "“-” does not name a package"},
		{"T001- T036", "does not name a package"},
		{"T001 to T036", "“to” does not name a package"},
		{"T001..T036", "does not name a package"},
		{"T001,T002", "holds a comma or semicolon"},
		{"T1-T100001", "more than 100000 packages"},
		{"A1-A60000 B1-B60000", "more than 100000 packages"},
		{"1-999999999999999999999999", "too long"},
		{strings.Repeat("T", 65), "too long for a reference"},
		{strings.Repeat("T", 64) + "1-" + strings.Repeat("T", 64) + "2", "too long for a reference"},
		{strings.Repeat("T", 500), "too long for a reference"},
	}
	for _, tt := range bad {
		if got, err := ParseRefs(tt.in); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("ParseRefs(%q) = %d references, %v; want an error with %q", tt.in, len(got), err, tt.want)
		}
	}
}

func TestCleanText(t *testing.T) {
	tests := []struct{ name, in, want string }{
		{"plain", "Viola", "Viola"},
		{"ends", " \t Viola\u00a0\n", "Viola"},
		{"line breaks", "a\r\nb\nc\rd\u2028e\u0085f", "a b c d e f"},
		{"controls", "a\x00b\x1b[31mc\x7f", "a b [31mc"},
		{"overrides", "a\u202egnp.exe\u202c\u2066x\u2069", "agnp.exex"},
		{"order mark", "\ufeffK-1", "K-1"},
		{"quotation marks", `5" pot 'Grosso' ""`, `5" pot 'Grosso' ""`},
		{"markup", "<script>alert(1)</script>", "<script>alert(1)</script>"},
		{"right to left", "ورد \u200fאבג\u200e", "ورد \u200fאבג\u200e"},
		{"emoji joined", "👩🏽\u200d🌾 🌸", "👩🏽\u200d🌾 🌸"},
		{"inner spaces stay", "a  b", "a  b"},
		{"not UTF-8", "a\xffb", "a\ufffdb"},
		{"empty", "\n\t", ""},
	}
	for _, tt := range tests {
		got, err := CleanText(tt.in)
		if err != nil || got != tt.want {
			t.Errorf("%s: CleanText(%q) = %q, %v; want %q", tt.name, tt.in, got, err, tt.want)
		}
	}
	if _, err := CleanText(strings.Repeat("🌸", MaxText) + " "); err != nil {
		t.Errorf("200 characters: %v", err)
	}
	if _, err := CleanText(strings.Repeat("🌸", MaxText+1)); err == nil {
		t.Error("201 characters are not refused")
	}
}

func TestCleanTextProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		in := string(rapid.SliceOfN(rapid.Byte(), 0, 300).Draw(t, "bytes"))
		if rapid.Bool().Draw(t, "valid") {
			in = rapid.String().Draw(t, "text")
		}
		got, err := CleanText(in)
		if err != nil {
			return
		}
		if again, err := CleanText(got); err != nil || again != got {
			t.Fatalf("CleanText(CleanText(%q)) = %q, %v; want %q", in, again, err, got)
		}
		if !utf8.ValidString(got) || strings.ContainsFunc(got, unicode.IsControl) || strings.ContainsAny(got, "\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069") {
			t.Fatalf("CleanText(%q) = %q", in, got)
		}
	})
}

func TestShown(t *testing.T) {
	tests := []struct{ in, want string }{
		{"short", "short"},
		{strings.Repeat("é", 60), strings.Repeat("é", 60)},
		{strings.Repeat("é", 61), strings.Repeat("é", 60) + "…"},
		{strings.Repeat("🌸", 1<<20), strings.Repeat("🌸", 60) + "…"},
		{"a\nb\u202e", "a b"},
	}
	for _, tt := range tests {
		if got := shown(tt.in); got != tt.want {
			t.Errorf("shown(%.20q) = %q, want %q", tt.in, got, tt.want)
		}
	}
}
