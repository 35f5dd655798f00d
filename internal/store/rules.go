package store

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"gorm.io/gorm"

	"lastlook/internal/consignment"
	"lastlook/internal/people"
	"lastlook/internal/rules"
	"lastlook/internal/say"
)

// rulesStream is the history of the rule sets. There is no read table of it: it is
// short, and kept folded in memory.
const rulesStream = "rules"

// rulebook is the history as it was read last. It is never changed, only replaced,
// so that whoever has it may go on reading.
type rulebook struct {
	sync.Mutex
	now *rules.History
}

func loadRules(tx *gorm.DB) (*rules.History, error) {
	var rows []eventRow
	if err := tx.Where("stream = ?", rulesStream).Order("version").Find(&rows).Error; err != nil {
		return nil, fmt.Errorf("reading the rules: %w", err)
	}
	h := &rules.History{}
	for _, row := range rows {
		e, err := rules.Decode(row.Kind, []byte(row.Data))
		if err != nil {
			return nil, fmt.Errorf("rules, step %d: %w", row.Version, err)
		}
		var by consignment.Actor
		if err := json.Unmarshal([]byte(row.Actor), &by); err != nil {
			return nil, fmt.Errorf("rules, step %d: actor: %w", row.Version, err)
		}
		at, err := parseTime(row.At)
		if err != nil {
			return nil, err
		}
		if err := h.Apply(e, by, at); err != nil {
			return nil, err
		}
	}
	return h, nil
}

// rulesIn gives the history as a transaction sees it: the one in memory if there is
// no newer step. Another program may have published on the same data, so it is asked
// each time; the question is answered from an index.
func (s *Store) rulesIn(tx *gorm.DB) (*rules.History, error) {
	var version int
	if err := tx.Model(&eventRow{}).Select("COALESCE(MAX(version), 0)").Where("stream = ?", rulesStream).Scan(&version).Error; err != nil {
		return nil, fmt.Errorf("reading the rules: %w", err)
	}
	s.rules.Lock()
	now := s.rules.now
	s.rules.Unlock()
	if now != nil && now.Version == version {
		return now, nil
	}
	return loadRules(tx)
}

// keepRules reads the history from outside any transaction and remembers it.
func (s *Store) keepRules(ctx context.Context) (*rules.History, error) {
	h, err := s.rulesIn(s.db.WithContext(ctx))
	if err != nil {
		return nil, err
	}
	s.rules.Lock()
	defer s.rules.Unlock()
	s.rules.now = h
	return h, nil
}

// RuleHistory reads the history of the rules. It must not be changed.
func (s *Store) RuleHistory(ctx context.Context) (*rules.History, error) {
	h, err := s.keepRules(ctx)
	return h, explain(err, s.dir)
}

// Rules gives the rule set in force now for a destination, "" for everywhere. If
// the data cannot be read at this moment, it is that of the last time; a seal is
// held against the rules in its own transaction all the same.
func (s *Store) Rules(destination string) consignment.RuleSet {
	h, err := s.keepRules(context.Background())
	if err != nil {
		s.rules.Lock()
		h = s.rules.now
		s.rules.Unlock()
		if h == nil {
			h = &rules.History{}
		}
	}
	return *h.InForce(destination, s.Now()).Rules
}

// sealedUnder refuses to seal under rules that are not in force any more: whoever
// counted was shown another number of packages to examine.
func (s *Store) sealedUnder(tx *gorm.DB, st *consignment.State, c consignment.Seal, at time.Time) error {
	h, err := s.rulesIn(tx)
	if err != nil {
		return err
	}
	if now := h.InForce(st.Destination, at); now.Version != c.Rules.Version {
		return say.Refuse(say.Conflict, "The rules changed meanwhile: version %d is in force. Look at the number to examine again, then seal.", now.Version)
	}
	return nil
}

// DoRules takes a step on the rules, with an idempotency key: the same key again adds
// nothing and gives the history as it is now. Who is a supervisor, and whether there
// are two, is read in the same transaction.
func (s *Store) DoRules(ctx context.Context, actor consignment.Actor, bench, key string, c rules.Command) (*rules.History, error) {
	err := s.inTx(ctx, func(tx *gorm.DB) error {
		h, err := loadRules(tx) // a history of its own, to add to
		if err != nil {
			return err
		}
		prior, repeated, err := seen(tx, key)
		switch {
		case err != nil:
			return err
		case repeated && prior.Stream != rulesStream:
			return say.Refuse(say.Invalid, "This step was sent before for something else. Open the page again.")
		case repeated:
			return nil
		}
		roster, err := loadRoster(tx)
		if err != nil {
			return err
		}
		m := rules.Meta{Actor: actor, At: s.at(h.LastAt)}
		for _, p := range roster.Working() {
			if p.Has(people.Supervisor) {
				m.Supervisors = append(m.Supervisors, p.ID)
			}
		}
		if m.At.Before(h.LastAt) {
			return say.Refuse(say.Clock, "The clock says %s, but the last step was at %s. Set the clock right, then do this step again.",
				say.Moment(m.At), say.Moment(h.LastAt))
		}
		events, err := rules.Decide(h, m, c)
		if err != nil {
			return err
		}
		after, newest := h.Version, h.Newest()
		enc := make([]encoded, len(events))
		for i, e := range events {
			if enc[i].data, err = rules.Encode(e); err != nil {
				return err
			}
			enc[i].kind = e.Kind()
			if err := h.Apply(e, actor, m.At); err != nil {
				return err
			}
		}
		if err := appendEvents(tx, rulesStream, after, consignment.Meta{Actor: actor, Bench: bench, At: m.At}, key, enc); err != nil {
			return err
		}
		if h.Newest() == newest {
			return nil
		}
		return s.startsAnew(tx)
	})
	if err != nil {
		return nil, err
	}
	return s.RuleHistory(ctx)
}

// startsAnew works out again by when each consignment that is due has to be begun.
func (s *Store) startsAnew(tx *gorm.DB) error {
	var codes []string
	if err := tx.Model(&consignmentRow{}).Where("stage IN ?", activeStages).Order("code").Pluck("code", &codes).Error; err != nil {
		return fmt.Errorf("listing what is due: %w", err)
	}
	h, err := s.rulesIn(tx)
	if err != nil {
		return err
	}
	now := s.Now()
	for _, code := range codes {
		st, err := load(tx, code)
		if err != nil {
			return err
		}
		start := summaryRow(st, *h.InForce(st.Destination, now).Rules).LatestStart
		if err := tx.Model(&consignmentRow{}).Where("code = ? AND latest_start <> ?", code, start).Update("latest_start", start).Error; err != nil {
			return fmt.Errorf("updating the list of consignments: %w", err)
		}
	}
	return nil
}

// Destinations lists where consignments go or went, each once, by name.
func (s *Store) Destinations(ctx context.Context) ([]string, error) {
	var names, out []string
	if err := s.db.WithContext(ctx).Model(&consignmentRow{}).Distinct().Order("destination").Pluck("destination", &names).Error; err != nil {
		return nil, explain(err, s.dir)
	}
	for _, n := range names {
		if strings.TrimSpace(n) != "" && !slices.ContainsFunc(out, func(d string) bool { return rules.Same(d, n) }) {
			out = append(out, n)
		}
	}
	return out, nil
}
