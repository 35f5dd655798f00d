package bundle

import (
	"bytes"
	"testing"

	"lastlook/internal/consignment"
	"lastlook/internal/ledger"
	"lastlook/internal/record/recordtest"
	"lastlook/internal/say"
)

// FuzzRead reads and checks whatever it is given: nothing may make it stumble,
// and nothing but the good file may hold in all.
func FuzzRead(f *testing.F) {
	good := encode(f, bundleOf(f, recordtest.New(f, "K-2041", "Eastmoor", consignment.Line{Crop: "Viola", Packages: 3, UnitsPerPackage: 1})))
	f.Add(good)
	f.Add(encode(f, bundleOf(f, small(f))))
	f.Add(good[:len(good)/2])
	f.Add([]byte{})
	f.Fuzz(func(t *testing.T, file []byte) {
		b, err := Read(file)
		if err != nil {
			if say.CodeOf(err) != say.Invalid {
				t.Fatalf("%v is no refusal", err)
			}
			return
		}
		r := check(b, Against{}, true)
		again, err := b.Encode()
		if r.Holds() && (err != nil || !bytes.Equal(again, file)) {
			t.Fatal("a file that is not written as bundles are holds")
		}
	})
}

// FuzzParts puts what it is given in the place of one part, with digests that fit:
// that reaches what lies behind them.
func FuzzParts(f *testing.F) {
	b := read(f, encode(f, bundleOf(f, small(f))))
	for i, p := range b.parts {
		if p.name != manifestName {
			f.Add(i, p.data)
		}
	}
	f.Fuzz(func(t *testing.T, i int, data []byte) {
		if i < 0 || i >= len(b.parts) || b.parts[i].name == manifestName || bytes.Equal(b.parts[i].data, data) {
			return
		}
		file := reseal(t, b, func(name string, d []byte) []byte {
			if name == b.parts[i].name {
				return data
			}
			return d
		})
		got, err := Read(file)
		if err != nil {
			return
		}
		if check(got, Against{}, true).Holds() {
			t.Fatalf("%s was changed, and all holds", b.parts[i].name)
		}
	})
}

// FuzzSteps puts what it is given in the place of the data of one step, for the
// core to stumble over.
func FuzzSteps(f *testing.F) {
	good := read(f, encode(f, bundleOf(f, recordtest.Cases(f)[4].Bench)))
	for i, s := range good.Steps {
		f.Add(i, s.Kind, s.Data)
	}
	f.Fuzz(func(t *testing.T, i int, kind, data string) {
		if i < 0 || i >= len(good.Steps) || good.Steps[i].Kind == kind && good.Steps[i].Data == data {
			return
		}
		b := *good
		b.Steps = append([]Step(nil), good.Steps...)
		b.Steps[i].Kind, b.Steps[i].Data = kind, data
		if check(&b, Against{}, true).Holds() {
			t.Fatalf("step %d was changed to %s %q, and all holds", i+1, kind, data)
		}
	})
}

// FuzzHead reads signed heads.
func FuzzHead(f *testing.F) {
	good := bundleOf(f, small(f))
	key := keysFor(f, 0).Public()
	f.Add(good.Head)
	f.Add([]byte("a\n1\nb\n\n— a b\n"))
	f.Fuzz(func(t *testing.T, note []byte) {
		h, err := ledger.OpenHead(note, key)
		if err != nil {
			return
		}
		if peeked, err := ledger.PeekHead(note); err != nil || peeked != h {
			t.Fatalf("opened it is %+v, looked at %+v, %v", h, peeked, err)
		}
		if want, _ := ledger.PeekHead(good.Head); h != want {
			t.Fatalf("%+v was never signed", h)
		}
	})
}
