package card

import (
	"bytes"
	"io"
	"strings"
	"testing"
)

// resealed gives a file with right CRC-16s in all its sectors, so that what a fuzzer
// changed gets past them.
func resealed(b []byte) memory {
	m := append(memory(nil), b...)
	for i := 0; i+SectorSize <= len(m); i += SectorSize {
		seal(m[i : i+SectorSize])
	}
	return m
}

// FuzzContainer: whatever the bytes are, reading ends without a panic; a container that
// Verify takes for whole can be opened, and all its frames and cues read.
func FuzzContainer(f *testing.F) {
	_, d := small(f)
	f.Add([]byte(d["TOWER.LJC"]), true)
	f.Add([]byte(d["TOWER.LJC"]), false)
	f.Add([]byte(d["TOWER.LJC"][:3*SectorSize]), true)
	f.Add([]byte("LJCARD"), false)
	f.Fuzz(func(t *testing.T, b []byte, seals bool) {
		m := memory(b)
		if seals {
			m = resealed(b)
		}
		in := Input{"TOWER.LJC", int64(len(m)), m}
		r, err := VerifyFile(in)
		if err != nil {
			t.Fatal(err)
		}
		c, err := OpenContainer(m, in.Size)
		if err != nil {
			if r.OK() {
				t.Fatalf("whole, but not to be opened: %v", err)
			}
			return
		}
		values := make([]uint16, c.Header.Channels)
		for i := range c.Motions {
			_, err := c.Words(i)
			if err != nil && r.OK() {
				t.Fatalf("whole, but its cues cannot be read: %v", err)
			}
			last := c.Motions[i].Frames - 1
			for _, k := range []uint32{0, last / 2, last} {
				if err := c.Frame(i, k, values); err != nil && r.OK() {
					t.Fatalf("whole, but a frame cannot be read: %v", err)
				}
			}
		}
		if _, err := Describe([]Input{in}); err != nil && r.OK() {
			t.Fatalf("whole, but not to be described: %v", err)
		}
	})
}

// FuzzIndex: the same of an index.
func FuzzIndex(f *testing.F) {
	_, d := small(f)
	f.Add([]byte(d[IndexName]), true)
	f.Add([]byte(d[IndexName]), false)
	f.Add([]byte(d[IndexName][:SectorSize]), true)
	x := shore()
	x["shore.show.yaml"] = strings.Replace(x["shore.show.yaml"], "idle.motion.yaml, loop: true", "idle.motion.yaml, after: greet", 1)
	chain := onDisk(f, planned(f, x, "shore.show.yaml", Options{}))[IndexName]
	f.Add([]byte(chain), true)
	f.Add([]byte(chain), false)
	f.Fuzz(func(t *testing.T, b []byte, seals bool) {
		m := memory(b)
		if seals {
			m = resealed(b)
		}
		in := Input{IndexName, int64(len(m)), m}
		r, err := VerifyFile(in)
		if err != nil {
			t.Fatal(err)
		}
		x, err := OpenIndex(m, in.Size)
		if err != nil {
			if r.OK() {
				t.Fatalf("whole, but not to be opened: %v", err)
			}
			return
		}
		for i := range x.Triggers {
			x.startsText(i)
		}
		if y := x.bytes(); r.OK() && string(y) != string(m) {
			t.Fatal("read and written again it is another")
		}
		if _, err := Verify([]Input{in}); err != nil {
			t.Fatal(err)
		}
	})
}

// FuzzImage: an image whose boot sector, root directory and first files are anything.
func FuzzImage(f *testing.F) {
	for _, fat := range []FAT{FAT16, FAT32} {
		m, b := imageOf(f, ImageOptions{FAT: fat})
		root := m.volume.dataAt() * SectorSize
		if fat == FAT16 {
			root = m.volume.rootAt() * SectorSize
		}
		f.Add([]byte(b[:SectorSize]), []byte(b[root:root+6*dirEntry]), int64(len(b)))
	}
	f.Fuzz(func(t *testing.T, boot, root []byte, size int64) {
		if size < 0 || size > 40<<20 {
			return
		}
		s := &sparse{size: size, parts: map[int64][]byte{0: boot}}
		if v, err := findVolume(s, size); err == nil {
			at := v.rootAt()
			if v.fat == FAT32 {
				at = v.dataAt()
			}
			s.parts[at*SectorSize] = root
		}
		r, err := VerifyImage(s, size)
		if err == nil && r.OK() {
			t.Fatal("an image without its files was taken for whole")
		}
		if files, err := ImageFiles(s, size); err == nil {
			Describe(files)
		}
	})
}

// FuzzForeign: a card that something else formatted, whose first sectors, FAT and root
// directory are anything, is read without end or panic, and its files are not taken for whole.
func FuzzForeign(f *testing.F) {
	for _, fat := range []FAT{FAT16, FAT32} {
		m, b := imageOf(f, ImageOptions{FAT: fat})
		v := m.volume
		root := v.rootAt()
		if fat == FAT32 {
			root = v.dataAt()
		}
		boot := bytes.Clone(b[:SectorSize])
		copy(boot[3:11], "SOMEBODY")
		table := make([]byte, SectorSize) // a superfloppy is its own first partition
		table[446+4] = 0x0c
		le.PutUint16(table[510:], 0xaa55)
		tables := b[v.reserved()*SectorSize:][:4*SectorSize]
		for _, first := range [][]byte{boot, table} {
			f.Add(first, []byte(tables), []byte(b[root*SectorSize:][:6*dirEntry]), v.reserved()*SectorSize, root*SectorSize, int64(len(b)))
		}
	}
	f.Fuzz(func(t *testing.T, first, tables, root []byte, tablesAt, rootAt, size int64) {
		if size < 0 || size > 40<<20 || tablesAt < 0 || rootAt < 0 {
			return
		}
		s := &sparse{size: size, parts: map[int64][]byte{0: first, tablesAt: tables, rootAt: root}}
		v, err := openForeign(s, size)
		if err != nil {
			return
		}
		if r, err := verifyForeign(v); err == nil && r.OK() {
			t.Fatal("a card without the sectors of its files was taken for whole")
		}
		for _, f := range v.files {
			if f.Pieces() < 0 || int64(f.Pieces()) > v.clusters {
				t.Fatalf("%s is in %d pieces, and there are %d clusters", f.Name, f.Pieces(), v.clusters)
			}
		}
	})
}

// sparse is zero but for some parts.
type sparse struct {
	size  int64
	parts map[int64][]byte
}

func (s *sparse) ReadAt(b []byte, at int64) (int, error) {
	if at < 0 || at >= s.size {
		return 0, io.EOF
	}
	short := int64(len(b)) > s.size-at
	if short {
		b = b[:s.size-at]
	}
	clear(b)
	for from, part := range s.parts {
		if skip := at - from; skip >= 0 && skip < int64(len(part)) {
			copy(b, part[skip:])
		} else if skip < 0 && -skip < int64(len(b)) {
			copy(b[-skip:], part)
		}
	}
	if short {
		return len(b), io.EOF
	}
	return len(b), nil
}
