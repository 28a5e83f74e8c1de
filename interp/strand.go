package interp

import (
	"fmt"
	"math"
	"sort"

	"limberjack/interp/ease"
	"limberjack/interp/linkage"
	"limberjack/interp/poly"
	"limberjack/interp/spline"
	"limberjack/sequence"
)

// Source is the place in the documents that a stretch of a curve comes from.
type Source struct {
	At    sequence.Pos
	Track *sequence.Track // of a segment: its track, and
	Key   int             // the index of the key that it arrives at; -1 before the first
	Layer *sequence.Layer // of a layer
	Cue   bool            // set by a cue
}

// strand is one contribution to a curve, over script time.
type strand struct {
	pieces  []piece
	sources []Source // one a piece
}

func (s *strand) add(p piece, src Source) {
	if p.t1 > p.t0 {
		s.pieces = append(s.pieces, p)
		s.sources = append(s.sources, src)
	}
}

func (s *strand) constant(from, to, value float64, src Source) {
	s.add(piece{t0: from, t1: to, c: []float64{value}}, src)
}

// source gives the source of what the strand does at t.
func (s *strand) source(t float64) Source {
	c := Curve{s.pieces}
	return s.sources[c.find(t)]
}

var forever = math.Inf(1)

// compiler holds what the strands of one motion share.
type compiler struct {
	script *sequence.Script
	cuts   map[ease.Func][]float64
}

// trackStrand makes the piecewise curve of a track: one segment or more for each
// pair of keys, holds before the first and after the last.
func (c *compiler) trackStrand(tr *sequence.Track) (*strand, error) {
	s := &strand{}
	keys := tr.Keys
	if keys[0].Time > 0 {
		s.constant(0, keys[0].Time, keys[0].Value, Source{keys[0].At, tr, -1, nil, false})
	}
	for i := 1; i < len(keys); {
		kind := keys[i].Ease.Spline()
		switch {
		case keys[i].Soonest:
			c.soonest(s, tr, i)
		case kind != ease.None:
			last := i
			for last+1 < len(keys) && !keys[last+1].Soonest && keys[last+1].Ease.Spline() == kind {
				last++
			}
			if err := c.splineRun(s, tr, i, last, kind); err != nil {
				return nil, err
			}
			i = last
		default:
			c.segment(s, tr, i)
		}
		i++
	}
	last := keys[len(keys)-1]
	s.constant(last.Time, forever, last.Value, Source{last.At, tr, len(keys) - 1, nil, false})
	return s, nil
}

// segment makes the pieces of one eased move.
func (c *compiler) segment(s *strand, tr *sequence.Track, i int) {
	a, b := tr.Keys[i-1], tr.Keys[i]
	src := Source{b.At, tr, i, nil, false}
	span, duration := b.Value-a.Value, b.Time-a.Time
	if span == 0 {
		s.constant(a.Time, b.Time, a.Value, src)
		return
	}
	for _, part := range b.Ease.Parts() {
		p := piece{t0: a.Time + float64(part.X0*duration), t1: a.Time + float64(part.X1*duration)}
		if part.X1 == 1 {
			p.t1 = b.Time
		}
		if part.Func != nil {
			p.c = []float64{a.Value}
			p.terms = []term{easeTerm{f: part.Func, k: span, x0: part.X0, rate: 1 / duration, cuts: c.cutsOf(part.Func)}}
		} else {
			p.c = stretched(part.Poly, a.Value, span, duration)
		}
		s.add(p, src)
	}
}

func (c *compiler) cutsOf(f ease.Func) []float64 {
	cuts, ok := c.cuts[f]
	if !ok {
		cuts = f.Splits()
		c.cuts[f] = cuts
	}
	return cuts
}

// stretched gives value + span p(u/duration) as coefficients in u.
func stretched(p []float64, value, span, duration float64) []float64 {
	out := make([]float64, len(p))
	k := span
	for n, x := range p {
		out[n] = x * k
		k /= duration
	}
	out[0] += value
	return out
}

func (c *compiler) splineRun(s *strand, tr *sequence.Track, first, last int, kind ease.Spline) error {
	n := last - first + 2
	t, y := make([]float64, n), make([]float64, n)
	for i := range n {
		k := tr.Keys[first-1+i]
		t[i], y[i] = k.Time, k.Value
	}
	cubics, err := spline.Build(make([]spline.Cubic3, 0, n-1), splineKinds[kind], t, y)
	if err != nil {
		return fmt.Errorf("%s: %w", tr.Keys[first].At, err)
	}
	coefficients := make([]float64, 4*len(cubics))
	for i, q := range cubics {
		dst := coefficients[4*i : 4*i+4 : 4*i+4]
		copy(dst, q[:])
		s.add(piece{t0: t[i], t1: t[i+1], c: dst}, Source{tr.Keys[first+i].At, tr, first + i, nil, false})
	}
	return nil
}

