package kiosk

import (
	"bytes"
	"context"
	"errors"
	"image/jpeg"
	"net/http"
	"time"

	"github.com/gin-gonic/gin"

	"lastlook/internal/consignment"
	"lastlook/internal/ladder"
	"lastlook/internal/paper"
	"lastlook/internal/record"
	"lastlook/internal/say"
)

// sampleLabel gives the label of a sample, for a vial unless another size is asked
// for.
func (k *kiosk) sampleLabel(c *gin.Context) error {
	st, x, err := k.sampleOf(c)
	if err != nil {
		return err
	}
	sheet := paper.SampleSheets()[0]
	if name := c.Query("sheet"); name != "" {
		if sheet, err = paper.SheetIn(paper.SampleSheets(), name); err != nil {
			return err
		}
	}
	b := k.page(c, say.T("Label of sample %s", x.Sample))
	l := paper.SampleLabel{
		Code: sampleCode(x.Sample), Consignment: st.Number, Package: x.Package, Unit: x.Unit,
		Part: b.Say(x.Part.Words()), Taken: b.Say(x.What.Words()), Kept: b.Say(x.Kept.Words()),
		By: x.By.Name, At: paperTime(x.At, b.Now.Location()),
	}
	var pdf bytes.Buffer
	if err := paper.Samples(&pdf, sheet, []paper.SampleLabel{l}, paper.LabelOptions{Say: b.T, Invented: k.Demo, Created: k.Now(), Title: b.Say(b.Title)}); err != nil {
		return err
	}
	c.Header("Content-Disposition", contentDisposition("label "+x.Sample+".pdf"))
	c.Data(http.StatusOK, "application/pdf", pdf.Bytes())
	return nil
}

// paperTime is a time that stays true on paper: with its date.
func paperTime(t time.Time, zone *time.Location) string { return t.In(zone).Format("2006-01-02 15:04") }

// zoneName names the zone of a time: "CET (UTC+01:00)", "UTC".
func zoneName(t time.Time) string {
	name, offset := t.Zone()
	if name == "UTC" && offset == 0 {
		return name
	}
	return t.Format("MST (UTC-07:00)")
}

// formHead is what forms say of the site and the consignment.
func (k *kiosk) formHead(ctx context.Context, b Base, st *consignment.State) (paper.FormHead, error) {
	zone := b.Now.Location()
	h := paper.FormHead{
		Contact: b.Person, Invented: k.Demo, Created: k.Now(), Program: k.program(),
		Zone: say.T("Times are those of the clock at the bench: %s.", zoneName(b.Now)),
		Tag: record.Tag{
			Code: st.Code, Number: st.Number, Customer: st.Customer, Destination: st.Destination, Packages: packagesText(st.Count()),
			LeaveBy: say.T("leave by %s", paperTime(st.DispatchAt, zone)), Word: standWord(st.Standing()),
		},
	}
	if r := st.Round(); r != nil && r.Ended != nil {
		h.Tag.Outcome, h.Tag.Word, h.Tag.At = r.Ended.Outcome, r.Ended.Outcome.Words(), say.T("%s", paperTime(r.Ended.At, zone))
	}
	if k.Demo {
		h.Site = "Quillfern Growers (invented)"
		return h, nil
	}
	site, err := k.store.Site(ctx)
	if err != nil {
		return h, err
	}
	h.Site = site.Name
	return h, nil
}

// program names the program on paper.
func (k *kiosk) program() string {
	if k.version == "" {
		return "Lastlook"
	}
	return "Lastlook " + k.version
}

// sampleForm gives the form that goes to the laboratory with a sample, filled in
// from what is on record.
func (k *kiosk) sampleForm(c *gin.Context) error {
	st, x, err := k.sampleOf(c)
	if err != nil {
		return err
	}
	ctx := c.Request.Context()
	b := k.page(c, say.T("Form of sample %s", x.Sample))
	f, err := k.submission(ctx, b, st, x)
	if err != nil {
		return err
	}
	sheet := c.Query("paper")
	if sheet == "" {
		sheet = k.paper
	}
	var pdf bytes.Buffer
	if err := paper.Submit(&pdf, f, paper.RecordOptions{Paper: sheet, Say: b.T}); err != nil {
		return err
	}
	c.Header("Content-Disposition", contentDisposition("sample "+x.Sample+".pdf"))
	c.Data(http.StatusOK, "application/pdf", pdf.Bytes())
	return nil
}

