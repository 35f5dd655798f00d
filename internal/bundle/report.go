package bundle

import (
	"fmt"

	"lastlook/internal/exact"
	"lastlook/internal/say"
)

// Status is what became of one check.
type Status string

// The statuses.
const (
	Holds   Status = "holds"
	Fails   Status = "fails"
	Unknown Status = "unknown" // nothing in the file can tell
)

var statusWords = map[Status]say.Text{
	Holds:   say.T("holds"),
	Fails:   say.T("DOES NOT HOLD"),
	Unknown: say.T("not known"),
}

// Words names the status.
func (s Status) Words() say.Text { return statusWords[s] }

// Finding is one line of a report.
type Finding struct {
	Status Status
	About  string // what was checked: file, keys, head, steps, history, round 1, photos, reference, page, paper, anchor, beyond
	Text   say.Text
}

// Report is what came of checking a bundle.
type Report struct {
	Consignment string // its own code
	Number      string // its number on the papers
	Outcome     string // of the newest round, "" if there is none
	Site        string // name of the site's ledger
	Size        int64  // steps under the head
	Fingerprint string // of the head
	Digest      string // SHA-256 of the file
	Program     string // that wrote the file, by its own account
	Invented    bool
	Findings    []Finding
}

// Holds reports whether nothing that was checked fails.
func (r *Report) Holds() bool {
	for _, f := range r.Findings {
		if f.Status == Fails {
			return false
		}
	}
	return true
}

// Count gives the number of findings with a status.
func (r *Report) Count(s Status) int {
	n := 0
	for _, f := range r.Findings {
		if f.Status == s {
			n++
		}
	}
	return n
}

// Verdict is the report in one sentence.
func (r *Report) Verdict() say.Text {
	if n := r.Count(Fails); n == 1 {
		return say.T("One thing does not hold: do not rely on this file before it is explained.")
	} else if n > 1 {
		return say.T("%d things do not hold: do not rely on this file before they are explained.", n)
	}
	return say.T("Everything that can be checked holds. What the file cannot tell is said with it.")
}

func (r *Report) add(s Status, about, key string, args ...any) {
	r.Findings = append(r.Findings, Finding{s, about, say.T(key, args...)})
}

func (r *Report) holds(about, key string, args ...any)   { r.add(Holds, about, key, args...) }
func (r *Report) fails(about, key string, args ...any)   { r.add(Fails, about, key, args...) }
func (r *Report) unknown(about, key string, args ...any) { r.add(Unknown, about, key, args...) }

// judge adds one finding or the other.
func (r *Report) judge(ok bool, about string, holds, fails say.Text) {
	if ok {
		r.Findings = append(r.Findings, Finding{Holds, about, holds})
	} else {
		r.Findings = append(r.Findings, Finding{Fails, about, fails})
	}
}

func roundName(n int) string { return fmt.Sprintf("round %d", n) }

// MarshalJSON writes the report for programs, with its sentences in English.
func (r *Report) MarshalJSON() ([]byte, error) {
	type finding struct {
		Status Status `json:"status"`
		About  string `json:"about"`
		Text   string `json:"text"`
	}
	out := struct {
		Readable    bool      `json:"readable"`
		Holds       bool      `json:"holds"`
		Verdict     string    `json:"verdict"`
		Consignment string    `json:"consignment"`
		Number      string    `json:"number"`
		Outcome     string    `json:"outcome"`
		Site        string    `json:"site"`
		Size        int64     `json:"size"`
		Fingerprint string    `json:"fingerprint"`
		SHA256      string    `json:"sha256"`
		Program     string    `json:"program"`
		Invented    bool      `json:"invented"`
		Findings    []finding `json:"findings"`
	}{
		true, r.Holds(), r.Verdict().String(), r.Consignment, r.Number, r.Outcome, r.Site, r.Size, r.Fingerprint, r.Digest,
		r.Program, r.Invented, nil,
	}
	for _, f := range r.Findings {
		out.Findings = append(out.Findings, finding{f.Status, f.About, f.Text.String()})
	}
	return exact.JSON(out)
}

// Unreadable is the report of a file that [Read] refused, for programs.
func Unreadable(err error) []byte {
	out, _ := exact.JSON(struct {
		Readable bool   `json:"readable"`
		Holds    bool   `json:"holds"`
		Verdict  string `json:"verdict"`
	}{Verdict: err.Error()})
	return out
}
