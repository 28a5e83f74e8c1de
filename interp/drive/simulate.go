package drive

import (
	"errors"

	"limberjack/interp"
)

// Sample is one axis at one moment. Ways are of the part, in the axis's unit. The
// command of a motor and of a continuous servo is a drive in percent; what is
// predicted there is the speed in percent of that without load, and Speed is the
// shaft's in deg/s.
type Sample struct {
	Commanded float64 // where the script has it
	Predicted float64 // where it is
	Speed     float64 // unit/s
	Current   float64 // A, the mean since the sample before
	Peak      float64 // A, the greatest since then
}

// Rail is one supply at one moment.
type Rail struct {
	Voltage float64 // V at the terminals, the mean since the sample before
	Least   float64 // V, the least since then
	Current float64 // A, the mean since then
	Peak    float64 // A, the greatest since then
}

// errEvery is the only thing that can be wrong with a call of Simulate.
var errEvery = errors.New("the time between two samples has to be over 0 s")

// Simulate plays a performance as Run does and calls visit at every multiple of
// every seconds from 0 to the end, in order of time, with the axes and supplies
// in the rig's order. The slices are good until visit returns. It stops at the
// first error of visit and returns it. Memory does not grow with the length, and
// a sample costs no allocation.
func Simulate(p *interp.Performance, every float64, visit func(t float64, axes []Sample, supplies []Rail) error) error {
	if !(every > 0) {
		return errEvery
	}
	s := newSampler(p, newTrace(p))
	for k := 0; ; k++ {
		t := float64(float64(k) * every)
		if t > p.Length+instant {
			return nil
		}
		s.take(t)
		if err := visit(t, s.axes, s.supplies); err != nil {
			return err
		}
	}
}

// sampler reads rails at given times.
type sampler struct {
	rails    []*rail
	cursors  []interp.Cursor
	axes     []Sample
	supplies []Rail
	charges  []float64 // A s, of the axes up to the last sample
	before   []railSum
	last     float64
	time     [1]float64
	value    [1]float64
}

// railSum is what a rail has counted up to a sample.
type railSum struct{ charge, volt float64 }

func newSampler(p *interp.Performance, tr *Trace) *sampler {
	s := &sampler{rails: railsOf(p, tr), axes: make([]Sample, len(p.Axes)), supplies: make([]Rail, len(p.Rig.Supplies)),
		charges: make([]float64, len(p.Axes)), before: make([]railSum, len(p.Rig.Supplies))}
	for _, a := range p.Axes {
		s.cursors = append(s.cursors, a.Part.Cursor())
	}
	return s
}

func (s *sampler) take(t float64) {
	s.time[0] = t
	for i := range s.axes {
		s.cursors[i].Fill(s.value[:], s.time[:])
		s.axes[i].Commanded = s.value[0]
	}
	w := t - s.last
	s.last = t
	for i, r := range s.rails {
		s.read(i, r, t, w)
	}
}

// read reads rail i at t, w seconds after its last sample. It touches nothing that
// belongs to another rail.
func (s *sampler) read(i int, r *rail, t, w float64) {
	r.advance(t)
	if r.at <= t+instant {
		r.events()
	}
	over := max(0, r.at-t)
	for _, d := range r.motors {
		s.motor(r, d, t, w, over)
	}
	volt := r.volt
	if i < len(s.supplies) {
		volt = s.supply(&s.supplies[i], &s.before[i], r, w, over)
	}
	for _, p := range r.lamps {
		p.draw(volt, volt)
		s.axes[p.index] = Sample{Commanded: s.axes[p.index].Commanded, Predicted: p.value, Current: p.mean, Peak: p.peak}
	}
}

// motor reads an axis at t, w seconds after the last sample; its rail is over
// seconds ahead.
func (s *sampler) motor(r *rail, d *driven, t, w, over float64) {
	out := &s.axes[d.index]
	out.Predicted, out.Speed = d.glimpse(t, r.before, r.at)
	charge := d.tally.charge
	if d.asleep {
		charge += float64(d.idle * (t - d.since))
	} else {
		charge -= float64(d.mean * over)
	}
	out.Current, out.Peak = d.mean, max(d.greatest, d.mean)
	if w > 0 {
		out.Current = (charge - s.charges[d.index]) / w
	}
	s.charges[d.index] = charge
	d.greatest = 0
}

// glimpse gives the part's position and speed at t, between two steps.
func (d *driven) glimpse(t, before, at float64) (part, speed float64) {
	if d.loop == nil {
		return d.part(), d.shaft.speed
	}
	now, loose := d.shaft.position, d.loose
	if !d.asleep && at > t && at > before {
		d.shaft.position = d.was + float64((now-d.was)*((t-before)/(at-before)))
	}
	part = d.part()
	_, ratio := d.geared()
	d.shaft.position, d.loose = now, loose
	return part, d.shaft.speed * ratio
}

// supply reads a supply, and gives its mean voltage.
func (s *sampler) supply(out *Rail, before *railSum, r *rail, w, over float64) float64 {
	sum := railSum{r.tally.charge - float64(r.tally.lastMean*over), r.voltTime - float64(r.volt*over)}
	*out = Rail{Voltage: r.volt, Least: r.leastSince, Current: r.tally.lastMean, Peak: r.peakSince}
	if w > 0 {
		out.Voltage, out.Current = (sum.volt-before.volt)/w, (sum.charge-before.charge)/w
	} else {
		out.Current = r.present()
		out.Least, out.Peak = out.Voltage, out.Current
	}
	*before = sum
	r.leastSince, r.peakSince = r.volt, 0
	return out.Voltage
}

// present gives the current of this moment, before any step.
func (r *rail) present() float64 {
	sum := r.constant + float64(r.perOhm*r.volt)
	for _, d := range r.awake {
		sum += d.mean
	}
	return sum
}
