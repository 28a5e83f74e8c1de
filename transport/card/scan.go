package card

import (
	"errors"
	"fmt"
	"hash/crc32"
	"slices"
)

// scan goes through a container, sector by sector, and keeps what it learned.
type scan struct {
	x        *inspector
	h        *Header   // nil where it cannot be read
	channels []Channel // of sectors that could be read
	motions  []*Motion // nil where the table is damaged
	next     uint64    // sector at which the next motion begins, 0 where that is not known
	sum      uint32
	at       int  // the motion that the last sector was of
	hit      bool // something in it was damaged
	motion   uint32
	words    []Word
	before   span // of the sector before, where the table does not tell
}

// span is a run of frames of a motion.
type span struct {
	motion   int
	from, to int64
	known    bool
}

func verifyContainer(f Input, x *inspector) (c content, err error) {
	s := &scan{x: x, at: -1}
	crc, read, err := eachSector(f, s.sector)
	n := read / SectorSize
	if s.at >= 0 && s.motions[s.at].end() > uint64(n) {
		s.hit = true // its end is missing, which is told below
	}
	s.leave()
	c.crc, c.container, c.motions = crc, s.h, s.motions
	if err != nil {
		return c, err
	}
	if s.h == nil {
		unknownLength(f, read, x)
		return c, nil
	}
	switch want := int64(s.h.Sectors) * SectorSize; {
	case read > want:
		x.whole("%s", lengthText(read, s.h.Sectors))
	case read < want:
		x.add(s.missing(uint32(n), lengthText(read, s.h.Sectors)))
	}
	if x.found > 0 {
		return c, nil
	}
	if Print(s.h.Tick, s.channels) != s.h.Print {
		x.whole("its fingerprint is not that of its channels")
	}
	if s.next != uint64(s.h.Sectors) {
		x.whole("its motions end at sector %d of %d", s.next, s.h.Sectors)
	}
	if s.sum != s.h.CRC {
		x.whole(otherSectors, s.h.CRC, s.sum)
	}
	return c, nil
}

// sector takes the next sector.
func (s *scan) sector(n uint32, b []byte) {
	if n == 0 {
		h, err := readHeader(b)
		if err != nil {
			s.x.sector(0, fmt.Errorf("the header: %w", err))
			return
		}
		s.h, s.next = h, uint64(h.Data)
		s.motions = make([]*Motion, h.Motions)
		return
	}
	s.sum = crc32.Update(s.sum, crc32.IEEETable, b)
	err := sound(b, Version, n)
	switch {
	case s.h == nil:
		if err != nil {
			s.x.add(s.unplaced(n, err))
		}
		s.remember(b, err)
	case n < s.h.Table:
		s.tables(n, err, func() error { return s.readChannels(n, b) })
	case n < s.h.Data:
		s.tables(n, err, func() error { return s.readMotions(n, b) })
	case n >= s.h.Sectors:
	default:
		s.data(n, b, err)
	}
}

func (s *scan) tables(n uint32, err error, read func() error) {
	if err == nil {
		err = read()
	}
	if err == nil {
		return
	}
	if n >= s.h.Table {
		s.next = 0
	}
	s.x.sector(int64(n), fmt.Errorf("%s: %w", s.tableText(n), err))
}

func (s *scan) tableText(n uint32) string {
	first, count, what := int(n-1)*recordsIn, int(s.h.Channels), "channels"
	if n >= s.h.Table {
		first, count, what = int(n-s.h.Table)*recordsIn, int(s.h.Motions), "motions"
	}
	return fmt.Sprintf("the table of %s %d to %d", what, first, min(count, first+recordsIn)-1)
}

func (s *scan) readChannels(n uint32, b []byte) error {
	first := int(n-1) * recordsIn
	list, err := records(b, kindChannels, min(recordsIn, int(s.h.Channels)-first))
	for i := 0; err == nil && i < len(list); i++ {
		var c Channel
		if c, err = readChannel(list[i]); err == nil && len(s.channels) > 0 && c.Output <= s.channels[len(s.channels)-1].Output {
			err = errors.New("its outputs are not in order")
		}
		s.channels = append(s.channels, c)
	}
	return err
}

func (s *scan) readMotions(n uint32, b []byte) error {
	first := int(n-s.h.Table) * recordsIn
	list, err := records(b, kindMotions, min(recordsIn, int(s.h.Motions)-first))
	for i := 0; err == nil && i < len(list); i++ {
		var m Motion
		if m, err = readMotion(list[i]); err != nil {
			break
		}
		if s.next == 0 { // the table before is damaged
			s.next = uint64(m.First)
		}
		if err = m.sane(s.h, s.next); err == nil {
			s.motions[first+i], s.next = &m, m.end()
		}
	}
	return err
}

