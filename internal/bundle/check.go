package bundle

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"image/jpeg"
	"maps"
	"slices"

	"lastlook/internal/consignment"
	"lastlook/internal/ledger"
	"lastlook/internal/record"
	"lastlook/internal/say"
)

// Against is what the reader of a bundle has from elsewhere.
type Against struct {
	// Key is the site's public key as the site made it known: one of the keys of the
	// ledger has to be it.
	Key *ledger.Public
	// Anchors are signed heads that the reader was given at another time.
	Anchors [][]byte
	// Paper is what the code printed on a record says.
	Paper *record.Mark
}

// maxTold is how many steps that do not hold are listed one by one.
const maxTold = 20

// Check works out again whatever can be worked out from a bundle that was read.
func Check(b *Bundle, a Against) *Report { return check(b, a, false) }

func check(b *Bundle, a Against, unguarded bool) *Report {
	c := &checker{b: b, a: a, unguarded: unguarded, r: &Report{Consignment: b.Code, Program: b.Program, Invented: b.Invented, Digest: b.Digest()}}
	c.form()
	c.head()
	c.steps()
	c.guard("history", c.history)
	c.attached()
	c.guard("page", c.page)
	c.marks()
	c.given()
	c.beyond()
	return c.r
}

type checker struct {
	b *Bundle
	a Against
	r *Report

	site   *ledger.Site
	h      ledger.Head // as the bundle says, signed or not
	signed bool        // with a key of the site
	headOK bool        // h is a head
	recs   []consignment.Recorded
	state  *consignment.State // nil if the history does not work out
	proven map[int64]bool     // sizes whose marks hold

	unguarded bool // tests: let panics through
}

// guard turns a panic into a finding: what made the core stumble came from a
// stranger's file, and the rest of the file can still be told about.
func (c *checker) guard(about string, f func()) {
	if !c.unguarded {
		defer func() {
			if recover() != nil {
				c.r.fails(about, "The steps cannot be worked out: they say what no bench records.")
			}
		}()
	}
	f()
}

// form checks that the file is written as the format says, byte by byte.
func (c *checker) form() {
	b := c.b
	if !c.digests() {
		return
	}
	again, err := b.Encode()
	if err == nil && bytes.Equal(again, b.file) {
		c.r.holds("file", "The file is written as bundles of version %d are, byte by byte, and no part of it was changed.", b.said.Version)
		return
	}
	at := 0
	for at < len(again) && at < len(b.file) && again[at] == b.file[at] {
		at++
	}
	c.r.fails("file", "The file is not written as bundles are, from byte %d on (%s): it was changed, or packed again.", at, b.placeOf(at))
}

// digests compares each part with what the manifest says of it. It needs a file
// that was opened, not one that was unpacked.
func (c *checker) digests() bool {
	b := c.b
	said := map[string]manifestPart{}
	for _, p := range b.said.Parts {
		said[p.Name] = p
	}
	wrong := 0
	for _, p := range b.parts {
		sum := sha256.Sum256(p.data)
		m, listed := said[p.name]
		switch {
		case p.name == manifestName:
		case !listed:
			c.r.fails("file", "“%s” is in the file, but “%s” does not list it: it was added.", p.name, manifestName)
			wrong++
		case m.SHA256 != hex.EncodeToString(sum[:]) || m.Size != len(p.data):
			c.r.fails("file", "“%s” was changed after the file was written, or what “%s” says of it was.", p.name, manifestName)
			wrong++
		}
		delete(said, p.name)
	}
	for _, name := range slices.Sorted(maps.Keys(said)) {
		c.r.fails("file", "“%s” lists “%s”, which is not in the file: it was taken out.", manifestName, clip(name))
		wrong++
	}
	return wrong == 0
}

// placeOf names the part that holds a byte of the file, or the one it belongs to.
func (b *Bundle) placeOf(at int) string {
	end := 0
	for _, p := range b.parts {
		head := end + localSize + len(p.name)
		end = head + len(p.data)
		if at < head {
			return "before " + p.name
		}
		if at < end {
			return p.name
		}
	}
	return "the list of parts at the end"
}

