// Package plot draws a motion as a paper cue sheet: each axis on a stave
// between the lines of its travel, marks and cues as bar lines, findings
// hatched at their place, and the current of each supply as a tide under its
// limit.
//
// One drawing is written in three forms. A sheet is laid out once, in points,
// and then painted on a canvas of gonum's vg; nothing here knows a file or a
// clock, and the same sheet gives the same bytes.
//
// What the signs mean:
//
//   - A stave has full lines where its axis has end stops, dotted ones where it
//     has none, and a pale dashed line at rest. A curve beyond the lines is
//     beyond the travel: nothing is clamped.
//   - The curve is drawn with a pen where the axis moves, dashed and thin where
//     it stands still. Under lamps and relays the area is shaded.
//   - Note heads are keys; their shape says by which kind of ease the axis
//     arrives, as the legend at the foot tells.
//   - Full bar lines are marks, dotted ones cues. A veil is a quiet window. A
//     double bar ends the motion, with two dots where it loops.
//   - Errors are hatched densely, warnings widely and the other way; a short
//     stroke is a note. The number leads to the list at the foot.
//   - Other performances of the rig may lie beneath, in grey: dotted what was
//     before, in dash and dot the closest motion within the limits of the axes. A
//     table under the title says which is which. A double bar in the same pattern
//     ends them. Where one rests with the motion, only the motion is drawn.
//   - Two inks, blue-black and iron red. The second only repeats what a shape
//     says, so that a sheet printed in black loses nothing.
package plot

import (
	"fmt"
	"io"
	"strings"

	"limberjack/interp"
	"limberjack/interp/check"
	"limberjack/interp/drive"
)

// Form is a file form that a sheet can be written in.
type Form uint8

// The forms. SVG and PNG are one sheet, as tall as it needs to be; PDF is
// broken into pages of the paper.
const (
	SVG Form = iota
	PNG
	PDF
)

var formNames = [...]string{"svg", "png", "pdf"}

// String gives the form as file names end: svg, png or pdf.
func (f Form) String() string {
	if int(f) < len(formNames) {
		return formNames[f]
	}
	return fmt.Sprintf("form %d", f)
}

// FormOf gives the form that a file's name asks for by its ending.
func FormOf(name string) (Form, error) {
	for i, ending := range formNames {
		if strings.HasSuffix(strings.ToLower(name), "."+ending) {
			return Form(i), nil
		}
	}
	return 0, fmt.Errorf("%s does not end in .svg, .png or .pdf, so it does not say what to draw", name)
}

// Paper is a size of paper, lying on its long side.
type Paper uint8

// The papers: ISO 216 A4 (297 mm x 210 mm) and Letter (11 in x 8.5 in).
const (
	A4 Paper = iota
	Letter
)

var paperNames = [...]string{"a4", "letter"}

// String gives the paper's name: a4 or letter.
func (p Paper) String() string {
	if int(p) < len(paperNames) {
		return paperNames[p]
	}
	return fmt.Sprintf("paper %d", p)
}

// PaperOf gives the paper of a name, in either case.
func PaperOf(name string) (Paper, error) {
	for i, known := range paperNames {
		if strings.EqualFold(name, known) {
			return Paper(i), nil
		}
	}
	return 0, fmt.Errorf("%q is no paper that is known here; a4 and letter are", name)
}

// size gives width and height in points of 1/72 inch.
func (p Paper) size() (w, h float64) {
	if p == Letter {
		return 792, 612
	}
	return 841.89, 595.28
}

// Sheet is what is drawn.
type Sheet struct {
	Performance *interp.Performance // required
	Report      *check.Report       // nil: the sheet says that the motion is not checked
	Trace       *drive.Trace        // nil: no tides
	Before      *Other              // the motion before it was mended; nil: none
	Shaped      *Other              // the closest motion within the limits of its axes; nil: none
	Paper       Paper
	DPI         int // dots an inch of a PNG, 24 to 600; 0 for 144. A very tall sheet is drawn with fewer
}

// Draw writes the sheet. Its cost is linear in the number of curve pieces, keys
// and findings; what it writes is bounded by the width of the staves.
func Draw(w io.Writer, form Form, s Sheet) error {
	switch {
	case s.Performance == nil || s.Performance.Script == nil || s.Performance.Rig == nil:
		return fmt.Errorf("there is no compiled motion to draw")
	case int(form) >= len(formNames):
		return fmt.Errorf("%v is no form that a sheet can be written in", form)
	case int(s.Paper) >= len(paperNames):
		return fmt.Errorf("%v is no paper that is known here", s.Paper)
	case s.DPI != 0 && (s.DPI < 24 || s.DPI > 600):
		return fmt.Errorf("%d dots an inch is out of range; 24 to 600 will do", s.DPI)
	}
	for _, o := range s.others() {
		if o.Performance == nil || o.Performance.Script == nil || o.Performance.Rig == nil {
			return fmt.Errorf("there is no compiled motion to draw beneath")
		}
		if err := SameRig(s.Performance.Rig, o.Performance.Rig); err != nil {
			return err
		}
	}
	s.Report = momentary(s.Report)
	return write(w, form, s)
}

// Momentary reports whether a finding has a place on a sheet of time. A note that
// is true at any time has none.
func Momentary(f check.Finding) bool { return !f.Always || f.Level != check.Note }

// momentary gives the report without the notes that have no place on a sheet.
func momentary(r *check.Report) *check.Report {
	if r == nil {
		return nil
	}
	out := *r
	out.Findings = nil
	for _, f := range r.Findings {
		if Momentary(f) {
			out.Findings = append(out.Findings, f)
		}
	}
	return &out
}