// data takes a sector of frames or of cues.
func (s *scan) data(n uint32, b []byte, err error) {
	i := s.motionAt(n)
	if i < 0 {
		if err != nil {
			s.x.add(s.unplaced(n, err))
		}
		s.remember(b, err)
		return
	}
	if i != s.at {
		s.leave()
		s.at, s.motion, s.hit, s.words = i, 0, false, nil
	}
	m := s.motions[i]
	s.motion = crc32.Update(s.motion, crc32.IEEETable, b)
	k := n - m.First
	if err == nil && k < m.Sectors {
		err = s.h.framesOf(b, i, m, k)
	} else if err == nil {
		s.words, err = readWords(s.words, b, i, m, k+1 == m.Sectors+uint32(m.Words))
	}
	if err != nil {
		s.hit = true
		s.x.add(s.placed(n, i, err))
	}
	s.remember(b, err)
}

// motionAt gives the motion that a sector belongs to, or -1 where the table does not
// tell. It looks on from the motion before.
func (s *scan) motionAt(n uint32) int {
	for i := max(0, s.at); i < len(s.motions); i++ {
		m := s.motions[i]
		switch {
		case m == nil:
		case n < m.First:
			return -1
		case uint64(n) < m.end():
			return i
		}
	}
	return -1
}

// leave ends a motion.
func (s *scan) leave() {
	if s.at < 0 || s.hit || s.motions[s.at] == nil {
		return
	}
	if m := s.motions[s.at]; s.motion != m.CRC {
		from, to := s.times(int64(0), int64(m.Frames), m.Prelude)
		s.x.add(Damage{Sector: -1, Motion: printable(m.Name), From: from, To: to, Timed: true,
			Text: fmt.Sprintf(otherSectors, m.CRC, s.motion)})
	}
}

// times gives the performance times of a run of frames.
func (s *scan) times(from, to int64, prelude uint16) (a, b float64) {
	return s.h.seconds(from - int64(prelude)), s.h.seconds(to - int64(prelude))
}

// placed gives the damage of a sector that the table knows.
func (s *scan) placed(n uint32, i int, err error) Damage {
	m := s.motions[i]
	d := Damage{Sector: int64(n), Motion: printable(m.Name), Timed: true, Text: err.Error()}
	k := n - m.First
	if k >= m.Sectors {
		d.From, d.To = s.times(0, int64(m.Frames), m.Prelude)
		d.Text = "its cues in words: " + d.Text
		return d
	}
	first := int64(k) * int64(s.h.Frames)
	d.From, d.To = s.times(first, first+int64(m.count(k, s.h)), m.Prelude)
	return d
}

// missing gives the damage of a file that ends before sector n: the motion and the time
// that begin there, and what follows.
func (s *scan) missing(n uint32, length string) Damage {
	d := Damage{Sector: int64(n), Text: length + " from here on"}
	if n < s.h.Data {
		d.Text += ": " + s.tableText(n) + " and all that is behind it"
		return d
	}
	i := slices.IndexFunc(s.motions, func(m *Motion) bool { return m != nil && uint64(n) < m.end() })
	if i < 0 {
		return d
	}
	m := s.motions[i]
	k := min(n-min(n, m.First), m.Sectors)
	d.Motion, d.Timed = printable(m.Name), true
	d.From, d.To = s.times(min(int64(k)*int64(s.h.Frames), int64(m.Frames)), int64(m.Frames), m.Prelude)
	var behind []string
	for _, m := range s.motions[i+1:] {
		if m != nil {
			behind = append(behind, printable(m.Name))
		}
	}
	if k == m.Sectors {
		d.From, _ = s.times(0, 0, m.Prelude)
		d.Text += ": its cues in words"
	}
	if len(behind) > 0 {
		d.Text += ", and all of " + few(behind, 3)
	}
	return d
}

// unplaced gives the damage of a sector of which only the one before tells what it is.
func (s *scan) unplaced(n uint32, err error) Damage {
	d := Damage{Sector: int64(n), Text: err.Error()}
	if p := s.before; p.known {
		d.Motion = fmt.Sprintf("motion %d", p.motion)
		d.Text = fmt.Sprintf("the frames from %d on, or what is behind the motion: %s", p.to, d.Text)
	}
	return d
}

// remember keeps what a good sector of frames says of itself.
func (s *scan) remember(b []byte, err error) {
	if err != nil {
		return
	}
	s.before.known = kind(b[0]) == kindFrames
	if s.before.known {
		s.before.motion, s.before.from = int(le.Uint16(b[6:])), int64(le.Uint32(b[8:]))
		s.before.to = s.before.from + int64(b[12])
	}
}
