package card

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// scatteredCard makes a volume by mkfs.fat whose free clusters, at first, stand in gaps of
// so many clusters, and copies the files of a card to it by mtools.
func scatteredCard(t *testing.T, files disk, kind string, kib, gap int) string {
	t.Helper()
	dir := t.TempDir()
	image := filepath.Join(dir, "card.img")
	run(t, "mkfs.fat", "-F", kind, "-s", "1", "-C", image, fmt.Sprint(kib))
	put := func(name string, b []byte) string {
		from := filepath.Join(dir, name)
		if err := os.WriteFile(from, b, 0o600); err != nil {
			t.Fatal(err)
		}
		return from
	}
	add := func(names ...string) { run(t, "mcopy", append(append([]string{"-i", image}, names...), "::")...) }
	var fill, odd []string
	for i := range 12 {
		name := fmt.Sprintf("F%03d", i)
		if fill = append(fill, put(name, make([]byte, gap*SectorSize))); i%2 == 1 {
			odd = append(odd, "::"+name)
		}
	}
	add(fill...)
	run(t, "mdel", append([]string{"-i", image}, odd...)...)
	if kind == "32" { // so that the next free cluster is looked for from the beginning
		forgetNextFree(t, image)
	}
	for _, name := range []string{"TOWER.LJC", IndexName, ReadmeName, HandoverName} {
		add(put(name, files[name]))
	}
	return image
}

// forgetNextFree sets the hint in FSInfo, FSI_Nxt_Free, to unknown.
func forgetNextFree(t *testing.T, image string) {
	t.Helper()
	f, err := os.OpenFile(image, os.O_RDWR, 0)
	if err == nil {
		_, err = f.WriteAt([]byte{0xff, 0xff, 0xff, 0xff}, infoSector*SectorSize+492)
	}
	if err != nil || f.Close() != nil {
		t.Fatal(err)
	}
}

// partitioned puts a volume behind a partition table, as cards are sold.
func partitioned(volume []byte, kind byte) memory {
	const first = 2048
	b := make(memory, first*SectorSize, first*SectorSize+len(volume))
	e := b[446:]
	e[4] = kind
	le.PutUint32(e[8:], first)
	le.PutUint32(e[12:], uint32(len(volume)/SectorSize))
	le.PutUint16(b[510:], 0xaa55)
	return append(b, volume...)
}

// TestForeignVolumes: files on cards that mkfs.fat formatted are proved, and their pieces are
// those that mshowfat (mtools) counts, of FAT16 and FAT32, with and without a partition table.
func TestForeignVolumes(t *testing.T) {
	for _, name := range []string{"mkfs.fat", "mcopy", "mdel", "mshowfat", "fsck.fat"} {
		tool(t, name)
	}
	c, files := small(t)
	for _, x := range []struct {
		kind string
		kib  int
		gap  int
	}{{"16", 4096, 1}, {"16", 4096, 2}, {"32", 34000, 1}, {"16", 4096, 500}} {
		t.Run(fmt.Sprintf("FAT%s in gaps of %d", x.kind, x.gap), func(t *testing.T) {
			image := scatteredCard(t, files, x.kind, x.kib, x.gap)
			run(t, "fsck.fat", "-n", image)
			b, err := os.ReadFile(image)
			if err != nil {
				t.Fatal(err)
			}
			for _, m := range []memory{b, partitioned(b, 0x0e)} {
				r, err := VerifyImage(m, int64(len(m)))
				if err != nil {
					t.Fatal(err)
				}
				list, err := ImageFiles(m, int64(len(m)))
				if err != nil || !r.OK() || len(list) != len(c.Files()) {
					t.Fatalf("%v, %d files: %v", err, len(list), r.Damages)
				}
				for _, f := range list {
					want := strings.Count(run(t, "mshowfat", "-i", image, "::"+f.Name), "<")
					if f.Pieces() != want || want == 0 {
						t.Errorf("%s is in %d pieces, by mshowfat in %d", f.Name, f.Pieces(), want)
					}
					most := mostPieces
					if f.Name == IndexName {
						most = 1
					}
					ours := strings.Contains(f.Name, ".LJ")
					if noted := slices.ContainsFunc(r.Notes, func(n string) bool { return strings.HasPrefix(n, f.Name+" lies in ") }); noted != (ours && want > most) {
						t.Errorf("%s is in %d pieces: %q", f.Name, want, r.Notes)
					}
				}
				if d, err := Describe(list); err != nil || len(d.Boards) != 1 || d.Boards[0].Pieces == 0 {
					t.Errorf("%v, %+v", err, d)
				}
			}
		})
	}
}

