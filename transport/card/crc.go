package card

import "hash/crc32"

// The CRC-32 of two runs of bytes follows from those of each: that of the first is
// multiplied by x to the number of bits in the second, modulo the polynomial, and
// the other is added. So motions can be written side by side. Polynomials stand as
// in hash/crc32, with the term of x^0 in the highest bit.

const crcOne = 1 << 31

// crcTimes multiplies two polynomials modulo the CRC's.
func crcTimes(a, b uint32) (product uint32) {
	for ; a != 0; a <<= 1 {
		if a&crcOne != 0 {
			product ^= b
		}
		b = b>>1 ^ crc32.IEEE&-(b&1)
	}
	return product
}

// crcShift gives x to the 8 n.
func crcShift(n int64) uint32 {
	power, result := uint32(crcOne>>8), uint32(crcOne)
	for ; n > 0; n >>= 1 {
		if n&1 != 0 {
			result = crcTimes(result, power)
		}
		power = crcTimes(power, power)
	}
	return result
}

// crcJoin gives the CRC-32 of bytes of which the first have CRC a, and the other n
// have CRC b.
func crcJoin(a, b uint32, n int64) uint32 { return crcTimes(crcShift(n), a) ^ b }
