package sound

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"testing/iotest"
)

// chunk is a RIFF chunk with its pad byte.
func chunk(id string, body []byte) []byte {
	b := append([]byte(id), le32(uint32(len(body)))...)
	b = append(b, body...)
	if len(body)%2 != 0 {
		b = append(b, 0)
	}
	return b
}

func le32(v uint32) []byte { return binary.LittleEndian.AppendUint32(nil, v) }

// riff is a WAV file of the chunks.
func riff(chunks ...[]byte) []byte {
	body := append([]byte("WAVE"), bytes.Join(chunks, nil)...)
	return append(append([]byte("RIFF"), le32(uint32(len(body)))...), body...)
}

// plain is the fmt chunk of 16 bytes.
func plain(code, channels, rate, bits int) []byte {
	return chunk("fmt ", plainBody(code, channels, rate, bits))
}

func plainBody(code, channels, rate, bits int) []byte {
	le := binary.LittleEndian
	block := channels * ((bits + 7) / 8)
	b := le.AppendUint16(nil, uint16(code))
	b = le.AppendUint16(b, uint16(channels))
	b = le.AppendUint32(b, uint32(rate))
	b = le.AppendUint32(b, uint32(rate*block))
	b = le.AppendUint16(b, uint16(block))
	return le.AppendUint16(b, uint16(bits))
}

// extensible is the fmt chunk of 40 bytes with a sub-format of code.
func extensible(code, channels, rate, bits, valid int) []byte {
	le := binary.LittleEndian
	b := plainBody(0xFFFE, channels, rate, bits)
	b = le.AppendUint16(b, 22)
	b = le.AppendUint16(b, uint16(valid))
	b = le.AppendUint32(b, 0)
	b = le.AppendUint16(b, uint16(code))
	b = append(b, 0, 0, 0, 0, 0x10, 0, 0x80, 0, 0, 0xAA, 0, 0x38, 0x9B, 0x71)
	return chunk("fmt ", b)
}

// decodeAll reads every sample, with a buffer of room samples.
func decodeAll(r io.Reader, room int) ([]float32, Info, error) {
	d, err := NewDecoder(r)
	if err != nil {
		return nil, Info{}, err
	}
	var out []float32
	buf := make([]float32, room)
	for {
		n, err := d.Read(buf)
		out = append(out, buf[:n*d.Info().Channels]...)
		if err == io.EOF {
			return out, d.Info(), nil
		}
		if err != nil {
			return out, d.Info(), err
		}
	}
}

