package kiosk

import (
	"context"
	"errors"
	"net/http"
	"net/url"
	"regexp"
	"strconv"
	"strings"

	"github.com/gin-gonic/gin"

	"lastlook/internal/code"
	"lastlook/internal/consignment"
	"lastlook/internal/say"
)

// answer is what the bench says to a scan.
type answer struct {
	Tone   tone
	Text   say.Text
	Detail say.Text
	Go     string // page to show next; "" stays
	Whole  bool   // a right answer that takes the whole screen
}

// wireAnswer is an answer as the script in the page reads it.
type wireAnswer struct {
	Tone   tone   `json:"tone"`
	Text   string `json:"text"`
	Detail string `json:"detail,omitempty"`
	Go     string `json:"go,omitempty"`
	Stay   bool   `json:"stay"`
	Whole  bool   `json:"whole,omitempty"`
}

func right(text say.Text, goTo string) answer { return answer{Tone: toneRight, Text: text, Go: goTo} }

func wrong(text, detail say.Text) answer { return answer{Tone: toneWrong, Text: text, Detail: detail} }

func note(text, detail say.Text, goTo string) answer {
	return answer{Tone: toneNote, Text: text, Detail: detail, Go: goTo}
}

// typePage takes a code typed by hand, for when there is no script.
var typePage = declarePage("type")

type typeView struct {
	Base
	Back string
}

func (k *kiosk) typeCode(c *gin.Context) error {
	return k.render(c, http.StatusOK, typePage, &typeView{Base: k.page(c, say.T("Type a code")), Back: localPath(c.Query("at"))})
}

// scanned is one scan with what is known about where it was made.
type scanned struct {
	ctx  context.Context
	gin  *gin.Context
	key  string
	spot spot
}

// spot is the page on which a scan was made. A page of the reference that was
// opened from a package counts as that package's.
type spot struct {
	path        string     // with its query
	query       url.Values // never nil
	consignment string     // code of the consignment shown, or ""
	pkg         int        // package shown on the examining screen, or 0
	gate        bool       // the gate: packages scanned here go aboard
	loading     string     // code of the consignment that is being loaded there, or ""
}

var placePattern = regexp.MustCompile(`^/c/([0-9A-Z]{4})(?:/p/(\d+))?`)

func spotOf(path string) spot {
	p := spot{path: path, query: url.Values{}}
	u, err := url.Parse(path)
	if err != nil {
		return p
	}
	p.query = u.Query()
	if p.gate = u.Path == "/gate"; p.gate {
		p.loading = p.query.Get("c")
	}
	m := placePattern.FindStringSubmatch(u.Path)
	if m == nil && (u.Path == "/lookup" || u.Path == "/narrow" || strings.HasPrefix(u.Path, "/e/")) {
		m = errandPath.FindStringSubmatch(p.query.Get("for"))
	}
	if m != nil {
		p.consignment = m[1]
		if strings.HasPrefix(u.Path, "/c/"+m[1]+"/dispatch") {
			p.gate, p.loading = true, m[1]
		}
		p.pkg, _ = strconv.Atoi(m[2]) // no digits: no package
	}
	return p
}

// scan answers POST /scan: every scan of every screen, and codes typed by hand.
// It acts on what is so now, not on what the page showed, so two scans in quick
// succession are both right; the key makes a scan that is sent twice one step.
func (k *kiosk) scan(c *gin.Context) error {
	at := localPath(c.PostForm("at"))
	s := scanned{ctx: c.Request.Context(), gin: c, key: c.PostForm("key"), spot: spotOf(at)}
	a, err := k.answer(s, c.PostForm("code"))
	if err != nil {
		var r *say.Refusal
		if !errors.As(err, &r) || statuses[r.Code] >= 500 {
			return err
		}
		a = wrong(r.Text, say.Text{})
	}
	if wantsJSON(c) {
		b := k.page(c, say.Text{})
		c.JSON(http.StatusOK, wireAnswer{Tone: a.Tone, Text: b.Say(a.Text), Detail: b.Say(a.Detail), Go: a.Go, Stay: a.Go == "", Whole: a.Whole})
		return nil
	}
	tell(c, Flash{Tone: a.Tone, Text: a.Text, Detail: a.Detail})
	if a.Go == "" {
		a.Go = at
	}
	return k.forward(c, a.Go)
}

