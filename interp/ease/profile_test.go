package ease

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"os"
	"testing"
)

// Durations by Ruckig, an independent implementation; testdata/rest_to_rest.json
// says which and how.
func TestRestToRestAgainstRuckig(t *testing.T) {
	text, err := os.ReadFile("testdata/rest_to_rest.json")
	if err != nil {
		t.Fatal(err)
	}
	var table struct {
		Cases []struct {
			From, To, Speed, Acceleration, Jerk, Duration float64
			Phases                                        [7]float64
		}
	}
	if err := json.Unmarshal(text, &table); err != nil {
		t.Fatal(err)
	}
	if len(table.Cases) < 40 {
		t.Fatalf("%d cases only", len(table.Cases))
	}
	for i, c := range table.Cases {
		l := Limits{c.Speed, c.Acceleration, c.Jerk}
		p := RestToRest(c.To-c.From, l)
		if got := p.Duration(); math.Abs(got-c.Duration) > 1e-9*c.Duration {
			t.Errorf("case %d takes %v s, want %v s", i, got, c.Duration)
		}
		checkProfile(t, p, c.To-c.From, l)
	}
}

// checkProfile verifies rest at both ends, the limits throughout, continuity,
// and the phases against At.
func checkProfile(t *testing.T, p Profile, distance float64, l Limits) {
	t.Helper()
	total, size := p.Duration(), math.Abs(distance)
	const slack = 1 + 1e-12
	var before float64
	const n = 400
	for i := range n {
		at := total * float64(i) / n
		pos, v, a, j := p.At(at)
		if math.Abs(v) > l.Speed*slack || math.Abs(a) > l.Acceleration*slack || l.Jerk > 0 && math.Abs(j) > l.Jerk*slack {
			t.Fatalf("%+v over %v: %v %v %v at %v s", l, distance, v, a, j, at)
		}
		if step := pos*math.Copysign(1, distance) - before; step < -1e-14*size || step > l.Speed*total/n*slack+1e-14*size {
			t.Fatalf("%+v over %v: moves by %v in one step at %v s", l, distance, step, at)
		}
		before = math.Abs(pos)
	}
	if pos, v, a, _ := p.At(total); pos != distance || v != 0 || a != 0 {
		t.Errorf("%+v over %v: ends at %v, speed %v, acceleration %v", l, distance, pos, v, a)
	}
	if pos, v, _, _ := p.At(-1); pos != 0 || v != 0 {
		t.Errorf("%+v over %v: starts from %v at %v", l, distance, pos, v)
	}
	checkPhases(t, p, distance, l)
}

func checkPhases(t *testing.T, p Profile, distance float64, l Limits) {
	t.Helper()
	phases := p.Phases(nil)
	size, jumps := math.Abs(distance), l.Jerk == 0 || math.IsInf(l.Jerk, 1)
	from, place, speed, acceleration := 0.0, 0.0, 0.0, 0.0
	near := func(got, want, tol float64) bool { return math.Abs(got-want) <= tol }
	// Times since the start are rounded, so that a phase is a little too long or
	// too short; the next derivative turns that into an error.
	late := 4 * 0x1p-52 * p.Duration()
	size = 2e-13*size + late*l.Speed
	tolSpeed := 2e-13*l.Speed + late*l.Acceleration
	tolAcceleration := 2e-13*l.Acceleration + late*l.Jerk
	for i, f := range phases {
		if f.T0 != from || !(f.T1 > f.T0) {
			t.Fatalf("phase %d lasts from %v to %v s after %v s", i, f.T0, f.T1, from)
		}
		if !near(f.C[0], place, size) || !near(f.C[1], speed, tolSpeed) || !jumps && !near(2*f.C[2], acceleration, tolAcceleration) {
			t.Errorf("%+v over %v: phase %d starts with %v after %v %v %v", l, distance, i, f.C, place, speed, acceleration)
		}
		var half float64
		place, speed, half, _ = polyAt(f.C[:], f.T1-f.T0)
		acceleration, from = half, f.T1
		middle := (f.T0 + f.T1) / 2
		want, _, _, _ := p.At(middle)
		if got := polyValue(f.C[:], middle-f.T0); !near(got, want, size) {
			t.Errorf("%+v over %v: phase %d gives %v, At %v", l, distance, i, got, want)
		}
	}
	if len(phases) > 0 && place != distance {
		t.Errorf("%+v: phases end at %v, want %v", l, place, distance)
	}
	if !near(speed, 0, tolSpeed) || !jumps && !near(acceleration, 0, tolAcceleration) {
		t.Errorf("%+v over %v: phases end with speed %v, acceleration %v", l, distance, speed, acceleration)
	}
}

