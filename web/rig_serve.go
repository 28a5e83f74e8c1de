package web

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"net/http"
	"path/filepath"
	"strconv"

	"limberjack/interp/film"
	"limberjack/sequence"
)

// rigAnswer is the rig as pages know it.
type rigAnswer struct {
	File     string    `json:"file"`
	Text     string    `json:"text"` // its revision: the base of the next change
	Undo     int       `json:"undo"`
	Axes     []rigAxis `json:"axes"`
	Beside   string    `json:"beside"` // file in which a version is kept that others wrote in the last moment; empty: none
	Estimate *estimate `json:"estimate,omitempty"`
}

// rigAxis is one axis of the rig.
type rigAxis struct {
	Name     string      `json:"name"`
	Kind     string      `json:"kind"`
	Unit     string      `json:"unit"`
	Board    string      `json:"board"`
	Travel   *[2]figure  `json:"travel"` // null: it has no end stops
	Horn     *[2]figure  `json:"horn"`   // where the horn is at the ends of the travel, where a linkage lies between; else null
	Pulse    [][2]figure `json:"pulse"`  // value of the horn in the unit, us with the trim; ascending
	Trim     figure      `json:"trim"`   // us
	Weight   bool        `json:"weight"` // it carries weight
	Speed    *figure     `json:"speed"`  // measured, unit/s at the horn; null: not measured
	Delay    *figure     `json:"delay"`  // measured, s; null: not measured
	Limit    *figure     `json:"limit"`  // speed that the check holds it to, unit/s at the horn; null: none
	Ends     string      `json:"ends"`   // why its ends cannot be looked for; empty: they can
	Measures string      `json:"slews"`  // why its slew cannot be measured; empty: it can
}

// answerOfRig tells of a rig.
func (p *Project) answerOfRig(now rigNow) rigAnswer {
	a := rigAnswer{File: filepath.ToSlash(now.file), Text: p.make.textRevision(now.stamp), Undo: now.undo, Axes: []rigAxis{}, Beside: now.beside}
	for _, x := range now.rig.Axes {
		a.Axes = append(a.Axes, rigAxisOf(x))
	}
	return a
}

func rigAxisOf(a *sequence.Axis) rigAxis {
	x := rigAxis{Name: a.Name, Kind: a.Kind.String(), Unit: a.Unit, Pulse: [][2]figure{}, Trim: figure(a.Trim.V), Weight: a.Load.CarriesWeight(),
		Speed: figureOf(a.Measured.Speed), Delay: figureOf(a.Measured.Delay)}
	if a.Board != nil {
		x.Board = a.Board.Name
	}
	if a.HasTravel() {
		x.Travel = &[2]figure{figure(a.Travel[0].V), figure(a.Travel[1].V)}
		x.Horn = hornEnds(a)
	}
	for _, p := range a.Pulse {
		x.Pulse = append(x.Pulse, [2]figure{figure(p.Value.V), figure(p.Pulse.V + a.Trim.V)})
	}
	if l := a.HornLimits().Speed; l.Known() {
		v := figure(l.V)
		x.Limit = &v
	}
	if err := a.Calibrates(); err != nil {
		x.Ends = err.Error()
	}
	if a.Kind != sequence.Servo || !a.HasTravel() {
		x.Measures = a.Name + " is a " + a.Kind.String() + "; slew is measured on a servo with a travel"
	}
	return x
}

func figureOf(n sequence.Num) *figure {
	if !n.Given() {
		return nil
	}
	v := figure(n.V)
	return &v
}

func hornEnds(a *sequence.Axis) *[2]figure {
	if a.Linkage == nil {
		return nil
	}
	var ends [2]figure
	for i := range ends {
		horn, _, _, _, ok := a.Linkage.Horn(a.Travel[i].V)
		if !ok {
			return nil
		}
		ends[i] = figure(math.Round(horn*1e4)/1e4 + 0)
	}
	return &ends
}

