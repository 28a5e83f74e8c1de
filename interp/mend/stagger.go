package mend

import (
	"fmt"
	"math"
	"sort"

	"limberjack/interp"
	"limberjack/interp/ease"
	"limberjack/sequence"
)

// StaggerOptions are what a stagger needs of a model of the drives.
type StaggerOptions struct {
	// Loads gives the currents of the supplies, as for Options. Required.
	Loads func(*interp.Performance) []Load
	// Currents gives the mean current in A of every axis over each stretch of so
	// many seconds: by axis, and moment. Required.
	Currents func(p *interp.Performance, every float64) [][]float64
	// Accept reports whether a performance with moves put off is as good as the one
	// without in all but its currents. Nil: it is.
	Accept func(*interp.Performance) bool
}

// Staggering is the outcome of Stagger.
type Staggering struct {
	Performance *interp.Performance
	Delays      []Delay
	Idle        []Idle // slack that cannot be used
	Before      []Load // the greatest of each supply that has a limit
	After       []Load
}

// Delay is a move that starts and arrives later.
type Delay struct {
	At      sequence.Pos // of the key's time, or of the placement
	Name    string       // of the axis or control, or of what is placed
	From    float64      // s of script time at which it is written
	Seconds float64
}

// Idle is slack that cannot be used, and why.
type Idle struct {
	At  sequence.Pos
	Why string
}

// Stagger puts moves off, each within its slack, so that the peaks of current of
// a supply do not coincide. A move is shifted as a whole, at the speed that it
// has, together with the moves that follow without a rest. It changes as little
// as it finds to be enough: where every supply holds, nothing.
//
// The search adds up the currents of the axes as they were before, move by move:
// it goes through the moves until no single one gets better (coordinate descent),
// from two beginnings. What it finds is written, read back and judged by Loads.
func Stagger(s *sequence.Script, text Rewriting, o StaggerOptions) (*Staggering, error) {
	p, err := interp.Compile(s)
	if err != nil {
		return nil, err
	}
	out := &Staggering{Performance: p, Before: worstLoads(o.Loads(p))}
	out.After = out.Before
	b := &bundler{script: s, text: text, units: map[sequence.Pos]*unit{}}
	b.run()
	out.Idle = b.idle
	if over(out.Before) <= 1 || len(b.bundles) == 0 {
		return out, nil
	}
	k := newPacker(p, b.bundles, o.Currents)
	best := excessOf(o.Loads(p))
	var chosen []float64
	for range packings + len(b.bundles) {
		k.pack()
		if k.still() {
			break
		}
		moved, err := b.write(k.delays)
		if err != nil {
			return nil, err
		}
		if o.Accept != nil && !o.Accept(moved) {
			if err := k.giveUp(b, o.Accept); err != nil {
				return nil, err
			}
			continue
		}
		all := o.Loads(moved)
		loads := worstLoads(all)
		if excess := excessOf(all); excess < best-leastGain {
			best, chosen = excess, append([]float64(nil), k.delays...)
			out.Performance, out.After = moved, loads
		}
		if best == 0 {
			break
		}
		k.margin += 0.01 + math.Max(0, over(loads)-k.worst())
	}
	if chosen == nil {
		chosen = make([]float64, len(b.bundles))
	}
	// The text is to be that of the choice, not of what was tried last.
	if out.Performance, err = b.write(chosen); err != nil {
		return nil, err
	}
	for i, g := range b.bundles {
		if chosen[i] > 0 {
			out.Delays = append(out.Delays, Delay{At: g.at, Name: g.name, From: g.from, Seconds: chosen[i]})
		}
	}
	return out, nil
}

const (
	packings  = 8    // beside those that give a bundle up
	leastGain = 1e-4 // of the excess: 1 % of a limit, squared
	slotTime  = 0.01 // s: the step of delays and currents
	loadSlots = 10   // slots over which a supply is judged
)

