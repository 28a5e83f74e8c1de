package card

import (
	"errors"
	"fmt"
	"io"
)

// FileError is a fault of a file on a card, at a sector that counts from 0, or -1
// where it is of the file as a whole.
type FileError struct {
	File   string
	Sector int64
	Text   string
}

// Error gives the file, the sector and what is wrong.
func (e *FileError) Error() string {
	switch {
	case e.Sector < 0 && e.File == "":
		return e.Text
	case e.Sector < 0:
		return e.File + ": " + e.Text
	case e.File == "":
		return fmt.Sprintf("sector %d: %s", e.Sector, e.Text)
	}
	return fmt.Sprintf("%s: sector %d: %s", e.File, e.Sector, e.Text)
}

// Container is a container that was opened: its tables are in memory, and its frames
// are read as they are asked for.
type Container struct {
	Header   Header
	Channels []Channel
	Motions  []Motion

	r io.ReaderAt
}

// OpenContainer reads the header and the tables of a container of so many bytes.
// What is wrong with them is a *FileError.
func OpenContainer(r io.ReaderAt, size int64) (*Container, error) {
	c := &Container{r: r}
	var s Sector
	if err := readSector(r, 0, s[:]); err != nil {
		return nil, err
	}
	h, err := readHeader(s[:])
	if err != nil {
		return nil, &FileError{Sector: 0, Text: err.Error()}
	}
	c.Header = *h
	if size != int64(h.Sectors)*SectorSize {
		return nil, &FileError{Sector: -1, Text: lengthText(size, h.Sectors)}
	}
	err = eachRecord(r, kindChannels, Version, 1, int(h.Channels), func(i int, rec []byte) error {
		ch, err := readChannel(rec)
		if err == nil && i > 0 && ch.Output <= c.Channels[i-1].Output {
			err = errors.New("its outputs are not in order")
		}
		c.Channels = append(c.Channels, ch)
		return err
	})
	if err != nil {
		return nil, err
	}
	next := uint64(h.Data)
	err = eachRecord(r, kindMotions, Version, h.Table, int(h.Motions), func(_ int, rec []byte) error {
		m, err := readMotion(rec)
		if err == nil {
			err = m.sane(h, next)
		}
		next = m.end()
		c.Motions = append(c.Motions, m)
		return err
	})
	switch {
	case err != nil:
		return nil, err
	case next != uint64(h.Sectors):
		return nil, &FileError{Sector: int64(h.Table), Text: fmt.Sprintf("its motions end at sector %d, and the file has %d", next, h.Sectors)}
	case Print(h.Tick, c.Channels) != h.Print:
		return nil, &FileError{Sector: 0, Text: "its fingerprint is not that of its channels"}
	}
	return c, nil
}

func lengthText(size int64, sectors uint32) string {
	want := int64(sectors) * SectorSize
	if size < want {
		return fmt.Sprintf("it has %d bytes and should have %d: its end is missing", size, want)
	}
	return fmt.Sprintf("it has %d bytes and should have %d: something was added", size, want)
}

// readSector reads one sector.
func readSector(r io.ReaderAt, n int64, s []byte) error {
	if _, err := r.ReadAt(s[:SectorSize], n*SectorSize); err == io.EOF || err == io.ErrUnexpectedEOF {
		return &FileError{Sector: n, Text: "the file ends before it"}
	} else if err != nil {
		return err
	}
	return nil
}

// eachRecord gives the records of n, which begin at a sector.
func eachRecord(r io.ReaderAt, k kind, version uint8, first uint32, n int, visit func(i int, rec []byte) error) error {
	var s Sector
	for i := 0; i < n; i += recordsIn {
		number := first + uint32(i/recordsIn)
		if err := readSector(r, int64(number), s[:]); err != nil {
			return err
		}
		err := sound(s[:], version, number)
		var list [][]byte
		if err == nil {
			list, err = records(s[:], k, min(recordsIn, n-i))
		}
		for j := 0; err == nil && j < len(list); j++ {
			err = visit(i+j, list[j])
		}
		if err != nil {
			return &FileError{Sector: int64(number), Text: err.Error()}
		}
	}
	return nil
}

// Frame reads frame k of a motion into dst, one value a channel as it stands on the
// wire. It reads one sector, wherever the frame is.
func (c *Container) Frame(motion int, k uint32, dst []uint16) error {
	if motion < 0 || motion >= len(c.Motions) || k >= c.Motions[motion].Frames {
		return fmt.Errorf("there is no frame %d of motion %d", k, motion)
	}
	m, h := &c.Motions[motion], &c.Header
	i := k / uint32(h.Frames)
	var s Sector
	if err := c.frames(motion, m, i, s[:]); err != nil {
		return err
	}
	values := s[framesAt+2*int(h.Channels)*int(k%uint32(h.Frames)):]
	for j := range int(h.Channels) {
		dst[j] = le.Uint16(values[2*j:])
	}
	return nil
}

