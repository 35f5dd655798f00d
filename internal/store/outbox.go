package store

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"gorm.io/gorm"
	"gorm.io/gorm/clause"

	"lastlook/internal/consignment"
	"lastlook/internal/ledger"
	"lastlook/internal/notify"
	"lastlook/internal/say"
)

const noticeStream = "notices/"

// noticeRow is an occasion as lists show it. All of it follows from the events.
type noticeRow struct {
	ID         string `gorm:"primaryKey"`
	Cause      string
	Code       string
	Number     string
	RaisedAt   string
	Level      int
	Telling    int
	Repeats    int
	ToldAt     string
	Outside    int
	Refused    int
	AnsweredAt string
	AnsweredBy string
}

func (noticeRow) TableName() string { return "notices" }

// sentRow is the part of a message's row that follows from the events.
type sentRow struct {
	ID       string `gorm:"primaryKey"`
	Notice   string
	Contact  string
	Channel  string
	Telling  int
	Level    int
	QueuedAt string
	Standing string
	EndedAt  string
	Status   int
}

func (sentRow) TableName() string { return "outbox" }

// outboxRow is a message with how trying it goes.
type outboxRow struct {
	Sent       sentRow `gorm:"embedded"`
	Attempts   int
	NextAt     string
	Lease      string
	LeaseUntil string
	Trying     bool
	Unsure     bool
	Said       string
}

func (outboxRow) TableName() string { return "outbox" }

// outbox is what an open store knows of telling people.
type outbox struct {
	plan atomic.Pointer[notify.Plan]
	mu   sync.Mutex
	bell chan struct{} // closed when messages were queued
}

// SetPlan says who is told from now on. Until it is called nobody outside is:
// notices are shown and printed only.
func (s *Store) SetPlan(p notify.Plan) { s.outbox.plan.Store(&p) }

func (s *Store) plan() notify.Plan {
	if p := s.outbox.plan.Load(); p != nil {
		return *p
	}
	return notify.Plan{}
}

// Queued gives a channel that is closed when this store next queues messages.
// Messages that another program queues are not told.
func (s *Store) Queued() <-chan struct{} {
	s.outbox.mu.Lock()
	defer s.outbox.mu.Unlock()
	if s.outbox.bell == nil {
		s.outbox.bell = make(chan struct{})
	}
	return s.outbox.bell
}

// ring wakes whoever waits for messages.
func (s *Store) ring() {
	s.outbox.mu.Lock()
	defer s.outbox.mu.Unlock()
	if s.outbox.bell != nil {
		close(s.outbox.bell)
		s.outbox.bell = nil
	}
}

func loadNotice(tx *gorm.DB, id string) (*notify.State, error) {
	var rows []eventRow
	if err := tx.Where("stream = ?", noticeStream+id).Order("version").Find(&rows).Error; err != nil {
		return nil, fmt.Errorf("reading the notice %s: %w", id, err)
	}
	return foldNotice(id, rows)
}

func foldNotice(id string, rows []eventRow) (*notify.State, error) {
	s := &notify.State{}
	for _, row := range rows {
		rec := notify.Recorded{Bench: row.Bench}
		var err error
		if rec.At, err = parseTime(row.At); err == nil {
			err = json.Unmarshal([]byte(row.Actor), &rec.Actor)
		}
		if err == nil {
			rec.Event, err = notify.Decode(row.Kind, []byte(row.Data))
		}
		if err == nil {
			err = s.Apply(rec)
		}
		if err != nil {
			return nil, fmt.Errorf("notice %s, step %d: %w", id, row.Version, err)
		}
	}
	return s, nil
}

// tell queues what the steps just appended call for, in their transaction.
func (s *Store) tell(tx *gorm.DB, stream string, state *consignment.State, steps []consignment.Recorded) error {
	b, err := batchIn(tx)
	if err != nil {
		return err
	}
	own := slices.Clone(b.leaves[len(b.leaves)-len(steps):]) // before notices add theirs
	if rec, ok := notify.Answers(steps); ok {
		if err := s.answerStops(tx, state.Code, rec); err != nil {
			return err
		}
	}
	occasions := notify.For(stream, state, steps)
	if len(occasions) == 0 {
		return nil
	}
	for _, o := range occasions {
		leaf := own[o.Version-steps[0].Version]
		id := notify.OccasionID(leaf)
		if _, err := s.doNotice(tx, id, itself, "", "", notify.Raise{ID: id, Occasion: o, Plan: s.plan()}); err != nil {
			return err
		}
	}
	return nil
}