// rigged tells of the rig.
func (s *Server) rigged(w http.ResponseWriter, r *http.Request) {
	now, err := s.project.readRig(r.Context())
	if err != nil {
		s.refuseRig(w, err)
		return
	}
	a := s.project.answerOfRig(now)
	serveBody(w, r, "application/json", fmt.Sprintf(`"%s-%d"`, a.Text, a.Undo), a.body())
}

func (a rigAnswer) body() []byte {
	body, err := json.Marshal(a)
	if err != nil {
		panic(err) // texts and numbers always marshal
	}
	return body
}

func (s *Server) answerRig(w http.ResponseWriter, a rigAnswer) {
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-store")
	patient(w).Write(a.body()) // who is gone needs no answer
}

// inUse says why the rig's file may not be changed now.
type inUse struct{ error }

// refuseRig says why the rig cannot be told, or changed.
func (s *Server) refuseRig(w http.ResponseWriter, err error) {
	var other another
	var bad disorder
	var refused sequence.Problems
	var unsaved notSaved
	var used inUse
	var missing noAxis
	var count *film.CountError
	switch {
	case errors.As(err, &other):
		faultAnother.answer(w, details{Detail: "the rig's file is another version now", Text: other.current})
	case errors.As(err, &bad):
		faultOrder.refuse(w, "the rig's file has errors", bad.problems...)
	case errors.As(err, &missing):
		faultAxis.refuse(w, missing.Error())
	case errors.As(err, &refused):
		faultChange.refuse(w, refused[0].Text, problemsOf(refused)...)
	case errors.As(err, &unsaved):
		faultUnsaved.refuse(w, unsaved.Error())
	case errors.As(err, &used):
		faultInUse.refuse(w, used.Error())
	case errors.As(err, &count):
		faultCount.refuse(w, count.Error())
	case errors.Is(err, errWaiting):
		faultWaiting.refuse(w, "the motions, which say what rig it is, are still being worked out")
	case errors.Is(err, errNoRig):
		faultOrder.refuse(w, err.Error())
	default:
		faultChange.refuse(w, err.Error())
	}
}

// mayChange holds a page against who drives, and refuses it what the driver forbids.
func (s *Server) mayChange(w http.ResponseWriter, r *http.Request, page int, pulses bool) bool {
	err := s.boards.MayChange(r.Context(), strconv.Itoa(page), pulses)
	if err != nil {
		s.refuseRig(w, inUse{err})
	}
	return err == nil
}

// changeRig changes one axis in the rig's file, and answers with the rig.
func (s *Server) changeRig(w http.ResponseWriter, r *http.Request, base string, change func(text []byte, a *sequence.Axis) ([]byte, error)) bool {
	now, err := s.project.writeRig(r.Context(), base, func(now rigNow) ([]byte, error) {
		a, err := now.axisOf(r.PathValue("axis"))
		if err != nil {
			return nil, err
		}
		return change(now.text, a)
	})
	if err != nil {
		s.refuseRig(w, err)
		return false
	}
	s.boards.Unwritten()
	s.answerRig(w, s.project.answerOfRig(now))
	return true
}

// bodyOf reads the body of a write, and refuses what is not in order.
func bodyOf[T any](w http.ResponseWriter, r *http.Request, parse func([]byte) (T, error)) (body T, ok bool) {
	data, err := io.ReadAll(r.Body)
	if err == nil {
		body, err = parse(data)
	}
	if err != nil {
		faultBody.refuse(w, err.Error())
	}
	return body, err == nil
}

// pulsesOf is bodyOf for a write that changes pulses, which may not be while they leave.
func pulsesOf[T any](s *Server, w http.ResponseWriter, r *http.Request, page int, parse func([]byte) (T, error)) (body T, ok bool) {
	if body, ok = bodyOf(w, r, parse); ok {
		ok = s.mayChange(w, r, page, true)
	}
	return body, ok
}