func (k *kiosk) submission(ctx context.Context, b Base, st *consignment.State, x *consignment.Sample) (paper.Submission, error) {
	zone := b.Now.Location()
	p, _ := st.Package(x.Package)
	f := paper.Submission{
		Sample: sampleCode(x.Sample), Crop: p.CropLine.Crop, Batch: p.CropLine.Batch, Bay: p.CropLine.Bay,
		Package: x.Package, Unit: x.Unit, Taken: say.T("%s (%s)", x.What.Words(), x.Part.Words()), Kept: x.Kept.Words(),
		By: x.By.Name, At: say.T("%s", paperTime(x.At, zone)), Asked: x.Asked,
	}
	if f.Asked == "" {
		f.Asked = b.Say(usualQuestion)
	}
	if x.Note != "" {
		f.Asked += " (" + x.Note + ")"
	}
	var err error
	if f.FormHead, err = k.formHead(ctx, b, st); err != nil {
		return f, err
	}
	r := st.Rounds[x.Round-1]
	if end := r.ValidUntil(); x.Answer == nil && st.Dispatched == nil && x.Round == len(st.Rounds) && !end.IsZero() {
		f.Urgency = say.T("Nothing of this consignment moves until the answer is here. It is to leave at %s; its inspection holds until %s.",
			paperTime(st.DispatchAt, zone), paperTime(end, zone))
	}
	hashes := x.Photos
	if find := findOfSample(st, x); find != nil {
		facts := find.Facts
		f.Suspect = find.Rung == ladder.Stop || facts.What == consignment.Suspect
		what := facts.What.Words()
		if facts.What == consignment.NotIdentified {
			what = say.T("not identified")
		}
		if e := facts.Entry; e != nil {
			what = say.T("%s (as named at the bench)", e.Name)
		}
		f.Signs = []paper.Sign{{Part: facts.Part.Words(), What: what, Units: facts.Units, Alive: facts.Alive.Words(), Method: facts.Method.Words(), Note: facts.Note}}
		hashes = append(append([]string(nil), hashes...), notIn(facts.Photos, hashes)...)
	}
	for i, h := range hashes {
		if i == paper.MaxFormPhotos {
			break
		}
		pic, err := k.picture(ctx, h)
		if err != nil {
			return f, err
		}
		pic.Caption = say.T("photo %d, %s", i+1, fromWords(x.Package, x.Unit))
		f.Photos = append(f.Photos, pic)
	}
	f.Custody = []paper.Custody{{Step: say.T("Taken"), Who: x.By.Name, At: f.At}}
	for _, s := range x.Steps {
		step := paper.Custody{Step: s.Step.Words(), Who: s.Actor.Name, At: say.T("%s", paperTime(s.At, zone)), Note: s.Note}
		switch s.Step {
		case consignment.Stored:
			step.Step = say.T("Stored: %s", s.Place)
		case consignment.HandedOver:
			step.Step = say.T("To %s", s.By)
		default:
			step.Who = s.By
		}
		f.Custody = append(f.Custody, step)
	}
	return f, nil
}

// picture reads a photo for paper. One that is gone or cannot be read says so where
// it would be.
func (k *kiosk) picture(ctx context.Context, hash string) (record.Picture, error) {
	p := record.Picture{Photo: record.Photo{Hash: hash}}
	_, file, err := k.store.Blob(ctx, hash)
	var refused *say.Refusal
	switch {
	case errors.As(err, &refused):
		p.Problem = refused.Text
		return p, nil
	case err != nil:
		return p, err
	}
	cfg, err := jpeg.DecodeConfig(bytes.NewReader(file))
	if err != nil || cfg.Width < 1 || cfg.Height < 1 {
		p.Problem = say.T("This photo cannot be read.")
		return p, nil
	}
	p.JPEG, p.Width, p.Height = file, cfg.Width, cfg.Height
	return p, nil
}