// answerStops answers the notices of a consignment's stops.
func (s *Store) answerStops(tx *gorm.DB, code string, by consignment.Recorded) error {
	var ids []string
	if err := tx.Model(&noticeRow{}).Where("cause = ? AND answered_at = '' AND code = ?", string(notify.Stop), code).Order("raised_at, id").Pluck("id", &ids).Error; err != nil {
		return fmt.Errorf("listing the notices: %w", err)
	}
	for _, id := range ids {
		if _, err := s.doNotice(tx, id, by.Actor, by.Bench, "", notify.Acknowledge{By: by.Actor}); err != nil {
			return err
		}
	}
	return nil
}

// doNotice takes one step on an occasion.
func (s *Store) doNotice(tx *gorm.DB, id string, actor consignment.Actor, bench, key string, c notify.Command) (*notify.State, error) {
	state, err := loadNotice(tx, id)
	if err != nil {
		return nil, err
	}
	events, err := notify.Decide(state, c)
	if err != nil || len(events) == 0 {
		return state, err
	}
	// What the program has done is recorded even if the clock was put back: a
	// delivery that could not be recorded would be made again and again.
	m := consignment.Meta{Actor: actor, Bench: bench, At: s.Now().UTC()}
	if m.At.Before(state.LastAt) {
		m.At = state.LastAt
	}
	after := state.Version
	before := sentRows(state)
	enc := make([]encoded, len(events))
	for i, e := range events {
		if enc[i].data, err = notify.Encode(e); err != nil {
			return nil, err
		}
		enc[i].kind = e.Kind()
		if err := state.Apply(notify.Recorded{At: m.At, Actor: actor, Bench: bench, Event: e}); err != nil {
			return nil, err
		}
	}
	if err := appendEvents(tx, noticeStream+id, after, m, key, enc); err != nil {
		return nil, err
	}
	rows := sentRows(state)
	changed := rows[len(before):]
	for i := range before {
		if before[i] != rows[i] {
			changed = append(changed, rows[i])
		}
	}
	if len(rows) > len(before) {
		b, err := batchIn(tx)
		if err != nil {
			return nil, err
		}
		b.queued = true
	}
	return state, projectNotice(tx, rowOfNotice(state), changed)
}

func rowOfNotice(st *notify.State) noticeRow {
	standing := st.Standing()
	row := noticeRow{
		ID: st.ID, Cause: string(st.Cause), Code: st.Code, Number: st.Number, RaisedAt: formatTime(st.RaisedAt),
		Level: st.Level, Telling: st.Telling, Repeats: st.Repeats, ToldAt: formatTime(st.ToldAt),
		Outside: standing.Outside, Refused: standing.Refused,
	}
	if st.Answer != nil {
		row.AnsweredAt, row.AnsweredBy = formatTime(st.Answer.At), st.Answer.By.Name
	}
	return row
}

func sentRows(st *notify.State) []sentRow {
	rows := make([]sentRow, len(st.Messages))
	for i, m := range st.Messages {
		rows[i] = sentRow{
			ID: m.ID, Notice: st.ID, Contact: m.To, Channel: string(m.Channel), Telling: m.Telling, Level: m.Level,
			QueuedAt: formatTime(m.QueuedAt), Standing: m.Standing, EndedAt: formatTime(m.EndedAt), Status: m.Status,
		}
	}
	return rows
}

// projectNotice writes an occasion and messages of it. How trying them goes stays.
func projectNotice(tx *gorm.DB, row noticeRow, messages []sentRow) error {
	if err := tx.Clauses(clause.OnConflict{Columns: []clause.Column{{Name: "id"}}, UpdateAll: true}).Create(&row).Error; err != nil {
		return fmt.Errorf("updating the list of notices: %w", err)
	}
	for len(messages) > 0 {
		part := messages[:min(len(messages), 200)]
		messages = messages[len(part):]
		if err := tx.Clauses(clause.OnConflict{Columns: []clause.Column{{Name: "id"}}, UpdateAll: true}).Create(&part).Error; err != nil {
			return fmt.Errorf("updating the outbox: %w", err)
		}
	}
	return nil
}