// TestFiles decodes the files that testdata/README.md describes.
func TestFiles(t *testing.T) {
	tone := func(side float64, n int) []float64 {
		return []float64{0, side, 0.5, side, 0, -side, -0.5, -side}[:n]
	}
	int16Tone := tone(11585.0/(1<<15), 8)
	exact := 0.5 * math.Sqrt2 / 2
	var surround, stereo []float64
	for _, x := range int16Tone {
		surround = append(surround, x/4, x/2, x, 0, -x, -x/2)
	}
	for k, x := range tone(exact, 8) {
		stereo = append(stereo, x, []float64{0, 0.5, 0, -0.5}[k%4])
	}
	tests := []struct {
		file string
		info Info
		want []float64
		tol  float64 // what the format's own rounding allows
	}{
		{"pcm8.wav", Info{"PCM 8 bit", 1, 8000, 8, false, 8, 0.001}, tone(45.0/128, 8), 0},
		{"pcm16.wav", Info{"PCM 16 bit", 1, 8000, 16, false, 8, 0.001}, int16Tone, 0},
		{"pcm24.wav", Info{"PCM 24 bit", 1, 8000, 24, false, 8, 0.001}, tone(exact, 8), 1.0 / (1 << 23)},
		{"pcm32.wav", Info{"PCM 32 bit", 1, 8000, 32, false, 8, 0.001}, tone(exact, 8), 1.0 / (1 << 25)},
		{"float32.wav", Info{"IEEE float 32 bit", 1, 8000, 32, true, 8, 0.001}, tone(exact, 8), 1.0 / (1 << 24)},
		{"float64.wav", Info{"IEEE float 64 bit", 1, 8000, 64, true, 8, 0.001}, tone(exact, 8), 1.0 / (1 << 25)},
		{"stereo24.wav", Info{"PCM 24 bit", 2, 8000, 24, false, 8, 0.001}, stereo, 1.0 / (1 << 23)},
		{"surround16.wav", Info{"PCM 16 bit", 6, 8000, 16, false, 8, 0.001}, surround, 1.0 / (1 << 15)},
		{"piped8.wav", Info{"PCM 8 bit", 1, 8000, 8, false, 7, 0.000875}, tone(45.0/128, 7), 0},
		{"piped24.wav", Info{"PCM 24 bit", 1, 8000, 24, false, 7, 0.000875}, tone(exact, 7), 1.0 / (1 << 23)},
		{"rf64.wav", Info{"PCM 16 bit", 1, 8000, 16, false, 8, 0.001}, int16Tone, 0},
	}
	for _, tt := range tests {
		t.Run(tt.file, func(t *testing.T) {
			data, err := os.ReadFile(filepath.Join("testdata", tt.file))
			if err != nil {
				t.Fatal(err)
			}
			for _, room := range []int{tt.info.Channels, tt.info.Channels*3 + 1, 4096} {
				got, info, err := decodeAll(iotest.OneByteReader(bytes.NewReader(data)), room)
				if err != nil {
					t.Fatal(err)
				}
				if info != tt.info {
					t.Errorf("info is %+v, want %+v", info, tt.info)
				}
				if i := differs(got, tt.want, tt.tol); i >= 0 {
					t.Errorf("sample %d of %v, want %v", i, got, tt.want)
				}
			}
		})
	}
}

// differs returns the first index where got is off by more than tol, or -1.
func differs(got []float32, want []float64, tol float64) int {
	for i := range max(len(got), len(want)) {
		if i >= len(got) || i >= len(want) || !(math.Abs(float64(got[i])-want[i]) <= tol) {
			return i
		}
	}
	return -1
}

