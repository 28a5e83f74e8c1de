package card

import (
	"bytes"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"regexp"
	"slices"
	"strconv"
)

// Damage is one thing that is not as it was written.
type Damage struct {
	File     string
	Sector   int64   // in the file, or, of an image, in the volume; -1: the file as a whole
	Motion   string  // whose frames are hit; empty where it is not of one motion
	From, To float64 // s of performance time that are hit, where Timed
	Timed    bool
	Text     string // what is wrong
}

// String gives the damage on one line, without the file.
func (d *Damage) String() string {
	s := ""
	if d.Sector >= 0 {
		s = fmt.Sprintf("sector %d: ", d.Sector)
	}
	if d.Motion != "" {
		s += d.Motion
		if d.Timed {
			s += fmt.Sprintf(" from %.3f s to %.3f s", d.From, d.To)
		}
		s += ": "
	}
	return s + d.Text
}

// Error gives the damage with its file.
func (d *Damage) Error() string { return d.File + ": " + d.String() }

// Input is a file of a card that is read.
type Input struct {
	Name string
	Size int64
	io.ReaderAt
}

// Checked is a file that was verified.
type Checked struct {
	File
	What string
}

// Report is what Verify found.
type Report struct {
	Files   []Checked
	Damages []Damage
	Notes   []string // of what is whole and may play badly all the same
}

// OK says whether all is whole.
func (r *Report) OK() bool { return len(r.Damages) == 0 }

// mostDamages is how many damages of a file are listed; the others are only counted, so
// that a wrong file costs no memory.
const mostDamages = 1000

// inspector collects the damages of one file.
type inspector struct {
	report  *Report
	file    string
	found   int
	dropped int
}

func (x *inspector) add(d Damage) {
	x.found++
	if x.found > mostDamages {
		x.dropped++
		return
	}
	d.File = x.file
	x.report.Damages = append(x.report.Damages, d)
}

func (x *inspector) sector(n int64, err error) { x.add(Damage{Sector: n, Text: err.Error()}) }
func (x *inspector) whole(format string, args ...any) {
	x.add(Damage{Sector: -1, Text: fmt.Sprintf(format, args...)})
}

func (x *inspector) end() {
	if x.dropped > 0 {
		x.report.Damages = append(x.report.Damages, Damage{File: x.file, Sector: -1, Text: fmt.Sprintf("and %d more of the kind", x.dropped)})
	}
}

// Verify proves the files of a card whole, each alone and all together. An error is
// one of reading.
func Verify(files []Input) (*Report, error) {
	r := &Report{}
	if err := r.files(files); err != nil {
		return nil, err
	}
	return r, nil
}

// VerifyFile proves a single file of a card whole.
func VerifyFile(f Input) (*Report, error) {
	r := &Report{}
	_, err := r.one(f)
	return r, err
}

// content is what is known of a file after it was verified.
type content struct {
	crc       uint32
	container *Header
	motions   []*Motion
	index     *Index
	text      []byte
}

// one proves a file by itself.
func (r *Report) one(f Input) (content, error) {
	x := &inspector{report: r, file: f.Name}
	defer x.end()
	var c content
	var err error
	what := ""
	switch {
	case isContainerName(f.Name):
		c, err = verifyContainer(f, x)
		if what = "a container"; c.container != nil {
			what = fmt.Sprintf("board %s, %d motions, %d sectors", printable(c.container.Name), c.container.Motions, c.container.Sectors)
		}
	case f.Name == IndexName:
		c, err = verifyIndex(f, x)
		if what = "the index"; c.index != nil {
			what = "the index of " + printable(c.index.Name)
		}
	case f.Name == ReadmeName || f.Name == HandoverName:
		c, err = verifyText(f, x)
		what = "a text"
	default:
		x.whole("it does not belong on the card: only what export wrote may be there")
	}
	if n := f.Pieces(); n > 0 && what != "" {
		what += ", in " + plural(n, "piece", "pieces")
	}
	if err == nil && what != "" {
		r.Files = append(r.Files, Checked{File{f.Name, f.Size, c.crc}, what})
	}
	return c, err
}

// files proves all, and that they belong together.
func (r *Report) files(files []Input) error {
	all := map[string]content{}
	for _, f := range files {
		c, err := r.one(f)
		if err != nil {
			return err
		}
		all[f.Name] = c
	}
	for _, name := range []string{IndexName, ReadmeName, HandoverName} {
		if _, ok := all[name]; !ok {
			r.missing(name)
		}
	}
	if x := all[IndexName].index; x != nil {
		r.boards(x, files, all)
	}
	r.sums(all[HandoverName].text, files, all)
	return nil
}

