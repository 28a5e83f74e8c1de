package plot

import (
	"fmt"
	"math"
	"strconv"

	"limberjack/interp"
	"limberjack/sequence"
)

// ruler is one scale of time over the staves.
type ruler struct {
	name  string
	ticks []tick
}

// tick is a place on a ruler; one without a text is a small one.
type tick struct {
	at   float64 // s of performance time
	text string
}

// rulersOf gives the scales that a motion has: seconds, film frames where it
// has a frame rate, and beats where it has a tempo.
func rulersOf(p *interp.Performance, s *system) []ruler {
	rulers := []ruler{secondsRuler(s)}
	if fps := p.Script.FPS; fps.Given() {
		rulers = append(rulers, framesRuler(fps, s))
	}
	if len(p.Script.Tempo) > 0 {
		rulers = append(rulers, beatsRuler(p, s))
	}
	return rulers
}

// stepFor gives the first of ascending steps that is at least as wide as asked;
// beyond the last, a multiple of it.
func stepFor(steps []float64, width, scale float64) float64 {
	for _, s := range steps {
		if float64(s*scale) >= width {
			return s
		}
	}
	last := steps[len(steps)-1]
	return float64(last * math.Ceil(width/float64(last*scale)))
}

var secondSteps = []float64{0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 1800, 3600}

func secondsRuler(s *system) ruler {
	r := ruler{name: "seconds"}
	step := stepFor(secondSteps, 38, s.scale)
	parts := 5.0
	switch step {
	case 0.02, 0.2, 2, 120, 1800, 3600:
		parts = 4
	case 15:
		parts = 3
	}
	r.ticks = evenTicks(s, step, parts, func(t float64) string { return clockText(t) })
	return r
}

// evenTicks gives ticks at whole multiples of a step, with small ones between.
func evenTicks(s *system, step, parts float64, text func(float64) string) []tick {
	var ticks []tick
	small := step / parts
	for k := math.Ceil(s.from/small-1e-9) + 0; float64(k*small) <= s.to+1e-9; k++ {
		t := tick{at: float64(k * small)}
		if math.Mod(k, parts) == 0 {
			t.at = float64(k / parts * step)
			t.text = text(t.at)
		}
		ticks = append(ticks, t)
	}
	return ticks
}

// clockText writes a time of a ruler: 0.5, 12, 1:30, 2:00:05.
func clockText(t float64) string {
	t = math.Round(t*1000) / 1000
	if t < 60 {
		return strconv.FormatFloat(t, 'f', -1, 64)
	}
	whole := math.Floor(t)
	part := math.Round((t-whole)*1000) / 1000
	tail := ""
	if part > 0 {
		tail = strconv.FormatFloat(part, 'f', -1, 64)[1:]
	}
	h, m, sec := int(whole)/3600, int(whole)/60%60, int(whole)%60
	if h > 0 {
		return fmt.Sprintf("%d:%02d:%02d%s", h, m, sec, tail)
	}
	return fmt.Sprintf("%d:%02d%s", m, sec, tail)
}

// clockTime writes a time to a hundredth of a second, as the ruler does but with
// the unit where that does not show.
func clockTime(t float64) string {
	t = math.Round(t*100) / 100
	if math.Abs(t) < 60 {
		return sequence.FormatSeconds(t)
	}
	return clockText(t)
}

func framesRuler(fps sequence.FPS, s *system) ruler {
	r := ruler{name: number(math.Round(fps.Rate()*1000)/1000) + " fps"}
	n := fps.Nominal
	if n == 0 {
		n = max(1, int64(math.Round(fps.Rate())))
	}
	var steps []float64
	for _, f := range []int64{1, 2, 3, 4, 5, 6, 8, 10, 12, 15, 24, 30} {
		if f < n && n%f == 0 {
			steps = append(steps, float64(f))
		}
	}
	for _, f := range []int64{1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 1800, 3600} {
		steps = append(steps, float64(f*n))
	}
	step := int64(stepFor(steps, 58, s.scale/fps.Rate()))
	small := step
	for _, parts := range []int64{6, 5, 4, 3, 2} {
		if step%parts == 0 && float64(step/parts)*s.scale/fps.Rate() >= 5 {
			small = step / parts
			break
		}
	}
	for f := int64(math.Ceil(s.from*fps.Rate()-1e-6)) / small * small; fps.Seconds(float64(f)) <= s.to+1e-9; f += small {
		t := tick{at: fps.Seconds(float64(f))}
		if t.at < s.from-1e-9 {
			continue
		}
		if f%step == 0 {
			t.text = frameText(f, fps)
		}
		r.ticks = append(r.ticks, t)
	}
	return r
}

// frameText writes a frame's timecode: drop-frame, with a semicolon, where that
// is defined; a plain frame number where no timecode is.
func frameText(frame int64, fps sequence.FPS) string {
	n := fps.Nominal
	if n == 0 {
		return strconv.FormatInt(frame, 10) + "f"
	}
	mark := ":"
	if fps.DropFrame() {
		mark = ";"
		frame = dropFrameNumber(frame, n)
	}
	return fmt.Sprintf("%02d:%02d:%02d%s%02d", frame/(n*3600), frame/(n*60)%60, frame/n%60, mark, frame%n)
}

// dropFrameNumber gives the number that drop-frame counting gives a frame
// (SMPTE ST 12-1): in each minute but every tenth, the first numbers are left
// out, two at 29.97 frames a second and four at 59.94.
func dropFrameNumber(frame, nominal int64) int64 {
	skip := nominal / 15
	minute := nominal*60 - skip
	ten := 10*minute + skip
	tens, rest := frame/ten, frame%ten
	number := frame + 9*skip*tens
	if rest >= nominal*60 {
		number += skip * (1 + (rest-nominal*60)/minute)
	}
	return number
}

func beatsRuler(p *interp.Performance, s *system) ruler {
	r := ruler{name: "beats"}
	tempo := p.Script.Tempo
	from, to := tempo.Beat(p.ScriptTime(s.from)), tempo.Beat(p.ScriptTime(s.to))
	wide := (s.to - s.from) * s.scale
	step := stepFor([]float64{1, 2, 4, 8, 16, 32, 64, 128, 256}, 26, wide/math.Max(1e-9, to-from))
	small := step
	if step == 1 && wide/math.Max(1e-9, to-from) >= 60 {
		small = 0.25
	} else if step > 1 {
		small = step / 2
	}
	for k := math.Ceil(from/small-1e-9) + 0; float64(k*small) <= to+1e-9; k++ {
		beat := float64(k * small)
		t := tick{at: p.PerformanceTime(tempo.Seconds(beat))}
		if math.Mod(beat, step) == 0 {
			t.text = number(beat) + "b"
		}
		r.ticks = append(r.ticks, t)
	}
	return r
}

// number writes a number as people read it, to three decimals.
func number(v float64) string {
	return strconv.FormatFloat(math.Round(v*1000)/1000+0, 'f', -1, 64)
}
