package drive

import (
	"math"

	"limberjack/interp"
)

// walk reads a curve in order of time. A stretch on which nothing moves costs
// nothing.
type walk struct {
	curve *interp.Curve
	piece int
	end   float64 // of the piece
	still bool
	state interp.State
}

func newWalk(c *interp.Curve) walk {
	w := walk{curve: c}
	w.enter(0)
	return w
}

func (w *walk) enter(piece int) {
	from, to := w.curve.Span(piece)
	w.piece, w.end, w.still = piece, to, w.curve.Still(piece)
	if w.still {
		w.state = interp.State{Position: w.curve.Value(from)}
	}
}

// advance goes to t, not before the t of the call before. jump and kink are by
// how much position and speed have jumped on the way.
func (w *walk) advance(t float64) (jump, kink float64) {
	for t >= w.end && w.piece+1 < w.curve.Spans() {
		before, after := w.curve.Before(w.end), w.curve.At(w.end)
		jump += after.Position - before.Position
		kink += after.Speed - before.Speed
		w.enter(w.piece + 1)
	}
	if !w.still {
		w.state = w.curve.At(t)
	}
	return jump, kink
}

// moment is what an actuator meets in one frame.
type moment struct {
	frame      float64      // s, its length
	part, horn interp.State // at its start; equal without a linkage
	jump       float64      // of the horn's position since the frame before
	partKink   float64      // jump of the part's speed since the frame before
	hornKink   float64
	ratio      float64 // dpart/dhorn
}

// reader makes the moments of an axis.
type reader struct {
	axis       *interp.Axis
	part, horn walk
	m          moment
	ratioAt    float64 // position of the part that m.ratio is for
}

func newReader(a *interp.Axis, frame float64) reader {
	r := reader{axis: a, part: newWalk(a.Part), horn: newWalk(a.Horn), ratioAt: math.NaN()}
	r.m = moment{frame: frame, ratio: 1}
	return r
}

// advance gives the moment at t. It is good until the next call.
func (r *reader) advance(t float64) *moment {
	m := &r.m
	jump, kink := r.part.advance(t)
	m.part, m.partKink = r.part.state, kink
	m.horn, m.hornKink, m.jump = m.part, kink, jump
	if r.axis.Spec.Linkage == nil {
		return m
	}
	m.jump, m.hornKink = r.horn.advance(t)
	m.horn = r.horn.state
	if m.part.Position != r.ratioAt {
		r.ratioAt = m.part.Position
		m.ratio = r.ratio()
	}
	return m
}

// ratio gives the way of the part for a way of the horn. Beyond the linkage's
// reach it is that of the end.
func (r *reader) ratio() float64 {
	link := r.axis.Spec.Linkage
	_, _, low, high := link.Range()
	_, slope, _, _, ok := link.Horn(max(low, min(high, r.ratioAt)))
	if !ok || slope == 0 {
		return 1
	}
	return 1 / slope
}
