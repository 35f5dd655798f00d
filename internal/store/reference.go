package store

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"gorm.io/gorm"
	"gorm.io/gorm/clause"

	"lastlook/internal/consignment"
	"lastlook/internal/say"
)

// The streams of the reference all begin with this word: the store keeps their
// events without knowing what they say.
const (
	referenceFrom = "reference"
	referenceTo   = "referencf" // the first name behind them all
)

// ReferenceEvent is one step in the history of the reference.
type ReferenceEvent struct {
	Seq     int64 // place in the site's whole history
	Stream  string
	Version int // place in the stream
	At      time.Time
	Actor   consignment.Actor
	Kind    string
	Data    []byte
}

// ReferenceWrite is an event on its way into a stream of the reference.
type ReferenceWrite struct {
	Stream string
	Kind   string
	Data   []byte
}

// ReferenceStep is a step on the reference.
type ReferenceStep struct {
	Key   string // idempotency key made by the client; "" for none
	Actor consignment.Actor
	Bench string
	Seen  int64 // Seq of the last event that the caller knows
	// Decide gets the events since Seen and says what follows. It may be called
	// while nobody else can write, so it should be quick.
	Decide func(since []ReferenceEvent) ([]ReferenceWrite, error)
}

// TextMime is the type under which texts of the reference are kept.
const TextMime = "application/json"

// ReferenceSeq gives the place of the newest step on the reference, 0 if there
// is none. It reads one index and is meant to be asked at each request.
func (s *Store) ReferenceSeq(ctx context.Context) (int64, error) {
	seq, err := referenceSeq(s.db.WithContext(ctx))
	return seq, explain(err, s.dir)
}

func referenceSeq(tx *gorm.DB) (int64, error) {
	var seq int64
	err := tx.Model(&eventRow{}).Where("stream >= ? AND stream < ?", referenceFrom, referenceTo).Select("COALESCE(MAX(seq), 0)").Scan(&seq).Error
	if err != nil {
		return 0, fmt.Errorf("finding the end of the reference's history: %w", err)
	}
	return seq, nil
}

// ReferenceEvents reads the steps on the reference after a place in the history.
func (s *Store) ReferenceEvents(ctx context.Context, after int64) ([]ReferenceEvent, error) {
	out, err := referenceEvents(s.db.WithContext(ctx), after)
	return out, explain(err, s.dir)
}

func referenceEvents(tx *gorm.DB, after int64) ([]ReferenceEvent, error) {
	var rows []eventRow
	if err := tx.Where("stream >= ? AND stream < ? AND seq > ?", referenceFrom, referenceTo, after).Order("seq").Find(&rows).Error; err != nil {
		return nil, fmt.Errorf("reading the history of the reference: %w", err)
	}
	out := make([]ReferenceEvent, len(rows))
	for i, row := range rows {
		e := ReferenceEvent{Seq: row.Seq, Stream: row.Stream, Version: row.Version, Kind: row.Kind, Data: []byte(row.Data)}
		var err error
		if e.At, err = parseTime(row.At); err != nil {
			return nil, fmt.Errorf("history of the reference, step %d: %w", row.Seq, err)
		}
		if err := json.Unmarshal([]byte(row.Actor), &e.Actor); err != nil {
			return nil, fmt.Errorf("history of the reference, step %d: actor: %w", row.Seq, err)
		}
		out[i] = e
	}
	return out, nil
}

// DoReference takes a step on the reference in one transaction. The same key again
// adds nothing, and repeated is true.
func (s *Store) DoReference(ctx context.Context, step ReferenceStep) (repeated bool, err error) {
	err = s.inTx(ctx, func(tx *gorm.DB) error {
		var err error
		if _, repeated, err = seen(tx, step.Key); err != nil || repeated {
			return err
		}
		since, err := referenceEvents(tx, step.Seen)
		if err != nil {
			return err
		}
		writes, err := step.Decide(since)
		if err != nil || len(writes) == 0 {
			return err
		}
		var last string
		if err := tx.Model(&eventRow{}).Where("stream >= ? AND stream < ?", referenceFrom, referenceTo).Select("COALESCE(MAX(at), '')").Scan(&last).Error; err != nil {
			return err
		}
		lastAt, err := parseTime(last)
		if err != nil {
			return err
		}
		m := consignment.Meta{Actor: step.Actor, Bench: step.Bench, At: s.at(lastAt)}
		if m.At.Before(lastAt) {
			return say.Refuse(say.Clock, "The clock says %s, but the last step was at %s. Set the clock right, then do this step again.", say.Moment(m.At), say.Moment(lastAt))
		}
		return appendReference(tx, m, step.Key, writes)
	})
	return repeated, err
}

