package mend

import (
	"math"
	"sort"

	"limberjack/interp"
	"limberjack/interp/ease"
	"limberjack/sequence"
)

// Rewriting is the text of a script, whose times can be written anew.
type Rewriting interface {
	// Times gives the script times that stand in the text, ascending, in s.
	Times() []float64
	// Step gives the step of the times that what happens at t can be moved to, in s.
	Step(t float64) float64
	// Move writes the text with its times moved and reads it back.
	Move(m sequence.Moves) (*sequence.Script, error)
}

// Rekeying is the outcome of Rekey.
type Rekeying struct {
	Performance *interp.Performance // of the script with its keys moved
	Changed     bool                // false: the script can be played as it is written
	Written     float64             // s, the length of the script
	Stretched   float64             // s that it has become longer; negative: shorter
	FirstAt     float64             // s up to which everything is where it was
	Parting     float64             // s by which something moved at most
	Missing     []Missing           // locks that cannot be kept
	Left        []Excess            // what is still beyond its limit, as no stretching mends it
}

// Rekey moves the times of the keys, and of all else that a script gives a time,
// so that every axis keeps its limits, with what happened at one time still
// happening at one time. It finds the earliest times under two conditions: no two
// neighbours come nearer to each other (they may at a catch-up, or for the
// fastest), and each move lasts as long as its limits ask for. These are
// differences of times, so that one pass from the start gives the least times of
// all, as in the critical path method (Kelley & Walker 1959, from memory); what a
// move needs is measured on the exact curves, and the pass repeated until the
// result, written and read back, holds. A placed phrase and a run of
// keys of one spline are stretched evenly.
//
// The script must have no pace, and text be its own. Work is proportional to the
// keys and rounds.
func Rekey(s *sequence.Script, text Rewriting, o Options) (*Rekeying, error) {
	if o.CatchUp == 0 {
		o.CatchUp = DefaultCatchUp
	}
	p, err := interp.Compile(s)
	if err != nil {
		return nil, err
	}
	k := newRekeyer(s, p, text, o)
	out := &Rekeying{Performance: p, Written: s.Length, FirstAt: s.Length}
	if out.Left = k.measure(p); !o.Fastest && steepOnly(out.Left) {
		return out, nil
	}
	k.needs(p)
	for range rounds {
		if out.Performance, out.Left, err = k.write(); err != nil {
			return nil, err
		}
		if !k.raise(out.Performance, out.Left) {
			break
		}
	}
	if err := k.relax(out); err != nil {
		return nil, err
	}
	out.Missing = k.missing
	out.Stretched = out.Performance.Length - s.Length
	for e, t := range k.times {
		if d := math.Abs(k.at[e] - t); d > 1e-9 {
			out.Changed = true
			out.FirstAt = math.Min(out.FirstAt, k.times[max(0, e-1)])
			out.Parting = math.Max(out.Parting, d)
		}
	}
	return out, nil
}

// write schedules, writes the text, reads it back and measures it.
func (k *rekeyer) write() (*interp.Performance, []Excess, error) {
	k.schedule()
	script, err := k.text.Move(sequence.Moves{Time: k.moved, Stretch: k.stretched})
	if err != nil {
		return nil, nil, err
	}
	p, err := interp.Compile(script)
	if err != nil {
		return nil, nil, err
	}
	k.index(script)
	return p, k.measure(p), nil
}

const (
	relaxTries = 240    // of shorter moves, the longest stretched first
	relaxKeys  = 20_000 // tries times the times of the script: a long show is written fewer times
	relaxSteps = 5      // halvings a move
	relaxLeast = 0.01   // of a move, below which it is not worth trying
	relaxGain  = 0.02   // s, for which all of them are tried again
)

