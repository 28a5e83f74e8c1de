package web

import (
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// Somebody else gives the file other texts all the while: each version of anybody is at
// the end in exactly one place. It is the file, or stands beside it, or was replaced by
// one who knew what he replaced.
func TestNothingLostBetweenLookAndWrite(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	f, err := openFolder(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer f.close()
	if !f.swaps(t) {
		t.Skip("files cannot be swapped on this disk, so that some microseconds are open")
	}
	const name, rounds = "wake.motion.yaml", 400
	if err := f.root.WriteFile(name, []byte("start"), 0o644); err != nil {
		t.Fatal(err)
	}
	placed, accounted := map[string]int{"start": 1}, map[string]int{}
	stop, over := make(chan struct{}), make(chan map[string]int)
	go func() { // an editor that knows what it replaces: it swaps, too
		replaced := map[string]int{}
		defer func() { over <- replaced }()
		for i := 0; ; i++ {
			select {
			case <-stop:
				return
			default:
			}
			text := fmt.Sprintf("hers %d", i)
			was, err := "", f.root.WriteFile("her file", []byte(text), 0o644)
			if err == nil {
				err = f.swap("her file", name)
			}
			if err == nil {
				var data []byte
				data, err = f.root.ReadFile("her file")
				was = string(data)
			}
			if err != nil {
				t.Error(err)
				return
			}
			replaced[was]++
			replaced["placed "+text]++
			time.Sleep(time.Duration(i%5) * 200 * time.Microsecond)
		}
	}()
	known, knownText, met := stampOf([]byte("start")), "start", 0
	for i := range rounds {
		text := fmt.Sprintf("mine %d", i)
		other, err := f.replace(name, []byte(text), known)
		switch {
		case errors.Is(err, errMeanwhile):
			now, st, err := f.read(name)
			if err != nil {
				t.Fatal(err)
			}
			known, knownText = st, string(now)
			continue
		case err != nil:
			t.Fatal(err)
		case other != "":
			met++
		default:
			accounted[knownText]++
		}
		placed[text]++
		known, knownText = stampOf([]byte(text)), text
	}
	close(stop)
	for text, n := range <-over {
		if hers, ok := strings.CutPrefix(text, "placed "); ok {
			placed[hers] += n
		} else {
			accounted[text] += n
		}
	}
	f.root.Remove("her file")
	list, err := fs.ReadDir(f.root.FS(), ".")
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range list {
		text, err := f.root.ReadFile(e.Name())
		if err != nil {
			t.Fatal(err)
		}
		accounted[string(text)]++
		if _, left := leftOf(e.Name()); left {
			t.Errorf("%s is left", e.Name())
		}
	}
	if len(list) != met+1 {
		t.Errorf("%d versions are beside the file, and %d were told", len(list)-1, met)
	}
	if !maps.Equal(placed, accounted) {
		for text, n := range placed {
			if accounted[text] != n {
				t.Errorf("%q was written %d times, and is accounted for %d times", text, n, accounted[text])
			}
		}
	}
	t.Logf("%d versions; %d times somebody wrote between look and swap", len(placed), met)
}

// swaps reports whether files can be swapped here.
func (f *folder) swaps(t testing.TB) bool {
	t.Helper()
	for _, name := range []string{"a", "b"} {
		if err := f.root.WriteFile(name, []byte(name), 0o600); err != nil {
			t.Fatal(err)
		}
		defer f.root.Remove(name)
	}
	return f.swap("a", "b") == nil
}

// What a crash may leave: half a text goes, what is known goes, all else is kept; names
// that are not of a write, and files that somebody is at work with, stay.
func TestTidy(t *testing.T) {
	t.Parallel()
	const name, now = "wake.motion.yaml", "what the file holds"
	for _, c := range []struct {
		what, left, text, whose string
		stays                   bool
	}{
		{"half a text", asideName(name, kindNew, stampOf([]byte("whole")).sum), "who", "", false},
		{"nothing yet", asideName(name, kindNew, stampOf([]byte("whole")).sum), "", "", false},
		{"a whole text", asideName(name, kindNew, stampOf([]byte("whole")).sum), "whole", "mine", false},
		{"a text that is in its place", asideName(name, kindNew, stampOf([]byte(now)).sum), now, "", false},
		{"before the swap", asideName(name, kindSwap, stampOf([]byte("new")).sum, stampOf([]byte("old")).sum), "new", "mine", false},
		{"after the swap", asideName(name, kindSwap, stampOf([]byte("new")).sum, stampOf([]byte("old")).sum), "old", "", false},
		{"somebody else's", asideName(name, kindSwap, stampOf([]byte("new")).sum, stampOf([]byte("old")).sum), "hers", "other", false},
		{"somebody else's, empty", asideName(name, kindSwap, stampOf([]byte("new")).sum, stampOf([]byte("old")).sum), "", "other", false},
		{"without a swap", asideName(name, kindBefore, stampOf([]byte("old")).sum), "old", "", false},
		{"somebody else's without a swap", asideName(name, kindBefore, stampOf([]byte("old")).sum), "hers", "other", false},
		{"a pace that is whole", asideName("wake.pace.csv", kindNew, stampOf([]byte("0,0\n")).sum), "0,0\n", "", false},
		{"a second pace", asideName("wake.pace-2.csv", kindNew, stampOf([]byte("0,0\n")).sum), "0,0\n", "", false},
		{"of no write", "." + name + ".lj-new-and-old", "x", "", true},
		{"of another program", "." + name + ".swp", "x", "", true},
	} {
		dir := t.TempDir()
		f, err := openFolder(dir)
		if err != nil {
			t.Fatal(err)
		}
		for file, text := range map[string]string{name: now, c.left: c.text} {
			if err := f.root.WriteFile(file, []byte(text), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		kept := f.tidy(".", time.Now().Add(leftAge))
		if (len(kept) > 0) != (c.whose != "") {
			t.Errorf("%s: %q is kept", c.what, kept)
		}
		if len(kept) == 1 {
			text, err := f.root.ReadFile(kept[0])
			if err != nil || string(text) != c.text || !strings.HasPrefix(kept[0], "wake."+c.whose+"-") || !strings.HasSuffix(kept[0], ".motion.yaml") {
				t.Errorf("%s: %s holds %q (%v)", c.what, kept[0], text, err)
			}
		}
		if _, err := f.root.Lstat(c.left); (err == nil) != c.stays {
			t.Errorf("%s: %s: %v", c.what, c.left, err)
		}
		if text, err := f.root.ReadFile(name); err != nil || string(text) != now {
			t.Errorf("%s: the file holds %q (%v)", c.what, text, err)
		}
		f.close()
	}
}

// What a crash has left beside the file that a link leads to is cleared up as well: of a
// motion, and of a rig.
func TestTidyBehindLinks(t *testing.T) {
	t.Parallel()
	dir := small(t, map[string]string{"motions/wake.motion.yaml": smallMotion, "rigs/gull.rig.yaml": smallRig})
	for name, to := range map[string]string{"wake.motion.yaml": "motions/wake.motion.yaml", "gull.rig.yaml": "rigs/gull.rig.yaml"} {
		os.Remove(filepath.Join(dir, name))
		if err := os.Symlink(to, filepath.Join(dir, name)); err != nil {
			t.Skipf("this system makes no links: %v", err)
		}
	}
	left := []string{asideName("motions/wake.motion.yaml", kindSwap, stampOf([]byte(smallMotion)).sum, stampOf([]byte("old")).sum),
		asideName("rigs/gull.rig.yaml", kindSwap, stampOf([]byte(smallRig)).sum, stampOf([]byte("old")).sum)}
	for _, name := range left {
		if err := os.WriteFile(filepath.Join(dir, name), []byte("old"), 0o644); err != nil {
			t.Fatal(err)
		}
		old := time.Now().Add(-2 * leftAge)
		if err := os.Chtimes(filepath.Join(dir, name), old, old); err != nil {
			t.Fatal(err)
		}
	}
	d := openDesk(t, dir, "wake.motion.yaml", nil)
	d.listen().until("it is there", settled(stateGood)) // Follow tidies before it loads
	d.get("/api/rig")
	for _, name := range left {
		if _, err := os.Lstat(filepath.Join(dir, name)); err == nil {
			t.Errorf("%s is still there", name)
		}
	}
}

// A write that goes on is not cleared up by another limberjack that starts.
func TestTidyLeavesWork(t *testing.T) {
	t.Parallel()
	f, err := openFolder(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	defer f.close()
	const name, text = "wake.motion.yaml", "text"
	fresh := asideName(name, kindNew, stampOf([]byte(text)).sum)
	held, err := f.writeNew(fresh, []byte(text), nil)
	if err != nil {
		t.Fatal(err)
	}
	if kept := f.tidy(".", time.Now()); len(kept) > 0 {
		t.Errorf("%q is taken away from who writes it", kept)
	}
	if _, err := f.root.Lstat(fresh); err != nil {
		t.Error(err)
	}
	held.Close()
	if kept := f.tidy(".", time.Now().Add(leftAge)); len(kept) != 1 {
		t.Errorf("%q is kept of what was given up", kept)
	}
}

// Modes, owners where they may be given, and links stay as they are.
func TestReplaceKeepsTheFile(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	f, err := openFolder(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer f.close()
	if err := f.root.Mkdir("real", 0o755); err != nil {
		t.Fatal(err)
	}
	for _, err := range []error{f.root.WriteFile("real/wake.motion.yaml", []byte("old"), 0o600), f.root.Symlink("real/wake.motion.yaml", "first"), f.root.Symlink("first", "wake.motion.yaml"),
		f.root.Symlink("round", "round"), f.root.Symlink("/etc/hostname", "out")} {
		if err != nil {
			t.Skipf("this system makes no links: %v", err)
		}
	}
	if _, err := f.replace("wake.motion.yaml", []byte("new"), stampOf([]byte("old"))); err != nil {
		t.Fatal(err)
	}
	link, err := f.root.Readlink("wake.motion.yaml")
	info, err2 := f.root.Stat("real/wake.motion.yaml")
	text, err3 := f.root.ReadFile("real/wake.motion.yaml")
	if err := errors.Join(err, err2, err3); err != nil || link != "first" || info.Mode().Perm() != 0o600 || string(text) != "new" {
		t.Errorf("the link leads to %s, the file has the mode %v and holds %q (%v)", link, info.Mode(), text, err)
	}
	for _, name := range []string{"round", "out", "missing", "../wake.motion.yaml"} {
		if _, err := f.replace(name, []byte("new"), stampOf([]byte("old"))); err == nil {
			t.Errorf("%s is written", name)
		}
	}
	if err := f.root.Chmod("real/wake.motion.yaml", 0o444); err != nil {
		t.Fatal(err)
	}
	if _, err := f.replace("wake.motion.yaml", []byte("newer"), stampOf([]byte("new"))); err == nil || !strings.Contains(err.Error(), "read-only") {
		t.Errorf("a file that is read-only: %v", err)
	}
}

// FuzzLeftOf: only a name that a write makes is taken for one, and says what that says.
func FuzzLeftOf(f *testing.F) {
	sum := stampOf([]byte("a")).sum
	for _, s := range []string{asideName("wake.motion.yaml", kindNew, sum), asideName("a", kindSwap, sum, sum), asideName(".lj-new", kindBefore, sum), ".a.lj-", "..lj-new-0-0", ".a.lj-swap-0-0-0"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, file string) {
		l, ok := leftOf(file)
		if !ok {
			return
		}
		back := "." + l.name + ".lj-" + l.kind
		for _, s := range []string{l.new, l.old} {
			if s != "" {
				back += "-" + s
			}
		}
		if l.name == "" || !strings.HasPrefix(file, back+"-") || len(file) != len(back)+1+sumLength {
			t.Errorf("%q is read as %+v", file, l)
		}
	})
}
