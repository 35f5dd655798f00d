package kiosk

import (
	"bytes"
	"fmt"
	"html/template"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"github.com/gin-gonic/gin"

	"lastlook/internal/checkpage"
	"lastlook/internal/export"
	"lastlook/internal/paper"
	"lastlook/internal/record"
	"lastlook/internal/say"
	"lastlook/internal/symbol"
)

// recordPage shows the record of a consignment, finished or not. It says what the
// print says: both are made from the same document.
var recordPage = declarePage("record")

type recordView struct {
	Base
	Tag      Tag
	Zone     say.Text
	Invented bool
	Program  string
	Sections []recordSection
	Print    []Act
	Back     Act
}

type recordSection struct {
	ID     string
	Title  say.Text
	Blocks []recordBlock
}

// recordBlock is a block of the document as the parts take it.
type recordBlock struct {
	record.Block
	Notice Notice
	Facts  []Fact
	Table  *recordTable
	QR     template.HTML
}

// recordTable is a table to be read: nothing in it sorts or leads anywhere.
type recordTable struct {
	Caption say.Text
	Columns []record.Column
	Rows    [][]recordCell
}

// recordCell is a value whose first line, if it has several, is not broken: a time
// with who did it below.
type recordCell struct {
	Line string
	record.Value
}

// recordPapers are the sheets a record can be printed on.
var recordPapers = []struct {
	name  string
	title say.Text
}{{"a4", say.T("A4")}, {"letter", say.T("US Letter")}}

// paperRoutes are the routes of what is printed from the record.
func (k *kiosk) paperRoutes(e *gin.Engine) {
	e.GET("/c/:code/record", k.as(anybody, k.record))
	e.GET("/c/:code/record.pdf", k.as(anybody, k.recordPDF))
	e.GET("/c/:code/bundle", k.as(anybody, k.bundle))
	e.GET("/verify.html", k.as(anybody, k.verifyPage))
}

// document makes the record of the consignment named in the path.
func (k *kiosk) document(c *gin.Context) (record.Document, int, error) {
	st, err := k.state(c)
	if err != nil {
		return record.Document{}, 0, err
	}
	ctx := c.Request.Context()
	mark, err := export.Mark(ctx, k.store, st)
	if err != nil {
		return record.Document{}, 0, err
	}
	r, err := record.Build(st, record.Options{
		Mark: mark,
		Photos: func(hash string) ([]byte, error) {
			_, b, err := k.store.Blob(ctx, hash)
			return b, err
		},
		Invented: k.Demo, Program: strings.TrimSpace("Lastlook " + k.version),
	})
	if err != nil {
		return record.Document{}, 0, err
	}
	return r.Document(k.Now().Location()), st.Version, nil
}

func (k *kiosk) record(c *gin.Context) error {
	d, version, err := k.document(c)
	if err != nil {
		return err
	}
	b := k.page(c, d.Title)
	b.Version = version
	return k.render(c, http.StatusOK, recordPage, recordViewOf(b, d, k.paper))
}

func recordViewOf(b Base, d record.Document, sheet string) *recordView {
	path := "/c/" + d.Tag.Code
	v := &recordView{
		Base: b, Tag: recordTag(d), Zone: d.Zone, Invented: d.Invented, Program: d.Program,
		Back: Act{Label: say.T("Back to the consignment"), Symbol: "back", Href: path, Weight: weightQuiet},
	}
	v.Quiet = true
	for _, p := range recordPapers {
		a := Act{Label: say.T("Print the record (PDF)"), Hint: p.title, Symbol: "print", Href: path + "/record.pdf?paper=" + p.name}
		if p.name == sheet {
			a.Weight = weightBig
			v.Print = slices.Insert(v.Print, 0, a)
		} else {
			v.Print = append(v.Print, a)
		}
	}
	v.Print = append(v.Print, Act{Label: say.T("Portable record"), Hint: say.T("One file, to be checked elsewhere"), Symbol: "book", Href: path + "/bundle"},
		Act{Label: say.T("Page to check it with"), Hint: say.T("Works from a disk, without a network"), Symbol: "look", Href: "/verify.html"})
	for _, s := range d.Sections {
		sec := recordSection{ID: s.ID, Title: s.Title}
		for _, b := range s.Blocks {
			sec.Blocks = append(sec.Blocks, recordBlockOf(b))
		}
		v.Sections = append(v.Sections, sec)
	}
	return v
}

