package kiosk

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"net/http"
	"path"
	"strings"
	"sync"
	"time"

	"github.com/gin-gonic/gin"

	"lastlook/internal/intake"
	"lastlook/internal/order"
	"lastlook/internal/say"
)

// uploadPage takes an order file in; resultPage tells how far that is, and what
// became of it.
var (
	uploadPage = declarePage("upload")
	resultPage = declarePage("upload_result")
)

const (
	// uploadWait is how long the answer to an upload waits for its end, so that a
	// file of ordinary size needs no page in between.
	uploadWait = 1500 * time.Millisecond
	// uploadsKept is how many results are kept, the newest ones. They are lost when
	// the program ends: what was taken is not, and the file can be sent again.
	uploadsKept = 20
	// uploadsAtOnce is how many files may wait to be read, as each is in memory.
	uploadsAtOnce = 3
	// maxDrained is how much of a file that is too large is read and dropped, in bytes.
	maxDrained = 4 << 30
	// refusedShown is how many refused lines the page shows; the file has all.
	refusedShown = 200
)

// uploads are the files being taken in and the newest results. The zero value is
// ready.
type uploads struct {
	mu   sync.Mutex
	jobs map[string]*uploadJob
	ids  []string   // oldest first
	one  sync.Mutex // files are taken in one after the other
}

// uploadJob is one file on its way in.
type uploadJob struct {
	name string
	done chan struct{} // closed at the end

	mu     sync.Mutex
	phase  intake.Phase
	at, of int
	report *intake.Report
	err    error
}

func (j *uploadJob) progress(phase intake.Phase, done, total int) {
	j.mu.Lock()
	defer j.mu.Unlock()
	j.phase, j.at, j.of = phase, done, total
}

func (j *uploadJob) ended() bool {
	select {
	case <-j.done:
		return true
	default:
		return false
	}
}

// start runs f for a new job in the background. ok is false if too many wait.
func (u *uploads) start(name string, f func(*uploadJob) (*intake.Report, error)) (id string, j *uploadJob, ok bool) {
	u.mu.Lock()
	defer u.mu.Unlock()
	running := 0
	for _, other := range u.jobs {
		if !other.ended() {
			running++
		}
	}
	if running >= uploadsAtOnce {
		return "", nil, false
	}
	if u.jobs == nil {
		u.jobs = map[string]*uploadJob{}
	}
	id, j = rand.Text(), &uploadJob{name: name, done: make(chan struct{})}
	u.jobs[id] = j
	u.ids = append(u.ids, id)
	if len(u.ids) > uploadsKept {
		delete(u.jobs, u.ids[0])
		u.ids = u.ids[1:]
	}
	go func() {
		defer close(j.done)
		defer func() {
			if v := recover(); v != nil {
				j.err = fmt.Errorf("taking in %q: panic: %v", name, v)
			}
		}()
		u.one.Lock()
		defer u.one.Unlock()
		report, err := f(j)
		j.mu.Lock()
		defer j.mu.Unlock()
		j.report, j.err = report, err
	}()
	return id, j, true
}

func (u *uploads) find(id string) (*uploadJob, error) {
	u.mu.Lock()
	defer u.mu.Unlock()
	j := u.jobs[id]
	if j == nil {
		return nil, say.Refuse(say.NotFound, "This result is not kept any longer. What was taken is on the board; the file can be sent again, and nothing is taken twice.")
	}
	return j, nil
}

type uploadView struct {
	Base
	Question Question
	Error    say.Text
	Send     Act
	Type     Act
	Columns  Table
}

func (k *kiosk) uploadPage(c *gin.Context) error { return k.showUpload(c, http.StatusOK, say.Text{}) }

func (k *kiosk) showUpload(c *gin.Context, status int, wrong say.Text) error {
	v := &uploadView{
		Base:     k.page(c, say.T("Bring in orders")),
		Question: Question{Text: say.T("Bring in orders"), Help: say.T("A table saved as CSV, one line for each crop of a consignment. What is good is kept, also when other lines are not.")},
		Error:    wrong,
		Send:     Act{Label: say.T("Bring in this file"), Hint: say.T("at most %d MiB", order.MaxBytes>>20), Symbol: "book", Weight: weightBig},
		Type:     Act{Label: say.T("Type a consignment in instead"), Symbol: "keys", Href: "/orders/new", Weight: weightQuiet},
		Columns: Table{Caption: say.T("Columns of the file, in any order"), Columns: []Column{{Label: say.T("Name in the first line")}, {Label: say.T("What it says")}},
			Rows: columnRows},
	}
	return k.render(c, status, uploadPage, v)
}

