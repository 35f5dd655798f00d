package trace

import (
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"
)

var t0 = time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC)

func at(h int) time.Time { return t0.Add(time.Duration(h) * time.Hour) }

func TestFollow(t *testing.T) {
	o := Origin{
		Units: []Units{{"Lavandula", "L-1", "B4"}},
		Uses:  []Use{{"bench 1", at(0), at(1)}},
	}
	goods := []Goods{
		{Code: "crop", Units: []Units{{"Lavandula", "L-9", "B9"}}},
		{Code: "bay", Units: []Units{{"Hebe", "H-1", "B4"}}},
		{Code: "none", Units: []Units{{"Hebe", "H-1", "B9"}}},
		{Code: "before", Units: []Units{{"Hebe", "H-2", "B9"}}, Uses: []Use{{"bench 1", at(-3), at(-2)}}},
		{Code: "after", Units: []Units{{"Hebe", "H-3", "B9"}}, Uses: []Use{{"bench 1", at(2), at(3)}}},
		{Code: "beside", Units: []Units{{"Hebe", "H-3", "B9"}}, Uses: []Use{{"bench 2", at(2), at(3)}}},
		{Code: "batch", Units: []Units{{"Lavandula", "L-1", "B4"}}},
		{Code: "same mark", Units: []Units{{"Hebe", "L-1", "B9"}}}, // batch marks are given by crop
		{Code: "long gone", Units: []Units{{"Lavandula", "L-1", "B4"}}, Left: at(-24 * 40)},
		{Code: "just gone", Units: []Units{{"Lavandula", "L-1", "B7"}}, Left: at(-24)},
	}
	links := Follow(o, goods, at(-24*30))
	var got []string
	for _, l := range links {
		got = append(got, l.Code+":"+string(l.Strongest()))
	}
	want := []string{"batch:batch", "just gone:batch", "after:bench", "bay:bay", "crop:crop"}
	if !slices.Equal(got, want) {
		t.Errorf("Follow gives %v, want %v", got, want)
	}
	if n := len(links[0].Shared); n != 3 {
		t.Errorf("the goods of the batch share %v, want batch, bay and crop", links[0].Shared)
	}
}

// What is not known is shared with nobody.
func TestUnknownIsNotShared(t *testing.T) {
	o := Origin{Units: []Units{{Crop: "Lavandula"}}}
	if got := Follow(o, []Goods{{Code: "x", Units: []Units{{Crop: "Hebe"}}}}, time.Time{}); len(got) != 0 {
		t.Errorf("goods without batch and bay share %v", got)
	}
	if got := Follow(Origin{}, []Goods{{Code: "x", Units: []Units{{Crop: "Hebe"}}, Uses: []Use{{"b", t0, t0}}}}, time.Time{}); len(got) != 0 {
		t.Errorf("nothing shares %v", got)
	}
}

// Two consignments that share a batch, bay or crop find each other, whichever the
// trace begins with.
func TestBothWays(t *testing.T) {
	word := rapid.SampledFrom([]string{"", "a", "b", "c"})
	units := rapid.SliceOfN(rapid.Custom(func(rt *rapid.T) Units {
		return Units{word.Draw(rt, "crop"), word.Draw(rt, "batch"), word.Draw(rt, "bay")}
	}), 0, 3)
	rapid.Check(t, func(rt *rapid.T) {
		a, b := units.Draw(rt, "a"), units.Draw(rt, "b")
		there := Follow(Origin{Units: a}, []Goods{{Code: "b", Units: b}}, time.Time{})
		back := Follow(Origin{Units: b}, []Goods{{Code: "a", Units: a}}, time.Time{})
		if len(there) != len(back) {
			rt.Fatalf("%v finds %v, the other way %v", a, there, back)
		}
		if len(there) == 1 && len(there[0].Shared) != len(back[0].Shared) {
			rt.Fatalf("they share %v one way, %v the other", there[0].Shared, back[0].Shared)
		}
	})
}
