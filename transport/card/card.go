// Package card puts a show onto an SD card, for boards that play it alone: one
// container a board, an index of what starts which motion, and two texts for people,
// as plain files or as an image with a FAT file system. FORMAT.md has every byte of it.
//
// New plans a card from a show and its performances; Card.Write and Image.Write write it
// and always read it back, holding every value against the timelines, which are computed
// anew. Verify proves a card whole and names each damage by file, sector and time;
// Describe says what is on it.
//
// Memory does not grow with the length of the motions.
//
// # What a card adds to the timelines
//
// The board's clock trim: the period of the frames is longer by as much as the clock
// runs fast. Pulse lengths are not trimmed, since the calibration was measured with
// pulses of the same board. The sound player's trigger, with frames before a motion in
// which the axes wait for the sound. Steppers become positions, as on the wire.
package card

import (
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"math"
	"path/filepath"
	"runtime"
	"strings"
	"sync"

	"limberjack/interp"
	"limberjack/sequence"
	"limberjack/transport/timeline"
	"limberjack/transport/wire"
)

// File is a file of a card.
type File struct {
	Name string
	Size int64 // bytes
	CRC  uint32
}

// Medium is where a file is written and read back.
type Medium interface {
	io.ReaderAt
	io.WriterAt
}

// Options are what a card has beside the show.
type Options struct {
	// Date stands in the handover sheet and in the directory of an image, as
	// YYYY-MM-DD; empty: none, so that the same show always gives the same bytes.
	Date string
	// Room is what the boards' programs have memory for; zero: RoomUsual.
	Room Room
}

// Card is a card that was planned.
type Card struct {
	Notes []string // what somebody should know who makes it: what will not start, what is cut

	show       *sequence.Show
	opts       Options
	containers []*container
	index      Index
	files      []File
}

// container is the plan of one board's file.
type container struct {
	board    *sequence.Board
	header   Header
	channels []Channel
	reels    []*reel
}

// Alone gives a show of one motion, that plays at power-up.
func Alone(s *sequence.Script) *sequence.Show {
	name := strings.TrimSuffix(filepath.Base(s.File), ".motion.yaml")
	sm := &sequence.ShowMotion{Name: name, At: s.At, File: s.File, Script: s, Loop: s.Loop}
	return &sequence.Show{Name: s.Name, File: s.File, At: s.At, Rig: s.Rig, Start: sm, Motions: []*sequence.ShowMotion{sm}}
}

// New plans a card for a show. performances are those of its motions, in their order.
// Errors are sequence.Problems where they stem from the documents.
func New(show *sequence.Show, performances []*interp.Performance, opts Options) (*Card, error) {
	if len(performances) != len(show.Motions) {
		return nil, fmt.Errorf("a show of %d motions cannot have %d performances", len(show.Motions), len(performances))
	}
	if n := len(show.Motions); n < 1 || n > maxMotions {
		return nil, sequence.Problems{{At: show.At, Text: fmt.Sprintf("the show has %d motions, and a card holds 1 to %d", n, maxMotions), Hint: "split the show"}}
	}
	if _, err := dateOf(opts.Date); err != nil {
		return nil, err
	}
	for _, sm := range show.Motions {
		if len(sm.After) > mostAfter {
			return nil, sequence.Problems{{At: sm.At, Text: fmt.Sprintf("%s comes after %d motions, and a card holds %d", sm.Name, len(sm.After), mostAfter), Hint: "name fewer"}}
		}
	}
	c := &Card{show: show, opts: opts}
	lines, err := linesOf(show.Rig, performances)
	if err != nil {
		return nil, err
	}
	if err := c.plan(performances, lines); err != nil {
		return nil, err
	}
	c.index = c.newIndex()
	if err := c.fits(opts.Room); err != nil {
		return nil, err
	}
	c.list()
	return c, nil
}

// linesOf builds the timelines of all motions, several at a time.
func linesOf(rig *sequence.Rig, performances []*interp.Performance) ([][]*timeline.Timeline, error) {
	lines := make([][]*timeline.Timeline, len(performances))
	err := each(len(lines), func(i int) error {
		built, err := timeline.Build(performances[i])
		if err != nil {
			return fmt.Errorf("%s: %w", performances[i].Script.File, err)
		}
		lines[i] = timeline.AddTrigger(rig, built)
		return nil
	})
	return lines, err
}

// plan lays the containers out.
func (c *Card) plan(performances []*interp.Performance, lines [][]*timeline.Timeline) error {
	if len(lines[0]) == 0 {
		return sequence.Problems{{At: c.show.At, Text: "the rig of the show has no axes, so that there is nothing to put on a card"}}
	}
	var problems sequence.Problems
	for b, first := range lines[0] {
		k, err := newContainer(b, first)
		if err != nil {
			problems = append(problems, problemsOf(err)...)
			continue
		}
		c.containers = append(c.containers, k)
		for i, sm := range c.show.Motions {
			r, err := newReel(c.show.Rig, i, sm, performances[i], lines[i][b])
			if err != nil {
				problems = append(problems, problemsOf(err)...)
				continue
			}
			k.reels = append(k.reels, r)
		}
		if len(problems) > 0 {
			continue
		}
		if err := k.layout(c.show); err != nil {
			problems = append(problems, problemsOf(err)...)
		}
	}
	if len(c.containers) > noBoard {
		problems = append(problems, sequence.Problem{At: c.show.At, Text: fmt.Sprintf("the rig has %d boards, and a card holds %d", len(c.containers), noBoard)})
	}
	if len(problems) > 0 {
		return problems
	}
	return nil
}