// columnRows tells the columns of an order file as order reads them.
var columnRows = []Row{
	{[]Cell{{Data: "consignment"}, {Text: say.T("its number; on each of its lines")}}},
	{[]Cell{{Data: "customer, destination"}, {Text: say.T("who it is for and where it goes; on the first of its lines")}}},
	{[]Cell{{Data: "dispatch"}, {Text: say.T("when it leaves, like %s; on the first of its lines", "2026-11-25 14:30")}}},
	{[]Cell{{Data: "crop"}, {Text: say.T("what the plants are")}}},
	{[]Cell{{Data: "packages"}, {Text: say.T("how many, or a column “package list” with their marks, like T001-T036")}}},
	{[]Cell{{Data: "units per package"}, {Text: say.T("plants in each package")}}},
	{[]Cell{{Data: "invoice, batch, bay"}, {Text: say.T("if there are any")}}},
}

// upload reads the file and begins to take it in.
func (k *kiosk) upload(c *gin.Context) error {
	src, name, err := uploadedFile(c)
	drain(c)
	if refused := asRefusal(err); refused != nil {
		return k.showUpload(c, statuses[refused.Code], refused.Text)
	}
	if err != nil {
		return err
	}
	// The work goes on when the browser goes away, and has no time limit: it is
	// bounded by the size of the file.
	ctx := context.WithoutCancel(c.Request.Context())
	actor, bench, tongue := actorOf(c), benchOf(c), pick(k.Tongues, c.GetHeader("Accept-Language"))
	now := k.Now()
	id, job, ok := k.uploads.start(name, func(j *uploadJob) (*intake.Report, error) {
		return intake.Take(ctx, k.store, src, intake.Options{
			Now: now, Loc: now.Location(), Source: name, Actor: actor, Bench: bench,
			Sprintf: tongue.print, Progress: j.progress,
		})
	})
	if !ok {
		return k.showUpload(c, http.StatusServiceUnavailable, say.T("Other files are being taken in. Wait until they are through, then send this one again."))
	}
	select {
	case <-job.done:
	case <-time.After(uploadWait):
	case <-c.Request.Context().Done():
	}
	return k.forward(c, "/orders/upload/"+id)
}

