package store

import (
	"context"
	"fmt"
	"strings"

	"gorm.io/gorm"
)

// Rebuild makes the read tables again from the events, in one transaction, and
// tells how many consignments it went through.
func (s *Store) Rebuild(ctx context.Context, progress func(done, total int)) (int, error) {
	n := 0
	err := s.inTx(ctx, func(tx *gorm.DB) error {
		for _, table := range []any{&findRow{}, &sampleRow{}, &uncleanRow{}, &lineRow{}, &useRow{}, &roundRow{}, &examRow{}, &consignmentRow{}, &personRow{}} {
			if err := tx.Where("1 = 1").Delete(table).Error; err != nil {
				return fmt.Errorf("emptying a read table: %w", err)
			}
		}
		var streams []string
		if err := tx.Model(&eventRow{}).Where("version = 1 AND stream LIKE ?", consignmentStream+"%").Order("seq").Pluck("stream", &streams).Error; err != nil {
			return fmt.Errorf("listing the histories: %w", err)
		}
		for i, stream := range streams {
			state, err := load(tx, strings.TrimPrefix(stream, consignmentStream))
			if err != nil {
				return err
			}
			if err := s.project(tx, state); err != nil {
				return err
			}
			if progress != nil {
				progress(i+1, len(streams))
			}
		}
		n = len(streams)
		roster, err := loadRoster(tx)
		if err != nil {
			return err
		}
		if err := projectPeople(tx, roster); err != nil {
			return err
		}
		return rebuildNotices(tx)
	})
	return n, err
}