// TestLayouts reads one sound, two 16-bit samples, in every arrangement of
// chunks that the RIFF rules allow.
func TestLayouts(t *testing.T) {
	samples := []byte{0x00, 0x40, 0x00, 0xC0} // 1/2, -1/2
	f := plain(1, 1, 8000, 16)
	data := chunk("data", samples)
	sized := func(form string, riffSize, dataSize uint32, ds64, after []byte) []byte {
		b := append([]byte(form), le32(riffSize)...)
		b = append(b, "WAVE"...)
		b = append(append(b, ds64...), f...)
		b = append(append(b, "data"...), le32(dataSize)...)
		return append(append(b, samples...), after...)
	}
	ds64 := func(riffSize, dataSize uint64, extra ...byte) []byte {
		b := binary.LittleEndian.AppendUint64(nil, riffSize)
		b = binary.LittleEndian.AppendUint64(b, dataSize)
		return chunk("ds64", append(b, append(make([]byte, 12), extra...)...))
	}
	list := chunk("LIST", []byte("INFOINAM\x05\x00\x00\x00bell\x00"))
	tests := []struct {
		name string
		file []byte
	}{
		{"fmt of 16 bytes", riff(f, data)},
		{"fmt of 18 bytes", riff(chunk("fmt ", append(plainBody(1, 1, 8000, 16), 0, 0)), data)},
		{"fmt of 20 bytes", riff(chunk("fmt ", append(plainBody(1, 1, 8000, 16), 2, 0, 9, 9)), data)},
		{"fmt of 41 bytes", riff(chunk("fmt ", append(plainBody(1, 1, 8000, 16), make([]byte, 25)...)), data)},
		{"extensible", riff(extensible(1, 1, 8000, 16, 16), data)},
		{"extensible, significant bits not given", riff(extensible(1, 1, 8000, 16, 0), data)},
		{"chunks before fmt", riff(chunk("JUNK", make([]byte, 28)), chunk("bext", make([]byte, 603)), f, data)},
		{"chunks between", riff(f, list, chunk("fact", le32(2)), chunk("cue ", make([]byte, 4)), data)},
		{"odd chunk", riff(chunk("odd ", []byte{1}), f, chunk("odd ", []byte{1, 2, 3}), data)},
		{"empty chunk", riff(chunk("void", nil), f, data)},
		{"chunks after", riff(f, data, list)},
		{"bytes after", append(riff(f, data), "ID3 not a chunk"...)},
		{"open: lengths 0", sized("RIFF", 0, 0, nil, nil)},
		{"open: length 0, form of the header alone", sized("RIFF", 36, 0, nil, nil)},
		{"open: form unknown, length 0", sized("RIFF", unknown32, 0, nil, nil)},
		{"open: lengths unknown", sized("RIFF", unknown32, unknown32, nil, nil)},
		{"open: written to a pipe", sized("RIFF", 0x7FFFF024, 0x7FFFF000, nil, nil)},
		{"part of a frame after the last", riff(f, chunk("data", append(bytes.Clone(samples), 7)))},
		{"part of a frame missing after the last", sized("RIFF", 41, 5, nil, nil)},
		{"form's length wrong", sized("RIFF", 3, 4, nil, nil)},
		{"RF64", sized("RF64", unknown32, unknown32, ds64(72, 4), nil)},
		{"RF64, chunks after", sized("RF64", unknown32, unknown32, ds64(72, 4), list)},
		{"BW64, with a table", sized("BW64", unknown32, unknown32, ds64(84, 4, make([]byte, 12)...), list)},
		{"RF64, short data", sized("RF64", unknown32, 4, ds64(72, 99), nil)},
		{"RF64, open", sized("RF64", unknown32, unknown32, ds64(math.MaxUint64, math.MaxUint64), nil)},
		{"ds64 in RIFF", sized("RIFF", 72, 4, ds64(0, 99), list)},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got, info, err := decodeAll(bytes.NewReader(tt.file), 16)
			if err != nil {
				t.Fatal(err)
			}
			if i := differs(got, []float64{0.5, -0.5}, 0); i >= 0 || info != (Info{"PCM 16 bit", 1, 8000, 16, false, 2, 2.0 / 8000}) {
				t.Errorf("samples %v, info %+v; want 0.5 -0.5 in 2 frames of 16 bit", got, info)
			}
		})
	}
}

// TestRange decodes the ends of each format's range and the values beside
// silence; the numbers follow from the formats' definitions.
func TestRange(t *testing.T) {
	float := func(v ...float64) (b []byte) {
		for _, x := range v {
			b = binary.LittleEndian.AppendUint64(b, math.Float64bits(x))
		}
		return b
	}
	tests := []struct {
		name   string
		format []byte
		data   []byte
		want   []float64
	}{
		{"PCM 8 bit", plain(1, 1, 8000, 8), []byte{0, 127, 128, 129, 255}, []float64{-1, -1.0 / 128, 0, 1.0 / 128, 127.0 / 128}},
		{"PCM 16 bit", plain(1, 1, 8000, 16), []byte{0, 0x80, 0xFF, 0xFF, 1, 0, 0xFF, 0x7F}, []float64{-1, -1.0 / 32768, 1.0 / 32768, 32767.0 / 32768}},
		{"PCM 24 bit", plain(1, 1, 8000, 24), []byte{0, 0, 0x80, 0xFF, 0xFF, 0xFF, 1, 0, 0, 0xFF, 0xFF, 0x7F}, []float64{-1, -1.0 / (1 << 23), 1.0 / (1 << 23), 1 - 1.0/(1<<23)}},
		{"PCM 32 bit", plain(1, 1, 8000, 32), []byte{0, 0, 0, 0x80, 0xFF, 0xFF, 0xFF, 0xFF, 1, 0, 0, 0, 0xFF, 0xFF, 0xFF, 0x7F}, []float64{-1, -1.0 / (1 << 31), 1.0 / (1 << 31), 1}},
		{"PCM 12 bit in 16", plain(1, 1, 8000, 12), []byte{0, 0x80, 0xF0, 0x7F}, []float64{-1, 2047.0 / 2048}},
		{"PCM 20 bit in 24", extensible(1, 1, 8000, 24, 20), []byte{0, 0, 0x80, 0xF0, 0xFF, 0x7F}, []float64{-1, 1 - 1.0/(1<<19)}},
		{"PCM 24 bit in 32", extensible(1, 1, 8000, 32, 24), []byte{0, 0, 0, 0x80, 0, 1, 0, 0}, []float64{-1, 1.0 / (1 << 23)}},
		{"IEEE float 64 bit", extensible(3, 1, 8000, 64, 64), float(-1, 0, 1, 1.5, 5e-324), []float64{-1, 0, 1, 1.5, 0}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got, info, err := decodeAll(bytes.NewReader(riff(tt.format, chunk("data", tt.data))), 16)
			if err != nil {
				t.Fatal(err)
			}
			if i := differs(got, tt.want, 0); i >= 0 || info.Format != tt.name {
				t.Errorf("%s: sample %d of %v, want %v", info.Format, i, got, tt.want)
			}
		})
	}
}