func problemsOf(err error) sequence.Problems {
	var p sequence.Problem
	if errors.As(err, &p) {
		return sequence.Problems{p}
	}
	return sequence.AsProblems(err)
}

// newContainer makes the plan of a board's file without its motions.
func newContainer(number int, t *timeline.Timeline) (*container, error) {
	b := t.Board
	if n := len(t.Channels); n > wire.MaxChannels {
		return nil, sequence.Problem{At: b.At, Text: fmt.Sprintf("board %s drives %d channels, and a card holds %d a board", b.Name, n, wire.MaxChannels), Hint: "split it into two boards"}
	}
	k := &container{board: b}
	for i := range t.Channels {
		c, err := newChannel(&t.Channels[i])
		if err != nil {
			return nil, err
		}
		k.channels = append(k.channels, c)
	}
	period, tick := periodOf(b), math.Round(b.Tick.V*1e6)
	if !(period >= 1 && period <= math.MaxUint32 && tick >= 1 && tick <= math.MaxUint32) {
		return nil, sequence.Problem{At: b.At, Text: fmt.Sprintf("the rate %v Hz or the tick %v us of board %s cannot stand on a card", b.Rate.V, b.Tick.V, b.Name), Hint: "give a rate of 1 to 1000 Hz"}
	}
	k.header = Header{Rig: crc32.ChecksumIEEE([]byte(t.Fingerprint)), Period: uint32(period), Drift: int32(math.Round(b.Clock.V * 1000)), Tick: uint32(tick),
		Channels: uint8(len(k.channels)), Frames: framesASector(len(k.channels)), Board: uint8(number), Name: cut(b.Name, nameSize)}
	k.header.Print = Print(k.header.Tick, k.channels)
	return k, nil
}

// periodOf gives the time from frame to frame in ns of the board's own clock: one that
// runs fast counts more of them.
func periodOf(b *sequence.Board) float64 {
	return math.Round(1e9 / b.Rate.V * (1 + float64(b.Clock.V*1e-6)))
}

// layout gives each motion its place.
func (k *container) layout(show *sequence.Show) error {
	h := &k.header
	h.Motions = uint16(len(k.reels))
	h.Table = uint32(1 + sectorsFor(len(k.channels)))
	h.Data = h.Table + uint32(sectorsFor(len(k.reels)))
	next := int64(h.Data)
	for _, r := range k.reels {
		r.motion.First = uint32(min(next, maxSectors))
		next += int64(r.motion.Sectors) + int64(r.motion.Words)
	}
	if next > maxSectors {
		return sequence.Problem{At: show.At, Text: fmt.Sprintf("the file of board %s would have %d sectors (%.1f GB), and a file on a card has at most %d", k.board.Name, next, float64(next)*SectorSize/1e9, maxSectors),
			Hint: "split the show, or give the board a lower rate"}
	}
	h.Sectors = uint32(next)
	return nil
}

func (k *container) size() int64 { return int64(k.header.Sectors) * SectorSize }

// list makes the list of files, as they stand in an image.
func (c *Card) list() {
	c.files = []File{{Name: IndexName, Size: int64(c.index.sectors()) * SectorSize}}
	for i, k := range c.containers {
		c.files = append(c.files, File{Name: c.index.Boards[i].File, Size: k.size()})
	}
	c.files = append(c.files, File{Name: ReadmeName, Size: int64(len(c.readme()))})
	c.files = append(c.files, File{Name: HandoverName, Size: int64(len(c.handover()))})
}

// Files gives the files of the card. Their CRC-32s are known after Write.
func (c *Card) Files() []File { return c.files }

// Write writes all files, each to the place that place gives for it, and reads them
// back. progress, where it is not nil, is called from one goroutine at a time.
func (c *Card) Write(place func(f File) Medium, progress func(done, total int)) error {
	media := make([]Medium, len(c.files))
	for i := range media {
		media[i] = place(c.files[i])
	}
	p := newProgress(c, progress)
	if err := c.eachReel(func(k *container, r *reel, i int) error {
		defer p.step()
		return r.write(media[1+i])
	}); err != nil {
		return err
	}
	for i, k := range c.containers {
		crc, err := k.finish(media[1+i])
		if err != nil {
			return err
		}
		c.files[1+i].CRC, c.index.Boards[i].CRC = crc, crc
	}
	for _, i := range c.wholes() {
		b := c.whole(i)
		c.files[i].CRC = crc32.ChecksumIEEE(b)
		if int64(len(b)) != c.files[i].Size {
			return fmt.Errorf("%s came out at %d bytes and was planned with %d; this is a fault of the program", c.files[i].Name, len(b), c.files[i].Size)
		}
		if _, err := media[i].WriteAt(b, 0); err != nil {
			return err
		}
	}
	return c.compare(media, p)
}

