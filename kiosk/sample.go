package kiosk

import (
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"github.com/gin-gonic/gin"

	"lastlook/internal/consignment"
	"lastlook/internal/ladder"
	places "lastlook/internal/place"
	"lastlook/internal/say"
	"lastlook/internal/store"
)

// takeSamplePage takes a sample of a find: what was taken, how it is kept, and one
// press. The rest may be left as it is.
var takeSamplePage = declarePage("sample_take")

type takeView struct {
	Base
	Tag      Tag
	Question Question
	Where    say.Text
	Cautions []string
	Reasons  []say.Text // of the find's rung
	Notice   Notice
	Before   Notice // samples there are already
	Action   string
	Hidden   []Hidden
	Taken    Choices
	Kept     Choices
	Do       Act
	Asked    Field
	Note     Field
	Photos   []takenPhoto
	Photo    Field
	Add      Act
	More     bool // the optional part is open
	Back     Act
}

type takenPhoto struct {
	Hash   string
	Chosen bool
}

// findAt finds the find that a query or form names: the find with the number in
// the round, or in the newest round if none is named.
func findAt(st *consignment.State, v url.Values) (*consignment.Round, *consignment.Find, error) {
	r := st.Round()
	if v.Get("round") != "" {
		n, err := strconv.Atoi(v.Get("round"))
		if err != nil || n < 1 || n > len(st.Rounds) {
			return nil, nil, say.Refuse(say.NotFound, "There is no round %s of %s.", shown(v.Get("round")), st.Number)
		}
		r = st.Rounds[n-1]
	}
	if r == nil {
		return nil, nil, say.Refuse(say.NotFound, "%s is not inspected yet: a sample is taken of a find.", st.Number)
	}
	id, err := strconv.Atoi(v.Get("find"))
	if err == nil {
		if f := r.Find(id); f != nil {
			return r, f, nil
		}
	}
	return nil, nil, say.Refuse(say.NotFound, "There is no find %s in round %d.", shown(v.Get("find")), r.Number)
}

// shown is a short piece of what somebody sent, to say it again.
func shown(s string) string {
	if r := []rune(s); len(r) > 20 {
		return string(r[:20]) + "…"
	}
	return orDash(s)
}

// usualSample is what is usually taken of such a find, and how it is kept: insects,
// mites and snails into alcohol, plant parts and growing medium cool, so that they
// do not rot on the way (common practice, from memory).
func usualSample(f consignment.FindFacts) (consignment.Taken, consignment.Kept) {
	animal := f.What == consignment.LivePest || f.What == consignment.Beneficial
	if f.Entry != nil && f.Entry.Kind == "nematode" {
		animal = false // it is in the root or the medium
	}
	switch {
	case animal:
		return consignment.TakenSpecimen, consignment.KeptAlcohol
	case f.What == consignment.Weed:
		return consignment.TakenPlant, consignment.KeptCool
	case f.What == consignment.Soil:
		return consignment.TakenMedium, consignment.KeptCool
	}
	switch f.Part {
	case consignment.PartLeafUpper, consignment.PartLeafLower:
		return consignment.TakenLeaf, consignment.KeptCool
	case consignment.PartShootTip, consignment.PartBud, consignment.PartFlower, consignment.PartFruit, consignment.PartStem, consignment.PartBark:
		return consignment.TakenStem, consignment.KeptCool
	case consignment.PartRoot:
		return consignment.TakenRoot, consignment.KeptCool
	case consignment.PartMedium:
		return consignment.TakenMedium, consignment.KeptCool
	}
	return consignment.TakenSpecimen, consignment.KeptDry
}

func (k *kiosk) takePage(c *gin.Context) error {
	q := c.Request.URL.Query()
	return k.showTake(c, q, nil)
}

