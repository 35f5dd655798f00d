package reference

import "lastlook/internal/say"

// Part is the part of the plant, or of what it grows in, where a sign is seen.
type Part string

// Kind is the kind of organism or cause an entry describes.
type Kind string

// Seen is what kind of thing a sign is: the first word of an observation.
type Seen string

// Colour of the thing seen.
type Colour string

// Size of the thing seen, in steps a person can judge without a ruler.
type Size string

// Moving is how an animal moves when disturbed.
type Moving string

// Often is how often plants with this trouble show the sign.
type Often string

// Exam is a way of examining that finds the trouble.
type Exam string

// By is what it takes to tell two entries apart.
type By string

// term is one word of a vocabulary with what people read for it.
type term[T ~string] struct {
	id    T
	words say.Text
}

// vocabulary keeps the terms in the order in which screens offer them.
type vocabulary[T ~string] []term[T]

func (v vocabulary[T]) has(id T) bool {
	for _, t := range v {
		if t.id == id {
			return true
		}
	}
	return false
}

func (v vocabulary[T]) words(id T) say.Text {
	for _, t := range v {
		if t.id == id {
			return t.words
		}
	}
	return say.T("%s", string(id))
}

func (v vocabulary[T]) ids() []T {
	out := make([]T, len(v))
	for i, t := range v {
		out[i] = t.id
	}
	return out
}

// The parts, from the top of the plant down. WholePlant is no place one can
// touch: it stands for signs of the plant as a whole.
const (
	ShootTip      Part = "shoot_tip"
	Bud           Part = "bud"
	Flower        Part = "flower"
	Fruit         Part = "fruit"
	LeafUpper     Part = "leaf_upper"
	LeafLower     Part = "leaf_lower"
	Stem          Part = "stem"
	Bark          Part = "bark"
	GrowingMedium Part = "growing_medium"
	Root          Part = "root"
	Container     Part = "container"
	WholePlant    Part = "whole_plant"
)

var parts = vocabulary[Part]{
	{ShootTip, say.T("Shoot tip")},
	{Bud, say.T("Bud")},
	{Flower, say.T("Flower")},
	{Fruit, say.T("Fruit")},
	{LeafUpper, say.T("Leaf, above")},
	{LeafLower, say.T("Leaf, below")},
	{Stem, say.T("Stem")},
	{Bark, say.T("Bark")},
	{GrowingMedium, say.T("Growing medium")},
	{Root, say.T("Root")},
	{Container, say.T("Container")},
	{WholePlant, say.T("Whole plant")},
}

// Parts lists the parts, from the top of the plant down.
func Parts() []Part { return parts.ids() }

// Words names the part.
func (p Part) Words() say.Text { return parts.words(p) }

// The kinds.
const (
	Insect      Kind = "insect"
	Mite        Kind = "mite"
	Nematode    Kind = "nematode"
	Mollusc     Kind = "mollusc"
	Fungus      Kind = "fungus"
	Oomycete    Kind = "oomycete"
	Bacterium   Kind = "bacterium"
	Phytoplasma Kind = "phytoplasma"
	Virus       Kind = "virus"
	WeedPlant   Kind = "weed"
	MossAlga    Kind = "bryophyte_alga"
	Abiotic     Kind = "abiotic"
	Beneficial  Kind = "beneficial"
)

var kinds = vocabulary[Kind]{
	{Insect, say.T("Insect")},
	{Mite, say.T("Mite")},
	{Nematode, say.T("Nematode")},
	{Mollusc, say.T("Slug or snail")},
	{Fungus, say.T("Fungus")},
	{Oomycete, say.T("Water mould")},
	{Bacterium, say.T("Bacterium")},
	{Phytoplasma, say.T("Phytoplasma")},
	{Virus, say.T("Virus or viroid")},
	{WeedPlant, say.T("Weed")},
	{MossAlga, say.T("Moss, liverwort or alga")},
	{Abiotic, say.T("Not alive: growing conditions or material")},
	{Beneficial, say.T("Beneficial")},
}

// Kinds lists the kinds.
func Kinds() []Kind { return kinds.ids() }