// rebuildNotices makes the list of notices and the outbox again from the events.
// How trying goes is kept for messages that are still there.
func rebuildNotices(tx *gorm.DB) error {
	var ids []string
	if err := tx.Model(&eventRow{}).Where("version = 1 AND stream LIKE ?", noticeStream+"%").Order("seq").Pluck("stream", &ids).Error; err != nil {
		return fmt.Errorf("listing the notices: %w", err)
	}
	if err := tx.Where("1 = 1").Delete(&noticeRow{}).Error; err != nil {
		return fmt.Errorf("emptying the list of notices: %w", err)
	}
	if err := tx.Where("NOT EXISTS (SELECT 1 FROM events WHERE stream = ? || outbox.notice)", noticeStream).Delete(&sentRow{}).Error; err != nil {
		return fmt.Errorf("emptying the outbox: %w", err)
	}
	for _, stream := range ids {
		id := strings.TrimPrefix(stream, noticeStream)
		state, err := loadNotice(tx, id)
		if err != nil {
			return err
		}
		rows := sentRows(state)
		mine := make([]string, len(rows))
		for i, row := range rows {
			mine[i] = row.ID
		}
		// Rows that are not of this history would be in the way of those that are.
		var there []string
		if err := tx.Model(&sentRow{}).Where("notice = ?", id).Pluck("id", &there).Error; err != nil {
			return err
		}
		for _, other := range without(there, mine) {
			if err := tx.Where("id = ?", other).Delete(&sentRow{}).Error; err != nil {
				return fmt.Errorf("emptying the outbox: %w", err)
			}
		}
		if err := projectNotice(tx, rowOfNotice(state), rows); err != nil {
			return err
		}
	}
	return nil
}

// without gives those of all that are not in some.
func without(all, some []string) []string {
	in := make(map[string]bool, len(some))
	for _, x := range some {
		in[x] = true
	}
	var out []string
	for _, x := range all {
		if !in[x] {
			out = append(out, x)
		}
	}
	return out
}

// noticeDiffers says which list does not show what the history of an occasion
// gives; it is empty if all do.
func noticeDiffers(tx *gorm.DB, st *notify.State) (say.Text, error) {
	var row noticeRow
	if err := tx.Where("id = ?", st.ID).Limit(1).Find(&row).Error; err != nil {
		return say.Text{}, err
	}
	if row != rowOfNotice(st) {
		return say.T("list of notices"), nil
	}
	var have []sentRow
	if err := tx.Where("notice = ?", st.ID).Find(&have).Error; err != nil {
		return say.Text{}, err
	}
	want := map[string]sentRow{}
	for _, m := range sentRows(st) {
		want[m.ID] = m
	}
	for _, h := range have {
		if h != want[h.ID] {
			return say.T("outbox"), nil
		}
	}
	if len(have) != len(want) {
		return say.T("outbox"), nil
	}
	return say.Text{}, nil
}

// notice audits the history of an occasion.
func (a *auditor) notice(where say.Text, id string, rows []eventRow) error {
	st, err := foldNotice(id, rows)
	if err != nil {
		a.find(where, say.T("Its steps do not follow from each other: %s.", err.Error()))
		return nil
	}
	if st.ID != id {
		a.find(where, say.T("It is that of the notice %s.", clip(st.ID)))
		return nil
	}
	switch st.Cause {
	case notify.Head:
		if _, err := ledger.OpenHead([]byte(st.Head), a.site.Keys()...); err != nil {
			a.find(where, say.T("The head that it sent out is not signed by this site: %s.", err.Error()))
		}
	case notify.Stop:
		var from eventRow
		if err := a.tx.Where("stream = ? AND version = ?", st.Stream, st.Occasion.Version).Limit(1).Find(&from).Error; err != nil {
			return err
		}
		if notify.OccasionID(from.entry().Hash()) != id {
			a.find(where, say.T("The step that it tells of is not on record."))
		}
	}
	list, err := noticeDiffers(a.tx, st)
	if err == nil && !list.IsZero() {
		a.find(say.T("%s, %s", list, clip(id)), say.T("It does not show what the record says."))
	}
	return err
}

