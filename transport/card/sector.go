package card

import (
	"encoding/binary"
	"fmt"
	"unicode/utf8"

	"limberjack/transport/wire"
)

// SectorSize is the size of a sector in bytes.
const SectorSize = 512

// Sector is a sector in memory.
type Sector [SectorSize]byte

// Versions of the format.
const (
	Version      = 1 // of containers, and of an index in which no motion comes after another
	IndexVersion = 2 // of an index in which one does; the newest that is read
)

// kind is the first byte of a sector.
type kind byte

const (
	kindHeader   kind = 'H'
	kindChannels kind = 'C'
	kindMotions  kind = 'M'
	kindFrames   kind = 'F'
	kindWords    kind = 'E'
	kindIndex    kind = 'I'
	kindBoards   kind = 'B'
	kindTriggers kind = 'T'
)

var kindNames = map[kind]string{kindHeader: "the header", kindChannels: "channels", kindMotions: "the table of motions",
	kindFrames: "frames", kindWords: "cues in words", kindIndex: "the header", kindBoards: "the list of boards", kindTriggers: "triggers"}

// Places in a sector.
const (
	checkAt    = 510 // of the CRC-16
	bodyAt     = 6   // of what depends on the kind
	recordsAt  = 8
	recordSize = 60
	recordsIn  = 8 // a sector
	framesAt   = 14
	frameRoom  = checkAt - framesAt
	nameSize   = 24
)

var le = binary.LittleEndian

// begin makes an empty sector of a kind.
func begin(s []byte, k kind, version uint8, number uint32) {
	clear(s)
	s[0], s[1] = byte(k), version
	le.PutUint32(s[2:], number)
}

// seal puts the check behind a sector.
func seal(s []byte) { le.PutUint16(s[checkAt:], wire.Checksum(s[:checkAt])) }

// sound is an error where a sector is not what stands at this place of a file of a version.
func sound(s []byte, version uint8, number uint32) error {
	if want, got := wire.Checksum(s[:checkAt]), le.Uint16(s[checkAt:]); want != got {
		return fmt.Errorf("the CRC-16 stored in it is %04x, and computed from its bytes %04x", got, want)
	}
	if s[1] > version {
		return fmt.Errorf("it is of format version %d, and this program reads %d", s[1], version)
	}
	if s[1] < version {
		return fmt.Errorf("it is of format version %d, and should be of %d", s[1], version)
	}
	if n := le.Uint32(s[2:]); n != number {
		return fmt.Errorf("it is sector %d, in the wrong place", n)
	}
	return nil
}

// expect is an error where a sector is of another kind.
func expect(s []byte, k kind) error {
	if kind(s[0]) != k {
		return fmt.Errorf("it is of kind 0x%02x and not 0x%02x (%s)", s[0], byte(k), kindNames[k])
	}
	return nil
}

// sectorsFor gives how many sectors so many records take.
func sectorsFor(records int) int { return (records + recordsIn - 1) / recordsIn }

// putRecords writes the sectors of n records from sector first on.
func putRecords(k kind, version uint8, first uint32, n int, put func(i int, r []byte)) []byte {
	b := make([]byte, sectorsFor(n)*SectorSize)
	for i := 0; i < n; i += recordsIn {
		s := b[i/recordsIn*SectorSize:][:SectorSize]
		begin(s, k, version, first+uint32(i/recordsIn))
		count := min(recordsIn, n-i)
		s[bodyAt] = byte(count)
		for j := range count {
			put(i+j, s[recordsAt+j*recordSize:][:recordSize])
		}
		seal(s)
	}
	return b
}

// records gives the records of a sector that should hold count of them.
func records(s []byte, k kind, count int) ([][]byte, error) {
	if err := expect(s, k); err != nil {
		return nil, err
	}
	if int(s[bodyAt]) != count {
		return nil, fmt.Errorf("it holds %d records and should hold %d", s[bodyAt], count)
	}
	end := recordsAt + count*recordSize
	if s[bodyAt+1] != 0 || !zero(s[end:checkAt]) {
		return nil, errNotZero
	}
	list := make([][]byte, count)
	for i := range list {
		list[i] = s[recordsAt+i*recordSize:][:recordSize]
	}
	return list, nil
}

var errNotZero = fmt.Errorf("what should be zero in it is not")

func zero(b []byte) bool {
	for _, c := range b {
		if c != 0 {
			return false
		}
	}
	return true
}

// putText writes as much of a text as there is room for, cut between characters.
func putText(dst []byte, s string) { copy(dst, cut(s, len(dst))) }

// cut gives the longest beginning of a text of at most n bytes that ends between
// characters.
func cut(s string, n int) string {
	if len(s) <= n {
		return s
	}
	for n > 0 && !utf8.RuneStart(s[n]) {
		n--
	}
	return s[:n]
}

// text gives a text that zeros may follow.
func text(b []byte) string {
	for i, c := range b {
		if c == 0 {
			return string(b[:i])
		}
	}
	return string(b)
}

// printable makes a name from a file fit to be shown on a terminal.
func printable(s string) string {
	b := []rune(s)
	for i, r := range b {
		if r < ' ' || r == 0x7f || r >= 0x80 && r < 0xa0 || r == utf8.RuneError {
			b[i] = '?'
		}
	}
	return string(b)
}
