package firmware_test

import (
	"bufio"
	"bytes"
	"encoding/binary"
	"errors"
	"io"
	"os/exec"
	"slices"
	"strings"
	"sync"
	"testing"

	"limberjack/transport/card"
	"limberjack/transport/wire"
)

// reader is the card reader in C, as a program that is given changes of a card.
type reader struct {
	sync.Mutex
	e       *exhibit
	places  [2]int // of index and container in the image
	in      io.WriteCloser
	out     *bufio.Reader
	trouble bytes.Buffer
}

const fuzzMotions = `start: {play: swell}
join: 500ms
motions:
  swell: {file: swell.motion.yaml, every: [1s, 2s], seed: 7}
  round: {file: round.motion.yaml, loop: true, trigger: {input: 1, lockout: 1s}, while_busy: interrupt}
  again: {file: swell.motion.yaml, trigger: {input: 2, edge: falling}, after: swell, while_busy: wait}
`

func newReader(t testing.TB, fat card.FAT) *reader {
	t.Helper()
	tool(t, "cc")
	r := &reader{e: exhibitOf(t, coastShow(fuzzMotions, nil), "coast.show.yaml", card.ImageOptions{FAT: fat})}
	r.places = [2]int{r.e.place(t, r.e.index), r.e.place(t, r.e.file)}
	// The rest of the image is free space, which nobody reads.
	r.e.image = r.e.image[:r.places[1]+len(r.e.file)]
	sources := slices.DeleteFunc(cardSources(t), func(s string) bool { return strings.HasSuffix(s, "card_host.c") })
	sources = append(sources, "src/host/card_fuzz.c")
	path := compile(t, "cc", r.e.config, sources, append(slices.Clone(sanitized), printFlag(r.e.contents.Header.Print))...)
	cmd := exec.Command(path)
	cmd.Stderr = &r.trouble
	var err error
	if r.in, err = cmd.StdinPipe(); err != nil {
		t.Fatal(err)
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	r.out = bufio.NewReader(out)
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		r.in.Close()
		if err := cmd.Wait(); err != nil {
			t.Errorf("the card reader: %v\n%s", err, r.trouble.Bytes())
		}
	})
	if _, err := r.in.Write(append(binary.LittleEndian.AppendUint32(nil, uint32(len(r.e.image))), r.e.image...)); err != nil {
		t.Fatal(err)
	}
	return r
}

// read gives the code and which sectors of frames are good, of an image that is as long.
func (r *reader) read(t testing.TB, image []byte) (code uint8, good []byte) {
	t.Helper()
	r.Lock()
	defer r.Unlock()
	var b []byte
	n := uint32(0)
	for i := range image {
		if image[i] != r.e.image[i] {
			b = append(binary.LittleEndian.AppendUint32(b, uint32(i)), image[i])
			n++
		}
	}
	if _, err := r.in.Write(append(binary.LittleEndian.AppendUint32(nil, n), b...)); err != nil {
		t.Fatalf("the card reader has ended: %v\n%s", err, r.trouble.Bytes())
	}
	head := make([]byte, 5)
	if _, err := io.ReadFull(r.out, head); err != nil {
		t.Fatalf("the card reader has ended: %v\n%s", err, r.trouble.Bytes())
	}
	good = make([]byte, binary.LittleEndian.Uint32(head[1:]))
	if _, err := io.ReadFull(r.out, good); err != nil {
		t.Fatal(err)
	}
	return head[0], good
}

// change makes changes of a fuzzer's bytes, four each: place and new value. What sectors
// lose their check gets it again where fix is set, so that more than the check is tried.
func change(b, changes []byte, from int, fix bool) {
	for ; len(changes) >= 4; changes = changes[4:] {
		at := from + (int(changes[0])|int(changes[1])<<8|int(changes[2])<<16)%(len(b)-from)
		b[at] = changes[3]
		if s := at / 512 * 512; fix && s+512 <= len(b) {
			binary.LittleEndian.PutUint16(b[s+510:], wire.Checksum(b[s:s+510]))
		}
	}
}

// verdict is what package card says of two files: whether a board plays them, and which
// sectors of frames are good. Where it is doubtful, the two need not agree.
func (r *reader) verdict(index, file []byte) (plays bool, good []byte, doubtful bool) {
	x, err := card.OpenIndex(bytes.NewReader(index), int64(len(index)))
	if err != nil {
		return false, nil, false
	}
	c, err := card.OpenContainer(bytes.NewReader(file), int64(len(file)))
	var fault *card.FileError
	if errors.As(err, &fault) && strings.Contains(fault.Text, "fingerprint") {
		return false, nil, true // a board compares with what is built in
	}
	if err != nil {
		return false, nil, false
	}
	own := r.e.contents.Header
	mine := slices.IndexFunc(x.Boards, func(b card.BoardFile) bool { return b.Print == own.Print && b.Name == own.Name })
	h := c.Header
	if mine < 0 || x.Boards[mine].File != "TOWER.LJC" || int(h.Board) != mine || h.Print != own.Print || h.Name != own.Name || h.Tick != own.Tick ||
		len(x.Triggers) != len(c.Motions) || h.Period < r.e.config.Least || h.Period > r.e.config.Greatest {
		return false, nil, false
	}
	for _, ch := range c.Channels { // each pulse has to end within a period
		if end := (uint64(ch.Offset) + uint64(ch.High)) * uint64(h.Tick); ch.Unit == wire.UnitTicks && end > uint64(h.Period)*1000 {
			return false, nil, false
		}
	}
	timers, randoms := 0, 0
	for _, t := range x.Triggers {
		if t.Starts&card.ByInput != 0 && int(t.Board) == mine && t.Input < 16 && t.Lockout > 0 {
			timers++
		}
		if t.Starts&card.ByInterval != 0 {
			timers++
			randoms++
		}
	}
	if timers > card.RoomUsual.Timers || randoms > card.RoomUsual.Randoms {
		return false, nil, false
	}
	row := make([]uint16, h.Channels)
	for k, m := range c.Motions {
		for i := range m.Sectors {
			g := byte(1)
			if c.Frame(k, i*uint32(h.Frames), row) != nil {
				g = 0
			}
			good = append(good, g)
		}
	}
	return true, good, false
}

