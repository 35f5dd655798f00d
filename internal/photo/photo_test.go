package photo

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"image"
	"image/color"
	"image/gif"
	"image/jpeg"
	"image/png"
	"strings"
	"testing"

	"lastlook/internal/say"
)

// corner is a picture that shows how it is held: a red block in its top left
// corner, blue elsewhere.
func corner(w, h int) *image.RGBA {
	img := image.NewRGBA(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			c := color.RGBA{0, 0, 200, 255}
			if x < w/4 && y < h/4 {
				c = color.RGBA{220, 0, 0, 255}
			}
			img.Set(x, y, c)
		}
	}
	return img
}

func asJPEG(t testing.TB, img image.Image) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := jpeg.Encode(&b, img, &jpeg.Options{Quality: 92}); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func asPNG(t testing.TB, img image.Image) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := png.Encode(&b, img); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// exif is a segment with an orientation, a camera's name and a place (Exif 2.32).
func exif(order binary.ByteOrder, orientation uint16) []byte {
	var t bytes.Buffer
	mark := "MM"
	if order == binary.LittleEndian {
		mark = "II"
	}
	t.WriteString(mark)
	put := func(v any) { binary.Write(&t, order, v) }
	put(uint16(42))
	put(uint32(8))
	put(uint16(3)) // entries of IFD 0
	maker := "GPSTAKER 9000\x00"
	const after = 8 + 2 + 3*12 + 4
	put(uint16(0x010F)) // maker
	put(uint16(2))
	put(uint32(len(maker)))
	put(uint32(after))
	put(uint16(0x0112)) // orientation
	put(uint16(3))
	put(uint32(1))
	put(orientation)
	put(uint16(0))
	put(uint16(0x8825)) // place
	put(uint16(4))
	put(uint32(1))
	put(uint32(after + len(maker)))
	put(uint32(0))
	t.WriteString(maker)
	put(uint16(1))
	put(uint16(1)) // north or south
	put(uint16(2))
	put(uint32(2))
	t.WriteString("N\x00\x00\x00")
	put(uint32(0))
	body := append([]byte("Exif\x00\x00"), t.Bytes()...)
	seg := []byte{0xFF, 0xE1}
	seg = binary.BigEndian.AppendUint16(seg, uint16(len(body)+2))
	return append(seg, body...)
}

// with puts segments behind the start of a JPEG file.
func with(file []byte, segments ...[]byte) []byte {
	out := append([]byte{}, file[:2]...)
	for _, s := range segments {
		out = append(out, s...)
	}
	return append(out, file[2:]...)
}

func comment(text string) []byte {
	seg := []byte{0xFF, 0xFE}
	seg = binary.BigEndian.AppendUint16(seg, uint16(len(text)+2))
	return append(seg, text...)
}

func red(t testing.TB, p Photo) (x, y string) {
	t.Helper()
	img, err := jpeg.Decode(bytes.NewReader(p.JPEG))
	if err != nil {
		t.Fatal(err)
	}
	b := img.Bounds()
	if b.Dx() != p.Width || b.Dy() != p.Height {
		t.Errorf("says %d × %d, is %d × %d", p.Width, p.Height, b.Dx(), b.Dy())
	}
	for _, yy := range []int{b.Dy() / 10, b.Dy() * 9 / 10} {
		for _, xx := range []int{b.Dx() / 10, b.Dx() * 9 / 10} {
			if r, _, bl, _ := img.At(xx, yy).RGBA(); r > bl {
				x, y = "left", "top"
				if xx > b.Dx()/2 {
					x = "right"
				}
				if yy > b.Dy()/2 {
					y = "bottom"
				}
				return x, y
			}
		}
	}
	return "nowhere", "nowhere"
}

// The corner of the stored pixels ends up where Exif 2.32, tag 0x0112, says: its
// value names the visual side of the stored row 0 and column 0.
func TestCleanTurns(t *testing.T) {
	tests := []struct {
		orientation uint16
		y, x        string
		side        bool // lies on its side
	}{
		{1, "top", "left", false},
		{2, "top", "right", false},
		{3, "bottom", "right", false},
		{4, "bottom", "left", false},
		{5, "top", "left", true},
		{6, "top", "right", true},
		{7, "bottom", "right", true},
		{8, "bottom", "left", true},
		{0, "top", "left", false},
		{9, "top", "left", false},
	}
	for _, order := range []binary.ByteOrder{binary.BigEndian, binary.LittleEndian} {
		for _, tt := range tests {
			t.Run(fmt.Sprintf("%v %d", order, tt.orientation), func(t *testing.T) {
				file := with(asJPEG(t, corner(160, 80)), exif(order, tt.orientation))
				p, err := Clean(file)
				if err != nil {
					t.Fatal(err)
				}
				if x, y := red(t, p); x != tt.x || y != tt.y {
					t.Errorf("corner at %s %s, want %s %s", y, x, tt.y, tt.x)
				}
				if (p.Height > p.Width) != tt.side {
					t.Errorf("%d × %d", p.Width, p.Height)
				}
			})
		}
	}
}