func (r *Report) missing(name string) {
	if !slices.ContainsFunc(r.Damages, func(d Damage) bool { return d.File == name && d.Text == missingText }) {
		r.Damages = append(r.Damages, Damage{File: name, Sector: -1, Text: missingText})
	}
}

const missingText = "it is missing"

// hurt says whether a file has damages of its own.
func (r *Report) hurt(name string) bool {
	return slices.ContainsFunc(r.Damages, func(d Damage) bool { return d.File == name })
}

// boards holds the index against the containers. What is damaged in itself is not
// told a second time.
func (r *Report) boards(x *Index, files []Input, all map[string]content) {
	listed := map[string]bool{}
	for i := range x.Boards {
		b := &x.Boards[i]
		listed[b.File] = true
		c, ok := all[b.File]
		switch {
		case !ok:
			r.missing(b.File)
		case r.hurt(b.File):
		case c.crc != b.CRC:
			r.Damages = append(r.Damages, Damage{File: b.File, Sector: -1, Text: fmt.Sprintf("it is whole, but the CRC-32 stored in the index is %08x, and computed from its bytes %08x: it is from another export", b.CRC, c.crc)})
		case c.container != nil && (c.container.Print != b.Print || c.container.Name != b.Name || int(c.container.Board) != i || int(c.container.Motions) != len(x.Triggers)):
			r.Damages = append(r.Damages, Damage{File: b.File, Sector: 0, Text: "it and the index do not agree on its board or its motions"})
		}
	}
	for _, f := range files {
		if isContainerName(f.Name) && !listed[f.Name] {
			r.Damages = append(r.Damages, Damage{File: f.Name, Sector: -1, Text: "the index does not know it: it is from another export"})
		}
	}
}

var sumLine = regexp.MustCompile(`(?m)^  ([A-Z0-9_~.]+) +(\d+) bytes  CRC-32 ([0-9a-f]{8})\r?$`)

// sums holds the list of the handover sheet against the files.
func (r *Report) sums(sheet []byte, files []Input, all map[string]content) {
	if r.hurt(HandoverName) {
		return
	}
	for _, m := range sumLine.FindAllSubmatch(sheet, -1) {
		name := string(m[1])
		size, _ := strconv.ParseInt(string(m[2]), 10, 64)
		crc, _ := strconv.ParseUint(string(m[3]), 16, 32)
		i := slices.IndexFunc(files, func(f Input) bool { return f.Name == name })
		switch {
		case i < 0:
			r.missing(name)
		case !r.hurt(name) && (files[i].Size != size || all[name].crc != uint32(crc)):
			r.Damages = append(r.Damages, Damage{File: name, Sector: -1, Text: fmt.Sprintf("%s gives %d bytes and CRC-32 %08x for it, and it has %d and %08x: they are from different exports", HandoverName, size, crc, files[i].Size, all[name].crc)})
		}
	}
}

// mostText bounds the texts that are read into memory: more than any show needs.
const mostText = 64 << 20

func verifyText(f Input, x *inspector) (c content, err error) {
	if f.Size > mostText {
		x.whole("it has %d bytes, more than any text of a card", f.Size)
		return c, nil
	}
	b := make([]byte, f.Size)
	if n, err := f.ReadAt(b, 0); err != nil && err != io.EOF {
		return c, err
	} else if int64(n) < f.Size {
		x.whole("it ends after %d of %d bytes", n, f.Size)
		return c, nil
	}
	c.crc, c.text = crc32.ChecksumIEEE(b), b
	if err := checkText(f.Name, b); err != nil {
		x.whole("%v", err)
	}
	return c, nil
}

// eachSector reads a file from beginning to end, and gives how many bytes there were.
func eachSector(f Input, visit func(n uint32, s []byte)) (crc uint32, read int64, err error) {
	buffer := make([]byte, min(chunk*SectorSize, f.Size))
	for at := int64(0); at < f.Size; {
		b := buffer[:min(int64(len(buffer)), f.Size-at)]
		if n, err := f.ReadAt(b, at); err != nil && err != io.EOF {
			return crc, at, err
		} else if n < len(b) {
			b = b[:n]
			f.Size = at + int64(n)
		}
		crc = crc32.Update(crc, crc32.IEEETable, b)
		for i := 0; i+SectorSize <= len(b); i += SectorSize {
			visit(uint32((at+int64(i))/SectorSize), b[i:i+SectorSize])
		}
		at += int64(len(b))
	}
	return crc, f.Size, nil
}

