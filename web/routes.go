package web

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strings"
	"sync"
	"time"
)

// route is one address of the server. All are read by GET, and so by HEAD (RFC 9110,
// section 9.1).
type route struct {
	pattern string
	serve   http.HandlerFunc
}

const socketPath = "/api/socket"

// page is the files of the page, read once.
var page = sync.OnceValues(func() (map[string]pageFile, error) { return readPage(pageFiles) })

// routes lists every address. API.md describes each; a test compares.
func (s *Server) routes() []route {
	return []route{
		{"/{$}", s.index},
		{"/page/{path...}", s.module},
		{"/api/project", s.listing},
		{"/api/motions/{name}/score", s.motion(s.score)},
		{"/api/motions/{name}/curves", s.motion(s.curves)},
		{"/api/motions/{name}/sound", s.motion(s.sound)},
		{"/api/motions/{name}/waveform", s.motion(s.waveform)},
		{socketPath, s.socket},
		{"/problems/{name}", s.about},
	}
}

func (s *Server) index(w http.ResponseWriter, r *http.Request) { s.file(w, r, "index.html") }

func (s *Server) module(w http.ResponseWriter, r *http.Request) { s.file(w, r, r.PathValue("path")) }

func (s *Server) file(w http.ResponseWriter, r *http.Request, name string) {
	files, err := page()
	if err != nil {
		panic(err) // an embedded file can be read
	}
	f, ok := files[name]
	if !ok {
		faultMissing.refuse(w, "the page has no file "+quoted(name))
		return
	}
	f.serve(w, r)
}

func (s *Server) listing(w http.ResponseWriter, r *http.Request) {
	body, revision := s.project.Listing()
	serveBody(w, r, "application/json", `"`+revision+`"`, body)
}

// serveBody answers with a body that is known as a whole.
func serveBody(w http.ResponseWriter, r *http.Request, kind, etag string, body []byte) {
	w.Header().Set("Content-Type", kind)
	w.Header().Set("ETag", etag)
	oneRange(r)
	http.ServeContent(patient(w), r, "", time.Time{}, bytes.NewReader(body))
}

// oneRange drops a Range header that asks for several ranges, which a server may
// ignore (RFC 9110, section 14.2): they cost much and nobody needs them here.
func oneRange(r *http.Request) {
	if strings.Contains(strings.Join(r.Header.Values("Range"), ","), ",") {
		r.Header.Del("Range")
	}
}

// patientWriter gives a slow reader time for each block, and not for the whole.
type patientWriter struct {
	http.ResponseWriter
	control *http.ResponseController
}

func patient(w http.ResponseWriter) patientWriter {
	return patientWriter{w, http.NewResponseController(w)}
}

const writeBlock = 64 << 10

func (p patientWriter) Write(b []byte) (n int, err error) {
	for len(b) > 0 && err == nil {
		// A writer that knows no deadlines has none to put off.
		_ = p.control.SetWriteDeadline(time.Now().Add(writePatience))
		var k int
		k, err = p.ResponseWriter.Write(b[:min(len(b), writeBlock)])
		n += k
		b = b[k:]
	}
	return n, err
}

// motion finds the motion of a request.
func (s *Server) motion(serve func(http.ResponseWriter, *http.Request, *take)) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		name := r.PathValue("name")
		ctx, cancel := context.WithTimeout(r.Context(), firstPatience)
		defer cancel()
		t, err := s.project.takeOf(ctx, name)
		var none absent
		switch {
		case err == nil:
			serve(w, r, t)
		case errors.As(err, &none):
			faultAbsent.refuse(w, "the files of "+name+" have errors, and there was no good version since the start", none.problems...)
		case errors.Is(err, errWaiting):
			faultWaiting.refuse(w, name+" is still being worked out")
		default:
			faultMotion.refuse(w, s.missingMotion(name))
		}
	}
}

func (s *Server) missingMotion(name string) string {
	names := s.project.names()
	if len(names) > 12 {
		names = append(names[:12], "…")
	}
	return fmt.Sprintf("there is no motion %s; there is %s", quoted(name), strings.Join(names, ", "))
}

func (s *Server) score(w http.ResponseWriter, r *http.Request, t *take) {
	serveBody(w, r, "application/json", `"`+t.revision+`"`, t.score)
}

func (s *Server) curves(w http.ResponseWriter, r *http.Request, t *take) {
	body, err := t.curvesBody(r.Context())
	if err != nil {
		faultWaiting.refuse(w, "the curves were not worked out in time")
		return
	}
	s.project.use(t)
	serveBody(w, r, "application/octet-stream", `"`+t.revision+`-curves"`, body)
}

func (s *Server) sound(w http.ResponseWriter, r *http.Request, t *take) {
	file, frames, err := s.project.soundOf(t)
	if err != nil {
		refuseSound(w, err)
		return
	}
	defer file.Close()
	wave, err := newWave(file, frames)
	if err != nil {
		refuseSound(w, err)
		return
	}
	w.Header().Set("Content-Type", "audio/wav")
	w.Header().Set("ETag", `"`+t.sound+`-sound"`)
	oneRange(r)
	http.ServeContent(patient(w), r, "", time.Time{}, wave)
}

func (s *Server) waveform(w http.ResponseWriter, r *http.Request, t *take) {
	body, err := s.project.waveformOf(r.Context(), t)
	if err != nil {
		refuseSound(w, err)
		return
	}
	serveBody(w, r, "application/octet-stream", `"`+t.sound+`-waveform"`, body)
}

func refuseSound(w http.ResponseWriter, err error) {
	switch {
	case errors.Is(err, errSilent):
		faultSilent.refuse(w, "the motion names no sound; audio: and the name of a WAV file would")
	case errors.Is(err, errStopped):
		faultWaiting.refuse(w, "the sound was not read in time")
	default:
		faultSound.refuse(w, err.Error())
	}
}

// about tells what a type of problem means.
func (s *Server) about(w http.ResponseWriter, r *http.Request) {
	f, ok := faultNamed(r.PathValue("name"))
	if !ok {
		faultMissing.refuse(w, "there is no problem of that name")
		return
	}
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	io.WriteString(w, f.title+".\n"+f.about+"\n")
}
