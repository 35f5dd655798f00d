package consignment

import (
	"time"

	"lastlook/internal/ladder"
	"lastlook/internal/say"
)

// Part is the part of the plant, or of what it travels in, where a sign is seen.
type Part string

// The parts of the plant drawing.
const (
	PartShootTip  Part = "shoot_tip"
	PartBud       Part = "bud"
	PartFlower    Part = "flower"
	PartFruit     Part = "fruit"
	PartLeafUpper Part = "leaf_upper"
	PartLeafLower Part = "leaf_lower"
	PartStem      Part = "stem"
	PartBark      Part = "bark"
	PartMedium    Part = "growing_medium"
	PartRoot      Part = "root"
	PartContainer Part = "container"
	PartPackage   Part = "package" // the emptied package itself
)

// Parts lists the parts in the order of the drawing, top to bottom.
var Parts = []Part{PartShootTip, PartBud, PartFlower, PartFruit, PartLeafUpper, PartLeafLower, PartStem, PartBark, PartMedium, PartRoot, PartContainer, PartPackage}

var partWords = map[Part]say.Text{
	PartShootTip:  say.T("Shoot tip"),
	PartBud:       say.T("Bud"),
	PartFlower:    say.T("Flower"),
	PartFruit:     say.T("Fruit"),
	PartLeafUpper: say.T("Leaf, above"),
	PartLeafLower: say.T("Leaf, below"),
	PartStem:      say.T("Stem"),
	PartBark:      say.T("Bark"),
	PartMedium:    say.T("Growing medium"),
	PartRoot:      say.T("Root"),
	PartContainer: say.T("Container"),
	PartPackage:   say.T("Package itself"),
}

// Words names the part.
func (p Part) Words() say.Text { return partWords[p] }

// What says what was seen, as far as it goes without a name.
type What string

// What can be seen. Suspect is the one-press way to a stop: a suspected
// quarantine pest, described afterwards or not at all.
const (
	Soil          What = "soil"
	Weed          What = "weed"
	LivePest      What = "live_pest"
	Disease       What = "disease_sign"
	Damage        What = "damage"
	Beneficial    What = "beneficial"
	NotIdentified What = "not_identified"
	Suspect       What = "suspect"
)

// Whats lists what can be seen, in the order in which screens offer it.
var Whats = []What{Soil, Weed, LivePest, Disease, Damage, Beneficial, NotIdentified, Suspect}

var whatWords = map[What]say.Text{
	Soil:          say.T("Soil"),
	Weed:          say.T("Weed"),
	LivePest:      say.T("Pest"),
	Disease:       say.T("Disease sign"),
	Damage:        say.T("Damage"),
	Beneficial:    say.T("Beneficial"),
	NotIdentified: say.T("I don't know"),
	Suspect:       say.T("Suspected quarantine pest"),
}

// Words names what was seen.
func (w What) Words() say.Text { return whatWords[w] }

// Alive says whether what was seen is alive or, for a disease sign, active.
type Alive string

// The answers. NotTold never counts as no.
const (
	AliveYes Alive = "yes"
	AliveNo  Alive = "no"
	NotTold  Alive = "not_told"
)

// Alives lists the answers.
var Alives = []Alive{AliveYes, AliveNo, NotTold}

var aliveWords = map[Alive]say.Text{
	AliveYes: say.T("Alive, moving or active"),
	AliveNo:  say.T("Dead, dry or old"),
	NotTold:  say.T("Cannot tell"),
}

// Words names the answer.
func (a Alive) Words() say.Text { return aliveWords[a] }

// Method says how something was seen.
type Method string

// The methods: common practice at a bench.
const (
	ByEye          Method = "eye"
	ByHandLens     Method = "hand_lens"
	ByBeating      Method = "white_tray"
	UnderContainer Method = "under_container"
	AtRootBall     Method = "root_ball"
)

// Methods lists the methods.
var Methods = []Method{ByEye, ByHandLens, ByBeating, UnderContainer, AtRootBall}

var methodWords = map[Method]say.Text{
	ByEye:          say.T("By eye"),
	ByHandLens:     say.T("With the hand lens"),
	ByBeating:      say.T("By beating over the white tray"),
	UnderContainer: say.T("Under the container"),
	AtRootBall:     say.T("At the root ball"),
}

// Words names the method.
func (m Method) Words() say.Text { return methodWords[m] }

// FindFacts is one observation: where, what, how many units, alive or not, how seen.
type FindFacts struct {
	Package int    `json:"package"`        // number of the package
	Unit    int    `json:"unit,omitempty"` // number of the unit; 0 means the empty package itself
	Part    Part   `json:"part"`
	What    What   `json:"what"`
	Units   int    `json:"units"` // units of the package that show it, at least 1
	Alive   Alive  `json:"alive"`
	Method  Method `json:"method"`
	Note    string `json:"note,omitempty"`
	// Photos are the SHA-256 hashes, in hex, of the stored pictures.
	Photos []string `json:"photos,omitempty"`
	// Entry is the reference entry chosen, if any, pinned to the revision it had.
	Entry *EntryPin `json:"entry,omitempty"`
}

