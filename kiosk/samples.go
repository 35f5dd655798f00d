package kiosk

import (
	"context"
	"net/http"
	"slices"
	"time"

	"github.com/gin-gonic/gin"

	"lastlook/internal/code"
	"lastlook/internal/consignment"
	"lastlook/internal/ladder"
	"lastlook/internal/people"
	"lastlook/internal/say"
	"lastlook/internal/store"
)

// This file lists samples: those of a consignment, and all that are open. A sample
// is taken and looked after in sample.go, answered in sample_result.go and printed
// in sample_paper.go; a hold is decided again in hold.go.

// sampleRoutes lists the routes of samples and holds.
func (k *kiosk) sampleRoutes(e *gin.Engine) {
	look := func(path string, h handler) { e.GET(path, k.as(anybody, h)) }
	step := func(path string, h handler) { e.GET(path, k.as(atBench, h)) }
	look("/samples", k.allSamples)
	look("/c/:code/samples", k.samplesOf)
	step("/c/:code/sample", k.takePage)
	e.POST("/c/:code/sample", largerBody(maxPhoto), k.as(atBench, k.takeSample))
	look("/s/:sample", k.samplePage)
	e.POST("/s/:sample", k.as(atBench, k.moveSample))
	look("/s/:sample/label.pdf", k.sampleLabel)
	look("/s/:sample/form.pdf", k.sampleForm)
	step("/s/:sample/result", k.resultPage)
	e.POST("/s/:sample/result", k.as(atBench, k.answerSample))
	step("/c/:code/hold", k.holdPage)
	e.POST("/c/:code/hold", k.as(atBench, k.endHold))
}

// scanSample opens a sample.
func (k *kiosk) scanSample(s scanned, sample string) (answer, error) {
	if _, err := k.store.SampleOf(s.ctx, sample); err != nil {
		return answer{}, err
	}
	return right(say.T("Sample %s", sample), "/s/"+sample), nil
}

// Since when a sample that waits is said to wait long. Both are our own, as is what
// is assumed of a laboratory until one has answered here.
const (
	slowAfter    = 2 * 24 * time.Hour
	tooLongAfter = 5 * 24 * time.Hour
	assumedReply = 24 * time.Hour
)

// The states of a sample, and one that has waited a while. Each has a shape of its
// own, and always a word beside it.
const (
	sampleAtBench  state = "sample-bench"
	sampleStored   state = "sample-stored"
	sampleOut      state = "sample-out"
	sampleReceived state = "sample-received"
	sampleAnswered state = "sample-answered"
	stateSlow      state = "slow"
)

// custodyMark says where a sample is.
func custodyMark(x *consignment.Sample) Mark {
	s := sampleAtBench
	if x.Answer != nil {
		s = sampleAnswered
	} else if n := len(x.Steps); n > 0 {
		s = map[consignment.Custody]state{
			consignment.Stored: sampleStored, consignment.HandedOver: sampleOut, consignment.Received: sampleReceived,
		}[x.Steps[n-1].Step]
	}
	return Mark{State: s, Text: x.Where()}
}

// ageMark says how long a sample has waited, louder the longer it is.
func ageMark(since, now time.Time) Mark {
	switch age := now.Sub(since); {
	case age > tooLongAfter:
		return Mark{State: stateLate, Text: say.T("waits %s: too long, call the laboratory", span(age))}
	case age > slowAfter:
		return Mark{State: stateSlow, Text: say.T("waits %s: ask how far it is", span(age))}
	default:
		return Mark{State: stateDue, Text: say.T("waits %s", span(age))}
	}
}

// sampleCode is the identifier on a sample's label.
func sampleCode(sample string) code.Code { return code.Code{Kind: code.KindSample, Payload: sample} }

// sampleLine is a sample in a list. Part "samples" takes a list of them.
type sampleLine struct {
	Code   string // as printed
	Href   string
	Number string // of its consignment, where the list has several
	Words  say.Text
	By     say.Text
	State  Mark
	Age    *Mark
	Window say.Text
}

// fromWords says where something was found.
func fromWords(pkg, unit int) say.Text {
	if unit == 0 {
		return say.T("package %03d itself", pkg)
	}
	return say.T("package %03d, unit %d", pkg, unit)
}

func sampleLineOf(b Base, x *consignment.Sample) sampleLine {
	l := sampleLine{
		Code: sampleCode(x.Sample).Human(), Href: "/s/" + x.Sample, State: custodyMark(x),
		Words: say.T("%s · %s · %s", x.What.Words(), fromWords(x.Package, x.Unit), x.Part.Words()),
		By:    say.T("taken by %s at %s", x.By.Name, b.Clock(x.At)),
	}
	if x.Answer == nil {
		age := ageMark(x.At, b.Now)
		l.Age = &age
	}
	return l
}

// open reports whether a sample waits for its result.
func openSample(x *consignment.Sample) bool { return x.Answer == nil }

