package film

import (
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
)

var phone = Film{Num: 240, Den: 1}

// TestByHand holds a single film against the formulas of JCGM 100:2008 worked out by
// hand: 4.3.7 (a/sqrt 3), 5.1.2 (root of the sum of squares), 6.2.1 (k = 2).
func TestByHand(t *testing.T) {
	// 60 degrees in 48 frames of 1/240 s: 0.2 s and 300 deg/s. Each end is known to one
	// frame: u(t) = sqrt(2/3)/240 = 3.402 ms, u(v) = 300/0.2 x that = 5.103 deg/s.
	// 17 frames of delay: 70.83 ms; the flash is known to half a frame:
	// u = sqrt(0.25/3 + 1/3)/240 = 2.690 ms.
	s, err := Measure(phone, Move{By: 60}, []Count{{17, 65}})
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		what      string
		got, want float64
	}{
		{"speed", s.Speed.V, 300}, {"its uncertainty", s.Speed.Standard, 300 / 0.2 * math.Sqrt(2.0/3) / 240},
		{"expanded", s.Speed.Expanded, 2 * 5.103103630798288},
		{"delay", s.Delay.V, 17.0 / 240}, {"its uncertainty", s.Delay.Standard, math.Sqrt(0.25/3+1.0/3) / 240},
		{"expanded", s.Delay.Expanded, 2 * 0.0026895717781}, {"factor", s.Speed.Factor, 2},
	} {
		if math.Abs(c.got-c.want) > 1e-9*math.Max(1, c.want) {
			t.Errorf("%s: %v and not %v", c.what, c.got, c.want)
		}
	}
	// The film's rate is exact: 29.97 is 30000/1001.
	if s, err = Measure(Film{Num: 30000, Den: 1001}, Move{By: -300}, []Count{{3, 33}}); err != nil || math.Abs(s.Speed.V-300/1.001) > 1e-9 {
		t.Errorf("at 29.97 frames a second: %v (%v)", s.Speed.V, err)
	}
}

// TestMonteCarlo holds values and uncertainties against a propagation of distributions
// (JCGM 101:2008, clauses 5 and 7; a comparison as in its clause 8): instants are drawn
// evenly within the half-widths, the move and its acceleration likewise, and speed and
// delay computed from each draw. Standard uncertainties agree to within half a unit of
// their second digit (the tolerance of 101, 7.9.2, with two digits), values to within a
// twentieth of the uncertainty, which is more than one digit of it asks for: the curve of
// 1/t, which the Guide's linear way leaves out, is as much at ten times the uncertainty.
func TestMonteCarlo(t *testing.T) {
	rng := rand.New(rand.NewPCG(101, 2008))
	even := func(half float64) float64 { return half * (2*rng.Float64() - 1) }
	for name, c := range map[string]struct {
		f     Film
		m     Move
		count Count
	}{
		"a phone":            {phone, Move{By: 60}, Count{17, 65}},
		"the very frames":    {Film{Num: 240, Den: 1, Reading: 0.5}, Move{By: 120, Within: 1}, Count{20, 130}},
		"with acceleration":  {Film{Num: 240, Den: 1, Rolling: 0.002}, Move{By: 120, Acceleration: 8000, AccelerationWithin: 700, Late: 0.01}, Count{19, 130}},
		"film, a long sweep": {Film{Num: 24000, Den: 1001}, Move{By: 3000}, Count{3, 203}},
	} {
		got, err := Measure(c.f, c.m, []Count{c.count})
		if err != nil {
			t.Fatal(name, err)
		}
		const trials = 200_000
		speeds, delays := make([]float64, trials), make([]float64, trials)
		for i := range trials {
			flash := c.f.Seconds(even(0.5))
			moves := c.f.Seconds(float64(c.count.Moves) + even(c.f.reading()))
			arrives := c.f.Seconds(float64(c.count.Arrives) + even(c.f.reading()))
			by, last := c.m.By+even(c.m.Within), arrives-moves
			delays[i] = moves - flash + even(c.f.Rolling) - c.m.Late
			speeds[i] = by / last
			if c.m.Acceleration > 0 {
				// v t - v^2/a = D by Newton's method, not by the formula under test.
				a, v := c.m.Acceleration+even(c.m.AccelerationWithin), by/last
				for range 30 {
					v -= (v*last - v*v/a - by) / (last - 2*v/a)
				}
				speeds[i] = v
			}
		}
		compare(t, name+", speed", got.Speed, speeds)
		compare(t, name+", delay", got.Delay, delays)
	}
}

