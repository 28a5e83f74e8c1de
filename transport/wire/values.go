package wire

import "encoding/binary"

// Values are 16-bit values as they stand on the wire, two bytes each.
type Values []byte

// Len gives the number of values.
func (v Values) Len() int { return len(v) / 2 }

// At gives value i.
func (v Values) At(i int) uint16 { return binary.LittleEndian.Uint16(v[2*i:]) }

// Set changes value i.
func (v Values) Set(i int, value uint16) { binary.LittleEndian.PutUint16(v[2*i:], value) }

// Add appends values.
func (v Values) Add(values ...uint16) Values {
	for _, x := range values {
		v = binary.LittleEndian.AppendUint16(v, x)
	}
	return v
}

// Mask has one bit a channel: bit i%8 of byte i/8, from the least.
type Mask []byte

// Has says whether bit i is set; a bit beyond the end is not.
func (m Mask) Has(i int) bool { return i/8 < len(m) && m[i/8]>>(i%8)&1 != 0 }

// Add gives the mask with bit i set, longer where it must be.
func (m Mask) Add(i int) Mask {
	for len(m) <= i/8 {
		m = append(m, 0)
	}
	m[i/8] |= 1 << (i % 8)
	return m
}

func maskSize(count int) int { return (count + 7) / 8 }

// appendMask appends the mask of count channels, of which mask may have fewer or more.
func appendMask(dst []byte, mask Mask, count int) []byte {
	n := maskSize(count)
	have := min(n, len(mask))
	dst = append(dst, mask[:have]...)
	for ; have < n; have++ {
		dst = append(dst, 0)
	}
	if rest := count % 8; rest != 0 {
		dst[len(dst)-1] &= 1<<rest - 1
	}
	return dst
}

// Has says whether an output can play a unit.
func (u Units) Has(unit Unit) bool { return unit < 8 && u>>unit&1 != 0 }

// Signed says whether a value of the unit is a two's complement.
func (u Unit) Signed() bool { return u == UnitDuty }

// Number gives what a value of the unit counts. For steps it gives the low 16 bits
// of the position, see Position.
func (u Unit) Number(value uint16) int32 {
	if u.Signed() {
		return int32(int16(value))
	}
	return int32(value)
}

// halves gives n bytes rounded up to whole values.
func halves(n int) int { return max(n, 0) + max(n, 0)%2 }

// counted gives the bytes of mask and values by the count at an offset of a payload,
// 0 where the payload ends before it.
func counted(p []byte, at int) int {
	if at >= len(p) {
		return 0
	}
	count := int(p[at])
	return maskSize(count) + 2*count
}