// unknownLength tells of a file whose header cannot be read, and which is not whole sectors
// or ends early: so many of its bytes could be read.
func unknownLength(f Input, read int64, x *inspector) {
	switch {
	case f.Size == 0:
		x.whole("it is empty")
	case read < f.Size:
		x.whole("it ends after %d of %d bytes", read, f.Size)
	case f.Size%SectorSize != 0:
		x.whole("it has %d bytes, which are no whole sectors: its end is missing or something was added", f.Size)
	}
}

func verifyIndex(f Input, x *inspector) (c content, err error) {
	sum, read := uint32(0), int64(0)
	c.crc, read, err = eachSector(f, func(n uint32, s []byte) {
		if n == 0 {
			if c.index, err = readIndexHeader(s); err != nil {
				x.sector(0, err)
			}
			return
		}
		version := max(Version, min(s[1], IndexVersion)) // where the header cannot be read, each tells for itself
		if c.index != nil {
			version = c.index.Version
		}
		sum = crc32.Update(sum, crc32.IEEETable, s)
		if err := sound(s, version, n); err != nil {
			x.sector(int64(n), err)
			return
		}
		if c.index == nil {
			return
		}
		if err := c.index.take(n, s); err != nil {
			x.sector(int64(n), err)
		}
	})
	if err != nil {
		return c, err
	}
	if c.index == nil {
		unknownLength(f, read, x)
		return c, nil
	}
	switch want := int64(c.index.sectors()) * SectorSize; {
	case read > want:
		x.whole("%s", lengthText(read, uint32(c.index.sectors())))
	case read < want:
		x.sector(read/SectorSize, fmt.Errorf("%s from here on: %s", lengthText(read, uint32(c.index.sectors())), c.index.lostText(read/SectorSize)))
	}
	if x.found == 0 && sum != c.index.CRC {
		x.whole(otherSectors, c.index.CRC, sum)
	}
	if x.found > 0 {
		c.index = nil
	}
	return c, nil
}

// lostText says what is missing of an index that ends before sector n.
func (x *Index) lostText(n int64) string {
	first := max(0, n-int64(1+sectorsFor(len(x.Boards)))) * recordsIn
	return fmt.Sprintf("what starts motions %d to %d", first, len(x.Triggers)-1)
}

// otherSectors is said of a file or a motion whose sectors are all right and that is not.
const otherSectors = "each sector is right, but the CRC-32 stored for all is %08x, and computed %08x: sectors of another export are in it"

// take reads a sector of the index.
func (x *Index) take(n uint32, s []byte) error {
	table := uint32(1 + sectorsFor(len(x.Boards)))
	if n < table {
		first := int(n-1) * recordsIn
		list, err := records(s, kindBoards, min(recordsIn, len(x.Boards)-first))
		for i := 0; err == nil && i < len(list); i++ {
			x.Boards[first+i], err = readBoardFile(list[i])
		}
		return err
	}
	if int(n) >= x.sectors() {
		return errors.New("the index ends before it")
	}
	first := int(n-table) * recordsIn
	list, err := records(s, kindTriggers, min(recordsIn, len(x.Triggers)-first))
	for i := 0; err == nil && i < len(list); i++ {
		x.Triggers[first+i], err = x.readTrigger(first+i, list[i])
	}
	return err
}

func byteText(at int, got, want byte) string {
	return fmt.Sprintf("byte %d is 0x%02x and should be 0x%02x", at, got, want)
}

// IsImage says whether a file that begins with these bytes is an image.
func IsImage(start []byte) bool {
	if len(start) < SectorSize || le.Uint16(start[510:]) != 0xaa55 {
		return false
	}
	return string(start[3:11]) == oemName || start[0] == 0xeb && start[2] == 0x90
}

// IsContainer says whether a file that begins with these bytes is a container.
func IsContainer(start []byte) bool { return begins(start, magicCard) }

// IsIndex says whether a file that begins with these bytes is an index.
func IsIndex(start []byte) bool { return begins(start, magicShow) }

func begins(start, magic []byte) bool {
	return len(start) >= bodyAt+len(magic) && bytes.Equal(start[bodyAt:bodyAt+len(magic)], magic)
}
