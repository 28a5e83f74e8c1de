package card

import (
	"fmt"
	"hash/crc32"
	"io"
	"math"
	"slices"

	"limberjack/interp"
	"limberjack/sequence"
	"limberjack/transport/timeline"
)

// chunk is how many sectors are written and read at a time.
const chunk = 64

// reel is a motion on a board: its timeline, with the frames before it.
type reel struct {
	number int
	motion Motion
	line   *timeline.Timeline
	lead   lead
	words  []Word
	change []int64 // greatest change of each channel, known when it was written
}

// newReel gives the reel of a motion; where it begins is not set yet.
func newReel(rig *sequence.Rig, number int, sm *sequence.ShowMotion, p *interp.Performance, t *timeline.Timeline) (*reel, error) {
	l, err := newLead(rig, sm, t)
	if err != nil {
		return nil, err
	}
	frames := t.Frames + int64(l.prelude)
	if frames > math.MaxUint32 {
		return nil, sequence.Problem{At: sm.At, Text: fmt.Sprintf("%s has %d frames, and a card counts to %d", sm.Name, frames, math.MaxUint32), Hint: "make it shorter"}
	}
	r := &reel{number: number, line: t, lead: l, words: wordsOf(p, t, l.prelude)}
	words := len(putWords(0, number, r.words)) / SectorSize
	if words > math.MaxUint16 {
		return nil, sequence.Problem{At: sm.At, Text: fmt.Sprintf("the cues in words of %s take %d sectors, and a card has %d for them", sm.Name, words, math.MaxUint16), Hint: "say less"}
	}
	r.motion = Motion{Frames: uint32(frames), Sectors: uint32(sectorsOf(frames, framesASector(len(t.Channels)))), Prelude: uint16(l.prelude),
		Words: uint16(words), Name: cut(sm.Name, nameSize)}
	if sm.Loop {
		r.motion.Flags |= FlagLoop
	}
	if t.Loop {
		r.motion.Flags |= FlagSeamless
	}
	if sm.Loop && t.Loop {
		r.motion.From = l.prelude
	}
	return r, nil
}

// wordsOf gives what a motion says to people, by frames.
func wordsOf(p *interp.Performance, t *timeline.Timeline, prelude uint32) (list []Word) {
	for _, c := range p.Script.Cues {
		if c.Say == "" {
			continue
		}
		k := int64(math.Round(p.PerformanceTime(c.Time) * t.Board.Rate.V))
		list = append(list, Word{uint32(max(0, min(k, t.Frames-1))) + prelude, c.Say})
	}
	slices.SortStableFunc(list, func(a, b Word) int { return int(int64(a.Frame) - int64(b.Frame)) })
	return list
}

// player gives the frames of a reel in order, as they stand on the card.
type player struct {
	reel    *reel
	reader  *timeline.Reader
	frame   uint32
	first   []uint16 // the first pose
	raw     []uint16
	steps   []uint16 // positions, low 16 bits
	trigger int      // place of its channel, or -1
}

func (r *reel) play() *player {
	n := len(r.line.Channels)
	p := &player{reel: r, reader: r.line.Reader(), first: make([]uint16, n), raw: make([]uint16, n), steps: make([]uint16, n)}
	p.trigger = slices.IndexFunc(r.line.Channels, func(c timeline.Channel) bool { return c.Trigger })
	if r.lead == (lead{}) {
		p.trigger = -1
	}
	for i := range r.line.Channels {
		p.steps[i] = uint16(r.line.Channels[i].Start)
	}
	p.read(p.first)
	return p
}

// read reads a frame of the timeline.
func (p *player) read(dst []uint16) bool {
	if !p.reader.Next(p.raw) {
		return false
	}
	for i, v := range p.raw {
		if p.reel.line.Channels[i].Unit == timeline.StepDelta {
			p.steps[i] += v
			v = p.steps[i]
		}
		dst[i] = v
	}
	return true
}

// next gives the next frame.
func (p *player) next(dst []uint16) {
	if p.frame <= p.reel.lead.prelude {
		copy(dst, p.first)
	} else {
		p.read(dst)
	}
	if p.trigger >= 0 {
		dst[p.trigger] = 0
		if p.reel.lead.on(p.frame) {
			dst[p.trigger] = 1
		}
	}
	p.frame++
}

// tape writes sectors one behind the other, many at a time.
type tape struct {
	w      io.WriterAt
	number uint32 // of the first sector in the buffer
	crc    uint32
	buffer []byte
}

