// Package assets holds every file the bench shows or plays: templates, styles,
// scripts, the typeface, sounds, drawings and the shipped reference. They are
// embedded, so that one binary is the whole program and nothing is fetched from
// another host. Use [FS]; the package does nothing else.
package assets

import "embed"

// FS holds the files, with the same paths as in this folder.
//
//go:embed all:templates all:static all:fonts all:sounds all:drawings all:reference all:verify
var FS embed.FS