// unsampled lists the finds of the newest round for which a sample is to be
// collected: they stand at sample, and no sample of them waits for a result.
func unsampled(st *consignment.State) []*consignment.Find {
	r := st.Round()
	if r == nil {
		return nil
	}
	var out []*consignment.Find
	for _, f := range r.Finds {
		if f.Rung == ladder.Sample && !slices.ContainsFunc(st.SamplesOf(r.Number, f.ID), openSample) {
			out = append(out, f)
		}
	}
	return out
}

func takePath(code string, round, find int) string {
	return "/c/" + code + "/sample?round=" + itoa(round) + "&find=" + itoa(find)
}

// takeAct leads to taking a sample of a find.
func takeAct(st *consignment.State, round int, f *consignment.Find) Act {
	a := Act{
		Label: say.T("Collect a sample: %s", fromWords(f.Facts.Package, f.Facts.Unit)), Hint: findWords(f),
		Rung: ladder.Sample, Href: takePath(st.Code, round, f.ID),
	}
	if f.Answered != nil {
		a.Label = say.T("Collect another sample: %s", fromWords(f.Facts.Package, f.Facts.Unit))
	}
	return a
}

// quickest is how soon a result came here at best, from taking the sample, among
// the newest twenty; ok is false if none ever came.
func (k *kiosk) quickest(ctx context.Context) (best time.Duration, ok bool, err error) {
	done, err := k.store.Samples(ctx, true, 20)
	for _, l := range done {
		if took := l.AnsweredAt.Sub(l.TakenAt); took > 0 && (!ok || took < best) {
			best, ok = took, true
		}
	}
	return best, ok, err
}

// clocks says what runs on while a consignment is held: the window of its
// inspection and the time to its dispatch. It says as well when both will be over
// before a result can come.
func (k *kiosk) clocks(ctx context.Context, b Base, st *consignment.State) (Notice, error) {
	r := st.Round()
	if r == nil || r.FirstOpened.IsZero() || st.Dispatched != nil {
		return Notice{}, nil
	}
	end := r.ValidUntil()
	n := Notice{Tone: toneNote,
		Text:   say.T("The dispatch window keeps running: it ends at %s (%s).", b.Clock(end), left(end, b.Now)),
		Detail: say.T("It is to leave at %s (%s).", b.Clock(st.DispatchAt), left(st.DispatchAt, b.Now)),
	}
	switch {
	case !end.After(b.Now):
		n.Tone = toneWrong
		n.Text = say.T("The dispatch window ended at %s: whatever the result, it must be inspected again.", b.Clock(end))
	case st.DispatchAt.Before(b.Now):
		n.Tone = toneWrong
		n.Detail = say.T("It was to leave at %s: tell whoever planned the truck.", b.Clock(st.DispatchAt))
	}
	// All results must be in; the last of them is that of the newest sample, or of
	// one that is still to be taken.
	var from time.Time
	for _, x := range st.Samples {
		if openSample(x) && x.Round == r.Number && x.At.After(from) {
			from = x.At
		}
	}
	if len(unsampled(st)) > 0 {
		from = b.Now
	}
	if from.IsZero() {
		return n, nil
	}
	best, known, err := k.quickest(ctx)
	if err != nil {
		return n, err
	}
	if !known {
		best = assumedReply
	}
	soonest := from.Add(best)
	if soonest.Before(b.Now) {
		soonest = b.Now
	}
	by := earlier(end, st.DispatchAt)
	if !end.After(b.Now) || !by.Before(soonest) {
		return n, nil
	}
	how := say.T("No laboratory has answered here yet; we assume %s.", span(best))
	if known {
		how = say.T("The quickest result here came %s after the sample was taken.", span(best))
	}
	if end.Before(soonest) {
		n.Detail = say.T("%s It will lapse before a result can come. %s Plan another inspection.", n.Detail, how)
	} else {
		n.Detail = say.T("%s The result will hardly come before that. %s Plan another truck.", n.Detail, how)
	}
	return n, nil
}

// samplesPage lists the samples of a consignment, and what is still to be sampled.
var samplesPage = declarePage("samples")

type samplesView struct {
	Base
	Tag      Tag
	Question Question
	Clocks   Notice
	First    *Act
	More     []Act // other finds to sample, and ways on
	Waiting  []sampleLine
	Answered []sampleLine
	Finds    []Act // finds of which nobody has to take one
	Empty    Panel
	Back     Act
}

