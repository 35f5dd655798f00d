package kiosk

import (
	"slices"

	"github.com/gin-gonic/gin"

	"lastlook/internal/consignment"
	"lastlook/internal/people"
	"lastlook/internal/say"
)

// This file leads from an outcome to what follows it. Each way on has a file of
// its own: samples.go, stopped.go, trace.go, isolate.go, treat.go, gate.go.

// afterRoutes lists the routes of what follows a decision.
func (k *kiosk) afterRoutes(e *gin.Engine) {
	k.sampleRoutes(e)
	k.stoppedRoutes(e)
	k.traceRoutes(e)
	k.isolateRoutes(e)
	k.treatRoutes(e)
	k.gateRoutes(e)
	k.boardRoutes(e)
}

// afterActs are the ways on from an outcome, the next one first and biggest.
func afterActs(b Base, st *consignment.State, p people.Person) []Act {
	base := "/c/" + st.Code
	super := p.Has(people.Supervisor)
	act := func(label say.Text, symbol, href string) Act { return Act{Label: label, Symbol: symbol, Href: href} }
	r := st.Round()
	var acts []Act
	add := func(as ...Act) { acts = append(acts, as...) }
	trace := act(say.T("What else is at risk?"), "look", base+"/trace")
	switch st.Standing() {
	case consignment.StandStopped:
		if super {
			add(act(say.T("Answer the stop"), "keys", base+"/answer"))
		}
		add(act(say.T("Who was told"), "person", base+"/told"), act(say.T("Print stopped marks"), "print", base+"/marks"), trace)
	case consignment.StandHeld:
		if r != nil && r.Ended != nil && r.Ended.Outcome == consignment.Held {
			want := unsampled(st)
			for _, f := range want {
				add(takeAct(st, r.Number, f))
			}
			if len(want) == 0 && r.Conclude(b.Now).Outcome != consignment.Held {
				add(decideAgain(st, p))
			}
			add(act(say.T("Samples"), "look", base+"/samples"), act(say.T("What keeps it held"), "keys", base+"/hold"))
		}
		if len(st.OpenHolds()) > 0 {
			add(act(say.T("Holds"), "keys", base+"/holds"), act(say.T("Print held marks"), "print", base+"/marks"))
		}
		add(trace)
	case consignment.StandRejected, consignment.StandIsolated:
		add(rejectedActs(b, st)...)
		add(trace)
	case consignment.StandPassed:
		if b.Now.After(r.Ended.ValidUntil) {
			add(act(say.T("The window is over: inspect again"), "leaf", base+"/check/before"))
		} else {
			add(act(say.T("Print passed marks"), "print", base+"/marks"),
				act(say.T("Check the store"), "leaf", base+"/store"),
				act(say.T("Load it"), "scan", "/gate?c="+st.Code))
		}
		add(act(say.T("Hold it, or stop it"), "keys", base+"/back"))
	case consignment.StandGone:
		add(act(say.T("Papers for the driver"), "print", base+"/driver"), trace)
	}
	if r != nil && len(st.Samples) > 0 && st.Standing() != consignment.StandHeld {
		add(act(say.T("Samples"), "look", base+"/samples"))
	}
	for i := range acts {
		if i == 0 {
			acts[i].Weight = weightBig
		}
	}
	return acts
}

// rejectedActs are the ways on from rejected goods, the next one first: put them
// apart, clean the bench, examine them in detail, treat them, let them come back.
func rejectedActs(b Base, st *consignment.State) []Act {
	base := "/c/" + st.Code
	r := st.Round()
	where := Act{Label: say.T("Set it apart: where does it stand?"), Symbol: "leaf", Href: base + "/where"}
	if st.Standing() == consignment.StandIsolated {
		where.Label = say.T("Where it stands")
	}
	if r == nil || r.Ended == nil { // stopped before anybody inspected it, and rejected
		return []Act{where}
	}
	clean := Act{Label: say.T("Clean the bench"), Symbol: "leaf", Href: base + "/clean"}
	detail := Act{Label: say.T("Examine in detail"), Symbol: "look", Href: base + "/detail"}
	if d := r.Detail; d != nil {
		detail.Hint = say.T("%d of %d packages examined", len(d.Packages)-len(d.Left()), len(d.Packages))
	}
	treat := Act{Label: say.T("Record a treatment"), Symbol: "book", Href: base + "/treat"}
	again := Act{Label: say.T("It comes back: inspect again"), Symbol: "next", Href: base + "/check/before"}
	treated := slices.ContainsFunc(st.Treatments, func(t consignment.Treatment) bool { return t.Round == r.Number }) ||
		slices.ContainsFunc(st.Disposals, func(d consignment.Disposal) bool { return d.At.After(r.Ended.At) })
	if n := len(st.Treatments); n > 0 {
		treat.Hint = say.T("%d on record", n)
	}
	if until := st.ReEntryEnds(b.Now); !until.IsZero() {
		again.Hint = say.T("not before %s (%s)", b.Clock(until), left(until, b.Now))
	}
	ways := []Act{where}
	unclean := len(st.BenchesToClean()) > 0
	if unclean {
		ways = append(ways, clean)
	}
	ways = append(ways, detail, treat,
		Act{Label: say.T("Record a disposal"), Symbol: "book", Href: base + "/dispose"},
		Act{Label: say.T("Packages taken out or added"), Symbol: "keys", Href: base + "/list"},
		again)
	next := again.Href
	switch {
	case st.Standing() == consignment.StandRejected && !r.OnlyLapsed():
		next = where.Href
	case unclean:
		next = clean.Href
	case r.OnlyLapsed():
	case r.Detail == nil || len(r.Detail.Left()) > 0:
		next = detail.Href
	case !treated:
		next = treat.Href
	}
	i := slices.IndexFunc(ways, func(a Act) bool { return a.Href == next })
	return append(append([]Act{ways[i]}, append(slices.Clone(ways[:i]), ways[i+1:]...)...),
		Act{Label: say.T("Print rejected marks"), Symbol: "print", Href: base + "/marks"})
}

// standState is the look of a standing.
func standState(s consignment.Standing) state {
	switch s {
	case consignment.StandWork:
		return stateWork
	case consignment.StandPassed:
		return statePassed
	case consignment.StandRejected:
		return stateRejected
	case consignment.StandIsolated:
		return stateIsolated
	case consignment.StandHeld:
		return stateHeld
	case consignment.StandStopped:
		return stateStopped
	case consignment.StandGone:
		return stateGone
	}
	return stateDue
}