func (k *kiosk) showTake(c *gin.Context, from url.Values, refused *say.Refusal) error {
	st, err := k.state(c)
	if err != nil {
		return err
	}
	r, f, err := findAt(st, from)
	if err != nil {
		return err
	}
	b := k.page(c, say.T("Take a sample"))
	b.Version = st.Version
	b.Here = takePath(st.Code, r.Number, f.ID)
	v := &takeView{
		Base: b, Tag: k.stateTag(b, st), Action: "/c/" + st.Code + "/sample",
		Question: Question{Text: say.T("Take a sample"), Help: say.T("What you saw, on the part it sits on. Close it; its label and its form are printed next.")},
		Where:    say.T("package %03d · %s", f.Facts.Package, findWords(f)),
		Cautions: k.cautionsOf([]*consignment.Find{f}),
		Hidden:   []Hidden{{Name: "round", Value: itoa(r.Number)}, {Name: "find", Value: itoa(f.ID)}},
		Do:       Act{Label: say.T("The sample is taken"), Weight: weightBig, Rung: ladder.Sample, Name: "do", Value: "take"},
		Asked:    Field{Name: "asked", Label: say.T("What is asked of the laboratory?"), Hint: say.T("Left empty, it is asked what it is and whether it is alive."), Value: from.Get("asked"), Type: "area"},
		Note:     Field{Name: "note", Label: say.T("Note"), Value: from.Get("note"), Type: "area"},
		Photo:    Field{Name: "photo", Label: say.T("Another photo"), Hint: say.T("It is kept with the sample when you say that it is taken."), Type: "photo"},
		Add:      Act{Label: say.T("Add the photo"), Name: "do", Value: "photo"},
		Back:     Act{Label: say.T("Later"), Symbol: "back", Href: "/c/" + st.Code + "/samples", Weight: weightQuiet},
	}
	if st.Running() != nil && r == st.Round() {
		v.Back = Act{Label: say.T("Later: carry on examining"), Symbol: "back", Href: packagePath(st.Code, f.Facts.Package), Weight: weightQuiet}
	}
	if f.Rung == ladder.Stop {
		v.Before = Notice{Tone: toneWrong, Text: say.T("A quarantine pest is suspected: ask the authority before you take or move anything."),
			Detail: say.T("Rules for that are set by local law.")}
	} else if n := len(st.SamplesOf(r.Number, f.ID)); n > 0 {
		v.Before = Notice{Tone: toneNote, Text: say.T("There are samples of this find already: %d.", n), Detail: say.T("Take another only if it is needed.")}
	}
	what, how := usualSample(f.Facts)
	if from.Get("taken") != "" || refused != nil {
		what = consignment.Taken(from.Get("taken"))
	}
	if from.Get("kept") != "" || refused != nil {
		how = consignment.Kept(from.Get("kept"))
	}
	v.Taken = Choices{Name: "taken", Legend: say.T("What was taken?")}
	for _, t := range consignment.Takens {
		v.Taken.Tiles = append(v.Taken.Tiles, Choice{Value: string(t), Label: t.Words(), Chosen: t == what})
	}
	v.Kept = Choices{Name: "kept", Legend: say.T("How is it kept?")}
	for _, t := range consignment.Kepts {
		v.Kept.Tiles = append(v.Kept.Tiles, Choice{Value: string(t), Label: t.Words(), Chosen: t == how})
	}
	chosen := from["photo"]
	if !from.Has("taken") && refused == nil { // first shown
		chosen = f.Facts.Photos
	}
	for _, h := range slices.Compact(append(slices.Clone(f.Facts.Photos), notIn(chosen, f.Facts.Photos)...)) {
		v.Photos = append(v.Photos, takenPhoto{Hash: h, Chosen: slices.Contains(chosen, h)})
	}
	v.More = from.Has("taken") && (from.Get("asked") != "" || from.Get("note") != "" || len(from["photo"]) > 0)
	status := http.StatusOK
	if refused != nil {
		status = statuses[refused.Code]
		switch refused.Field {
		case "taken":
			v.Taken.Error = refused.Text
		case "kept":
			v.Kept.Error = refused.Text
		case "asked":
			v.Asked.Error, v.More = refused.Text, true
		case "note":
			v.Note.Error, v.More = refused.Text, true
		case "photo":
			v.Photo.Error, v.More = refused.Text, true
		default:
			v.Notice = Notice{Tone: toneWrong, Text: refused.Text}
		}
	}
	return k.render(c, status, takeSamplePage, v)
}