// noticeLists looks for lines that belong to no history.
func (a *auditor) noticeLists() error {
	for _, q := range []struct {
		table, column string
		list          say.Text
	}{
		{"notices", "id", say.T("list of notices")},
		{"outbox", "notice", say.T("outbox")},
	} {
		var ids []string
		err := a.tx.Table(q.table).Where("NOT EXISTS (SELECT 1 FROM events WHERE stream = ? || "+q.column+")", noticeStream).
			Distinct().Order(q.column).Pluck(q.column, &ids).Error
		if err != nil {
			return err
		}
		for _, id := range ids {
			a.find(say.T("%s, %s", q.list, clip(id)), say.T("There is no such history."))
		}
	}
	return nil
}

// notices compares the list of notices and the outbox with what the histories give.
func (v *verifier) notices(tx *gorm.DB, differs func(say.Text) error) error {
	var streams []string
	if err := tx.Model(&eventRow{}).Where("version = 1 AND stream LIKE ?", noticeStream+"%").Pluck("stream", &streams).Error; err != nil {
		return err
	}
	messages := 0
	for _, stream := range streams {
		st, err := loadNotice(tx, strings.TrimPrefix(stream, noticeStream))
		if err != nil {
			return err
		}
		if list, err := noticeDiffers(tx, st); err != nil {
			return err
		} else if !list.IsZero() {
			return differs(list)
		}
		messages += len(st.Messages)
	}
	var notices, all int64
	if err := errors.Join(tx.Model(&noticeRow{}).Count(&notices).Error, tx.Model(&sentRow{}).Count(&all).Error); err != nil {
		return err
	}
	if notices != int64(len(streams)) || all != int64(messages) {
		return differs(say.T("notices"))
	}
	return nil
}

// Claim takes messages in hand that are due, the longest waiting first. Nobody
// else gets them until the lease is over. A message that was in hand before, and of
// which nobody said what came of it, is Unsure.
func (s *Store) Claim(ctx context.Context, c notify.Claim) ([]notify.Job, error) {
	var jobs []notify.Job
	err := s.db.WithContext(ctx).Transaction(func(tx *gorm.DB) error {
		now := s.Now().UTC()
		for len(jobs) < c.Limit {
			taken, err := nextDue(tx, c, formatTime(now))
			if err != nil || taken.Sent.ID == "" {
				return err
			}
			row := taken.Sent
			err = tx.Exec("UPDATE outbox SET lease = ?, lease_until = ?, attempts = attempts + 1, unsure = (unsure OR trying), trying = 1 WHERE id = ?",
				c.Worker, formatTime(now.Add(c.Lease)), row.ID).Error
			if err != nil {
				return err
			}
			var first eventRow
			if err := tx.Where("stream = ? AND version = 1", noticeStream+row.Notice).Take(&first).Error; err != nil {
				return err
			}
			st, err := foldNotice(row.Notice, []eventRow{first})
			if err != nil {
				return err
			}
			queued, err := parseTime(row.QueuedAt)
			if err != nil {
				return err
			}
			jobs = append(jobs, notify.Job{
				Message: notify.Message{ID: row.ID, To: row.Contact, Channel: c.Channel},
				Notice:  row.Notice, Occasion: st.Occasion, RaisedAt: st.RaisedAt, QueuedAt: queued,
				Telling: row.Telling, Level: row.Level, Attempts: taken.Attempts + 1, Unsure: taken.Unsure || taken.Trying,
			})
		}
		return nil
	})
	if err != nil {
		return nil, explain(fmt.Errorf("taking messages in hand: %w", err), s.dir)
	}
	return jobs, nil
}

// nextDue finds the message that has waited longest. It looks at the head of each
// contact's queue: a long queue must not make every look long. The standing is
// written out because an index of waiting messages is found only so.
func nextDue(tx *gorm.DB, c notify.Claim, now string) (outboxRow, error) {
	var row outboxRow
	if len(c.Contacts) == 0 {
		return row, nil
	}
	var args []any
	for _, name := range c.Contacts {
		args = append(args, name)
	}
	args = append(args, string(c.Channel), now, now)
	err := tx.Raw("WITH who(name) AS (VALUES "+strings.Repeat("(?), ", len(c.Contacts)-1)+"(?)) "+
		"SELECT o.* FROM who JOIN outbox AS o ON o.id = (SELECT id FROM outbox WHERE standing = 'waiting' AND channel = ? AND contact = who.name "+
		"AND next_at <= ? AND lease_until <= ? ORDER BY next_at, queued_at, id LIMIT 1) "+
		"ORDER BY o.next_at, o.queued_at, o.id LIMIT 1", args...).Scan(&row).Error
	return row, err
}