// answer decides what a scan means here and does it.
func (k *kiosk) answer(s scanned, text string) (answer, error) {
	if isMark(text) && !s.spot.gate {
		return k.scanMark(s, text)
	}
	if s.key != "" {
		if done, err := k.store.Answered(s.ctx, s.key); err != nil {
			return answer{}, err
		} else if done {
			return right(say.T("That scan was taken already."), k.placeNow(s)), nil
		}
	}
	if s.spot.gate {
		return k.atGate(s, text)
	}
	cd, err := code.Parse(text)
	if errors.Is(err, code.ErrUnknown) {
		return k.foreign(s, text, err)
	}
	if err != nil {
		return answer{}, err
	}
	switch cd.Kind {
	case code.KindBadge:
		return k.scanBadge(s, cd)
	case code.KindConsignment:
		st, err := k.store.Consignment(s.ctx, cd.Consignment())
		if err != nil {
			return answer{}, err
		}
		return right(say.T("Consignment %s", st.Number), nextPath(st, benchOf(s.gin))), nil
	case code.KindPackage:
		return k.scanPackage(s, cd.Consignment(), cd.Number())
	case code.KindAction:
		return k.scanAction(s, cd.Action())
	case code.KindReference:
		return k.scanReference(s, cd)
	case code.KindSample:
		return k.scanSample(s, cd.Payload)
	case code.KindLocation:
		if s.spot.store() {
			return k.scanStore(s, cd.Payload)
		}
		return k.scanLocation(s, cd.Payload)
	}
	return note(say.T("This is a code of another kind (%s): %s", cd.Kind.Words(), cd.Human()), say.T("There is nothing to do with it on this screen."), ""), nil
}

// placeNow is where a page leads after the scan made on it was taken.
func (k *kiosk) placeNow(s scanned) string {
	if s.spot.consignment == "" || s.spot.gate {
		return s.spot.path
	}
	st, err := k.store.Consignment(s.ctx, s.spot.consignment)
	if err != nil {
		return s.spot.path
	}
	return nextPath(st, benchOf(s.gin))
}

func (k *kiosk) scanBadge(s scanned, cd code.Code) (answer, error) {
	roster, err := k.store.Roster(s.ctx)
	if err != nil {
		return answer{}, err
	}
	p, ok := roster.ByBadge(cd.Payload)
	if !ok {
		had, once := roster.HadBadge(cd.Payload)
		switch {
		case once && had.Retired:
			return wrong(say.T("This badge is no longer valid: %s has left.", had.Name), say.T("Give it to a supervisor.")), nil
		case once:
			return wrong(say.T("This badge is no longer valid: %s was given a new one.", had.Name), say.T("Scan the new one, and give this one to a supervisor.")), nil
		}
		return wrong(say.T("Nobody on the list has this badge."), say.T("It may be of another site. Ask a supervisor to add you.")), nil
	}
	setCookie(s.gin, personCookie, p.ID)
	to := s.spot.path
	if strings.HasPrefix(to, "/who") {
		to = "/"
	}
	return right(say.T("%s is at the bench.", p.Name), to), nil
}

// foreign looks for a consignment with this number on its papers, or a package
// with this mark of the nursery's own in the consignment on the screen.
func (k *kiosk) foreign(s scanned, text string, unknown error) (answer, error) {
	text = strings.TrimSpace(text)
	if sum, err := k.store.ByTyped(s.ctx, text); err == nil {
		st, err := k.store.Consignment(s.ctx, sum.Code)
		if err != nil {
			return answer{}, err
		}
		return right(say.T("Consignment %s", st.Number), nextPath(st, benchOf(s.gin))), nil
	} else if say.CodeOf(err) != say.NotFound {
		return answer{}, err
	}
	if s.spot.consignment != "" {
		st, err := k.store.Consignment(s.ctx, s.spot.consignment)
		if err != nil {
			return answer{}, err
		}
		if n, ok := st.ByRef(text); ok {
			return k.scanPackage(s, st.Code, n)
		}
	}
	return answer{}, unknown
}