// head checks the site's keys and the signature on the head.
func (c *checker) head() {
	h, err := ledger.PeekHead(c.b.Head)
	if err != nil {
		c.r.fails("head", "“%s” is not the head of a ledger: it was damaged.", headName)
	} else {
		c.h, c.headOK = h, true
		c.r.Site, c.r.Size, c.r.Fingerprint = h.Site, h.Size, h.Fingerprint()
	}
	site, err := c.b.site()
	if err != nil {
		c.r.fails("keys", "The site's steps do not work out: %s.", inWords(err))
		return
	}
	for i, s := range c.b.Site {
		if s.Version != i+1 || s.Stream != ledger.Stream || i > 0 && s.Seq <= c.b.Site[i-1].Seq {
			c.r.fails("keys", "The site's step %d stands where step %d belongs: steps were left out, doubled or changed round.", s.Version, i+1)
			return
		}
	}
	if _, ok := site.Now(); !ok {
		c.r.fails("keys", "The site's steps name no key: nothing in the file can be checked against it.")
		return
	}
	c.site = site
	c.r.holds("keys", "The site's own steps name its keys, and each set is signed for by itself and by the one before (%d in all).", len(site.Terms))
	for _, t := range site.Terms {
		if t.Lost {
			c.r.unknown("keys", "At step %d of the ledger the site changed its keys without the old ones signing for it, because they were lost: ask the site whether that is so.", t.From)
		}
	}
	for range site.Backs {
		c.r.unknown("keys", "On record: the site's history once went back, as after restoring a backup. What was done in between is lost: ask the site.")
	}
	if !c.headOK {
		return
	}
	now, ok := site.At(h.Size)
	if ok {
		_, err = ledger.OpenHead(c.b.Head, now)
	}
	if _, from, old := site.GivenUp(c.b.Head); old {
		c.r.fails("head", "The head is signed with keys that the site gave up at step %d: it was made with the old key file after that, or by a record that went back when a backup was restored.", from)
	} else if c.signed = ok && err == nil; c.signed {
		c.r.holds("head", "The head is signed with the site's key. It covers %d steps of %s; its fingerprint is %s.", h.Size, h.Site, h.Fingerprint())
	} else {
		c.r.fails("head", "The head is not signed with the key that the site's steps name: it was changed, or signed by somebody else.")
	}
}

// inWords gives what went wrong without what only a programmer can read.
func inWords(err error) string {
	var refusal *say.Refusal
	if errors.As(err, &refusal) {
		return trimStop(refusal.Error())
	}
	return trimStop(clip(err.Error()))
}

func trimStop(s string) string {
	if n := len(s); n > 0 && s[n-1] == '.' {
		return s[:n-1]
	}
	return s
}

// steps checks that every step is under the head, and in its place.
func (c *checker) steps() {
	bad := 0
	tell := func(key string, args ...any) {
		if bad++; bad <= maxTold {
			c.r.fails("steps", key, args...)
		}
	}
	for _, group := range []struct {
		name  string
		steps []Step
	}{{"the site", c.b.Site}, {"the consignment", c.b.Steps}} {
		for _, s := range group.steps {
			if c.headOK && ledger.Check(s.Proof, c.h, s.Entry) != nil {
				tell("Step %d of %s (%s) is not under the head: it, or its proof, was changed after the head was signed.", s.Version, group.name, clip(s.Kind))
			}
		}
	}
	for i, s := range c.b.Steps {
		switch {
		case s.Stream != Stream+c.b.Code:
			tell("Step %d is of another record (%s), not of consignment %s.", s.Version, clip(s.Stream), clip(c.b.Code))
		case s.Version != i+1:
			tell("Step %d stands where step %d belongs: steps were left out, doubled or changed round.", s.Version, i+1)
		case i > 0 && s.Seq <= c.b.Steps[i-1].Seq:
			tell("Step %d has place %d in the ledger, which is not behind that of the step before it.", s.Version, s.Seq)
		}
	}
	switch {
	case bad > maxTold:
		c.r.fails("steps", "%d more steps are not in order.", bad-maxTold)
	case bad == 0 && c.headOK:
		c.r.holds("steps", "All %d steps of the consignment, and %d of the site, are under the head as they stand here, and none between is missing.", len(c.b.Steps), len(c.b.Site))
	}
}

// history works the steps out again with the core of the bench.
func (c *checker) history() {
	for _, s := range c.b.Steps {
		rec, err := s.recorded()
		if err != nil {
			c.r.fails("history", "Step %d (%s) cannot be read: %s. Nothing that follows from it could be checked.", s.Version, clip(s.Kind), inWords(err))
			return
		}
		if why := bounds(rec.Event); why != "" {
			c.r.fails("history", "Step %d (%s) says what no bench records: %s.", s.Version, clip(s.Kind), why)
			return
		}
		c.recs = append(c.recs, rec)
	}
	state, err := consignment.Fold(c.recs)
	if err != nil {
		c.r.fails("history", "The steps do not work out: %s.", inWords(err))
		return
	}
	c.state = state
	c.r.Number = state.Number
	if r := state.Round(); r != nil && r.Ended != nil {
		c.r.Outcome = string(r.Ended.Outcome)
	}
	if state.Code != c.b.Code {
		c.r.fails("history", "The steps are of consignment %s, but the file says it is of %s.", clip(state.Code), clip(c.b.Code))
	}
	c.replay()
	for _, r := range state.Rounds {
		c.round(r)
	}
}