// TestEmpty: a data chunk of length 0 with chunks after it is empty, and a
// level of nothing is refused.
func TestEmpty(t *testing.T) {
	for _, file := range [][]byte{
		riff(plain(1, 1, 8000, 16), chunk("data", nil), chunk("LIST", []byte("INFOabcd"))),
		riff(plain(1, 1, 8000, 16), chunk("data", nil)),
	} {
		got, info, err := decodeAll(bytes.NewReader(file), 16)
		if err != nil || len(got) != 0 || info.Frames != 0 {
			t.Errorf("samples %v, info %+v, error %v; want none", got, info, err)
		}
		_, err = Measure(bytes.NewReader(file), 0.02)
		wantError(t, err, 44, "the file has no sound: its data chunk is empty; export it again")
	}
}

// wantError checks both parts of an Error.
func wantError(t *testing.T, err error, offset int64, msg string) {
	t.Helper()
	var e *Error
	if !errors.As(err, &e) {
		t.Errorf("error is %v, want byte %d: %s", err, offset, msg)
	} else if e.Offset != offset || e.Msg != msg {
		t.Errorf("error is\n\tbyte %d: %s\nwant\n\tbyte %d: %s", e.Offset, e.Msg, offset, msg)
	}
}

func TestOtherFiles(t *testing.T) {
	pad := string(make([]byte, 16))
	tests := []struct {
		file, msg string
	}{
		{"RIFX\x24\x00\x00\x00WAVE", "this is a RIFX file (big-endian), not a WAV file; convert it: sox in.wav out.wav"},
		{"FORM\x00\x00\x00\x24AIFF", "this is an AIFF file, not a WAV file; convert it: sox in.aiff out.wav"},
		{"FORM\x00\x00\x00\x24AIFC", "this is an AIFF-C file, not a WAV file; convert it: sox in.aiff out.wav"},
		{"ID3\x03" + pad, "this is an MP3 file, not a WAV file; convert it: sox in.mp3 out.wav"},
		{"\xFF\xFB\x90\x64" + pad, "this is an MP3 or AAC file, not a WAV file; convert it: sox in.mp3 out.wav"},
		{"\xFF\xF1\x50\x80" + pad, "this is an MP3 or AAC file, not a WAV file; convert it: sox in.mp3 out.wav"},
		{"OggS" + pad, "this is an Ogg file, not a WAV file; convert it: sox in.ogg out.wav"},
		{"fLaC" + pad, "this is a FLAC file, not a WAV file; convert it: sox in.flac out.wav"},
		{"\x00\x00\x00\x20ftypM4A ", "this is an MP4 or M4A file, not a WAV file; convert it: ffmpeg -i in.m4a out.wav"},
		{"MThd\x00\x00\x00\x06", "this is a MIDI file (notes without sound), not a WAV file"},
		{"RIFF\x24\x00\x00\x00AVI LIST", "this is an AVI film, not a WAV file; convert it: ffmpeg -i in.avi out.wav"},
		{"motion: The keeper sees a boat\nformat: 1\n", `this is a text file that begins "motion: The keeper sees a boat", not a WAV file`},
		{"\uFEFFmöwe: 1\r\n", `this is a text file that begins "\ufeffmöwe: 1", not a WAV file`},
		{strings.Repeat("ä", 300), `this is a text file that begins "` + strings.Repeat("ä", 40) + `…", not a WAV file`},
		{"\xFF\xFEm\x00r\x00", "this is a UTF-16 text file, not a WAV file"},
		{strings.Repeat("\xFF", 64), "this is a file of an unknown kind that begins with bytes ffffffffffffffff, not a WAV file"},
		{"R", `this is a text file that begins "R", not a WAV file`},
		{"\x00\x01\x02\x03\x04\x05\x06\x07\x08\x09", "this is a file of an unknown kind that begins with bytes 0001020304050607, not a WAV file"},
		{"\xFF\xFF\xFF\xFF", "this is a file of an unknown kind that begins with bytes ffffffff, not a WAV file"},
		{"", "the file is empty; copy or export it again"},
	}
	for _, tt := range tests {
		_, err := NewDecoder(strings.NewReader(tt.file))
		wantError(t, err, 0, tt.msg)
	}
}