func recordBlockOf(b record.Block) recordBlock {
	out := recordBlock{Block: b}
	if !b.Notice.IsZero() {
		out.Notice = Notice{Tone: toneNote, Text: b.Notice}
	}
	if b.Symbol != nil {
		// The text is letters, digits and colons: there is nothing to refuse or escape.
		if qr, err := symbol.QR(b.Symbol.Text, symbol.Medium); err == nil {
			out.QR = template.HTML(qr.SVG(b.Symbol.Caption.String(), 1))
		}
	}
	for _, f := range b.Facts {
		out.Facts = append(out.Facts, Fact{Label: f.Label, Data: f.Data, Text: f.Text})
	}
	if t := b.Table; t != nil {
		out.Table = &recordTable{Caption: t.Caption, Columns: t.Columns}
		for _, r := range t.Rows {
			var row []recordCell
			for _, val := range r {
				cell := recordCell{Value: val}
				if first, rest, several := strings.Cut(val.Data, "\n"); several {
					cell.Line, cell.Data = first, rest
				}
				row = append(row, cell)
			}
			out.Table.Rows = append(out.Table.Rows, row)
		}
	}
	return out
}

// recordTag is the tag as it stands on the record: with times that stay true, and
// stamped once there is an outcome.
func recordTag(d record.Document) Tag {
	t := Tag{
		Number: d.Tag.Number, Customer: d.Tag.Customer, Destination: d.Tag.Destination,
		Packages: d.Tag.Packages, By: d.Tag.LeaveBy, Mark: Mark{State: stateWork, Text: d.Tag.Word},
	}
	if d.Tag.Outcome == "" {
		return t
	}
	t.Mark.State = state(d.Tag.Outcome)
	t.Stamp = &Stamp{State: t.Mark.State, At: d.Tag.At, Until: d.Tag.Until}
	return t
}

// recordPDF answers with the print. It is made whole before anything is sent.
func (k *kiosk) recordPDF(c *gin.Context) error {
	d, _, err := k.document(c)
	if err != nil {
		return err
	}
	name := c.Query("paper")
	if name == "" {
		name = k.paper
	}
	t := pick(k.Tongues, c.GetHeader("Accept-Language"))
	var b bytes.Buffer
	if err := paper.Record(&b, d, paper.RecordOptions{Paper: name, Say: t.print}); err != nil {
		return err
	}
	c.Header("Content-Disposition", contentDisposition("record "+d.Tag.Number+".pdf"))
	c.Data(http.StatusOK, "application/pdf", b.Bytes())
	return nil
}

// bundle answers with the portable record, to be saved.
func (k *kiosk) bundle(c *gin.Context) error {
	st, err := k.state(c)
	if err != nil {
		return err
	}
	b, err := export.Bundle(c.Request.Context(), k.store, st.Code, export.Options{
		Program: strings.TrimSpace("Lastlook " + k.version), Invented: k.Demo, Entry: k.entryText,
	})
	if err != nil {
		return err
	}
	file, err := b.Encode()
	if err != nil {
		return err
	}
	c.Header("Content-Disposition", strings.Replace(contentDisposition(st.Number+".bundle.zip"), "inline", "attachment", 1))
	c.Data(http.StatusOK, "application/zip", file)
	return nil
}

// verifyPage answers with the page that checks portable records, to be saved: it is
// no page of this kiosk, and whoever needs it is elsewhere.
func (k *kiosk) verifyPage(c *gin.Context) error {
	page, err := checkpage.Page(strings.TrimSpace("Lastlook " + k.version))
	if err != nil {
		return err
	}
	c.Header("Content-Disposition", `attachment; filename="lastlook-verify.html"`)
	c.Data(http.StatusOK, "text/html; charset=utf-8", page)
	return nil
}

// entryText gives the canonical text of an entry of the reference by its hash, nil
// if none in force has it.
func (k *kiosk) entryText(hash string) []byte {
	for _, e := range k.ref.Book().Entries() {
		if e.Hash() == hash {
			return e.Canonical()
		}
	}
	return nil
}

// contentDisposition names a file that is shown rather than saved (RFC 6266), in
// plain characters and, for browsers, as it is.
func contentDisposition(name string) string {
	plain := strings.Map(func(r rune) rune {
		if r < ' ' || r > '~' || strings.ContainsRune(`"\/:*?<>|`, r) {
			return '-'
		}
		return r
	}, name)
	return fmt.Sprintf(`inline; filename="%s"; filename*=UTF-8''%s`, plain, url.PathEscape(plain))
}