// TestForeignDamage: what is changed on such a card is found too: a byte of a file, and a
// chain that ends early.
func TestForeignDamage(t *testing.T) {
	for _, name := range []string{"mkfs.fat", "mcopy", "mdel"} {
		tool(t, name)
	}
	_, files := small(t)
	b, err := os.ReadFile(scatteredCard(t, files, "16", 4096, 1))
	if err != nil {
		t.Fatal(err)
	}
	v, err := openForeign(memory(b), int64(len(b)))
	if err != nil {
		t.Fatal(err)
	}
	at := v.files[slices.IndexFunc(v.files, func(f Input) bool { return f.Name == "TOWER.LJC" })].ReaderAt.(*scattered).pieces
	for _, x := range []struct {
		change func(m memory)
		want   string
	}{
		{func(m memory) { m[at[1].at+77] ^= 4 }, "TOWER.LJC: sector 1: "},
		{func(m memory) { le.PutUint16(m[v.fat*SectorSize+2*(at[1].at/SectorSize-v.data+2):], 0xffff) }, "TOWER.LJC: its chain in the FAT ends after 2 of "},
		{func(m memory) { le.PutUint16(m[v.fat*SectorSize+2*(at[1].at/SectorSize-v.data+2):], 1) }, "TOWER.LJC: its chain in the FAT ends after 2 of "},
	} {
		m := bytes.Clone(b)
		x.change(m)
		r, err := VerifyImage(memory(m), int64(len(m)))
		if err != nil || !slices.ContainsFunc(r.Damages, func(d Damage) bool { return strings.HasPrefix(d.Error(), x.want) }) {
			t.Errorf("%v; want %q among %v", err, x.want, r)
		}
	}
}

// TestCardsThatNoBoardReads: kinds of volumes that boards do not read are named, with what to
// do. A FAT12 volume is made by mkfs.fat; the others begin as their specifications say.
func TestCardsThatNoBoardReads(t *testing.T) {
	tool(t, "mkfs.fat")
	image := filepath.Join(t.TempDir(), "small.img")
	run(t, "mkfs.fat", "-F", "12", "-C", image, "720")
	twelve, err := os.ReadFile(image)
	if err != nil {
		t.Fatal(err)
	}
	named := func(name string) memory {
		b := make(memory, 1<<20)
		copy(b, "\xeb\x76\x90"+name)
		le.PutUint16(b[510:], 0xaa55)
		return b
	}
	for _, x := range []struct {
		card memory
		want string
	}{
		{twelve, "FAT12"},
		{named("EXFAT   "), "formatted as exFAT"},
		{named("NTFS    "), "formatted as NTFS"},
		{partitioned(nil, 0x07), "NTFS or exFAT"},
		{partitioned(nil, 0xee), "GUID partition table"},
		{partitioned(named("EXFAT   "), 0x0c), "formatted as exFAT"},
	} {
		for _, try := range []func() error{
			func() error { _, err := VerifyImage(x.card, int64(len(x.card))); return err },
			func() error { _, err := ImageFiles(x.card, int64(len(x.card))); return err },
		} {
			if err := try(); !errors.Is(err, ErrNoImage) || !strings.Contains(err.Error(), x.want) || !strings.Contains(err.Error(), "as FAT32") {
				t.Errorf("%v; want %q", err, x.want)
			}
		}
	}
}