var splineKinds = map[ease.Spline]spline.Kind{ease.Pchip: spline.Pchip, ease.Akima: spline.Akima,
	ease.Cubic: spline.Cubic, ease.Natural: spline.Natural, ease.CatmullRom: spline.CatmullRom}

// soonest makes the pieces of the quickest move to a key and of the wait there.
// On an axis with a linkage the profile is the horn's.
func (c *compiler) soonest(s *strand, tr *sequence.Track, i int) {
	a, b := tr.Keys[i-1], tr.Keys[i]
	src := Source{b.At, tr, i, nil, false}
	profile, _ := tr.Target.Soonest(a.Value, b.Value)
	var link linkage.Linkage
	start := a.Value
	if tr.Target.Axis != nil && tr.Target.Axis.Linkage != nil {
		link = tr.Target.Axis.Linkage
		start, _, _, _, _ = link.Horn(a.Value)
	}
	end, first := a.Time, len(s.pieces)
	for _, ph := range profile.Phases(nil) {
		p := piece{t0: a.Time + ph.T0, t1: a.Time + ph.T1, c: append([]float64(nil), ph.C[:]...)}
		p.c[0] += start
		if link != nil {
			horn := p
			p.c = nil
			p.terms = []term{linkTerm{link: link, inner: horn, k: 1}}
		}
		s.add(p, src)
		end = p.t1
	}
	s.constant(end, b.Time, b.Value, src)
	// The pieces must meet without a gap.
	for k := max(1, first); k < len(s.pieces); k++ {
		s.pieces[k-1].t1 = s.pieces[k].t0
	}
}

// cueStrand makes the curve of an axis that cues set.
func cueStrand(a *sequence.Axis, cues []sequence.Cue) *strand {
	s := &strand{}
	from, value, src := 0.0, a.Rest.V, Source{At: a.At, Key: -1, Cue: true}
	for _, cue := range cues {
		for _, set := range cue.Set {
			if set.Axis == a {
				s.constant(from, cue.Time, value, src)
				from, value, src = cue.Time, set.Value, Source{At: set.At, Key: -1, Cue: true}
			}
		}
	}
	s.constant(from, forever, value, src)
	return s
}

// summand is a strand with its share of a sum.
type summand struct {
	share  float64
	strand *strand
}

// sum adds strands into one piecewise curve over script time. Its cost is linear
// in the number of pieces of all of them.
func sum(parts []summand) []piece {
	if len(parts) == 1 && parts[0].share == 1 {
		return parts[0].strand.pieces
	}
	var out []piece
	at := make([]int, len(parts))
	for from := 0.0; ; {
		to := forever
		for k, part := range parts {
			to = math.Min(to, part.strand.pieces[at[k]].t1)
		}
		p := piece{t0: from, t1: to}
		for k, part := range parts {
			p.include(&part.strand.pieces[at[k]], part.share)
		}
		out = append(out, p)
		if math.IsInf(to, 1) {
			return out
		}
		for k, part := range parts {
			for part.strand.pieces[at[k]].t1 <= to {
				at[k]++
			}
		}
		from = to
	}
}

// include adds share times another piece, which covers this one's span.
func (p *piece) include(o *piece, share float64) {
	by := p.t0 - o.t0
	var buf [24]float64
	c := append(buf[:0], o.c...)
	if by != 0 && len(c) > 1 {
		c = poly.Shift(c, o.c, by)
	}
	for len(p.c) < len(c) {
		p.c = append(p.c, 0)
	}
	for n, x := range c {
		p.c[n] += float64(share * x)
	}
	for _, t := range o.terms {
		if by != 0 {
			t = t.shift(by)
		}
		if share != 1 {
			t = t.scale(share)
		}
		p.terms = append(p.terms, t)
	}
}

func sortedCues(cues []sequence.Cue) []sequence.Cue {
	out := append([]sequence.Cue(nil), cues...)
	sort.SliceStable(out, func(i, j int) bool { return out[i].Time < out[j].Time })
	return out
}
