package card

import (
	"hash/crc32"
	"math/bits"
)

// Random is the generator of random intervals: 32 bits, shifts 13, 17 and 5, from G.
// Marsaglia, "Xorshift RNGs", Journal of Statistical Software 8(14), 2003. Its state
// is not 0.
type Random uint32

// firstState is the first state of the example in the paper.
const firstState = 2463534242

// Next gives the next number.
func (r *Random) Next() uint32 {
	x := uint32(*r)
	x ^= x << 13
	x ^= x >> 17
	x ^= x << 5
	*r = Random(x)
	return x
}

// Interval draws an interval in ms, least to greatest, both included, all alike.
func (r *Random) Interval(least, greatest uint32) uint32 {
	span := greatest - least
	k := bits.Len32(span)
	if k == 0 {
		return least
	}
	for {
		if x := r.Next() >> (32 - k); x <= span {
			return least + x
		}
	}
}

// seedOf gives the first state for a motion whose show file has a seed.
func seedOf(seed uint64, motion int) uint32 {
	var b [10]byte
	le.PutUint64(b[:], seed)
	le.PutUint16(b[8:], uint16(motion))
	if x := crc32.ChecksumIEEE(b[:]); x != 0 {
		return x
	}
	return firstState
}