// notIn gives the photos of which the others have none.
func notIn(photos, others []string) []string {
	var out []string
	for _, p := range photos {
		if isHash(p) && !slices.Contains(others, p) && !slices.Contains(out, p) {
			out = append(out, p)
		}
	}
	return out
}

// takeSample takes a sample, with a photo that came along; or only adds the photo.
func (k *kiosk) takeSample(c *gin.Context) error {
	form, file, err := readPhotoForm(c.Request)
	if r := asRefusal(err); r != nil {
		return k.showTake(c, form, r)
	}
	if err != nil {
		return err
	}
	st, err := k.state(c)
	if err != nil {
		return err
	}
	round, f, err := findAt(st, form)
	if err != nil {
		return err
	}
	if len(file) > 0 {
		hash, err := k.keepPhoto(c.Request.Context(), file)
		if r := asRefusal(err); r != nil {
			return k.showTake(c, form, r)
		}
		if err != nil {
			return err
		}
		form.Add("photo", hash)
	} else if form.Get("do") == "photo" {
		return k.showTake(c, form, say.Refuse(say.Invalid, "No photo came with this: take one or choose a file, then add it.").For("photo"))
	}
	if form.Get("do") == "photo" {
		return k.showTake(c, form, nil)
	}
	ctx := c.Request.Context()
	for _, h := range form["photo"] {
		if kind, _, err := k.store.Blob(ctx, h); err != nil || kind != "image/jpeg" {
			return k.showTake(c, form, say.Refuse(say.Invalid, "One of the photos is not here: leave it out, or take it again.").For("photo"))
		}
	}
	sample, err := k.store.NewSampleCode(ctx)
	if err != nil {
		return err
	}
	done, err := k.step(c, st.Code, form, consignment.TakeSample{
		Code: sample, Round: round.Number, Find: f.ID, What: consignment.Taken(form.Get("taken")), Kept: consignment.Kept(form.Get("kept")),
		Asked: form.Get("asked"), Note: form.Get("note"), Photos: form["photo"],
	})
	if r := asRefusal(err); r != nil {
		return k.showTake(c, form, r)
	}
	if err != nil {
		return err
	}
	// The same form twice is one sample, with the code it was given first.
	of := done.State.SamplesOf(round.Number, f.ID)
	if len(of) == 0 {
		return k.onward(c, done.State)
	}
	sample = of[len(of)-1].Sample
	tell(c, Flash{Tone: toneRight, Text: say.T("Sample %s is taken.", sample), Detail: say.T("Print its label, stick it on and close it.")})
	return k.forward(c, "/s/"+sample)
}

// step takes a step for a form that was read by itself, or whose address does not
// name the consignment.
func (k *kiosk) step(c *gin.Context, consignmentCode string, form url.Values, cmd consignment.Command) (store.Done, error) {
	version, _ := formNumber(form.Get("version"))
	return k.store.Do(c.Request.Context(), store.Step{
		Code: consignmentCode, Key: form.Get("key"), Expect: version, Actor: actorOf(c), Bench: benchOf(c), Command: cmd,
	})
}

// samplePage is one sample: what it is, who had it, and what comes next with it.
var samplePage = declarePage("sample")

type sampleView struct {
	Base
	Tag      Tag
	Question Question
	State    Mark
	Age      *Mark
	Clocks   Notice
	Notice   Notice
	Action   string
	Store    *storeForm
	Hand     *handForm
	Receive  *handForm
	Next     *Act // where no form is next
	Answer   *sampleAnswer
	Papers   []Act
	Facts    []Fact
	Custody  []custodyLine
	Photos   []string
	Ways     []Act
	Back     Act
}

// storeForm asks where the sample is put: each place is one press.
type storeForm struct {
	Places []Act
	None   Notice
}

// handForm asks to whom it is given, or who received it.
type handForm struct {
	By   Field
	Note Field
	Do   Act
}

type custodyLine struct {
	Step say.Text
	To   string
	By   string
	At   say.Text
	Note string
}