// relax takes back from one move after the other what it turns out not to need:
// where several moves make one axis or supply exceed a limit, all of them have
// been stretched for it.
func (k *rekeyer) relax(out *Rekeying) error {
	var list []*move
	for i := range k.moves {
		for j := range k.moves[i] {
			if m := &k.moves[i][j]; m.moves && m.stretch() > (m.to-m.from)*relaxLeast {
				list = append(list, m)
			}
		}
	}
	sort.SliceStable(list, func(i, j int) bool { return list[i].stretch() > list[j].stretch() })
	if len(list) == 0 || !k.settled(out.Left) {
		return nil
	}
	k.lacking = total(k.missing)
	current, tries := math.Max(1, worstCurrent(out.Left)), min(relaxTries, relaxKeys/max(1, len(k.times)))
	for again := true; again; {
		again = false
		for _, m := range list {
			if tries -= relaxSteps; tries < 0 || m.stretch() <= (m.to-m.from)*relaxLeast {
				continue
			}
			before := out.Performance.Length
			if err := k.relaxMove(out, m, current); err != nil {
				return err
			}
			again = again || out.Performance.Length < before-relaxGain
		}
	}
	var err error
	out.Performance, out.Left, err = k.write()
	return err
}

// relaxMove looks for the shortest that a move may last, by halving.
func (k *rekeyer) relaxMove(out *Rekeying, m *move, current float64) error {
	need, now := m.need, m.current
	good, low := math.Max(need, now), math.Min(m.to-m.from, math.Max(need, now))
	for range relaxSteps {
		v := (low + good) / 2
		m.need, m.current = math.Min(need, v), math.Min(now, v)
		p, ok, err := k.holds(current)
		if err != nil {
			return err
		}
		if ok && p.Length <= out.Performance.Length+1e-9 && total(k.missing) <= k.lacking+1e-9 {
			good, k.lacking, out.Performance = v, total(k.missing), p
		} else {
			low = v
		}
	}
	m.need, m.current = math.Min(need, good), math.Min(now, good)
	return nil
}

// stretch is by how much longer a move is asked to last than it is written.
func (m *move) stretch() float64 { return math.Max(m.need, m.current) - (m.to - m.from) }

// holds writes and reports whether every axis is within its limits and every
// supply within a ratio to its own. The model of the drives, which takes longest,
// is asked last.
func (k *rekeyer) holds(current float64) (*interp.Performance, bool, error) {
	loads := k.options.Loads
	k.options.Loads = nil
	p, left, err := k.write()
	k.options.Loads = loads
	if err != nil || !k.settled(left) || loads == nil {
		return p, err == nil && k.settled(left), err
	}
	for _, l := range loads(p) {
		if l.Supply.Limit.Given() && l.Supply.Limit.V > 0 && l.Current > l.Supply.Limit.V*current {
			return p, false, nil
		}
	}
	return p, true, nil
}

// settled reports whether every axis is within what stretching can mend.
func (k *rekeyer) settled(left []Excess) bool {
	for _, e := range left {
		if !e.Steep && e.Kind != Current {
			return false
		}
	}
	return true
}

func worstCurrent(left []Excess) (ratio float64) {
	for _, e := range left {
		if e.Kind == Current {
			ratio = math.Max(ratio, e.Ratio)
		}
	}
	return ratio
}

func total(list []Missing) (s float64) {
	for _, m := range list {
		s += m.Seconds
	}
	return s
}

// rekeyer holds what one rekeying works with.
type rekeyer struct {
	*retimer
	text     Rewriting
	times    []float64 // of all that has a time, script time as written, ascending
	at       []float64 // where each of them goes
	place    map[float64]int
	step     []float64
	moves    [][]move // by track and key: what arrives there
	into     [][]*move
	zones    []zone
	locked   []int // of times
	missing  []Missing
	lacking  float64 // s that are missing in the best choice so far
	byTrack  map[*sequence.Track]int
	hopeless map[*move]bool // a supply is not helped by stretching them
}

// move is what happens between two keys of a track.
type move struct {
	from, to float64 // s as written
	soonest  bool    // it lasts as long as it lasts
	moves    bool
	need     float64 // s that its axes ask for
	current  float64 // s that the supplies ask for
	stuck    bool    // no length that could be meant is enough
	fromKey  *move   // that its first key arrives by, where that is at soonest
}

