//go:build linux

package web

import (
	"errors"
	"fmt"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
)

// The environment that makes this program another one, which ends in the middle.
const (
	crashFolder = "LIMBERJACK_CRASH_FOLDER"
	crashCase   = "LIMBERJACK_CRASH_CASE"
)

func init() {
	if dir := os.Getenv(crashFolder); dir != "" {
		crashChild(dir, os.Getenv(crashCase))
		os.Exit(0)
	}
}

const (
	crashFile = "wake.motion.yaml"
	oldText   = "the old text\n"
	newText   = "the new text\n"
	herText   = "what somebody else has written\n"
)

// crashCases are all points of a write, with what the folder holds there and after
// the next start. "what" is what is written; "meanwhile" the point at which somebody
// else's file gets the name.
var crashCases = []struct {
	what, meanwhile, at string
	file                string            // its text; empty: it is missing
	kept                map[string]string // of versions beside it, after the next start
}{
	{"replace", "", pointCompared, oldText, nil},
	{"replace", "", pointBegun, oldText, nil},
	{"replace", "", pointWritten, oldText, map[string]string{"mine": newText}},
	{"replace", "", pointReady, oldText, map[string]string{"mine": newText}},
	{"replace", "", pointSwapped, newText, nil},
	{"replace", "", pointSynced, newText, nil},
	{"replace", "", "", newText, nil},
	{"replace", pointCompared, pointReady, herText, map[string]string{"mine": newText}},
	{"replace", pointReady, pointReady, herText, map[string]string{"mine": newText}},
	{"replace", pointCompared, pointSwapped, newText, map[string]string{"other": herText}},
	{"replace", pointReady, pointSynced, newText, map[string]string{"other": herText}},
	{"replace", pointReady, pointBeside, newText, map[string]string{"other": herText}},
	{"replace", pointReady, "", newText, map[string]string{"other": herText}},
	{"link", "", pointReady, oldText, map[string]string{"mine": newText}},
	{"link", "", pointLinked, oldText, map[string]string{"mine": newText}},
	{"link", "", pointSwapped, newText, nil},
	{"link", "", pointSynced, newText, nil},
	{"link", "", "", newText, nil},
	{"link", pointReady, pointLinked, herText, map[string]string{"mine": newText}},
	{"link", pointLinked, "", herText, nil}, // seen in time: nothing is written
	{"keep", "", pointBegun, oldText, nil},
	{"keep", "", pointWritten, oldText, map[string]string{"mine": newText}},
	{"keep", "", pointBeside, oldText, map[string]string{"mine": newText}},
	{"keep", "", "", oldText, map[string]string{"mine": newText}},
	{"create", "", pointBegun, "", nil},
	{"create", "", pointWritten, "", map[string]string{"mine": newText}},
	{"create", "", pointBeside, newText, nil},
	{"create", "", "", newText, nil},
	{"create", pointWritten, "", herText, nil},
}

// crashChild writes, and kills itself at the point of a case.
func crashChild(dir, which string) {
	var i int
	fmt.Sscan(which, &i)
	c := crashCases[i]
	f, err := openFolder(dir)
	if err != nil {
		panic(err)
	}
	f.reached = func(point string) {
		if point == c.meanwhile {
			name := filepath.Join(dir, crashFile)
			if err := errors.Join(os.WriteFile(name+"~", []byte(herText), 0o644), os.Rename(name+"~", name)); err != nil {
				panic(err)
			}
		}
		if point == c.at {
			syscall.Kill(os.Getpid(), syscall.SIGKILL)
			select {}
		}
	}
	switch c.what {
	case "keep":
		_, err = f.keepBeside(crashFile, "mine", []byte(newText))
	case "create":
		_, err = f.replace(crashFile, []byte(newText), stamp{missing: true})
	case "link":
		f.swap = func(string, string) error { return errors.ErrUnsupported }
		fallthrough
	default:
		_, err = f.replace(crashFile, []byte(newText), stampOf([]byte(oldText)))
	}
	if err != nil && !errors.Is(err, errMeanwhile) {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
}

// Whatever the point at which the program is killed: the file is whole, and after the
// next start every version that is not in its place stands beside it, and nothing else.
func TestKilledAtEachPoint(t *testing.T) {
	t.Parallel()
	for i, c := range crashCases {
		t.Run(fmt.Sprintf("%s %s %s", c.what, c.meanwhile, c.at), func(t *testing.T) {
			dir := t.TempDir()
			if c.what != "create" {
				if err := os.WriteFile(filepath.Join(dir, crashFile), []byte(oldText), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			crash := exec.Command("/proc/self/exe")
			crash.Env = append(os.Environ(), crashFolder+"="+dir, fmt.Sprint(crashCase, "=", i))
			out, err := crash.CombinedOutput()
			if killed := crash.ProcessState.Sys().(syscall.WaitStatus).Signal() == syscall.SIGKILL; killed != (c.at != "") || !killed && err != nil {
				t.Fatalf("it ended with %v, and says %s", err, out)
			}
			f, err := openFolder(dir)
			if err != nil {
				t.Fatal(err)
			}
			defer f.close()
			before := texts(t, dir)
			if before[crashFile] != c.file {
				t.Errorf("the file is %q, want %q", before[crashFile], c.file)
			}
			told := f.tidy(".", time.Now())
			want := map[string]string{}
			maps.Copy(want, c.kept)
			if c.file != "" {
				want[""] = c.file
			}
			got := versions(t, dir)
			if !maps.Equal(got, want) {
				t.Errorf("after the next start there is %q, want %q", got, want)
			}
			if again := f.tidy(".", time.Now()); len(again) > 0 || !maps.Equal(versions(t, dir), got) {
				t.Errorf("the start after that finds %q", again)
			}
			for _, name := range told {
				if _, ok := before[name]; ok || texts(t, dir)[name] == "" {
					t.Errorf("it tells of %s, which was there, or is not", name)
				}
			}
		})
	}
}

// versions gives what the files of the motion wake hold: its own as "", that of the
// page as "mine", somebody else's as "other"; what is left of a write by its name.
func versions(t testing.TB, dir string) map[string]string {
	t.Helper()
	out := map[string]string{}
	for name, text := range texts(t, dir) {
		whose, isOther := strings.CutPrefix(name, "wake.")
		whose, _, dated := strings.Cut(whose, "-")
		switch {
		case name == crashFile:
			out[""] = text
		case isOther && dated && out[whose] == "":
			out[whose] = text
		default:
			out[name] = text
		}
	}
	return out
}
