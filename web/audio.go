package web

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"

	"limberjack/sequence/sound"
)

// A sound is served as PCM of 16 bit, which every browser plays, whatever the file
// holds. It is converted as it is read, a block at a time, from whatever place on.
const (
	waveHead      = 44 // bytes of a RIFF header for PCM (Microsoft and IBM, Multimedia Programming Interface 1.0)
	waveBlock     = 4096
	mostWave      = math.MaxUint32 - waveHead
	mostKept      = 8 // channels that are kept; more are mixed to one
	bytesOfSample = 2
)

// wave is a sound on its way to a browser. It is an io.ReadSeeker.
type wave struct {
	file     io.ReadSeeker
	decoder  *sound.Decoder
	channels int   // of what is read here
	frames   int64 // of the sound
	head     []byte
	at       int64 // place of the next byte
	ready    int64 // the frame that the decoder is at; -1: it has to seek

	in  []float32
	out []byte // converted and not yet read: it ends before frame ready
}

// newWave begins to read a WAV file of a known number of frames.
func newWave(file io.ReadSeeker, frames int64) (*wave, error) {
	d, err := sound.NewDecoder(file)
	if err != nil {
		return nil, err
	}
	info := d.Info()
	w := &wave{file: file, decoder: d, channels: info.Channels, frames: frames, ready: -1}
	if w.channels > mostKept {
		w.channels = 1
	}
	block := int64(w.channels * bytesOfSample)
	if frames < 0 || frames > mostWave/block {
		return nil, fmt.Errorf("a sound of %.1f h is longer than a WAV file for a browser may be: %.1f h at this rate", float64(frames)/float64(info.Rate)/3600, float64(mostWave/block)/float64(info.Rate)/3600)
	}
	w.in = make([]float32, max(waveBlock/info.Channels, 1)*info.Channels)
	w.head = waveHeader(w.channels, info.Rate, frames*block)
	return w, nil
}

// waveHeader gives the header of a WAV file of PCM.
func waveHeader(channels, rate int, size int64) []byte {
	le := binary.LittleEndian
	b := append(make([]byte, 0, waveHead), "RIFF"...)
	b = le.AppendUint32(b, uint32(size+waveHead-8))
	b = append(b, "WAVEfmt "...)
	b = le.AppendUint32(b, 16)
	b = le.AppendUint16(b, 1) // WAVE_FORMAT_PCM
	b = le.AppendUint16(b, uint16(channels))
	b = le.AppendUint32(b, uint32(rate))
	b = le.AppendUint32(b, uint32(rate*channels*bytesOfSample))
	b = le.AppendUint16(b, uint16(channels*bytesOfSample))
	b = le.AppendUint16(b, 8*bytesOfSample)
	b = append(b, "data"...)
	return le.AppendUint32(b, uint32(size))
}

// size gives the bytes in all.
func (w *wave) size() int64 { return waveHead + w.frames*int64(w.channels*bytesOfSample) }

// Seek is io.Seeker.
func (w *wave) Seek(offset int64, whence int) (int64, error) {
	switch whence {
	case io.SeekCurrent:
		offset += w.at
	case io.SeekEnd:
		offset += w.size()
	}
	if offset < 0 {
		return 0, errors.New("a place before the sound")
	}
	if offset != w.at {
		w.at, w.out, w.ready = offset, nil, -1
	}
	return offset, nil
}

// Read is io.Reader.
func (w *wave) Read(p []byte) (int, error) {
	switch {
	case w.at >= w.size():
		return 0, io.EOF
	case w.at < waveHead:
		n := copy(p, w.head[w.at:])
		w.at += int64(n)
		return n, nil
	}
	if len(w.out) == 0 {
		if err := w.convert(); err != nil {
			return 0, err
		}
	}
	n := copy(p[:min(int64(len(p)), w.size()-w.at)], w.out) // the file may be longer than it was
	w.out = w.out[n:]
	w.at += int64(n)
	return n, nil
}

// convert makes the next block.
func (w *wave) convert() error {
	block := int64(w.channels * bytesOfSample)
	frame, within := (w.at-waveHead)/block, (w.at-waveHead)%block
	if w.ready != frame || within != 0 {
		if err := w.decoder.Seek(w.file, frame); err != nil {
			return err
		}
	}
	n, err := w.decoder.Read(w.in)
	if err == io.EOF {
		err = io.ErrUnexpectedEOF // the file is shorter than it was
	}
	if err != nil {
		return err
	}
	w.ready = frame + int64(n)
	w.out = w.pack(w.in[:n*w.decoder.Info().Channels])[within:]
	return nil
}

