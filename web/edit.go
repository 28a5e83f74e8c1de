package web

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"reflect"
	"slices"
	"strings"

	"limberjack/interp"
	"limberjack/sequence"
)

// editAnswer is the answer to a change: the state of the text, and what differs in the
// score from the one that the page has.
type editAnswer struct {
	textState
	Revision string         `json:"revision"` // of the score
	Score    map[string]any `json:"score"`    // members that differ, but for rows
	Rows     []rowAnswer    `json:"rows"`
	Spans    []curveSpan    `json:"spans"` // null: ask for the curves
}

// rowAnswer is a row that differs.
type rowAnswer struct {
	Index int `json:"index"`
	Row   Row `json:"row"`
}

// scoreNow gives the score of a take with the state of its text, and its tag.
func (p *Project) scoreNow(name string, t *take) (body []byte, tag string) {
	p.mu.Lock()
	state := textState{Text: p.make.textRevision(t.files[t.perf.Script.File]), Saved: true}
	if m := p.motionOf(name); m != nil {
		state = p.textState(m)
	}
	p.mu.Unlock()
	more, err := json.Marshal(state)
	if err != nil {
		panic(err) // texts, numbers and flags always marshal
	}
	body = append(body, t.score[:len(t.score)-1]...)
	body = append(append(body, ','), more[1:]...)
	tag = t.revision
	if state.Undo+state.Redo > 0 || !state.Saved || state.Conflict != nil || state.Trouble != "" {
		sum := sha256.Sum256(more)
		tag += "-" + hex.EncodeToString(sum[:8])
	}
	return body, tag
}

// changes makes a list of changes, as a step of the page's.
func (s *Server) changes(w http.ResponseWriter, r *http.Request, page int) {
	var base, step, have string
	var raw json.RawMessage
	if !readBody(w, r, member{"base", &base, false}, member{"step", &step, false}, member{"changes", &raw, false}, member{"have", &have, true}) {
		return
	}
	list, err := sequence.ParseChanges(raw)
	switch {
	case err != nil:
		faultBody.refuse(w, err.Error())
		return
	case len(list) == 0:
		faultBody.refuse(w, "the list of changes is empty")
		return
	case step == "" || len(step) > mostStep:
		faultBody.refuse(w, fmt.Sprintf("the step has a name of %d bytes; 1 to %d will do", len(step), mostStep))
		return
	}
	t, err := s.project.takeOf(r.Context(), r.PathValue("name"))
	if err != nil {
		s.refuseMotion(w, r, err)
		return
	}
	if err := fillPoses(list, t.perf); err != nil {
		s.refuseMotion(w, r, err)
		return
	}
	s.edit(w, r, base, have, changing(fmt.Sprintf("%d:%s", page, step), inScriptTime(list, t.perf)))
}

// fillPoses gives poses that are taken from a moment their values.
func fillPoses(list []sequence.Change, p *interp.Performance) error {
	for _, c := range list {
		pose, ok := c.(*sequence.StorePose)
		if !ok || pose.At == nil || len(pose.Values) > 0 {
			continue
		}
		targets, err := poseTargets(pose, p)
		if err != nil {
			return err
		}
		pose.Values = map[string]float64{}
		for _, t := range targets {
			v, err := p.Own(t, *pose.At)
			if err != nil {
				return err
			}
			pose.Values[t.Name()] = posed(t, v)
		}
		pose.At, pose.Of = nil, nil
	}
	return nil
}

// poseFineness is to how much of a unit the values of a pose are rounded that is taken
// from a moment: finer than any prop shows.
const poseFineness = 100

// posed rounds a value, and keeps it in the travel.
func posed(t sequence.Target, v float64) float64 {
	v = math.Round(v*poseFineness) / poseFineness
	if t.Axis == nil {
		return v
	}
	if low, high, ok := t.Axis.Bounds(); ok {
		v = min(max(v, low), high)
	}
	return v
}

// poseTargets gives what a pose is of: what it names, or all axes but switches and those
// that only follow controls, and the controls that have a track.
func poseTargets(pose *sequence.StorePose, p *interp.Performance) (list []sequence.Target, err error) {
	tracks, follows := map[sequence.Target]bool{}, map[*sequence.Axis]bool{}
	for _, tr := range p.Script.Merged {
		tracks[tr.Target] = true
	}
	var all []sequence.Target
	for _, c := range p.Rig.Controls {
		for _, s := range c.Shares {
			follows[s.Axis] = true
		}
	}
	for _, a := range p.Rig.Axes {
		all = append(all, sequence.Target{Axis: a})
	}
	for _, c := range p.Rig.Controls {
		all = append(all, sequence.Target{Control: c})
	}
	var names []string
	for _, t := range all {
		names = append(names, t.Name())
		if a := t.Axis; pose.Of == nil && (tracks[t] || a != nil && !follows[a]) && (a == nil || a.Kind != sequence.Switch) || slices.Contains(pose.Of, t.Name()) {
			list = append(list, t)
		}
	}
	for _, name := range pose.Of {
		if !slices.Contains(names, name) {
			hint := "the axes and controls are " + strings.Join(names, ", ")
			if near := sequence.Nearest(name, names); near != "" {
				hint = "did you mean " + near + "?"
			}
			return nil, sequence.Problems{{At: p.Script.At, Text: "there is no axis or control " + quoted(name), Hint: hint}}
		}
	}
	return list, nil
}

