// Package assets holds what is built into the binary: templates, styles,
// scripts, font, sounds, drawings and the shipped reference. Start with [FS]; the
// package reads and decides nothing.
package assets

import "embed"

// FS is everything that ships, by path below this folder.
//
//go:embed fonts all:reference
var FS embed.FS
