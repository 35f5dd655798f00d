package kiosk

import (
	"strings"

	"lastlook/internal/export"
	"lastlook/internal/record"
	"lastlook/internal/say"
)

// isMark tells whether a scan is the code of a printed record.
func isMark(text string) bool {
	return strings.HasPrefix(strings.ToUpper(strings.TrimSpace(text)), record.MarkPrefix)
}

// scanMark compares a printed record with the one that is kept here, and opens that.
func (k *kiosk) scanMark(s scanned, text string) (answer, error) {
	m, err := record.ParseMark(text)
	if err != nil {
		return answer{}, err
	}
	st, err := k.store.Consignment(s.ctx, m.Code)
	if say.CodeOf(err) == say.NotFound {
		return wrong(say.T("This paper is not of this site: there is no consignment %s here.", m.Code), say.T("Whoever sent it can check it: do not file it with the records of this site.")), nil
	}
	if err != nil {
		return answer{}, err
	}
	to := "/c/" + st.Code + "/record"
	kept, err := export.Marks(s.ctx, k.store, st)
	if err != nil {
		return answer{}, err
	}
	differs := func(why say.Text) (answer, error) {
		a := wrong(say.T("This paper does not match the record of %s that is kept here.", st.Number), why)
		a.Go = to
		return a, nil
	}
	for i, x := range kept {
		if x.Leaf != m.Leaf {
			continue
		}
		switch {
		case x.Outcome != m.Outcome:
			return differs(say.T("The paper says %s; on record is %s. The paper was changed.", m.Outcome.Words(), x.Outcome.Words()))
		case x.Head != m.Head:
			return differs(say.T("The outcome is the same, but what came before it on record at this site is not what the paper was printed from: tell the supervisor, and run lastlook audit."))
		case i < len(kept)-1:
			return note(say.T("This paper matches the record kept here, but is of an earlier inspection of %s.", st.Number), say.T("It says %s. The newest says %s.", m.Outcome.Words(), kept[len(kept)-1].Outcome.Words()), to), nil
		}
		a := right(say.T("This paper matches the record kept here: %s, %s.", st.Number, m.Outcome.Words()), to)
		if r := st.Running(); r != nil {
			a.Detail = say.T("It is being inspected again.")
		}
		return a, nil
	}
	if len(kept) == 0 {
		return differs(say.T("The paper says %s, but no inspection of it has ended here: the paper, or the data here, are from another time, as after restoring a backup.", m.Outcome.Words()))
	}
	return differs(say.T("The outcome on the paper (%s) is none of those on record here (%s): one of the two was changed, or the record here is from a backup.", m.Outcome.Words(), outcomesOf(kept)))
}

// outcomesOf lists outcomes in their order.
func outcomesOf(marks []record.Mark) say.Text {
	var words []say.Text
	for _, m := range marks {
		words = append(words, m.Outcome.Words())
	}
	return say.T("%s", words)
}