func compare(t *testing.T, name string, got Value, draws []float64) {
	t.Helper()
	mean, squares := 0.0, 0.0
	for _, d := range draws {
		mean += d / float64(len(draws))
	}
	inside := 0
	for _, d := range draws {
		squares += (d - mean) * (d - mean)
		if math.Abs(d-got.V) <= got.Expanded {
			inside++
		}
	}
	u := math.Sqrt(squares / float64(len(draws)-1))
	// Half a unit of the second digit of u, and what the draws themselves scatter.
	digit := math.Pow(10, math.Floor(math.Log10(u))-1) / 2
	slices.Sort(draws)
	if math.Abs(got.V-mean) > 0.05*u || math.Abs(got.Standard-u) > digit+0.005*u {
		t.Errorf("%s: %v with %v, and the draws have %v with %v", name, got.V, got.Standard, mean, u)
	}
	if share := float64(inside) / float64(len(draws)); share < 0.95 || share > 0.985 {
		t.Errorf("%s: %v ± %v holds %.2f %% of the draws", name, got.V, got.Expanded, 100*share)
	}
}

// TestRepeats: several films add their scatter (GUM 4.2.3) and its degrees of freedom
// (G.4.1).
func TestRepeats(t *testing.T) {
	counts := []Count{{17, 65}, {18, 69}, {16, 61}, {17, 66}, {17, 64}}
	got, err := Measure(phone, Move{By: 60}, counts)
	if err != nil {
		t.Fatal(err)
	}
	// Lasting 48, 51, 45, 49, 47 frames: mean 48, s = sqrt(20/4) = 2.2361,
	// s/sqrt 5 = 1; with the reading, sqrt(1 + 2/3) = 1.29099 frames. Degrees of freedom
	// 4 x (5/3)^2 = 11.11: row 11 of Table G.2, 2.25.
	frames := got.Speed.Standard / 300 * 48
	if math.Abs(got.Speed.V-300) > 1e-9 || math.Abs(frames-math.Sqrt(5.0/3)) > 1e-9 || math.Abs(got.Speed.Freedom-100.0/9) > 1e-9 || got.Speed.Factor != 2.25 {
		t.Errorf("%+v", got.Speed)
	}
	same, err := Measure(phone, Move{By: 60}, slices.Repeat(counts[:1], 4))
	if err != nil || same.Speed.Factor != 2 || !math.IsInf(same.Speed.Freedom, 1) || same.Speed.Standard >= got.Speed.Standard {
		t.Errorf("films that agree: %+v (%v)", same.Speed, err)
	}
}

// TestCoverageFactors holds the table against the quantiles of Student's distribution,
// as scipy 1.10.1 gives them: scipy.stats.t.ppf((1 + 0.9545)/2, freedom).
func TestCoverageFactors(t *testing.T) {
	for freedom, want := range map[float64]float64{1: 13.96781, 2: 4.52655, 3: 3.30683, 4: 2.86932, 5: 2.64865, 6: 2.51653, 7: 2.42881, 8: 2.36642, 9: 2.31981, 10: 2.28368, 11: 2.25487, 12: 2.23135, 13: 2.21180, 14: 2.19529, 15: 2.18117, 16: 2.16894, 17: 2.15826, 18: 2.14885, 19: 2.14050, 20: 2.13303, 25: 2.10509, 30: 2.08685, 35: 2.07400, 40: 2.06446, 45: 2.05710, 50: 2.05125, 100: 2.02531, 10000: 2.00025} {
		if got := factor(freedom); math.Abs(got-want) > 0.0051 {
			t.Errorf("%v degrees of freedom: %v and not %v", freedom, got, want)
		}
	}
	if factor(11.9) != factor(11) || factor(0.5) != 13.97 || factor(math.Inf(1)) != 2 {
		t.Error("between rows the lower one counts")
	}
}