// zone is a stretch that is stretched evenly, since a phrase is placed there or a
// spline runs through it.
type zone struct {
	from, to float64
	factor   float64
	places   map[sequence.Pos]bool
}

func newRekeyer(s *sequence.Script, p *interp.Performance, text Rewriting, o Options) *rekeyer {
	k := &rekeyer{retimer: newRetimer(p, o), text: text, place: map[float64]int{}, hopeless: map[*move]bool{}}
	k.findZones()
	k.locks = findLocks(s)
	k.times = append(text.Times(), 0, s.Length)
	for _, z := range k.zones {
		k.times = append(k.times, z.from, z.to)
	}
	for _, l := range k.locks {
		k.times = append(k.times, l.time)
	}
	sort.Float64s(k.times)
	n := 0
	for _, t := range k.times {
		if t <= s.Length && (n == 0 || t > k.times[n-1]) {
			k.times[n] = t
			n++
		}
	}
	k.times = k.times[:n]
	k.at = append([]float64(nil), k.times...)
	for e, t := range k.times {
		k.place[t] = e
		k.step = append(k.step, text.Step(t))
	}
	for _, l := range k.locks {
		k.locked = append(k.locked, k.place[l.time])
	}
	k.findMoves()
	k.index(s)
	return k
}

// findZones joins the spans of placed phrases and of splines that overlap.
func (k *rekeyer) findZones() {
	spans := map[*sequence.Place]*zone{}
	for _, tr := range k.script.Merged {
		for _, key := range tr.Keys {
			p := key.Place
			if p == nil || p.Phrase == nil {
				continue
			}
			if spans[p] == nil {
				spans[p] = &zone{from: p.Time, to: p.Time, factor: 1, places: map[sequence.Pos]bool{p.At: true}}
			}
			spans[p].to = math.Max(spans[p].to, key.Time)
		}
	}
	list := k.splineRuns()
	for _, z := range spans {
		if z.to > z.from {
			list = append(list, *z)
		}
	}
	sort.Slice(list, func(i, j int) bool {
		if list[i].from != list[j].from {
			return list[i].from < list[j].from
		}
		return list[i].to < list[j].to
	})
	for _, z := range list {
		if n := len(k.zones); n > 0 && z.from < k.zones[n-1].to {
			k.zones[n-1].to = math.Max(k.zones[n-1].to, z.to)
			for p := range z.places {
				k.zones[n-1].places[p] = true
			}
			continue
		}
		k.zones = append(k.zones, z)
	}
}

// splineRuns gives the runs of keys of one spline, with the key before each:
// stretched unevenly they would be other curves.
func (k *rekeyer) splineRuns() (list []zone) {
	for _, tr := range k.script.Merged {
		for i := 1; i < len(tr.Keys); i++ {
			kind := tr.Keys[i].Ease.Spline()
			if kind == ease.None || tr.Keys[i].Soonest {
				continue
			}
			from := tr.Keys[i-1].Time
			for i+1 < len(tr.Keys) && tr.Keys[i+1].Ease.Spline() == kind && !tr.Keys[i+1].Soonest {
				i++
			}
			list = append(list, zone{from: from, to: tr.Keys[i].Time, factor: 1, places: map[sequence.Pos]bool{}})
		}
	}
	return list
}

// findMoves lists what happens between the keys, by the time of the later key.
func (k *rekeyer) findMoves() {
	k.into = make([][]*move, len(k.times))
	for _, tr := range k.script.Merged {
		list := make([]move, len(tr.Keys))
		for i := 1; i < len(tr.Keys); i++ {
			a, b := tr.Keys[i-1], tr.Keys[i]
			m := &list[i]
			*m = move{from: a.Time, to: b.Time, soonest: b.Soonest, moves: a.Value != b.Value || b.Ease.Spline() != ease.None}
			if a.Soonest {
				m.fromKey = &list[i-1]
			}
			if e, ok := k.place[b.Time]; ok && !b.Soonest {
				k.into[e] = append(k.into[e], m)
			}
		}
		k.moves = append(k.moves, list)
	}
}