// worstLoads gives the greatest load of each supply with a limit.
func worstLoads(list []Load) []Load {
	var out []Load
next:
	for _, l := range list {
		if !l.Supply.Limit.Given() || l.Supply.Limit.V <= 0 {
			continue
		}
		for i := range out {
			if out[i].Supply.Name == l.Supply.Name {
				if l.Current > out[i].Current {
					out[i] = l
				}
				continue next
			}
		}
		out = append(out, l)
	}
	return out
}

// excessOf sums up by how much supplies are over their limits: the squares of the
// shares, so that one peak that cannot be helped does not hide the others.
func excessOf(list []Load) float64 {
	sum := 0.0
	for _, l := range list {
		if l.Supply.Limit.Given() && l.Supply.Limit.V > 0 && l.Current > l.Supply.Limit.V {
			d := l.Current/l.Supply.Limit.V - 1
			sum += float64(d * d)
		}
	}
	return sum
}

// over gives the greatest load as a ratio to its limit.
func over(list []Load) float64 {
	worst := 0.0
	for _, l := range list {
		worst = math.Max(worst, l.Current/l.Supply.Limit.V)
	}
	return worst
}

// unit is what moves together of itself: a key, or all of a placement.
type unit struct {
	at     sequence.Pos
	place  *sequence.Place
	keys   []spot
	slack  float64
	locked bool
}

// spot is a key of a merged track.
type spot struct{ track, key int }

// bundle is the units that have to be put off together.
type bundle struct {
	at    sequence.Pos
	name  string
	from  float64
	units []*unit
	most  float64 // s that it can be put off
	step  float64 // s
	why   string  // it cannot be
}

// refuse notes the first reason why a bundle cannot be put off.
func (g *bundle) refuse(why string) {
	if g.why == "" {
		g.why = why
	}
}

// bundler finds what can be put off.
type bundler struct {
	script  *sequence.Script
	text    Rewriting
	units   map[sequence.Pos]*unit
	bundles []*bundle
	idle    []Idle
}

func (b *bundler) unitOf(s spot) *unit {
	k := b.key(s)
	at, slack, locked := k.TimeAt, k.Slack, k.Locked
	if k.Place != nil {
		at, slack, locked = k.Place.At, k.Place.Slack, k.Place.Locked || k.Locked
	}
	u := b.units[at]
	if u == nil {
		u = &unit{at: at, place: k.Place, slack: slack}
		b.units[at] = u
	}
	u.locked = u.locked || locked
	return u
}

func (b *bundler) key(s spot) sequence.Key { return b.script.Merged[s.track].Keys[s.key] }

// run finds the bundles, in order of their first move.
func (b *bundler) run() {
	var order []*unit
	for i, tr := range b.script.Merged {
		for j := range tr.Keys {
			u := b.unitOf(spot{i, j})
			if len(u.keys) == 0 {
				order = append(order, u)
			}
			u.keys = append(u.keys, spot{i, j})
		}
	}
	taken := map[*unit]bool{}
	for _, u := range order {
		if u.slack <= 0 || taken[u] {
			continue
		}
		g := b.bundle(u)
		for _, v := range g.units {
			taken[v] = true
		}
		if g.most < g.step*(1-1e-9) {
			g.refuse("nothing but " + sequence.FormatSeconds(math.Max(0, g.most)) + " is free before what comes next")
		}
		if g.why != "" {
			b.idle = append(b.idle, Idle{u.at, g.why})
			continue
		}
		b.bundles = append(b.bundles, g)
	}
	sort.SliceStable(b.bundles, func(i, j int) bool { return b.bundles[i].from < b.bundles[j].from })
}