// sampleAnswer is a result as the page shows it.
type sampleAnswer struct {
	Rung    ladder.Rung
	Word    say.Text
	Name    string
	Reasons []say.Text
	Facts   []Fact
}

// sampleOf reads the sample named in the path.
func (k *kiosk) sampleOf(c *gin.Context) (*consignment.State, *consignment.Sample, error) {
	ctx := c.Request.Context()
	in, err := k.store.SampleOf(ctx, c.Param("sample"))
	if err != nil {
		return nil, nil, err
	}
	st, err := k.store.Consignment(ctx, in)
	if err != nil {
		return nil, nil, err
	}
	if x := st.Sample(c.Param("sample")); x != nil {
		return st, x, nil
	}
	return nil, nil, say.Refuse(say.NotFound, "There is no sample %s of this consignment. Is it of another site?", shown(c.Param("sample")))
}

// findOfSample gives the find that a sample is of; nil if it was taken back.
func findOfSample(st *consignment.State, x *consignment.Sample) *consignment.Find {
	return st.Rounds[x.Round-1].Find(x.Find)
}

func (k *kiosk) samplePage(c *gin.Context) error { return k.showSample(c, nil) }

func (k *kiosk) showSample(c *gin.Context, refused *say.Refusal) error {
	st, x, err := k.sampleOf(c)
	if err != nil {
		return err
	}
	ctx := c.Request.Context()
	b := k.page(c, say.T("Sample %s", x.Sample))
	b.Version = st.Version
	p, _ := st.Package(x.Package)
	v := &sampleView{
		Base: b, Tag: k.stateTag(b, st), Action: "/s/" + x.Sample, State: custodyMark(x), Photos: x.Photos,
		Question: Question{Text: say.T("Sample %s", sampleCode(x.Sample).Human()), Help: say.T("%s · %s · %s", x.What.Words(), x.Kept.Words(), fromWords(x.Package, x.Unit))},
		Back:     Act{Label: say.T("Samples of %s", st.Number), Symbol: "back", Href: "/c/" + st.Code + "/samples", Weight: weightQuiet},
		Papers: []Act{
			{Label: say.T("Label for a vial (PDF)"), Symbol: "print", Href: "/s/" + x.Sample + "/label.pdf?sheet=vial"},
			{Label: say.T("Label for a bag (PDF)"), Symbol: "print", Href: "/s/" + x.Sample + "/label.pdf?sheet=bag"},
			{Label: say.T("Form for the laboratory (PDF)"), Symbol: "print", Href: "/s/" + x.Sample + "/form.pdf"},
		},
		Facts: []Fact{
			{Label: say.T("Part"), Text: x.Part.Words()},
			{Label: say.T("Crop"), Data: orDash(p.CropLine.Crop)},
			{Label: say.T("Batch, bay"), Data: orDash(p.CropLine.Batch) + ", " + orDash(p.CropLine.Bay)},
			{Label: say.T("Asked"), Data: x.Asked},
			{Label: say.T("Note"), Data: orDash(x.Note)},
		},
	}
	if x.Asked == "" {
		v.Facts[3].Text = usualQuestion
	}
	f := findOfSample(st, x)
	if f != nil {
		v.Facts = slices.Insert(v.Facts, 0, Fact{Label: say.T("Find"), Text: findWords(f)})
		v.Ways = append(v.Ways, Act{Label: say.T("The find"), Symbol: "look", Href: findPath(st.Code, x.Round, f.ID)},
			Act{Label: say.T("What else is at risk?"), Symbol: "look", Href: "/c/" + st.Code + "/trace?sample=" + x.Sample})
	} else {
		v.Facts = slices.Insert(v.Facts, 0, Fact{Label: say.T("Find"), Text: say.T("taken back since")})
	}
	v.Custody = custodyOf(b, x)
	if x.Answer == nil {
		age := ageMark(x.At, b.Now)
		v.Age = &age
		if v.Clocks, err = k.clocks(ctx, b, st); err != nil {
			return err
		}
	}
	if st.Running() != nil && x.Round == len(st.Rounds) {
		v.Ways = append([]Act{{Label: say.T("Carry on examining"), Symbol: "leaf", Href: nextPath(st, benchOf(c))}}, v.Ways...)
	}
	person, _ := personOf(c)
	super := person.Has(consignment.Supervisor)
	last := consignment.Custody("")
	if n := len(x.Steps); n > 0 {
		last = x.Steps[n-1].Step
	}
	result := Act{Label: say.T("Enter its result"), Symbol: "keys", Href: "/s/" + x.Sample + "/result"}
	if !super {
		result.Hint = say.T("a supervisor does")
	}
	switch {
	case x.Answer != nil:
		v.Answer = answerOf(b, x, f)
		switch r := st.Round(); {
		case f != nil && slices.Contains(unsampled(st), f):
			a := takeAct(st, x.Round, f)
			v.Next = &a
		case x.Round == len(st.Rounds) && r.Ended != nil && r.Ended.Outcome == consignment.Held:
			a := decideAgain(st, person)
			if r.Conclude(b.Now).Outcome == consignment.Held {
				a = Act{Label: say.T("See what still keeps it held"), Symbol: "keys", Href: "/c/" + st.Code + "/hold"}
			}
			v.Next = &a
		default:
			v.Next = &Act{Label: stepWords(consignment.Next(st, benchOf(c))), Symbol: "leaf", Href: nextPath(st, benchOf(c))}
		}
	case last == consignment.Received:
		v.Next = &result
	case last == consignment.HandedOver:
		v.Receive = handing(c, say.T("Who received it?"), say.T("The laboratory, as it confirmed."), Act{Label: say.T("It is received"), Name: "do", Value: "receive"})
		v.Ways = append([]Act{result}, v.Ways...)
	default:
		list, err := k.store.Places(ctx)
		if err != nil {
			return err
		}
		v.Store = storing(list)
		v.Hand = handing(c, say.T("To whom?"), say.T("The courier or the laboratory. Give them the form as well."), Act{Label: say.T("It is handed over"), Name: "do", Value: "hand"})
	}
	v.loudest(last)
	status := http.StatusOK
	if refused != nil {
		status = statuses[refused.Code]
		switch {
		case refused.Field == "by" && c.PostForm("do") == "hand" && v.Hand != nil:
			v.Hand.By.Error = refused.Text
		case refused.Field == "by" && v.Receive != nil:
			v.Receive.By.Error = refused.Text
		case refused.Field == "note" && c.PostForm("do") == "hand" && v.Hand != nil:
			v.Hand.Note.Error = refused.Text
		case refused.Field == "note" && v.Receive != nil:
			v.Receive.Note.Error = refused.Text
		default:
			v.Notice = Notice{Tone: toneWrong, Text: refused.Text}
		}
	}
	return k.render(c, status, samplePage, v)
}

