package kiosk

import (
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
		add(act(say.T("Who was told"), "person", base+"/told"), trace)
	case consignment.StandHeld:
		if r != nil && r.Ended != nil && r.Ended.Outcome == consignment.Held {
			add(act(say.T("Samples"), "look", base+"/samples"))
			if super {
				add(act(say.T("Decide again"), "keys", base+"/hold"))
			}
		}
		if len(st.OpenHolds()) > 0 {
			add(act(say.T("Holds"), "keys", base+"/holds"))
		}
		add(trace)
	case consignment.StandRejected, consignment.StandIsolated:
		if st.Standing() == consignment.StandRejected {
			add(act(say.T("Put it apart: where does it stand?"), "leaf", base+"/where"))
		}
		if len(st.BenchesToClean()) > 0 {
			add(act(say.T("Clean the bench"), "leaf", base+"/clean"))
		}
		add(act(say.T("Examine in detail"), "look", base+"/detail"),
			act(say.T("Record a treatment"), "book", base+"/treat"),
			act(say.T("Record a disposal"), "book", base+"/dispose"),
			act(say.T("Packages taken out or added"), "keys", base+"/list"),
			act(say.T("It comes back: inspect again"), "leaf", base+"/check/before"), trace)
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