// bundle takes in all that has to move with a unit.
func (b *bundler) bundle(u *unit) *bundle {
	g := &bundle{at: u.at, from: math.Inf(1), most: u.slack, step: slotTime}
	in := map[*unit]bool{}
	take := func(v *unit) {
		if !in[v] {
			in[v] = true
			g.units = append(g.units, v)
		}
	}
	take(u)
	for i := 0; i < len(g.units); i++ {
		v := g.units[i]
		if v.slack > 0 {
			g.most = math.Min(g.most, v.slack)
		}
		for _, s := range v.keys {
			b.before(g, v, s, in, take)
			b.after(g, s, in, take)
			if t := b.key(s).Time; t < g.from {
				g.from = t
			}
			g.step = math.Max(g.step, b.text.Step(b.key(s).Time))
		}
		if v.locked {
			g.refuse("a lock keeps part of it in its place")
		}
	}
	g.most = math.Min(g.most, b.room(g, in))
	g.name = b.script.Merged[u.keys[0].track].Target.Name()
	switch {
	case u.place != nil && u.place.Phrase != nil:
		g.name = u.place.Phrase.Name
	case u.place != nil:
		g.name = u.place.Pose.Name
	}
	return g
}

// arrives reports whether something moves in the segment that arrives at a key.
func (b *bundler) arrives(s spot) bool {
	if s.key == 0 {
		return false
	}
	k := b.key(s)
	return k.Value != b.key(spot{s.track, s.key - 1}).Value || k.Ease.Spline() != ease.None || k.Soonest
}

// before takes in the key that the move to s starts from: it has to be free of
// the move before it.
func (b *bundler) before(g *bundle, v *unit, s spot, in map[*unit]bool, take func(*unit)) {
	if !b.arrives(s) {
		return
	}
	start := spot{s.track, s.key - 1}
	w := b.unitOf(start)
	switch {
	case in[w]:
	case w.slack > 0 && !w.locked:
		take(w)
	case v.place != nil && v.place.Phrase != nil && b.key(s).Ease.Spline() == ease.None:
		// The way into a phrase takes longer.
	case w.locked:
		g.refuse("a lock keeps part of it in its place")
	case w.place == nil && !b.key(start).Soonest && !b.arrives(start):
		take(w)
	default:
		g.refuse("the move before it ends as it starts: give that slack too, or let the axis rest between them")
	}
}

// after takes in the move that follows without a rest.
func (b *bundler) after(g *bundle, s spot, in map[*unit]bool, take func(*unit)) {
	next := spot{s.track, s.key + 1}
	if next.key >= len(b.script.Merged[s.track].Keys) || !b.arrives(next) {
		return
	}
	w := b.unitOf(next)
	switch {
	case in[w]:
	case w.slack > 0 && !w.locked:
		take(w)
	default:
		g.refuse("the next move starts as it ends: give that slack too, or let the axis rest between them")
	}
}

// room gives how far a bundle can be put off before it meets what comes next on
// any of its tracks, or the end.
func (b *bundler) room(g *bundle, in map[*unit]bool) float64 {
	room := math.Inf(1)
	for _, v := range g.units {
		for _, s := range v.keys {
			t := b.key(s).Time
			next := spot{s.track, s.key + 1}
			switch {
			case next.key < len(b.script.Merged[s.track].Keys):
				if !in[b.unitOf(next)] {
					room = math.Min(room, b.key(next).Time-t-g.step)
				}
			case b.script.LengthAt.Known() || b.script.Loop:
				room = math.Min(room, b.script.Length-t)
			}
		}
	}
	return room
}

// write puts the bundles off, and reads the text back.
func (b *bundler) write(delays []float64) (*interp.Performance, error) {
	by := map[sequence.Pos]float64{}
	for i, g := range b.bundles {
		for _, u := range g.units {
			by[u.at] = delays[i]
		}
	}
	s, err := b.text.Move(sequence.Moves{
		Time:  func(at sequence.Pos, t float64) float64 { return t + by[at] },
		Slack: func(at sequence.Pos, s float64) float64 { return math.Max(0, s-by[at]) },
	})
	if err != nil {
		return nil, fmt.Errorf("with moves put off, the motion does not read back: %w", err)
	}
	return interp.Compile(s)
}