// loudest makes the next step the one big act of the page.
func (v *sampleView) loudest(last consignment.Custody) {
	switch {
	case v.Next != nil:
		v.Next.Weight = weightBig
	case v.Receive != nil:
		v.Receive.Do.Weight = weightBig
	case last == consignment.Stored || len(v.Store.Places) == 0:
		v.Hand.Do.Weight = weightBig
	default:
		v.Store.Places[0].Weight = weightBig
	}
}

// custodyOf lists who had the sample and when, from its taking on.
func custodyOf(b Base, x *consignment.Sample) []custodyLine {
	out := []custodyLine{{Step: say.T("Taken"), By: x.By.Name, At: b.Clock(x.At)}}
	for _, s := range x.Steps {
		l := custodyLine{Step: s.Step.Words(), To: s.By, By: s.Actor.Name, At: b.Clock(s.At), Note: s.Note}
		if s.Step == consignment.Stored {
			l.To = s.Place
		}
		out = append(out, l)
	}
	if a := x.Answer; a != nil {
		out = append(out, custodyLine{Step: a.Result.Words(), To: a.Laboratory, By: a.By.Name, At: b.Clock(a.At)})
	}
	return out
}

// usualQuestion is what is asked of a laboratory if nobody wrote anything else.
var usualQuestion = say.T("What is it, and is it alive?")

