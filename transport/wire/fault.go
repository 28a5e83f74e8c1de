package wire

import "fmt"

// Fault is what can be wrong with received bytes.
type Fault uint8

// The faults, in the order in which they are looked for.
const (
	FaultLong    Fault = iota // longer than a packet may be
	FaultFraming              // no packet: COBS, or the length in it, does not fit the bytes
	FaultCRC                  // the CRC does not fit the bytes
	FaultUnknown              // a kind that this side does not receive
	FaultShort                // a payload shorter than its kind needs, or half a value
)

// Error says what is wrong with received bytes, and where.
type Error struct {
	Fault  Fault
	Kind   Kind  // of the packet, as far as it could be read
	Offset int64 // byte, from the start of what was parsed: a packet, a payload or a stream
	Have   int   // bytes that are there, or the CRC that is there
	Want   int   // bytes that are allowed or needed, or the CRC of the bytes
}

func (e *Error) Error() string {
	switch e.Fault {
	case FaultLong:
		return fmt.Sprintf("byte %d: %d bytes of payload, the most is %d", e.Offset, e.Have, e.Want)
	case FaultFraming:
		if e.Have == e.Want {
			return fmt.Sprintf("byte %d: a zero inside a packet", e.Offset)
		}
		return fmt.Sprintf("byte %d: no whole packet: %d bytes are there, %d belong to it", e.Offset, e.Have, e.Want)
	case FaultCRC:
		return fmt.Sprintf("byte %d: the CRC is 0x%04x, but the bytes of this %v packet give 0x%04x", e.Offset, e.Have, e.Kind, e.Want)
	case FaultUnknown:
		return fmt.Sprintf("byte %d: message 0x%02x is not one that is received here", e.Offset, uint8(e.Kind))
	default:
		return fmt.Sprintf("byte %d: the payload of %v has %d bytes, but needs %d", e.Offset, e.Kind, e.Have, e.Want)
	}
}

// short checks the length of a payload against what its kind needs.
func short(k Kind, have, want int) error {
	if have >= want {
		return nil
	}
	return &Error{Fault: FaultShort, Kind: k, Offset: int64(have), Have: have, Want: want}
}
