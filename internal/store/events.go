package store

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"

	"gorm.io/gorm"

	"lastlook/internal/consignment"
	"lastlook/internal/say"
)

// eventRow is one line of the event table.
type eventRow struct {
	Seq     int64 `gorm:"primaryKey"`
	Stream  string
	Version int
	Kind    string
	At      string
	Actor   string
	Bench   string
	Data    string
}

func (eventRow) TableName() string { return "events" }

type commandRow struct {
	Key          string `gorm:"primaryKey"`
	Stream       string
	FirstVersion int
	LastVersion  int
}

func (commandRow) TableName() string { return "commands" }

const consignmentStream = "consignment/"

// timeFormat keeps nanoseconds at a fixed width, so that text order is time order.
const timeFormat = "2006-01-02T15:04:05.000000000Z"

func formatTime(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.UTC().Format(timeFormat)
}

func parseTime(s string) (time.Time, error) {
	if s == "" {
		return time.Time{}, nil
	}
	return time.Parse(timeFormat, s)
}

// load reads a consignment's history and folds it. A code nobody used gives an
// empty state.
func load(tx *gorm.DB, code string) (*consignment.State, error) {
	var rows []eventRow
	if err := tx.Where("stream = ?", consignmentStream+code).Order("version").Find(&rows).Error; err != nil {
		return nil, fmt.Errorf("reading the history of %s: %w", code, err)
	}
	return foldRows(code, rows)
}

// foldRows folds a consignment's history from its rows.
func foldRows(code string, rows []eventRow) (*consignment.State, error) {
	history := make([]consignment.Recorded, 0, len(rows))
	for _, row := range rows {
		rec, err := row.recorded()
		if err != nil {
			return nil, fmt.Errorf("history of %s, step %d: %w", code, row.Version, err)
		}
		history = append(history, rec)
	}
	s, err := consignment.Fold(history)
	if err != nil {
		return nil, fmt.Errorf("history of %s: %w", code, err)
	}
	return s, nil
}

func (row eventRow) recorded() (consignment.Recorded, error) {
	at, err := parseTime(row.At)
	if err != nil {
		return consignment.Recorded{}, fmt.Errorf("time %q: %w", row.At, err)
	}
	rec := consignment.Recorded{Version: row.Version, At: at, Bench: row.Bench}
	if err := json.Unmarshal([]byte(row.Actor), &rec.Actor); err != nil {
		return rec, fmt.Errorf("actor: %w", err)
	}
	rec.Event, err = consignment.Decode(row.Kind, []byte(row.Data))
	return rec, err
}

// encoded is an event on its way into the table.
type encoded struct {
	kind string
	data []byte
}

// appendEvents writes events behind a stream's history, in the site's whole order.
// It works only inside inTx, which hashes them.
func appendEvents(tx *gorm.DB, stream string, after int, m consignment.Meta, key string, events []encoded) error {
	b, err := batchIn(tx)
	if err != nil {
		return err
	}
	var last int64
	if err := tx.Model(&eventRow{}).Select("COALESCE(MAX(seq), 0)").Scan(&last).Error; err != nil {
		return fmt.Errorf("finding the end of the history: %w", err)
	}
	actor, err := json.Marshal(m.Actor)
	if err != nil {
		return err
	}
	rows := make([]eventRow, len(events))
	for i, e := range events {
		rows[i] = eventRow{
			Seq: last + int64(i) + 1, Stream: stream, Version: after + i + 1,
			Kind: e.kind, At: formatTime(m.At), Actor: string(actor), Bench: m.Bench, Data: string(e.data),
		}
	}
	if err := tx.Create(&rows).Error; err != nil {
		return fmt.Errorf("appending to %s: %w", stream, err)
	}
	b.add(rows)
	if key == "" {
		return nil
	}
	row := commandRow{Key: key, Stream: stream, FirstVersion: after + 1, LastVersion: after + len(events)}
	if err := tx.Create(&row).Error; err != nil {
		return fmt.Errorf("keeping the key: %w", err)
	}
	return nil
}

// seen looks an idempotency key up.
func seen(tx *gorm.DB, key string) (commandRow, bool, error) {
	if key == "" {
		return commandRow{}, false, nil
	}
	var row commandRow
	err := tx.Where("key = ?", key).Take(&row).Error
	if errors.Is(err, gorm.ErrRecordNotFound) {
		return commandRow{}, false, nil
	}
	return row, err == nil, err
}

// Step is one command on its way through the core.
type Step struct {
	Code    string // of the consignment
	Key     string // idempotency key made by the client; "" for none
	Expect  int    // version the client saw; 0 to decide on whatever is so now
	Actor   consignment.Actor
	Bench   string
	Command consignment.Command
}

// Done is what came of a step.
type Done struct {
	State    *consignment.State
	Events   []consignment.Recorded
	Repeated bool // the same key was sent before: nothing was added
}