// TestBroken checks the message and the place for each way in which a file can
// be wrong. The first sample of the plain files is at byte 44.
func TestBroken(t *testing.T) {
	f := plain(1, 1, 8000, 16)
	data := chunk("data", make([]byte, 16000))
	nan := append(make([]byte, 12), le32(math.Float32bits(float32(math.NaN())))...)
	inf := binary.LittleEndian.AppendUint64(make([]byte, 8), math.Float64bits(math.Inf(-1)))
	huge := binary.LittleEndian.AppendUint64(nil, math.Float64bits(1e300))
	set := func(b []byte, at int, v ...byte) []byte {
		b = bytes.Clone(b)
		copy(b[at:], v)
		return b
	}
	raw := func(form string, chunks ...[]byte) []byte { return set(riff(chunks...), 0, []byte(form)...) }
	tests := []struct {
		name   string
		file   []byte
		offset int64
		msg    string
	}{
		{"header cut", []byte("RIFF\x24\x00\x00"), 7, "the file is cut short: it ends inside its header (7 of 12 bytes); copy or export it again"},
		{"another RIFF form", []byte("RIFF\x24\x00\x00\x00CDXAfmt "), 8, `this is a RIFF file of type "CDXA", not a WAV file`},
		{"nothing after the header", riff(), 12, "the file ends before its format and its sound; copy or export it again"},
		{"no data", riff(f), 36, "the file ends before its sound (no data chunk); copy or export it again"},
		{"head of a chunk cut", append(riff(f), "dat"...), 39, "the file is cut short: it ends inside the head of a chunk (3 of 8 bytes); copy or export it again"},
		{"data before fmt", riff(data, f), 12, "the sound comes before the chunk that tells its format; export it again"},
		{"two formats", riff(f, f, data), 36, "the file has a second format chunk; export it again"},
		{"a chunk's length wrong", riff(f, []byte("LIST\x02\x00\x00\x00INFO\x00\x00\x01\x02"), data), 46, `a chunk's name is expected here, not bytes 464f0000; the length of the chunk before may be wrong`},
		{"unknown chunk cut", riff(f, []byte("LIST\x10\x00\x00\x00INFO")), 48, `the file is cut short: 12 of 16 bytes of its chunk "LIST" are missing; copy or export it again`},
		{"fmt cut", riff([]byte("fmt \x10\x00\x00\x00\x01\x00")), 22, `the file is cut short: 14 of 16 bytes of its chunk "fmt " are missing; copy or export it again`},
		{"fmt too short", riff(chunk("fmt ", make([]byte, 14)), data), 16, "the format chunk is 14 bytes long; it needs at least 16"},
		{"extensible too short", riff(chunk("fmt ", append(plainBody(0xFFFE, 1, 8000, 16), 0, 0)), data), 16, "the extensible format chunk is 18 bytes long; it needs 40"},
		{"A-law", riff(plain(6, 1, 8000, 8), data), 20, "the sound is A-law (format 6), not PCM or IEEE float; convert it: sox in.wav -e signed-integer -b 16 out.wav"},
		{"mu-law, extensible", riff(extensible(7, 1, 8000, 8, 8), data), 44, "the sound is mu-law (format 7), not PCM or IEEE float; convert it: sox in.wav -e signed-integer -b 16 out.wav"},
		{"MP3", riff(plain(0x55, 2, 44100, 0), data), 20, "the sound is MP3 (format 85), not PCM or IEEE float; convert it: ffmpeg -i in.wav -c:a pcm_s16le out.wav"},
		{"unknown coding", riff(plain(0x1234, 1, 8000, 8), data), 20, "the sound is of an unknown coding (format 4660), not PCM or IEEE float; export it as 16-bit PCM"},
		{"unknown sub-format", set(riff(extensible(1, 1, 8000, 16, 16), data), 50, 7), 44, "the sound is of an unknown coding (sub-format 0100000000000700800000aa00389b71); export it as 16-bit PCM"},
		{"no channels", riff(plain(1, 0, 8000, 16), data), 22, "the sound has 0 channels; it can have 1 to 64"},
		{"channels", riff(plain(1, 65, 8000, 16), data), 22, "the sound has 65 channels; it can have 1 to 64"},
		{"rate low", riff(plain(1, 1, 999, 16), data), 24, "the sample rate is 999 Hz; it can be 1000 to 768000 Hz"},
		{"rate high", riff(plain(1, 1, 768001, 16), data), 24, "the sample rate is 768001 Hz; it can be 1000 to 768000 Hz"},
		{"PCM 4 bit", riff(plain(1, 1, 8000, 0), data), 34, "PCM samples have 0 bits; they can have 8 to 32; export it as 16-bit PCM"},
		{"PCM 64 bit", riff(plain(1, 1, 8000, 64), data), 34, "PCM samples have 64 bits; they can have 8 to 32; export it as 16-bit PCM"},
		{"float 16 bit", riff(plain(3, 1, 8000, 16), data), 34, "IEEE float samples have 16 bits; they can have 32 or 64; export it as 16-bit PCM"},
		{"float 31 bit", riff(plain(3, 1, 8000, 31), data), 34, "IEEE float samples have 31 bits; they can have 32 or 64; export it as 16-bit PCM"},
		{"frame", set(riff(f, data), 32, 3), 32, "a frame is said to be 3 bytes long; 1 x 16 bits make 2; export it again"},
		{"extensible of 12 bits", riff(extensible(1, 1, 8000, 12, 12), data), 34, "samples of 12 bits do not fill whole bytes, as an extensible format asks"},
		{"significant bits", riff(extensible(1, 1, 8000, 16, 17), data), 38, "17 significant bits do not fit samples of 16 bits"},
		{"too long", set(riff(f, data), 40, 0, 0, 0, 0xF0), 40, "the sound is said to be 69.9 h long; the most is 48 h"},
		{"RF64 without ds64", set(raw("RF64", f, data), 40, 0xFF, 0xFF, 0xFF, 0xFF), 40, "the length of the sound is missing: an RF64 file needs a ds64 chunk before its data; export it again"},
		{"BW64, ds64 too short", raw("BW64", chunk("ds64", make([]byte, 8)), f, data), 16, "the ds64 chunk is 8 bytes long; it needs at least 28"},
		{"data cut", riff(f, data)[:44+4000], 4044, "the file is cut short: 12000 of 16000 bytes of sound are missing (0.750 s of 1.000 s); copy or export it again"},
		{"data cut in a frame", riff(f, data)[:44+4001], 4045, "the file is cut short: 11999 of 16000 bytes of sound are missing (0.750 s of 1.000 s); copy or export it again"},
		{"open and cut in a frame", set(riff(f, data), 40, 0xFF, 0xFF, 0xFF, 0xFF)[:47], 47, "the file is cut short: it ends inside a frame (1 of 2 bytes); copy or export it again"},
		{"NaN", riff(plain(3, 2, 8000, 32), chunk("data", nan)), 56, "the sample of channel 2 at 0.000 s is NaN, not a number that sound can have; export it again"},
		{"infinity", riff(plain(3, 1, 8000, 64), chunk("data", inf)), 52, "the sample of channel 1 at 0.000 s is -Inf, not a number that sound can have; export it again"},
		{"beyond float32", riff(plain(3, 1, 8000, 64), chunk("data", huge)), 44, "the sample of channel 1 at 0.000 s is 1e+300, not a number that sound can have; export it again"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			l, err := Measure(bytes.NewReader(tt.file), 0.02)
			if l != nil {
				t.Error("a broken file has a level")
			}
			wantError(t, err, tt.offset, tt.msg)
			if _, _, again := decodeAll(bytes.NewReader(tt.file), 7); again == nil || again.Error() != err.Error() {
				t.Errorf("the decoder says %v, Measure %v", again, err)
			}
		})
	}
}