// take does a step for a scan, on the state as it is now.
func (k *kiosk) take(s scanned, consignmentCode string, cmd consignment.Command) (*consignment.State, error) {
	p, _ := personOf(s.gin)
	if p.ID == "" {
		return nil, say.Refuse(say.Forbidden, "Say who you are first: choose your name or scan your badge.")
	}
	return k.doFor(s, consignmentCode, cmd)
}

func (k *kiosk) scanPackage(s scanned, consignmentCode string, n int) (answer, error) {
	st, err := k.store.Consignment(s.ctx, consignmentCode)
	if err != nil {
		return answer{}, err
	}
	p, ok := st.Package(n)
	if !ok {
		return wrong(say.T("There is no package %03d in %s.", n, st.Number), say.T("It has %d packages. Put this one aside and ask the supervisor.", st.Count())), nil
	}
	if here := s.spot.consignment; here != "" && here != st.Code {
		other, err := k.store.Consignment(s.ctx, here)
		if err == nil && other.Running() != nil {
			return wrong(say.T("Another consignment: %s, package %03d.", st.Number, n), say.T("Put it back. You are inspecting %s.", other.Number)), nil
		}
	}
	r := st.Running()
	if r == nil || s.spot.where() {
		return k.scanBetweenRounds(s, st, n, p)
	}
	x := r.Exams[n]
	if x == nil {
		return k.notDrawn(s, st, r, n), nil
	}
	switch {
	case x.FetchedAt.IsZero():
		next, err := k.take(s, st.Code, consignment.Fetch{Package: n})
		if err != nil {
			return answer{}, err
		}
		a := right(say.T("Package %03d: right.", n), "/c/"+st.Code+"/fetch")
		here, all := 0, 0
		for _, x := range next.Running().Exams {
			all++
			if !x.FetchedAt.IsZero() {
				here++
			}
		}
		a.Detail = say.T("%d of %d fetched", here, all)
		return a, nil
	case x.Closed():
		return note(say.T("Package %03d is examined already.", n), stepWords(consignment.Next(st, benchOf(s.gin))), nextPath(st, benchOf(s.gin))), nil
	case x.Open() && x.Bench != benchOf(s.gin):
		return wrong(say.T("Package %03d is open on %s.", n, x.Bench), say.T("Finish it there.")), nil
	case x.Open() && stageOf(r, x) == stageClose && s.spot.pkg == n:
		next, err := k.take(s, st.Code, consignment.ClosePackage{Package: n})
		if err != nil {
			return answer{}, err
		}
		return right(say.T("Package %03d is closed.", n), nextPath(next, benchOf(s.gin))), nil
	case x.Open():
		return note(say.T("Package %03d is open.", n), say.Text{}, packagePath(st.Code, n)), nil
	}
	if missing := wanted(r); len(missing) > 0 && s.spot.pkg != n {
		return note(say.T("Package %03d is here already.", n), say.T("Still to fetch: %s", strings.Join(missing, ", ")), ""), nil
	}
	if _, err := k.take(s, st.Code, consignment.Open{Package: n}); err != nil {
		return answer{}, err
	}
	return right(say.T("Package %03d is open.", n), packagePath(st.Code, n)), nil
}

// wanted lists the drawn packages that are not here yet.
func wanted(r *consignment.Round) []string {
	var ns []string
	for _, n := range r.ToExamine() {
		if r.Exams[n].FetchedAt.IsZero() {
			ns = append(ns, pad(n))
		}
	}
	return ns
}

