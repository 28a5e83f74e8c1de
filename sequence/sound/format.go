package sound

import (
	"bytes"
	"encoding/binary"
	"fmt"
)

// Format codes of the fmt chunk (WAVE_FORMAT_*, RFC 2361 and the registry it
// describes).
const (
	codePCM        = 0x0001
	codeFloat      = 0x0003
	codeExtensible = 0xFFFE
)

// coding is a way to store samples that is not read here.
type coding struct{ name, hint string }

// codings holds the format codes that people meet.
var codings = map[uint16]coding{
	0x0002: {"Microsoft ADPCM", convertWAV},
	0x0006: {"A-law", convertWAV},
	0x0007: {"mu-law", convertWAV},
	0x0011: {"IMA ADPCM", convertWAV},
	0x0031: {"GSM 6.10", convertWAV},
	0x0050: {"MPEG audio", convertAny},
	0x0055: {"MP3", convertAny},
	0x00FF: {"AAC", convertAny},
	0x0161: {"Windows Media Audio", convertAny},
	0x2000: {"AC-3", convertAny},
}

// The last 14 bytes of a sub-format GUID whose first two are a format code:
// xxxx0000-0000-0010-8000-00AA00389B71, and its form for B-format (ambisonic)
// channels, xxxx0000-0721-11D3-8644-C8C1CA000000.
var (
	guidTail      = []byte{0, 0, 0, 0, 0x10, 0, 0x80, 0, 0, 0xAA, 0, 0x38, 0x9B, 0x71}
	guidAmbisonic = []byte{0, 0, 0x21, 0x07, 0xD3, 0x11, 0x86, 0x44, 0xC8, 0xC1, 0xCA, 0, 0, 0}
)

const (
	fmtPlain      = 16 // bytes of the shortest fmt chunk
	fmtExtensible = 40 // bytes of an extensible one
)

// format is what a fmt chunk says.
type format struct {
	code     uint16
	channels int
	rate     int
	block    int // bytes a frame
	bits     int // bits of a sample's container, a multiple of 8
	valid    int // significant bits, at the container's top

	extensible bool
}

// parseFormat reads the body b of a fmt chunk that starts at byte at; b holds
// the chunk's first 40 bytes, or all of a shorter one.
func parseFormat(b []byte, at int64) (format, error) {
	le := binary.LittleEndian
	if len(b) < fmtPlain {
		return format{}, errorAt(at-4, "the format chunk is %d bytes long; it needs at least %d", len(b), fmtPlain)
	}
	f := format{
		code:     le.Uint16(b),
		channels: int(le.Uint16(b[2:])),
		block:    int(le.Uint16(b[12:])),
		valid:    int(le.Uint16(b[14:])),
	}
	f.bits = (f.valid + 7) / 8 * 8
	if f.code == codeExtensible {
		if err := f.extend(b, at); err != nil {
			return f, err
		}
	}
	rate := le.Uint32(b[4:])
	if rate < MinRate || rate > MaxRate {
		return f, errorAt(at+4, "the sample rate is %d Hz; it can be %d to %d Hz", rate, MinRate, MaxRate)
	}
	f.rate = int(rate)
	return f, f.check(at)
}

// extend takes the true coding and the significant bits of an extensible
// format.
func (f *format) extend(b []byte, at int64) error {
	if len(b) < fmtExtensible {
		return errorAt(at-4, "the extensible format chunk is %d bytes long; it needs %d", len(b), fmtExtensible)
	}
	f.extensible = true
	tail := b[26:40]
	if !bytes.Equal(tail, guidTail) && !bytes.Equal(tail, guidAmbisonic) {
		return errorAt(at+24, "the sound is of an unknown coding (sub-format %x); %s", b[24:40], exportPCM)
	}
	f.code = binary.LittleEndian.Uint16(b[24:])
	if f.bits != f.valid {
		return errorAt(at+14, "samples of %d bits do not fill whole bytes, as an extensible format asks", f.valid)
	}
	// Writers that do not know the significant bits leave 0.
	if v := int(binary.LittleEndian.Uint16(b[18:])); v != 0 && f.code == codePCM {
		if v > f.bits {
			return errorAt(at+18, "%d significant bits do not fit samples of %d bits", v, f.bits)
		}
		f.valid = v
	}
	return nil
}

// check refuses what cannot be decoded.
func (f *format) check(at int64) error {
	switch {
	case f.code != codePCM && f.code != codeFloat:
		c := f.coding()
		return errorAt(f.codeAt(at), "the sound is %s (format %d), not PCM or IEEE float; %s", c.name, f.code, c.hint)
	case f.channels < 1 || f.channels > MaxChannels:
		return errorAt(at+2, "the sound has %d channels; it can have 1 to %d", f.channels, MaxChannels)
	case f.code == codePCM && (f.bits < 8 || f.bits > 32):
		return errorAt(at+14, "PCM samples have %d bits; they can have 8 to 32; %s", f.valid, exportPCM)
	case f.code == codeFloat && f.valid != 32 && f.valid != 64:
		return errorAt(at+14, "IEEE float samples have %d bits; they can have 32 or 64; %s", f.valid, exportPCM)
	case f.block != f.channels*f.bits/8:
		return errorAt(at+12, "a frame is said to be %d bytes long; %d x %d bits make %d; "+exportAgain, f.block, f.channels, f.bits, f.channels*f.bits/8)
	}
	return nil
}

// codeAt is where the format code stands: an extensible one in its GUID.
func (f *format) codeAt(at int64) int64 {
	if f.extensible {
		return at + 24
	}
	return at
}

func (f *format) coding() coding {
	if c, ok := codings[f.code]; ok {
		return c
	}
	return coding{"of an unknown coding", exportPCM}
}

// String names the format for people.
func (f *format) String() string {
	switch {
	case f.code == codeFloat:
		return fmt.Sprintf("IEEE float %d bit", f.bits)
	case f.valid != f.bits:
		return fmt.Sprintf("PCM %d bit in %d", f.valid, f.bits)
	}
	return fmt.Sprintf("PCM %d bit", f.bits)
}

// samples chooses the converter for the format.
func (f *format) samples() converter {
	switch {
	case f.code == codeFloat && f.bits == 32:
		return fromFloat32
	case f.code == codeFloat:
		return fromFloat64
	case f.bits == 8:
		return fromUint8
	case f.bits == 16:
		return fromInt16
	case f.bits == 24:
		return fromInt24
	}
	return fromInt32
}
