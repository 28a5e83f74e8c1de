// Package sound reads WAV sound files and measures their level over time.
//
// It reads RIFF/WAVE (Microsoft and IBM, Multimedia Programming Interface and
// Data Specifications 1.0, 1991), WAVE_FORMAT_EXTENSIBLE headers, and the
// 64-bit forms RF64 (EBU Tech 3306) and BW64 (ITU-R BS.2088). Samples are PCM
// of 8 to 32 bit or IEEE float of 32 or 64 bit. Anything else is refused with
// an [Error] that names what the file is and how to convert it.
//
// Files are read front to back in one pass. Memory does not depend on what a
// header claims.
package sound

import (
	"bufio"
	"fmt"
	"io"
)

// Limits on what is read. They are far outside what a sound track needs and
// keep a damaged header from being taken at its word.
const (
	MinRate     = 1000      // lowest sample rate, Hz
	MaxRate     = 768000    // highest sample rate, Hz
	MaxChannels = 64        // most channels
	MaxSeconds  = 48 * 3600 // longest sound, s
)

// Info describes the sound in a file.
type Info struct {
	Format   string  // for people: "PCM 16 bit", "PCM 20 bit in 24", "IEEE float 32 bit"
	Channels int     // 1 to MaxChannels
	Rate     int     // sample frames a second, MinRate to MaxRate
	Bits     int     // significant bits of a sample
	Float    bool    // IEEE float rather than PCM
	Frames   int64   // sample frames (one sample of every channel); -1 while not known
	Duration float64 // seconds, Frames over Rate; 0 while Frames is not known
}

// Error tells what is wrong with a sound file, and where.
type Error struct {
	Offset int64  // bytes from the start of the file
	Msg    string // what is wrong, by how much, and what to do
}

func (e *Error) Error() string { return fmt.Sprintf("byte %d: %s", e.Offset, e.Msg) }

func errorAt(offset int64, format string, args ...any) error {
	return &Error{Offset: offset, Msg: fmt.Sprintf(format, args...)}
}

// source is a reader that knows its place in the file.
type source struct {
	r   *bufio.Reader
	pos int64
}

// read fills p unless the file ends or fails first. It returns the number of
// bytes read; the error is nil at the end of the file, whatever n is. Unlike
// [io.ReadFull] it keeps a reader's own io.ErrUnexpectedEOF apart from the end.
func (s *source) read(p []byte) (n int, err error) {
	for n < len(p) && err == nil {
		var k int
		k, err = s.r.Read(p[n:])
		n += k
	}
	s.pos += int64(n)
	return n, s.failure(err)
}

// skip passes over n bytes and returns how many there were. As in read, the
// end of the file is not an error.
func (s *source) skip(n int64) (int64, error) {
	k, err := io.CopyN(io.Discard, s.r, n)
	s.pos += k
	return k, s.failure(err)
}

// failure keeps what went wrong in reading apart from the end of the file.
func (s *source) failure(err error) error {
	if err == nil || err == io.EOF {
		return nil
	}
	return fmt.Errorf("reading the sound at byte %d: %w", s.pos, err)
}