// TestBadFiles refuses the real files of testdata that are of another coding.
func TestBadFiles(t *testing.T) {
	tests := []struct {
		file   string
		offset int64
		msg    string
	}{
		{"alaw.wav", 20, "the sound is A-law (format 6), not PCM or IEEE float; convert it: sox in.wav -e signed-integer -b 16 out.wav"},
		{"mulaw.wav", 20, "the sound is mu-law (format 7), not PCM or IEEE float; convert it: sox in.wav -e signed-integer -b 16 out.wav"},
		{"adpcm.wav", 20, "the sound is Microsoft ADPCM (format 2), not PCM or IEEE float; convert it: sox in.wav -e signed-integer -b 16 out.wav"},
		{"rifx.wav", 0, "this is a RIFX file (big-endian), not a WAV file; convert it: sox in.wav out.wav"},
	}
	for _, tt := range tests {
		file, err := os.Open(filepath.Join("testdata", tt.file))
		if err != nil {
			t.Fatal(err)
		}
		_, err = NewDecoder(file)
		wantError(t, err, tt.offset, tt.msg)
		if err := file.Close(); err != nil {
			t.Error(err)
		}
	}
}

// TestGoodBeforeBad: frames before a bad sample or a cut are still read.
func TestGoodBeforeBad(t *testing.T) {
	file := riff(plain(1, 2, 8000, 8), chunk("data", make([]byte, 100)))[:44+21]
	got, info, err := decodeAll(bytes.NewReader(file), 6)
	if len(got) != 20 || info.Frames != 50 || err == nil {
		t.Errorf("%d samples, %d frames, error %v; want 20 of 50 frames and an error", len(got), info.Frames, err)
	}
	nan := le32(0x7FC00000)
	file = riff(plain(3, 1, 8000, 32), chunk("data", bytes.Join([][]byte{le32(0), le32(0), nan, le32(0)}, nil)))
	got, _, err = decodeAll(bytes.NewReader(file), 64)
	if len(got) != 2 || err == nil {
		t.Errorf("%d samples, error %v; want 2 and an error", len(got), err)
	}
}