// index takes the tracks of a script that was read back: they are in the same
// order, and so are their keys.
func (k *rekeyer) index(s *sequence.Script) {
	k.byTrack = map[*sequence.Track]int{}
	for i, tr := range s.Merged {
		k.byTrack[tr] = i
	}
}

// moveOf gives the move that a source is, or nil where it is none.
func (k *rekeyer) moveOf(s interp.Source) *move {
	if s.Track == nil || s.Key < 1 {
		return nil
	}
	i, ok := k.byTrack[s.Track]
	if !ok || s.Key >= len(k.moves[i]) {
		return nil
	}
	return &k.moves[i][s.Key]
}

// lasts gives how long a move lasts now.
func (k *rekeyer) lasts(m *move) float64 {
	if m.soonest {
		return m.to - m.from
	}
	return k.when(m.to) - k.start(m)
}

// start gives when a move starts now.
func (k *rekeyer) start(m *move) float64 {
	if f := m.fromKey; f != nil {
		return k.start(f) + (f.to - f.from)
	}
	return k.when(m.from)
}

// when gives where a script time goes.
func (k *rekeyer) when(t float64) float64 {
	if e, ok := k.place[t]; ok {
		return k.at[e]
	}
	e := sort.SearchFloat64s(k.times, t)
	if e == 0 {
		return k.at[0]
	}
	if e == len(k.times) {
		return k.at[e-1] + (t - k.times[e-1])
	}
	if z := k.zoneAt(t); z != nil {
		return k.at[k.place[z.from]] + float64((t-z.from)*z.factor)
	}
	part := (t - k.times[e-1]) / (k.times[e] - k.times[e-1])
	return k.at[e-1] + float64((k.at[e]-k.at[e-1])*part)
}

// zoneAt gives the zone that a time lies in, its ends included, or nil.
func (k *rekeyer) zoneAt(t float64) *zone {
	i := sort.Search(len(k.zones), func(i int) bool { return k.zones[i].to >= t })
	if i == len(k.zones) || t < k.zones[i].from {
		return nil
	}
	return &k.zones[i]
}

// moved and stretched are the moves of the text.
func (k *rekeyer) moved(_ sequence.Pos, t float64) float64 { return k.when(t) }

func (k *rekeyer) stretched(at sequence.Pos, factor float64) float64 {
	for i := range k.zones {
		if z := &k.zones[i]; z.places[at] && z.factor != 1 {
			return math.Round(factor*z.factor*1e6) / 1e6
		}
	}
	return factor
}

// schedule gives every time its place: passage by passage between the locks, each
// with the least catch-up that it needs.
func (k *rekeyer) schedule() {
	k.missing = nil
	copy(k.at, k.times)
	done := 0
	for i := 1; i < len(k.locked); i++ {
		to := k.locked[i]
		if done >= to {
			k.lack(i)
			continue
		}
		from := done
		done = k.fill(from, to, 1)
		if k.late(to) {
			if done = k.fill(from, to, k.options.CatchUp); k.late(to) {
				k.lack(i)
				continue
			}
			low, high := 1.0, k.options.CatchUp
			for range 40 {
				c := (low + high) / 2
				if k.fill(from, to, c); k.late(to) {
					low = c
				} else {
					high = c
				}
			}
			done = k.fill(from, to, high)
		}
		k.at[to] = k.times[to]
	}
	k.fill(done, len(k.times)-1, 1)
}

const onTime = 1e-9 // s

func (k *rekeyer) late(e int) bool { return k.at[e] > k.times[e]+onTime }

// lack notes a lock that is not kept.
func (k *rekeyer) lack(i int) {
	e := k.locked[i]
	seconds := math.Abs(k.at[e] - k.times[e])
	if seconds <= 1e-6 {
		return
	}
	before := k.locks[i-1]
	k.missing = append(k.missing, Missing{From: before.at, To: k.locks[i].at, FromS: before.time, ToS: k.times[e], Seconds: seconds, Why: k.longest(before.time, k.times[e])})
}