// Settle keeps what came of a try. That a message was taken or refused for good
// goes on record, whoever has it in hand by now; the rest counts only if worker still
// has it. A message that was not taken is tried again at next.
func (s *Store) Settle(ctx context.Context, worker string, job notify.Job, r notify.Result, next time.Time) error {
	said, err := json.Marshal(r.Said)
	if err != nil {
		return err
	}
	switch r.Fate {
	case notify.Took, notify.Denied:
		return s.inTx(ctx, func(tx *gorm.DB) error {
			var c notify.Command = notify.Deliver{Message: job.ID}
			if r.Fate == notify.Denied {
				c = notify.Refuse{Message: job.ID, Status: r.Status}
			}
			if _, err := s.doNotice(tx, job.Notice, itself, "", "", c); err != nil {
				return err
			}
			return tx.Exec("UPDATE outbox SET lease = '', lease_until = '', trying = 0, unsure = 0, said = ? WHERE id = ?", string(said), job.ID).Error
		})
	default:
		err = s.db.WithContext(ctx).Exec("UPDATE outbox SET lease = '', lease_until = '', trying = 0, unsure = (unsure OR ?), next_at = ?, said = ? WHERE id = ? AND lease = ?",
			r.Fate == notify.Unknown, formatTime(next), string(said), job.ID, worker).Error
	}
	return explain(err, s.dir)
}

// NextTry tells when a message for one of the contacts is next due, zero if none
// is waiting.
func (s *Store) NextTry(ctx context.Context, ch notify.Channel, contacts []string) (time.Time, error) {
	var at string
	err := s.db.WithContext(ctx).Model(&sentRow{}).Select("COALESCE(MIN(CASE WHEN lease_until > next_at THEN lease_until WHEN next_at = '' THEN queued_at ELSE next_at END), '')").
		Where("standing = 'waiting' AND channel = ? AND contact IN ?", string(ch), contacts).Scan(&at).Error
	if err != nil {
		return time.Time{}, explain(err, s.dir)
	}
	return parseTime(at)
}

// Escalate tells more people of every occasion that nobody answered in time. It
// gives how many those were, and when the next is due: zero if none is.
func (s *Store) Escalate(ctx context.Context) (told int, next time.Time, err error) {
	plan := s.plan()
	if len(plan.Levels) == 0 {
		return 0, time.Time{}, nil
	}
	var rows []noticeRow
	if err := s.db.WithContext(ctx).Where("cause = ? AND answered_at = ''", string(notify.Stop)).Order("raised_at").Find(&rows).Error; err != nil {
		return 0, time.Time{}, explain(err, s.dir)
	}
	for _, row := range rows {
		toldAt, err := parseTime(row.ToldAt)
		if err != nil {
			return told, next, err
		}
		at, _, ok := plan.Due(notify.Standing{Level: row.Level, Repeats: row.Repeats, ToldAt: toldAt, Outside: row.Outside, Refused: row.Refused})
		if !ok {
			continue
		}
		if now := s.Now().UTC(); !at.After(now) {
			err := s.inTx(ctx, func(tx *gorm.DB) error {
				// The row is looked at again inside: somebody may have answered just now.
				_, err := s.doNotice(tx, row.ID, itself, "", "", notify.Escalate{Plan: plan, At: now})
				return err
			})
			if err != nil {
				return told, next, err
			}
			told++
			continue
		}
		if next.IsZero() || at.Before(next) {
			next = at
		}
	}
	return told, next, nil
}

// SendHead queues the newest signed head for those who keep heads elsewhere, if
// the last one was queued long enough ago. It gives when the next is due: zero if
// none is ever.
func (s *Store) SendHead(ctx context.Context) (sent bool, next time.Time, err error) {
	plan := s.plan()
	if plan.HeadsEvery <= 0 || len(plan.HeadsTo) == 0 {
		return false, time.Time{}, nil
	}
	// Asked first without a transaction that writes: it is asked often.
	now := s.Now().UTC()
	if next, err = s.headDue(s.db.WithContext(ctx), plan, now); err != nil || next.After(now) {
		return false, next, explain(err, s.dir)
	}
	err = s.inTx(ctx, func(tx *gorm.DB) error {
		sent = false
		if next, err = s.headDue(tx, plan, now); err != nil || next.After(now) {
			return err // another program was quicker
		}
		row, err := newestHead(tx)
		if err != nil {
			return err
		}
		h, err := ledger.PeekHead([]byte(row.Note))
		if err != nil {
			return err
		}
		id := notify.HeadID(row.Note)
		o := notify.ForHead(h.Site, h.Size, h.Fingerprint(), row.Note)
		if _, err := s.doNotice(tx, id, itself, "", "", notify.Raise{ID: id, Occasion: o, Plan: plan}); err != nil {
			return err
		}
		sent, next = true, now.Add(plan.HeadsEvery)
		return nil
	})
	return sent && err == nil, next, err
}