func (k *kiosk) samplesOf(c *gin.Context) error {
	st, err := k.state(c)
	if err != nil {
		return err
	}
	b := k.page(c, say.T("Samples of %s", st.Number))
	b.Version = st.Version
	v := &samplesView{
		Base: b, Tag: k.stateTag(b, st),
		Question: Question{Text: say.T("Samples"), Help: say.T("Each has its label and its form. What waits longest stands first.")},
		Back:     Act{Label: say.T("Back to the consignment"), Symbol: "back", Href: nextPath(st, benchOf(c)), Weight: weightQuiet},
		Empty:    Panel{Kind: panelEmpty, Text: say.T("No sample was taken"), Detail: say.T("A sample is taken of a find: record the find first.")},
	}
	if v.Clocks, err = k.clocks(c.Request.Context(), b, st); err != nil {
		return err
	}
	want := unsampled(st)
	for _, f := range want {
		v.More = append(v.More, takeAct(st, len(st.Rounds), f))
	}
	person, _ := personOf(c)
	if r := st.Round(); r != nil && r.Ended != nil && r.Ended.Outcome == consignment.Held && len(want) == 0 && r.Conclude(b.Now).Outcome != consignment.Held {
		v.More = append(v.More, decideAgain(st, person))
	}
	if len(v.More) > 0 {
		v.More[0].Weight = weightBig
		v.First, v.More = &v.More[0], v.More[1:]
	}
	for _, x := range byWaiting(st.Samples) {
		if x.Answer != nil {
			v.Answered = append(v.Answered, sampleLineOf(b, x))
		} else {
			v.Waiting = append(v.Waiting, sampleLineOf(b, x))
		}
	}
	for _, r := range slices.Backward(st.Rounds) {
		for _, f := range r.Finds {
			if r.Number == len(st.Rounds) && slices.Contains(want, f) {
				continue
			}
			a := takeAct(st, r.Number, f)
			a.Label, a.Rung = fromWords(f.Facts.Package, f.Facts.Unit), f.Rung
			if r.Number != len(st.Rounds) {
				a.Label = say.T("Round %d, %s", r.Number, fromWords(f.Facts.Package, f.Facts.Unit))
			}
			v.Finds = append(v.Finds, a)
		}
	}
	return k.render(c, http.StatusOK, samplesPage, v)
}

// byWaiting orders samples: those that wait first and the oldest of them at the
// top, then the answered ones, the newest answer first.
func byWaiting(samples []*consignment.Sample) []*consignment.Sample {
	out := slices.Clone(samples)
	slices.SortStableFunc(out, func(x, y *consignment.Sample) int {
		switch {
		case x.Answer == nil && y.Answer == nil:
			return x.At.Compare(y.At)
		case x.Answer == nil:
			return -1
		case y.Answer == nil:
			return 1
		}
		return y.Answer.At.Compare(x.Answer.At)
	})
	return out
}

// decideAgain leads to deciding a hold again.
func decideAgain(st *consignment.State, p people.Person) Act {
	a := Act{Label: say.T("Decide again"), Hint: say.T("the results are in"), Symbol: "keys", Href: "/c/" + st.Code + "/hold"}
	if !p.Has(people.Supervisor) {
		a.Hint = say.T("the results are in; a supervisor decides")
	}
	return a
}

// allSamplesPage lists every open sample of the site, oldest first.
var allSamplesPage = declarePage("samples_all")

type allSamplesView struct {
	Base
	Question Question
	Waiting  []sampleLine
	Answered []sampleLine
	Empty    Panel
	Back     Act
}

// answeredShown is how many answered samples the list of all shows.
const answeredShown = 20

func (k *kiosk) allSamples(c *gin.Context) error {
	ctx := c.Request.Context()
	open, err := k.store.Samples(ctx, false, 0)
	if err != nil {
		return err
	}
	done, err := k.store.Samples(ctx, true, answeredShown)
	if err != nil {
		return err
	}
	b := k.page(c, say.T("Samples"))
	v := &allSamplesView{
		Base:     b,
		Question: Question{Text: say.T("Samples that wait"), Help: say.T("Oldest first. After %s we call a wait slow, after %s too long.", span(slowAfter), span(tooLongAfter))},
		Empty:    Panel{Kind: panelEmpty, Text: say.T("No sample waits"), Detail: say.T("A sample is taken of a find, and stays here until its result is entered.")},
		Back:     Act{Label: say.T("To what is due"), Symbol: "back", Href: "/", Weight: weightQuiet},
	}
	states := map[string]*consignment.State{}
	for _, list := range []struct {
		from []store.SampleLine
		to   *[]sampleLine
	}{{open, &v.Waiting}, {done, &v.Answered}} {
		for _, s := range list.from {
			st := states[s.Consignment.Code]
			if st == nil {
				if st, err = k.store.Consignment(ctx, s.Consignment.Code); err != nil {
					return err
				}
				states[st.Code] = st
			}
			x := st.Sample(s.Code)
			if x == nil {
				continue // taken back since the list was read
			}
			l := sampleLineOf(b, x)
			l.Number = st.Number
			if x.Answer == nil {
				l.Window = windowOf(b, st, x)
			}
			*list.to = append(*list.to, l)
		}
	}
	return k.render(c, http.StatusOK, allSamplesPage, v)
}

// windowOf says how long the window of the inspection still runs in which a sample
// was taken.
func windowOf(b Base, st *consignment.State, x *consignment.Sample) say.Text {
	r := st.Rounds[x.Round-1]
	end := r.ValidUntil()
	switch {
	case st.Dispatched != nil:
		return say.T("the goods left at %s", b.Clock(st.Dispatched.At))
	case r.Number != len(st.Rounds):
		return say.T("of an earlier inspection")
	case end.IsZero():
		return say.Text{}
	case !end.After(b.Now):
		return say.T("window ended at %s", b.Clock(end))
	}
	return say.T("window ends at %s (%s)", b.Clock(end), left(end, b.Now))
}