// longest names the axis of the move that grew most in a passage.
func (k *rekeyer) longest(from, to float64) string {
	name, most := "the pace as it is written", 0.0
	for i, list := range k.moves {
		for j := range list {
			m := &list[j]
			if grown := math.Max(m.need, m.current) - (m.to - m.from); m.moves && m.to > from && m.from < to && grown > most {
				name, most = "the moves of "+k.script.Merged[i].Target.Name(), grown
			}
		}
	}
	return name
}

// fill places the times after from up to to, and beyond it to the end of a zone
// that it cuts; it gives the last one placed. What follows a stretch may come
// nearer to each other by the catch-up.
func (k *rekeyer) fill(from, to int, catchUp float64) int {
	for e := from; e < to; {
		z := k.zoneAt(k.times[e])
		if z != nil && z.to == k.times[e] {
			if z = k.zoneAfter(k.times[e]); z != nil && z.from != k.times[e] {
				z = nil
			}
		}
		if z != nil && z.from == k.times[e] {
			e = k.fillZone(z, e, catchUp)
			continue
		}
		e++
		least := k.at[e-1] + k.gap(e, catchUp)
		for _, m := range k.into[e] {
			least = math.Max(least, k.start(m)+k.length(m, k.at[e-1] > k.times[e-1]+onTime, catchUp))
		}
		k.at[e] = k.up(e, least)
	}
	return max(to, k.filled(to))
}

// filled gives the end of the zone that a time lies inside of, or the time itself.
func (k *rekeyer) filled(e int) int {
	if z := k.zoneAt(k.times[e]); z != nil && z.from < k.times[e] {
		return k.place[z.to]
	}
	return e
}

func (k *rekeyer) zoneAfter(t float64) *zone {
	i := sort.Search(len(k.zones), func(i int) bool { return k.zones[i].from >= t })
	if i == len(k.zones) {
		return nil
	}
	return &k.zones[i]
}

// gap is the least time from the neighbour before.
func (k *rekeyer) gap(e int, catchUp float64) float64 {
	gap := k.times[e] - k.times[e-1]
	switch {
	case k.options.Fastest && k.movesIn(k.times[e-1], k.times[e]):
		return gap / MaxRate
	case k.at[e-1] > k.times[e-1]+onTime:
		return gap / catchUp
	}
	return gap
}

// movesIn reports whether something moves between two neighbours.
func (k *rekeyer) movesIn(from, to float64) bool {
	for _, list := range k.moves {
		j := sort.Search(len(list), func(j int) bool { return j > 0 && list[j].to > from })
		if j < len(list) && list[j].moves && list[j].from < to {
			return true
		}
	}
	return false
}

// length is the least time of a move.
func (k *rekeyer) length(m *move, stretched bool, catchUp float64) float64 {
	least := m.to - m.from
	switch {
	case k.options.Fastest && m.moves:
		least /= MaxRate
	case stretched:
		least /= catchUp
	}
	return math.Max(least, math.Max(m.need, m.current))
}

// up gives the first time from least on that can be written; where nothing has
// been stretched yet, the time as it stands.
func (k *rekeyer) up(e int, least float64) float64 {
	if math.Abs(least-k.times[e]) <= onTime {
		return k.times[e]
	}
	step := k.step[e]
	return math.Ceil(least/step-1e-6) * step
}

// evenStep is the step of the factor of a zone.
const evenStep = 1e-4