// EntryPin names a reference entry at one revision, with what it advised for
// this destination, so that the decision can be redone from the record alone.
type EntryPin struct {
	ID       string      `json:"id"`
	Name     string      `json:"name"`
	Revision int         `json:"revision"`
	Hash     string      `json:"hash"` // SHA-256 of the revision's canonical form, hex
	Kind     string      `json:"kind"` // kind of organism, in the reference's words
	Rung     ladder.Rung `json:"rung"` // what the entry asks for at this destination, look-alikes considered
	Reasons  []say.Text  `json:"reasons,omitempty"`
}

// WhatOf says what a find put down to an entry is, from the kind of organism or
// cause in the reference's words. Mosses and algae count as weeds: plants that
// were not sold. "" is an unknown kind.
func WhatOf(kind string) What {
	switch kind {
	case "insect", "mite", "nematode", "mollusc":
		return LivePest
	case "fungus", "oomycete", "bacterium", "phytoplasma", "virus":
		return Disease
	case "weed", "bryophyte_alga":
		return Weed
	case "abiotic":
		return Damage
	case "beneficial":
		return Beneficial
	}
	return ""
}

// Advice is the decision on one find, with its reasons as sentences.
type Advice struct {
	Rung    ladder.Rung `json:"rung"`
	Reasons []say.Text  `json:"reasons"`
}

// Find is a find as recorded: the facts, what was advised, and the rung in force.
type Find struct {
	ID     int // 1, 2, 3 … within the round
	Event  int // version of the event that recorded it
	Facts  FindFacts
	Advice Advice
	Rung   ladder.Rung // in force: chosen by the inspector, never below the advice unless lowered
	// Lowered is set when a supervisor went down the ladder.
	Lowered *Lowering
	// Answered is the newest decision with the result of a sample.
	Answered *FindAnswered
	At       time.Time
	By       Actor
	Amended  bool // the facts shown are amended ones
}

// Lowering is a supervisor's way down the ladder.
type Lowering struct {
	From, To ladder.Rung
	Reason   string
	By       Actor
	At       time.Time
}

// Advise decides one find. It is a pure function of the facts, the reference
// entry pinned in them (which already carries what destination lists and
// look-alikes ask for) and the rule set.
//
// The order is that of the ladder, from the top: a suspected quarantine pest
// stops; what is not identified is sampled and held (ISPM 23, Guidelines for
// inspection); soil, a weed, a live pest or active disease rejects (common
// practice); anything else is noted. "I don't know" never means note, and a
// question left open never counts as harmless.
//
// A named entry knows more than the word for what was seen: springtails are
// noted though they are alive. So where the word is no more than the kind of the
// entry, the entry alone decides; where it says something else, both count and
// the higher rung stands.
func Advise(f FindFacts, _ RuleSet) Advice {
	var a Advice
	add := func(r ladder.Rung, reason say.Text) {
		if r > a.Rung {
			a.Rung, a.Reasons = r, nil
		}
		if r == a.Rung {
			a.Reasons = append(a.Reasons, reason)
		}
	}
	if f.What == Suspect {
		add(ladder.Stop, say.T("A quarantine pest is suspected: everything stays where it is until the supervisor answers."))
	}
	if f.What == NotIdentified && f.Entry == nil {
		add(ladder.Sample, say.T("It is not identified: collect a sample, and hold until it is."))
	}
	if e := f.Entry; e != nil {
		switch {
		case e.Rung == ladder.Reject && f.Alive == AliveNo && e.Kind != "weed":
			add(ladder.Note, say.T("%s is named, but dead, dry or old: note it and look closer for live ones.", e.Name))
		case e.Rung.Valid():
			for _, r := range e.Reasons {
				add(e.Rung, r)
			}
			if len(e.Reasons) == 0 {
				add(e.Rung, say.T("The reference asks for this at %s.", e.Name))
			}
		default:
			add(ladder.Sample, say.T("The reference does not say what to do about %s: collect a sample.", e.Name))
		}
	}
	if e := f.Entry; e != nil && e.Rung.Valid() && f.What == WhatOf(e.Kind) && !(f.What == Damage && f.Alive == AliveYes) {
		return a // something alive at damage without life is another matter
	}
	switch f.What {
	case Soil:
		add(ladder.Reject, say.T("Soil is in the goods."))
	case Weed:
		// A dead weed still carries seed and root, so "dead" does not lower it.
		add(ladder.Reject, say.T("A weed is in the goods."))
	case LivePest:
		if f.Alive == AliveNo {
			add(ladder.Note, say.T("The pest is dead: note it and look closer for live ones."))
		} else {
			add(ladder.Reject, alive(f, say.T("A live pest is in the goods."), say.T("A pest that may be alive is in the goods.")))
		}
	case Disease:
		if f.Alive == AliveNo {
			add(ladder.Note, say.T("The disease sign is old and dry: note it and look closer for active ones."))
		} else {
			add(ladder.Reject, alive(f, say.T("Active disease is in the goods."), say.T("Disease that may be active is in the goods.")))
		}
	case Damage:
		if f.Alive == AliveYes {
			add(ladder.Reject, say.T("Something alive is at the damage: a live pest is in the goods."))
		} else {
			add(ladder.Note, say.T("Damage without a live cause: note it and look closer for what made it."))
		}
	case Beneficial:
		add(ladder.Note, say.T("A beneficial is no pest: note it, and look for what it feeds on."))
	}
	return a
}

func alive(f FindFacts, yes, maybe say.Text) say.Text {
	if f.Alive == AliveYes {
		return yes
	}
	return maybe
}