// bounds refuses numbers that would make working out take all memory.
func bounds(e consignment.Event) string {
	packages := func(n int) string {
		if n < 0 || n > consignment.MaxPackages {
			return fmt.Sprintf("%d packages", n)
		}
		return ""
	}
	lines := func(all []consignment.Line) string {
		total := 0
		for _, l := range all {
			if why := packages(l.Packages); why != "" {
				return why
			}
			if l.UnitsPerPackage < 0 || l.UnitsPerPackage > consignment.MaxUnits {
				return fmt.Sprintf("%d units a package", l.UnitsPerPackage)
			}
			total += l.Packages
		}
		return packages(total)
	}
	switch e := e.(type) {
	case consignment.Registered:
		return lines(e.Lines)
	case consignment.ListChanged:
		return lines(e.Added)
	case consignment.Recounted:
		return packages(e.Packages)
	case consignment.Sealed:
		return packages(e.Packages)
	case consignment.UnitsCounted:
		if e.Units < 0 || e.Units > consignment.MaxUnits {
			return fmt.Sprintf("%d units in a package", e.Units)
		}
	case consignment.Amended:
		if e.With != nil {
			if _, nested := e.With.Event.(consignment.Amended); nested {
				return "an amendment put in the place of a step"
			}
			return bounds(e.With.Event)
		}
	case nil:
		return "nothing"
	}
	return ""
}

// attached checks photos and reference entries against the finds that name them.
func (c *checker) attached() {
	if len(c.recs) < len(c.b.Steps) {
		return // said already
	}
	refs := referred(c.recs)
	good := 0
	for _, hash := range refs.photos {
		photo, ok := c.b.Photos[hash]
		if !ok {
			c.r.fails("photos", "The photo %s of a find is not in the file.", short(hash))
			continue
		}
		if sum := sha256.Sum256(photo); hex.EncodeToString(sum[:]) != hash {
			c.r.fails("photos", "The photo %s is not the one that was taken: its digest is another.", short(hash))
			continue
		}
		if _, err := jpeg.DecodeConfig(bytes.NewReader(photo)); err != nil {
			c.r.fails("photos", "The photo %s is as it was kept, but it is no photo that can be shown.", short(hash))
			continue
		}
		good++
	}
	for _, hash := range slices.Sorted(maps.Keys(c.b.Photos)) {
		if !slices.Contains(refs.photos, hash) {
			c.r.fails("photos", "The photo %s is in the file, but no find names it: it was put in.", short(hash))
		}
	}
	switch {
	case len(refs.photos) == 0:
		c.r.holds("photos", "No find names a photo.")
	case good == len(refs.photos):
		c.r.holds("photos", "All %d photos are those that the finds name.", good)
	}
	good = 0
	for _, hash := range slices.Sorted(maps.Keys(refs.pins)) {
		pin := refs.pins[hash][0]
		entry, ok := c.b.Entries[hash]
		if !ok {
			c.r.unknown("reference", "What the reference said about %s (revision %d, %s) is not in the file; what it asked for is on record with the find.", clip(pin.Name), pin.Revision, short(hash))
			continue
		}
		if sum := sha256.Sum256(entry); hex.EncodeToString(sum[:]) != hash {
			c.r.fails("reference", "What the file says the reference said about %s is not what the find names: its digest is another.", clip(pin.Name))
			continue
		}
		var named struct {
			ID       string `json:"id"`
			Revision int    `json:"revision"`
		}
		wrong := json.Unmarshal(entry, &named) != nil
		for _, p := range refs.pins[hash] {
			wrong = wrong || named.ID != p.ID || named.Revision != p.Revision
		}
		if wrong {
			c.r.fails("reference", "The find names %s, revision %d, but the text with that digest is of another entry.", clip(pin.ID), pin.Revision)
			continue
		}
		good++
	}
	for _, hash := range slices.Sorted(maps.Keys(c.b.Entries)) {
		if len(refs.pins[hash]) == 0 {
			c.r.fails("reference", "The reference entry %s is in the file, but no find names it: it was put in.", short(hash))
		}
	}
	switch {
	case len(refs.pins) == 0:
		c.r.holds("reference", "No find was put down to an entry of the reference.")
	case good > 0:
		c.r.holds("reference", "%d of %d reference entries that finds name are in the file as they were then.", good, len(refs.pins))
	}
}

