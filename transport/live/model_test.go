package live

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"limberjack/transport/wire"
)

// measuredResonators are the errors in ppm of ceramic resonators on AVR boards as
// published in github.com/manitou48/crystals, crystals.txt.
var measuredResonators = []float64{-1330, -1422, 1258, -3283, -4330, -3729, 872, -51, -1751, -2484, -353}

// path is a link with a delay, and a board's clock, in simulation.
type path struct {
	ppm   float64
	epoch float64 // us, the board's time at host time 0
	delay func(*rand.Rand) (there, back float64)
	rnd   *rand.Rand
}

func (p *path) board(hostMicros float64) float64 { return p.epoch + hostMicros*(1+p.ppm*1e-6) }

func (p *path) tick(hostMicros float64) wire.Tick {
	return wire.Tick(int64(math.Floor(p.board(hostMicros))))
}

// exchange makes one round trip that leaves at a host time.
func (p *path) exchange(at time.Duration) Exchange {
	there, back := p.delay(p.rnd)
	taken := micros(at) + there
	answered := taken + 150
	return Exchange{Sent: at, Received: time.Duration((answered + back) * 1e3), Taken: p.tick(taken), Answered: p.tick(answered)}
}

// cable is a serial line with its scheduler: mostly even, sometimes late.
func cable(r *rand.Rand) (there, back float64) {
	return 1000 + r.ExpFloat64()*200, 1700 + r.ExpFloat64()*400
}

// wifi has round trips of 13 ms in the median and 47 ms at 99 %, as measured between a
// phone and a board; how a trip shares its wait between the ways is drawn.
func wifi(r *rand.Rand) (there, back float64) {
	const least = 3000
	sigma := math.Log(44.0/10.0) / 2.326
	wait := 10000 * math.Exp(sigma*r.NormFloat64())
	share := r.Float64()
	return least/2 + wait*share, least/2 + wait*(1-share)
}

// wall is Wi-Fi through a wall: 114 ms in the tail.
func wall(r *rand.Rand) (there, back float64) {
	there, back = wifi(r)
	if r.IntN(20) == 0 {
		back += 100000 * r.Float64()
	}
	return there, back
}

// offBy gives the error of the model's board time at a host time.
func offBy(m *Model, p *path, at time.Duration) time.Duration {
	return time.Duration(m.Tick(at).Since(p.tick(micros(at)))) * time.Microsecond
}

func TestModelFindsOffsetAndDrift(t *testing.T) {
	links := []struct {
		name   string
		delay  func(*rand.Rand) (float64, float64)
		offset time.Duration // error that is allowed after a minute
		drift  float64       // ppm
	}{
		{"cable", cable, 600 * time.Microsecond, 15},
		{"wifi", wifi, 5 * time.Millisecond, 90},
		{"wall", wall, 5 * time.Millisecond, 90},
	}
	for _, l := range links {
		for i, ppm := range measuredResonators {
			p := &path{ppm: ppm, epoch: float64(1<<32) - 30e6, delay: l.delay, rnd: rand.New(rand.NewPCG(uint64(i), 7))}
			var m Model
			for at := 5 * time.Second; at < 65*time.Second; at += 100 * time.Millisecond {
				m.Add(p.exchange(at))
			}
			now := 65 * time.Second
			if off := offBy(&m, p, now); off.Abs() > l.offset || off.Abs() > m.Uncertainty(now) {
				t.Errorf("%s, %v ppm: off by %v, allowed are %v and what it says, %v", l.name, ppm, off, l.offset, m.Uncertainty(now))
			}
			if got, sd := m.Drift(); math.Abs(got-ppm) > l.drift || sd > l.drift {
				t.Errorf("%s: the drift is %.1f ± %.1f ppm, not %v", l.name, got, sd, ppm)
			}
		}
	}
}

