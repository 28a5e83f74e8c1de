package card

import (
	"bytes"
	"errors"
	"fmt"
	"hash/crc32"

	"limberjack/transport/wire"
)

// Header is the first sector of a container.
type Header struct {
	Sectors  uint32 // of the file
	CRC      uint32 // CRC-32 of all sectors but the first
	Print    uint32 // fingerprint of the channels, see Print
	Rig      uint32 // CRC-32 of the rig's fingerprint, as in the wire's identity
	Period   uint32 // ns from frame to frame by the board's own clock
	Drift    int32  // parts per thousand million by which that clock runs fast
	Tick     uint32 // ps
	Channels uint8
	Frames   uint8 // a sector
	Motions  uint16
	Table    uint32 // first sector of the table of motions
	Data     uint32 // first sector of frames
	Board    uint8  // its number in the index
	Name     string // of the board
}

var (
	magicCard = []byte("LJCARD")
	magicShow = []byte("LJSHOW")
)

func (h *Header) put(s []byte) {
	begin(s, kindHeader, Version, 0)
	copy(s[bodyAt:], magicCard)
	le.PutUint32(s[12:], h.Sectors)
	le.PutUint32(s[16:], h.CRC)
	le.PutUint32(s[20:], h.Print)
	le.PutUint32(s[24:], h.Rig)
	le.PutUint32(s[28:], h.Period)
	le.PutUint32(s[32:], uint32(h.Drift))
	le.PutUint32(s[36:], h.Tick)
	s[40], s[41] = h.Channels, h.Frames
	le.PutUint16(s[42:], h.Motions)
	le.PutUint32(s[44:], h.Table)
	le.PutUint32(s[48:], h.Data)
	s[52] = h.Board
	putText(s[56:56+nameSize], h.Name)
	seal(s)
}

func readHeader(s []byte) (*Header, error) {
	if err := leading(s, kindHeader, Version, magicCard, "a container"); err != nil {
		return nil, err
	}
	h := &Header{Sectors: le.Uint32(s[12:]), CRC: le.Uint32(s[16:]), Print: le.Uint32(s[20:]), Rig: le.Uint32(s[24:]),
		Period: le.Uint32(s[28:]), Drift: int32(le.Uint32(s[32:])), Tick: le.Uint32(s[36:]), Channels: s[40], Frames: s[41],
		Motions: le.Uint16(s[42:]), Table: le.Uint32(s[44:]), Data: le.Uint32(s[48:]), Board: s[52], Name: text(s[56 : 56+nameSize])}
	var again Sector
	h.put(again[:])
	if !bytes.Equal(again[:], s) {
		return nil, errNotZero
	}
	return h, h.sane()
}

// leading is an error where a sector is not the first of a file, of at most a version.
func leading(s []byte, k kind, newest uint8, magic []byte, what string) error {
	if !bytes.Equal(s[bodyAt:bodyAt+len(magic)], magic) {
		return fmt.Errorf("it does not begin like %s of a card", what)
	}
	if err := sound(s, max(Version, min(s[1], newest)), 0); err != nil {
		return err
	}
	return expect(s, k)
}

// sane is an error where the numbers of a header do not fit each other.
func (h *Header) sane() error {
	table := 1 + sectorsFor(int(h.Channels))
	switch {
	case h.Channels < 1 || h.Channels > wire.MaxChannels:
		return fmt.Errorf("it gives %d channels, and there are 1 to %d", h.Channels, wire.MaxChannels)
	case h.Frames != framesASector(int(h.Channels)):
		return fmt.Errorf("it gives %d frames a sector, and %d channels have %d", h.Frames, h.Channels, framesASector(int(h.Channels)))
	case h.Motions < 1 || h.Motions > maxMotions:
		return fmt.Errorf("it gives %d motions, and there are 1 to %d", h.Motions, maxMotions)
	case h.Period == 0 || h.Tick == 0:
		return errors.New("its period or its tick is 0")
	case h.Drift < -maxDrift || h.Drift > maxDrift:
		return fmt.Errorf("its clock runs wrong by %d parts per thousand million", h.Drift)
	case h.Table != uint32(table) || h.Data != uint32(table+sectorsFor(int(h.Motions))):
		return errors.New("its tables do not stand where they should")
	case h.Sectors <= h.Data || h.Sectors > maxSectors:
		return fmt.Errorf("it gives %d sectors for the file", h.Sectors)
	}
	return nil
}

// Bounds of what the format holds.
const (
	maxMotions = 65534
	maxSectors = 1<<23 - 1     // a file of FAT has fewer than 2^32 bytes
	maxDrift   = 1_000_000_000 // nothing runs twice as fast; keeps times sane
)

func framesASector(channels int) uint8 { return uint8(frameRoom / 2 / max(1, channels)) }

// seconds gives the true time of so many frames.
func (h *Header) seconds(frames int64) float64 {
	return float64(frames) * float64(h.Period) / (1e9 + float64(h.Drift))
}

// Channel is one output, as the wire's message of that name has it, with the data of
// a soft start.
type Channel struct {
	Output       uint8
	Unit         wire.Unit
	Lost         wire.Policy
	Flags        wire.Flags
	Offset       uint16 // ticks
	Low, High    int32
	Rest         int32  // the safe pose
	Change, Slow uint32 // units a frame, units a frame a frame
	Soft, Rise   uint32 // the same of a soft start, in 1/65536
	Name         string
}

// FlagTrigger marks the output that starts the sound player.
const FlagTrigger wire.Flags = 4

// printed is how many bytes of a record of a channel Print covers.
const printed = 20