// notDrawn is the answer to a package of the right consignment that was not drawn.
func (k *kiosk) notDrawn(s scanned, st *consignment.State, r *consignment.Round, n int) answer {
	for _, rep := range r.Replacements {
		if rep.Package == n {
			return wrong(say.T("Package %03d was replaced: put it back, fetch %03d.", n, rep.By), say.T("It was said that it cannot be reached: %s", rep.Reason))
		}
	}
	if missing := wanted(r); len(missing) > 0 {
		return wrong(say.T("Not in the draw: put %03d back, fetch %s.", n, missing[0]), say.T("Still to fetch: %s", strings.Join(missing, ", ")))
	}
	return wrong(say.T("Not in the draw: put %03d back.", n), stepWords(consignment.Next(st, benchOf(s.gin))))
}

// scanAction does what a card says, to the package on the screen.
func (k *kiosk) scanAction(s scanned, act code.Action) (answer, error) {
	if s.spot.consignment == "" {
		return wrong(say.T("That card works while a package is open."), say.T("Scan a package first.")), nil
	}
	st, r, err := k.placeRound(s)
	if err != nil {
		return answer{}, err
	}
	if act == code.Undo {
		return right(say.T("Take the last step back?"), "/c/"+st.Code+"/undo"), nil
	}
	x := r.OpenAt(benchOf(s.gin))
	if s.spot.pkg != 0 {
		x = r.Exams[s.spot.pkg]
	}
	if x == nil {
		return wrong(say.T("That card works while a package is open."), say.T("Scan a package first.")), nil
	}
	path := packagePath(st.Code, x.Package)
	unit := "?unit=" + itoa(x.NextUnseen())
	stage := stageOf(r, x)
	step := func(cmd consignment.Command, text say.Text) (answer, error) {
		next, err := k.take(s, st.Code, cmd)
		if err != nil {
			return answer{}, err
		}
		if nr := next.Running(); nr == nil || nr.Exams[x.Package].Closed() {
			path = nextPath(next, benchOf(s.gin))
		}
		return right(text, path), nil
	}
	switch {
	case act == code.Look:
		return right(say.T("Look closer"), path+"/closer"), nil
	case act == code.Find && x.Open() && x.LookedAt.IsZero():
		return right(say.T("Find at the package itself"), path+"/find?unit=0"), nil
	case act == code.Find && x.Open() && x.Units > 0:
		return right(say.T("Find at unit %d", max(x.NextUnseen(), 1)), path+"/find"+unit), nil
	case act == code.Clean && stage == stageEmpty:
		return step(consignment.LookPackage{Package: x.Package}, say.T("The empty package is clean."))
	case act == code.Clean && stage == stageUnits:
		return step(consignment.CleanUnit{Package: x.Package}, say.T("Unit %d is clean.", x.NextUnseen()))
	case act == code.Rest && stage == stageUnits:
		return note(say.T("Count the units that are left, then write the number."), say.T("%d units are not looked at yet.", x.Units-x.Seen()), path+"?rest=1"), nil
	case act == code.Next && stage == stageOpen:
		return step(consignment.Open{Package: x.Package}, say.T("Package %03d is open.", x.Package))
	case act == code.Done && stage == stageClose, act == code.Next && stage == stageClose:
		return step(consignment.ClosePackage{Package: x.Package}, say.T("Package %03d is closed.", x.Package))
	case act == code.Next && stage == stageDone:
		return right(say.T("Next"), nextPath(st, benchOf(s.gin))), nil
	}
	return wrong(say.T("That card does not fit here."), say.T("Answer the question on the screen.")), nil
}

// placeRound reads the consignment on the screen and its round under way.
func (k *kiosk) placeRound(s scanned) (*consignment.State, *consignment.Round, error) {
	st, err := k.store.Consignment(s.ctx, s.spot.consignment)
	if err != nil {
		return nil, nil, err
	}
	if r := st.Running(); r != nil {
		return st, r, nil
	}
	return nil, nil, say.Refuse(say.Illegal, "No inspection of %s is under way.", st.Number)
}
