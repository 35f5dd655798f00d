package assets

import (
	"io/fs"
	"testing"
)

// An embed pattern that matches less than meant does not fail by itself:
// names that start with a dot or an underscore are the trap.
func TestFSHoldsTheFiles(t *testing.T) {
	for _, name := range []string{
		"templates/layout.html",
		"templates/parts/tag.html",
		"templates/pages/error.html",
		"static/lastlook.css",
		"static/lastlook.js",
		"static/symbols.svg",
		"static/htmx-4.0.1.min.js",
		"static/htmx-LICENSE.txt",
		"fonts/atkinson-hyperlegible-regular.woff2",
		"fonts/atkinson-hyperlegible-bold.woff2",
		"fonts/OFL.txt",
		"sounds/right.wav",
		"sounds/wrong.wav",
		"sounds/note.wav",
		"drawings/plant.svg",
	} {
		b, err := fs.ReadFile(FS, name)
		if err != nil {
			t.Errorf("ReadFile(%q): %v", name, err)
		} else if len(b) == 0 {
			t.Errorf("ReadFile(%q) is empty", name)
		}
	}
}
