package kiosk

import (
	"fmt"
	"net/http"
	"strings"

	"github.com/gin-gonic/gin"

	"lastlook/internal/say"
)

// keeping tells the office whether the record is whole and how backups stand.
func (k *kiosk) keeping() []Notice {
	var out []Notice
	for _, w := range k.store.Warnings() {
		out = append(out, Notice{Tone: toneWrong, Text: say.T("Something is wrong with the record"), Detail: w})
	}
	switch {
	case k.backups != nil:
		words, wrong := k.backups().Words()
		n := Notice{Tone: toneRight, Text: say.T("Backups"), Detail: words}
		if wrong {
			n.Tone, n.Text = toneWrong, say.T("Backups need looking after")
		}
		out = append(out, n)
	case !k.Demo:
		out = append(out, Notice{Tone: toneNote, Text: say.T("This bench makes no backups"),
			Detail: say.T("Start it with --backup and a folder on another disk, or see that somebody runs lastlook backup.")})
	}
	if k.telling != nil {
		words, wrong := k.telling()
		n := Notice{Tone: toneNote, Text: say.T("Telling people outside"), Detail: words}
		if wrong {
			n.Tone, n.Text = toneWrong, say.T("Messages do not arrive")
		}
		out = append(out, n)
	}
	return out
}

// health answers GET /health for whoever watches the machine. The first word
// says whether the bench works, at which a program can look; the lines after it
// are what a person has to see to, and how backups stand.
func (k *kiosk) health(c *gin.Context) error {
	if _, _, err := k.store.Due(c.Request.Context(), 1); err != nil {
		return err
	}
	var b strings.Builder
	b.WriteString("ok\n")
	line := func(mark string, t say.Text) {
		fmt.Fprintf(&b, "%s: %s\n", mark, strings.Join(strings.Fields(t.String()), " "))
	}
	for _, w := range k.store.Warnings() {
		line("record WRONG", w)
	}
	if k.backups != nil {
		words, wrong := k.backups().Words()
		mark := "backup ok"
		if wrong {
			mark = "backup WRONG"
		}
		line(mark, words)
	}
	if k.telling != nil {
		words, wrong := k.telling()
		mark := "notices ok"
		if wrong {
			mark = "notices WRONG"
		}
		line(mark, words)
	}
	c.String(http.StatusOK, "%s", b.String())
	return nil
}