// Orientations 5 and 7 also mirror: two corners tell them from 8 and 6.
func TestCleanMirrors(t *testing.T) {
	img := corner(160, 80)
	for y := range 20 {
		for x := 120; x < 160; x++ {
			img.Set(x, y, color.RGBA{0, 220, 0, 255}) // top right is green
		}
	}
	tests := []struct {
		orientation    uint16
		greenX, greenY int // in eighths
	}{{2, 1, 1}, {4, 7, 7}, {5, 1, 7}, {6, 7, 7}, {7, 7, 1}, {8, 1, 1}}
	for _, tt := range tests {
		p, err := Clean(with(asJPEG(t, img), exif(binary.BigEndian, tt.orientation)))
		if err != nil {
			t.Fatal(err)
		}
		got, err := jpeg.Decode(bytes.NewReader(p.JPEG))
		if err != nil {
			t.Fatal(err)
		}
		r, g, b, _ := got.At(p.Width*tt.greenX/8, p.Height*tt.greenY/8).RGBA()
		if g < r || g < b {
			t.Errorf("orientation %d: the second corner is not at %d/8, %d/8", tt.orientation, tt.greenX, tt.greenY)
		}
	}
}

func TestCleanLeavesNothingBehind(t *testing.T) {
	file := with(asJPEG(t, corner(300, 200)), exif(binary.BigEndian, 6), comment("<script>alert(1)</script>"))
	file = append(file, "PK\x03\x04 an archive hung behind <script>"...)
	for _, must := range []string{"Exif", "GPSTAKER", "<script>", "PK\x03\x04"} {
		if !bytes.Contains(file, []byte(must)) {
			t.Fatalf("the fixture lacks %q", must)
		}
	}
	p, err := Clean(file)
	if err != nil {
		t.Fatal(err)
	}
	for _, trace := range []string{"Exif", "GPS", "<script", "PK\x03\x04", "II*\x00", "MM\x00*"} {
		if bytes.Contains(p.JPEG, []byte(trace)) {
			t.Errorf("%q is left in the photo", trace)
		}
	}
	// Only the tables, the frame and the scan may be there (ITU-T T.81, table B.1).
	for i := 2; p.JPEG[i+1] != 0xDA; {
		switch m := p.JPEG[i+1]; m {
		case 0xDB, 0xC0, 0xC4:
		default:
			t.Errorf("segment %X is left in the photo", m)
		}
		i += 2 + int(binary.BigEndian.Uint16(p.JPEG[i+2:]))
	}
	if !bytes.HasSuffix(p.JPEG, []byte{0xFF, 0xD9}) {
		t.Error("something hangs behind the photo")
	}
}

func TestCleanSizes(t *testing.T) {
	tests := []struct {
		name         string
		w, h         int
		wantW, wantH int
	}{
		{"small stays", 200, 100, 200, 100},
		{"just fits", 1600, 1600, 1600, 1600},
		{"wide", 3200, 1000, 1600, 500},
		{"tall", 1000, 3200, 500, 1600},
		{"a line", 4000, 1, 1600, 1},
		{"one pixel", 1, 1, 1, 1},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			p, err := Clean(asPNG(t, corner(tt.w, tt.h)))
			if err != nil {
				t.Fatal(err)
			}
			if p.Width != tt.wantW || p.Height != tt.wantH {
				t.Errorf("Clean(%d × %d) = %d × %d, want %d × %d", tt.w, tt.h, p.Width, p.Height, tt.wantW, tt.wantH)
			}
		})
	}
}

// webp is a lossless WebP file of one colour (WebP Lossless Bitstream
// Specification, RFC 9649): five codes of one symbol each, and so no bits for pixels.
func webp(w, h uint32) []byte {
	var bits []byte
	n := 0
	put := func(v uint32, size int) {
		for i := range size {
			if n%8 == 0 {
				bits = append(bits, 0)
			}
			bits[n/8] |= byte(v>>i&1) << (n % 8)
			n++
		}
	}
	put(0x2F, 8)
	put(w-1, 14)
	put(h-1, 14)
	put(0, 1+3+1+1+1) // no alpha, version 0, no transform, no cache, one group of codes
	for _, symbol := range []uint32{120, 20, 40, 255, 0} {
		put(1, 1) // simple
		put(0, 1) // one symbol
		put(1, 1) // of 8 bits
		put(symbol, 8)
	}
	if len(bits)%2 == 1 {
		bits = append(bits, 0)
	}
	b := []byte("RIFF")
	b = binary.LittleEndian.AppendUint32(b, uint32(12+len(bits)))
	b = append(b, "WEBPVP8L"...)
	b = binary.LittleEndian.AppendUint32(b, uint32(len(bits)))
	return append(b, bits...)
}

