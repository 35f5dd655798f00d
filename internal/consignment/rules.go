package consignment

import (
	"time"

	"lastlook/internal/sampling"
	"lastlook/internal/say"
)

// RuleSet holds the numbers and lists in force for a round. A round keeps the
// whole rule set it ran under, so that its record can be read years later.
type RuleSet struct {
	Version int           `json:"version"`
	Rate    sampling.Rate `json:"rate"`    // share of the packages to examine, rounded up
	Minimum int           `json:"minimum"` // but at least so many packages
	Spread  bool          `json:"spread"`  // spread the draw over crop lines in proportion
	// Window is the longest time from the first package opened to dispatch.
	WindowHours int         `json:"window_hours"`
	Looks       []Look      `json:"looks"`  // the looks to make at every unit
	Before      []CheckItem `json:"before"` // the bench check before the first package
	After       []CheckItem `json:"after"`  // the bench check after the last one
	// Store is the check of the store of goods that passed.
	Store []CheckItem `json:"store,omitempty"`
	// DetailConfidence and DetailDetect are the demand on the sample of the crop lines
	// not affected, when rejected goods are examined in detail (ISPM 31).
	DetailConfidence sampling.Rate `json:"detail_confidence,omitzero"`
	DetailDetect     sampling.Rate `json:"detail_detect,omitzero"`
	// RemoveInfested says whether infested packages may be taken out and the rest be
	// inspected again.
	RemoveInfested Removal `json:"remove_infested,omitempty"`
	// Expected bench minutes, to tell when to start: our own estimate until the
	// nursery has a history.
	MinutesPerRound   int `json:"minutes_per_round"`
	SecondsPerPackage int `json:"seconds_per_package"`
	SecondsPerUnit    int `json:"seconds_per_unit"`
	// RetentionYears is how many years the record is kept at least, from the end of
	// the round. It is said on the record; nothing is ever deleted when they are over.
	// 0 is in rounds from before there was this rule.
	RetentionYears int `json:"retention_years,omitempty"`
	// TwoPeople lists what one supervisor does not do alone.
	TwoPeople []Duty `json:"two_people,omitempty"`
}

// Duty is something for which a rule set may ask for two supervisors.
type Duty string

// DutyRules is changing the rules themselves.
const DutyRules Duty = "rules"

// Duties lists the duties, as they are offered.
var Duties = []Duty{DutyRules}

// Words names the duty.
func (d Duty) Words() say.Text {
	if d == DutyRules {
		return say.T("changing the rules")
	}
	return say.T("%s", string(d))
}

// Removal says when infested packages may be taken out of a consignment so that the
// rest is inspected again.
type Removal string

// The rules on removal. "" is RemoveAfterDetail.
const (
	RemoveNever       Removal = "never"
	RemoveAfterDetail Removal = "after_detail" // once the detailed examination is finished
	RemoveAlways      Removal = "always"
)

// Words says the rule.
func (r Removal) Words() say.Text {
	switch r {
	case RemoveNever:
		return say.T("never")
	case RemoveAlways:
		return say.T("at any time after the rejection")
	}
	return say.T("once the detailed examination is finished")
}

// StoreItems is the check of the store; rule sets from before there was one have
// the shipped one.
func (r RuleSet) StoreItems() []CheckItem {
	if len(r.Store) > 0 {
		return r.Store
	}
	return storeItems
}

// storeItems are common practice.
var storeItems = []CheckItem{
	{ID: "apart", Words: say.T("It stands at least 1 m from goods not inspected")},
	{ID: "off_soil", Words: say.T("It stands off soil and run-off water")},
	{ID: "area_free", Words: say.T("The area around it is free of pests and weeds")},
}

// Window is the longest time from the first package opened to dispatch.
func (r RuleSet) Window() time.Duration { return time.Duration(r.WindowHours) * time.Hour }

// Look is one look to make at every unit of a package.
type Look string

// The looks of the shipped rule set: common practice.
const (
	LookStems     Look = "stems"
	LookLeafAbove Look = "leaf_upper"
	LookLeafBelow Look = "leaf_lower"
	LookFlowers   Look = "flowers"
	LookMedium    Look = "growing_medium"
)

var lookWords = map[Look]say.Text{
	LookStems:     say.T("Stems and shoot tips"),
	LookLeafAbove: say.T("Leaves, above"),
	LookLeafBelow: say.T("Leaves, below"),
	LookFlowers:   say.T("Flowers and buds"),
	LookMedium:    say.T("Growing-medium surface"),
}

// Words names the look on screen and paper.
func (l Look) Words() say.Text {
	if t, ok := lookWords[l]; ok {
		return t
	}
	return say.T("%s", string(l))
}

// CheckItem is one line of a bench check. A "no" to an item that Rejects means
// soil, a weed or a live pest on the bench after the inspection: the round can
// then only end rejected. A "no" to any other item must be put right first.
type CheckItem struct {
	ID      string   `json:"id"`
	Words   say.Text `json:"words"`
	Rejects bool     `json:"rejects,omitempty"`
}

// DefaultRules is the shipped rule set, version 1. The numbers are common
// practice in nursery dispatch inspection; each can be changed by the supervisor.
// How long records are kept is set by local law; 7 years is common practice.
func DefaultRules() RuleSet {
	return RuleSet{
		Version:     1,
		Rate:        2 * sampling.Percent,
		Minimum:     3,
		Spread:      true,
		WindowHours: 72,
		Looks:       []Look{LookStems, LookLeafAbove, LookLeafBelow, LookFlowers, LookMedium},
		Before: []CheckItem{
			{ID: "clean", Words: say.T("Bench and floor around it are clean")},
			{ID: "lit", Words: say.T("Bench is well lit")},
			{ID: "pest_free", Words: say.T("No pests, weeds or soil on or near the bench")},
			{ID: "hand_lens", Words: say.T("Hand lens is here")},
			{ID: "white_tray", Words: say.T("White tray is here, and clean")},
			{ID: "torch", Words: say.T("Torch is here, and works")},
			{ID: "sample_bags", Words: say.T("Sample bags and vials are here")},
			{ID: "gloves", Words: say.T("Clean gloves are on")},
			{ID: "sanitiser", Words: say.T("Sanitiser is here")},
			{ID: "labels", Words: say.T("Labels and a marker are here")},
		},
		After: []CheckItem{
			{ID: "no_soil", Words: say.T("No soil was left on the bench"), Rejects: true},
			{ID: "no_weed", Words: say.T("No weed or weed seed was left on the bench"), Rejects: true},
			{ID: "no_live_pest", Words: say.T("No live pest is on the bench"), Rejects: true},
			{ID: "waste_bagged", Words: say.T("Plant waste is bagged")},
			{ID: "tools_clean", Words: say.T("Tray, lens and tools are wiped with sanitiser")},
		},
		Store:             storeItems,
		DetailConfidence:  sampling.DefaultConfidence,
		DetailDetect:      5 * sampling.Percent,
		RemoveInfested:    RemoveAfterDetail,
		MinutesPerRound:   15,
		SecondsPerPackage: 60,
		SecondsPerUnit:    20,
		RetentionYears:    7,
		TwoPeople:         []Duty{DutyRules},
	}
}
