// Package photo makes a picture from outside safe to keep: [Clean] reads a JPEG,
// PNG or WebP file and writes a JPEG of its own, turned upright, no larger than
// [MaxSide] pixels.
//
// Nothing of the file that came in is kept but its pixels: place and time of the
// shot, the camera's name, comments, and whatever was hung behind the picture are
// gone. The same file gives the same bytes on the same kind of machine. The
// package keeps nothing and shows nothing; it does not try to improve a picture.
package photo

import (
	"bytes"
	"encoding/binary"
	"errors"
	"image"
	"image/color"
	"image/jpeg"
	_ "image/png" // a format that Clean reads

	"golang.org/x/image/draw"
	_ "golang.org/x/image/webp" // a format that Clean reads

	"lastlook/internal/say"
)

const (
	// MaxBytes is the largest file that Clean takes.
	MaxBytes = 20 << 20
	// MaxPixels is the largest picture that Clean takes, in pixels. A small file
	// can claim to be far larger, and would fill the memory.
	MaxPixels = 40_000_000
	// MaxSide is the longer side of what Clean gives, at most, in pixels.
	MaxSide = 1600

	// quality is that of the JPEG written: a mite's legs stay legs, and a photo
	// takes some 300 KB.
	quality = 85
)

// formats are those that Clean reads. The image package knows every format that
// some part of the program has use for, so the list is checked.
var formats = map[string]bool{"jpeg": true, "png": true, "webp": true}

// Photo is a cleaned picture.
type Photo struct {
	JPEG          []byte
	Width, Height int // pixels
}

// Clean reads a picture and makes a new one of it. Every error is a
// say.Refusal that tells what is wrong with the file.
func Clean(file []byte) (Photo, error) {
	switch {
	case len(file) == 0:
		return Photo{}, refuse("No photo came with this: take one or choose a file, then add it.", nil)
	case len(file) > MaxBytes:
		return Photo{}, TooLarge(nil)
	}
	cfg, format, err := image.DecodeConfig(bytes.NewReader(file))
	switch {
	case isHEIF(file):
		return Photo{}, refuse("This is a HEIF picture (.heic), which the bench cannot read: set the camera to JPEG, or save it as JPEG.", err)
	case errors.Is(err, image.ErrFormat), err == nil && !formats[format]:
		return Photo{}, refuse("This file is not a picture the bench can read: use a JPEG, PNG or WebP file.", err)
	case err != nil:
		return Photo{}, broken(err)
	case cfg.Width < 1 || cfg.Height < 1:
		return Photo{}, broken(nil)
	case int64(cfg.Width)*int64(cfg.Height) > MaxPixels:
		return Photo{}, say.Refuse(say.Invalid, "The photo has %d × %d pixels, more than %d million: take it again at a smaller size.",
			cfg.Width, cfg.Height, MaxPixels/1_000_000).For("photo")
	}
	img, _, err := image.Decode(bytes.NewReader(file))
	if err != nil {
		return Photo{}, broken(err)
	}
	turn := 1
	if format == "jpeg" {
		turn = orientation(file)
	}
	w, h := fit(img.Bounds().Dx(), img.Bounds().Dy(), MaxSide)
	// Scaled first and turned after: there are fewer pixels to turn then.
	return encode(upright(scale(img, w, h), turn))
}

// Scale gives a cleaned photo at another width; the height follows. It is for
// paper, where a photo of the screen's size would be wasted.
func Scale(file []byte, width int) (Photo, error) {
	img, err := jpeg.Decode(bytes.NewReader(file))
	if err != nil {
		return Photo{}, broken(err)
	}
	b := img.Bounds()
	h := max(1, (b.Dy()*width+b.Dx()/2)/b.Dx())
	return encode(scale(img, width, h))
}

// TooLarge is the refusal of a file that has more than MaxBytes.
func TooLarge(cause error) error {
	return say.Refuse(say.Invalid, "The photo is larger than %d MB: take it again at a smaller size.", MaxBytes>>20).For("photo").Because(cause)
}

func refuse(key string, cause error) error {
	return say.Refuse(say.Invalid, key).For("photo").Because(cause)
}

func broken(cause error) error {
	return refuse("The photo is damaged or did not arrive whole: add it again, or take another.", cause)
}

