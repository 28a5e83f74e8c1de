package card

import (
	"errors"
	"fmt"
	"io"
	"slices"
)

// A card that something else formatted, and that the files were copied to, is read as a board
// reads it (FORMAT.md, "The FAT image"): the first partition, or all of the card; FAT16 or
// FAT32; the root directory; short names; the chain in the first FAT. Only so can be seen in
// how many pieces a file lies.

// foreign is a FAT volume that something else formatted.
type foreign struct {
	r        io.ReaderAt
	wide     bool  // FAT32
	start    int64 // of the volume, in sectors, as all places below
	fat      int64
	root     int64 // FAT16: its first sector; FAT32: its first cluster
	entries  int64 // FAT16: sectors of the root directory
	data     int64 // of cluster 2
	unit     int64 // sectors a cluster
	clusters int64
	window   [SectorSize]byte // of the FAT
	loaded   int64            // its sector
	files    []Input
	faults   []Damage
}

// mostRoot is how many entries a root directory may have: 65536 by the specification.
const mostRoot = 65536

// openForeign opens a volume of which so many bytes can be read. The error is one of reading,
// or by errors.Is ErrNoImage.
func openForeign(r io.ReaderAt, size int64) (*foreign, error) {
	v := &foreign{r: r, loaded: -1}
	boot, err := v.sector(0)
	if err != nil {
		return nil, err
	}
	if !isBoot(boot) {
		if v.start, err = partition(boot); err != nil {
			return nil, err
		}
		if boot, err = v.sector(v.start); err != nil {
			return nil, err
		}
	}
	if err := v.takeBoot(boot, size); err != nil {
		return nil, err
	}
	if err := v.readRoot(); err != nil {
		return nil, err
	}
	if len(v.files) == 0 {
		return nil, noCard("its root directory holds no file of a card")
	}
	return v, nil
}

func (v *foreign) sector(n int64) ([]byte, error) {
	b := make([]byte, SectorSize)
	if k, err := v.r.ReadAt(b, n*SectorSize); err != nil && err != io.EOF {
		return nil, err
	} else if k < len(b) {
		return nil, ErrNoImage
	}
	return b, nil
}

func isBoot(s []byte) bool {
	return (s[0] == 0xeb || s[0] == 0xe9) && le.Uint16(s[11:]) == SectorSize && le.Uint16(s[510:]) == 0xaa55
}

// noCard is what is wrong with a volume that a board would not play from, to errors.Is as
// ErrNoImage.
type noCard string

func (e noCard) Error() string        { return string(e) }
func (e noCard) Is(target error) bool { return target == ErrNoImage }

// instead is the error of a card on which a board finds no volume.
func instead(what string) error {
	return noCard(what + "; format the card as FAT32 and copy the files anew")
}

// partition gives the first sector of the first partition with FAT of a partition table.
func partition(s []byte) (int64, error) {
	if err := unread(s); err != nil {
		return 0, err
	}
	if le.Uint16(s[510:]) != 0xaa55 {
		return 0, ErrNoImage
	}
	for i := range 4 {
		e := s[446+16*i:]
		switch e[4] {
		case 0x04, 0x06, 0x0b, 0x0c, 0x0e:
			return int64(le.Uint32(e[8:])), nil
		case 0xee:
			return 0, instead("it has a GUID partition table, which boards do not read")
		case 0x07:
			return 0, instead("its first partition is NTFS or exFAT, which boards do not read")
		}
	}
	return 0, ErrNoImage
}

// unread is an error where a volume begins that boards do not read: the names stand at byte 3
// (Microsoft's exFAT file system specification, 3.1.2; of NTFS from memory).
func unread(s []byte) error {
	switch string(s[3:11]) {
	case "EXFAT   ":
		return instead("it is formatted as exFAT, which boards do not read")
	case "NTFS    ":
		return instead("it is formatted as NTFS, which boards do not read")
	}
	return nil
}

// takeBoot takes the geometry from a boot sector.
func (v *foreign) takeBoot(s []byte, size int64) error {
	if err := unread(s); err != nil {
		return err
	}
	table, total := int64(le.Uint16(s[22:])), int64(le.Uint16(s[19:])) // BPB_FATSz16, BPB_TotSec16
	if v.wide = table == 0; v.wide {
		table = int64(le.Uint32(s[36:])) // BPB_FATSz32
	}
	if total == 0 {
		total = int64(le.Uint32(s[32:])) // BPB_TotSec32
	}
	v.unit, v.entries = int64(s[13]), (int64(le.Uint16(s[17:]))+SectorSize/dirEntry-1)/(SectorSize/dirEntry)
	v.fat = v.start + int64(le.Uint16(s[14:]))
	v.root = v.fat + int64(s[16])*table
	v.data = v.root + v.entries
	if !isBoot(s) || v.unit == 0 || v.unit&(v.unit-1) != 0 || v.fat == v.start || s[16] == 0 || table == 0 || v.start+total <= v.data {
		return ErrNoImage
	}
	v.clusters = (v.start + total - v.data) / v.unit
	if v.wide {
		v.root = int64(le.Uint32(s[44:])) // BPB_RootClus
	}
	switch {
	case !v.wide && v.clusters < 4085: // the specification's bound of FAT12
		return instead("it is formatted as FAT12, which boards do not read")
	case v.wide && (v.entries != 0 || le.Uint16(s[42:]) != 0), !v.wide && v.clusters > 65524:
		return ErrNoImage
	case (v.clusters+1)*v.entryBytes() >= table*SectorSize:
		return instead("its FAT is too short for its clusters")
	}
	v.clusters = min(v.clusters, max(0, size/SectorSize-v.data+v.unit-1)/v.unit) // what can be read
	return nil
}

