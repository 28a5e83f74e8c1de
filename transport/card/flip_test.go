package card

import (
	"bytes"
	"fmt"
	"io"
	"slices"
	"strings"
	"testing"
)

// small is a card that is small enough to flip each of its bits.
func small(t testing.TB) (*Card, disk) {
	x := shore()
	x["idle.motion.yaml"] = wave(1, "loop: true\n")
	x["greet.motion.yaml"] = wave(1.5, "audio: tone.wav\n")
	x["shore.show.yaml"] = strings.ReplaceAll(x["shore.show.yaml"], "storm.motion", "idle.motion")
	c := planned(t, x, "shore.show.yaml", Options{})
	return c, onDisk(t, c)
}

// verified verifies a card.
func verified(t testing.TB, list []Input) *Report {
	t.Helper()
	r, err := Verify(list)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// TestEveryBitOfEveryFile flips each bit of each file, one after the other: each is found
// by looking at that file alone, and named by its sector; in frames also by motion and
// by a time that the sector's frames cover.
func TestEveryBitOfEveryFile(t *testing.T) {
	c, d := small(t)
	if r := verified(t, d.inputs(c)); !r.OK() || len(r.Files) != 4 {
		t.Fatalf("the card is not whole before: %v", r.Damages)
	}
	k := opened(t, d, "TOWER.LJC")
	flips := 0
	for _, in := range d.inputs(c) {
		for bit := range 8 * len(d[in.Name]) {
			d[in.Name][bit/8] ^= 1 << (bit % 8)
			r, err := VerifyFile(in)
			d[in.Name][bit/8] ^= 1 << (bit % 8)
			if err != nil {
				t.Fatal(err)
			}
			flips++
			if problem := misnamed(r.Damages, in.Name, int64(bit/8/SectorSize), k); problem != "" {
				t.Fatalf("%s, bit %d of byte %d: %s: %v", in.Name, bit%8, bit/8, problem, r.Damages)
			}
		}
	}
	t.Logf("%d bits flipped", flips)
}

// misnamed says what is wrong with how a flip in a sector was told.
func misnamed(list []Damage, file string, sector int64, k *Container) string {
	if len(list) == 0 {
		return "not found"
	}
	d := list[0]
	if len(list) > 1 || d.File != file {
		return "told more than once, or of another file"
	}
	if strings.HasSuffix(file, ".TXT") {
		return ""
	}
	if d.Sector != sector {
		return "told of another sector"
	}
	if file != "TOWER.LJC" || sector < int64(k.Header.Data) {
		return ""
	}
	for i, m := range k.Motions {
		if s := uint32(sector); s >= m.First && s < m.First+m.Sectors {
			from := (float64(s-m.First)*float64(k.Header.Frames) - float64(m.Prelude)) * 0.02
			count := float64(m.count(s-m.First, &k.Header))
			if d.Motion != m.Name || !d.Timed || !near(d.From, from, 1e-6) || !near(d.To, from+count*0.02, 1e-6) {
				return fmt.Sprintf("not told as motion %d from %.3f s", i, from)
			}
		}
	}
	return ""
}

// TestFlipsInAWholeCard: the same with all files together, for a bit here and there.
func TestFlipsInAWholeCard(t *testing.T) {
	c, d := small(t)
	for name, b := range d {
		for bit := 0; bit < 8*len(b); bit += 251 {
			b[bit/8] ^= 1 << (bit % 8)
			r := verified(t, d.inputs(c))
			b[bit/8] ^= 1 << (bit % 8)
			if len(r.Damages) != 1 || r.Damages[0].File != name {
				t.Fatalf("%s, bit %d: %v", name, bit, r.Damages)
			}
		}
	}
}

// TestAllDamagesInOneRun: several damages are all told.
func TestAllDamagesInOneRun(t *testing.T) {
	c, d := small(t)
	d["TOWER.LJC"][5*SectorSize+100] ^= 4
	d["TOWER.LJC"][7*SectorSize+30] ^= 1
	d[ReadmeName][3] ^= 2
	r := verified(t, d.inputs(c))
	var names []string
	for _, x := range r.Damages {
		names = append(names, fmt.Sprintf("%s %d", x.File, x.Sector))
	}
	if want := []string{"TOWER.LJC 5", "TOWER.LJC 7", "README.TXT -1"}; !slices.Equal(names, want) {
		t.Errorf("%v, want %v", names, want)
	}
}

// TestOtherDamages: what is no flipped bit.
func TestOtherDamages(t *testing.T) {
	sector := func(d disk, n int) []byte { return d["TOWER.LJC"][n*SectorSize:][:SectorSize] }
	for _, c := range []struct {
		name, want string
		change     func(d disk)
	}{
		{"cut", "TOWER.LJC: sector 12: storm from 0.000 s to 1.000 s: it has 6144 bytes and should have 6656: its end is missing from here on: its cues in words", func(d disk) { d["TOWER.LJC"] = d["TOWER.LJC"][:len(d["TOWER.LJC"])-SectorSize] }},
		{"cut in frames", "TOWER.LJC: sector 4: idle from 0.620 s to 1.000 s: it has 2058 bytes and should have 6656: its end is missing from here on, and all of greet, storm", func(d disk) { d["TOWER.LJC"] = d["TOWER.LJC"][:4*SectorSize+10] }},
		{"cut in tables", "TOWER.LJC: sector 2: it has 1024 bytes and should have 6656: its end is missing from here on: the table of motions 0 to 2 and all that is behind it", func(d disk) { d["TOWER.LJC"] = d["TOWER.LJC"][:2*SectorSize] }},
		{"cut in the header", "no whole sectors", func(d disk) { d["TOWER.LJC"] = d["TOWER.LJC"][:100] }},
		{"cut in a sector", "sector 12: storm from 0.000 s to 1.000 s: it has 6556 bytes", func(d disk) { d["TOWER.LJC"] = d["TOWER.LJC"][:len(d["TOWER.LJC"])-100] }},
		{"cut index", "SHOW.LJI: sector 2: it has 1024 bytes and should have 1536: its end is missing from here on: what starts motions 0 to 2", func(d disk) { d[IndexName] = d[IndexName][:2*SectorSize] }},
		{"cut text", "README.TXT: its last line", func(d disk) { d[ReadmeName] = d[ReadmeName][:len(d[ReadmeName])-5] }},
		{"empty", "SHOW.LJI: it is empty", func(d disk) { d[IndexName] = nil }},
		{"grown", "TOWER.LJC: it has", func(d disk) { d["TOWER.LJC"] = append(d["TOWER.LJC"], make(memory, SectorSize)...) }},
		{"missing", "README.TXT: it is missing", func(d disk) { delete(d, ReadmeName) }},
		{"container missing", "TOWER.LJC: it is missing", func(d disk) { delete(d, "TOWER.LJC") }},
		{"sector repeated", "sector 4: idle from 0.620 s to 1.000 s: it is sector 3, in the wrong place", func(d disk) { copy(sector(d, 4), sector(d, 3)) }},
		{"sector moved and sealed", "it holds 31 frames from 0 of motion 0, and should hold 19 from 31", func(d disk) {
			copy(sector(d, 4), sector(d, 3))
			le.PutUint32(sector(d, 4)[2:], 4)
			seal(sector(d, 4))
		}},
		{"value changed and sealed", "idle from 0.000 s to 1.000 s: each sector is right, but the CRC-32", func(d disk) {
			sector(d, 4)[20]++
			seal(sector(d, 4))
		}},
		{"padding used and sealed", "what should be zero in it is not", func(d disk) {
			sector(d, 4)[509] = 1
			seal(sector(d, 4))
		}},
		{"other version", "it is of format version 2, and this program reads 1", func(d disk) {
			sector(d, 4)[1] = 2
			seal(sector(d, 4))
		}},
		{"table and frames changed and sealed", "it is from another export", func(d disk) {
			sector(d, 0)[60]++
			seal(sector(d, 0))
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			card, d := small(t)
			c.change(d)
			r := verified(t, d.inputs(card))
			if strings.HasPrefix(c.name, "cut") && len(r.Damages) != 1 {
				t.Errorf("told more than once: %v", r.Damages)
			}
			for i := range r.Damages {
				if strings.Contains(r.Damages[i].Error(), c.want) {
					return
				}
			}
			t.Errorf("%v, want %s", r.Damages, c.want)
		})
	}
}

// TestMixedExports: files that are whole, but of two exports.
func TestMixedExports(t *testing.T) {
	c, d := small(t)
	other := planned(t, shore(), "shore.show.yaml", Options{})
	e := onDisk(t, other)
	for name, want := range map[string]string{"TOWER.LJC": "from another export", IndexName: "another export", ReadmeName: "different exports"} {
		mixed := disk{}
		for n, b := range d {
			mixed[n] = b
		}
		mixed[name] = e[name]
		r := verified(t, mixed.inputs(c))
		if r.OK() || !strings.Contains(r.Damages[0].Error(), want) {
			t.Errorf("%s: %v", name, r.Damages)
		}
	}
	stray := append(d.inputs(c), Input{"OTHER.LJC", int64(len(e["TOWER.LJC"])), e["TOWER.LJC"]}, Input{"NOTES.DOC", 0, memory{}})
	r := verified(t, stray)
	if len(r.Damages) != 2 {
		t.Errorf("%v", r.Damages)
	}
}

// imageOf writes an image of the small card.
func imageOf(t testing.TB, o ImageOptions) (*Image, memory) {
	t.Helper()
	c, _ := small(t)
	m, err := c.NewImage(o)
	if err != nil {
		t.Fatal(err)
	}
	b := make(memory, m.Size())
	if err := m.Write(b, nil); err != nil {
		t.Fatal(err)
	}
	return m, b
}

// proved verifies an image.
func proved(t testing.TB, b memory) *Report {
	t.Helper()
	r, err := VerifyImage(b, int64(len(b)))
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// TestEveryBitOfTheFATStructures flips each bit of boot sector, its copy, FSInfo, the
// used parts of both FATs and of the root directory, and one bit of each other sector
// that is no content of a file. Each is seen in its sector.
func TestEveryBitOfTheFATStructures(t *testing.T) {
	for _, fat := range []FAT{FAT16, FAT32} {
		m, b := imageOf(t, ImageOptions{FAT: fat})
		v := m.volume
		end := v.dataAt() + v.rootClusters()*v.cluster
		last := v.files[len(v.files)-1]
		free := v.sectorOf(last.first + last.count)
		every := []int64{0, 1, 6, 7, v.reserved(), v.reserved() + v.table, v.rootAt(), v.dataAt()}
		flips := 0
		for n := range v.sectors {
			if n >= end && n < free {
				continue // files
			}
			// Sectors of one kind are alike: of most, a few bits will do.
			stride := 8*SectorSize - 1
			if slices.Contains(every, n) {
				stride = 1
			} else if n > end && n%61 != 0 {
				continue
			}
			for bit := int(n) % 8 * 500 % stride; bit < 8*SectorSize; bit += stride {
				at := n*SectorSize + int64(bit/8)
				b[at] ^= 1 << (bit % 8)
				var found []Damage
				if err := v.compareSectors(b, n, n+1, func(d Damage) { found = append(found, d) }); err != nil {
					t.Fatal(err)
				}
				if len(found) != 1 || found[0].Sector != n {
					t.Fatalf("sector %d bit %d: %v", n, bit, found)
				}
				b[at] ^= 1 << (bit % 8)
				flips++
			}
		}
		t.Logf("%d bits flipped", flips)
	}
}

// TestFlipsInAnImage: a flip is found by VerifyImage as a whole, at its sector or, in
// the name of a file, as a file that is missing. All bits of the boot sector, of the
// directory's entries in use and of what is behind the end of the texts; of other
// sectors some.
func TestFlipsInAnImage(t *testing.T) {
	m, b := imageOf(t, ImageOptions{})
	v := m.volume
	if r := proved(t, b); !r.OK() {
		t.Fatal(r.Damages)
	}
	quick := &patched{memory: b}
	step := 1
	if testing.Short() {
		step = 17
	}
	for n := range v.sectors {
		stride, from, to := 8*SectorSize-1, 0, 8*SectorSize
		switch {
		case n == 0:
			stride = 3
		case n == v.rootAt():
			stride, to = 1, 8*dirEntry*(len(v.files)+2)
		case n > v.sectorOf(v.files[3].first+v.files[3].count)+20:
			continue // free space, like that before
		}
		for bit := from; bit < to; bit += stride * step {
			quick.at, quick.mask = n*SectorSize+int64(bit/8), 1<<(bit%8)
			r, err := VerifyImage(quick, int64(len(b)))
			if err != nil {
				t.Fatalf("sector %d bit %d: %v", n, bit, err)
			}
			if r.OK() {
				t.Fatalf("sector %d bit %d was not found", n, bit)
			}
			d := r.Damages[len(r.Damages)-1]
			if d.File == "the image" && d.Sector != n {
				t.Fatalf("sector %d bit %d: %v", n, bit, r.Damages)
			}
		}
	}
}

// patched is a medium with one bit flipped.
type patched struct {
	memory
	at   int64
	mask byte
}

func (p *patched) ReadAt(b []byte, at int64) (int, error) {
	n, err := p.memory.ReadAt(b, at)
	if i := p.at - at; i >= 0 && i < int64(n) {
		b[i] ^= p.mask
	}
	return n, err
}

// TestImageOfAnotherMaker: what is no image of ours is no damage but an error.
func TestImageOfAnotherMaker(t *testing.T) {
	for _, b := range []memory{nil, make(memory, 10), make(memory, 1<<20), bytes.Repeat([]byte{0xeb}, 3<<20)} {
		if _, err := VerifyImage(b, int64(len(b))); err == nil {
			t.Errorf("%d bytes were taken for an image", len(b))
		}
	}
	_, b := imageOf(t, ImageOptions{})
	r := proved(t, b[:len(b)-3*SectorSize])
	if r.OK() || !strings.Contains(r.Damages[0].Text, "should have") {
		t.Errorf("a cut image: %v", r.Damages)
	}
	if _, err := ImageFiles(b, int64(len(b))); err != nil {
		t.Error(err)
	}
}

var _ io.ReaderAt = (*patched)(nil)
