package assets

import (
	"bytes"
	"encoding/binary"
	"flag"
	"math"
	"os"
	"testing"
)

var update = flag.Bool("update", false, "write the sounds anew")

const sampleRate = 22050

// note is one tone: start and length in seconds, pitch in hertz.
type note struct {
	at, length, pitch float64
	// harsh adds the odd overtones of a square wave.
	harsh bool
}

// The three answers differ in number, pitch and colour, so that they are told
// apart by ear through gloves and noise: right is two soft low tones going up,
// wrong one long harsh tone, note one short soft high tone.
var sounds = map[string][]note{
	"sounds/right.wav": {{0, 0.11, 392, false}, {0.13, 0.17, 523.25, false}},
	"sounds/wrong.wav": {{0, 0.42, 155.56, true}},
	"sounds/note.wav":  {{0, 0.14, 659.25, false}},
}

// wave makes a 16-bit mono WAV file of the notes.
func wave(notes []note) []byte {
	var end float64
	for _, n := range notes {
		end = max(end, n.at+n.length)
	}
	samples := make([]int16, int((end+0.02)*sampleRate))
	for _, n := range notes {
		from, count := int(n.at*sampleRate), int(n.length*sampleRate)
		for i := range count {
			t := float64(i) / sampleRate
			v := math.Sin(2 * math.Pi * n.pitch * t)
			if n.harsh {
				v = 0.6*v + 0.35*math.Sin(6*math.Pi*n.pitch*t) + 0.25*math.Sin(10*math.Pi*n.pitch*t) + 0.15*math.Sin(14*math.Pi*n.pitch*t)
			}
			// Fade in 8 ms and out 40 ms, so that nothing clicks.
			left := n.length - t
			v *= min(1, t/0.008, left/0.040) * 0.55
			samples[from+i] += int16(v * math.MaxInt16)
		}
	}
	var b bytes.Buffer
	size := uint32(len(samples) * 2)
	put := func(v any) { _ = binary.Write(&b, binary.LittleEndian, v) }
	b.WriteString("RIFF")
	put(36 + size)
	b.WriteString("WAVEfmt ")
	put(struct {
		Size                uint32
		Format, Channels    uint16
		Rate, BytesPerSec   uint32
		Align, BitsPerSound uint16
	}{16, 1, 1, sampleRate, sampleRate * 2, 2, 16})
	b.WriteString("data")
	put(size)
	put(samples)
	return b.Bytes()
}

// The sounds are made here, by arithmetic; run with -update to write them.
// Rounding in the last place may differ between processors, so the test
// compares sample by sample with a little room.
func TestSoundsAreAsComputed(t *testing.T) {
	for name, notes := range sounds {
		want := wave(notes)
		if *update {
			if err := os.WriteFile(name, want, 0o644); err != nil {
				t.Fatal(err)
			}
		}
		got, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		if len(got) != len(want) || !bytes.Equal(got[:44], want[:44]) {
			t.Errorf("%s: header or length differs; run go test ./assets -update", name)
			continue
		}
		for i := 44; i < len(want); i += 2 {
			g := int(int16(binary.LittleEndian.Uint16(got[i:])))
			w := int(int16(binary.LittleEndian.Uint16(want[i:])))
			if g-w > 2 || w-g > 2 {
				t.Errorf("%s: sample %d is %d, want %d", name, (i-44)/2, g, w)
				break
			}
		}
	}
}