func (s *Store) headDue(tx *gorm.DB, plan notify.Plan, now time.Time) (time.Time, error) {
	var at string
	if err := tx.Model(&noticeRow{}).Select("COALESCE(MAX(raised_at), '')").Where("cause = ?", string(notify.Head)).Scan(&at).Error; err != nil || at == "" {
		return now, err
	}
	last, err := parseTime(at)
	if err != nil {
		return now, err
	}
	if last.Sub(now) > plan.HeadsEvery { // of a clock that was wrong
		return now, nil
	}
	return last.Add(plan.HeadsEvery), nil
}

// Line is a message with how it stands, for lists.
type Line struct {
	ID       string
	Notice   string // id of the occasion
	Cause    notify.Cause
	Code     string // of the consignment, or ""
	Number   string
	Contact  string // name; "" for screen and print
	Channel  notify.Channel
	Telling  int
	Level    int
	QueuedAt time.Time
	Standing string // one of notify's
	EndedAt  time.Time
	Status   int
	Attempts int
	NextAt   time.Time
	Trying   bool
	Unsure   bool // an earlier try may have arrived
	Said     say.Text
}

// Failing reports whether a message that leaves the site has waited for so long
// that somebody should see to it.
func (l Line) Failing(now time.Time) bool {
	return l.Standing == notify.Waiting && l.Channel.Outside() && now.Sub(l.QueuedAt) >= notify.FailingAfter
}

// Word names how the message stands.
func (l Line) Word(now time.Time) say.Text {
	switch {
	case l.Standing == notify.Taken && l.Channel == notify.Print:
		return say.T("printed")
	case l.Standing == notify.Taken && l.Channel == notify.Screen:
		return say.T("answered")
	case l.Standing == notify.Taken:
		return say.T("delivered")
	case l.Standing == notify.Never:
		return say.T("refused")
	case l.Channel == notify.Screen:
		return say.T("on every screen")
	case l.Channel == notify.Print:
		return say.T("not printed yet")
	case l.Failing(now):
		return say.T("failing")
	case l.Trying:
		return say.T("being sent")
	}
	return say.T("waiting")
}

type sentLine struct {
	Row    outboxRow `gorm:"embedded"`
	Cause  string
	Code   string
	Number string
}

func (row sentLine) line() (Line, error) {
	m, w := row.Row.Sent, row.Row
	l := Line{
		ID: m.ID, Notice: m.Notice, Cause: notify.Cause(row.Cause), Code: row.Code, Number: row.Number, Contact: m.Contact,
		Channel: notify.Channel(m.Channel), Telling: m.Telling, Level: m.Level, Standing: m.Standing, Status: m.Status,
		Attempts: w.Attempts, Trying: w.Trying, Unsure: w.Unsure,
	}
	var errs [4]error
	l.QueuedAt, errs[0] = parseTime(m.QueuedAt)
	l.EndedAt, errs[1] = parseTime(m.EndedAt)
	l.NextAt, errs[2] = parseTime(w.NextAt)
	if w.Said != "" {
		errs[3] = json.Unmarshal([]byte(w.Said), &l.Said)
	}
	if err := errors.Join(errs[:]...); err != nil {
		return l, fmt.Errorf("message %s: %w", m.ID, err)
	}
	return l, nil
}

func lines(db *gorm.DB) *gorm.DB {
	return db.Table("outbox").Select("outbox.*, notices.cause, notices.code, notices.number").Joins("JOIN notices ON notices.id = outbox.notice")
}

