package kiosk

import (
	"context"
	"encoding/hex"
	"errors"
	"io"
	"mime/multipart"
	"net/http"
	"net/url"

	"github.com/gin-gonic/gin"

	"lastlook/internal/photo"
	"lastlook/internal/say"
)

const (
	// maxPhoto is the largest request with a photo: the photo and the answers that
	// come with it.
	maxPhoto = photo.MaxBytes + 1<<20
	// maxAnswers is how much the answers may take of it.
	maxAnswers = 64 << 10
	// maxPhotos is how many photos a find can have.
	maxPhotos = 12
)

// photoTurn lets one photo be read at a time: a large one takes some 200 MB of
// memory for a second.
var photoTurn = make(chan struct{}, 1)

// addPhoto keeps a photo and goes back to the find page with the answers that came
// with it. What is wrong with a photo is told there too, and the answers stay.
func (k *kiosk) addPhoto(c *gin.Context) error {
	st, _, x, err := k.packageOf(c)
	if err != nil {
		return err
	}
	answers, file, err := readPhotoForm(c.Request)
	answers.Del("key")
	answers.Del("version")
	if err == nil && len(answers["photo"]) >= maxPhotos {
		err = say.Refuse(say.Invalid, "A find can have %d photos: leave some out.", maxPhotos).For("photo")
	}
	if err == nil {
		var hash string
		if hash, err = k.keepPhoto(c.Request.Context(), file); err == nil {
			answers.Add("photo", hash)
			tell(c, Flash{Tone: toneRight, Text: say.T("The photo is kept. Record the find to make it part of it.")})
		}
	}
	if r := asRefusal(err); r != nil {
		tell(c, Flash{Tone: toneWrong, Text: r.Text, Detail: say.T("Your answers are still here.")})
	} else if err != nil {
		return err
	}
	return k.forward(c, packagePath(st.Code, x.Package)+"/find?"+answers.Encode())
}

// keepPhoto cleans a photo and stores it, and gives its hash.
func (k *kiosk) keepPhoto(ctx context.Context, file []byte) (string, error) {
	select {
	case photoTurn <- struct{}{}:
		defer func() { <-photoTurn }()
	case <-ctx.Done():
		return "", ctx.Err()
	}
	p, err := photo.Clean(file)
	if err != nil {
		return "", err
	}
	return k.store.PutBlob(ctx, "image/jpeg", p.JPEG)
}

// readPhotoForm reads the form part by part. The answers stand before the file, so
// they are there even if the file is too large or the connection breaks. Hashes of
// photos taken before are among the answers, under the name of the file.
func readPhotoForm(r *http.Request) (answers url.Values, file []byte, err error) {
	answers = url.Values{}
	mr, err := r.MultipartReader()
	if err != nil {
		return answers, nil, say.Refuse(say.Invalid, "No photo came with this: take one or choose a file, then add it.").For("photo").Because(err)
	}
	left := int64(maxAnswers)
	for {
		part, err := mr.NextPart()
		if errors.Is(err, io.EOF) {
			return answers, file, nil
		}
		if err != nil {
			return answers, nil, uploadProblem(err)
		}
		name := part.FormName()
		if part.FileName() != "" || isFile(part) {
			if name != "photo" || file != nil {
				continue
			}
			if file, err = io.ReadAll(io.LimitReader(part, photo.MaxBytes+1)); err != nil {
				return answers, nil, uploadProblem(err)
			}
			if len(file) > photo.MaxBytes {
				return answers, nil, photo.TooLarge(nil)
			}
			continue
		}
		value, err := io.ReadAll(io.LimitReader(part, left+1))
		if err != nil {
			return answers, nil, uploadProblem(err)
		}
		if left -= int64(len(value)); left < 0 {
			return url.Values{}, nil, say.Refuse(say.Invalid, "The answers that came with the photo are too long. Shorten the note, then add the photo again.").For("photo")
		}
		switch {
		case name == "":
		case name == "photo" && !isHash(string(value)):
		default:
			answers.Add(name, string(value))
		}
	}
}

// isFile reports whether a part is a file input left empty: it has a file name,
// which is empty, and so looks like an answer otherwise.
func isFile(p *multipart.Part) bool { return p.Header.Get("Content-Type") != "" }

// uploadProblem tells a body that is too large from one that broke off.
func uploadProblem(err error) error {
	var tooBig *http.MaxBytesError
	if errors.As(err, &tooBig) {
		return photo.TooLarge(err)
	}
	return say.Refuse(say.Invalid, "The photo did not arrive whole: add it again.").For("photo").Because(err)
}

// isHash reports whether s is written as the hash of a photo.
func isHash(s string) bool {
	b, err := hex.DecodeString(s)
	return err == nil && len(b) == 32
}

// photo answers GET /photo/:hash. The bytes of a hash never change.
func (k *kiosk) photo(c *gin.Context) error {
	if !isHash(c.Param("hash")) {
		return say.Refuse(say.NotFound, "There is no picture with that mark here.")
	}
	kind, b, err := k.store.Blob(c.Request.Context(), c.Param("hash"))
	if err != nil {
		return err
	}
	if kind != "image/jpeg" {
		return say.Refuse(say.NotFound, "There is no picture with that mark here.")
	}
	c.Header("Cache-Control", "private, max-age=31536000, immutable")
	c.Data(http.StatusOK, kind, b)
	return nil
}
