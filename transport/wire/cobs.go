package wire

// fullBlock is the code of a block of 254 bytes that no zero follows.
const fullBlock = 0xff

// AppendCOBS appends src without zeros, by Consistent Overhead Byte Stuffing
// (Cheshire and Baker, IEEE/ACM Transactions on Networking 7(2), 1999). It adds a
// byte for each begun 254, at least one. A full block at the end is not followed by
// an empty one. The zero that ends a frame is not appended. src must not lie in the
// room behind dst.
func AppendCOBS(dst, src []byte) []byte {
	code := len(dst)
	dst = append(dst, 0)
	for i, b := range src {
		if b != 0 {
			dst = append(dst, b)
		}
		n := len(dst) - code
		if b == 0 || n == fullBlock && i < len(src)-1 {
			dst[code] = byte(n)
			code = len(dst)
			dst = append(dst, 0)
		}
	}
	dst[code] = byte(len(dst) - code)
	return dst
}

// DecodeCOBS decodes b in place and gives the number of bytes there are then. The
// zero that ends a frame must have been taken off. A full block at the end may be
// followed by an empty one or not. A zero in b, a code that points past the end of
// b, and an empty b are an *Error; the bytes of b are then undefined.
func DecodeCOBS(b []byte) (int, error) {
	if len(b) == 0 {
		return 0, &Error{Fault: FaultFraming, Have: 0, Want: 1}
	}
	n := 0
	for i := 0; i < len(b); {
		code := int(b[i])
		if code == 0 {
			return 0, zeroInside(i, len(b))
		}
		if i+code > len(b) {
			return 0, &Error{Fault: FaultFraming, Offset: int64(i), Have: len(b), Want: i + code}
		}
		for k, c := range b[i+1 : i+code] {
			if c == 0 {
				return 0, zeroInside(i+1+k, len(b))
			}
			b[n] = c
			n++
		}
		i += code
		if code != fullBlock && i < len(b) {
			b[n] = 0
			n++
		}
	}
	return n, nil
}

// zeroInside is a fault of framing in which all bytes are there.
func zeroInside(at, length int) error {
	return &Error{Fault: FaultFraming, Offset: int64(at), Have: length, Want: length}
}