// Go and C agree on index and container: on whether a board plays them, and on each sector.
func FuzzCardFiles(f *testing.F) {
	r := newReader(f, card.FAT16)
	at := func(file, place int, value byte) []byte {
		if file == 1 {
			place += len(r.e.index)
		}
		return []byte{byte(place), byte(place >> 8), byte(place >> 16), value}
	}
	f.Add([]byte{}, false)
	for _, place := range []int{0, 1, 2, 6, 12, 20, 24, 26, 28, 32, 40, 48, 60, 510, 512, 518, 519, 520, 532, 540, 556, 580, 1024, 1030, 1032, 1033, 1034, 1035, 1036, 1040, 1044, 1048, 1052, 1056, 1060, 1092} {
		f.Add(at(0, place, 3), true)
		f.Add(at(1, place, 3), true)
		f.Add(at(1, place, 0), false)
	}
	for _, place := range []int{1060, 1061, 1120, 1180, 1181, 1182, 1184, 1186} { // after, in records T
		f.Add(at(0, place, 1), true)
		f.Add(at(0, place, 4), true)
		f.Add(at(0, place, 3), true)
	}
	first := slices.Concat(at(0, 1, 1), at(0, 513, 1), at(0, 1025, 1)) // an index of version 1
	f.Add(first, true)
	f.Add(slices.Concat(first, at(0, 1180, 0)), true)
	f.Add(at(0, 513, 1), true)
	f.Add(at(0, 1, 0), true)
	for s := range len(r.e.file) / 512 {
		f.Add(at(1, 512*s+8, 1), true)
		f.Add(at(1, 512*s+13, 1), true)
		f.Add(at(1, 512*s+509, 1), true)
		f.Add(at(1, 512*s+200, 9), false)
	}
	for _, values := range stored(f, "testdata/fuzz/card") { // the same show is on all cards
		if b := bytesOf(f, values[0]); len(b) >= 2 && b[1]&inFiles != 0 {
			f.Add(b[2:], b[1]&resealed != 0)
		}
	}
	f.Fuzz(func(t *testing.T, changes []byte, fix bool) {
		both := append(slices.Clone(r.e.index), r.e.file...)
		change(both, changes, 0, fix)
		index, file := both[:len(r.e.index)], both[len(r.e.index):]
		image := slices.Clone(r.e.image)
		copy(image[r.places[0]:], index)
		copy(image[r.places[1]:], file)
		code, good := r.read(t, image)
		plays, want, doubtful := r.verdict(index, file)
		switch {
		case code > 8:
			t.Fatalf("the show is neither loaded nor refused: %d", code)
		case doubtful:
		case plays != (code == 0):
			t.Fatalf("a board plays it by Go: %v; the code in C is %d", plays, code)
		case !bytes.Equal(good, want):
			t.Fatalf("good sectors: %d in C, %d in Go", good, want)
		}
	})
}

// Whatever stands in the structures of the volume, the reader comes to an end, reads no
// memory that is not its own, and drives no output out of its limits.
func FuzzCardVolume(f *testing.F) {
	readers := map[bool]*reader{false: newReader(f, card.FAT16), true: newReader(f, card.FAT32)}
	for wide, r := range readers {
		f.Add([]byte{}, wide)
		for _, place := range []int{0, 11, 13, 14, 16, 17, 19, 22, 32, 36, 44, 510, 512, 514, 516, 518, 520} {
			for _, value := range []byte{0, 1, 0x80, 0xff} {
				f.Add([]byte{byte(place), byte(place >> 8), 0, value}, wide)
			}
		}
		for _, name := range []string{"SHOW    LJI", "TOWER   LJC"} {
			for _, off := range []int{0, 11, 26, 27, 28, 29, 30, 31} {
				place := r.e.entry(f, name) + off
				f.Add([]byte{byte(place), byte(place >> 8), byte(place >> 16), 0x7f}, wide)
			}
		}
	}
	for _, values := range stored(f, "testdata/fuzz/card") {
		if b := bytesOf(f, values[0]); len(b) >= 2 && b[0] < 2 && b[1]&inFiles == 0 {
			f.Add(b[2:], b[0] == 1)
		}
	}
	f.Fuzz(func(t *testing.T, changes []byte, wide bool) {
		r := readers[wide]
		image := slices.Clone(r.e.image)
		change(image, changes, 0, false)
		if code, _ := r.read(t, image); code > 8 {
			t.Fatalf("the show is neither loaded nor refused: %d", code)
		}
	})
}
