package sound

import (
	"bytes"
	"fmt"
	"strings"
	"unicode/utf8"
)

// What to do about a file that cannot be used as it is.
const (
	copyAgain   = "copy or export it again"
	exportAgain = "export it again"
	exportPCM   = "export it as 16-bit PCM"
	convertWAV  = "convert it: sox in.wav -e signed-integer -b 16 out.wav"
	convertAny  = "convert it: ffmpeg -i in.wav -c:a pcm_s16le out.wav"
)

// magicSize is how many bytes at the start of a file are looked at.
const magicSize = 512

// magic is a mark by which another kind of file is known.
type magic struct {
	at   int    // bytes from the start
	mark string // bytes there
	name string // what the file is
	ext  string // its usual extension; none: there is no sound to convert
	with string // general-purpose program that reads it
}

var magics = []magic{
	{0, "RIFX", "a RIFX file (big-endian)", "wav", "sox"},
	{8, "AIFF", "an AIFF file", "aiff", "sox"},
	{8, "AIFC", "an AIFF-C file", "aiff", "sox"},
	{0, "ID3", "an MP3 file", "mp3", "sox"},
	{0, "OggS", "an Ogg file", "ogg", "sox"},
	{0, "fLaC", "a FLAC file", "flac", "sox"},
	{0, ".snd", "an AU file", "au", "sox"},
	{0, "caff", "a CAF file", "caf", "sox"},
	{0, "wvpk", "a WavPack file", "wv", "sox"},
	{0, "riff\x2E\x91\xCF\x11", "a Wave64 file", "w64", "sox"},
	{0, "#!AMR", "an AMR file", "amr", "sox"},
	{4, "ftyp", "an MP4 or M4A file", "m4a", "ffmpeg"},
	{0, "\x1A\x45\xDF\xA3", "a Matroska or WebM file", "webm", "ffmpeg"},
	{0, "\x30\x26\xB2\x75", "a Windows Media file", "wma", "ffmpeg"},
	{0, "MThd", "a MIDI file (notes without sound)", "", ""},
	{0, "PK\x03\x04", "a ZIP archive (unpack it first)", "", ""},
	{0, "\xFF\xFE", "a UTF-16 text file", "", ""},
	{0, "\xFE\xFF", "a UTF-16 text file", "", ""},
	{0, "%PDF", "a PDF document", "", ""},
	{0, "\x89PNG", "a PNG picture", "", ""},
	{0, "\xFF\xD8\xFF", "a JPEG picture", "", ""},
	{8, "AVI ", "an AVI film", "avi", "ffmpeg"},
}

// identify returns an error unless start, the first bytes of a file, is that of
// a WAV file. The error says what the file is instead.
func identify(start []byte) error {
	if len(start) == 0 {
		return errorAt(0, "the file is empty; %s", copyAgain)
	}
	for _, m := range magics {
		if len(start) > m.at && bytes.HasPrefix(start[m.at:], []byte(m.mark)) {
			return m.refuse()
		}
	}
	if isMPEG(start) {
		return magic{name: "an MP3 or AAC file", ext: "mp3", with: "sox"}.refuse()
	}
	return identifyRIFF(start)
}

func (m magic) refuse() error {
	switch m.with {
	case "sox":
		return errorAt(0, "this is %s, not a WAV file; convert it: sox in.%s out.wav", m.name, m.ext)
	case "ffmpeg":
		return errorAt(0, "this is %s, not a WAV file; convert it: ffmpeg -i in.%s out.wav", m.name, m.ext)
	}
	return errorAt(0, "this is %s, not a WAV file", m.name)
}

// isMPEG tells the frame header of an MPEG audio stream: 11 bits set, then a
// version, layer, bit rate and sample rate of which none is a reserved value
// (ISO/IEC 11172-3), or the 12 bits and layer 0 of AAC (ISO/IEC 13818-7).
func isMPEG(b []byte) bool {
	if len(b) < 4 || b[0] != 0xFF || b[1]&0xE0 != 0xE0 {
		return false
	}
	if b[1]&0xF6 == 0xF0 {
		return true
	}
	version, layer := b[1]>>3&3, b[1]>>1&3
	return version != 1 && layer != 0 && b[2]>>4 != 15 && b[2]>>2&3 != 3
}

// identifyRIFF accepts the forms that are read.
func identifyRIFF(start []byte) error {
	id := string(start[:min(4, len(start))])
	switch {
	case id != "RIFF" && id != "RF64" && id != "BW64":
		return errorAt(0, "this is %s, not a WAV file", describe(start))
	case len(start) < headerSize:
		return errorAt(int64(len(start)), "the file is cut short: it ends inside its header (%d of %d bytes); %s", len(start), headerSize, copyAgain)
	case string(start[8:12]) != "WAVE":
		return errorAt(8, "this is a RIFF file of type %q, not a WAV file", start[8:12])
	}
	return nil
}

// describe tells text from other bytes.
func describe(start []byte) string {
	if text := validText(start); text != "" {
		line, _, _ := strings.Cut(text, "\n")
		line = strings.TrimSpace(line)
		if r := []rune(line); len(r) > 40 {
			line = string(r[:40]) + "…"
		}
		return fmt.Sprintf("a text file that begins %q", line)
	}
	return fmt.Sprintf("a file of an unknown kind that begins with bytes %x", start[:min(8, len(start))])
}

// validText returns b as a string if it is UTF-8 text, or nothing. A character
// cut in two by the end of b does not count against it.
func validText(b []byte) string {
	for i := 0; i < utf8.UTFMax && len(b) > 0 && !utf8.Valid(b); i++ {
		b = b[:len(b)-1]
	}
	if !utf8.Valid(b) {
		return ""
	}
	for _, c := range b {
		if c < ' ' && c != '\n' && c != '\r' && c != '\t' || c == 0x7F {
			return ""
		}
	}
	return string(b)
}
