package kiosk

import (
	"encoding/json"
	"net/http"
	"strconv"
	"strings"

	"github.com/gin-gonic/gin"

	"lastlook/internal/say"
	"lastlook/reference"
)

// maxHits is the most hits a program may ask for at once.
const maxHits = 50

// lookupJSON answers GET /api/v1/lookup?q=&limit=&part=&host=&destination= with
// the object that "lastlook lookup --json" prints. Finding nothing is an answer,
// not an error.
func (k *kiosk) lookupJSON(c *gin.Context) error {
	q := reference.Query{Text: c.Query("q"), Host: hostOf(c.Query("host")), To: k.destinationOf(c.Query("destination"))}
	if strings.TrimSpace(q.Text) == "" {
		return say.Refuse(say.Invalid, "Say what to look up: q=WORDS.").For("q")
	}
	if text := c.Query("limit"); text != "" {
		n, err := strconv.Atoi(text)
		if err != nil || n < 1 || n > maxHits {
			return say.Refuse(say.Invalid, "limit must be a whole number from 1 to %d.", maxHits).For("limit")
		}
		q.Limit = n
	}
	if text := c.Query("part"); text != "" {
		if q.Part = partOf(text); q.Part == "" {
			var names []string
			for _, p := range reference.Parts() {
				names = append(names, string(p))
			}
			return say.Refuse(say.Invalid, "There is no such part. Use one of: %s.", strings.Join(names, ", ")).For("part")
		}
	}
	b := k.page(c, say.Text{})
	c.Header("Content-Type", "application/json; charset=utf-8")
	c.Status(http.StatusOK)
	enc := json.NewEncoder(c.Writer)
	enc.SetEscapeHTML(false)
	return enc.Encode(k.ref.Search(q).Reply(q.Text, b.Say))
}
