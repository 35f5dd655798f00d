package courier

import (
	"fmt"
	"strings"
	"time"

	"lastlook/internal/exact"
	"lastlook/internal/notify"
)

// body is what a webhook receives. FORMAT.md explains each field.
type body struct {
	Format      string           `json:"format"`
	ID          string           `json:"id"`
	Occasion    string           `json:"occasion,omitempty"`
	Cause       notify.Cause     `json:"cause"`
	Site        string           `json:"site"`
	RaisedAt    time.Time        `json:"raised_at"`
	QueuedAt    time.Time        `json:"queued_at"`
	To          string           `json:"to"`
	Level       int              `json:"level,omitempty"`
	Telling     int              `json:"telling"`
	Consignment *bodyConsignment `json:"consignment,omitempty"`
	Text        []string         `json:"text"`
	Head        string           `json:"head,omitempty"`
}

type bodyConsignment struct {
	Code   string `json:"code"`
	Number string `json:"number"`
}

// format names the form of a webhook's body. A new meaning is a new name.
const format = "lastlook-notice-1"

// bodyOf gives the bytes of a webhook's body. They are the same at every try.
func bodyOf(site string, job notify.Job) ([]byte, error) {
	b := body{
		Format: format, ID: job.ID, Occasion: job.Notice, Cause: job.Occasion.Cause, Site: site,
		RaisedAt: job.RaisedAt.UTC(), QueuedAt: job.QueuedAt.UTC(), To: job.To, Level: job.Level, Telling: job.Telling,
		Text: sentences(job), Head: job.Occasion.Head,
	}
	if job.Occasion.Code != "" {
		b.Consignment = &bodyConsignment{Code: job.Occasion.Code, Number: job.Occasion.Number}
	}
	return exact.JSON(b)
}

// sentences gives what is said, one line each.
func sentences(job notify.Job) []string {
	out := []string{}
	for _, t := range job.Occasion.What {
		out = append(out, oneLine(t.String()))
	}
	return out
}

// oneLine takes line breaks and other controls out of text that came from orders
// and people: it may stand in a header.
func oneLine(s string) string {
	return strings.Join(strings.FieldsFunc(s, func(r rune) bool { return r <= ' ' || r == 0x7f || r == '\u2028' || r == '\u2029' || r == '\u0085' }), " ")
}

func subjectOf(job notify.Job) string {
	s := job.Occasion.Cause.Words().String()
	if job.Occasion.Number != "" {
		s += ": " + job.Occasion.Number
	}
	if job.Telling > 0 {
		s += fmt.Sprintf(" (not answered, level %d)", job.Level)
	}
	return "Lastlook: " + oneLine(s)
}

func mailText(site string, job notify.Job) string {
	var b strings.Builder
	for _, s := range sentences(job) {
		fmt.Fprintf(&b, "%s\n\n", s)
	}
	if job.Occasion.Head != "" {
		fmt.Fprintf(&b, "%s\n", job.Occasion.Head)
	}
	fmt.Fprintf(&b, "-- \nSent by Lastlook for %s. Site: %s\nNotice: %s, raised %s UTC\nMessage: %s, told at level %d, telling %d\n",
		job.To, site, job.Notice, job.RaisedAt.UTC().Format("2006-01-02 15:04:05"), job.ID, job.Level, job.Telling)
	return b.String()
}