// fillZone stretches a zone evenly, which starts at e, and gives its last time.
func (k *rekeyer) fillZone(z *zone, e int, catchUp float64) int {
	stretched := k.at[e] > k.times[e]+onTime
	last := k.place[z.to]
	factor := 0.0
	for i := e + 1; i <= last; i++ {
		gap := k.times[i] - k.times[i-1]
		least := gap
		switch {
		case k.options.Fastest && k.movesIn(k.times[i-1], k.times[i]):
			least = gap / MaxRate
		case stretched:
			least = gap / catchUp
		}
		factor = math.Max(factor, least/gap)
	}
	for _, list := range k.moves {
		j := sort.Search(len(list), func(j int) bool { return j > 0 && list[j].to > z.from })
		for ; j < len(list) && list[j].to <= z.to; j++ {
			m := &list[j]
			need := k.length(m, stretched, catchUp)
			switch {
			case m.soonest || !m.moves && m.from < z.from:
				continue
			case m.from >= z.from:
				factor = math.Max(factor, need/(m.to-m.from))
			case m.to > z.from:
				factor = math.Max(factor, (k.start(m)+need-k.at[e])/(m.to-z.from))
			}
		}
	}
	if math.Abs(factor-1) > 1e-9 {
		factor = math.Ceil(factor/evenStep-1e-6) * evenStep
	}
	z.factor = k.onLock(z, e, factor)
	for i := e + 1; i <= last; i++ {
		k.at[i] = k.up(i, k.at[e]+float64((k.times[i]-k.times[e])*z.factor))
	}
	k.at[last] = k.at[e] + float64((k.times[last]-k.times[e])*z.factor)
	return last
}

// onLock gives the factor by which the first lock in a zone is met, where that is
// no less than the zone needs.
func (k *rekeyer) onLock(z *zone, e int, least float64) float64 {
	for _, l := range k.locked {
		if t := k.times[l]; t > z.from && t <= z.to {
			if f := (t - k.at[e]) / (t - z.from); f >= least-1e-12 {
				return f
			}
			break
		}
	}
	return least
}

// needs takes from the script as it is written how long each move has to last.
func (k *rekeyer) needs(p *interp.Performance) {
	for _, a := range p.Axes {
		k.each(p, a, func(m *move, ratio float64) {
			k.ask(m, k.lasts(m)*ratio)
		})
	}
}

// each calls visit with every move of an axis, and by how much longer it has to
// last for the limits; below 1 it could be shorter.
func (k *rekeyer) each(p *interp.Performance, a *interp.Axis, visit func(m *move, ratio float64)) {
	if !shapeable(a.Spec) {
		return
	}
	frame := 1 / rateOf(a.Spec)
	limits := k.limitsOf(a)
	tell := func(t, ratio float64) {
		var moves []*move
		for _, s := range a.Movers(t) {
			m := k.moveOf(s)
			if m != nil && m.soonest {
				return // it takes the whole limit for itself, however slow the others are
			}
			if m != nil {
				moves = append(moves, m)
			}
		}
		for _, m := range moves {
			visit(m, ratio)
		}
	}
	for i := range a.Horn.Spans() {
		from, to := a.Horn.Span(i)
		if from >= p.Length {
			break
		}
		if a.Horn.Still(i) {
			continue
		}
		ratio := 0.0
		for n, l := range limits {
			if v, _ := a.Horn.Range(i, n+1).Peak(); l.Known() && l.V > 0 && v/l.V <= steepest {
				ratio = math.Max(ratio, root(v/l.V, n+1))
			}
		}
		tell((from+math.Min(to, p.Length))/2, math.Max(ratio, k.quietRatio(p, a, from, to)))
	}
	for _, j := range a.Horn.Joints(nil) {
		if k.script.Loop && (j.At <= 0 || j.At >= p.Length-1e-9) {
			continue // the seam is not an end
		}
		for n := 1; n < len(limits); n++ {
			d := math.Abs(j.After.Order(n)-j.Before.Order(n)) / frame
			if l := limits[n]; l.Known() && l.V > 0 && d/l.V <= steepest && d > 1e-9 {
				ratio := root(d/l.V, n)
				tell(math.Max(0, j.At-1e-9), ratio)
				tell(j.At+1e-9, ratio)
			}
		}
	}
}

