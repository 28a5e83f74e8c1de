package card

import (
	"bytes"
	"errors"
	"io"
)

// VerifyImage proves an image of so many bytes whole: its files, and everything beside
// them; of a card that something else formatted only the files, and notes where they lie in
// too many pieces. An error is one of reading, or says that this is no image at all.
func VerifyImage(r io.ReaderAt, size int64) (*Report, error) {
	v, err := findVolume(r, size)
	if err != nil {
		other, err := otherwise(r, size, err)
		if err != nil {
			return nil, err
		}
		return verifyForeign(other)
	}
	report := &Report{}
	x := &inspector{report: report, file: "the image"}
	if size != v.sectors*SectorSize {
		x.whole("%s", lengthText(size, uint32(v.sectors)))
	}
	if err := report.files(v.inputs(r)); err != nil {
		return nil, err
	}
	for i := range v.files {
		for _, c := range report.Files {
			if c.Name == v.files[i].Name {
				v.files[i].CRC = c.CRC
			}
		}
	}
	if report.OK() { // otherwise the sums of the files say nothing
		v.id = volumeID(v.files)
	}
	err = v.compare(r, v.sectors, x.add)
	x.end()
	return report, err
}

// ImageFiles gives the files of an image, or of a card that something else formatted.
func ImageFiles(r io.ReaderAt, size int64) ([]Input, error) {
	v, err := findVolume(r, size)
	if err != nil {
		other, err := otherwise(r, size, err)
		if err != nil {
			return nil, err
		}
		return other.files, nil
	}
	return v.inputs(r), nil
}

func (v *volume) inputs(r io.ReaderAt) (list []Input) {
	for i := range v.files {
		p := &v.files[i]
		list = append(list, Input{p.Name, p.Size, io.NewSectionReader(r, v.sectorOf(p.first)*SectorSize, p.Size)})
	}
	return list
}

// ErrNoImage says that a file is no image that Image.Write could have written, or that its
// beginning is destroyed, and no other volume that a board reads.
var ErrNoImage = errors.New("this is not an image of a card that export wrote, and no FAT16 or FAT32 volume that a board reads")

// ImageLike says whether so many bytes are an image of a card, also where its boot sector is
// damaged and its name says nothing.
func ImageLike(r io.ReaderAt, size int64) bool {
	if size < leastFAT16*SectorSize/2 { // no volume is so small, even if half of it is missing
		return false
	}
	v, err := findVolume(r, size)
	if err == nil {
		return v != nil
	}
	other, err := otherwise(r, size, err)
	return err == nil && other != nil
}

// findVolume finds the geometry of an image, also where some of its boot sector was
// changed: it tries all there are and takes the one that has most in common.
func findVolume(r io.ReaderAt, size int64) (*volume, error) {
	var boot, want Sector
	if n, err := r.ReadAt(boot[:], 0); err != nil && err != io.EOF {
		return nil, err
	} else if n < SectorSize {
		return nil, ErrNoImage
	}
	best, least := (*volume)(nil), 64 // bytes that may differ
	const differs = 12                // fewer than in a boot sector that names another program
	for i, sectors := range []int64{size / SectorSize, int64(le.Uint16(boot[19:])), int64(le.Uint32(boot[32:]))} {
		if i > 0 && least < 2 {
			break // one byte differs: that is changed, and not the length of the image
		}
		for _, kind := range []FAT{FAT16, FAT32} {
			for unit := int64(1); unit <= mostPerUnit; unit *= 2 {
				v := &volume{fat: kind, cluster: unit, id: volumeIDIn(boot[:], kind)}
				if v.fill(sectors); !v.allowed() {
					continue
				}
				v.boot(clearSector(&want))
				if d := differences(boot[:], want[:]); d < least {
					best, least = v, d
				}
			}
		}
	}
	if best == nil || least >= differs && string(boot[3:11]) != oemName && isBoot(boot[:]) {
		return nil, ErrNoImage
	}
	return best, best.readRoot(r)
}

func clearSector(s *Sector) []byte {
	clear(s[:])
	return s[:]
}

func volumeIDIn(boot []byte, kind FAT) uint32 {
	if kind == FAT32 {
		return le.Uint32(boot[67:])
	}
	return le.Uint32(boot[39:])
}

func differences(a, b []byte) (n int) {
	for i := range a {
		if a[i] != b[i] {
			n++
		}
	}
	return n
}

// readRoot reads the root directory as far as it must be known to say what should be
// there: names, sizes and dates. The rest is compared.
func (v *volume) readRoot(r io.ReaderAt) error {
	b := make([]byte, rootFAT16*dirEntry)
	at := v.rootAt()
	if v.fat == FAT32 {
		at = v.dataAt()
	}
	n, err := r.ReadAt(b, at*SectorSize)
	if err != nil && err != io.EOF {
		return err
	}
	b = b[:n/dirEntry*dirEntry]
	var list []File
	dates := map[uint16]int{}
	for i := 0; len(b) > 0; i, b = i+1, b[dirEntry:] {
		e := b[:dirEntry]
		if differences(e, make([]byte, dirEntry)) < 4 { // an entry that is used has more
			break
		}
		dates[le.Uint16(e[24:])]++
		if i > 0 || !isLabel(e) {
			list = append(list, File{Name: shortOf(e), Size: int64(le.Uint32(e[28:]))})
		}
	}
	for d, n := range dates {
		if n > dates[v.date] || n == dates[v.date] && d < v.date {
			v.date = d
		}
	}
	if len(list) == 0 || len(list) >= rootFAT16 {
		return ErrNoImage
	}
	return v.settle(r, list)
}

// settle gives the files their places. A size in the directory may be wrong, which
// must not move the files behind: most files say themselves how long they are.
func (v *volume) settle(r io.ReaderAt, list []File) error {
	for i := range list {
		v.put(list[:i+1])
		p := &v.files[i]
		start := v.sectorOf(p.first)
		if start >= v.sectors {
			v.put(list[:i])
			return nil
		}
		var err error
		list[i].Size, err = trueSize(io.NewSectionReader(r, start*SectorSize, (v.sectors-start)*SectorSize), p.File)
		if err != nil {
			return err
		}
	}
	v.put(list)
	return nil
}

// trueSize gives the size of a file that begins where r does: what it says of itself,
// where that can be trusted, or what the directory says.
func trueSize(r *io.SectionReader, f File) (int64, error) {
	var s Sector
	if n, err := r.ReadAt(s[:], 0); n < SectorSize {
		return f.Size, notEOF(err)
	}
	if h, err := readHeader(s[:]); err == nil {
		return int64(h.Sectors) * SectorSize, nil
	}
	if x, err := readIndexHeader(s[:]); err == nil {
		return int64(x.sectors()) * SectorSize, nil
	}
	most := min(r.Size(), mostText)
	for _, size := range []int64{min(f.Size, most), most} { // a text ends where zeros begin
		b := make([]byte, size)
		if n, err := r.ReadAt(b, 0); n < len(b) {
			return f.Size, notEOF(err)
		}
		if b, _, _ = bytes.Cut(b, []byte{0}); textName(b) != "" {
			return int64(len(b)), nil
		}
	}
	return min(f.Size, r.Size()), nil
}

func notEOF(err error) error {
	if err == io.EOF {
		return nil
	}
	return err
}

// isLabel says whether the first entry is that of the volume's label, which is all but
// so if a bit was changed.
func isLabel(e []byte) bool {
	var want [dirEntry]byte
	copy(want[:], volumeLabel)
	want[11] = 0x08
	copy(want[24:26], e[24:26])
	return differences(e, want[:]) < 4
}
