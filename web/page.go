package web

import (
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"io/fs"
	"net/http"
	"path"
	"strings"
)

// pageFiles is the page, as it is on disk when the program is built.
//
//go:embed page
var pageFiles embed.FS

// mimeTypes are the types of the page's files (WHATWG MIME Sniffing; RFC 9239 for
// modules). Others are not served.
var mimeTypes = map[string]string{
	".html": "text/html; charset=utf-8",
	".css":  "text/css; charset=utf-8",
	".js":   "text/javascript; charset=utf-8",
	".json": "application/json",
	".svg":  "image/svg+xml",
	".png":  "image/png",
}

// pageFile is one file of the page.
type pageFile struct {
	kind, etag string
	data       []byte
}

// readPage reads the files of the page by their paths below it.
func readPage(files fs.FS) (map[string]pageFile, error) {
	out := map[string]pageFile{}
	err := fs.WalkDir(files, ".", func(name string, d fs.DirEntry, err error) error {
		kind, known := mimeTypes[path.Ext(name)]
		if err != nil || d.IsDir() || !known {
			return err
		}
		data, err := fs.ReadFile(files, name)
		if err != nil {
			return err
		}
		out[strings.TrimPrefix(name, "page/")] = pageFile{kind, etagOf(data), data}
		return nil
	})
	return out, err
}

// etagOf gives a strong entity tag (RFC 9110, section 8.8.3) of what is served.
func etagOf(data []byte) string {
	sum := sha256.Sum256(data)
	return `"` + hex.EncodeToString(sum[:12]) + `"`
}

// serve answers with the file.
func (f pageFile) serve(w http.ResponseWriter, r *http.Request) {
	serveBody(w, r, f.kind, f.etag, f.data)
}