// inScriptTime gives changes with their times, which are of the performance as all
// that the page knows, in script time. Differences of times are left as they are.
func inScriptTime(list []sequence.Change, p *interp.Performance) []sequence.Change {
	if len(p.Script.Pace) == 0 {
		return list
	}
	turn := func(t *float64) { *t = p.ScriptTime(*t) }
	given := func(t *float64) {
		if t != nil {
			turn(t)
		}
	}
	for _, c := range list {
		switch c := c.(type) {
		case *sequence.SetKey:
			given(c.Time)
		case *sequence.AddKey:
			turn(&c.Time)
		case *sequence.StretchKeys:
			turn(&c.Anchor)
		case *sequence.AddMark:
			turn(&c.Time)
		case *sequence.SetMark:
			turn(&c.Time)
		case *sequence.AddCue:
			turn(&c.Time)
		case *sequence.SetCue:
			given(c.Time)
		case *sequence.AddPlacement:
			turn(&c.Time)
		case *sequence.SetPlacement:
			turn(&c.Time)
		case *sequence.SetLayer:
			given(c.From)
			given(c.To)
		}
	}
	return list
}

// travel goes back or forth in the history.
func (s *Server) travel(way planner) func(http.ResponseWriter, *http.Request, int) {
	return func(w http.ResponseWriter, r *http.Request, _ int) {
		var base, have string
		if readBody(w, r, member{"base", &base, false}, member{"have", &have, true}) {
			s.edit(w, r, base, have, way)
		}
	}
}

// resolve ends a conflict.
func (s *Server) resolve(w http.ResponseWriter, r *http.Request, _ int) {
	var base, have, keep string
	if !readBody(w, r, member{"base", &base, false}, member{"keep", &keep, false}, member{"have", &have, true}) {
		return
	}
	if keep != "file" && keep != "mine" {
		faultBody.refuse(w, `"keep" is `+quoted(keep)+`; "file" or "mine" will do`)
		return
	}
	if keep == "mine" {
		t, state, over, err := s.project.insist(r.Context(), r.PathValue("name"), base)
		if err != nil {
			s.refuseMotion(w, r, err)
			return
		}
		if over {
			answerEdit(w, answerOf(t, t, state, have))
			return
		}
	}
	s.edit(w, r, base, have, resolving(keep == "mine"))
}

// edit makes a change and answers with what has come of it.
func (s *Server) edit(w http.ResponseWriter, r *http.Request, base, have string, way planner) {
	now, was, state, err := s.project.write(r.Context(), r.PathValue("name"), base, way)
	if err != nil {
		s.refuseMotion(w, r, err)
		return
	}
	answerEdit(w, answerOf(now, was, state, have))
}

// save ends the open step and writes the file.
func (s *Server) save(w http.ResponseWriter, r *http.Request, _ int) {
	var base string
	if !readBody(w, r, member{"base", &base, false}) {
		return
	}
	state, revision, err := s.project.saveNow(r.Context(), r.PathValue("name"), base)
	if err != nil {
		s.refuseMotion(w, r, err)
		return
	}
	answerEdit(w, editAnswer{state, revision, map[string]any{}, []rowAnswer{}, []curveSpan{}})
}

func answerEdit(w http.ResponseWriter, a editAnswer) {
	body, err := json.Marshal(a)
	if err != nil {
		panic(err) // what was marshalled as a score marshals
	}
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-store")
	patient(w).Write(body) // who is gone needs no answer
}

// answerOf compares the take that is with the one that was, where the page has the
// score of that.
func answerOf(now, was *take, state textState, have string) editAnswer {
	a := editAnswer{state, now.revision, map[string]any{}, []rowAnswer{}, nil}
	known := was != nil && have == was.revision
	if known {
		a.Spans = spansOf(was.kept(), now.kept(), now.layout)
	}
	rows := known && len(was.drawn.Rows) == len(now.drawn.Rows)
	var old reflect.Value
	new := reflect.ValueOf(*now.drawn)
	if known {
		old = reflect.ValueOf(*was.drawn)
	}
	for i := range new.NumField() {
		name, _, _ := strings.Cut(new.Type().Field(i).Tag.Get("json"), ",")
		value := new.Field(i).Interface()
		if name == "rows" && rows || known && reflect.DeepEqual(value, old.Field(i).Interface()) {
			continue
		}
		a.Score[name] = value
	}
	for i := 0; rows && i < len(now.drawn.Rows); i++ {
		if !reflect.DeepEqual(now.drawn.Rows[i], was.drawn.Rows[i]) {
			a.Rows = append(a.Rows, rowAnswer{i, now.drawn.Rows[i]})
		}
	}
	return a
}
