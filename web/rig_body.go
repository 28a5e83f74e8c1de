package web

import (
	"encoding/json"
	"fmt"
	"math"

	"limberjack/interp/film"
	"limberjack/sequence"
	"limberjack/web/rehearse"
)

// mostFilms bounds the films of one measurement that a page may send.
const mostFilms = 1000

// pulseBody is what writes a pulse: of the ends that were looked for, or, where a value is
// given, of one point of the table.
type pulseBody struct {
	base  string
	value *float64 // of the horn, in the axis's unit
	us    float64
}

func parsePulse(data []byte) (b pulseBody, err error) {
	var us *float64
	err = fill(data, member{"base", &b.base, false}, member{"value", &b.value, true}, member{"us", &us, true})
	switch {
	case err != nil:
	case (b.value == nil) != (us == nil):
		err = fmt.Errorf(`a point of the table has both "value" and "us"; leave both out to write the ends that were looked for`)
	case us != nil:
		b.us = *us
	}
	return b, err
}

// parseBase reads what names a version of the rig, and nothing else.
func parseBase(data []byte) (base string, err error) {
	err = fill(data, member{"base", &base, false})
	return base, err
}

// trimBody is what writes a trim.
type trimBody struct {
	base string
	us   float64
}

func parseTrim(data []byte) (b trimBody, err error) {
	err = fill(data, member{"base", &b.base, false}, member{"us", &b.us, false})
	return b, err
}

// measuredBody is what was counted on films of one step of an axis.
type measuredBody struct {
	base     string
	write    bool
	from, to float64 // of the part, in the axis's unit
	fps      float64
	film     film.Film
	move     film.Move
	counts   []film.Count
}

// parseMeasured reads a count of films. Whether it can be, film.Measure says.
func parseMeasured(data []byte) (b measuredBody, err error) {
	var raw json.RawMessage
	err = fill(data, member{"base", &b.base, true}, member{"write", &b.write, true}, member{"from", &b.from, false}, member{"to", &b.to, false},
		member{"fps", &b.fps, false}, member{"films", &raw, false}, member{"reading", &b.film.Reading, true}, member{"rolling", &b.film.Rolling, true},
		member{"late", &b.move.Late, true}, member{"within", &b.move.Within, true},
		member{"acceleration", &b.move.Acceleration, true}, member{"accelerationWithin", &b.move.AccelerationWithin, true})
	if err != nil {
		return b, err
	}
	if b.write && b.base == "" {
		return b, fmt.Errorf(`to write it, "base" has to name the version of the rig that it was measured with`)
	}
	if b.film.Num, b.film.Den, err = frameRate(b.fps); err != nil {
		return b, err
	}
	b.counts, err = parseCounts(raw)
	return b, err
}

// frameRate gives a film's frames a second as a fraction. 23.976, 29.97, 59.94 and the like
// are multiples of 6 x 1000/1001, as in the fps of a motion; any other is taken as it is
// written, to a thousandth.
func frameRate(fps float64) (num, den int64, err error) {
	if !(fps >= 1 && fps <= 100_000) {
		return 0, 0, fmt.Errorf("a film of %v frames a second cannot be; give what the film's file says, such as 240", fps)
	}
	if whole := math.Round(fps * 1.001); math.Round(fps) != fps && math.Mod(whole, 6) == 0 && math.Abs(fps-float64(whole*1000/1001)) < 0.006 {
		return int64(whole) * 1000, 1001, nil
	}
	return int64(math.Round(fps * 1000)), 1000, nil
}

// parseCounts reads films as [[moves, arrives], …].
func parseCounts(raw json.RawMessage) ([]film.Count, error) {
	var list [][]float64
	if err := json.Unmarshal(raw, &list); err != nil {
		return nil, fmt.Errorf(`"films" is no list of counts; write [[frames to the first movement, frames to rest], …] as whole numbers`)
	}
	if len(list) > mostFilms {
		return nil, fmt.Errorf(`"films" has %d counts; %d are the most`, len(list), mostFilms)
	}
	counts := make([]film.Count, len(list))
	for i, c := range list {
		if len(c) != 2 || !wholeFrames(c[0]) || !wholeFrames(c[1]) {
			return nil, fmt.Errorf("film %d: a count is two whole numbers of frames, to the first movement and to rest, such as [17, 65]", i+1)
		}
		counts[i] = film.Count{Moves: int(c[0]), Arrives: int(c[1])}
	}
	return counts, nil
}

func wholeFrames(v float64) bool { return v == math.Trunc(v) && math.Abs(v) <= 1e9 }

