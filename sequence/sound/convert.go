package sound

import (
	"encoding/binary"
	"math"
)

// converter turns raw samples into numbers, one for each of dst. It returns
// the index of the first sample that is not a finite float32, or -1. PCM
// samples of fewer significant bits than their container stand at its top, so
// full scale is the container's.
type converter func(dst []float32, src []byte) int

// fromUint8 reads offset binary: 128 is silence.
func fromUint8(dst []float32, src []byte) int {
	src = src[:len(dst)]
	for i, b := range src {
		dst[i] = float32(int(b)-128) * (1.0 / (1 << 7))
	}
	return -1
}

func fromInt16(dst []float32, src []byte) int {
	src = src[:2*len(dst)]
	for i := range dst {
		v := int16(binary.LittleEndian.Uint16(src[2*i:]))
		dst[i] = float32(v) * (1.0 / (1 << 15))
	}
	return -1
}

func fromInt24(dst []float32, src []byte) int {
	src = src[:3*len(dst)]
	for i := range dst {
		s := src[3*i : 3*i+3 : 3*i+3]
		v := int32(uint32(s[0])<<8 | uint32(s[1])<<16 | uint32(s[2])<<24)
		dst[i] = float32(v>>8) * (1.0 / (1 << 23))
	}
	return -1
}

// fromInt32 rounds to the nearest float32: 24 significant bits remain.
func fromInt32(dst []float32, src []byte) int {
	src = src[:4*len(dst)]
	for i := range dst {
		v := int32(binary.LittleEndian.Uint32(src[4*i:]))
		dst[i] = float32(v) * (1.0 / (1 << 31))
	}
	return -1
}

// exponent32 masks the exponent of a float32, all ones in a NaN or infinity.
const exponent32 = 0x7F800000

func fromFloat32(dst []float32, src []byte) int {
	src = src[:4*len(dst)]
	for i := range dst {
		u := binary.LittleEndian.Uint32(src[4*i:])
		if u&exponent32 == exponent32 {
			return i
		}
		dst[i] = math.Float32frombits(u)
	}
	return -1
}

func fromFloat64(dst []float32, src []byte) int {
	src = src[:8*len(dst)]
	for i := range dst {
		v := float32(math.Float64frombits(binary.LittleEndian.Uint64(src[8*i:])))
		if math.Float32bits(v)&exponent32 == exponent32 {
			return i
		}
		dst[i] = v
	}
	return -1
}
