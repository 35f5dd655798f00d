package bundle

import (
	"bytes"
	"encoding/base64"
	"html"
	"strconv"

	"lastlook/internal/record"
	"lastlook/internal/say"
)

// pageStyle is the whole style of the page: there is no script and nothing is
// fetched, and the policy in its head keeps it that way.
const pageStyle = `body{font:17px/1.5 system-ui,sans-serif;color:#111;background:#fff;max-width:60rem;margin:0 auto;padding:1.5rem}
h1{font-size:1.7rem}h2{border-top:3px solid #111;padding-top:.4rem;margin-top:2.2rem}
.mark{border:3px solid #111;padding:.5rem .8rem;font-weight:bold;background:#faf5b4}
dl{display:grid;grid-template-columns:minmax(9rem,14rem) 1fr;gap:.2rem 1rem}dd{margin:0;white-space:pre-line;overflow-wrap:anywhere}
table{border-collapse:collapse;width:100%;font-size:.9rem}caption{text-align:left;font-weight:bold;padding:.5rem 0}
th,td{border:1px solid #888;text-align:left;vertical-align:top;padding:.25rem .4rem;white-space:pre-line;overflow-wrap:anywhere}
img{max-width:100%;height:auto}figure{margin:0 0 1rem}code,.hash{font-family:monospace;overflow-wrap:anywhere}
`

type pageWriter struct{ bytes.Buffer }

func (w *pageWriter) raw(parts ...string) {
	for _, p := range parts {
		w.WriteString(p)
	}
}

func (w *pageWriter) element(tag, text string) {
	w.raw("<", tag, ">", html.EscapeString(text), "</", tag, ">\n")
}

// value writes a value's data and sentence.
func valueText(v record.Value) string {
	t := v.Text.String()
	switch {
	case v.Data == "":
		return html.EscapeString(t)
	case t == "":
		return "<b>" + html.EscapeString(v.Data) + "</b>"
	}
	return "<b>" + html.EscapeString(v.Data) + "</b>\n" + html.EscapeString(t)
}

func (w *pageWriter) list(texts []say.Text) {
	w.raw("<ul>\n")
	for _, t := range texts {
		w.element("li", t.String())
	}
	w.raw("</ul>\n")
}

// writePage lays a document out as one HTML file, in English, with the photos in
// it. The same document gives the same bytes; changing what it gives means a
// new [PageVersion].
func writePage(d record.Document) []byte {
	w := &pageWriter{}
	w.raw("<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n",
		`<meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'; img-src data:">`, "\n",
		`<meta name="viewport" content="width=device-width">`, "\n")
	w.element("title", d.Title.String())
	w.raw("<style>\n", pageStyle, "</style>\n</head>\n<body>\n")
	w.element("h1", d.Title.String())
	if d.Invented {
		w.raw(`<p class="mark">INVENTED DATA</p>`, "\n")
	}
	if !d.Finished {
		w.raw(`<p class="mark">NOT FINISHED</p>`, "\n")
	}
	t := d.Tag
	w.raw("<dl>\n")
	for _, f := range [][2]string{
		{"Consignment", t.Number}, {"To", t.Customer + ", " + t.Destination}, {"Packages", t.Packages.String()}, {"Leaves", t.LeaveBy.String()},
		{"Outcome", t.Word.String()}, {"Since", t.At.String()}, {"Until", t.Until.String()},
	} {
		if f[1] != "" {
			w.raw("<dt>", f[0], "</dt><dd><b>", html.EscapeString(f[1]), "</b></dd>\n")
		}
	}
	w.raw("</dl>\n")
	w.element("p", d.Zone.String())
	for _, s := range d.Sections {
		w.raw("<section>\n")
		w.element("h2", s.Title.String())
		for _, b := range s.Blocks {
			w.block(b)
		}
		w.raw("</section>\n")
	}
	w.element("p", d.Program)
	w.raw("</body>\n</html>\n")
	return w.Bytes()
}

func (w *pageWriter) block(b record.Block) {
	if !b.Heading.IsZero() {
		w.element("h3", b.Heading.String())
	}
	switch {
	case !b.Notice.IsZero():
		w.raw(`<p class="mark">`, html.EscapeString(b.Notice.String()), "</p>\n")
	case len(b.Text) > 0:
		w.raw("<p>")
		for _, t := range b.Text {
			w.raw(html.EscapeString(t.String()), " ")
		}
		w.raw("</p>\n")
	case len(b.List) > 0:
		w.list(b.List)
	case len(b.Facts) > 0:
		w.raw("<dl>\n")
		for _, f := range b.Facts {
			w.raw("<dt>", html.EscapeString(f.Label.String()), "</dt><dd>", valueText(f.Value), "</dd>\n")
		}
		w.raw("</dl>\n")
	case len(b.Answers) > 0:
		w.raw("<ul>\n")
		for _, a := range b.Answers {
			w.raw("<li><b>", html.EscapeString(a.Word().String()), "</b> ", html.EscapeString(a.Words.String()), "</li>\n")
		}
		w.raw("</ul>\n")
	case b.Table != nil:
		w.table(b.Table)
	case len(b.Photos) > 0:
		for _, p := range b.Photos {
			w.photo(p)
		}
	case len(b.Sign) > 0:
		w.list(b.Sign)
	case b.Symbol != nil:
		w.element("p", b.Symbol.Caption.String())
		w.element("code", b.Symbol.Text)
	}
}

func (w *pageWriter) table(t *record.Table) {
	w.raw("<table>\n")
	w.element("caption", t.Caption.String())
	w.raw("<thead><tr>")
	for _, c := range t.Columns {
		w.raw(`<th scope="col">`, html.EscapeString(c.Label.String()), "</th>")
	}
	w.raw("</tr></thead>\n<tbody>\n")
	for _, r := range t.Rows {
		w.raw("<tr>")
		for _, v := range r {
			w.raw("<td>", valueText(v), "</td>")
		}
		w.raw("</tr>\n")
	}
	w.raw("</tbody>\n</table>\n")
}

func (w *pageWriter) photo(p record.Picture) {
	caption := html.EscapeString(p.Caption.String())
	w.raw("<figure>")
	if p.Problem.IsZero() {
		w.raw(`<img alt="`, caption, `" width="`, strconv.Itoa(p.Width), `" height="`, strconv.Itoa(p.Height),
			`" src="data:image/jpeg;base64,`, base64.StdEncoding.EncodeToString(p.JPEG), `">`)
	} else {
		w.raw(`<p class="mark">`, html.EscapeString(p.Problem.String()), "</p>")
	}
	w.raw("<figcaption>", caption, " <span class=\"hash\">", html.EscapeString(p.Hash), "</span></figcaption></figure>\n")
}