func TestReadArguments(t *testing.T) {
	d, err := NewDecoder(bytes.NewReader(riff(plain(1, 2, 8000, 16), chunk("data", make([]byte, 10)))))
	if err != nil {
		t.Fatal(err)
	}
	if n, err := d.Read(make([]float32, 1)); n != 0 || err != io.ErrShortBuffer {
		t.Errorf("a buffer of half a frame: %d frames, %v", n, err)
	}
	if n, err := d.Read(make([]float32, 9)); n != 2 || err != nil {
		t.Errorf("a buffer of four and a half frames: %d frames, %v; want the file's 2", n, err)
	}
	for range 2 {
		if n, err := d.Read(make([]float32, 9)); n != 0 || err != io.EOF {
			t.Errorf("after the end: %d frames, %v", n, err)
		}
	}
}

// TestReaderFails keeps a failure of the reader apart from broken bytes, at
// every place of the file.
func TestReaderFails(t *testing.T) {
	for _, failure := range []error{errors.New("card removed"), io.ErrUnexpectedEOF} {
		testReaderFails(t, failure, 50)
		testReaderFails(t, failure, 0)
	}
}

// testReaderFails ends the file early with a failure; a length of 0 leaves the
// end open.
func testReaderFails(t *testing.T, failure error, length byte) {
	t.Helper()
	junk := chunk("JUNK", make([]byte, magicSize+1))
	ds64 := chunk("ds64", make([]byte, ds64Size))
	file := riff(junk, ds64, plain(1, 1, 8000, 16), chunk("data", make([]byte, 50)))
	copy(file[4:], le32(0))
	file[len(file)-54] = length
	for n := range len(file) {
		r := io.MultiReader(bytes.NewReader(file[:n]), iotest.ErrReader(failure))
		_, err := Measure(r, 0.02)
		var e *Error
		if !errors.Is(err, failure) || errors.As(err, &e) {
			t.Fatalf("after %d bytes the error is %v, want the reader's own", n, err)
		}
	}
}

