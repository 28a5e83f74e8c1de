package board

import (
	"math/rand/v2"
	"time"
)

// Faults are what a bad link does to the messages of both directions. The zero value
// is a good link.
type Faults struct {
	Drop      float64       // probability that a message is lost
	Corrupt   float64       // that one of its bits is wrong
	Duplicate float64       // that it comes twice
	Delay     time.Duration // the longest time that it is late by; the order stays
	Seed      uint64        // of the random numbers
}

// mangler does the faults of one direction.
type mangler struct {
	Faults
	random *rand.Rand
	last   time.Time // when the last message is through
}

func newMangler(f Faults, direction uint64) *mangler {
	return &mangler{Faults: f, random: rand.New(rand.NewPCG(f.Seed, direction))}
}

// mangle changes a message in place, and says how many times it is through, and when.
func (m *mangler) mangle(b []byte, now time.Time) (times int, at time.Time) {
	if m.Delay > 0 {
		now = now.Add(time.Duration(m.random.Int64N(int64(m.Delay) + 1)))
	}
	if now.Before(m.last) {
		now = m.last
	}
	m.last = now
	if m.hit(m.Drop) {
		return 0, now
	}
	if m.hit(m.Corrupt) && len(b) > 0 {
		b[m.random.IntN(len(b))] ^= 1 << m.random.IntN(8)
	}
	if m.hit(m.Duplicate) {
		return 2, now
	}
	return 1, now
}

// hit throws the dice. Faults that are not asked for use up no random numbers.
func (m *mangler) hit(probability float64) bool {
	return probability > 0 && m.random.Float64() < probability
}
