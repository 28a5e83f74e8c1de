package sound

import (
	"bufio"
	"encoding/binary"
	"io"
	"math"
)

// bufferSize is how many bytes of samples are read at a time.
const bufferSize = 64 << 10

// Decoder streams the sample frames of a WAV file. It holds buffers of 68 KiB
// in all, however long the file is.
type Decoder struct {
	in      source
	info    Info
	format  format
	convert converter

	start  int64 // of the samples, bytes from the start of the file
	length int64 // bytes of samples in whole frames; -1: to the end of the file
	raw    []byte
	rawAt  int64 // place in the file of what raw holds
	err    error // what ended the sound, once all frames before it were read
}

// NewDecoder reads the header of a WAV file, up to its first sample. Bytes that
// are not such a file give an [*Error]; a failure of r is returned wrapped.
func NewDecoder(r io.Reader) (*Decoder, error) {
	d := &Decoder{in: source{r: bufio.NewReader(r)}}
	l, length, err := readLayout(&d.in)
	if err != nil {
		return nil, err
	}
	f := l.format
	d.format, d.convert = f, f.samples()
	d.start, d.length = d.in.pos, length
	d.raw = make([]byte, bufferSize/f.block*f.block)
	d.info = Info{
		Format:   f.String(),
		Channels: f.channels,
		Rate:     f.rate,
		Bits:     f.valid,
		Float:    f.code == codeFloat,
		Frames:   -1,
	}
	if length >= 0 {
		d.length -= length % int64(f.block)
		d.setFrames(length / int64(f.block))
	}
	return d, nil
}

func (d *Decoder) setFrames(n int64) {
	d.info.Frames = n
	d.info.Duration = float64(n) / float64(d.info.Rate)
}

// Info describes the sound. In a file whose header leaves the length open,
// Frames is -1 until Read has met the end. Such headers come from programs that
// wrote to a pipe or were stopped: a data length of 0 (with no chunk after it),
// 0xFFFFFFFF, or 0x7FFFF000 rounded down to whole frames.
func (d *Decoder) Info() Info { return d.info }

// Read decodes the next sample frames into dst, channels interleaved, and
// returns how many: as many as fit dst, or fewer. It returns an error only with
// no frames: [io.EOF] at the end of the sound, [io.ErrShortBuffer] if dst does
// not hold a frame, an [*Error] where the bytes are wrong.
//
// PCM samples are in -1 to 1, with -1 the most negative sample; 32-bit PCM and
// 64-bit float are rounded to the nearest float32. Float samples are as the
// file has them and may go beyond 1. A NaN, an infinity or a number beyond
// float32 is an error at its place.
//
// A file that ends before its data chunk does is an error after its last whole
// frame. Bytes of a data chunk after its last whole frame are passed over.
func (d *Decoder) Read(dst []float32) (frames int, err error) {
	room := len(dst) / d.info.Channels
	if room == 0 {
		return 0, io.ErrShortBuffer
	}
	if d.err != nil {
		return 0, d.err
	}
	n := d.fill(room * d.format.block)
	frames = d.decode(dst, d.raw[:n])
	if frames == 0 {
		return 0, d.err
	}
	return frames, nil
}

// fill reads up to most bytes of whole frames into raw. It sets err when they
// are the last.
func (d *Decoder) fill(most int) int {
	done := d.in.pos - d.start
	want := min(most, len(d.raw))
	if d.length >= 0 {
		want = int(min(int64(want), d.length-done))
	}
	d.rawAt = d.in.pos
	n, err := d.in.read(d.raw[:want])
	switch {
	case err != nil:
		d.err = err
	case d.length < 0:
		n = d.openEnd(n, n < want)
	case n < want:
		d.err = d.cutShort()
	case done+int64(n) == d.length:
		d.err = io.EOF
	}
	return n / d.format.block * d.format.block
}

// openEnd looks for the end of a sound of open length, after n bytes were read
// into raw, and returns how many of them are samples.
func (d *Decoder) openEnd(n int, short bool) int {
	total := d.in.pos - d.start
	block := int64(d.format.block)
	if total/block > MaxSeconds*int64(d.info.Rate) {
		d.err = errorAt(d.in.pos, "the sound goes on beyond %d h, the most that is read", MaxSeconds/3600)
		return 0
	}
	if !short {
		_, err := d.in.r.Peek(1)
		if d.err = d.in.failure(err); d.err != nil || err == nil {
			return n
		}
	}
	if d.padded(total, d.raw[:n]) {
		total--
		n--
	}
	d.setFrames(total / block)
	d.err = io.EOF
	if over := total % block; over != 0 {
		d.err = errorAt(d.in.pos, "the file is cut short: it ends inside a frame (%d of %d bytes); %s", over, block, copyAgain)
	}
	return n
}

// padded tells whether the last byte of a sound of open length only makes the
// chunk's length even. For 8-bit mono this cannot be known: a final 0, full
// scale in the unsigned samples of that format, is taken for the pad byte.
func (d *Decoder) padded(total int64, raw []byte) bool {
	block := int64(d.format.block)
	if len(raw) == 0 || block%2 == 0 || total%2 != 0 || raw[len(raw)-1] != 0 {
		return false
	}
	return block == 1 || total%block == 1
}

// cutShort is the error of a data chunk that the file does not hold.
func (d *Decoder) cutShort() error {
	missing := d.length - (d.in.pos - d.start)
	perSecond := float64(d.format.block) * float64(d.info.Rate)
	return errorAt(d.in.pos, "the file is cut short: %d of %d bytes of sound are missing (%.3f s of %.3f s); %s",
		missing, d.length, float64(missing)/perSecond, d.info.Duration, copyAgain)
}

// decode converts whole frames, up to the first that has a sample which is not
// a usable number.
func (d *Decoder) decode(dst []float32, raw []byte) (frames int) {
	frames = len(raw) / d.format.block
	bad := d.convert(dst[:frames*d.info.Channels], raw)
	if bad < 0 {
		return frames
	}
	at := d.rawAt + int64(bad*d.format.bits/8)
	frame := (at - d.start) / int64(d.format.block)
	d.err = errorAt(at, "the sample of channel %d at %.3f s is %g, not a number that sound can have; %s",
		bad%d.info.Channels+1, float64(frame)/float64(d.info.Rate), d.format.number(raw[bad*d.format.bits/8:]), exportAgain)
	return bad / d.info.Channels
}

// number reads the float sample at the start of b.
func (f *format) number(b []byte) float64 {
	if f.bits == 32 {
		return float64(math.Float32frombits(binary.LittleEndian.Uint32(b)))
	}
	return math.Float64frombits(binary.LittleEndian.Uint64(b))
}