func short(hash string) string {
	if len(hash) > 16 {
		hash = hash[:16] + "…"
	}
	return clip(hash)
}

// page makes the page again.
func (c *checker) page() {
	if c.state == nil {
		c.r.fails("page", "The readable page cannot be compared, as the steps do not work out: do not read it.")
		return
	}
	if c.b.said.Page != PageVersion {
		c.r.unknown("page", "The readable page was laid out by another version of Lastlook (%d, this one has %d), so it cannot be compared: do not rely on it. Read the one that the check makes again from the steps.", c.b.said.Page, PageVersion)
		return
	}
	again, err := c.b.page(c.state)
	c.r.judge(err == nil && bytes.Equal(again, c.b.Page), "page",
		say.T("The readable page says what the steps say: made again from them it is the same, byte by byte."),
		say.T("The readable page does not say what the steps say: do not read it. Read the one that the check makes again from the steps."))
}

// MakePage makes the readable page again from the steps, for a reader who does not
// want to rely on the one in the file.
func (b *Bundle) MakePage() (page []byte, err error) {
	defer func() {
		if recover() != nil {
			err = say.Refuse(say.Invalid, "The steps in the file do not work out: no page can be made of them.")
		}
	}()
	history, err := b.history()
	if err != nil {
		return nil, err
	}
	for _, rec := range history {
		if why := bounds(rec.Event); why != "" {
			return nil, say.Refuse(say.Invalid, "The steps in the file do not work out: no page can be made of them.")
		}
	}
	state, err := consignment.Fold(history)
	if err != nil {
		return nil, say.Refuse(say.Invalid, "The steps in the file do not work out: no page can be made of them.").Because(err)
	}
	return b.page(state)
}

// marks checks the earlier heads.
func (c *checker) marks() {
	c.proven = map[int64]bool{}
	if !c.headOK {
		return
	}
	for i, m := range c.b.Marks {
		older := ledger.Head{Site: c.h.Site, Size: m.Size, Root: m.Root}
		if i > 0 && m.Size <= c.b.Marks[i-1].Size || ledger.CheckGrowth(m.Proof, older, c.h) != nil {
			c.r.fails("head", "The history under the head does not begin with the one that the file gives for %d steps.", m.Size)
			continue
		}
		c.proven[m.Size] = true
	}
	switch n := len(c.b.Marks); {
	case n == 0 || len(c.proven) < n:
	case n == 1:
		c.r.holds("head", "The head goes on from an earlier one that the file names (%d steps).", c.b.Marks[0].Size)
	default:
		c.r.holds("head", "The head goes on from %d earlier ones that the file names.", n)
	}
}

// given compares with what the reader has from elsewhere.
func (c *checker) given() {
	if k := c.a.Key; k != nil {
		known := c.site != nil && slices.Contains(c.site.Keys(), *k)
		c.r.judge(known, "key",
			say.T("The key you gave is one of the site's keys."),
			say.T("The key you gave is none of the keys that the file names: the file is of another site, is from before the site took that key, or was signed by somebody else, as with keys that were stolen."))
	} else {
		name := "?"
		if c.site != nil {
			name = clip(c.site.Name)
		}
		c.r.unknown("key", "Whether the key is really that of the nursery. The file itself names it (site %s): compare it with the key that the nursery made known elsewhere, and give that one to the check.", name)
	}
	for _, anchor := range c.a.Anchors {
		c.anchor(anchor)
	}
	if len(c.a.Anchors) == 0 {
		c.r.unknown("anchor", "Whether the site shows others another history. Compare the fingerprint of the head with one that was printed or sent at another time, or give such a head to the check.")
	}
	if c.a.Paper != nil {
		c.paper(*c.a.Paper)
	}
}

