package web

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strings"

	"limberjack/interp/revise"
	"limberjack/sequence"
)

// Bounds of takes.
const (
	leastSamples = 2
	mostSamples  = 150_000 // 20 minutes at 120 a second
	mostSeconds  = 48 * 3600
	mostValue    = 1e6
)

const kindTake = "take"

// TakeFigures are what came of a recorded take. Values are in the row's unit.
type TakeFigures struct {
	Samples   int    `json:"samples"`
	Keys      int    `json:"keys"`
	Greatest  figure `json:"greatest"`  // of the curve from the smoothed take at a sample
	Raw       figure `json:"raw"`       // from the take as it was recorded
	RMS       figure `json:"rms"`       // root mean square of that
	Smoothed  figure `json:"smoothed"`  // root mean square of what smoothing took away
	Tolerance figure `json:"tolerance"` // that was asked for
	Ease      string `json:"ease"`
	Grid      figure `json:"grid"` // s between the times that keys may have
	Unit      string `json:"unit"`
}

// rowTake is a take as it comes.
type rowTake struct {
	row           string
	times, values []float64 // s of performance time; in the row's unit
	tolerance     float64
	add           bool
}

// readRecording reads the body of a take; the error is for people.
func readRecording(data []byte) (base string, rec rowTake, err error) {
	var raw json.RawMessage
	var over string
	if err := fill(data, member{"base", &base, false}, member{"row", &rec.row, false}, member{"samples", &raw, false}, member{"tolerance", &rec.tolerance, false},
		member{"over", &over, true}); err != nil {
		return "", rec, err
	}
	switch over {
	case "", "replace":
	case "add":
		rec.add = true
	default:
		return "", rec, fmt.Errorf(`"over" is %s; "replace" or "add" will do`, quoted(over))
	}
	if !(rec.tolerance > 0 && rec.tolerance <= mostValue) {
		return "", rec, fmt.Errorf(`"tolerance" is %g; it is how far the keys may be from the take, above 0, in the row's unit`, rec.tolerance)
	}
	rec.times, rec.values, err = readSamples(raw)
	return base, rec, err
}

// readSamples reads [[s, value], …] with times that never fall.
func readSamples(raw []byte) (times, values []float64, err error) {
	d := json.NewDecoder(bytes.NewReader(raw))
	if t, err := d.Token(); err != nil || t != json.Delim('[') {
		return nil, nil, errors.New(`"samples" must be a list of [seconds, value]`)
	}
	for d.More() {
		at, value, err := readSample(d)
		n := len(times) + 1
		switch {
		case n > mostSamples:
			return nil, nil, fmt.Errorf("the take has more than %d samples; record a shorter one, or at a lower rate", mostSamples)
		case err != nil:
			return nil, nil, fmt.Errorf("sample %d of the take is %w", n, err)
		case !(at >= 0 && at <= mostSeconds):
			return nil, nil, fmt.Errorf("sample %d of the take is at %g s; 0 to %d s will do", n, at, mostSeconds)
		case !(value >= -mostValue && value <= mostValue):
			return nil, nil, fmt.Errorf("sample %d of the take has the value %g; %g is the most", n, value, mostValue)
		case n > 1 && at < times[n-2]:
			return nil, nil, fmt.Errorf("sample %d of the take is at %g s, before the one that comes first, at %g s; list them in order of time", n, at, times[n-2])
		}
		times, values = append(times, at), append(values, value)
	}
	if len(times) < leastSamples || times[0] == times[len(times)-1] {
		return nil, nil, fmt.Errorf("the take has %s at one time or none; %d at different times are the least", counted(len(times), "sample"), leastSamples)
	}
	return times, values, nil
}

var errSample = errors.New("not two finite numbers, [seconds, value]")