// Outbox gives each message to f, the newest first: all of them, or only those
// that are not delivered.
func (s *Store) Outbox(ctx context.Context, all bool, f func(Line) error) error {
	const page = 500
	var last *sentRow
	for {
		q := lines(s.db.WithContext(ctx)).Order("queued_at DESC, outbox.id").Limit(page)
		if !all {
			q = q.Where("standing <> ?", notify.Taken)
		}
		if last != nil {
			q = q.Where("queued_at < ? OR queued_at = ? AND outbox.id > ?", last.QueuedAt, last.QueuedAt, last.ID)
		}
		var rows []sentLine
		if err := q.Scan(&rows).Error; err != nil {
			return explain(fmt.Errorf("reading the outbox: %w", err), s.dir)
		}
		for _, row := range rows {
			l, err := row.line()
			if err != nil {
				return err
			}
			if err := f(l); err != nil {
				return err
			}
		}
		if len(rows) < page {
			return nil
		}
		last = &rows[len(rows)-1].Row.Sent
	}
}

// OutboxCount is how the messages that leave the site stand.
type OutboxCount struct {
	Waiting    int
	Failing    int // of the waiting
	Refused    int // for occasions that nobody answered
	Unanswered int // occasions
}

// Words tells how telling people stands, in one sentence, and whether somebody has
// to do something about it. outside says that there are contacts at all.
func (c OutboxCount) Words(outside bool) (text say.Text, wrong bool) {
	switch {
	case c.Failing > 0:
		return say.T("%d messages to people outside have waited for more than %d hours. They are tried on. See why with lastlook notify list.", c.Failing, int(notify.FailingAfter/time.Hour)), true
	case c.Refused > 0:
		return say.T("%d messages about a stop were refused for good, and nobody has answered it yet. See why with lastlook notify list.", c.Refused), true
	case !outside:
		return say.T("Nobody outside is told of a stop, because there is no notify.yaml in the data folder: it is shown on every screen, and can be printed."), false
	case c.Waiting > 0:
		return say.T("%d messages to people outside are on their way.", c.Waiting), false
	}
	return say.T("People outside are told of a stop. No message is waiting."), false
}

// CountOutbox counts.
func (s *Store) CountOutbox(ctx context.Context) (OutboxCount, error) {
	var c OutboxCount
	db := s.db.WithContext(ctx)
	outside := []string{string(notify.Mail), string(notify.Webhook)}
	late := formatTime(s.Now().UTC().Add(-notify.FailingAfter))
	var n [4]int64
	errs := errors.Join(
		db.Model(&sentRow{}).Where("standing = 'waiting' AND channel IN ?", outside).Count(&n[0]).Error,
		db.Model(&sentRow{}).Where("standing = 'waiting' AND channel IN ? AND queued_at <= ?", outside, late).Count(&n[1]).Error,
		db.Model(&sentRow{}).Joins("JOIN notices ON notices.id = outbox.notice").
			Where("standing = ? AND answered_at = '' AND cause = ?", notify.Never, string(notify.Stop)).Count(&n[2]).Error,
		db.Model(&noticeRow{}).Where("cause = ? AND answered_at = ''", string(notify.Stop)).Count(&n[3]).Error,
	)
	c.Waiting, c.Failing, c.Refused, c.Unanswered = int(n[0]), int(n[1]), int(n[2]), int(n[3])
	return c, explain(errs, s.dir)
}

// Notice is an occasion with who was told of it.
type Notice struct {
	ID       string
	Cause    notify.Cause
	Code     string // of the consignment, or ""
	Number   string
	What     []say.Text // what happened, what to do
	RaisedAt time.Time
	Level    int // told last; 0 if nobody outside
	Told     []Line
	Answer   *notify.Answer // nil until somebody answers
}

func noticeIn(tx *gorm.DB, id string) (Notice, error) {
	st, err := loadNotice(tx, id)
	if err != nil {
		return Notice{}, err
	}
	if !st.Exists() {
		return Notice{}, say.Refuse(say.NotFound, "There is no such notice here. Open the page again.")
	}
	n := Notice{ID: st.ID, Cause: st.Cause, Code: st.Code, Number: st.Number, What: st.What, RaisedAt: st.RaisedAt, Level: st.Level, Answer: st.Answer}
	var rows []sentLine
	if err := lines(tx).Where("outbox.notice = ?", id).Order("telling, contact, channel").Scan(&rows).Error; err != nil {
		return Notice{}, fmt.Errorf("reading the outbox: %w", err)
	}
	for _, row := range rows {
		l, err := row.line()
		if err != nil {
			return Notice{}, err
		}
		n.Told = append(n.Told, l)
	}
	return n, nil
}

