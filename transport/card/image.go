package card

import (
	"bytes"
	"hash/crc32"
	"io"
)

// ImageOptions say what image is made.
type ImageOptions struct {
	Size int64 // bytes of the whole volume, rounded down to sectors; 0: as small as the files allow
	FAT  FAT
}

// Image is an image that was planned.
type Image struct {
	card   *Card
	volume *volume
}

// NewImage plans an image of a card.
func (c *Card) NewImage(o ImageOptions) (*Image, error) {
	v, err := newVolume(c.files, o.FAT, o.Size)
	if err != nil {
		return nil, err
	}
	v.date, err = dateOf(c.opts.Date)
	return &Image{c, v}, err
}

// Size gives the bytes of the image.
func (m *Image) Size() int64 { return m.volume.sectors * SectorSize }

// Write writes the image and reads it back. w must be zero where nothing is written,
// and Size long, as a file is that was truncated to it.
func (m *Image) Write(w Medium, progress func(done, total int)) error {
	v := m.volume
	err := m.card.Write(func(f File) Medium {
		for i := range v.files {
			if v.files[i].Name == f.Name {
				return &window{w, v.sectorOf(v.files[i].first) * SectorSize, f.Size}
			}
		}
		return nil
	}, progress)
	if err != nil {
		return err
	}
	for i := range v.files {
		v.files[i].CRC = m.card.files[i].CRC
	}
	v.id = volumeID(v.files)
	if err := v.write(w); err != nil {
		return err
	}
	var damages []Damage
	// Free space is what it was, and may be a whole card: it is not read.
	if err := v.compare(w, v.used(), func(d Damage) { damages = append(damages, d) }); err != nil {
		return err
	}
	if len(damages) > 0 {
		return written("the image", &damages[0])
	}
	return nil
}

// volumeID makes the volume's number from the sums of the files.
func volumeID(files []place) uint32 {
	var b []byte
	for i := range files {
		b = le.AppendUint32(b, files[i].CRC)
	}
	return crc32.ChecksumIEEE(b)
}

// write writes what is no content of a file.
func (v *volume) write(w io.WriterAt) error {
	end := v.dataAt() + v.rootClusters()*v.cluster
	b := make([]byte, 0, chunk*SectorSize)
	for n := int64(0); n < end; n++ {
		b = b[:len(b)+SectorSize]
		v.sector(n, b[len(b)-SectorSize:])
		if len(b) < cap(b) && n+1 < end {
			continue
		}
		if _, err := w.WriteAt(b, (n+1)*SectorSize-int64(len(b))); err != nil {
			return err
		}
		b = b[:0]
	}
	return nil
}

// used gives the sector behind the last file.
func (v *volume) used() int64 {
	last := &v.files[len(v.files)-1]
	return v.sectorOf(last.first + last.count)
}

// compare holds all that is no content of a file, up to a sector, against what it must be.
func (v *volume) compare(r io.ReaderAt, end int64, found func(Damage)) error {
	at := int64(0)
	for _, p := range v.files {
		start := v.sectorOf(p.first)
		if err := v.compareSectors(r, at, start, found); err != nil {
			return err
		}
		at = start + p.Size/SectorSize
		if rest := p.Size % SectorSize; rest > 0 {
			if err := v.compareTail(r, at, rest, p.Name, found); err != nil {
				return err
			}
			at++
		}
	}
	return v.compareSectors(r, at, end, found)
}

// compareTail holds what is behind the end of a file in its last sector against zero.
func (v *volume) compareTail(r io.ReaderAt, n, used int64, name string, found func(Damage)) error {
	b := make([]byte, SectorSize-used)
	if _, err := r.ReadAt(b, n*SectorSize+used); err != nil && err != io.EOF {
		return err
	}
	if !zero(b) {
		found(Damage{File: "the image", Sector: n, Text: "behind the end of " + name + " stands what should be zero"})
	}
	return nil
}

func (v *volume) compareSectors(r io.ReaderAt, from, to int64, found func(Damage)) error {
	buffer := make([]byte, max(0, min(chunk, to-from))*SectorSize)
	tables := v.dataAt() + v.rootClusters()*v.cluster
	var want Sector
	for n := from; n < to; {
		b := buffer[:min(int64(len(buffer)), (to-n)*SectorSize)]
		if k, err := r.ReadAt(b, n*SectorSize); err != nil && err != io.EOF {
			return err
		} else if k < len(b) {
			return nil // the length was told
		}
		if n >= tables && bytes.Equal(b, zeros[:len(b)]) {
			n += int64(len(b) / SectorSize)
			continue
		}
		for ; len(b) > 0; b, n = b[SectorSize:], n+1 {
			what := v.sector(n, want[:])
			if d := difference(b[:SectorSize], want[:]); d >= 0 {
				found(Damage{File: "the image", Sector: n, Text: what + ": " + byteText(d, b[d], want[d])})
			}
		}
	}
	return nil
}

var zeros [chunk * SectorSize]byte

// difference gives the first place at which two sectors differ, or -1.
func difference(a, b []byte) int {
	if string(a) == string(b) {
		return -1
	}
	for i := range a {
		if a[i] != b[i] {
			return i
		}
	}
	return -1
}

// window is a part of a medium.
type window struct {
	m          Medium
	base, size int64
}

// ReadAt reads in the part.
func (w *window) ReadAt(b []byte, at int64) (int, error) {
	if at >= w.size {
		return 0, io.EOF
	}
	short := int64(len(b)) > w.size-at
	if short {
		b = b[:w.size-at]
	}
	n, err := w.m.ReadAt(b, w.base+at)
	if err == nil && short {
		err = io.EOF
	}
	return n, err
}

// WriteAt writes in the part.
func (w *window) WriteAt(b []byte, at int64) (int, error) {
	if at+int64(len(b)) > w.size {
		return 0, io.ErrShortWrite
	}
	return w.m.WriteAt(b, w.base+at)
}