// readSample reads [seconds, value].
func readSample(d *json.Decoder) (at, value float64, err error) {
	var pair [2]float64
	for i := range 4 {
		t, err := d.Token()
		if err != nil {
			return 0, 0, errSample
		}
		switch v := t.(type) {
		case json.Delim:
			if i == 0 && v != '[' || i == 3 && v != ']' || i == 1 || i == 2 {
				return 0, 0, errSample
			}
		case float64:
			if i == 0 || i == 3 {
				return 0, 0, errSample
			}
			pair[i-1] = v
		default:
			return 0, 0, errSample
		}
	}
	return pair[0], pair[1], nil
}

// recorded begins the work on a recorded take.
func (s *Server) recorded(w http.ResponseWriter, r *http.Request, _ int) {
	data, err := io.ReadAll(r.Body)
	var base string
	var rec rowTake
	if err == nil {
		base, rec, err = readRecording(data)
	}
	if err != nil {
		faultBody.refuse(w, err.Error())
		return
	}
	t, err := s.project.takeOf(r.Context(), r.PathValue("name"))
	if err != nil {
		s.refuseMotion(w, r, err)
		return
	}
	if _, err := targetOf(t.perf.Script, rec.row); err != nil {
		faultChange.refuse(w, err[0].Text, problemsOf(err)...)
		return
	}
	s.proposed(w, r, base, kindTake, rec.plan)
}

// targetOf finds a row's axis or control.
func targetOf(s *sequence.Script, row string) (sequence.Target, sequence.Problems) {
	kind, name, _ := strings.Cut(row, ":")
	var names []string
	for _, a := range s.Rig.Axes {
		if names = append(names, "axis:"+a.Name); kind == "axis" && a.Name == name {
			return sequence.Target{Axis: a}, nil
		}
	}
	for _, c := range s.Rig.Controls {
		if names = append(names, "control:"+c.Name); kind == "control" && c.Name == name {
			return sequence.Target{Control: c}, nil
		}
	}
	hint := "name one as axis:NAME or control:NAME"
	if near := sequence.Nearest(row, names); near != "" {
		hint = "did you mean " + near + "?"
	}
	return sequence.Target{}, sequence.Problems{{At: sequence.Pos{File: s.Rig.File}, Text: "the rig has no row " + quoted(row), Hint: hint}}
}

// plan puts the take into the text of a motion.
func (rec rowTake) plan(m *sequence.Manuscript, from *take, stop func() bool) (*outcome, error) {
	target, bad := targetOf(m.Script, rec.row)
	if bad != nil {
		return nil, bad
	}
	t := revise.Take{Target: target, Times: rec.scriptTimes(from), Values: rec.values, Tolerance: rec.tolerance, Add: rec.add, Stop: stop}
	done, err := revise.Record(m, t)
	if err != nil {
		return nil, err
	}
	r, unit := done.Fit, target.Unit()
	f := &TakeFigures{Samples: r.Samples, Keys: len(r.Keys), Greatest: figure(r.Greatest), Raw: figure(done.Greatest), RMS: figure(done.RMS), Smoothed: figure(r.Smoothed),
		Tolerance: figure(rec.tolerance), Ease: "hold", Grid: figure(done.Grid.Seconds(1)), Unit: unit}
	if name := done.Ease(); name != "" {
		f.Ease = name
	}
	told := fmt.Sprintf("%d samples of %s become %s, at most %s from the smoothed take and %s from what was recorded", r.Samples, target.Name(), counted(len(r.Keys), "key"),
		sequence.FormatValue(r.Greatest, unit), sequence.FormatValue(done.Greatest, unit))
	return &outcome{text: done.Script.Text, told: told, more: figures{TakeFigures: f}}, nil
}

// scriptTimes gives the times of the samples in script time, in which keys are.
func (rec rowTake) scriptTimes(from *take) []float64 {
	out := make([]float64, len(rec.times))
	for i, t := range rec.times {
		out[i] = from.perf.ScriptTime(t)
	}
	return out
}