func TestRestToRestForAnyLimits(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 8))
	limit := func() float64 { return math.Pow(10, 6*r.Float64()-3) }
	for range 3000 {
		l := Limits{limit(), limit(), limit()}
		if r.IntN(4) == 0 {
			l.Jerk = 0
		}
		distance := limit() * float64(2*r.IntN(2)-1)
		checkProfile(t, RestToRest(distance, l), distance, l)
	}
}

// Worked by hand, one for each way in which limits are or are not reached.
func TestRestToRestByHand(t *testing.T) {
	inf := math.Inf(1)
	tests := []struct {
		what     string
		distance float64
		limits   Limits
		duration float64
	}{
		{"nowhere", 0, Limits{1, 1, 1}, 0},
		{"all limits: ramps 1 s, constant 1 s, cruise 1 s", 8, Limits{2, 1, 1}, 7},
		{"speed not reached: ramps 1 s, constant 1 s", 6, Limits{9, 1, 1}, 6},
		{"speed just reached", 6, Limits{2, 1, 1}, 6},
		{"neither reached: four ramps of 1 s", 2, Limits{9, 9, 1}, 4},
		{"acceleration just reached", 2, Limits{9, 1, 1}, 4},
		{"acceleration not reached, speed reached: cruise 1 s", 3, Limits{1, 9, 1}, 5},
		{"backwards", -8, Limits{2, 1, 1}, 7},
		{"no jerk limit: 2 s up, 1 s cruise, 2 s down", 6, Limits{2, 1, 0}, 5},
		{"no jerk limit, as an infinity", 6, Limits{2, 1, inf}, 5},
		{"no jerk limit, a triangle", 4, Limits{9, 1, 0}, 4},
		{"speed alone", 6, Limits{2, inf, inf}, 3},
		{"acceleration alone", 4, Limits{inf, 1, 0}, 4},
		{"jerk alone", 2, Limits{inf, inf, 1}, 4},
		{"acceleration and jerk", 6, Limits{inf, 1, 1}, 6},
		{"speed and jerk", 3, Limits{1, inf, 1}, 5},
		{"nothing limits it", 3, Limits{inf, inf, 0}, 0},
	}
	for _, tt := range tests {
		p := RestToRest(tt.distance, tt.limits)
		if got := p.Duration(); math.Abs(got-tt.duration) > 1e-14 {
			t.Errorf("%s: %v s, want %v s", tt.what, got, tt.duration)
		}
		if pos, v, a, _ := p.At(p.Duration()); pos != tt.distance || v != 0 || a != 0 {
			t.Errorf("%s: ends at %v, speed %v, acceleration %v", tt.what, pos, v, a)
		}
	}
}

// The s-curve ease is the profile whose seven phases last equally long.
func TestSCurveIsTheEqualProfile(t *testing.T) {
	p := RestToRest(1, Limits{1.75, 6.125, 42.875})
	if math.Abs(p.Duration()-1) > 1e-14 {
		t.Fatalf("takes %v s", p.Duration())
	}
	e := mustParse(t, "s-curve")
	for i := range 1000 {
		x := float64(i) / 1000
		pos, v, _, _ := p.At(x)
		if want, slope, _, _ := e.At(x); math.Abs(pos-want) > 1e-14 || math.Abs(v-slope) > 1e-13 {
			t.Fatalf("at %v: %v, the ease gives %v", x, pos, want)
		}
	}
}

func TestRestToRestRefusesWhatIsNoLimit(t *testing.T) {
	nan := math.NaN()
	for _, l := range []Limits{{0, 1, 1}, {1, 0, 1}, {-1, 1, 1}, {1, 1, -1}, {nan, 1, 1}, {1, nan, 1}, {1, 1, nan}} {
		p := RestToRest(1, l)
		pos, v, _, _ := p.At(1e9)
		if !math.IsInf(p.Duration(), 1) || pos != 0 || v != 0 {
			t.Errorf("%+v: takes %v s and is at %v", l, p.Duration(), pos)
		}
	}
	if p := RestToRest(nan, Limits{1, 1, 1}); !math.IsInf(p.Duration(), 1) {
		t.Errorf("a distance of NaN takes %v s", p.Duration())
	}
}

func TestRestToRestDoesNotAllocate(t *testing.T) {
	phases := make([]Phase, 0, 7)
	n := testing.AllocsPerRun(100, func() {
		phases = RestToRest(40, Limits{250, 1500, 20000}).Phases(phases[:0])
	})
	if n != 0 {
		t.Errorf("%v allocations", n)
	}
}
