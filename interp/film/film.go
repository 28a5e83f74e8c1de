// Package film turns frames counted on a film into what a servo does: its delay from
// command to first movement, and its slew speed, each with its uncertainty.
//
// A lamp flashes as the move is commanded, and a phone films both. Somebody counts the
// frames from the first one with the light to the first one in which the part has moved,
// and to the first one in which it has arrived.
//
// Uncertainties follow the Guide to the expression of uncertainty in measurement
// (JCGM 100:2008, "GUM"), whose clauses are given beside the formulas. A frame shows
// what happened somewhere within its time: each instant is known to half a frame either
// way, evenly likely (4.3.7: a rectangular distribution of half-width a has the standard
// uncertainty a/sqrt 3), and so is the instant of the flash, which need not come as a
// frame begins. Who counts may also be a little off where movement begins and ends:
// Film.Reading.
package film

import (
	"fmt"
	"math"
)

// Film says how the frames came about.
type Film struct {
	Num, Den int64 // frames and seconds: 240/1, or 30000/1001 for 29.97 frames a second
	// Reading is the half-width, in frames, within which the instants of first movement
	// and of arrival are about the middles of the frames that were counted: 0.5 where
	// the very frame is plain to see, 1 where it may be off by another half. 0 is 1.
	Reading float64
	// Rolling is by how many seconds, at most, rows of the picture at the lamp and at the
	// part are exposed at other times than each other (a rolling shutter). With the lamp
	// beside the part it is 0; otherwise it is up to the share of the picture's height
	// between them times the frame's time. It bears on the delay, not on the speed.
	Rolling float64
}

// Seconds gives the time of so many frames.
func (f Film) Seconds(frames float64) float64 { return frames * float64(f.Den) / float64(f.Num) }

// Rate gives frames a second.
func (f Film) Rate() float64 { return float64(f.Num) / float64(f.Den) }

func (f Film) reading() float64 {
	if f.Reading == 0 {
		return 1
	}
	return f.Reading
}

// Move is what was commanded, in the axis's unit (degrees or millimetres). The position
// that is commanded has to jump: a servo that follows a slow curve shows the curve.
type Move struct {
	By     float64 // from rest to rest, either way
	Within float64 // half-width within which what the part really went is about By
	// Acceleration of the servo as it is modelled, unit/s2, the same when it slows down;
	// 0 where it is to be left out, and all of the time counts as slewing.
	Acceleration float64
	// AccelerationWithin is the half-width about it. The formulas are linear: known to a
	// fifth only, the uncertainty of the speed comes out 2 % small.
	AccelerationWithin float64
	// Late is how much later than the lamp's new value the servo's new pulse came, as is
	// known from the board, in seconds. It is taken off the delay.
	Late float64
}

// Count is one film of the move: frames from the first one with the flash to the first
// one with movement, and to the first one at rest at the end.
type Count struct{ Moves, Arrives int }

// Value is a measured figure.
type Value struct {
	V        float64
	Standard float64 // combined standard uncertainty (GUM 5.1.2)
	Expanded float64 // Factor times Standard (GUM 6.2.1): a level of confidence of about 95 %
	Factor   float64 // 2, and more where few repeats scatter much (GUM G.4)
	Freedom  float64 // effective degrees of freedom (Welch-Satterthwaite, GUM G.4.1); +Inf for a single film
}

// Slew is what a film tells of a servo.
type Slew struct {
	Delay Value // s
	Speed Value // unit/s
}

// CountError says which film, counted from 1, cannot be; 0 where it is not a count that
// is wrong. Its text names what would do.
type CountError struct {
	Film int
	Msg  string
}

func (e *CountError) Error() string { return e.Msg }

func wrong(film int, format string, a ...any) error {
	return &CountError{film, fmt.Sprintf(format, a...)}
}

// Bounds of what can be: frames a second of any camera that a person counts frames of,
// the longest delay that a rig may have, in seconds, and the longest film of a move.
const (
	mostRate  = 100_000
	mostDelay = 10
	mostCount = 10_000_000
	mostFilms = 1000
)

