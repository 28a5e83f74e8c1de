package sound

import (
	"encoding/binary"
	"math"
)

const (
	headerSize = 12 // "RIFF", length, "WAVE"
	chunkSize  = 8  // chunk name and length
	ds64Size   = 28 // bytes of a ds64 chunk without its table

	unknown32 = 0xFFFFFFFF // a length that is elsewhere, or was never known

	// openEnded is what recorders that write to a pipe put for a length they
	// cannot know, rounded down to whole frames; common practice.
	openEnded = 0x7FFFF000
)

// layout is what the chunks before the samples say.
type layout struct {
	form     string // "RIFF", "RF64" or "BW64"
	riffSize uint64 // bytes after the form's own length
	dataSize uint64 // of a ds64 chunk
	has64    bool   // a ds64 chunk was read

	format    format
	hasFormat bool
}

// readLayout walks the chunks up to the samples. It returns with the source at
// the first sample, and the length of the data chunk; -1 if that is open, so
// that the samples go on to the end of the file.
func readLayout(in *source) (l layout, length int64, err error) {
	if err := l.readForm(in); err != nil {
		return l, 0, err
	}
	for {
		id, size, err := l.nextChunk(in)
		if err != nil {
			return l, 0, err
		}
		switch id {
		case "fmt ":
			err = l.readFormat(in, size)
		case "ds64":
			err = l.readDS64(in, size)
		case "data":
			length, err = l.dataLength(in, size)
			return l, length, err
		default:
			err = skipChunk(in, id, size, int64(size))
		}
		if err != nil {
			return l, 0, err
		}
	}
}

// readForm reads the header of the file, or says what the file is instead.
func (l *layout) readForm(in *source) error {
	start, err := in.r.Peek(magicSize)
	if err := in.failure(err); err != nil {
		return err
	}
	if err := identify(start); err != nil {
		return err
	}
	var head [headerSize]byte
	if _, err := in.read(head[:]); err != nil {
		return err
	}
	l.form = string(head[:4])
	l.riffSize = uint64(binary.LittleEndian.Uint32(head[4:]))
	return nil
}

// nextChunk reads a chunk's name and length.
func (l *layout) nextChunk(in *source) (id string, size uint32, err error) {
	var head [chunkSize]byte
	at := in.pos
	n, err := in.read(head[:])
	switch {
	case err != nil:
		return "", 0, err
	case n == 0 && !l.hasFormat:
		return "", 0, errorAt(at, "the file ends before its format and its sound; %s", copyAgain)
	case n == 0:
		return "", 0, errorAt(at, "the file ends before its sound (no data chunk); %s", copyAgain)
	case n < chunkSize:
		return "", 0, errorAt(in.pos, "the file is cut short: it ends inside the head of a chunk (%d of %d bytes); %s", n, chunkSize, copyAgain)
	}
	for _, c := range head[:4] {
		if c < ' ' || c > '~' {
			return "", 0, errorAt(at, "a chunk's name is expected here, not bytes %x; the length of the chunk before may be wrong", head[:4])
		}
	}
	return string(head[:4]), binary.LittleEndian.Uint32(head[4:]), nil
}

// skipChunk passes over the last left bytes of a chunk, and the pad byte that
// makes its length even.
func skipChunk(in *source, id string, size uint32, left int64) error {
	n, err := in.skip(left + int64(size&1))
	if err != nil {
		return err
	}
	if n < left {
		return errorAt(in.pos, "the file is cut short: %d of %d bytes of its chunk %q are missing; %s", left-n, size, id, copyAgain)
	}
	return nil
}

// readBody reads as much of a chunk as fits b, and skips the rest.
func readBody(in *source, id string, size uint32, b []byte) ([]byte, error) {
	if int64(size) < int64(len(b)) {
		b = b[:size]
	}
	n, err := in.read(b)
	if err != nil {
		return nil, err
	}
	return b[:n], skipChunk(in, id, size, int64(size)-int64(n))
}

func (l *layout) readFormat(in *source, size uint32) error {
	at := in.pos
	if l.hasFormat {
		return errorAt(at-chunkSize, "the file has a second format chunk; %s", exportAgain)
	}
	var buf [fmtExtensible]byte
	b, err := readBody(in, "fmt ", size, buf[:])
	if err != nil {
		return err
	}
	l.format, err = parseFormat(b, at)
	l.hasFormat = true
	return err
}

// readDS64 reads the 64-bit lengths of RF64 and BW64 (EBU Tech 3306,
// ITU-R BS.2088).
func (l *layout) readDS64(in *source, size uint32) error {
	at := in.pos
	var buf [ds64Size]byte
	b, err := readBody(in, "ds64", size, buf[:])
	switch {
	case err != nil:
		return err
	case l.form == "RIFF":
		return nil // as any chunk that is not of this form
	case len(b) < ds64Size:
		return errorAt(at-4, "the ds64 chunk is %d bytes long; it needs at least %d", len(b), ds64Size)
	}
	l.riffSize = binary.LittleEndian.Uint64(b)
	l.dataSize = binary.LittleEndian.Uint64(b[8:])
	l.has64 = true
	return nil
}

// dataLength decides how long the samples are that start at the source's
// place.
func (l *layout) dataLength(in *source, size32 uint32) (int64, error) {
	at := in.pos - 4
	if !l.hasFormat {
		return 0, errorAt(at-4, "the sound comes before the chunk that tells its format; %s", exportAgain)
	}
	size := uint64(size32)
	if l.form != "RIFF" && size32 == unknown32 {
		if !l.has64 {
			return 0, errorAt(at, "the length of the sound is missing: an %s file needs a ds64 chunk before its data; %s", l.form, exportAgain)
		}
		size = l.dataSize
	}
	if l.open(size, in.pos) {
		return -1, nil
	}
	frames := size / uint64(l.format.block)
	if most := uint64(MaxSeconds) * uint64(l.format.rate); frames > most {
		return 0, errorAt(at, "the sound is said to be %.1f h long; the most is %d h", float64(frames)/float64(l.format.rate)/3600, MaxSeconds/3600)
	}
	return int64(size), nil
}

// open tells whether a data length stands for "up to the end of the file", as
// writers leave it that could not go back to fill it in. A length of 0 is taken
// at its word when the form's own length, which such a writer cannot know
// either, has room for chunks after it.
func (l *layout) open(size uint64, start int64) bool {
	switch size {
	case 0:
		return l.riffSize == unknown32 || l.riffSize <= uint64(start)-chunkSize
	case unknown32, math.MaxUint64:
		return true
	}
	return size == openEnded-openEnded%uint64(l.format.block)
}