func (k *rekeyer) limitsOf(a *interp.Axis) [3]sequence.Figure {
	l := a.Spec.HornLimits()
	return [3]sequence.Figure{l.Speed, l.Acceleration, l.Jerk}
}

// root is by how much longer a move has to last for its n-th derivative to become
// smaller by a ratio.
func root(ratio float64, n int) float64 {
	switch n {
	case 1:
		return ratio
	case 2:
		return math.Sqrt(ratio)
	}
	return math.Cbrt(ratio)
}

// quietRatio gives the greatest ratio of the speed in a span to what the quiet
// windows in it allow.
func (k *rekeyer) quietRatio(p *interp.Performance, a *interp.Axis, from, to float64) float64 {
	worst := 0.0
	for _, q := range p.Script.Quiet {
		low, high := math.Max(from, q.From), math.Min(to, q.To)
		if !q.Applies(a.Spec) || q.Speed.V <= 0 || low >= high {
			continue
		}
		const steps = 64
		for n := range steps {
			v := a.Horn.At(low + float64((high-low)*float64(n)/steps)).Speed
			worst = math.Max(worst, math.Abs(v)/q.Speed.V)
		}
		if v := a.Horn.Before(high).Speed; !math.IsInf(v, 0) {
			worst = math.Max(worst, math.Abs(v)/q.Speed.V)
		}
	}
	return worst
}

// margins of raising: what is measured comes out a little below its limit.
const (
	raiseBy  = 1 + 2e-4
	mostLong = 64 // times as written
)

// raise asks for longer moves where a performance exceeds a limit, and reports
// whether there are any that may help.
func (k *rekeyer) raise(p *interp.Performance, excess []Excess) bool {
	raised := false
	seen := map[*sequence.Axis]bool{}
	for _, e := range excess {
		switch {
		case e.Steep:
		case e.Kind == Current:
			raised = k.raiseCurrent(p, e) || raised
		case !seen[e.Axis]:
			seen[e.Axis] = true
			raised = k.raiseAxis(p, e.Axis) || raised
		}
	}
	return raised
}

func (k *rekeyer) raiseAxis(p *interp.Performance, spec *sequence.Axis) bool {
	raised := false
	for _, a := range p.Axes {
		if a.Spec.Name != spec.Name {
			continue
		}
		k.each(p, a, func(m *move, ratio float64) {
			if ratio <= 1+slight || !m.moves {
				return
			}
			raised = k.ask(m, k.lasts(m)*ratio*raiseBy) || raised
		})
	}
	return raised
}

// ask asks for a length of a move, if it has not got it. A move that would have to
// last many times as long is not helped by it, and keeps the length it has: a
// corner of a linear ease or of a spline that does not start at rest.
func (k *rekeyer) ask(m *move, need float64) bool {
	switch {
	case m.stuck || need <= m.need:
		return false
	case need > mostLong*(m.to-m.from):
		m.stuck, m.need = true, 0
		return true
	}
	m.need = need
	return true
}

// raiseCurrent stretches the moves around an excess of current, until that is
// seen not to help.
func (k *rekeyer) raiseCurrent(p *interp.Performance, e Excess) bool {
	raised := false
	seen := map[*move]bool{}
	by := math.Min(1.25, math.Max(1.03, math.Sqrt(e.Ratio)*1.01))
	for _, a := range p.Axes {
		if a.Spec.Supply == nil || a.Spec.Supply.Name != e.Supply.Name {
			continue
		}
		for t := math.Max(0, e.From-leadTime); t < math.Min(p.Length, e.To+leadTime/3); t += 0.01 {
			for _, s := range a.Movers(t) {
				m := k.moveOf(s)
				if m == nil || m.soonest || seen[m] || k.hopeless[m] {
					continue
				}
				seen[m] = true
				m.current = math.Max(m.current, k.lasts(m)) * by
				if raised = true; m.current > (m.to-m.from)/leastRate {
					m.current = 0
					k.hopeless[m] = true
				}
			}
		}
	}
	return raised
}