// zeros is an endless reader.
type zeros struct{}

func (zeros) Read(p []byte) (int, error) { clear(p); return len(p), nil }

// TestMemory: what is allocated does not depend on lengths in headers, nor on
// how long the sound is but for its level.
func TestMemory(t *testing.T) {
	header := func(code, bits int, length uint32) []byte {
		h := riff(plain(code, 1, 48000, bits), chunk("data", nil))
		copy(h[40:], le32(length))
		return append(h, make([]byte, 56)...)
	}
	tests := []struct {
		name string
		file io.Reader
		fail bool
	}{
		{"4 GB of sound in 100 bytes", bytes.NewReader(header(1, 16, 0xFFFFFFF0)), true},
		{"4 GB of another chunk", bytes.NewReader(append(riff(), "LIST\xF0\xFF\xFF\xFF"...)), true},
		{"4 GB of format", bytes.NewReader(append(riff(), "fmt \xF0\xFF\xFF\xFF"...)), true},
		{"32 MB of sound", io.LimitReader(io.MultiReader(bytes.NewReader(header(1, 16, 0)), zeros{}), 32<<20), false},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			var before, after runtime.MemStats
			runtime.ReadMemStats(&before)
			_, err := Measure(tt.file, 1)
			runtime.ReadMemStats(&after)
			if (err != nil) != tt.fail {
				t.Errorf("error is %v", err)
			}
			if got := after.TotalAlloc - before.TotalAlloc; got > 1<<20 {
				t.Errorf("allocated %d bytes, want under 1 MiB", got)
			}
		})
	}
}

// TestTooLong ends an open sound at the limit.
func TestTooLong(t *testing.T) {
	d, err := NewDecoder(io.MultiReader(bytes.NewReader(riff(plain(1, 1, 1000, 8), chunk("data", nil))), zeros{}))
	if err != nil {
		t.Fatal(err)
	}
	buf := make([]float32, 1<<16)
	frames := 0
	for err == nil {
		var n int
		n, err = d.Read(buf)
		frames += n
	}
	var e *Error
	if !errors.As(err, &e) || e.Msg != "the sound goes on beyond 48 h, the most that is read" {
		t.Errorf("error is %v", err)
	}
	if most := MaxSeconds * 1000; frames > most || frames < most-len(buf) {
		t.Errorf("%d frames were read, want up to %d", frames, most)
	}
}

func ExampleMeasure() {
	file, err := os.Open("testdata/pcm16.wav")
	if err != nil {
		fmt.Println(err)
		return
	}
	defer file.Close()
	l, err := Measure(file, 0.001)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%s, %d Hz: RMS %.4f, peak %.4f\n", l.Info.Format, l.Info.Rate, l.RMS[0], l.Peak[0])
	// Output: PCM 16 bit, 8000 Hz: RMS 0.3535, peak 0.5000
}