// Words names the kind.
func (k Kind) Words() say.Text { return kinds.words(k) }

// What can be seen. The groups are: animals, what animals leave, damage by
// feeding, changes of colour, spots and growths of disease, changes of form, roots,
// weeds, and things in or on the growing medium.
var seens = vocabulary[Seen]{
	{"insect_winged", say.T("Insects with wings")},
	{"insect_wingless", say.T("Insects without wings")},
	{"caterpillar", say.T("Caterpillar")},
	{"grub", say.T("Grub or maggot")},
	{"pupae", say.T("Pupae or cocoons")},
	{"eggs", say.T("Eggs")},
	{"mite_specks", say.T("Moving specks, like mites")},
	{"snail_slug", say.T("Slug or snail")},
	{"ants", say.T("Ants")},
	{"spider", say.T("Spider")},
	{"cast_skins", say.T("Empty skins")},
	{"waxy_wool", say.T("White wax or wool")},
	{"scale_bumps", say.T("Bumps that scrape off")},
	{"fine_webbing", say.T("Fine webbing")},
	{"silk_shelter", say.T("Leaves tied or rolled with silk")},
	{"frass_sawdust", say.T("Droppings or sawdust")},
	{"black_specks", say.T("Black specks")},
	{"sticky_film", say.T("Sticky film")},
	{"sooty_film", say.T("Black sooty film")},
	{"leaf_trails", say.T("Trails inside the leaf")},
	{"chewed_holes", say.T("Chewed holes")},
	{"notched_edge", say.T("Notches in the leaf edge")},
	{"bored_holes", say.T("Bored holes")},
	{"skeletonised", say.T("Leaf eaten to a net")},
	{"stippling", say.T("Fine pale speckling")},
	{"silvering", say.T("Silvery patches")},
	{"bronzing", say.T("Bronzing")},
	{"yellowing_overall", say.T("Yellow all over")},
	{"yellowing_between_veins", say.T("Yellow between green veins")},
	{"yellow_veins", say.T("Yellow veins")},
	{"mosaic_mottle", say.T("Mosaic or mottle")},
	{"ring_pattern", say.T("Rings or line patterns")},
	{"pale_pattern", say.T("Pale pattern")},
	{"leaf_spots", say.T("Spots")},
	{"spots_with_halo", say.T("Spots with a pale ring")},
	{"angular_patches", say.T("Patches with straight edges")},
	{"water_soaked", say.T("Wet-looking patches")},
	{"scorched_edge", say.T("Scorched edges or tips")},
	{"blotch", say.T("Blotches")},
	{"petal_marks", say.T("Marks on petals")},
	{"rust_pustules", say.T("Pustules of rust")},
	{"powder_coating", say.T("Powdery coating")},
	{"fuzzy_mould", say.T("Fuzzy mould")},
	{"white_crust", say.T("White crust")},
	{"green_film", say.T("Green film, moss or slime")},
	{"fruiting_bodies", say.T("Mushrooms, cups or pinheads")},
	{"fungal_threads", say.T("White threads")},
	{"residue_deposit", say.T("Residue on the surface")},
	{"wilting", say.T("Wilting")},
	{"dieback", say.T("Dieback")},
	{"leaf_drop", say.T("Leaves dropping")},
	{"soft_rot", say.T("Soft rot")},
	{"sunken_canker", say.T("Sunken or split bark")},
	{"ooze_gum", say.T("Ooze or gum")},
	{"stain_under_bark", say.T("Stain inside the stem or under bark")},
	{"gall_swelling", say.T("Galls or swellings")},
	{"corky_bumps", say.T("Corky bumps")},
	{"curled_distorted", say.T("Curled or twisted growth")},
	{"stunted", say.T("Stunted growth")},
	{"witches_broom", say.T("Tuft of crowded shoots")},
	{"bud_damage", say.T("Damaged buds")},
	{"fruit_damage", say.T("Damaged fruit")},
	{"brown_roots", say.T("Brown or black roots")},
	{"root_knots", say.T("Knots in the roots")},
	{"root_lumps", say.T("Lumps or beads on the roots")},
	{"weed_seedling", say.T("Weed seedling")},
	{"weed_plant", say.T("Weed")},
	{"seed_pods", say.T("Seed pods or heads")},
	{"runners_tubers", say.T("Runners, bulbs or tubers")},
	{"nest_soil_mound", say.T("Nest or heap of loose soil")},
	{"beads_in_medium", say.T("Beads or grains in the growing medium")},
}

