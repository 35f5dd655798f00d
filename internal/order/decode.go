package order

import (
	"bytes"
	"unicode/utf8"

	"golang.org/x/text/encoding/charmap"
	"golang.org/x/text/encoding/unicode"

	"lastlook/internal/say"
)

// decode makes UTF-8 text with plain line feeds of a file, or says what the
// file is instead.
func decode(src []byte) (text []byte, notices []say.Text, err error) {
	switch {
	case len(src) == 0:
		return nil, nil, say.Refuse(say.Invalid, "The file is empty. Save the orders as CSV and choose that file.")
	case len(src) > MaxBytes:
		return nil, nil, say.Refuse(say.Invalid, "The file is larger than %d MiB. Nothing was taken; split it into smaller files.", MaxBytes>>20)
	}
	if err := notATable(src); err != nil {
		return nil, nil, err
	}
	const utf8BOM = "\xef\xbb\xbf"
	switch {
	case hasPrefix(src, "\xff\xfe\x00\x00"), hasPrefix(src, "\x00\x00\xfe\xff"):
		return nil, nil, say.Refuse(say.Invalid, "The file is written in UTF-32, which few programs use. Save it again as CSV in UTF-8.")
	case hasPrefix(src, "\xff\xfe"), hasPrefix(src, "\xfe\xff"):
		if len(src)%2 != 0 {
			return nil, nil, say.Refuse(say.Invalid, "The file is cut short: its last character is only half there. Copy or save it again.")
		}
		text, err = unicode.UTF16(unicode.LittleEndian, unicode.ExpectBOM).NewDecoder().Bytes(src)
		if err != nil {
			return nil, nil, say.Refuse(say.Invalid, "The file says that it is UTF-16 and is not. Save it again as CSV in UTF-8.").Because(err)
		}
	case hasPrefix(src, utf8BOM):
		text = src[len(utf8BOM):]
		if at := invalidAt(text); at >= 0 {
			return nil, nil, say.Refuse(say.Invalid, "The file says that it is UTF-8, but line %d holds bytes that are not. Save it again as CSV in UTF-8.", lineAt(text, at))
		}
	case bytes.IndexByte(src, 0) >= 0:
		// Looked at below, before it could pass for Windows-1252.
		text = src
	default:
		text = src
		if at := invalidAt(src); at >= 0 {
			notices = append(notices, say.T("The file is not UTF-8 and was read as Windows-1252. Check the letters with accents, first on line %d.", lineAt(src, at)))
			text, err = charmap.Windows1252.NewDecoder().Bytes(src)
			if err != nil {
				return nil, nil, say.Refuse(say.Invalid, "The file is neither UTF-8 nor Windows-1252. Save it again as CSV in UTF-8.").Because(err)
			}
		}
	}
	if at := bytes.IndexByte(text, 0); at >= 0 {
		return nil, nil, say.Refuse(say.Invalid, "The file is not text: it holds NUL bytes, first on line %d. Save the orders as CSV in UTF-8.", lineAt(text, at))
	}
	text = lineFeeds(text)
	if n := longLine(text); n > 0 {
		return nil, nil, say.Refuse(say.Invalid, "Line %d is longer than %d MiB. This is hardly an order file; save the orders as CSV again.", n, maxLine>>20)
	}
	if at := bytes.Index(text, []byte(string(utf8.RuneError))); at >= 0 {
		notices = append(notices, say.T("Letters were lost before this file was read; they stand as “%s”, first on line %d. Check them.", string(utf8.RuneError), lineAt(text, at)))
	}
	return text, notices, nil
}

// notATable knows by their first bytes the files that are chosen by mistake.
func notATable(src []byte) error {
	const workbook = "This is a spreadsheet workbook. Open it, save it as CSV, and choose the CSV file."
	switch {
	case hasPrefix(src, "PK\x03\x04"), hasPrefix(src, "PK\x05\x06"):
		// Names of members stand in the clear in a ZIP file.
		head := src[:min(len(src), 200)]
		if bytes.Contains(src, []byte("xl/workbook")) || bytes.Contains(src, []byte("xl/worksheets")) ||
			bytes.Contains(head, []byte("application/vnd.oasis.opendocument.spreadsheet")) {
			return say.Refuse(say.Invalid, workbook)
		}
		return say.Refuse(say.Invalid, "This is a ZIP archive. Unpack it and choose the CSV file inside.")
	case hasPrefix(src, "\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"):
		return say.Refuse(say.Invalid, workbook)
	case hasPrefix(src, "%PDF-"):
		return say.Refuse(say.Invalid, "This is a PDF document. Ask for the orders as CSV, or type them in.")
	case hasPrefix(src, "\x89PNG\r\n\x1a\n"), hasPrefix(src, "\xff\xd8\xff"), hasPrefix(src, "GIF87a"), hasPrefix(src, "GIF89a"):
		return say.Refuse(say.Invalid, "This is a picture. Choose the CSV file with the orders.")
	case hasPrefix(src, "\x1f\x8b"):
		return say.Refuse(say.Invalid, "This is a compressed file. Unpack it and choose the CSV file inside.")
	}
	return nil
}

func hasPrefix(b []byte, p string) bool { return bytes.HasPrefix(b, []byte(p)) }

// invalidAt is the offset of the first byte that is not UTF-8, or -1.
func invalidAt(b []byte) int {
	if utf8.Valid(b) {
		return -1
	}
	for i := 0; i < len(b); {
		r, n := utf8.DecodeRune(b[i:])
		if r == utf8.RuneError && n == 1 {
			return i
		}
		i += n
	}
	return -1
}

// lineAt is the physical line of an offset, from 1.
func lineAt(text []byte, at int) int {
	return bytes.Count(lineFeeds(text[:at]), []byte{'\n'}) + 1
}

// maxLine leaves room for the longest package list written out, and keeps a
// line of nothing but separators from taking all memory.
const maxLine = 8 << 20

// longLine is the first physical line that is longer than maxLine, or 0.
func longLine(text []byte) int {
	for n := 1; len(text) > 0; n++ {
		end := bytes.IndexByte(text, '\n')
		if end < 0 {
			end = len(text) - 1
		}
		if end >= maxLine {
			return n
		}
		text = text[end+1:]
	}
	return 0
}

// lineFeeds writes every end of line as a line feed: encoding/csv does not know
// a carriage return alone. The number of lines stays the same.
func lineFeeds(text []byte) []byte {
	i := bytes.IndexByte(text, '\r')
	if i < 0 {
		return text
	}
	out := make([]byte, 0, len(text))
	for i >= 0 {
		out = append(out, text[:i]...)
		out = append(out, '\n')
		text = text[i+1:]
		if len(text) > 0 && text[0] == '\n' {
			text = text[1:]
		}
		i = bytes.IndexByte(text, '\r')
	}
	return append(out, text...)
}