// Do takes a step: it reads the history, lets the core decide, and keeps the
// events, the key and the read tables in one transaction. When it returns without an
// error the step is durable. The same key again gives the first answer and adds
// nothing. A step that saw an older version is refused with what changed meanwhile.
func (s *Store) Do(ctx context.Context, step Step) (Done, error) {
	var done Done
	err := s.inTx(ctx, func(tx *gorm.DB) error {
		var err error
		done, err = s.do(tx, step)
		return err
	})
	if err != nil {
		return Done{}, err
	}
	return done, nil
}

func (s *Store) do(tx *gorm.DB, step Step) (Done, error) {
	stream := consignmentStream + step.Code
	state, err := load(tx, step.Code)
	if err != nil {
		return Done{}, err
	}
	prior, repeated, err := seen(tx, step.Key)
	switch {
	case err != nil:
		return Done{}, err
	case repeated && prior.Stream != stream:
		return Done{}, say.Refuse(say.Invalid, "This step was sent before for another consignment. Open the page again.")
	case repeated:
		return Done{State: state, Events: state.History[prior.FirstVersion-1 : prior.LastVersion], Repeated: true}, nil
	}
	if step.Expect != 0 && step.Expect != state.Version {
		return Done{}, stale(state, step.Expect)
	}
	m := consignment.Meta{Actor: step.Actor, Bench: step.Bench, At: s.at(state.LastAt)}
	if m.Unclean, err = uncleanIn(tx, step.Bench); err != nil {
		return Done{}, err
	}
	if seal, ok := step.Command.(consignment.Seal); ok {
		_, keys, err := s.keysIn(tx)
		if err != nil {
			return Done{}, err
		}
		m.Prover = keys.Prover()
		if err := s.sealedUnder(tx, state, seal, m.At); err != nil {
			return Done{}, err
		}
	}
	events, err := consignment.Decide(state, m, step.Command)
	if err != nil {
		return Done{}, err
	}
	recs := make([]consignment.Recorded, len(events))
	enc := make([]encoded, len(events))
	for i, e := range events {
		recs[i] = consignment.Recorded{Version: state.Version + i + 1, At: m.At, Actor: m.Actor, Bench: m.Bench, Event: e}
		enc[i].kind = e.Kind()
		if enc[i].data, err = consignment.Encode(e); err != nil {
			return Done{}, err
		}
	}
	next, err := state.After(recs)
	if err != nil {
		return Done{}, fmt.Errorf("what was decided does not fold: %w", err)
	}
	if err := appendEvents(tx, stream, state.Version, m, step.Key, enc); err != nil {
		return Done{}, err
	}
	if err := s.tell(tx, stream, next, recs); err != nil {
		return Done{}, err
	}
	if err := s.project(tx, next); err != nil {
		return Done{}, err
	}
	return Done{State: next, Events: recs}, nil
}

// at is the time of a step: now, or the time of the step before it where the clock
// was put back by less than the slew that time servers make. A clock further
// back is left as it is and refused by the core.
func (s *Store) at(last time.Time) time.Time {
	now := s.Now().UTC()
	if now.Before(last) && last.Sub(now) <= slew {
		return last
	}
	return now
}

// stale says what changed since the version the client saw.
func stale(state *consignment.State, saw int) error {
	if saw > state.Version {
		return say.Refuse(say.Conflict, "This page is of a consignment with more steps than are on record: was a backup restored? Open it again.")
	}
	var what []say.Text
	for _, rec := range state.History[saw:] {
		what = append(what, say.T("%s (%s, %s)", consignment.Describe(rec.Event), rec.Actor.Name, rec.Bench))
		if len(what) == 4 {
			break
		}
	}
	more := ""
	if n := state.Version - saw - len(what); n > 0 {
		more = fmt.Sprintf(" +%d", n)
	}
	return say.Refuse(say.Conflict, "Not saved: somebody else was quicker. Meanwhile: %s%s. Look again, then repeat your step if it is still right.", what, more)
}

// Consignment reads and folds one consignment's history.
func (s *Store) Consignment(ctx context.Context, code string) (*consignment.State, error) {
	state, err := load(s.db.WithContext(ctx), code)
	if err != nil {
		return nil, explain(err, s.dir)
	}
	if !state.Exists() {
		return nil, say.Refuse(say.NotFound, "There is no consignment with the code %s here.", clip(code))
	}
	return state, nil
}

// clip shortens something that came from outside before it is shown.
func clip(text string) string {
	if r := []rune(text); len(r) > 40 {
		return string(r[:40]) + "…"
	}
	return strings.ToValidUTF8(text, "?")
}

// Answered reports whether a step with this idempotency key has been taken.
func (s *Store) Answered(ctx context.Context, key string) (bool, error) {
	_, ok, err := seen(s.db.WithContext(ctx), key)
	return ok, explain(err, s.dir)
}
