package drive

import "limberjack/interp"

// Recorder is Run and Simulate in one pass, for a reader that needs the sums and
// the moments of the same play.
type Recorder struct {
	Every  float64                     // s between two samples, over 0
	Axis   func(k, axis int, s Sample) // called for sample k, at k times Every; axes count as in the rig
	Supply func(k, supply int, s Rail) // likewise
	Stop   func() bool                 // asked at every sample: true gives up. Nil: never
}

// Parts splits the work by supplies, as the function Parts does: the trace is that
// of Run once every part was called once, in any order or at the same time. Axis and
// Supply are called for one axis or supply from one part only, in order of time. A
// part that was stopped gives false, and the trace is then of no use.
func (c Recorder) Parts(p *interp.Performance) (*Trace, []func() bool) {
	tr := newTrace(p)
	s := newSampler(p, tr)
	var parts []func() bool
	for i, r := range s.rails {
		parts = append(parts, func() bool { return c.record(s, i, r) })
	}
	return tr, parts
}

// record plays rail i to its end.
func (c Recorder) record(s *sampler, i int, r *rail) bool {
	last := 0.0
	var time, value [1]float64
	give := func(k, axis int) {
		s.cursors[axis].Fill(value[:], time[:])
		s.axes[axis].Commanded = value[0]
		c.Axis(k, axis, s.axes[axis])
	}
	for k := 0; ; k++ {
		t := float64(float64(k) * c.Every)
		if t > r.length+instant {
			break
		}
		if c.Stop != nil && c.Stop() {
			return false
		}
		s.read(i, r, t, t-last)
		last, time[0] = t, t
		for _, d := range r.motors {
			give(k, d.index)
		}
		for _, p := range r.lamps {
			give(k, p.index)
		}
		if i < len(s.supplies) {
			c.Supply(k, i, s.supplies[i])
		}
	}
	r.advance(r.length)
	r.finish()
	return true
}