func storing(list *places.List) *storeForm {
	f := &storeForm{
		None: Notice{Tone: toneNote, Text: say.T("No store for samples is on the list of places."), Detail: say.T("A supervisor puts it on the list. Until then, hand the sample over straight away.")},
	}
	for _, p := range list.InUse(places.SampleStore) {
		f.Places = append(f.Places, Act{Label: say.T("Stored: %s", p.Name), Symbol: "to", Name: "place", Value: p.ID})
	}
	return f
}

func handing(c *gin.Context, label, hint say.Text, do Act) *handForm {
	return &handForm{
		By:   Field{Name: "by", Label: label, Hint: hint, Value: c.PostForm("by")},
		Note: Field{Name: "note", Label: say.T("Note"), Hint: say.T("only if there is something to say"), Value: c.PostForm("note")},
		Do:   do,
	}
}

func answerOf(b Base, x *consignment.Sample, f *consignment.Find) *sampleAnswer {
	a := &sampleAnswer{Word: x.Answer.Result.Words(), Facts: []Fact{
		{Label: say.T("Said by"), Data: x.Answer.Laboratory},
		{Label: say.T("Report"), Data: orDash(x.Answer.Reference)},
		{Label: say.T("Entered by"), Data: x.Answer.By.Name, Text: say.T("at %s", b.Clock(x.Answer.At))},
		{Label: say.T("Note"), Data: orDash(x.Answer.Note)},
	}}
	if e := x.Answer.Entry; e != nil {
		a.Name = e.Name
	}
	if x.Answer.Alive != "" {
		a.Facts = slices.Insert(a.Facts, 0, Fact{Label: say.T("Alive?"), Text: x.Answer.Alive.Words()})
	}
	if f != nil && f.Answered != nil && f.Answered.Sample == x.Sample {
		a.Rung, a.Reasons = f.Answered.Rung, f.Answered.Advice.Reasons
	}
	return a
}

// moveSample records where a sample is now.
func (k *kiosk) moveSample(c *gin.Context) error {
	st, x, err := k.sampleOf(c)
	if err != nil {
		return err
	}
	cmd := consignment.MoveSample{Sample: x.Sample, By: c.PostForm("by"), Note: c.PostForm("note")}
	var done Flash
	switch c.PostForm("do") {
	case "store":
		cmd.Step, cmd.By, cmd.Note = consignment.Stored, "", ""
		if cmd.Place, err = k.placeNamed(c, c.PostForm("place")); err != nil {
			if r := asRefusal(err); r != nil {
				return k.showSample(c, r)
			}
			return err
		}
		done.Text = say.T("Sample %s is in %s.", x.Sample, cmd.Place)
	case "hand":
		cmd.Step = consignment.HandedOver
		done.Text = say.T("Sample %s is handed over to %s.", x.Sample, strings.TrimSpace(cmd.By))
	case "receive":
		cmd.Step = consignment.Received
		done.Text = say.T("Sample %s is received by %s.", x.Sample, strings.TrimSpace(cmd.By))
	default:
		return say.Refuse(say.Invalid, "The bench does not know this step.")
	}
	_, err = k.step(c, st.Code, c.Request.PostForm, cmd)
	if r := asRefusal(err); r != nil {
		return k.showSample(c, r)
	}
	if err != nil {
		return err
	}
	done.Tone = toneRight
	tell(c, done)
	return k.forward(c, "/s/"+x.Sample)
}

// placeNamed finds a place in use by the payload of its code. All that is wrong is
// a refusal.
func (k *kiosk) placeNamed(c *gin.Context, id string) (string, error) {
	if id == "" {
		return "", say.Refuse(say.Invalid, "Say where the sample is stored, or scan the place.").For("place")
	}
	list, err := k.store.Places(c.Request.Context())
	if err != nil {
		return "", err
	}
	p, ok := list.Place(id)
	if !ok || p.Retired {
		return "", say.Refuse(say.Invalid, "There is no such place on the list. Choose one, or scan the card that hangs there.").For("place")
	}
	return p.Name, nil
}
