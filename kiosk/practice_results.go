package kiosk

import (
	"net/http"

	"github.com/gin-gonic/gin"

	"lastlook/internal/people"
	"lastlook/internal/practice"
	"lastlook/internal/say"
)

// practiceResultsPage shows the supervisor who has practised, and with what
// result.
var practiceResultsPage = declarePage("practice_results")

type practiceResultsView struct {
	Base
	Head     PracticeHead
	Question Question
	Table    Table
}

func (k *kiosk) practiceResults(c *gin.Context) error {
	ctx := c.Request.Context()
	ids, err := k.store.Practised(ctx)
	if err != nil {
		return err
	}
	roster, err := k.store.Roster(ctx)
	if err != nil {
		return err
	}
	v := &practiceResultsView{
		Base:     k.page(c, say.T("Practice: results")),
		Question: Question{Text: say.T("Who has practised"), Help: say.T("Cases are drawn to be hard for each person: compare nobody with anybody by them.")},
		Table: Table{Caption: say.T("Results"), Empty: say.T("Nobody has practised yet."), Columns: []Column{{Label: say.T("Who")}, {Label: say.T("Sessions"), Number: true}, {Label: say.T("Cases"), Number: true},
			{Label: say.T("Right"), Number: true}, {Label: say.T("Dangerous ones passed"), Number: true}, {Label: say.T("Not ruled out (95 %%)"), Number: true}, {Label: say.T("Last")}}},
	}
	for _, id := range ids {
		st, err := k.store.Practice(ctx, id)
		if err != nil {
			return err
		}
		r, err := practice.Weigh(st)
		if err != nil {
			return err
		}
		name := id
		if p, ok := roster.Person(id); ok {
			name = p.Name
		}
		n := r.Total
		v.Table.Rows = append(v.Table.Rows, Row{Cells: []Cell{
			{Data: name, Href: "/practice/results/" + id}, {Data: itoa(len(r.Sessions)), Number: true}, {Data: itoa(n.Answered), Number: true},
			{Data: itoa(n.Right), Number: true}, {Text: say.T("%d of %d", n.DangerousPassed, n.Dangerous), Number: true},
			{Text: say.T("up to %d in 100", r.MissInHundred()), Number: true}, {Text: clock(r.Last, v.Now)},
		}})
	}
	return k.render(c, http.StatusOK, practiceResultsPage, v)
}

// practicePersonPage shows one person's results, to that person and to a
// supervisor.
var practicePersonPage = declarePage("practice_person")

type practicePersonView struct {
	Base
	Head     PracticeHead
	Question Question
	Words    []say.Text
	Facts    []Fact
	Mistakes Table
	Sessions Table
	Back     Act
}

// practiceMistakes is how many confusions a page lists.
const practiceMistakes = 40

func (k *kiosk) practicePerson(c *gin.Context) error {
	ctx := c.Request.Context()
	id := c.Param("person")
	me, _ := personOf(c)
	if id != me.ID && !me.Has(people.Supervisor) {
		return say.Refuse(say.Forbidden, "Results are for the person and the supervisor. Ask a supervisor to scan their badge.")
	}
	roster, err := k.store.Roster(ctx)
	if err != nil {
		return err
	}
	who, ok := roster.Person(id)
	if !ok {
		return say.Refuse(say.NotFound, "There is nobody with that badge on the list.")
	}
	st, err := k.store.Practice(ctx, id)
	if err != nil {
		return err
	}
	r, err := practice.Weigh(st)
	if err != nil {
		return err
	}
	v := &practicePersonView{
		Base:     k.page(c, say.T("Practice: results")),
		Question: Question{Text: say.T("%s: practice", who.Name), Help: say.T("Cases answered: %d. Sessions: %d.", r.Total.Answered, len(r.Sessions))},
		Words:    r.Words(), Facts: countFacts(r.Total),
		Mistakes: Table{Caption: say.T("Taken for something else, the dangerous first"), Empty: say.T("No mistakes."), Columns: []Column{{Label: say.T("It was")}, {Label: say.T("Taken for")},
			{Label: say.T("Asked for")}, {Label: say.T("Said")}, {Label: say.T("Came to")}, {Label: say.T("Times"), Number: true}, {Label: say.T("Last")}}},
		Sessions: Table{Caption: say.T("Sessions, newest first"), Empty: say.T("No sessions yet."), Columns: []Column{{Label: say.T("When")}, {Label: say.T("Plants for")}, {Label: say.T("Answered"), Number: true},
			{Label: say.T("Right"), Number: true}, {Label: say.T("More than asked for"), Number: true}, {Label: say.T("Held"), Number: true}, {Label: say.T("Too early"), Number: true}, {Label: say.T("Would have passed"), Number: true}, {Label: say.T("Named"), Number: true}}},
		Back: Act{Label: say.T("Practise"), Href: "/practice", Symbol: "book"},
	}
	if id != me.ID {
		v.Back = Act{Label: say.T("Results of everybody"), Href: "/practice/results", Symbol: "back"}
	}
	for _, m := range r.Confusions[:min(len(r.Confusions), practiceMistakes)] {
		was := Cell{Data: m.Name}
		if k.ref.Book().Entry(m.Entry) != nil {
			was.Href = "/e/" + m.Entry
		}
		came := Cell{Text: verdictWords(m.Verdict)}
		if m.Danger && m.Verdict == practice.Passed {
			came.Text = say.T("would have passed – dangerous")
		}
		v.Mistakes.Rows = append(v.Mistakes.Rows, Row{Cells: []Cell{was, takenCell(m.Taken), {Text: m.Asked.Word()}, {Text: m.Act.Word()}, came,
			{Data: itoa(m.Times), Number: true}, {Text: clock(m.Last, v.Now)}}})
	}
	for _, x := range r.Sessions {
		n := x.Count()
		to := Cell{Data: x.To}
		if x.To == "" {
			to = Cell{Text: say.T("nowhere in particular")}
		}
		at := Cell{Text: clock(x.At, v.Now)}
		if id == me.ID {
			at.Href = "/practice/" + itoa(x.Number)
		}
		num := func(k int) Cell { return Cell{Data: itoa(k), Number: true} }
		v.Sessions.Rows = append(v.Sessions.Rows, Row{Cells: []Cell{at, to, {Text: say.T("%d of %d", n.Answered, len(x.Cases)), Number: true},
			num(n.Right), num(n.Careful), num(n.Held), num(n.Early), num(n.Passed), num(n.Named)}})
	}
	return k.render(c, http.StatusOK, practicePersonPage, v)
}