// setPulse writes the ends that were looked for, or one point of the table.
func (s *Server) setPulse(w http.ResponseWriter, r *http.Request, page int) {
	body, ok := bodyOf(w, r, parsePulse)
	if !ok {
		return
	}
	axis := r.PathValue("axis")
	if body.value == nil {
		found, err := s.boards.Calibrated(r.Context(), strconv.Itoa(page), axis)
		if err != nil {
			s.refuseRig(w, inUse{err})
			return
		}
		if s.changeRig(w, r, body.base, found.Set) {
			s.boards.Written(axis)
		}
		return
	}
	if !s.mayChange(w, r, page, true) {
		return
	}
	s.changeRig(w, r, body.base, func(text []byte, a *sequence.Axis) ([]byte, error) {
		if err := usualPulse(body.us); err != nil {
			return nil, err
		}
		return sequence.SetPulsePoint(text, a, *body.value, body.us)
	})
}

// usualPulse refuses a pulse that no hobby servo is commonly sold for: a slip of the hand on
// a page would else drive a servo against its stop.
func usualPulse(us float64) error {
	if us >= sequence.PulseLeast && us <= sequence.PulseGreatest {
		return nil
	}
	return fmt.Errorf("%v us is a pulse that few servos take; from %v to %v us are written from here, and others by hand into the rig's file", us, sequence.PulseLeast, sequence.PulseGreatest)
}

// usualPulses refuses a trim with which a servo would get pulses that few take.
func usualPulses(a *sequence.Axis, trim float64) error {
	for _, p := range a.Pulse {
		if err := usualPulse(p.Pulse.V + trim); err != nil {
			return fmt.Errorf("with a trim of %v us %w", trim, err)
		}
	}
	return nil
}

// reverseAxis turns the pulses of an axis round.
func (s *Server) reverseAxis(w http.ResponseWriter, r *http.Request, page int) {
	base, ok := pulsesOf(s, w, r, page, parseBase)
	if !ok {
		return
	}
	s.changeRig(w, r, base, sequence.SetReverse)
}

// setTrim writes a trim.
func (s *Server) setTrim(w http.ResponseWriter, r *http.Request, page int) {
	body, ok := pulsesOf(s, w, r, page, parseTrim)
	if !ok {
		return
	}
	s.changeRig(w, r, body.base, func(text []byte, a *sequence.Axis) ([]byte, error) {
		if err := usualPulses(a, body.us); err != nil {
			return nil, err
		}
		return sequence.SetTrim(text, a, body.us)
	})
}

// measured works out what was counted on film, and writes it where that is asked for.
func (s *Server) measured(w http.ResponseWriter, r *http.Request, page int) {
	body, ok := bodyOf(w, r, parseMeasured)
	if !ok {
		return
	}
	if body.write && !s.mayChange(w, r, page, false) {
		return
	}
	now, e, err := s.project.measure(r, &body)
	if err != nil {
		s.refuseRig(w, err)
		return
	}
	answer := s.project.answerOfRig(now)
	answer.Estimate = &e
	s.answerRig(w, answer)
}

// measure works a count out for an axis of the rig as it stands in its file.
func (p *Project) measure(r *http.Request, body *measuredBody) (now rigNow, e estimate, err error) {
	work := func(now rigNow) (a *sequence.Axis, s film.Slew, err error) {
		if a, err = now.axisOf(r.PathValue("axis")); err == nil {
			s, e, err = body.measure(a)
		}
		return a, s, err
	}
	if !body.write {
		if now, err = p.readRig(r.Context()); err == nil {
			_, _, err = work(now)
		}
		return now, e, err
	}
	now, err = p.writeRig(r.Context(), body.base, func(now rigNow) ([]byte, error) {
		a, s, err := work(now)
		if err != nil {
			return nil, err
		}
		return body.set(now.text, a, s)
	})
	return now, e, err
}

// undoneRig takes the newest change of the rig's file back.
func (s *Server) undoneRig(w http.ResponseWriter, r *http.Request, page int) {
	base, ok := pulsesOf(s, w, r, page, parseBase)
	if !ok {
		return
	}
	now, err := s.project.undoRig(r.Context(), base)
	if err != nil {
		s.refuseRig(w, err)
		return
	}
	s.boards.Unwritten()
	s.answerRig(w, s.project.answerOfRig(now))
}