// sector gives room for the next sector.
func (t *tape) sector() ([]byte, error) {
	if len(t.buffer) == cap(t.buffer) {
		if err := t.flush(); err != nil {
			return nil, err
		}
	}
	t.buffer = t.buffer[:len(t.buffer)+SectorSize]
	return t.buffer[len(t.buffer)-SectorSize:], nil
}

// flush writes what is there.
func (t *tape) flush() error {
	t.crc = crc32.Update(t.crc, crc32.IEEETable, t.buffer)
	_, err := t.w.WriteAt(t.buffer, int64(t.number)*SectorSize)
	t.number, t.buffer = t.number+uint32(len(t.buffer)/SectorSize), t.buffer[:0]
	return err
}

// write writes the reel's sectors to their places and sets its CRC and change.
func (r *reel) write(w io.WriterAt) error {
	p, values, fs := r.play(), make([]uint16, len(r.line.Channels)), r.followers()
	out := &tape{w: w, number: r.motion.First, buffer: make([]byte, 0, chunk*SectorSize)}
	each := uint32(framesASector(len(values)))
	for i := range r.motion.Sectors {
		s, err := out.sector()
		if err != nil {
			return err
		}
		count := min(each, r.motion.Frames-i*each)
		begin(s, kindFrames, Version, r.motion.First+i)
		le.PutUint16(s[6:], uint16(r.number))
		le.PutUint32(s[8:], i*each)
		s[12] = byte(count)
		for at := framesAt; at < framesAt+2*len(values)*int(count); {
			p.next(values)
			for j, v := range values {
				fs[j].wire(v)
				le.PutUint16(s[at:], v)
				at += 2
			}
		}
		seal(s)
	}
	if err := out.flush(); err != nil {
		return err
	}
	out.buffer = putWords(out.number, r.number, r.words)
	if err := out.flush(); err != nil {
		return err
	}
	r.motion.CRC, r.change = out.crc, r.closeLoop(fs, p.first)
	return nil
}

func (r *reel) followers() []follower {
	fs := make([]follower, len(r.line.Channels))
	for i := range fs {
		c := &r.line.Channels[i]
		fs[i] = follower{unit: c.Unit, before: c.Start, some: c.Unit == timeline.StepDelta}
	}
	return fs
}

// closeLoop gives the greatest change of each channel, the way from the last frame of a round to the first of
// the next included.
func (r *reel) closeLoop(fs []follower, first []uint16) []int64 {
	list := make([]int64, len(fs))
	for i := range fs {
		if r.motion.Flags == FlagLoop|FlagSeamless {
			fs[i].wire(first[i])
		}
		list[i] = fs[i].change
	}
	return list
}

// compare reads the reel back and holds it against its timeline, which is computed
// anew, frame by frame.
func (r *reel) compare(c *Container) error {
	p, channels := r.play(), len(r.line.Channels)
	want, m := make([]uint16, channels), &c.Motions[r.number]
	if *m != r.motion || int(c.Header.Channels) != channels {
		return &FileError{Sector: int64(c.Header.Table), Text: fmt.Sprintf("the table does not say of %s what it should", r.motion.Name)}
	}
	for i, left := uint32(0), m.Sectors; left > 0; {
		n := min(left, chunk)
		b := make([]byte, n*SectorSize)
		if _, err := c.r.ReadAt(b, int64(m.First+i)*SectorSize); err != nil {
			return err
		}
		for ; len(b) > 0; b, i = b[SectorSize:], i+1 {
			s := b[:SectorSize]
			err := sound(s, Version, m.First+i)
			if err == nil {
				err = c.Header.framesOf(s, r.number, m, i)
			}
			if err == nil {
				err = p.compare(s, want)
			}
			if err != nil {
				return &FileError{Sector: int64(m.First + i), Text: err.Error()}
			}
		}
		left -= n
	}
	words, err := c.Words(r.number)
	if err == nil && !slices.Equal(words, r.words) {
		err = &FileError{Sector: int64(m.First + m.Sectors), Text: "its cues are others than those of the motion"}
	}
	return err
}

// compare holds a sector against the frames that follow.
func (p *player) compare(s []byte, want []uint16) error {
	at := framesAt
	for range s[12] {
		p.next(want)
		for j, v := range want {
			if got := le.Uint16(s[at:]); got != v {
				c := &p.reel.line.Channels[j]
				return fmt.Errorf("frame %d of %s: the card has %s %d, the motion gives %d", p.frame-1, c.Axis.Name, c.Unit, got, v)
			}
			at += 2
		}
	}
	return nil
}
