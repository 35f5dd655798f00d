package kiosk

import (
	"crypto/sha256"
	"encoding/base64"
	"fmt"
	"io/fs"
	"mime"
	"net/http"
	"path"
	"strconv"
	"strings"

	"github.com/gin-gonic/gin"

	"lastlook/internal/say"
)

// staticFolders are the embedded folders that browsers may read.
var staticFolders = []string{"static", "fonts", "sounds", "drawings"}

// static serves embedded files at /assets/HASH/PATH. HASH is over all of them,
// so that the style sheet can name its fonts by relative path and a new program
// never meets an old file in the browser's cache.
type static struct {
	hash  string
	files map[string][]byte
}

func newStatic(files fs.FS) (*static, error) {
	st := &static{files: map[string][]byte{}}
	sum := sha256.New()
	for _, dir := range staticFolders {
		err := fs.WalkDir(files, dir, func(name string, d fs.DirEntry, err error) error {
			if err != nil || d.IsDir() {
				return err
			}
			b, err := fs.ReadFile(files, name)
			if err != nil {
				return err
			}
			st.files[name] = b
			fmt.Fprintf(sum, "%s\x00%d\x00", name, len(b))
			sum.Write(b)
			return nil
		})
		if err != nil {
			return nil, fmt.Errorf("kiosk: read embedded files: %w", err)
		}
	}
	st.hash = base64.RawURLEncoding.EncodeToString(sum.Sum(nil)[:9])
	return st, nil
}

// url gives the address of an embedded file. It panics on a name that is not
// there: that is a mistake in a template, and the page tests meet it.
func (st *static) url(name string) string {
	if _, ok := st.files[name]; !ok {
		panic("kiosk: no embedded file " + strconv.Quote(name))
	}
	return "/assets/" + st.hash + "/" + name
}

// serve answers GET /assets/:hash/*path. A page from before an update may ask
// with an old hash; it gets the present file, not to be kept.
func (st *static) serve(c *gin.Context) error {
	name := strings.TrimPrefix(c.Param("path"), "/")
	b, ok := st.files[name]
	if !ok {
		return say.Refuse(say.NotFound, "There is no such file.")
	}
	kind := mimeTypes[path.Ext(name)]
	if kind == "" {
		kind = mime.TypeByExtension(path.Ext(name))
	}
	if kind == "" {
		kind = "application/octet-stream"
	}
	if c.Param("hash") == st.hash {
		c.Header("Cache-Control", "public, max-age=31536000, immutable")
	} else {
		c.Header("Cache-Control", "no-cache")
	}
	c.Data(http.StatusOK, kind, b)
	return nil
}

// mimeTypes names the types we rely on, because the system's table may differ.
var mimeTypes = map[string]string{
	".css":   "text/css; charset=utf-8",
	".js":    "text/javascript; charset=utf-8",
	".svg":   "image/svg+xml",
	".wav":   "audio/wav",
	".woff2": "font/woff2",
	".ttf":   "font/ttf",
	".txt":   "text/plain; charset=utf-8",
}