func TestRefuses(t *testing.T) {
	one := []Count{{17, 65}}
	for name, c := range map[string]struct {
		f      Film
		m      Move
		counts []Count
		film   int
		says   string
	}{
		"before the flash":     {phone, Move{By: 60}, []Count{{17, 65}, {-2, 9}}, 2, "count from the first frame with the light"},
		"no time":              {phone, Move{By: 60}, []Count{{17, 17}}, 1, "a longer move or more than 240 frames a second"},
		"arrives first":        {phone, Move{By: 60}, []Count{{17, 9}}, 1, "cannot arrive at frame 9"},
		"too few frames":       {Film{Num: 24, Den: 1}, Move{By: 60}, []Count{{2, 7}}, 0, "let it last 9 or more: by a longer move, or with 40 frames a second"},
		"none":                 {phone, Move{By: 60}, nil, 0, "once or more"},
		"a long wait":          {phone, Move{By: 60}, []Count{{2500, 2600}}, 0, "a delay of 10.4 s"},
		"before the pulse":     {phone, Move{By: 60, Late: 0.2}, one, 0, "would be before the pulse"},
		"never slewing":        {phone, Move{By: 60, Acceleration: 3000}, one, 0, "would go by 30 at most"},
		"no move":              {phone, Move{}, one, 0, "shows no speed"},
		"no number":            {phone, Move{By: math.NaN()}, one, 0, "shows no speed"},
		"a vague move":         {phone, Move{By: 60, Within: 60}, one, 0, "the greater part of the move"},
		"no rate":              {Film{}, Move{By: 60}, one, 0, "such as 240"},
		"read to nothing":      {Film{Num: 240, Den: 1, Reading: 0.1}, Move{By: 60}, one, 0, "give 0.5"},
		"a rolling day":        {Film{Num: 240, Den: 1, Rolling: 2}, Move{By: 60}, one, 0, "lamp beside the part"},
		"a vague acceleration": {phone, Move{By: 60, Acceleration: 1, AccelerationWithin: 2}, one, 0, "0 to leave it out"},
		"a very late pulse":    {phone, Move{By: 60, Late: 11}, one, 0, "at most 10 s"},
		"frames without end":   {phone, Move{By: 60}, []Count{{1, 1 << 30}}, 1, "no move of a servo"},
	} {
		_, err := Measure(c.f, c.m, c.counts)
		var e *CountError
		if !errors.As(err, &e) || e.Film != c.film || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// TestNearestThatWorks: what an error proposes is then taken.
func TestNearestThatWorks(t *testing.T) {
	if _, err := Measure(Film{Num: 24, Den: 1}, Move{By: 108}, []Count{{2, 11}}); err != nil {
		t.Error(err)
	}
	if _, err := Measure(Film{Num: 40, Den: 1}, Move{By: 60}, []Count{{3, 12}}); err != nil {
		t.Error(err)
	}
}

// TestPropose: the film of a proposed move has the wished uncertainty, and that of a move
// a tenth shorter has not.
func TestPropose(t *testing.T) {
	for name, c := range map[string]struct {
		f           Film
		m           Move
		speed, wish float64
		longest     float64
		move, rate  float64
	}{
		// 2 x 300^2 x sqrt(2/3)/240 / 10 = 61.2
		"a phone":           {phone, Move{}, 300, 10, 120, 62, 0},
		"with acceleration": {phone, Move{Acceleration: 9000}, 300, 10, 120, 72, 0},
		// 2 x 300^2 x sqrt(2/3)/rate / 10 = 40: rate 367.4
		"a short travel": {phone, Move{}, 300, 10, 40, 40, 368},
		"too vague":      {phone, Move{Within: 10}, 300, 10, 60, 60, math.Inf(1)},
	} {
		p, err := Propose(c.f, c.m, c.speed, c.wish, c.longest)
		if err != nil || p.Move != c.move || p.Rate != c.rate {
			t.Errorf("%s: %+v (%v)", name, p, err)
			continue
		}
		m := c.m
		m.By = p.Move
		got, err := Measure(c.f, m, []Count{{20, 20 + p.Frames}})
		if err != nil || math.Abs(got.Speed.Expanded-p.Speed) > 0.05*p.Speed || math.Abs(got.Delay.Expanded-p.Delay) > 1e-12 {
			t.Errorf("%s: filmed, %+v (%v), and planned %+v", name, got, err, p)
		}
		if p.Rate == 0 && (p.Speed > c.wish || c.f.after(c.m, c.speed, 0.9*p.Move) <= c.wish) {
			t.Errorf("%s: %+v is not the least", name, p)
		}
	}
	for name, err := range map[string]error{
		"no speed":      second(Propose(phone, Move{}, 0, 1, 60)),
		"a vague wish":  second(Propose(phone, Move{}, 300, 400, 60)),
		"never reached": second(Propose(phone, Move{Acceleration: 100}, 300, 10, 60)),
		"no rate":       second(Propose(Film{}, Move{}, 300, 10, 60)),
		"no move":       second(Propose(phone, Move{}, 300, 10, 0)),
	} {
		var e *CountError
		if !errors.As(err, &e) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func second(_ Plan, err error) error { return err }

// FuzzMeasure: whatever is counted, there is a figure that can stand in a rig, or an
// error.
func FuzzMeasure(f *testing.F) {
	f.Add(int64(240), int64(1), 1.0, 0.0, 60.0, 0.0, 0.0, 17, 65, 18)
	f.Add(int64(24000), int64(1001), 0.5, 0.01, 120.0, 1.0, 9000.0, 3, 30, 3)
	f.Add(int64(0), int64(-1), 0.0, -1.0, math.NaN(), 1e300, 1e-300, -5, 1<<40, 0)
	f.Fuzz(func(t *testing.T, num, den int64, reading, rolling, by, within, acceleration float64, moves, arrives, again int) {
		film := Film{num, den, reading, rolling}
		m := Move{By: by, Within: within, Acceleration: acceleration}
		s, err := Measure(film, m, []Count{{moves, arrives}, {again, arrives}})
		if err != nil {
			return
		}
		for _, v := range []Value{s.Delay, s.Speed} {
			if !(v.V >= 0 && v.V <= 1e15) || !(v.Standard > 0) || !(v.Expanded >= 2*v.Standard) || math.IsInf(v.Expanded, 0) || !(v.Freedom >= 1) {
				t.Fatalf("%+v", s)
			}
		}
		if p, err := Propose(film, m, s.Speed.V, s.Speed.V/20, math.Abs(by)); err == nil && (!(p.Move > 0) || p.Frames < 0) {
			t.Fatalf("%+v", p)
		}
	})
}