func TestCleanFormats(t *testing.T) {
	clear := image.NewNRGBA(image.Rect(0, 0, 40, 40)) // fully transparent
	for name, file := range map[string][]byte{"jpeg": asJPEG(t, corner(40, 40)), "png": asPNG(t, corner(40, 40)), "webp": webp(16, 12)} {
		if _, err := Clean(file); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
	p, err := Clean(asPNG(t, clear))
	if err != nil {
		t.Fatal(err)
	}
	img, _ := jpeg.Decode(bytes.NewReader(p.JPEG))
	if r, g, b, _ := img.At(20, 20).RGBA(); r < 0xF000 || g < 0xF000 || b < 0xF000 {
		t.Error("what was transparent is not white")
	}
}

func TestCleanSame(t *testing.T) {
	file := with(asJPEG(t, corner(2000, 900)), exif(binary.LittleEndian, 8))
	a, err := Clean(file)
	if err != nil {
		t.Fatal(err)
	}
	for range 3 {
		b, err := Clean(file)
		if err != nil || !bytes.Equal(a.JPEG, b.JPEG) {
			t.Fatalf("the same file gave other bytes (%v)", err)
		}
	}
}

// claim is a PNG file that says it is w × h and has no pixels.
func claim(w, h uint32) []byte {
	head := []byte("IHDR")
	head = binary.BigEndian.AppendUint32(head, w)
	head = binary.BigEndian.AppendUint32(head, h)
	head = append(head, 8, 2, 0, 0, 0)
	b := []byte("\x89PNG\r\n\x1a\n\x00\x00\x00\x0d")
	b = append(b, head...)
	return binary.BigEndian.AppendUint32(b, crc32.ChecksumIEEE(head))
}

func TestCleanRefuses(t *testing.T) {
	good := asJPEG(t, corner(400, 300))
	goodPNG := asPNG(t, corner(400, 300))
	var anim bytes.Buffer
	if err := gif.Encode(&anim, corner(20, 20), nil); err != nil {
		t.Fatal(err)
	}
	tests := []struct {
		name string
		file []byte
		want string
	}{
		{"nothing", nil, "No photo came"},
		{"text", []byte("this is no picture at all"), "not a picture"},
		{"script", []byte("<script>alert(1)</script>"), "not a picture"},
		{"drawing with a script", []byte(`<svg xmlns="http://www.w3.org/2000/svg"><script>alert(1)</script></svg>`), "not a picture"},
		{"GIF", anim.Bytes(), "not a picture"},
		{"HEIF", []byte("\x00\x00\x00\x18ftypheic\x00\x00\x00\x00mif1heic"), "HEIF"},
		{"too many bytes", make([]byte, MaxBytes+1), "larger than 20 MB"},
		{"too many pixels", claim(8000, 5001), "8000 × 5001 pixels"},
		{"more pixels than can be counted", claim(1<<31-1, 1<<31-1), "damaged"},
		{"no pixels", claim(0, 10), "damaged"},
		{"JPEG cut off", good[:len(good)/2], "damaged or did not arrive whole"},
		{"JPEG head only", good[:3], "damaged or did not arrive whole"},
		{"PNG cut off", goodPNG[:len(goodPNG)/2], "damaged or did not arrive whole"},
		{"PNG changed", flip(goodPNG, len(goodPNG)/2), "damaged"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, err := Clean(tt.file)
			var r *say.Refusal
			if !errors.As(err, &r) {
				t.Fatalf("Clean = %v, want a refusal", err)
			}
			if !strings.Contains(r.Error(), tt.want) {
				t.Errorf("said %q, want it to speak of %q", r, tt.want)
			}
			if r.Field != "photo" || r.Code != say.Invalid {
				t.Errorf("field %q, code %q", r.Field, r.Code)
			}
		})
	}
}

func flip(b []byte, at int) []byte {
	out := append([]byte{}, b...)
	out[at] ^= 0x55
	return out
}

func TestScale(t *testing.T) {
	p, err := Clean(asPNG(t, corner(900, 600)))
	if err != nil {
		t.Fatal(err)
	}
	s, err := Scale(p.JPEG, 299)
	if err != nil || s.Width != 299 || s.Height != 199 {
		t.Errorf("Scale to 299 = %d × %d, %v, want 299 × 199", s.Width, s.Height, err)
	}
	if _, err := Scale([]byte("no"), 10); err == nil {
		t.Error("scaled what is no picture")
	}
}

func FuzzOrientation(f *testing.F) {
	f.Add(with(asJPEG(f, corner(8, 8)), exif(binary.BigEndian, 6)))
	f.Add(with(asJPEG(f, corner(8, 8)), exif(binary.LittleEndian, 3)))
	f.Add([]byte{0xFF, 0xD8, 0xFF, 0xE1, 0, 2})
	f.Fuzz(func(t *testing.T, b []byte) {
		if o := orientation(b); o < 1 || o > 8 {
			t.Errorf("orientation %d", o)
		}
	})
}
