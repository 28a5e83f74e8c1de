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

	"limberjack/sequence"
)

// route is one address of the server, with the method by which it is asked. What is
// read by GET is by HEAD, too (RFC 9110, section 9.1).
type route struct {
	method  string
	pattern string
	serve   http.HandlerFunc
}

const socketPath = "/api/socket"

// page is the files of the page, read once.
var page = sync.OnceValues(func() (map[string]pageFile, error) { return readPage(pageFiles) })

// routes lists every address. API.md describes each; a test compares.
func (s *Server) routes() []route {
	return []route{
		{"GET", "/{$}", s.index},
		{"GET", "/page/{path...}", s.module},
		{"GET", "/favicon.ico", s.icon},
		{"GET", "/api/project", s.listing},
		{"GET", "/api/motions/{name}/score", s.motion(s.score)},
		{"GET", "/api/motions/{name}/curves", s.motion(s.curves)},
		{"GET", "/api/motions/{name}/sound", s.motion(s.sound)},
		{"GET", "/api/motions/{name}/waveform", s.motion(s.waveform)},
		{"POST", "/api/motions/{name}/changes", s.written(s.changes)},
		{"POST", "/api/motions/{name}/undo", s.written(s.travel(undoing))},
		{"POST", "/api/motions/{name}/redo", s.written(s.travel(redoing))},
		{"POST", "/api/motions/{name}/save", s.written(s.save)},
		{"POST", "/api/motions/{name}/resolve", s.written(s.resolve)},
		{"POST", "/api/motions/{name}/mend", s.written(s.mend)},
		{"POST", "/api/motions/{name}/takes", s.written(s.recorded)},
		{"GET", "/api/motions/{name}/proposals/{id}", s.proposal},
		{"DELETE", "/api/motions/{name}/proposals/{id}", s.written(s.dropProposal)},
		{"GET", "/api/motions/{name}/proposals/{id}/score", s.proposedScore},
		{"GET", "/api/motions/{name}/proposals/{id}/curves", s.proposedCurves},
		{"POST", "/api/motions/{name}/proposals/{id}/accept", s.written(s.accept)},
		{"GET", "/api/rig", s.rigged},
		{"POST", "/api/rig/axes/{axis}/pulse", s.written(s.setPulse)},
		{"POST", "/api/rig/axes/{axis}/reverse", s.written(s.reverseAxis)},
		{"POST", "/api/rig/axes/{axis}/trim", s.written(s.setTrim)},
		{"POST", "/api/rig/axes/{axis}/measured", s.written(s.measured)},
		{"POST", "/api/rig/undo", s.written(s.undoneRig)},
		{"GET", socketPath, s.socket},
		{"POST", "/api/rehearsal/stop", s.halt("stop")},
		{"POST", "/api/rehearsal/drop", s.halt("drop")},
		{"GET", "/problems/{name}", s.about},
	}
}

func (s *Server) index(w http.ResponseWriter, r *http.Request) { s.file(w, r, "index.html") }

// icon answers browsers that ask for it by themselves, before or without the page.
func (s *Server) icon(w http.ResponseWriter, r *http.Request) { s.file(w, r, "icon.svg") }

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

// nothing answers where an address has no handler.
func nothing(w http.ResponseWriter, r *http.Request) {
	faultMissing.refuse(w, "nothing is at "+quoted(r.URL.Path))
}

func (s *Server) listing(w http.ResponseWriter, r *http.Request) {
	body, revision := s.project.Listing()
	serveBody(w, r, "application/json", `"`+revision+`"`, body)
}

// serveBody answers with a body that is known as a whole.
func serveBody(w http.ResponseWriter, r *http.Request, kind, etag string, body []byte) {
	w.Header().Set("Content-Type", kind)
	w.Header().Set("ETag", etag)
	serveContent(w, r, bytes.NewReader(body))
}

// motion finds the motion of a request.
func (s *Server) motion(serve func(http.ResponseWriter, *http.Request, *take)) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		ctx, cancel := context.WithTimeout(r.Context(), firstPatience)
		defer cancel()
		t, err := s.project.takeOf(ctx, r.PathValue("name"))
		if err != nil {
			s.refuseMotion(w, r, err)
			return
		}
		serve(w, r.WithContext(ctx), t)
	}
}