// Notice reads one occasion.
func (s *Store) Notice(ctx context.Context, id string) (Notice, error) {
	n, err := noticeIn(s.db.WithContext(ctx), id)
	return n, explain(err, s.dir)
}

// OpenNotices reads the occasions that nobody has answered yet, the oldest first.
// Every screen shows them.
func (s *Store) OpenNotices(ctx context.Context) ([]Notice, error) {
	return s.noticesWhere(ctx, "SELECT id FROM notices WHERE cause = ? AND answered_at = '' ORDER BY raised_at, id", string(notify.Stop))
}

// NoticesOf reads the occasions that a consignment gave, answered or not, the
// newest first.
func (s *Store) NoticesOf(ctx context.Context, code string) ([]Notice, error) {
	return s.noticesWhere(ctx, "SELECT id FROM notices WHERE code = ? ORDER BY raised_at DESC, id", code)
}

// OpenStops reads which stops nobody has answered yet, the oldest first, without
// what happened and who was told: every screen shows them.
func (s *Store) OpenStops(ctx context.Context) ([]Notice, error) {
	var rows []noticeRow
	err := s.db.WithContext(ctx).Where("cause = ? AND answered_at = ''", string(notify.Stop)).Order("raised_at, id").Find(&rows).Error
	if err != nil {
		return nil, explain(fmt.Errorf("listing the notices: %w", err), s.dir)
	}
	out := make([]Notice, len(rows))
	for i, row := range rows {
		out[i] = Notice{ID: row.ID, Cause: notify.Cause(row.Cause), Code: row.Code, Number: row.Number, Level: row.Level}
		if out[i].RaisedAt, err = parseTime(row.RaisedAt); err != nil {
			return nil, fmt.Errorf("list of notices, %s: %w", row.ID, err)
		}
	}
	return out, nil
}

// Unprinted reads the occasions whose notice has not been printed, the oldest
// first.
func (s *Store) Unprinted(ctx context.Context) ([]Notice, error) {
	return s.noticesWhere(ctx, "SELECT notice FROM outbox WHERE channel = ? AND standing = ? ORDER BY queued_at, notice", string(notify.Print), notify.Waiting)
}

func (s *Store) noticesWhere(ctx context.Context, query string, args ...any) ([]Notice, error) {
	var ids []string
	if err := s.db.WithContext(ctx).Raw(query, args...).Scan(&ids).Error; err != nil {
		return nil, explain(fmt.Errorf("listing the notices: %w", err), s.dir)
	}
	var out []Notice
	for _, id := range ids {
		n, err := s.Notice(ctx, id)
		if err != nil {
			return nil, err
		}
		out = append(out, n)
	}
	return out, nil
}

// Acknowledge records that a person knows of an occasion and sees to it: nobody
// else is told. Answering again adds nothing; the answer that stands is given back.
func (s *Store) Acknowledge(ctx context.Context, id string, actor consignment.Actor, bench, key string) (Notice, error) {
	return s.stepNotice(ctx, id, actor, bench, key, func(Notice) notify.Command { return notify.Acknowledge{By: actor} })
}

// MarkPrinted records that the notice of an occasion was printed.
func (s *Store) MarkPrinted(ctx context.Context, id string, actor consignment.Actor, bench, key string) (Notice, error) {
	return s.stepNotice(ctx, id, actor, bench, key, func(n Notice) notify.Command {
		return notify.Deliver{Message: notify.MessageID(n.ID, "", notify.Print, 0)}
	})
}

func (s *Store) stepNotice(ctx context.Context, id string, actor consignment.Actor, bench, key string, command func(Notice) notify.Command) (Notice, error) {
	var n Notice
	err := s.inTx(ctx, func(tx *gorm.DB) error {
		var err error
		if n, err = noticeIn(tx, id); err != nil {
			return err
		}
		prior, repeated, err := seen(tx, key)
		switch {
		case err != nil:
			return err
		case repeated && prior.Stream != noticeStream+id:
			return say.Refuse(say.Invalid, "This step was sent before for something else. Open the page again.")
		case repeated:
			return nil
		}
		if _, err := s.doNotice(tx, id, actor, bench, key, command(n)); err != nil {
			return err
		}
		n, err = noticeIn(tx, id)
		return err
	})
	return n, err
}