// estimate is what films tell of an axis.
type estimate struct {
	Speed Uncertain  `json:"speed"`  // unit/s, at the horn
	Sixty *Uncertain `json:"per60"`  // s/60deg, as data sheets give it; null for what does not turn
	Delay Uncertain  `json:"delay"`  // s
	Unit  string     `json:"unit"`   // of the axis
	Moved figure     `json:"moved"`  // by the horn, in that unit
	Horn  bool       `json:"linked"` // a linkage lies between horn and part, and the speed is that of the horn
	How   string     `json:"how"`
}

// Uncertain is a measured figure with its expanded uncertainty (GUM 6.2.1).
type Uncertain struct {
	Value    figure `json:"value"`
	Standard figure `json:"standard"`
	Expanded figure `json:"expanded"`
	Factor   figure `json:"factor"`
}

func uncertain(v film.Value) Uncertain {
	return Uncertain{figure(v.V), figure(v.Standard), figure(v.Expanded), figure(v.Factor)}
}

// measure works out what the films tell of an axis. What they show is the part; a servo's
// speed is that of its horn, as in data sheets and limits. The horn turns from where it
// holds the part at the beginning to where it does at the end, in the same time.
func (b *measuredBody) measure(a *sequence.Axis) (film.Slew, estimate, error) {
	e := estimate{Unit: a.Unit, Horn: a.Linkage != nil, How: b.how(a)}
	if a.Kind != sequence.Servo || !a.HasTravel() {
		return film.Slew{}, e, fmt.Errorf("%s is a %s; slew is measured on a servo with a travel", a.Name, a.Kind)
	}
	m := b.move
	by, err := hornBetween(a, b.from, b.to)
	if err != nil {
		return film.Slew{}, e, err
	}
	if a.Linkage != nil && m.Within > 0 {
		if m.Within, err = b.hornWithin(a, by); err != nil {
			return film.Slew{}, e, err
		}
	}
	m.By = by
	s, err := film.Measure(b.film, m, b.counts)
	if err != nil {
		return s, e, err
	}
	e.Speed, e.Delay, e.Moved = uncertain(s.Speed), uncertain(s.Delay), figure(math.Abs(by))
	if a.Unit == "deg" {
		e.Sixty = per60(s.Speed)
	}
	return s, e, nil
}

// hornBetween gives how far the horn goes when the part goes from one value to another.
func hornBetween(a *sequence.Axis, from, to float64) (float64, error) {
	for _, v := range []float64{from, to} {
		if low, high := a.Travel[0].V, a.Travel[1].V; !(v >= low && v <= high) {
			return 0, fmt.Errorf("%v %s is beyond the travel of %s, %v to %v %s", v, a.Unit, a.Name, low, high, a.Unit)
		}
	}
	begin, err := rehearse.HornAt(a, from)
	if err != nil {
		return 0, err
	}
	end, err := rehearse.HornAt(a, to)
	return end - begin, err
}

// hornWithin gives the half-width about the horn's way that half of the part's half-width
// at each end makes: the greater of the ways that are shorter and longer by it.
func (b *measuredBody) hornWithin(a *sequence.Axis, by float64) (float64, error) {
	half := math.Copysign(b.move.Within/2, b.to-b.from)
	short, err := hornBetween(a, b.from+half, b.to-half)
	if err != nil {
		return 0, err
	}
	within := math.Abs(by - short)
	low, high := a.Travel[0].V, a.Travel[1].V
	clamp := func(v float64) float64 { return math.Max(low, math.Min(high, v)) }
	if long, err := hornBetween(a, clamp(b.from-half), clamp(b.to+half)); err == nil {
		within = math.Max(within, math.Abs(by-long))
	}
	return within, nil
}

// per60 gives a speed in degrees a second as seconds for 60 degrees: with t = 60/v,
// u(t) = 60/v2 u(v) (GUM 5.1.2, first order).
func per60(v film.Value) *Uncertain {
	slope := 60 / (v.V * v.V)
	return &Uncertain{figure(60 / v.V), figure(slope * v.Standard), figure(slope * v.Expanded), figure(v.Factor)}
}

// how tells how it was measured, for the comment beside the figures.
func (b *measuredBody) how(a *sequence.Axis) string {
	text := fmt.Sprintf("%v fps, ", b.fps)
	if n := len(b.counts); n == 1 {
		text += "1 film"
	} else {
		text += fmt.Sprintf("%d films", n)
	}
	if a.Linkage != nil {
		text += ", at the horn"
	}
	return text
}

// set gives the text of the rig with the figures.
func (b *measuredBody) set(text []byte, a *sequence.Axis, s film.Slew) ([]byte, error) {
	speed := &sequence.Measurement{V: s.Speed.V, Expanded: s.Speed.Expanded, Factor: s.Speed.Factor}
	delay := &sequence.Measurement{V: s.Delay.V, Expanded: s.Delay.Expanded, Factor: s.Delay.Factor}
	return sequence.SetMeasured(text, a, speed, delay, b.how(a))
}
