package check

import (
	"math"
	"sort"

	"limberjack/interp"
	"limberjack/interp/drive"
	"limberjack/sequence"
)

// Link is what a board's link has to carry; the sizes of the wire's messages
// are not this package's to know.
type Link struct {
	Board         *sequence.Board
	BytesPerFrame float64
}

// Run judges a performance. trace is its current budget. The cost is linear in
// the number of pieces of the curves.
func Run(p *interp.Performance, trace *drive.Trace, links []Link) *Report {
	report, _ := Again(p, trace, links, nil)
	return report
}

// Again is Run for a performance that may differ little from another one: what was
// measured of that one is used where the curves are the same to the bit, so that the
// report is that of Run. last may be nil. It gives what it has measured itself.
func Again(p *interp.Performance, trace *drive.Trace, links []Link, last *Measures) (*Report, *Measures) {
	c := &checker{perf: p, rig: p.Rig, report: &Report{File: p.Script.File, Duration: p.Length}, groups: map[groupKey]int{}, measures: measure(p, last)}
	for _, a := range p.Axes {
		c.axis(a)
	}
	c.never()
	c.quiet()
	c.releases(trace)
	c.cues()
	c.paceAndSound()
	c.budget(trace)
	c.inrush(drive.PowerUp(p))
	c.links(links)
	c.report.sort(p.Script.File)
	return c.report, c.measures
}

// RunRig judges a rig alone: what can be said before there is a motion.
func RunRig(r *sequence.Rig) *Report {
	c := &checker{rig: r, report: &Report{File: r.File}, groups: map[groupKey]int{}}
	for _, a := range r.Axes {
		c.limitOrigins(a)
		c.standIns(a)
		c.restHolding(a)
	}
	c.report.sort(r.File)
	return c.report
}

// checker collects the findings of one performance.
type checker struct {
	perf   *interp.Performance
	rig    *sequence.Rig
	report *Report
	groups map[groupKey]int

	measures *Measures
}

// groupKey is what findings are joined by: one finding a rule, axis and place in
// the file, with the worst moment in it.
type groupKey struct {
	rule string
	axis string
	at   sequence.Pos
}

func (c *checker) add(f Finding) { c.report.Findings = append(c.report.Findings, f) }

// join adds a finding, or widens the one that the same rule has for the same
// axis and place; of both, the worse one speaks.
func (c *checker) join(f Finding) *Finding {
	key := groupKey{f.Rule, f.Axis, f.At}
	i, ok := c.groups[key]
	if !ok {
		c.groups[key] = len(c.report.Findings)
		c.add(f)
		return &c.report.Findings[len(c.report.Findings)-1]
	}
	have := &c.report.Findings[i]
	have.From, have.To = math.Min(have.From, f.From), math.Max(have.To, f.To)
	if f.excess() > have.excess() {
		f.From, f.To = have.From, have.To
		*have = f
	}
	return have
}

// excess says how bad a finding is beside others of its rule: by how much a value
// is above what is allowed, or below what is needed.
func (f Finding) excess() float64 {
	switch f.Rule {
	case "reversal", "switch-time":
		return -f.Value
	case "dead-band", "resolution":
		return -f.Value
	}
	return math.Abs(f.Value - f.Limit)
}

// axis runs all checks of one axis.
func (c *checker) axis(a *interp.Axis) {
	x := newAxisCheck(c, a)
	x.summary()
	c.limitOrigins(a.Spec)
	c.standIns(a.Spec)
	x.travel()
	x.rates()
	x.joints()
	x.runs()
	x.firstPose()
	x.seam()
	x.together()
	x.stepper()
	x.reversals()
	x.switching()
	x.wear()
}

// sort puts findings into the order of the files, the named one first, and of
// the places in them; findings without a place come last.
func (r *Report) sort(first string) {
	sort.SliceStable(r.Findings, func(i, j int) bool {
		a, b := r.Findings[i], r.Findings[j]
		if a.At.File != b.At.File {
			if a.At.File == first || b.At.File == first {
				return a.At.File == first
			}
			return a.At.File < b.At.File
		}
		if a.At.Line != b.At.Line {
			return a.At.Line < b.At.Line
		}
		if a.At.Column != b.At.Column {
			return a.At.Column < b.At.Column
		}
		return a.Level < b.Level
	})
}

// Worst gives the gravest level among the findings; ok is false without any.
func (r *Report) Worst() (worst Level, ok bool) {
	worst = Note
	for _, f := range r.Findings {
		worst = min(worst, f.Level)
	}
	return worst, len(r.Findings) > 0
}

// OK reports whether there is no finding at error level.
func (r *Report) OK() bool { w, any := r.Worst(); return !any || w != Error }

// Count gives how many findings there are of a level.
func (r *Report) Count(l Level) int {
	n := 0
	for _, f := range r.Findings {
		if f.Level == l {
			n++
		}
	}
	return n
}