// pack turns samples into bytes.
func (w *wave) pack(in []float32) []byte {
	out := make([]byte, 0, bytesOfSample*waveBlock)
	if n := w.decoder.Info().Channels; n != w.channels {
		for i := 0; i+n <= len(in); i += n {
			out = binary.LittleEndian.AppendUint16(out, uint16(pcm(mixed(in[i:i+n]))))
		}
		return out
	}
	for _, v := range in {
		out = binary.LittleEndian.AppendUint16(out, uint16(pcm(v)))
	}
	return out
}

// mixed gives the mean of the channels of a frame.
func mixed(frame []float32) float32 {
	sum := float32(0)
	for _, v := range frame {
		sum += v
	}
	return sum / float32(len(frame))
}

// pcm gives the sample of 16 bit for a number, -1 to 1: the nearest one, or the
// last one of its side for what goes beyond. What was of 16 bit stays as it was.
func pcm(v float32) int16 {
	x := math.RoundToEven(float64(v) * (1 << 15))
	return int16(max(math.MinInt16, min(math.MaxInt16, x)))
}

// Bounds of a waveform.
const (
	waveformRate    = 400.0 // buckets a second
	mostBuckets     = 1_000_000
	waveformHead    = 24
	waveformMagic   = "LJWF"
	waveformVersion = 1
)

// waveformOf reads a sound of a known number of frames to its end and gives the
// least and greatest sample of any channel in equal spans: "LJWF", version, buckets a
// second, their number, then two int16 each, little endian. It gives up when stop
// says so.
func waveformOf(file io.Reader, frames int64, stop func() bool) ([]byte, error) {
	d, err := sound.NewDecoder(file)
	if err != nil {
		return nil, err
	}
	info := d.Info()
	per := max(1, int64(math.Round(float64(info.Rate)/waveformRate)))
	for frames/per >= mostBuckets {
		per *= 2
	}
	f := folding{per: per, channels: info.Channels, lo: math.MaxInt16, hi: math.MinInt16, buckets: make([]byte, 0, 4*(frames/per+1))}
	samples := make([]float32, max(1, waveBlock/info.Channels)*info.Channels)
	for !stop() {
		n, err := d.Read(samples)
		if err == io.EOF {
			f.finish()
			return append(waveformHeader(float64(info.Rate)/float64(per), len(f.buckets)/4), f.buckets...), nil
		}
		if err != nil {
			return nil, err
		}
		f.take(samples[:n*info.Channels])
	}
	return nil, errStopped
}

func waveformHeader(rate float64, buckets int) []byte {
	b := append(make([]byte, 0, waveformHead+4*buckets), waveformMagic...)
	b = binary.LittleEndian.AppendUint16(b, waveformVersion)
	b = binary.LittleEndian.AppendUint16(b, 0)
	b = binary.LittleEndian.AppendUint64(b, math.Float64bits(rate))
	b = binary.LittleEndian.AppendUint32(b, uint32(buckets))
	return binary.LittleEndian.AppendUint32(b, 0)
}

// folding folds samples into buckets.
type folding struct {
	per      int64 // frames of a bucket
	channels int
	buckets  []byte
	count    int64 // frames in the present one
	lo, hi   int16
}

func (f *folding) take(samples []float32) {
	for i := 0; i < len(samples); i += f.channels {
		for _, v := range samples[i : i+f.channels] {
			x := pcm(v)
			f.lo, f.hi = min(f.lo, x), max(f.hi, x)
		}
		if f.count++; f.count == f.per {
			f.finish()
		}
	}
}

// finish ends the present bucket, if it has begun.
func (f *folding) finish() {
	if f.count == 0 {
		return
	}
	f.buckets = binary.LittleEndian.AppendUint16(f.buckets, uint16(f.lo))
	f.buckets = binary.LittleEndian.AppendUint16(f.buckets, uint16(f.hi))
	f.count, f.lo, f.hi = 0, math.MaxInt16, math.MinInt16
}
