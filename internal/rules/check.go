package rules

import (
	"regexp"
	"slices"
	"strings"
	"unicode/utf8"

	"lastlook/internal/consignment"
	"lastlook/internal/sampling"
	"lastlook/internal/say"
)

// The bounds of a rule set. Beyond them something was mistyped.
const (
	MaxWindowHours = 31 * 24
	MaxItems       = 40
	MaxItemWords   = 200
	MaxYears       = 100
	maxMinutes     = 24 * 60
	maxSeconds     = 24 * 60 * 60
)

var itemID = regexp.MustCompile(`^[a-z][a-z0-9_]{0,39}$`)

// Check lists all that is wrong with a rule set, each with the field it concerns:
// the JSON name in a file that [Write] gives. An empty list means it can be used.
func Check(r consignment.RuleSet) []*say.Refusal {
	var out []*say.Refusal
	wrong := func(field, key string, args ...any) {
		out = append(out, say.Refuse(say.Invalid, key, args...).For(field))
	}
	switch {
	case r.Rate <= 0:
		wrong("rate", "A rate of %v %% examines nothing. Use a rate above 0 %%, for instance 2 %%.", r.Rate.Percent())
	case r.Rate > sampling.Whole:
		wrong("rate", "A rate of %v %% is more than all packages. Use at most 100 %%.", r.Rate.Percent())
	}
	switch {
	case r.Minimum < 1:
		wrong("minimum", "A minimum of %d would allow a consignment to go unexamined. Use at least 1.", r.Minimum)
	case r.Minimum > consignment.MaxPackages:
		wrong("minimum", "A minimum of %d is more than a consignment may have (%d packages). Use a smaller number.", r.Minimum, consignment.MaxPackages)
	}
	switch {
	case r.WindowHours < 1:
		wrong("window_hours", "A window of %d hours leaves no time between inspection and dispatch. Use at least 1 hour, for instance 72.", r.WindowHours)
	case r.WindowHours > MaxWindowHours:
		wrong("window_hours", "A window of %d hours is longer than 31 days: what was seen then says nothing about now. Use at most %d hours.", r.WindowHours, MaxWindowHours)
	}
	checkLooks(r.Looks, wrong)
	checkItems("before", r.Before, false, wrong)
	checkItems("after", r.After, true, wrong)
	checkItems("store", r.Store, false, wrong)
	switch {
	case r.DetailConfidence <= 0:
		wrong("detail_confidence", "A confidence of %v %% promises nothing. Use for instance 95 %%.", r.DetailConfidence.Percent())
	case r.DetailConfidence >= sampling.Whole:
		wrong("detail_confidence", "A confidence of %v %% is out of reach of any sample. Use for instance 95 %% or 99 %%.", r.DetailConfidence.Percent())
	}
	switch {
	case r.DetailDetect <= 0:
		wrong("detail_detect", "A level of detection of %v %% leaves nothing to detect. Use for instance 5 %%.", r.DetailDetect.Percent())
	case r.DetailDetect > sampling.Whole:
		wrong("detail_detect", "A level of detection of %v %% is more than all packages. Use at most 100 %%.", r.DetailDetect.Percent())
	}
	if !slices.Contains(Removals, r.RemoveInfested) {
		wrong("remove_infested", "Choose when infested packages may be taken out.")
	}
	number := func(field string, n, most int) {
		switch {
		case n < 0:
			wrong(field, "%d is less than nothing. Use 0 or more.", n)
		case n > most:
			wrong(field, "%d is longer than a day. Use at most %d.", n, most)
		}
	}
	number("minutes_per_round", r.MinutesPerRound, maxMinutes)
	number("seconds_per_package", r.SecondsPerPackage, maxSeconds)
	number("seconds_per_unit", r.SecondsPerUnit, maxSeconds)
	switch {
	case r.RetentionYears < 1:
		wrong("retention_years", "%d years would keep no record. Use at least 1 year; local law says how many.", r.RetentionYears)
	case r.RetentionYears > MaxYears:
		wrong("retention_years", "%d years are more than can be promised. Use at most %d.", r.RetentionYears, MaxYears)
	}
	for i, d := range r.TwoPeople {
		if !slices.Contains(consignment.Duties, d) || slices.Contains(r.TwoPeople[:i], d) {
			wrong("two_people", "%q is nothing that two people can be asked for, or is there twice. Take it out.", string(d))
			break
		}
	}
	return out
}

// Removals lists the rules on taking infested packages out, as they are offered.
var Removals = []consignment.Removal{consignment.RemoveNever, consignment.RemoveAfterDetail, consignment.RemoveAlways}

// Looks lists the looks that can be asked for.
func Looks() []consignment.Look { return consignment.DefaultRules().Looks }

func checkLooks(looks []consignment.Look, wrong func(string, string, ...any)) {
	if len(looks) == 0 {
		wrong("looks", "No look is chosen: a package would be opened and not looked at. Choose at least one.")
		return
	}
	for i, l := range looks {
		if !slices.Contains(Looks(), l) {
			wrong("looks", "%q is no look that this version knows. Take it out.", string(l))
			return
		}
		if slices.Contains(looks[:i], l) {
			wrong("looks", "The look %q is there twice. Take one out.", string(l))
			return
		}
	}
}

func checkItems(field string, items []consignment.CheckItem, mayReject bool, wrong func(string, string, ...any)) {
	switch {
	case len(items) == 0:
		wrong(field, "The list is empty: keep at least one line.")
		return
	case len(items) > MaxItems:
		wrong(field, "%d lines are more than anybody answers. Keep at most %d.", len(items), MaxItems)
		return
	}
	seen := map[string]int{}
	for i, it := range items {
		words := it.Words.String()
		switch {
		case !itemID.MatchString(it.ID):
			wrong(field, "Line %d: %q is no id. Begin with a small letter, use small letters, digits and _ only, like no_soil, and a colon behind it.", i+1, it.ID)
			return
		case seen[it.ID] > 0:
			wrong(field, "Line %d: the id %s stands on line %d already. Give it another.", i+1, it.ID, seen[it.ID])
			return
		case strings.TrimSpace(words) == "":
			wrong(field, "Line %d: there are no words behind %s. Write what is checked.", i+1, it.ID)
			return
		case utf8.RuneCountInString(words) > MaxItemWords:
			wrong(field, "Line %d is longer than %d characters: shorten it.", i+1, MaxItemWords)
			return
		case it.Rejects && !mayReject:
			wrong(field, "Line %d: only the check after the inspection can reject. Take the ! out.", i+1)
			return
		}
		seen[it.ID] = i + 1
	}
}
