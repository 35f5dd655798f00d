package bundle

import (
	"archive/zip"
	"bytes"
	"encoding/binary"
	"hash/crc32"
	"io"

	"lastlook/internal/say"
)

// part is one file inside a bundle.
type part struct {
	name string
	data []byte
}

// Sizes of the three records of a ZIP file without names, and the date every
// file in it carries: 1 January 1980, the first that ZIP can say.
const (
	localSize   = 30
	centralSize = 46
	endSize     = 22
	zipDate     = 1<<5 | 1
	zipVersion  = 10 // 1.0: stored files
)

// writeZip writes parts as a ZIP file (APPNOTE 6.3) in the one way that the
// format allows: stored, in the given order, no dates, no extra fields, no
// comments.
func writeZip(parts []part) []byte {
	le := binary.LittleEndian
	var b, central []byte
	for _, p := range parts {
		var common []byte // from "version needed" to "extra field length"
		common = le.AppendUint16(common, zipVersion)
		common = le.AppendUint16(common, 0) // flags
		common = le.AppendUint16(common, 0) // stored
		common = le.AppendUint16(common, 0) // time
		common = le.AppendUint16(common, zipDate)
		common = le.AppendUint32(common, crc32.ChecksumIEEE(p.data))
		common = le.AppendUint32(common, uint32(len(p.data)))
		common = le.AppendUint32(common, uint32(len(p.data)))
		common = le.AppendUint16(common, uint16(len(p.name)))
		common = le.AppendUint16(common, 0)

		central = le.AppendUint32(central, 0x02014b50)
		central = le.AppendUint16(central, zipVersion) // made by
		central = append(central, common...)
		central = append(central, make([]byte, 10)...) // comment, disk, attributes
		central = le.AppendUint32(central, uint32(len(b)))
		central = append(central, p.name...)

		b = le.AppendUint32(b, 0x04034b50)
		b = append(b, common...)
		b = append(b, p.name...)
		b = append(b, p.data...)
	}
	at := len(b)
	b = append(b, central...)
	b = le.AppendUint32(b, 0x06054b50)
	b = le.AppendUint32(b, 0) // disks
	b = le.AppendUint16(b, uint16(len(parts)))
	b = le.AppendUint16(b, uint16(len(parts)))
	b = le.AppendUint32(b, uint32(len(central)))
	b = le.AppendUint32(b, uint32(at))
	return le.AppendUint16(b, 0)
}

// readZip reads the parts of a bundle. It takes no notice of check sums: what was
// changed is found, and named, by comparing with what the format would write.
func readZip(b []byte) ([]part, error) {
	r, err := zip.NewReader(bytes.NewReader(b), int64(len(b)))
	if err != nil {
		return nil, say.Refuse(say.Invalid, "The file is no bundle, or it was cut short: it does not end as a ZIP file does. Ask for it again.").Because(err)
	}
	if len(r.File) > maxParts {
		return nil, say.Refuse(say.Invalid, "The file holds %d parts: a bundle has at most %d. It was not written by Lastlook.", len(r.File), maxParts)
	}
	var parts []part
	seen := map[string]bool{}
	total := int64(0)
	for _, f := range r.File {
		switch {
		case !allowedName(f.Name):
			return nil, say.Refuse(say.Invalid, "The file holds a part called “%s”, which no bundle has. It was not written by Lastlook; do not unpack it.", clip(f.Name))
		case seen[f.Name]:
			return nil, say.Refuse(say.Invalid, "The file holds “%s” twice: nobody could tell which one counts. It was not written by Lastlook.", f.Name)
		case f.Method != zip.Store || f.CompressedSize64 != f.UncompressedSize64:
			return nil, say.Refuse(say.Invalid, "“%s” is packed in a way that bundles are not. The file was damaged, or packed again: ask for it as it was written.", f.Name)
		case f.UncompressedSize64 > uint64(len(b)):
			return nil, say.Refuse(say.Invalid, "“%s” says it is larger than the whole file: it was damaged or cut short. Ask for it again.", f.Name)
		}
		seen[f.Name] = true
		if total += int64(f.UncompressedSize64); total > int64(len(b)) {
			return nil, say.Refuse(say.Invalid, "The parts of the file lie over each other. It was not written by Lastlook.")
		}
		raw, err := f.OpenRaw()
		if err == nil {
			var data []byte
			if data, err = io.ReadAll(raw); err == nil && uint64(len(data)) != f.UncompressedSize64 {
				err = io.ErrUnexpectedEOF
			}
			parts = append(parts, part{f.Name, data})
		}
		if err != nil {
			return nil, say.Refuse(say.Invalid, "“%s” cannot be read: the file was damaged or cut short. Ask for it again.", f.Name).Because(err)
		}
	}
	return parts, nil
}