// isHEIF knows the files that many telephones write by default (ISO/IEC 23008-12):
// an "ftyp" box with a brand of that family.
func isHEIF(b []byte) bool {
	if len(b) < 12 || string(b[4:8]) != "ftyp" {
		return false
	}
	switch string(b[8:12]) {
	case "heic", "heix", "hevc", "heim", "heis", "mif1", "msf1", "avif":
		return true
	}
	return false
}

// fit gives the size of a picture made no larger than most on either side.
func fit(w, h, most int) (int, int) {
	if w <= most && h <= most {
		return w, h
	}
	if w >= h {
		return most, max(1, (h*most+w/2)/w)
	}
	return max(1, (w*most+h/2)/h), most
}

// scale draws img at the given size, on white where it is transparent.
func scale(img image.Image, w, h int) *image.RGBA {
	out := image.NewRGBA(image.Rect(0, 0, w, h))
	draw.Draw(out, out.Bounds(), image.NewUniform(color.White), image.Point{}, draw.Src)
	if b := img.Bounds(); b.Dx() == w && b.Dy() == h {
		draw.Draw(out, out.Bounds(), img, b.Min, draw.Over)
		return out
	}
	draw.CatmullRom.Scale(out, out.Bounds(), img, img.Bounds(), draw.Over, nil)
	return out
}

func encode(img *image.RGBA) (Photo, error) {
	var b bytes.Buffer
	if err := jpeg.Encode(&b, img, &jpeg.Options{Quality: quality}); err != nil {
		return Photo{}, broken(err)
	}
	return Photo{JPEG: b.Bytes(), Width: img.Bounds().Dx(), Height: img.Bounds().Dy()}, nil
}

// upright turns img as the Exif orientation o says: 2 to 4 are mirrored and
// turned by half, 5 to 8 stand on their side.
func upright(img *image.RGBA, o int) *image.RGBA {
	if o < 2 || o > 8 {
		return img
	}
	w, h := img.Bounds().Dx(), img.Bounds().Dy()
	outW, outH := w, h
	if o >= 5 {
		outW, outH = h, w
	}
	out := image.NewRGBA(image.Rect(0, 0, outW, outH))
	for y := range h {
		for x := range w {
			var tx, ty int
			switch o {
			case 2:
				tx, ty = w-1-x, y
			case 3:
				tx, ty = w-1-x, h-1-y
			case 4:
				tx, ty = x, h-1-y
			case 5:
				tx, ty = y, x
			case 6:
				tx, ty = h-1-y, x
			case 7:
				tx, ty = h-1-y, w-1-x
			case 8:
				tx, ty = y, w-1-x
			}
			copy(out.Pix[out.PixOffset(tx, ty):][:4], img.Pix[img.PixOffset(x, y):][:4])
		}
	}
	return out
}

// orientation reads how a camera was held (Exif 2.32, tag 0x0112) from the first
// Exif segment of a JPEG file: 1 to 8, and 1 where there is nothing to go by.
func orientation(b []byte) int {
	for i := 2; i+4 <= len(b) && b[i] == 0xFF && b[i+1] != 0xDA; {
		size := int(binary.BigEndian.Uint16(b[i+2:]))
		end := i + 2 + size
		if size < 2 || end > len(b) {
			return 1
		}
		if seg := b[i+4 : end]; b[i+1] == 0xE1 && len(seg) > 14 && string(seg[:6]) == "Exif\x00\x00" {
			return tiffOrientation(seg[6:])
		}
		i = end
	}
	return 1
}

func tiffOrientation(t []byte) int {
	var order binary.ByteOrder = binary.BigEndian
	if string(t[:2]) == "II" {
		order = binary.LittleEndian
	}
	at := int64(order.Uint32(t[4:]))
	if at+2 > int64(len(t)) {
		return 1
	}
	entries := int(order.Uint16(t[at:]))
	for e := at + 2; entries > 0 && e+12 <= int64(len(t)); e, entries = e+12, entries-1 {
		if order.Uint16(t[e:]) == 0x0112 {
			if o := int(order.Uint16(t[e+8:])); o >= 1 && o <= 8 {
				return o
			}
			return 1
		}
	}
	return 1
}