func (v *foreign) entryBytes() int64 {
	if v.wide {
		return 4
	}
	return 2
}

// next gives the cluster behind one, or 0 at the end of the chain, and false where there is
// none that could be.
func (v *foreign) next(cluster int64) (int64, bool, error) {
	at := cluster * v.entryBytes()
	if n := v.fat + at/SectorSize; n != v.loaded {
		b, err := v.sector(n)
		if err != nil {
			return 0, false, err
		}
		copy(v.window[:], b)
		v.loaded = n
	}
	e, end := int64(le.Uint16(v.window[at%SectorSize:])), int64(0xfff8)
	if v.wide {
		e, end = int64(le.Uint32(v.window[at%SectorSize&^3:])&0x0fffffff), 0x0ffffff8
	}
	if e >= end {
		return 0, true, nil
	}
	return e, v.exists(e), nil
}

func (v *foreign) exists(cluster int64) bool { return cluster >= 2 && cluster-2 < v.clusters }

// chain gives the pieces of a chain, of at most so many clusters, and how many those are.
func (v *foreign) chain(first, most int64) (pieces []piece, count int64, err error) {
	most = min(most, v.clusters) // a longer one leads back into itself
	for c, ok := first, v.exists(first); c != 0 && ok && count < most; count++ {
		at := (v.data + (c-2)*v.unit) * SectorSize
		if last := len(pieces) - 1; last >= 0 && pieces[last].at+pieces[last].size == at {
			pieces[last].size += v.unit * SectorSize
		} else {
			pieces = append(pieces, piece{at, v.unit * SectorSize})
		}
		if c, ok, err = v.next(c); err != nil {
			return nil, 0, err
		}
	}
	return pieces, count, nil
}

// readRoot reads the root directory, and opens the files of a card that are in it.
func (v *foreign) readRoot() error {
	pieces, bytes := []piece{{v.root * SectorSize, v.entries * SectorSize}}, v.entries*SectorSize
	if v.wide {
		var count int64
		var err error
		if pieces, count, err = v.chain(v.root, mostRoot*dirEntry/(v.unit*SectorSize)+1); err != nil {
			return err
		}
		bytes = count * v.unit * SectorSize
	}
	b := make([]byte, bytes)
	n, err := (&scattered{v.r, pieces}).ReadAt(b, 0)
	if err != nil && err != io.EOF {
		return err
	}
	for b = b[:n/dirEntry*dirEntry]; len(b) > 0 && b[0] != 0; b = b[dirEntry:] { // a name of 0 ends the directory
		if e := b[:dirEntry]; e[0] != 0xe5 && e[11]&(0x08|0x10) == 0 && Belongs(shortOf(e)) { // neither deleted, a label or part of a long name, nor a directory
			if err := v.open(e); err != nil {
				return err
			}
		}
	}
	return nil
}

// open opens the file of an entry.
func (v *foreign) open(e []byte) error {
	name, size := shortOf(e), int64(le.Uint32(e[28:]))
	first, each := int64(le.Uint16(e[26:])), v.unit*SectorSize
	if v.wide {
		first |= int64(le.Uint16(e[20:])) << 16
	}
	want := (size + each - 1) / each
	pieces, count, err := v.chain(first, want)
	if err != nil {
		return err
	}
	if count < want {
		v.faults = append(v.faults, Damage{File: name, Sector: -1, Text: fmt.Sprintf("its chain in the FAT ends after %d of %d clusters", count, want)})
	}
	v.files = append(v.files, Input{name, size, &scattered{v.r, pieces}})
	return nil
}

// piece is a run of bytes of a volume.
type piece struct{ at, size int64 }

// scattered is a file in pieces.
type scattered struct {
	r      io.ReaderAt
	pieces []piece
}

// ReadAt reads over the ends of pieces.
func (f *scattered) ReadAt(b []byte, at int64) (n int, err error) {
	for _, p := range f.pieces {
		if at >= p.size {
			at -= p.size
			continue
		}
		part := b[n:min(int64(len(b)), int64(n)+p.size-at)]
		k, err := f.r.ReadAt(part, p.at+at)
		if n += k; k < len(part) || n == len(b) {
			return n, err
		}
		at = 0
	}
	if n < len(b) {
		err = io.EOF
	}
	return n, err
}

// Pieces gives in how many pieces a file lies on a volume that something else formatted; 0
// where that is not known.
func (f Input) Pieces() int {
	if s, ok := f.ReaderAt.(*scattered); ok {
		return len(s.pieces)
	}
	return 0
}

// verifyForeign proves the files of a volume that something else formatted.
func verifyForeign(v *foreign) (*Report, error) {
	r := &Report{Damages: slices.Clone(v.faults)}
	if err := r.files(v.files); err != nil {
		return nil, err
	}
	for _, f := range v.files {
		most := mostPieces
		if f.Name == IndexName {
			most = 1
		}
		if n := f.Pieces(); n > most && (f.Name == IndexName || isContainerName(f.Name)) {
			r.Notes = append(r.Notes, fmt.Sprintf("%s lies in %d pieces, and from a card that takes 100 ms a read frames may come late where it is more than %d; format the card and copy all files in one go", f.Name, n, most))
		}
	}
	return r, nil
}

// otherwise gives the volume of something that is no image of ours.
func otherwise(r io.ReaderAt, size int64, err error) (*foreign, error) {
	if !errors.Is(err, ErrNoImage) {
		return nil, err
	}
	return openForeign(r, size)
}