// uploadedFile reads the file of the form, and no more of it than an order file
// may have.
func uploadedFile(c *gin.Context) (src []byte, name string, err error) {
	none := say.Refuse(say.Invalid, "No file was chosen. Choose the order file, then send it.").For("file")
	mr, err := c.Request.MultipartReader()
	if err != nil {
		return nil, "", none.Because(err)
	}
	for {
		part, err := mr.NextPart()
		if errors.Is(err, io.EOF) {
			return nil, "", none
		}
		if err != nil {
			return nil, "", uploadTrouble(err)
		}
		if part.FormName() != "file" {
			continue
		}
		if part.FileName() == "" {
			return nil, "", none
		}
		src, err = io.ReadAll(io.LimitReader(part, order.MaxBytes+1))
		if err != nil {
			return nil, "", uploadTrouble(err)
		}
		if len(src) > order.MaxBytes {
			return nil, "", uploadTrouble(&http.MaxBytesError{Limit: order.MaxBytes})
		}
		name, err = order.CleanText(path.Base(strings.ReplaceAll(part.FileName(), `\`, "/")))
		if err != nil {
			name = "orders.csv"
		}
		return src, name, nil
	}
}

// drain reads what is left of the request and drops it, up to a size that nobody
// chooses by mistake. A browser looks at the answer only when it has sent
// everything: without this it would show a broken connection and not the reason.
func drain(c *gin.Context) {
	if body, ok := c.Get(bodyKey); ok {
		_, _ = io.CopyN(io.Discard, body.(io.Reader), maxDrained)
	}
}

// uploadTrouble tells a file that is too large, which has its own answer, from
// one that did not arrive whole.
func uploadTrouble(err error) error {
	var tooBig *http.MaxBytesError
	if errors.As(err, &tooBig) {
		return say.Refuse(say.Invalid, "The file is larger than %d MiB. Nothing was taken; split it into smaller files.", order.MaxBytes>>20).For("file").Because(err)
	}
	return say.Refuse(say.Invalid, "The file did not arrive whole. Nothing was taken; send it again.").For("file").Because(err)
}

type resultView struct {
	Base
	Question Question
	Job      string // its path, asked again while it runs; "" once it has ended
	Loading  Panel
	Wrong    Panel
	Counts   []Fact
	Notices  []Notice
	Refused  Table
	More     say.Text
	Fix      Act
	Taken    Table
	Again    Act
	Board    Act
}

func (k *kiosk) uploadResult(c *gin.Context) error {
	id := c.Param("job")
	job, err := k.uploads.find(id)
	if err != nil {
		return err
	}
	v := &resultView{
		Base:  k.page(c, say.T("Orders from %s", job.name)),
		Again: Act{Label: say.T("Bring in another file"), Symbol: "book", Href: "/orders/upload"},
		Board: Act{Label: say.T("To what is due"), Symbol: "leaf", Href: "/", Weight: weightBig},
	}
	job.mu.Lock()
	defer job.mu.Unlock()
	if !job.ended() {
		v.Job = "/orders/upload/" + id
		v.Loading = Panel{Kind: panelLoading, Text: say.T("Taking the orders in"), Detail: progressText(job),
			Act: Act{Label: say.T("Look again"), Href: v.Job}}
		return k.render(c, http.StatusOK, resultPage, v)
	}
	status := http.StatusOK
	if job.err != nil {
		f := faultOf(job.err)
		status = f.status
		if !f.known {
			k.Log.Error("taking in orders failed", "file", job.name, "err", job.err)
		}
		v.Wrong = Panel{Kind: f.kind, Text: f.heading, Detail: f.text, Act: Act{Label: say.T("Back to the upload"), Href: "/orders/upload", Weight: weightBig}}
		if job.report == nil {
			return k.render(c, status, resultPage, v)
		}
	}
	v.report(job.name, "/orders/upload/"+id, job.report)
	return k.render(c, status, resultPage, v)
}

func progressText(j *uploadJob) say.Text {
	switch {
	case j.of == 0:
		return say.T("%s waits for its turn. It goes on if you leave this page.", j.name)
	case j.phase == intake.Reading:
		return say.T("Reading line %d of %d. It goes on if you leave this page.", j.at, j.of)
	}
	return say.T("Keeping consignment %d of %d. It goes on if you leave this page.", j.at, j.of)
}

// report fills the page with what became of the file.
func (v *resultView) report(name, path string, rep *intake.Report) {
	head := say.T("All of it is here")
	help := say.T("%s new.", consignmentsText(len(rep.Taken)))
	switch {
	case !rep.Clean() && len(rep.Taken)+len(rep.Here) == 0:
		head, help = say.T("Nothing was taken"), say.T("Put the lines below right, then bring the file in again.")
	case !rep.Clean():
		head, help = say.T("Part of it is here"), say.T("What is good was kept. Put the lines below right, then bring them in.")
	case len(rep.Taken) == 0:
		head, help = say.T("All of it was here already"), say.T("Nothing was changed.")
	}
	v.Question = Question{Text: head, Help: help}
	v.Counts = []Fact{
		{Label: say.T("File"), Data: name, Text: linesText(rep.Lines)},
		{Label: say.T("Taken"), Text: consignmentsText(len(rep.Taken))},
		{Label: say.T("Here already"), Text: say.T("%s, left as before", consignmentsText(len(rep.Here)))},
		{Label: say.T("Not taken"), Text: consignmentsText(len(rep.NotTaken))},
	}
	for _, n := range rep.Notices {
		v.Notices = append(v.Notices, Notice{Tone: toneNote, Text: n})
	}
	v.Refused = Table{Caption: say.T("Not right"), Columns: []Column{
		{Label: say.T("Line"), Number: true}, {Label: say.T("Consignment")}, {Label: say.T("Column")}, {Label: say.T("What to do")},
	}}
	for i, r := range rep.Refused {
		if i == refusedShown {
			v.More = say.T("%d more are in the file below.", len(rep.Refused)-refusedShown)
			break
		}
		field := Cell{Data: r.Field}
		if r.Field == "" {
			field = Cell{Text: say.T("whole line")}
		}
		v.Refused.Rows = append(v.Refused.Rows, Row{[]Cell{{Data: itoa(r.Line), Number: true}, {Data: orDash(r.Number)}, field, {Text: r.Text}}})
	}
	if rep.FixLines > 0 {
		v.Fix = Act{Label: say.T("Save what is to be put right (%s)", linesText(rep.FixLines)), Hint: say.T("as CSV, with what is wrong beside each"), Symbol: "book", Href: path + "/fix.csv"}
	}
	v.Taken = Table{Caption: say.T("Taken"), Columns: []Column{{Label: say.T("Consignment")}, {Label: say.T("Next")}}}
	for i, t := range rep.Taken {
		if i == refusedShown {
			break
		}
		v.Taken.Rows = append(v.Taken.Rows, Row{[]Cell{{Data: t.Number, Href: "/c/" + t.Code}, {Text: say.T("print labels"), Href: "/c/" + t.Code + "/labels"}}})
	}
}

func linesText(n int) say.Text {
	if n == 1 {
		return say.T("1 line")
	}
	return say.T("%d lines", n)
}

func consignmentsText(n int) say.Text {
	if n == 1 {
		return say.T("1 consignment")
	}
	return say.T("%d consignments", n)
}

// uploadFix gives the lines to put right as a file.
func (k *kiosk) uploadFix(c *gin.Context) error {
	job, err := k.uploads.find(c.Param("job"))
	if err != nil {
		return err
	}
	job.mu.Lock()
	defer job.mu.Unlock()
	if job.report == nil || job.report.Fix == nil {
		return say.Refuse(say.NotFound, "There is nothing to put right in this file.")
	}
	c.Header("Content-Disposition", `attachment; filename="to-put-right.csv"`)
	c.Data(http.StatusOK, "text/csv; charset=utf-8", job.report.Fix)
	return nil
}