// anchor compares a head from elsewhere.
func (c *checker) anchor(signed []byte) {
	h, err := ledger.PeekHead(signed)
	switch {
	case err != nil:
		c.r.fails("anchor", "What you gave as an earlier head is not the head of a ledger.")
		return
	case !c.headOK || c.site == nil:
		c.r.fails("anchor", "The head you gave cannot be compared, as that of the file does not hold.")
		return
	case h.Site != c.h.Site:
		c.r.fails("anchor", "The head you gave is of another site (%s).", clip(h.Site))
		return
	}
	if _, err := ledger.OpenHead(signed, c.site.Keys()...); err != nil {
		c.r.fails("anchor", "The head you gave for %d steps is not signed with a key that the site's steps name: it, or the keys in the file, are not the site's.", h.Size)
		return
	}
	if _, from, ok := c.site.GivenUp(signed); ok {
		c.r.fails("anchor", "The head you gave (%d steps) is signed with keys that the site gave up at step %d: it was made with the old key file after that, or by a record that went back when a backup was restored. Do not believe it before the site has said which.", h.Size, from)
		return
	}
	i := slices.IndexFunc(c.b.Marks, func(m Mark) bool { return m.Size == h.Size })
	switch {
	case h == c.h:
		c.r.holds("anchor", "The head you gave is the one of the file.")
	case h.Size == c.h.Size, i >= 0 && c.proven[h.Size] && c.b.Marks[i].Root != h.Root:
		c.r.fails("anchor", "The site signed two different histories of %d steps: the one you gave, and the one in the file. One of them was not what happened. Keep both.", h.Size)
	case i >= 0 && c.proven[h.Size]:
		c.r.holds("anchor", "The history of the file goes on from the head you gave (%d steps): nothing before it was changed.", h.Size)
	case h.Size > c.h.Size:
		c.r.unknown("anchor", "The head you gave is newer (%d steps) than that of the file (%d): ask for the bundle again, and nothing can have been changed behind it.", h.Size, c.h.Size)
	default:
		c.r.unknown("anchor", "The file has no proof that its history goes on from the head you gave (%d steps): ask the site to write the file again with that proof (lastlook export --since).", h.Size)
	}
}

// paper compares what the code on a printed record says.
func (c *checker) paper(m record.Mark) {
	var step *Step
	for i, s := range c.b.Steps {
		if h := s.Hash(); hex.EncodeToString(h[:]) == m.Leaf {
			step = &c.b.Steps[i]
		}
	}
	switch {
	case m.Code != c.b.Code:
		c.r.fails("paper", "The paper is of consignment %s, the file of %s.", clip(m.Code), clip(c.b.Code))
		return
	case step == nil:
		c.r.fails("paper", "The outcome on the paper is none of the steps in the file: one of them is not the record, or it is of another time.")
		return
	}
	e, _ := step.recorded()
	end, ok := e.Event.(consignment.RoundEnded)
	if !ok || end.Outcome != m.Outcome {
		c.r.fails("paper", "The paper says %s, but the step it names (%d) does not.", m.Outcome.Words(), step.Version)
		return
	}
	c.r.holds("paper", "The paper is of this record: its outcome (%s) is step %d of the file.", end.Outcome.Words(), step.Version)
	i := slices.IndexFunc(c.b.Marks, func(x Mark) bool { return x.Size == step.Seq })
	switch {
	case i < 0 || !c.proven[step.Seq]:
		c.r.unknown("paper", "The file does not give the head as it was when round %d ended, so the fingerprint on the paper cannot be compared.", end.Round)
	default:
		head := ledger.Head{Site: c.h.Site, Size: step.Seq, Root: c.b.Marks[i].Root}
		c.r.judge(record.Compact(head.Fingerprint()) == m.Head, "paper",
			say.T("The fingerprint on the paper is that of the history in the file, up to that step."),
			say.T("The fingerprint on the paper is of another history: what came before that step was changed after the paper was printed, or the paper is not of this site."))
	}
	for _, s := range c.b.Steps[step.Version:] {
		if e, err := s.recorded(); err == nil {
			if _, later := e.Event.(consignment.RoundEnded); later {
				c.r.unknown("paper", "The paper is of an earlier round: the consignment was inspected again after it was printed.")
				break
			}
		}
	}
}

// beyond says what no file can tell.
func (c *checker) beyond() {
	if c.headOK && len(c.b.Steps) > 0 {
		last := c.b.Steps[len(c.b.Steps)-1]
		if last.Seq == c.h.Size {
			c.r.holds("beyond", "The last step of the file is the newest under its head: nothing of the consignment can have been left out up to then.")
		} else {
			c.r.unknown("beyond", "Whether steps %d and later of this consignment were left out: %d steps under the head came after the last one in the file, of this or of other consignments.", last.Version+1, c.h.Size-last.Seq)
		}
	}
	c.r.unknown("beyond", "Whether there are other consignments, or other records of the same goods under another number.")
	c.r.unknown("beyond", "Whether the clock of the bench was right: the times are those it showed. The order of the steps does not depend on it.")
	c.r.unknown("beyond", "Whether what was recorded was also done: the file shows what was entered, by whom and in which order, not what was looked at.")
}
