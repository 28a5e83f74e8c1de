package web

import (
	"encoding/binary"
	"math"
	"runtime/debug"
	"sync"
	"sync/atomic"

	"limberjack/interp"
	"limberjack/interp/drive"
	"limberjack/sequence"
	"limberjack/transport/plot"
)

// Bounds of curves.
const (
	mostCurveRate   = 250.0  // samples a second
	mostCurveValues = 8e6    // of all curves of a motion: 32 MB
	curveHead       = 24     // bytes before the first value
	sampleBlock     = 512    // samples that are computed at once
	curveMagic      = "LJCV" // what a body of curves begins with
	curveVersion    = 1
)

// layout says where each curve of a motion is, and how finely it is sampled.
type layout struct {
	rate    float64 // Hz
	samples int
	count   int

	commanded []int // by axis
	predicted []int // by axis; -1: what is predicted is what is commanded
	controls  []int // by control; -1: the control has no row
	current   []int // by supply
	volts     []int // by supply
}

func layoutOf(p *interp.Performance) layout {
	var l layout
	next := func(list *[]int) { *list = append(*list, l.count); l.count++ }
	for _, a := range p.Axes {
		next(&l.commanded)
		switch a.Spec.Kind {
		case sequence.Dimmer, sequence.Switch:
			l.predicted = append(l.predicted, -1)
		default:
			next(&l.predicted)
		}
	}
	shown := controlsOf(p.Script)
	for _, c := range p.Controls {
		if _, _, moves := plot.RangeOf(c.Curve); moves || shown[c.Spec] {
			next(&l.controls)
		} else {
			l.controls = append(l.controls, -1)
		}
	}
	for range p.Rig.Supplies {
		next(&l.current)
		next(&l.volts)
	}
	l.rate = sampleRate(p.Length, l.count)
	l.samples = max(2, int(math.Ceil(float64(p.Length*l.rate)-1e-9))+1)
	return l
}

// controlsOf gives the controls that a motion speaks of.
func controlsOf(s *sequence.Script) map[*sequence.Control]bool {
	out := map[*sequence.Control]bool{}
	for _, t := range s.Merged {
		if len(t.Keys) > 0 {
			out[t.Target.Control] = true
		}
	}
	for _, l := range s.Layers {
		out[l.Target.Control] = true
	}
	return out
}

// sampleRate gives the samples a second of count curves of a length in s: a whole
// number where it is over 1.
func sampleRate(length float64, count int) float64 {
	rate := mostCurveRate
	if room := mostCurveValues/math.Max(1, float64(count)) - 2; length > 0 && room/length < rate {
		rate = math.Max(1, room) / length
	}
	if rate > 1 {
		rate = math.Floor(rate)
	}
	return rate
}

// recording is the curves of a motion on their way into bytes: "LJCV", version,
// rate, sizes, then each curve's samples as float32, all little endian.
type recording struct {
	layout
	body []byte
}

func newRecording(l layout) *recording {
	b := make([]byte, 0, curveHead+4*l.samples*l.count)
	b = append(b, curveMagic...)
	b = binary.LittleEndian.AppendUint16(b, curveVersion)
	b = binary.LittleEndian.AppendUint16(b, 0)
	b = binary.LittleEndian.AppendUint64(b, math.Float64bits(l.rate))
	b = binary.LittleEndian.AppendUint32(b, uint32(l.samples))
	b = binary.LittleEndian.AppendUint32(b, uint32(l.count))
	return &recording{l, b[:cap(b)]}
}

// put sets sample k of a curve; curve -1 is nowhere.
func (r *recording) put(curve, k int, v float64) {
	if curve >= 0 && k < r.samples {
		binary.LittleEndian.PutUint32(r.body[curveHead+4*(curve*r.samples+k):], math.Float32bits(float32(v)))
	}
}

// hold repeats the last known sample of a curve up to its end.
func (r *recording) hold(curve, known int) {
	if curve < 0 || known <= 0 {
		return
	}
	from := curveHead + 4*curve*r.samples
	for k := known; k < r.samples; k++ {
		copy(r.body[from+4*k:from+4*k+4], r.body[from+4*(known-1):])
	}
}

// record plays a performance on the drive model, the supplies side by side, and
// gives its trace and its curves. It gives up when stop says so, which ok tells; a
// panic in one of the parts is passed on to the caller.
func record(p *interp.Performance, l layout, stop func() bool) (trace *drive.Trace, body []byte, ok bool) {
	r := newRecording(l)
	seen := make([]int, l.count) // samples of each curve
	trace, parts := drive.Recorder{Every: 1 / l.rate, Stop: stop,
		Axis: func(k, axis int, s drive.Sample) {
			r.put(l.commanded[axis], k, s.Commanded)
			seen[l.commanded[axis]] = k + 1
			if c := l.predicted[axis]; c >= 0 {
				r.put(c, k, s.Predicted)
				seen[c] = k + 1
			}
		},
		Supply: func(k, supply int, s drive.Rail) {
			r.put(l.current[supply], k, s.Peak)
			r.put(l.volts[supply], k, s.Least)
			seen[l.current[supply]], seen[l.volts[supply]] = k+1, k+1
		}}.Parts(p)
	parts = append(parts, func() bool { return r.controls(p, stop) })
	if !together(parts) {
		return nil, nil, false
	}
	for curve, n := range seen {
		r.hold(curve, n)
	}
	end := float64(l.samples-1) / l.rate
	for i, a := range p.Axes {
		r.put(l.commanded[i], l.samples-1, a.Part.Value(end))
	}
	return trace, r.body, true
}

// controls samples the controls that have a row.
func (r *recording) controls(p *interp.Performance, stop func() bool) bool {
	var ts, values [sampleBlock]float64
	for i, c := range p.Controls {
		if r.layout.controls[i] < 0 {
			continue
		}
		cursor := c.Curve.Cursor()
		for k := 0; k < r.samples; k += sampleBlock {
			if stop != nil && stop() {
				return false
			}
			n := min(sampleBlock, r.samples-k)
			for j := range n {
				ts[j] = float64(k+j) / r.rate
			}
			cursor.Fill(values[:n], ts[:n])
			for j := range n {
				r.put(r.layout.controls[i], k+j, values[j])
			}
		}
	}
	return true
}

// crash is a panic of another goroutine, with where it was.
type crash struct {
	what  any
	stack []byte
}

// together runs parts side by side and reports whether all say true. A panic in one
// becomes a panic here.
func together(parts []func() bool) bool {
	var wait sync.WaitGroup
	var stopped atomic.Bool
	var crashed atomic.Pointer[crash]
	for _, part := range parts {
		wait.Go(func() {
			defer func() {
				if what := recover(); what != nil {
					crashed.CompareAndSwap(nil, &crash{what, debug.Stack()})
				}
			}()
			if !part() {
				stopped.Store(true)
			}
		})
	}
	wait.Wait()
	if c := crashed.Load(); c != nil {
		panic(c)
	}
	return !stopped.Load()
}