// appendReference appends runs of events of one stream at a time, in order.
func appendReference(tx *gorm.DB, m consignment.Meta, key string, writes []ReferenceWrite) error {
	for i := 0; i < len(writes); {
		j := i
		var run []encoded
		for ; j < len(writes) && writes[j].Stream == writes[i].Stream; j++ {
			run = append(run, encoded{kind: writes[j].Kind, data: writes[j].Data})
		}
		stream := writes[i].Stream
		if stream < referenceFrom || stream >= referenceTo {
			return fmt.Errorf("%q is no stream of the reference", stream)
		}
		var version int
		if err := tx.Model(&eventRow{}).Where("stream = ?", stream).Select("COALESCE(MAX(version), 0)").Scan(&version).Error; err != nil {
			return err
		}
		if err := appendEvents(tx, stream, version, m, key, run); err != nil {
			return err
		}
		key = "" // one key is enough to know the step again
		i = j
	}
	return nil
}

// PutTexts keeps texts of the reference under their SHA-256, so that what a find
// was decided on can be shown for as long as the find is.
func (s *Store) PutTexts(ctx context.Context, texts [][]byte) error {
	return s.inTx(ctx, func(tx *gorm.DB) error {
		for _, t := range texts {
			if _, err := putBlob(tx, TextMime, t); err != nil {
				return err
			}
		}
		return nil
	})
}

// Text gives a text of the reference that is kept under a hash.
func (s *Store) Text(ctx context.Context, hash string) ([]byte, error) {
	mime, b, err := s.Blob(ctx, hash)
	if say.CodeOf(err) == say.NotFound || err == nil && mime != TextMime {
		return nil, say.Refuse(say.NotFound, "There is no text with that mark here.")
	}
	return b, err
}

type draftRow struct {
	About   string `gorm:"primaryKey"`
	Person  string `gorm:"primaryKey"`
	Name    string
	Seen    int64
	SavedAt string
	Data    []byte
}

func (draftRow) TableName() string { return "drafts" }

// Draft is what somebody has begun to write and not yet published. It is no part
// of the history.
type Draft struct {
	About   string // "entry/plum-pox", "pack"
	Person  string // id of whoever writes it
	Name    string
	Seen    int64 // version that it was begun from
	SavedAt time.Time
	Data    []byte
}

// PutDraft keeps a draft in place of the one that the person had about the same.
func (s *Store) PutDraft(ctx context.Context, d Draft) error {
	row := draftRow{About: d.About, Person: d.Person, Name: d.Name, Seen: d.Seen, SavedAt: formatTime(s.Now()), Data: d.Data}
	err := s.db.WithContext(ctx).Clauses(clause.OnConflict{UpdateAll: true}).Create(&row).Error
	return explain(err, s.dir)
}

// Draft gives what a person has begun to write about something; ok is false if
// there is nothing.
func (s *Store) Draft(ctx context.Context, about, person string) (d Draft, ok bool, err error) {
	var row draftRow
	err = s.db.WithContext(ctx).Where("about = ? AND person = ?", about, person).Take(&row).Error
	if errors.Is(err, gorm.ErrRecordNotFound) {
		return Draft{}, false, nil
	}
	if err != nil {
		return Draft{}, false, explain(err, s.dir)
	}
	d, err = row.draft()
	return d, err == nil, err
}

func (row draftRow) draft() (Draft, error) {
	at, err := parseTime(row.SavedAt)
	return Draft{About: row.About, Person: row.Person, Name: row.Name, Seen: row.Seen, SavedAt: at, Data: row.Data}, err
}

// Drafts lists the drafts of everybody, newest first, without what is in them.
func (s *Store) Drafts(ctx context.Context) ([]Draft, error) {
	var rows []draftRow
	if err := s.db.WithContext(ctx).Omit("data").Order("saved_at DESC, about, person").Find(&rows).Error; err != nil {
		return nil, explain(err, s.dir)
	}
	out := make([]Draft, len(rows))
	for i, row := range rows {
		var err error
		if out[i], err = row.draft(); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// DropDraft throws a draft away. There being none is no error.
func (s *Store) DropDraft(ctx context.Context, about, person string) error {
	err := s.db.WithContext(ctx).Where("about = ? AND person = ?", about, person).Delete(&draftRow{}).Error
	return explain(err, s.dir)
}
