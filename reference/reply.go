package reference

import (
	"strings"

	"lastlook/internal/say"
)

// Reply is the answer to one query as programs read it: at the command line and
// over HTTP. The JSON names are a promise.
type Reply struct {
	Query   string     `json:"query"`
	Outcome Outcome    `json:"outcome"`
	Said    string     `json:"said"`
	Notices []string   `json:"notices,omitempty"`
	Hits    []ReplyHit `json:"hits"` // never null
}

// ReplyHit is one entry of a Reply, best first.
type ReplyHit struct {
	ID           string   `json:"id"`
	Name         string   `json:"name"`
	Scientific   string   `json:"scientific"`
	Kind         Kind     `json:"kind"`
	Score        float64  `json:"score"`
	Action       string   `json:"action"` // rung at the destination asked for
	Why          string   `json:"why"`
	ConfusedWith string   `json:"confused_with,omitempty"`
	DoNotConfuse []string `json:"do_not_confuse,omitempty"`
}

// Reply writes the result for programs. in says sentences in the language wanted.
func (r Result) Reply(query string, in func(say.Text) string) Reply {
	out := Reply{Query: query, Outcome: r.Outcome, Said: in(r.Said), Hits: []ReplyHit{}}
	for _, n := range r.Notices {
		out.Notices = append(out.Notices, in(n))
	}
	for _, h := range r.Hits {
		out.Hits = append(out.Hits, ReplyHit{
			ID: h.ID, Name: h.Name, Scientific: h.Scientific, Kind: h.Kind, Score: h.Score, Action: h.Action().String(),
			Why: h.WhyIn(in), ConfusedWith: h.Confused, DoNotConfuse: h.DoNotConfuse,
		})
	}
	return out
}

// WhyIn says why the entry was found, on one line.
func (h Hit) WhyIn(in func(say.Text) string) string {
	parts := make([]string, len(h.Why))
	for i, t := range h.Why {
		parts[i] = in(t)
	}
	return strings.Join(parts, ", ")
}