func (c *Channel) put(r []byte) {
	r[0], r[1], r[2], r[3] = c.Output, byte(c.Unit), byte(c.Lost), byte(c.Flags)
	le.PutUint16(r[4:], c.Offset)
	le.PutUint32(r[8:], uint32(c.Low))
	le.PutUint32(r[12:], uint32(c.High))
	le.PutUint32(r[16:], uint32(c.Rest))
	le.PutUint32(r[20:], c.Change)
	le.PutUint32(r[24:], c.Slow)
	le.PutUint32(r[28:], c.Soft)
	le.PutUint32(r[32:], c.Rise)
	putText(r[36:], c.Name)
}

func readChannel(r []byte) (c Channel, err error) {
	c = Channel{Output: r[0], Unit: wire.Unit(r[1]), Lost: wire.Policy(r[2]), Flags: wire.Flags(r[3]), Offset: le.Uint16(r[4:]),
		Low: int32(le.Uint32(r[8:])), High: int32(le.Uint32(r[12:])), Rest: int32(le.Uint32(r[16:])),
		Change: le.Uint32(r[20:]), Slow: le.Uint32(r[24:]), Soft: le.Uint32(r[28:]), Rise: le.Uint32(r[32:]), Name: text(r[36:])}
	var again [recordSize]byte
	c.put(again[:])
	switch {
	case !bytes.Equal(again[:], r):
		return c, errNotZero
	case c.Unit > wire.UnitState || c.Lost > wire.PolicyRelease || c.Flags > 7:
		return c, fmt.Errorf("output %d has an unknown unit, policy or flag", c.Output)
	case c.Low > c.Rest || c.Rest > c.High || c.Unit == wire.UnitTicks && c.Low < 1:
		return c, fmt.Errorf("the limits of output %d are %d, %d and %d", c.Output, c.Low, c.Rest, c.High)
	case c.Change == 0 || c.Slow == 0 || c.Soft == 0 || c.Rise == 0:
		return c, fmt.Errorf("output %d may not move at all", c.Output)
	}
	return c, nil
}

// Print gives the fingerprint of a board's channels, by which a board knows that a
// card is for it: the CRC-32 of the tick in ps and of what the records of the
// channels say of outputs, units, policies, flags, offsets, limits and rest.
func Print(tick uint32, channels []Channel) uint32 {
	var r [recordSize]byte
	le.PutUint32(r[:], tick)
	crc := crc32.ChecksumIEEE(r[:4])
	for i := range channels {
		clear(r[:])
		channels[i].put(r[:])
		crc = crc32.Update(crc, crc32.IEEETable, r[:printed])
	}
	return crc
}

// Motion is the place of one motion in a container.
type Motion struct {
	First   uint32 // its first sector
	Frames  uint32
	From    uint32 // frame with which a round of a loop begins
	CRC     uint32 // CRC-32 of its sectors
	Sectors uint32 // of frames
	Prelude uint16 // frames before performance time 0
	Words   uint16 // sectors of cues, behind those of frames
	Flags   uint8
	Name    string
}

// Flags of a motion.
const (
	FlagLoop     = 1
	FlagSeamless = 2
)

func (m *Motion) put(r []byte) {
	le.PutUint32(r[0:], m.First)
	le.PutUint32(r[4:], m.Frames)
	le.PutUint32(r[8:], m.From)
	le.PutUint32(r[12:], m.CRC)
	le.PutUint32(r[16:], m.Sectors)
	le.PutUint16(r[20:], m.Prelude)
	le.PutUint16(r[22:], m.Words)
	r[24] = m.Flags
	putText(r[36:], m.Name)
}

func readMotion(r []byte) (m Motion, err error) {
	m = Motion{First: le.Uint32(r), Frames: le.Uint32(r[4:]), From: le.Uint32(r[8:]), CRC: le.Uint32(r[12:]), Sectors: le.Uint32(r[16:]),
		Prelude: le.Uint16(r[20:]), Words: le.Uint16(r[22:]), Flags: r[24], Name: text(r[36:])}
	var again [recordSize]byte
	m.put(again[:])
	if !bytes.Equal(again[:], r) {
		return m, errNotZero
	}
	return m, nil
}

// sane is an error where a motion's numbers do not fit each other or its file.
func (m *Motion) sane(h *Header, first uint64) error {
	want := sectorsOf(int64(m.Frames), h.Frames)
	round := uint32(0)
	if m.Flags == FlagLoop|FlagSeamless {
		round = uint32(m.Prelude)
	}
	switch {
	case uint64(m.First) != first:
		return fmt.Errorf("motion %s begins at sector %d and should at %d", printable(m.Name), m.First, first)
	case m.Frames == 0 || uint32(m.Prelude) >= m.Frames || m.From != round || m.Flags > 3:
		return fmt.Errorf("the numbers of frames of motion %s do not fit each other", printable(m.Name))
	case int64(m.Sectors) != want || m.end() > uint64(h.Sectors):
		return fmt.Errorf("motion %s gives %d sectors for %d frames", printable(m.Name), m.Sectors, m.Frames)
	}
	return nil
}

// end gives the sector behind the motion.
func (m *Motion) end() uint64 { return uint64(m.First) + uint64(m.Sectors) + uint64(m.Words) }

// count gives how many frames the i-th of its sectors holds.
func (m *Motion) count(i uint32, h *Header) int {
	return int(min(int64(h.Frames), int64(m.Frames)-int64(i)*int64(h.Frames)))
}

// sectorsOf gives how many sectors so many frames take.
func sectorsOf(frames int64, each uint8) int64 { return (frames + int64(each) - 1) / int64(each) }