// wholes gives the files that are made in memory, in the order in which they can be: the
// handover sheet, which has the sums of all others, is the last one.
func (c *Card) wholes() []int { return []int{0, len(c.files) - 2, len(c.files) - 1} }

// whole makes one of them.
func (c *Card) whole(i int) []byte {
	switch c.files[i].Name {
	case ReadmeName:
		return c.readme()
	case HandoverName:
		return c.handover()
	}
	return c.index.bytes()
}

// finish writes the tables and the header, for which all motions must be written, and
// gives the CRC-32 of the file.
func (k *container) finish(w io.WriterAt) (uint32, error) {
	for i := range k.channels {
		change := int64(0)
		for _, r := range k.reels {
			change = max(change, r.change[i])
		}
		k.channels[i].limit(&k.reels[0].line.Channels[i], change)
	}
	h := &k.header
	tables := append(putRecords(kindChannels, Version, 1, len(k.channels), func(i int, r []byte) { k.channels[i].put(r) }),
		putRecords(kindMotions, Version, h.Table, len(k.reels), func(i int, r []byte) { k.reels[i].motion.put(r) })...)
	h.CRC = crc32.ChecksumIEEE(tables)
	for _, r := range k.reels {
		h.CRC = crcJoin(h.CRC, r.motion.CRC, int64(r.motion.Sectors+uint32(r.motion.Words))*SectorSize)
	}
	var s Sector
	h.put(s[:])
	if _, err := w.WriteAt(append(s[:], tables...), 0); err != nil {
		return 0, err
	}
	return crcJoin(crc32.ChecksumIEEE(s[:]), h.CRC, int64(h.Sectors-1)*SectorSize), nil
}

// compare reads everything back.
func (c *Card) compare(media []Medium, p *progress) error {
	opened := make([]*Container, len(c.containers))
	for i := range opened {
		var err error
		f := c.files[1+i]
		if opened[i], err = OpenContainer(media[1+i], f.Size); err != nil {
			return written(f.Name, err)
		}
		if !sameTables(opened[i], c.containers[i]) {
			return written(f.Name, errors.New("its tables are others"))
		}
	}
	if err := c.eachReel(func(k *container, r *reel, i int) error {
		defer p.step()
		return written(c.files[1+i].Name, r.compare(opened[i]))
	}); err != nil {
		return err
	}
	for _, i := range c.wholes() {
		b := make([]byte, c.files[i].Size)
		if _, err := media[i].ReadAt(b, 0); err != nil && err != io.EOF {
			return err
		}
		if crc32.ChecksumIEEE(b) != c.files[i].CRC {
			return written(c.files[i].Name, errors.New("its bytes are others"))
		}
	}
	return nil
}

func sameTables(c *Container, k *container) bool {
	if c.Header != k.header || len(c.Channels) != len(k.channels) {
		return false
	}
	for i := range c.Channels {
		if c.Channels[i] != k.channels[i] {
			return false
		}
	}
	return true
}

func written(name string, err error) error {
	if err == nil {
		return nil
	}
	return fmt.Errorf("%s was not written as it should be: %w", name, err)
}

// eachReel does something to all motions of all boards, several at a time.
func (c *Card) eachReel(do func(k *container, r *reel, i int) error) error {
	n := len(c.show.Motions)
	return each(n*len(c.containers), func(j int) error {
		i := j / n
		return do(c.containers[i], c.containers[i].reels[j%n], i)
	})
}

// each does n things, as many at a time as there are processors, and gives the error
// of the first one that failed. After an error nothing more is begun.
func each(n int, do func(i int) error) error {
	workers := min(n, runtime.GOMAXPROCS(0))
	var mutex sync.Mutex
	var group sync.WaitGroup
	var failed error
	next, where := 0, n
	take := func() (int, bool) {
		mutex.Lock()
		defer mutex.Unlock()
		i := next
		next++
		return i, i < n && failed == nil
	}
	for range workers {
		group.Go(func() {
			for i, ok := take(); ok; i, ok = take() {
				if err := do(i); err != nil {
					mutex.Lock()
					if i < where {
						where, failed = i, err
					}
					mutex.Unlock()
				}
			}
		})
	}
	group.Wait()
	return failed
}

// progress counts what was done: each motion of each board is written and read back.
type progress struct {
	mutex       sync.Mutex
	done, total int
	tell        func(done, total int)
}

func newProgress(c *Card, tell func(done, total int)) *progress {
	return &progress{total: 2 * len(c.show.Motions) * len(c.containers), tell: tell}
}

func (p *progress) step() {
	p.mutex.Lock()
	defer p.mutex.Unlock()
	p.done++
	if p.tell != nil {
		p.tell(p.done, p.total)
	}
}
