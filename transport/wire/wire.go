// Package wire has the messages between a host and a controller board: their
// layouts, the packet around them, its check value and its framing on a serial
// line. PROTOCOL.md beside it explains them to people who write a board.
//
// A host and a board each keep one Encoder for what they send and one Decoder for
// what they receive. On a serial line:
//
//	buf, err = enc.Frame(buf[:0], &wire.Query{Topic: wire.TopicPose})
//	dec.Write(received, func(p wire.Packet) { ... })
//
// and on a WebSocket, where one binary message is one packet:
//
//	buf, err = enc.Packet(buf[:0], &wire.Query{Topic: wire.TopicPose})
//	p, err := dec.Take(received)
//
// A packet's payload is read by the message of its kind, without copying:
//
//	switch p.Kind {
//	case wire.KindFrames:
//		err = frames.Decode(p.Payload)
//	}
//
// Integers are little-endian. Nothing here allocates, except errors.
package wire

//go:generate go run ./tables

import "encoding/binary"

const (
	// MaxPayload is the greatest length of a payload in bytes.
	MaxPayload = 240
	// Overhead is what a packet has besides its payload: kind, length, sequence
	// number and CRC.
	Overhead = 6
	// MaxPacket is the greatest length of a packet in bytes.
	MaxPacket = Overhead + MaxPayload
	// MaxFrame is the greatest length of a packet on a serial line: one byte of
	// COBS, the packet, and the 0x00 that ends it. A packet is too short for a
	// second byte of COBS.
	MaxFrame = MaxPacket + 2
	// MaxChannels is how many channels a board can have: a pose of 112 fills a
	// payload exactly.
	MaxChannels = 112
	// BitsPerByte is what a byte takes on a serial line with 8 data bits, no
	// parity and one stop bit.
	BitsPerByte = 10
)

const headSize = 4

// Kind is the number of a message. Numbers below 0x40 are sent by the host,
// those from 0x40 to 0x7f by the board.
type Kind uint8

// Side is an end of the wire.
type Side uint8

// The sides. Either stands for both where a program only looks on.
const (
	Either Side = iota
	FromHost
	FromBoard
)

// Message is what a packet carries. The messages of this package are the pointers
// to their structs.
type Message interface {
	Kind() Kind
	// Append appends the payload.
	Append(dst []byte) []byte
	// Decode reads a payload, whose bytes the message then shares. A payload that
	// is longer than this version knows is fine; one that is shorter is an *Error.
	Decode(payload []byte) error
}

// Packet is one message with its number, as it came. Payload shares the bytes it
// was parsed from.
type Packet struct {
	Kind     Kind
	Sequence uint16
	Payload  []byte
}

// Append appends the packet with its CRC. A payload above MaxPayload is an *Error.
func (p Packet) Append(dst []byte) ([]byte, error) {
	start := len(dst)
	dst = append(dst, byte(p.Kind), 0, byte(p.Sequence), byte(p.Sequence>>8))
	return seal(append(dst, p.Payload...), start)
}

// seal fills in the length of the packet that begins at start, and appends the CRC.
// On an error it gives dst up to start.
func seal(dst []byte, start int) ([]byte, error) {
	n := len(dst) - start - headSize
	if n > MaxPayload {
		return dst[:start], &Error{Fault: FaultLong, Kind: Kind(dst[start]), Offset: 1, Have: n, Want: MaxPayload}
	}
	dst[start+1] = byte(n)
	return binary.LittleEndian.AppendUint16(dst, Checksum(dst[start:])), nil
}

// ParsePacket reads one packet that is all of b, whatever its kind, and checks its
// length and its CRC. Errors are *Error, with an offset in b.
func ParsePacket(b []byte) (Packet, error) {
	if len(b) < Overhead {
		return Packet{}, &Error{Fault: FaultFraming, Offset: int64(len(b)), Have: len(b), Want: Overhead}
	}
	kind, n := Kind(b[0]), int(b[1])
	if n > MaxPayload || len(b) > MaxPacket {
		return Packet{}, &Error{Fault: FaultLong, Kind: kind, Offset: 1, Have: max(n, len(b)-Overhead), Want: MaxPayload}
	}
	if len(b) != n+Overhead {
		return Packet{}, &Error{Fault: FaultFraming, Kind: kind, Offset: 1, Have: len(b), Want: n + Overhead}
	}
	end := headSize + n
	have, want := binary.LittleEndian.Uint16(b[end:]), Checksum(b[:end])
	if have != want {
		return Packet{}, &Error{Fault: FaultCRC, Kind: kind, Offset: int64(end), Have: int(have), Want: int(want)}
	}
	return Packet{Kind: kind, Sequence: binary.LittleEndian.Uint16(b[2:]), Payload: b[headSize:end:end]}, nil
}

// Encoder numbers the messages of one direction. The zero value begins at 0. A
// message gets its number when it is encoded: where stops overtake frames, messages
// wait as messages, and are encoded when they leave.
type Encoder struct {
	next   uint16
	packet [MaxPacket + 1]byte
}

// Sequence gives the number that the next packet will have.
func (e *Encoder) Sequence() uint16 { return e.next }

// Packet appends a message as a packet, as a WebSocket carries it. A payload above
// MaxPayload is an *Error, and takes no number.
func (e *Encoder) Packet(dst []byte, m Message) ([]byte, error) {
	start := len(dst)
	dst = append(dst, byte(m.Kind()), 0, byte(e.next), byte(e.next>>8))
	dst, err := seal(m.Append(dst), start)
	if err == nil {
		e.next++
	}
	return dst, err
}

// Frame appends a message as a serial line carries it: the packet in COBS, and the
// 0x00 that ends it.
func (e *Encoder) Frame(dst []byte, m Message) ([]byte, error) {
	packet, err := e.Packet(e.packet[:0], m)
	if err != nil {
		return dst, err
	}
	return append(AppendCOBS(dst, packet), 0), nil
}