// frames reads the i-th sector of a motion's frames and proves it.
func (c *Container) frames(motion int, m *Motion, i uint32, s []byte) error {
	number := m.First + i
	if err := readSector(c.r, int64(number), s); err != nil {
		return err
	}
	err := sound(s, Version, number)
	if err == nil {
		err = c.Header.framesOf(s, motion, m, i)
	}
	if err != nil {
		return &FileError{Sector: int64(number), Text: err.Error()}
	}
	return nil
}

// framesOf is an error where a sector does not hold the i-th part of a motion.
func (h *Header) framesOf(s []byte, motion int, m *Motion, i uint32) error {
	if err := expect(s, kindFrames); err != nil {
		return err
	}
	number, frame, count := int(le.Uint16(s[6:])), le.Uint32(s[8:]), int(s[12])
	want := i * uint32(h.Frames)
	switch {
	case number != motion || frame != want || count != m.count(i, h):
		return fmt.Errorf("it holds %d frames from %d of motion %d, and should hold %d from %d of motion %d",
			count, frame, number, m.count(i, h), want, motion)
	case s[13] != 0 || !zero(s[framesAt+2*int(h.Channels)*count:checkAt]):
		return errNotZero
	}
	return nil
}

// Word is something that a motion says to people.
type Word struct {
	Frame uint32 // the prelude counted
	Text  string
}

// Words reads the cues in words of a motion.
func (c *Container) Words(motion int) (list []Word, err error) {
	m := &c.Motions[motion]
	var s Sector
	for i := range uint32(m.Words) {
		number := m.First + m.Sectors + i
		if err := readSector(c.r, int64(number), s[:]); err != nil {
			return nil, err
		}
		err := sound(s[:], Version, number)
		if err == nil {
			list, err = readWords(list, s[:], motion, m, i+1 == uint32(m.Words))
		}
		if err != nil {
			return nil, &FileError{Sector: int64(number), Text: err.Error()}
		}
	}
	return list, nil
}

// Places in a sector of cues.
const (
	wordSize = 124
	wordsIn  = 4
	wordRoom = wordSize - 6

	wordNew  = 1
	wordMore = 2
)

// putWords writes the sectors of a motion's cues.
func putWords(first uint32, motion int, words []Word) []byte {
	var pieces []Word
	var kinds []byte
	for _, w := range words {
		kind := byte(wordNew)
		for rest := w.Text; rest != ""; kind = wordMore {
			part := cut(rest, wordRoom)
			if part == "" { // no characters; cut it anyway
				part = rest[:min(len(rest), wordRoom)]
			}
			pieces, kinds = append(pieces, Word{w.Frame, part}), append(kinds, kind)
			rest = rest[len(part):]
		}
	}
	b := make([]byte, (len(pieces)+wordsIn-1)/wordsIn*SectorSize)
	for i := 0; i < len(pieces); i += wordsIn {
		s := b[i/wordsIn*SectorSize:][:SectorSize]
		begin(s, kindWords, Version, first+uint32(i/wordsIn))
		le.PutUint16(s[6:], uint16(motion))
		count := min(wordsIn, len(pieces)-i)
		s[8] = byte(count)
		for j := range count {
			r, p := s[framesAt+j*wordSize:], pieces[i+j]
			le.PutUint32(r, p.Frame)
			r[4], r[5] = kinds[i+j], byte(len(p.Text))
			copy(r[6:], p.Text)
		}
		seal(s)
	}
	return b
}

// readWords adds the cues of a sector to those before. last says that it is the
// motion's last one.
func readWords(list []Word, s []byte, motion int, m *Motion, last bool) ([]Word, error) {
	if err := expect(s, kindWords); err != nil {
		return list, err
	}
	count := int(s[8])
	switch {
	case int(le.Uint16(s[6:])) != motion:
		return list, fmt.Errorf("it holds cues of motion %d, and should hold some of motion %d", le.Uint16(s[6:]), motion)
	case count < 1 || count > wordsIn || count < wordsIn && !last:
		return list, fmt.Errorf("it holds %d cues", count)
	case !zero(s[9:framesAt]) || !zero(s[framesAt+count*wordSize:checkAt]):
		return list, errNotZero
	}
	for j := range count {
		r := s[framesAt+j*wordSize:][:wordSize]
		w, n := Word{Frame: le.Uint32(r), Text: ""}, int(r[5])
		switch {
		case w.Frame >= m.Frames || n < 1 || n > wordRoom || r[4] != wordNew && r[4] != wordMore:
			return list, fmt.Errorf("cue %d of it cannot be", j)
		case !zero(r[6+n:]):
			return list, errNotZero
		}
		w.Text = string(r[6 : 6+n])
		if k := len(list) - 1; r[4] == wordMore && k >= 0 && list[k].Frame == w.Frame {
			list[k].Text += w.Text
			continue
		}
		list = append(list, w)
	}
	return list, nil
}