func (f Film) check() error {
	switch {
	case f.Num <= 0 || f.Den <= 0 || f.Rate() < 1 || f.Rate() > mostRate:
		return wrong(0, "a film of %d/%d frames a second cannot be; give 1 to %d, such as 240", f.Num, f.Den, mostRate)
	case f.Reading != 0 && !(f.Reading >= 0.5 && f.Reading <= 10):
		return wrong(0, "frames cannot be read to %v of a frame; give 0.5 where the very frame is plain to see, or 1", f.Reading)
	case !(f.Rolling >= 0 && f.Rolling <= 1):
		return wrong(0, "a rolling shutter cannot be off by %v s; give up to a frame's time, %.4g s, or 0 with the lamp beside the part", f.Rolling, f.Seconds(1))
	}
	return nil
}

func (m Move) check() error {
	switch by := math.Abs(m.By); {
	case !(by > 0 && by <= 1e6):
		return wrong(0, "a move by %v shows no speed; give how far was commanded, such as 60", m.By)
	case !(m.Within >= 0 && m.Within < by):
		return wrong(0, "a move by %v within %v cannot be; give the greater part of the move", m.By, m.Within)
	case !(m.Acceleration >= 0 && m.Acceleration <= 1e9) || !(m.AccelerationWithin >= 0 && m.AccelerationWithin <= m.Acceleration):
		return wrong(0, "an acceleration of %v within %v cannot be; give 0 to leave it out", m.Acceleration, m.AccelerationWithin)
	case !(math.Abs(m.Late) <= mostDelay):
		return wrong(0, "a pulse that is %v s late cannot be; give at most %d s", m.Late, mostDelay)
	}
	return nil
}

// Measure gives delay and speed from the counts of one film or more of the same move.
// All errors are of type *CountError.
//
// With N the frame of first movement, M that of arrival and T the time of a frame, the
// delay is N T less Move.Late, and the move lasts t = (M-N) T. A servo that speeds up and
// slows down by a goes by D = v t - v^2/a in it, so that v = 2D/(t + sqrt(t^2 - 4D/a));
// D/t without a.
func Measure(f Film, m Move, counts []Count) (Slew, error) {
	if err := f.check(); err != nil {
		return Slew{}, err
	}
	if err := m.check(); err != nil {
		return Slew{}, err
	}
	if err := f.checkCounts(counts); err != nil {
		return Slew{}, err
	}
	delays, lasts := make([]float64, len(counts)), make([]float64, len(counts))
	for i, c := range counts {
		delays[i], lasts[i] = f.Seconds(float64(c.Moves)), f.Seconds(float64(c.Arrives-c.Moves))
	}
	delay, err := f.delay(m, delays)
	if err != nil {
		return Slew{}, err
	}
	speed, err := f.speed(m, lasts)
	return Slew{delay, speed}, err
}

func (f Film) checkCounts(counts []Count) error {
	if len(counts) == 0 || len(counts) > mostFilms {
		return wrong(0, "there are %d counts; film the move once or more, up to %d times", len(counts), mostFilms)
	}
	for i, c := range counts {
		switch {
		case c.Moves < 0:
			return wrong(i+1, "film %d: nothing moves %d frames before the flash; count from the first frame with the light", i+1, -c.Moves)
		case c.Arrives <= c.Moves:
			return wrong(i+1, "film %d: the part cannot arrive at frame %d when it begins to move at frame %d; count both from the flash, and take a longer move or more than %.4g frames a second if they are the same", i+1, c.Arrives, c.Moves, f.Rate())
		case c.Arrives > mostCount:
			return wrong(i+1, "film %d: %d frames are no move of a servo; count from the flash on", i+1, c.Arrives)
		}
	}
	return nil
}

// combined gives the combined standard uncertainty of contributions that do not depend
// on each other, each a sensitivity times a standard uncertainty (GUM 5.1.2 and 5.1.3).
func combined(parts ...float64) float64 {
	sum := 0.0
	for _, p := range parts {
		sum += float64(p * p)
	}
	return math.Sqrt(sum)
}

// rectangular gives the standard uncertainty of what is evenly likely within a
// half-width (GUM 4.3.7).
func rectangular(half float64) float64 { return half / math.Sqrt(3) }

