package kiosk

import (
	"net/http"
	"time"

	"github.com/gin-gonic/gin"

	"lastlook/internal/consignment"
	"lastlook/internal/say"
)

// checkPage is the bench check, before the first package or after the last.
var checkPage = declarePage("check")

type checkView struct {
	Base
	Tag      Tag
	Question Question
	Checks   []Check
	Note     Field
	Action   string
	Notice   Notice
	First    Act // what has to be done before the bench can be checked
	Locked   bool
	Done     Act
	All      Act
}

func (k *kiosk) checkPage(c *gin.Context) error { return k.showCheck(c, nil) }

// phase tells the two bench checks apart; other paths do not exist.
func phase(c *gin.Context) (after bool, err error) {
	switch c.Param("phase") {
	case "before":
		return false, nil
	case "after":
		return true, nil
	}
	return false, say.Refuse(say.NotFound, "There is nothing at this address. Go to what is due, or scan what you are looking for.")
}

// checkAnswers gives the items of a check that were answered yes and no.
func checkAnswers(c *gin.Context, items []consignment.CheckItem) (yes, no []string) {
	for _, it := range items {
		switch c.PostForm("item_" + it.ID) {
		case "yes":
			yes = append(yes, it.ID)
		case "no":
			no = append(no, it.ID)
		}
	}
	return yes, no
}

// checkLines are the lines of a check with what was answered so far; "all" fills in
// what was not.
func checkLines(c *gin.Context, items []consignment.CheckItem, refused *say.Refusal) []Check {
	var lines []Check
	for _, it := range items {
		line := Check{Name: "item_" + it.ID, Question: it.Words, Value: c.PostForm("item_" + it.ID)}
		if c.PostForm("all") != "" && line.Value == "" {
			line.Value = "yes"
		}
		if refused != nil && refused.Field == it.ID {
			line.Error = refused.Text
		}
		lines = append(lines, line)
	}
	return lines
}

// checkItems gives the items to answer: those of the round under way, else of the
// rule set in force.
func (k *kiosk) checkItems(st *consignment.State, after bool) (consignment.RuleSet, []consignment.CheckItem) {
	rules := k.store.Rules(st.Destination)
	if r := st.Running(); r != nil {
		rules = r.Rules
	}
	if after {
		return rules, rules.After
	}
	return rules, rules.Before
}

func (k *kiosk) showCheck(c *gin.Context, refused *say.Refusal) error {
	after, err := phase(c)
	if err != nil {
		return err
	}
	st, err := k.state(c)
	if err != nil {
		return err
	}
	b := k.page(c, say.T("Bench check"))
	b.Version = st.Version
	v := &checkView{
		Base: b, Tag: k.stateTag(b, st), Action: "/c/" + st.Code + "/check/" + c.Param("phase"),
		Question: Question{Text: say.T("Is the bench fit for use?"), Help: say.T("Answer each line. A no has to be put right before the first package is opened.")},
		Note:     Field{Name: "note", Label: say.T("Note"), Hint: say.T("only if there is something to say")},
		Done:     Act{Label: say.T("The bench is checked"), Weight: weightBig, Symbol: "right"},
		All:      Act{Label: say.T("Yes to every line"), Hint: say.T("fills them in; look at each before you go on"), Name: "all", Value: "yes"},
	}
	if after {
		v.Question = Question{Text: say.T("What is on the bench now?"), Help: say.T("Look at the bench, the tray and the floor before you answer. Soil, a weed or a live pest here rejects the consignment.")}
	}
	_, items := k.checkItems(st, after)
	v.Checks = checkLines(c, items, refused)
	status := http.StatusOK
	if refused != nil {
		status = statuses[refused.Code]
		v.Notice = Notice{Tone: toneWrong, Text: refused.Text}
		v.Note.Value = c.PostForm("note")
	} else if last := st.BeforeCheck(); !after && last != nil && len(last.No) > 0 {
		v.Notice = Notice{Tone: toneNote, Text: say.T("The last check said no to %d lines.", len(last.No)), Detail: say.T("Put them right, then check again.")}
	}
	if !after {
		if err := k.notYet(c, st, v); err != nil {
			return err
		}
	}
	return k.render(c, status, checkPage, v)
}

// notYet puts in the place of the check what has to happen before: people may not
// handle treated plants, or the bench is not clean. The core refuses the step as well.
func (k *kiosk) notYet(c *gin.Context, st *consignment.State, v *checkView) error {
	if until := st.ReEntryEnds(v.Now); !until.IsZero() && st.Dispatched == nil {
		v.Locked = true
		v.Question = Question{Text: say.T("Not before %s", v.Clock(until)), Help: say.T("Its bench is checked when re-entry has ended.")}
		v.Notice = reEntryNotice(v.Base, until)
		v.First = Act{Label: say.T("See the treatments"), Symbol: "book", Href: "/c/" + st.Code + "/treat", Weight: weightBig}
		return nil
	}
	u, err := k.store.Unclean(c.Request.Context(), benchOf(c))
	if err != nil || u == nil {
		return err
	}
	v.Locked = true
	v.Question = Question{Text: say.T("This bench is not clean"), Help: say.T("It is checked when it has been cleaned.")}
	v.Notice, v.First = uncleanNotice(u, v.Action)
	return nil
}

// reEntryNotice says until when nobody handles the plants, with the time left.
func reEntryNotice(b Base, until time.Time) Notice {
	return Notice{Tone: toneWrong, Text: say.T("The plants were treated: nobody handles them before %s (%s).", b.Clock(until), left(until, b.Now)),
		Detail: say.T("Keep people and goods away until then. What else holds is on the product's label.")}
}

func (k *kiosk) check(c *gin.Context) error {
	after, err := phase(c)
	if err != nil {
		return err
	}
	st, err := k.state(c)
	if err != nil {
		return err
	}
	if c.PostForm("all") != "" {
		return k.showCheck(c, nil) // filled in, not yet kept
	}
	rules, items := k.checkItems(st, after)
	cmd := consignment.CheckBench{After: after, Rules: rules, Note: c.PostForm("note")}
	cmd.Yes, cmd.No = checkAnswers(c, items)
	done, err := k.do(c, cmd)
	if r := asRefusal(err); r != nil {
		return k.showCheck(c, r)
	}
	if err != nil {
		return err
	}
	switch {
	case len(cmd.No) == 0:
		tell(c, Flash{Tone: toneRight, Text: say.T("The bench is fit.")})
	case !after:
		tell(c, Flash{Tone: toneNote, Text: say.T("Not fit yet: put it right, then check again.")})
	}
	if !after && done.State.Running() == nil {
		return k.forward(c, "/c/"+st.Code+"/seal") // also between rounds, where next would be the outcome
	}
	return k.onward(c, done.State)
}
