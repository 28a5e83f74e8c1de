package live

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

// TestEndsScene1 is the end of scene 1: ends are widened by 10 us a step at most, and
// what nobody has confirmed is refused. The 10 us are common practice: 1 deg of a servo
// with 1000 us for 90 deg or more.
func TestEndsScene1(t *testing.T) {
	e := NewEnds(1500, 500, 2500)
	allow := func(pulse float64, want bool) {
		t.Helper()
		if err := e.Allow(pulse); (err == nil) != want {
			t.Fatalf("%v us after %v to %v: %v", pulse, e.reached[0], e.reached[1], err)
		}
	}
	allow(1510.5, false)
	allow(1489.5, false)
	for pulse := 1510.0; pulse <= 1900; pulse += 10 {
		allow(pulse+0.5, false)
		allow(pulse, true)
		e.Reached(pulse)
	}
	allow(1500, true) // back over what is known in one go
	e.Reached(1500)
	allow(1910, true)
	allow(1911, false)
	allow(1489, false)
	if _, _, err := e.Pulses(); err == nil || !strings.Contains(err.Error(), "the low end is not confirmed") {
		t.Errorf("nothing is confirmed: %v", err)
	}
	e.Confirm(LowEnd)
	if _, _, err := e.Pulses(); err == nil || !strings.Contains(err.Error(), "the high end is not confirmed") {
		t.Errorf("one end is confirmed: %v", err)
	}
	e.Reached(1540)
	e.Confirm(HighEnd)
	if _, _, err := e.Pulses(); err == nil {
		t.Error("ends 40 us apart are taken")
	}
	e.Reached(1900)
	e.Confirm(HighEnd)
	if low, high, err := e.Pulses(); err != nil || low != 1500 || high != 1900 {
		t.Errorf("%v to %v us, %v", low, high, err)
	}
	allow(math.NaN(), false)
	allow(math.Inf(1), false)
}

// TestEndsRandom walks at random: whatever is asked for, the stretch that was reached
// grows by 10 us a step at most, and never past what servos get.
func TestEndsRandom(t *testing.T) {
	rnd := rand.New(rand.NewPCG(1, 2))
	e := NewEnds(1500, 500, 2500)
	low, high := 1500.0, 1500.0
	for range 200_000 {
		pulse := low - 30 + rnd.Float64()*(high-low+60)
		if e.Allow(pulse) != nil {
			continue
		}
		if pulse < low-10 || pulse > high+10 || pulse < 500 || pulse > 2500 {
			t.Fatalf("%v us after %v to %v", pulse, low, high)
		}
		e.Reached(pulse)
		low, high = math.Min(low, pulse), math.Max(high, pulse)
	}
	if low > 501 || high < 2499 {
		t.Errorf("the walk only got from %v to %v us", low, high)
	}
}