func (f Film) delay(m Move, readings []float64) (Value, error) {
	mean, scatter := mean(readings)
	flash, moves := rectangular(f.Seconds(0.5)), rectangular(f.Seconds(f.reading()))
	v := value(mean-m.Late, scatter, len(readings), combined(flash, moves, rectangular(f.Rolling)))
	switch {
	case v.V < -v.Expanded:
		return v, wrong(0, "movement %.3g s after the flash would be before the pulse, which came %.3g s after it; look for the first frame with the light again", mean, m.Late)
	case v.V > mostDelay:
		return v, wrong(0, "a delay of %.3g s is more than the %d s that a rig may have; count from the flash of this move", v.V, mostDelay)
	}
	v.V = math.Max(0, v.V)
	return v, nil
}

// leastFrames is how many standard uncertainties a move has to last. The formulas are
// linear about the value (GUM 5.1.2, note); at ten, what they leave out, the square of
// the relative uncertainty, is a hundredth of the speed.
const leastFrames = 10

func (f Film) speed(m Move, readings []float64) (Value, error) {
	t, scatter := mean(readings)
	read := combined(rectangular(f.Seconds(f.reading())), rectangular(f.Seconds(f.reading())))
	by := math.Abs(m.By)
	if u := combined(read, scatter); t < leastFrames*u {
		return Value{}, wrong(0, "the move lasts %.3g frames, which are known to %.2g only; let it last %.0f or more: by a longer move, or with %.0f frames a second", t*f.Rate(), u*f.Rate(), math.Ceil(leastFrames*u*f.Rate()), math.Ceil(f.Rate()*leastFrames*u/t))
	}
	v, inverse := by/t, 0.0
	if m.Acceleration > 0 {
		inverse = 1 / m.Acceleration
		root := float64(t*t) - float64(4*by*inverse)
		if !(root > 0.01*t*t) {
			return Value{}, wrong(0, "in %.3g s with %.4g a second squared the part would go by %.3g at most, never slewing on the way to %v; take a move that lasts longer, or leave out the acceleration", t, m.Acceleration, t*t/4*m.Acceleration, by)
		}
		v = 2 * by / (t + math.Sqrt(root))
	}
	slope := v / (t - float64(2*v*inverse)) // of the speed over the time, but for its sign
	v2 := value(v, slope*scatter, len(readings), combined(
		slope*read,
		slope/v*rectangular(m.Within),
		slope*v*inverse*inverse*rectangular(m.AccelerationWithin),
	))
	return v2, nil
}

// mean gives the mean of readings, and its standard uncertainty from their scatter
// (GUM 4.2.3); 0 for a single one.
func mean(readings []float64) (mean, scatter float64) {
	n := float64(len(readings))
	for _, r := range readings {
		mean += r / n
	}
	if n < 2 {
		return mean, 0
	}
	squares := 0.0
	for _, r := range readings {
		squares += float64((r - mean) * (r - mean))
	}
	return mean, math.Sqrt(squares / (n - 1) / n)
}

// value combines what the scatter of n readings and all else contribute. What is not
// scatter is taken as common to all readings, since who misreads a frame does so again.
func value(v, scatter float64, n int, other float64) Value {
	out := Value{V: v, Standard: combined(scatter, other), Factor: 2, Freedom: math.Inf(1)}
	if scatter > 0 {
		share := out.Standard / scatter
		out.Freedom = float64(n-1) * share * share * share * share // GUM G.4.1, (G.2b)
		out.Factor = factor(out.Freedom)
	}
	out.Expanded = out.Factor * out.Standard
	return out
}

// coverage are factors for 95.45 %, which is k = 2 for a normal distribution, by
// degrees of freedom (GUM Table G.2).
var coverage = []struct{ freedom, factor float64 }{
	{1, 13.97}, {2, 4.53}, {3, 3.31}, {4, 2.87}, {5, 2.65}, {6, 2.52}, {7, 2.43}, {8, 2.37}, {9, 2.32}, {10, 2.28},
	{11, 2.25}, {12, 2.23}, {13, 2.21}, {14, 2.20}, {15, 2.18}, {16, 2.17}, {17, 2.16}, {18, 2.15}, {19, 2.14}, {20, 2.13},
	{25, 2.11}, {30, 2.09}, {35, 2.07}, {40, 2.06}, {45, 2.06}, {50, 2.05}, {100, 2.025}, {10_000, 2},
}

// factor takes the next lower row, as GUM G.4.1 (note 1) has it.
func factor(freedom float64) float64 {
	k := coverage[0].factor
	for _, c := range coverage {
		if freedom >= c.freedom {
			k = c.factor
		}
	}
	return k
}