// Seens lists what can be seen, likes beside likes.
func Seens() []Seen { return seens.ids() }

// Words names what is seen.
func (s Seen) Words() say.Text { return seens.words(s) }

var colours = vocabulary[Colour]{
	{"white", say.T("White")},
	{"cream", say.T("Cream")},
	{"yellow", say.T("Yellow")},
	{"orange", say.T("Orange")},
	{"red", say.T("Red")},
	{"pink", say.T("Pink")},
	{"purple", say.T("Purple")},
	{"blue", say.T("Blue")},
	{"green", say.T("Green")},
	{"brown", say.T("Brown")},
	{"tan", say.T("Tan")},
	{"black", say.T("Black")},
	{"grey", say.T("Grey")},
	{"silver", say.T("Silver")},
	{"bronze", say.T("Bronze")},
	{"clear", say.T("See-through")},
}

// Colours lists the colours.
func Colours() []Colour { return colours.ids() }

// Words names the colour.
func (c Colour) Words() say.Text { return colours.words(c) }

var sizes = vocabulary[Size]{
	{"speck", say.T("A speck, under 1 mm")},
	{"tiny", say.T("Tiny, 1 to 3 mm")},
	{"small", say.T("Small, 3 to 10 mm")},
	{"medium", say.T("Medium, 10 to 30 mm")},
	{"large", say.T("Large, over 30 mm")},
}

// Sizes lists the sizes, smallest first.
func Sizes() []Size { return sizes.ids() }

// Words names the size with its bounds.
func (s Size) Words() say.Text { return sizes.words(s) }

var movings = vocabulary[Moving]{
	{"no", say.T("Does not move")},
	{"slow", say.T("Moves slowly")},
	{"yes", say.T("Moves")},
	{"jumps", say.T("Jumps")},
	{"flies", say.T("Flies")},
}

// Movings lists the ways of moving.
func Movings() []Moving { return movings.ids() }

// Words names the way of moving.
func (m Moving) Words() say.Text { return movings.words(m) }

// How often a sign is seen where the trouble is present.
const (
	Usual     Often = "usual"
	Sometimes Often = "sometimes"
	Rare      Often = "rare"
)

var oftens = vocabulary[Often]{
	{Usual, say.T("Usual")},
	{Sometimes, say.T("Sometimes")},
	{Rare, say.T("Rare")},
}

// Words names the frequency.
func (o Often) Words() say.Text { return oftens.words(o) }

// The ways of examining.
const (
	Visual         Exam = "visual"
	HandLens       Exam = "hand_lens"
	BeatOverWhite  Exam = "beat_over_white"
	UnderContainer Exam = "look_under_container"
	RootCheck      Exam = "root_check"
	Laboratory     Exam = "lab"
)

var exams = vocabulary[Exam]{
	{Visual, say.T("Look by eye")},
	{HandLens, say.T("Use the hand lens")},
	{BeatOverWhite, say.T("Beat over the white tray")},
	{UnderContainer, say.T("Look under the container")},
	{RootCheck, say.T("Check the root ball")},
	{Laboratory, say.T("Needs a laboratory")},
}

// Exams lists the ways of examining.
func Exams() []Exam { return exams.ids() }

// Words names the way of examining.
func (e Exam) Words() say.Text { return exams.words(e) }

// What it takes to tell two entries apart.
const (
	ByEye  By = "eye"
	ByLens By = "lens"
	ByLab  By = "lab" // cannot be told by eye or lens
)

var bys = vocabulary[By]{
	{ByEye, say.T("By eye")},
	{ByLens, say.T("With the hand lens")},
	{ByLab, say.T("Only by a laboratory")},
}

// Words names what it takes.
func (b By) Words() say.Text { return bys.words(b) }
