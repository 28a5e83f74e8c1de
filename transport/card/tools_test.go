package card

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// tool skips the test where a program is not installed, and fails it where all tools are
// required.
func tool(t *testing.T, name string) {
	t.Helper()
	path := os.Getenv("PATH")
	if !strings.Contains(path, "/usr/sbin") { // where Debian has fsck.fat
		t.Setenv("PATH", path+":/usr/sbin:/sbin")
	}
	if _, err := exec.LookPath(name); err != nil {
		if os.Getenv("LIMBERJACK_TOOLS") == "required" {
			t.Fatalf("%s is not installed, and LIMBERJACK_TOOLS is required", name)
		}
		t.Skipf("%s is not installed", name)
	}
}

func run(t *testing.T, name string, args ...string) string {
	t.Helper()
	cmd := exec.Command(name, args...)
	cmd.Env = append(os.Environ(), "LC_ALL=C", "TZ=UTC", "MTOOLS_SKIP_CHECK=0")
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("%s: %v\n%s", strings.Join(cmd.Args, " "), err, out)
	}
	return string(out)
}

// kinds are images of all sorts: the smallest, large ones, both FATs, clusters of
// several sizes, and files that fill the volume to the last cluster.
func kinds(t *testing.T) map[string]struct {
	ImageOptions
	docs texts
} {
	type kind = struct {
		ImageOptions
		docs texts
	}
	long := shore()
	long["greet.motion.yaml"] = wave(7200, "audio: tone.wav\n")
	return map[string]kind{
		"smallest":          {ImageOptions{}, shore()},
		"FAT16 of 4 MB":     {ImageOptions{Size: 4_000_000}, shore()},
		"FAT16 of 64 MiB":   {ImageOptions{Size: 64 << 20}, shore()},
		"FAT16 of 2 GB":     {ImageOptions{Size: 2_000_000_000}, shore()},
		"smallest FAT32":    {ImageOptions{FAT: FAT32}, shore()},
		"FAT32 of 4 GB":     {ImageOptions{Size: 4_000_000_000}, shore()},
		"FAT32 of 100 MB":   {ImageOptions{Size: 100_000_000, FAT: FAT32}, shore()},
		"filled by content": {ImageOptions{}, long},
	}
}

// TestImagesAgainstFsckAndMtools: fsck.fat (dosfstools) finds nothing to say about an
// image, and mtools list and read its files as they were written. -n: change nothing.
func TestImagesAgainstFsckAndMtools(t *testing.T) {
	for _, name := range []string{"fsck.fat", "mdir", "mcopy", "minfo"} {
		tool(t, name)
	}
	for name, k := range kinds(t) {
		t.Run(name, func(t *testing.T) {
			c := planned(t, k.docs, "shore.show.yaml", Options{Date: "2025-06-30"})
			file := filepath.Join(t.TempDir(), "card.img")
			m, err := c.NewImage(k.ImageOptions)
			if err != nil {
				t.Fatal(err)
			}
			writeImage(t, m, file)
			if got := run(t, "fsck.fat", "-n", file); !quiet(got, file) {
				t.Errorf("fsck.fat says:\n%s", got)
			}
			kind := fmt.Sprintf("disk type=\"FAT%d   \"", map[FAT]int{FAT16: 16, FAT32: 32}[m.volume.fat])
			if got := run(t, "minfo", "-i", file, "::"); !strings.Contains(got, kind) || !strings.Contains(got, "disk label=\"LIMBERJACK \"") {
				t.Errorf("minfo says:\n%s", got)
			}
			list := run(t, "mdir", "-i", file, "::")
			whole := onDisk(t, c)
			for _, f := range c.Files() {
				base, ext, _ := strings.Cut(f.Name, ".")
				if line := fmt.Sprintf("%-8s %-3s %9d 2025-06-30", base, ext, f.Size); !strings.Contains(list, line) {
					t.Errorf("mdir does not list %q:\n%s", line, list)
				}
				out := filepath.Join(t.TempDir(), f.Name)
				run(t, "mcopy", "-i", file, "::"+f.Name, out)
				if b, err := os.ReadFile(out); err != nil || !bytes.Equal(b, whole[f.Name]) {
					t.Errorf("%s comes out of the image changed (%v)", f.Name, err)
				}
			}
		})
	}
}

// quiet says whether fsck.fat gave no more than its version and the count of files.
func quiet(out, file string) bool {
	lines := strings.Split(strings.TrimSpace(out), "\n")
	return len(lines) == 2 && strings.HasPrefix(lines[0], "fsck.fat ") && strings.HasPrefix(lines[1], file+": ")
}

func writeImage(t testing.TB, m *Image, file string) {
	t.Helper()
	f, err := os.Create(file)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if err := f.Truncate(m.Size()); err != nil {
		t.Fatal(err)
	}
	if err := m.Write(f, nil); err != nil {
		t.Fatal(err)
	}
}

// TestFsckSeesWhatWeBreak: the check above can fail. The bits are in the boot sector's
// count of FATs, in a FAT and in the directory's size of a file.
func TestFsckSeesWhatWeBreak(t *testing.T) {
	tool(t, "fsck.fat")
	m, b := imageOf(t, ImageOptions{})
	for _, at := range []int64{16, SectorSize + 12, m.volume.rootAt()*SectorSize + 2*dirEntry + 29} {
		file := filepath.Join(t.TempDir(), "card.img")
		broken := bytes.Clone(b)
		broken[at] ^= 0x10
		if err := os.WriteFile(file, broken, 0o644); err != nil {
			t.Fatal(err)
		}
		out, err := exec.Command("fsck.fat", "-n", file).CombinedOutput()
		if err == nil && quiet(string(out), file) {
			t.Errorf("byte %d was changed, and fsck.fat says nothing", at)
		}
		if proved(t, broken).OK() {
			t.Errorf("byte %d was changed, and VerifyImage says nothing", at)
		}
	}
}

// TestSizesOfImages: what cannot be made is an error with the nearest size that can.
func TestSizesOfImages(t *testing.T) {
	c, _ := small(t)
	for _, x := range []struct {
		o    ImageOptions
		want string
	}{
		{ImageOptions{Size: 1000}, "it needs at least 2134016"},
		{ImageOptions{Size: 2_134_015}, "it needs at least 2134016"},
		{ImageOptions{Size: 2_134_016}, ""},
		{ImageOptions{Size: 8 << 40}, "is too large: FAT has at most 2199023255040"},
		{ImageOptions{Size: 3 << 30, FAT: FAT16}, "is too large: FAT16 has at most 2146"},
		{ImageOptions{Size: 2146744832, FAT: FAT16}, ""},
		{ImageOptions{Size: 2199023255040}, ""},
		{ImageOptions{Size: 10 << 20, FAT: FAT32}, "is too small"},
	} {
		m, err := c.NewImage(x.o)
		if (err == nil) != (x.want == "") || err != nil && !strings.Contains(err.Error(), x.want) {
			t.Errorf("%+v: %v, want %s", x.o, err, x.want)
		}
		if small := x.o.Check(); small != nil && err == nil || err != nil && small == nil && x.o.Size != 2_134_015 {
			t.Errorf("%+v: before the show is read %v, and then %v", x.o, small, err)
		}
		if err == nil && x.o.Size > 0 && m.Size() != x.o.Size/SectorSize*SectorSize {
			t.Errorf("%+v: %d bytes", x.o, m.Size())
		}
	}
}
