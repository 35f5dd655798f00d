package store

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"

	"gorm.io/gorm"
	"gorm.io/gorm/clause"

	"lastlook/internal/say"
)

type blobRow struct {
	Hash  string `gorm:"primaryKey"`
	Mime  string
	Size  int
	Bytes []byte
}

func (blobRow) TableName() string { return "blobs" }

// PutBlob keeps bytes under their SHA-256 and gives it in hex. The same bytes
// again are kept once.
func (s *Store) PutBlob(ctx context.Context, mime string, b []byte) (string, error) {
	hash, err := putBlob(s.db.WithContext(ctx), mime, b)
	return hash, explain(err, s.dir)
}

func putBlob(tx *gorm.DB, mime string, b []byte) (string, error) {
	sum := sha256.Sum256(b)
	row := blobRow{Hash: hex.EncodeToString(sum[:]), Mime: mime, Size: len(b), Bytes: b}
	return row.Hash, tx.Clauses(clause.OnConflict{DoNothing: true}).Create(&row).Error
}

// Blob gives the bytes kept under a hash. Bytes that no longer have it are refused.
func (s *Store) Blob(ctx context.Context, hash string) (mime string, b []byte, err error) {
	var row blobRow
	err = s.db.WithContext(ctx).Where("hash = ?", hash).Take(&row).Error
	if errors.Is(err, gorm.ErrRecordNotFound) {
		return "", nil, say.Refuse(say.NotFound, "There is no picture with that mark here.")
	}
	if err != nil {
		return "", nil, explain(err, s.dir)
	}
	if sum := sha256.Sum256(row.Bytes); hex.EncodeToString(sum[:]) != hash {
		return "", nil, say.Refuse(say.Storage, "A picture was changed outside Lastlook: it is not shown. Restore a backup.")
	}
	return row.Mime, row.Bytes, nil
}
