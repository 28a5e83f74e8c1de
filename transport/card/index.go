package card

import (
	"bytes"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
)

// Names of the files that are alike on every card.
const (
	IndexName    = "SHOW.LJI"
	ReadmeName   = "README.TXT"
	HandoverName = "HANDOVER.TXT"
	ContainerExt = ".LJC"
)

// None stands for what is not there: no join time in Index.Join, and, in 16 and 8
// bits, no motion in Index.Start and no board in Trigger.Board.
const None = 0xffffffff

const (
	noMotion = 0xffff
	noBoard  = 0xff
)

// Index is the file that says what starts which motion.
type Index struct {
	Version  uint8  // of the format: that of all its sectors
	Join     uint32 // ms; None where none is given
	Start    uint16 // motion that plays at power-up; 0xffff: none
	Name     string // of the show
	Boards   []BoardFile
	Triggers []Trigger // one a motion
	CRC      uint32    // CRC-32 of all sectors but the first
}

// BoardFile is one container in the index.
type BoardFile struct {
	File    string
	Print   uint32
	CRC     uint32 // CRC-32 of the whole container
	Sectors uint32
	Name    string // of the board
}

// Ways in which a motion starts, in Trigger.Starts.
const (
	AtPowerUp  = 1
	ByInput    = 2
	ByInterval = 4
)

// mostAfter is how many motions a motion may come after.
const mostAfter = 4

// What a start does while another motion plays, in Trigger.Busy.
const (
	BusyDrop = iota
	BusyWait
	BusyInterrupt
)

// Flags of a trigger.
const (
	FlagFalling     = 1
	FlagTriggerLoop = 2
)

// Trigger is what starts a motion.
type Trigger struct {
	Starts   uint8
	Busy     uint8
	Flags    uint8
	Board    uint8 // whose input it is
	Input    uint16
	WarmUp   uint32            // ms
	Lockout  uint32            // ms
	Least    uint32            // ms, of the interval
	Greatest uint32            // ms
	Seed     uint32            // first state of the Random
	After    [mostAfter]uint16 // motions at whose end it starts, each by its number + 1; 0: none
	Name     string            // of the motion
}

const showNameSize = 48

// bytes gives the file. It sets CRC.
func (x *Index) bytes() []byte {
	boards := putRecords(kindBoards, x.Version, 1, len(x.Boards), func(i int, r []byte) { x.Boards[i].put(r) })
	table := uint32(1 + sectorsFor(len(x.Boards)))
	triggers := putRecords(kindTriggers, x.Version, table, len(x.Triggers), func(i int, r []byte) { x.Triggers[i].put(r) })
	x.CRC = crc32.Update(crc32.ChecksumIEEE(boards), crc32.IEEETable, triggers)
	var s Sector
	x.header(s[:])
	return bytes.Join([][]byte{s[:], boards, triggers}, nil)
}

func (x *Index) sectors() int { return 1 + sectorsFor(len(x.Boards)) + sectorsFor(len(x.Triggers)) }

func (x *Index) header(s []byte) {
	begin(s, kindIndex, x.Version, 0)
	copy(s[bodyAt:], magicShow)
	le.PutUint32(s[12:], uint32(x.sectors()))
	le.PutUint32(s[16:], x.CRC)
	le.PutUint32(s[20:], x.Join)
	le.PutUint16(s[24:], uint16(len(x.Triggers)))
	le.PutUint16(s[26:], x.Start)
	le.PutUint32(s[28:], uint32(1+sectorsFor(len(x.Boards))))
	s[32] = byte(len(x.Boards))
	putText(s[48:48+showNameSize], x.Name)
	seal(s)
}

// readIndexHeader reads the first sector; the lists have their lengths, and are empty.
func readIndexHeader(s []byte) (*Index, error) {
	if err := leading(s, kindIndex, IndexVersion, magicShow, "the index"); err != nil {
		return nil, err
	}
	x := &Index{Version: s[1], CRC: le.Uint32(s[16:]), Join: le.Uint32(s[20:]), Start: le.Uint16(s[26:]), Name: text(s[48 : 48+showNameSize]),
		Boards: make([]BoardFile, s[32]), Triggers: make([]Trigger, le.Uint16(s[24:]))}
	var again Sector
	x.header(again[:])
	switch {
	case len(x.Boards) == 0 || len(x.Triggers) == 0 || len(x.Triggers) > maxMotions:
		return nil, fmt.Errorf("it gives %d boards and %d motions", len(x.Boards), len(x.Triggers))
	case x.Start != noMotion && int(x.Start) >= len(x.Triggers):
		return nil, fmt.Errorf("it starts motion %d, and there are %d", x.Start, len(x.Triggers))
	case !bytes.Equal(again[:], s):
		return nil, errors.New("its numbers do not fit each other, or what should be zero in it is not")
	}
	return x, nil
}

