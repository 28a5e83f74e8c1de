package web

import (
	"bytes"
	"errors"
	"fmt"
	"net/http"
	"path/filepath"
	"strconv"
	"strings"

	"github.com/rogpeppe/go-internal/diff"

	"limberjack/interp/mend"
	"limberjack/interp/revise"
	"limberjack/sequence"
)

// The kinds of mends, as the page names them.
const (
	kindRetime = "retime"
	kindKeys   = "retime-keys"
	kindShape  = "shape"
)

// mend begins the work on a mend of a motion, by the code of the commands.
func (s *Server) mend(w http.ResponseWriter, r *http.Request, _ int) {
	var base, kind string
	var o revise.RetimeOptions
	var catchUp, tolerance *float64
	if !readBody(w, r, member{"base", &base, false}, member{"kind", &kind, false}, member{"fastest", &o.Fastest, true}, member{"stagger", &o.Stagger, true},
		member{"catchUp", &catchUp, true}, member{"tolerance", &tolerance, true}) {
		return
	}
	if kind == kindShape && (o.Fastest || o.Stagger || catchUp != nil || tolerance != nil) {
		faultBody.refuse(w, `"kind" is "shape", which takes no options; leave them out`)
		return
	}
	if kind == kindShape {
		s.proposed(w, r, base, kind, shaping)
		return
	}
	if why := mendOptions(&o, kind, catchUp, tolerance); why != "" {
		faultBody.refuse(w, why)
		return
	}
	s.proposed(w, r, base, kind, s.project.retiming(o))
}

// mendOptions reads the options of a mend; why says which cannot be.
func mendOptions(o *revise.RetimeOptions, kind string, catchUp, tolerance *float64) (why string) {
	switch kind {
	case kindRetime:
	case kindKeys:
		o.Keys = true
	default:
		return `"kind" is ` + quoted(kind) + `; "retime", "retime-keys" or "shape" will do`
	}
	if catchUp != nil {
		if o.CatchUp = *catchUp; o.CatchUp == 0 {
			return `"catchUp" is 0; it may be from 1 to 4`
		}
	}
	if tolerance != nil {
		if o.Within = *tolerance; o.Within == 0 {
			return `"tolerance" is 0; it may be from 0.01 to 10 percent`
		}
	}
	var bad *revise.OptionError
	if errors.As(o.Check(), &bad) {
		name := map[string]string{"CatchUp": "catchUp", "Within": "tolerance"}[bad.Option]
		return strconv.Quote(name) + " " + bad.Msg
	}
	return ""
}

// retiming plans a retiming.
func (p *Project) retiming(o revise.RetimeOptions) planned {
	return func(m *sequence.Manuscript, _ *take, stop func() bool) (*outcome, error) {
		var csv *paceFile
		o.PaceFile = func(knots []sequence.Knot) string {
			csv = p.paceFileFor(m.Script.File, sequence.PaceCSV(knots))
			return filepath.Base(csv.name)
		}
		o.Stop = stop
		done, err := revise.Retime(m.Script, m.Text, o)
		var stuck *mend.Stuck
		switch {
		case errors.As(err, &stuck):
			return nil, sequence.Problems{stuck.Problem}
		case err != nil:
			return nil, err
		case done.Withheld:
			return nil, append(sequence.Problems{{At: m.Script.At, Text: "moved keys cannot keep what is locked", Hint: "a pace can catch up; or unlock some of it"}}, done.Remains()...)
		case bytes.Equal(done.Text, m.Text):
			return nil, append(sequence.Problems{{At: m.Script.At, Text: nothingTo(done)}}, done.Remains()...)
		}
		out := &outcome{text: done.Text, told: retimedText(m.Script, done), left: problemsOf(done.Remains())}
		if done.Apart {
			out.pace = csv
		}
		if done.Worse {
			out.left = append(out.left, Problem{File: m.Script.File, Text: "with its keys moved the motion breaks a rule that it did not break before", Hint: "see its findings"})
		}
		return out, nil
	}
}

// nothingTo says why a motion stays as it is.
func nothingTo(r *revise.Retimed) string {
	if len(r.Remains()) > 0 {
		return "nothing to stretch: no pace, and no other times of the keys, would help"
	}
	return "nothing to stretch: the rig can follow the script as it is written"
}