// TestModelHoldsFromTheStart looks at the first seconds, in which a resonator's drift
// is not yet known: a frame 400 ms ahead may be off by 45 ms at most, which is what
// viewers accept of late sound.
func TestModelHoldsFromTheStart(t *testing.T) {
	for i, ppm := range measuredResonators {
		p := &path{ppm: ppm, epoch: 1e6, delay: wall, rnd: rand.New(rand.NewPCG(uint64(i), 3))}
		var m Model
		for at := time.Duration(0); at < 10*time.Second; at += 100 * time.Millisecond {
			m.Add(p.exchange(at))
			if at < 700*time.Millisecond {
				continue // eight round trips come before a board is set up
			}
			if off := offBy(&m, p, at+400*time.Millisecond); off.Abs() > 45*time.Millisecond {
				t.Errorf("%v ppm, after %v: off by %v", ppm, at, off)
			}
		}
	}
}

func TestModelCrossesTheWrap(t *testing.T) {
	p := &path{ppm: 872, epoch: float64(1<<32) - 2e6, delay: cable, rnd: rand.New(rand.NewPCG(1, 1))}
	var m Model
	for at := time.Duration(0); at < 4*time.Second; at += 50 * time.Millisecond {
		if !m.Add(p.exchange(at)) {
			t.Fatalf("the round trip at %v was left out", at)
		}
		if off := offBy(&m, p, at+300*time.Millisecond); off.Abs() > 3*time.Millisecond {
			t.Fatalf("at %v it is off by %v", at, off)
		}
		back := m.Host(m.Tick(at + time.Second))
		if d := back - at - time.Second; d.Abs() > 2*time.Microsecond {
			t.Fatalf("there and back again gives %v more", d)
		}
	}
}

func TestModelBeginsAnewAfterAReset(t *testing.T) {
	p := &path{ppm: -353, epoch: 8e8, delay: cable, rnd: rand.New(rand.NewPCG(1, 2))}
	var m Model
	at := time.Duration(0)
	for ; at < 3*time.Second; at += 100 * time.Millisecond {
		m.Add(p.exchange(at))
	}
	p.epoch = -micros(at) // the board's clock begins at 0
	fits := 0
	for n := range 6 {
		if m.Add(p.exchange(at)) && n < jumpsToReset {
			fits++
		}
		at += 100 * time.Millisecond
	}
	if fits > 0 {
		t.Errorf("%d round trips of another clock were taken for the old one", fits)
	}
	if off := offBy(&m, p, at); off.Abs() > 2*time.Millisecond {
		t.Errorf("off by %v after the reset", off)
	}
}

// TestModelLeavesOneLiarOut: a single wrong time changes nothing.
func TestModelLeavesOneLiarOut(t *testing.T) {
	p := &path{ppm: 10, delay: cable, rnd: rand.New(rand.NewPCG(1, 3))}
	var m Model
	for at := time.Duration(0); at < 2*time.Second; at += 100 * time.Millisecond {
		m.Add(p.exchange(at))
	}
	before := m.Tick(3 * time.Second)
	e := p.exchange(2 * time.Second)
	e.Taken, e.Answered = e.Taken.Add(1e6), e.Answered.Add(1e6)
	if m.Add(e) || m.Tick(3*time.Second) != before {
		t.Error("a time that is off by a second was taken")
	}
}

// TestModelTakesTheTrim: what a rig knows of its board's clock holds until more is
// known.
func TestModelTakesTheTrim(t *testing.T) {
	m := Model{Trim: -3100}
	if ppm, _ := m.Drift(); ppm != -3100 {
		t.Errorf("the drift is %v before anything was measured", ppm)
	}
	p := &path{ppm: -3100, delay: cable, rnd: rand.New(rand.NewPCG(4, 4))}
	for at := time.Duration(0); at < time.Second; at += 100 * time.Millisecond {
		m.Add(p.exchange(at))
	}
	// The prior is +-3000 ppm; a second of cable says much more.
	if ppm, sd := m.Drift(); math.Abs(ppm+3100) > 600 || sd > 600 {
		t.Errorf("the drift is %v ± %v", ppm, sd)
	}
}

func BenchmarkModelAdd(b *testing.B) {
	p := &path{ppm: -1422, delay: wifi, rnd: rand.New(rand.NewPCG(1, 1))}
	var m Model
	at := time.Duration(0)
	b.ReportAllocs()
	for b.Loop() {
		at += 100 * time.Millisecond
		m.Add(p.exchange(at))
	}
}
