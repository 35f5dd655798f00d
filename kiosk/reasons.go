package kiosk

import (
	"strings"

	"github.com/gin-gonic/gin"

	"lastlook/internal/say"
)

// reasons are the usual reasons for a step that needs one, offered as tiles beside
// a field for other words. The forms send the tile as why, the words as reason.
type reasons []struct {
	value string
	text  say.Text
}

// choices makes the tiles, with the one that was sent chosen.
func (rs reasons) choices(c *gin.Context, legend say.Text) Choices {
	ch := Choices{Name: "why", Legend: legend}
	for _, r := range rs {
		ch.Tiles = append(ch.Tiles, Choice{Value: r.value, Label: r.text, Chosen: c.PostForm("why") == r.value})
	}
	return ch
}

// chosen joins the chosen reason and the typed words. It is kept in English: what
// somebody wrote is not translated either.
func (rs reasons) chosen(c *gin.Context) string {
	typed := strings.TrimSpace(c.PostForm("reason"))
	for _, r := range rs {
		if r.value == c.PostForm("why") {
			if typed == "" {
				return r.text.String()
			}
			return r.text.String() + ": " + typed
		}
	}
	return typed
}