// retimedText tells what a retiming does.
func retimedText(s *sequence.Script, r *revise.Retimed) string {
	var parts []string
	if r.Staggered != nil && len(r.Staggered.Delays) > 0 {
		parts = append(parts, counted(len(r.Staggered.Delays), "move")+" put off within the slack")
	}
	length := r.Paced
	switch {
	case r.Keyed != nil && r.Keyed.Changed:
		parts = append(parts, fmt.Sprintf("%s instead of %s by moved keys", sequence.FormatSeconds(r.Keyed.Performance.Length), sequence.FormatSeconds(r.Keyed.Written)))
	case r.Keyed != nil || length == nil:
	case len(r.Knots) == 0:
		parts = append(parts, "no pace is needed")
	default:
		parts = append(parts, fmt.Sprintf("%s instead of %s by a pace of %d knots", sequence.FormatSeconds(length.Performance.Length), sequence.FormatSeconds(length.Written), len(r.Knots)))
	}
	if s.Audio != nil && r.Keyed == nil && len(r.Knots) > 0 {
		parts = append(parts, fmt.Sprintf("sound and motion part by %.0f ms at most", 1000*revise.Parting(r.Knots)))
	}
	return strings.Join(parts, "; ")
}

// paceEnding ends the name of a pace file that is written from here; a later one of the same
// motion has a number before the last dot.
const paceEnding = ".pace.csv"

// paceFileFor gives a pace of a motion a file that nothing has yet: an earlier text may
// name the one that is there, and shall find it when it is undone to.
func (p *Project) paceFileFor(motion string, csv []byte) *paceFile {
	if local, err := p.folder.local(motion); err == nil { // a show may name it by its whole path
		motion = local
	}
	stem := strings.TrimSuffix(strings.TrimSuffix(motion, ".yaml"), ".motion")
	for i := 1; ; i++ {
		name := stem + paceEnding
		if i > 1 {
			name = fmt.Sprintf("%s.pace-%d.csv", stem, i)
		}
		now, _, err := p.folder.read(name)
		if err == nil && bytes.Equal(now, csv) || err != nil && !p.folder.has(name) {
			return &paceFile{name, csv}
		}
	}
}

// has reports whether a name stands for anything.
func (f *folder) has(name string) bool {
	_, err := f.root.Lstat(name)
	return err == nil
}

// hunk is a stretch of lines of a file that differs: each line begins with a blank (it
// stays), - (it goes) or + (it comes).
type hunk struct {
	Before int      `json:"before"` // line of the first one, from 1
	After  int      `json:"after"`
	Lines  []string `json:"lines"`
	Cut    int      `json:"cut,omitempty"` // lines that are left out at the end
}

// mostLines bounds the lines that are told of a proposal.
const mostLines = 1000

// hunksOf compares two texts.
func hunksOf(before, after []byte) []hunk {
	var out []hunk
	count := 0
	for line := range bytes.Lines(diff.Diff("a", before, "b", after)) {
		text := strings.TrimRight(string(line), "\r\n")
		var h hunk
		var n, m int
		if _, err := fmt.Sscanf(text, "@@ -%d,%d +%d,%d @@", &h.Before, &n, &h.After, &m); err == nil {
			h.Lines = []string{}
			out = append(out, h)
			continue
		}
		if len(out) == 0 || strings.HasPrefix(text, `\`) {
			continue // names of the files, or that no line end follows, which is no line of a file
		}
		last := &out[len(out)-1]
		if count++; count > mostLines {
			out[len(out)-1].Cut++
			continue
		}
		last.Lines = append(last.Lines, text)
	}
	return out
}

// ShapeFigures are what came of a shape.
type ShapeFigures struct {
	Axes []ShapeFigure `json:"axes"`
}

// ShapeFigure is what a shape does to an axis.
type ShapeFigure struct {
	Axis    string `json:"axis"`
	Unit    string `json:"unit"`
	Largest figure `json:"largest"` // from the motion as it is written
	At      figure `json:"at"`      // s
	Added   int    `json:"added"`   // keys
	Moved   int    `json:"moved"`   // keys with another value or ease
}

// shaping plans a shape.
func shaping(m *sequence.Manuscript, _ *take, stop func() bool) (*outcome, error) {
	done, err := revise.Shape(m, stop)
	switch {
	case errors.Is(err, revise.ErrKept):
		return nil, sequence.Problems{{At: m.Script.At, Text: err.Error()}}
	case err != nil:
		return nil, err
	}
	f := &ShapeFigures{}
	var parts []string
	for _, a := range done.Axes {
		f.Axes = append(f.Axes, ShapeFigure{a.Axis.Name, a.Axis.Unit, figure(a.Largest), figure(a.At), a.Added, a.Moved})
		parts = append(parts, fmt.Sprintf("%s differs by %s at most, at %s, with %s more", a.Axis.Name, sequence.FormatValue(a.Largest, a.Axis.Unit), sequence.FormatSeconds(a.At), counted(a.Added, "key")))
	}
	return &outcome{text: done.Script.Text, told: strings.Join(parts, "; "), more: figures{ShapeFigures: f}}, nil
}