// OpenIndex reads an index of so many bytes. What is wrong with it is a *FileError.
func OpenIndex(r io.ReaderAt, size int64) (*Index, error) {
	var s Sector
	if err := readSector(r, 0, s[:]); err != nil {
		return nil, err
	}
	x, err := readIndexHeader(s[:])
	if err != nil {
		return nil, &FileError{Sector: 0, Text: err.Error()}
	}
	if size != int64(x.sectors())*SectorSize {
		return nil, &FileError{Sector: -1, Text: lengthText(size, uint32(x.sectors()))}
	}
	err = eachRecord(r, kindBoards, x.Version, 1, len(x.Boards), func(i int, rec []byte) (err error) {
		x.Boards[i], err = readBoardFile(rec)
		return err
	})
	if err != nil {
		return nil, err
	}
	err = eachRecord(r, kindTriggers, x.Version, uint32(1+sectorsFor(len(x.Boards))), len(x.Triggers), func(i int, rec []byte) (err error) {
		x.Triggers[i], err = x.readTrigger(i, rec)
		return err
	})
	return x, err
}

func (b *BoardFile) put(r []byte) {
	copy(r[:12], b.File)
	le.PutUint32(r[12:], b.Print)
	le.PutUint32(r[16:], b.CRC)
	le.PutUint32(r[20:], b.Sectors)
	putText(r[36:], b.Name)
}

func readBoardFile(r []byte) (b BoardFile, err error) {
	b = BoardFile{File: text(r[:12]), Print: le.Uint32(r[12:]), CRC: le.Uint32(r[16:]), Sectors: le.Uint32(r[20:]), Name: text(r[36:])}
	var again [recordSize]byte
	b.put(again[:])
	switch {
	case !bytes.Equal(again[:], r):
		return b, errNotZero
	case !isContainerName(b.File):
		return b, fmt.Errorf("%q cannot be the name of a container", printable(b.File))
	}
	return b, nil
}

func (t *Trigger) put(r []byte) {
	r[0], r[1], r[2], r[3] = t.Starts, t.Busy, t.Flags, t.Board
	le.PutUint16(r[4:], t.Input)
	le.PutUint32(r[8:], t.WarmUp)
	le.PutUint32(r[12:], t.Lockout)
	le.PutUint32(r[16:], t.Least)
	le.PutUint32(r[20:], t.Greatest)
	le.PutUint32(r[24:], t.Seed)
	for i, a := range t.After {
		le.PutUint16(r[28+2*i:], a)
	}
	putText(r[36:], t.Name)
}

// mayFollow says whether what a motion comes after are motions that there are, with nothing
// but zeros behind them, and the version knows of that.
func (x *Index) mayFollow(t *Trigger) bool {
	last := len(x.Triggers)
	if x.Version < IndexVersion {
		last = 0
	}
	for _, a := range t.After {
		if int(a) > last {
			return false
		}
		if a == 0 {
			last = 0
		}
	}
	return true
}

// after gives the names of the motions after which motion i comes.
func (x *Index) after(i int) (names []string) {
	for _, a := range x.Triggers[i].After {
		if a > 0 {
			names = append(names, x.Triggers[a-1].Name)
		}
	}
	return names
}

func (x *Index) readTrigger(i int, r []byte) (t Trigger, err error) {
	t = Trigger{Starts: r[0], Busy: r[1], Flags: r[2], Board: r[3], Input: le.Uint16(r[4:]), WarmUp: le.Uint32(r[8:]),
		Lockout: le.Uint32(r[12:]), Least: le.Uint32(r[16:]), Greatest: le.Uint32(r[20:]), Seed: le.Uint32(r[24:]), Name: text(r[36:])}
	for k := range t.After {
		t.After[k] = le.Uint16(r[28+2*k:])
	}
	var again [recordSize]byte
	t.put(again[:])
	input, interval, power := t.Starts&ByInput != 0, t.Starts&ByInterval != 0, t.Starts&AtPowerUp != 0
	switch {
	case !bytes.Equal(again[:], r):
		return t, errNotZero
	case t.Starts > 7 || t.Busy > BusyInterrupt || t.Flags > 3:
		return t, fmt.Errorf("what starts motion %d is not known", i)
	case input && int(t.Board) >= len(x.Boards) || !input && t.Board != noBoard:
		return t, fmt.Errorf("the input that starts motion %d is on board %d, and there are %d", i, t.Board, len(x.Boards))
	case t.Greatest < t.Least || interval && t.Seed == 0:
		return t, fmt.Errorf("the random interval of motion %d cannot be", i)
	case !x.mayFollow(&t):
		return t, fmt.Errorf("motion %d comes after one that there is not", i)
	case power != (int(x.Start) == i):
		return t, fmt.Errorf("motion %d and the header do not agree on what plays at power-up", i)
	}
	return t, nil
}