// refuseMotion says why a motion, or a part of it, cannot be given.
func (s *Server) refuseMotion(w http.ResponseWriter, r *http.Request, err error) {
	name := r.PathValue("name")
	var none absent
	var other another
	var bad disorder
	var refused sequence.Problems
	var unsaved notSaved
	switch {
	case errors.As(err, &unsaved):
		faultUnsaved.refuse(w, unsaved.Error())
	case errors.As(err, &other):
		faultAnother.answer(w, details{Detail: "the text of " + quoted(name) + " is another version now", Text: other.current})
	case errors.As(err, &bad):
		faultOrder.refuse(w, "the files of "+quoted(name)+" have errors", bad.problems...)
	case errors.As(err, &refused):
		faultChange.refuse(w, refused[0].Text, problemsOf(refused)...)
	case errors.Is(err, errOvertaken):
		faultOvertook.refuse(w, "a newer change of "+quoted(name)+" came, and this one was given up")
	case errors.As(err, &none):
		faultAbsent.refuse(w, "the files of "+quoted(name)+" have errors, and there was no good version since the start", none.problems...)
	case errors.Is(err, errNoMotion):
		faultMotion.refuse(w, s.missingMotion(name))
	case errors.Is(err, errWaiting), errors.Is(err, errStopped):
		faultWaiting.refuse(w, quoted(name)+" is still being worked out")
	case errors.Is(err, errSilent):
		faultSilent.refuse(w, "the motion names no sound; audio: and the name of a WAV file would")
	case errors.Is(err, errFault):
		faultInternal.refuse(w, "what happened stands in the messages of limberjack")
	default:
		faultSound.refuse(w, err.Error())
	}
}

// worked gives a part of a motion that may have to be worked out: of the version that
// comes meanwhile, where one does.
func (s *Server) worked(r *http.Request, t *take, part func(context.Context, *take) ([]byte, error)) (*take, []byte, error) {
	body, err := part(r.Context(), t)
	for errors.Is(err, errGone) {
		if t, err = s.project.takeOf(r.Context(), r.PathValue("name")); err == nil {
			body, err = part(r.Context(), t)
		}
	}
	return t, body, err
}

func (s *Server) missingMotion(name string) string {
	names := s.project.names()
	if len(names) > 12 {
		names = append(names[:12], "…")
	}
	return fmt.Sprintf("there is no motion %s; there is %s", quoted(name), strings.Join(names, ", "))
}

func (s *Server) score(w http.ResponseWriter, r *http.Request, t *take) {
	body, tag := s.project.scoreNow(r.PathValue("name"), t)
	serveBody(w, r, "application/json", `"`+tag+`"`, body)
}

func (s *Server) curves(w http.ResponseWriter, r *http.Request, t *take) {
	t, body, err := s.worked(r, t, s.project.curvesOf)
	if err != nil {
		s.refuseMotion(w, r, err)
		return
	}
	serveBody(w, r, "application/octet-stream", `"`+t.revision+`-curves"`, body)
}

func (s *Server) sound(w http.ResponseWriter, r *http.Request, t *take) {
	file, frames, err := s.project.soundOf(t)
	if err != nil {
		s.refuseMotion(w, r, err)
		return
	}
	defer file.Close()
	wave, err := newWave(file, frames)
	if err != nil {
		s.refuseMotion(w, r, err)
		return
	}
	w.Header().Set("Content-Type", "audio/wav")
	w.Header().Set("ETag", `"`+t.sound+`-sound"`)
	serveContent(w, r, wave)
}

func (s *Server) waveform(w http.ResponseWriter, r *http.Request, t *take) {
	t, body, err := s.worked(r, t, s.project.waveformOf)
	if err != nil {
		s.refuseMotion(w, r, err)
		return
	}
	serveBody(w, r, "application/octet-stream", `"`+t.sound+`-waveform"`, body)
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
