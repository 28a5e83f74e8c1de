package web

import (
	"bytes"
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"strings"
	"time"
)

// errMeanwhile says that a file was changed by somebody else before it was written.
var errMeanwhile = errors.New("the file has changed on disk")

// mostLinks bounds a chain of links.
const mostLinks = 8

// read gives a document and its stamp.
func (f *folder) read(name string) ([]byte, stamp, error) {
	file, _, err := f.open(name)
	if err != nil {
		return nil, stamp{missing: true}, err
	}
	defer file.Close()
	text, err := io.ReadAll(io.LimitReader(file, maxDocument+1))
	if err == nil && len(text) > maxDocument {
		err = &fs.PathError{Op: "read", Path: name, Err: fmt.Errorf("it has more than %d MiB", maxDocument>>20)}
	}
	if err != nil {
		return nil, stamp{missing: true}, err
	}
	return text, stampOf(text), nil
}

// target follows links to the plain file that a name stands for, in the folder. A
// link is not replaced by a file when what it leads to is written.
func (f *folder) target(name string) (string, error) {
	for range mostLinks {
		info, err := f.root.Lstat(name)
		if err != nil {
			return "", err
		}
		if info.Mode()&fs.ModeSymlink == 0 {
			return name, nil
		}
		to, err := f.root.Readlink(name)
		if err != nil {
			return "", err
		}
		if !filepath.IsAbs(to) {
			to = filepath.Join(filepath.Dir(name), to)
		}
		if name, err = f.local(to); err != nil {
			return "", err
		}
	}
	return "", &fs.PathError{Op: "open", Path: name, Err: errors.New("too many links lead on from it")}
}

// dirsOf gives the folders in which writing a file may leave something: that of its name,
// and where the name is a link, that of the file which it leads to.
func (f *folder) dirsOf(name string) []string {
	local, err := f.local(name)
	if err != nil {
		return nil
	}
	dirs := []string{filepath.Dir(local)}
	if to, err := f.target(local); err == nil && filepath.Dir(to) != dirs[0] {
		dirs = append(dirs, filepath.Dir(to))
	}
	return dirs
}

// A write needs files of its own for a moment. They stand beside the file that is
// written, with names that begin with a dot and tell by sums what they hold, so that
// what a crash leaves can be told apart:
//
//	.NAME.lj-new-NEW-RANDOM       the new text, as far as it is written
//	.NAME.lj-swap-NEW-OLD-RANDOM  the new text, whole; then what it has replaced
//	.NAME.lj-before-OLD-RANDOM    what is replaced, where files cannot be swapped
//
// OLD is the sum of the text as it was known. What is neither NEW nor OLD is somebody
// else's. No two writes ever share such a file.
const (
	kindNew    = "new"
	kindSwap   = "swap"
	kindBefore = "before"
)

// sumLength is the digits of a sum in a name: 64 bits, against accidents only.
const sumLength = 16

func sumText(sum [sha256.Size]byte) string { return hex.EncodeToString(sum[:])[:sumLength] }

func asideName(name, kind string, sums ...[sha256.Size]byte) string {
	aside := "." + filepath.Base(name) + ".lj-" + kind
	for _, sum := range sums {
		aside += "-" + sumText(sum)
	}
	return filepath.Join(filepath.Dir(name), aside+"-"+sumText(sha256.Sum256([]byte(rand.Text()))))
}

// The points of a write at which a test stops the program.
const (
	pointCompared = "compared" // the file is as it is known
	pointBegun    = "begun"    // the file of the new text is there, and empty
	pointWritten  = "written"  // all of it, and it is on the disk
	pointReady    = "ready"    // it has its name for the swap
	pointSwapped  = "swapped"  // the new text is in its place
	pointSynced   = "synced"   // also after power is lost
	pointLinked   = "linked"   // what is replaced has a second name, where files cannot be swapped
	pointBeside   = "beside"   // another version has its own name, too
)

// reach tells a test that a point is reached.
func (f *folder) reach(point string) {
	if f.reached != nil {
		f.reached(point)
	}
}

// replace writes a file so that at every moment its name stands for the old text or
// the new one, whole, and so that no version of anybody is lost. It gives errMeanwhile
// where the file is not as it was known. What somebody else wrote between that look
// and the new text is kept in a file of its own, whose name is given, also beside an
// error.
//
// The new text is written whole to a file of its own and synced; then that file and the
// old one change their names over in one step of the system, and what is then found at
// the other name is what was replaced, whenever it was written. If the program ends
//
//   - before the new text is whole, the file is the old one, and half a text is left,
//     which tidy takes away;
//   - between that and the swap, the file is the old one, and tidy keeps the new one
//     beside it;
//   - after the swap, the file is the new one, and what was replaced is left: tidy
//     takes away what was known, and keeps what was somebody else's beside the file;
//   - while that gets its name beside the file, it has both names for a moment, of
//     which tidy takes the first away.
//
// Power that is lost is the same: the text is on the disk before the swap, and
// the file systems that can swap write the names down in their order.
func (f *folder) replace(name string, text []byte, known stamp) (other string, err error) {
	to, err := f.target(name)
	if known.missing && errors.Is(err, fs.ErrNotExist) {
		return "", f.create(name, text)
	}
	if err != nil {
		return "", err
	}
	if _, now, err := f.read(to); err != nil {
		return "", err
	} else if now != known {
		return "", errMeanwhile
	}
	info, err := f.root.Stat(to)
	if err == nil && info.Mode().Perm()&0o222 == 0 {
		err = &fs.PathError{Op: "open", Path: name, Err: errors.New("the file is read-only")}
	}
	if err != nil {
		return "", err
	}
	f.reach(pointCompared)
	sum := sha256.Sum256(text)
	fresh := asideName(to, kindNew, sum)
	held, err := f.writeNew(fresh, text, info)
	if err != nil {
		return "", err
	}
	defer held.Close()
	ready := asideName(to, kindSwap, sum, known.sum)
	if err := f.root.Rename(fresh, ready); err != nil {
		return "", f.giveUp(fresh, err)
	}
	f.reach(pointReady)
	err = f.swap(ready, to)
	if errors.Is(err, errors.ErrUnsupported) {
		return f.replaceByLink(to, ready, known)
	}
	if err != nil {
		return "", f.giveUp(ready, err)
	}
	f.reach(pointSwapped)
	err = f.syncDir(filepath.Dir(to))
	f.reach(pointSynced)
	other, kept := f.keepOther(to, ready, known)
	return other, errors.Join(err, kept)
}

// replaceByLink gives a new text its place where files cannot be swapped: what it
// replaces gets a second name first. Between the last look and the renaming, some
// microseconds, nobody can tell whether another file comes.
func (f *folder) replaceByLink(to, ready string, known stamp) (other string, err error) {
	before := asideName(to, kindBefore, known.sum)
	linked := f.root.Link(to, before) == nil
	f.reach(pointLinked)
	if _, now, err := f.read(to); err != nil || now != known {
		f.root.Remove(before)
		return "", f.giveUp(ready, errMeanwhile)
	}
	if err := f.root.Rename(ready, to); err != nil {
		f.root.Remove(before)
		return "", f.giveUp(ready, err)
	}
	f.reach(pointSwapped)
	err = f.syncDir(filepath.Dir(to))
	f.reach(pointSynced)
	if !linked { // no links on this disk: nothing tells what was there in the last moment
		return "", err
	}
	other, kept := f.keepOther(to, before, known)
	return other, errors.Join(err, kept)
}

// create writes a file that is known to be missing.
func (f *folder) create(name string, text []byte) error {
	local, err := f.local(name)
	if err != nil {
		return err
	}
	fresh := asideName(local, kindNew, sha256.Sum256(text))
	held, err := f.writeNew(fresh, text, nil)
	if err != nil {
		return err
	}
	defer held.Close()
	if err := f.into(fresh, local); errors.Is(err, fs.ErrExist) {
		return f.giveUp(fresh, errMeanwhile)
	} else if err != nil {
		return f.giveUp(fresh, err)
	}
	return nil
}

// giveUp takes away what was written for nothing, and gives the reason.
func (f *folder) giveUp(name string, why error) error {
	f.root.Remove(name)
	return why
}

// keepOther looks at what a write has replaced: what was known goes, anything else is
// kept.
func (f *folder) keepOther(to, left string, known stamp) (string, error) {
	_, was, err := f.read(left)
	if err == nil && was == known {
		f.root.Remove(left)
		return "", nil
	}
	if _, err := f.root.Lstat(left); errors.Is(err, fs.ErrNotExist) {
		return "", nil // another limberjack that starts has cleared it up
	}
	return f.moveAside(left, to, "other")
}

// writeNew writes a new file whole, of the mode and owner of an old one. What it
// gives holds the file as one that somebody is at work with.
func (f *folder) writeNew(name string, text []byte, as fs.FileInfo) (held io.Closer, err error) {
	mode := fs.FileMode(0o644)
	if as != nil {
		mode = as.Mode().Perm()
	}
	file, err := f.root.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, mode)
	if err != nil {
		return nil, err
	}
	locked := lock(file) == nil
	f.reach(pointBegun)
	_, err = file.Write(text)
	if err == nil && as != nil {
		err = file.Chmod(mode) // the umask may have taken some away
		keepOwner(file, as)
	}
	if err == nil {
		err = file.Sync()
	}
	f.reach(pointWritten)
	if err == nil && locked {
		return file, nil
	}
	if e := file.Close(); err == nil {
		err = e
	}
	if err != nil {
		return nil, f.giveUp(name, err)
	}
	return file, nil // it is closed, which does no harm a second time
}

// exchange has two files of one folder change their names over in one step.
func (f *folder) exchange(a, b string) error {
	dir, err := f.root.Open(filepath.Dir(a))
	if err != nil {
		return err
	}
	defer dir.Close()
	return rename2(int(dir.Fd()), filepath.Base(a), filepath.Base(b))
}

func (f *folder) syncDir(name string) error {
	dir, err := f.root.Open(name)
	if err != nil {
		return err
	}
	defer dir.Close()
	if err := dir.Sync(); err != nil && !errors.Is(err, errors.ErrUnsupported) && !errors.Is(err, os.ErrInvalid) {
		return err
	}
	return nil
}

// beside gives a name beside a motion or rig file for another version of it; of those of one
// second the first, the second and so on.
func beside(name, whose string, now time.Time, i int) string {
	dir, base := filepath.Split(name)
	stem, ending := motionName(base), ".motion.yaml"
	if rest := strings.TrimPrefix(base, stem); rest != "" {
		ending = rest
	}
	if short, ok := strings.CutSuffix(stem, ".rig"); ok {
		stem, ending = short, ".rig"+ending
	}
	more := ""
	if i > 1 {
		more = fmt.Sprintf("-%d", i)
	}
	return filepath.Join(dir, stem+"."+whose+"-"+now.Format("20060102-150405")+more+ending)
}

// keepBeside writes another version of a motion beside it, and gives the file's name.
func (f *folder) keepBeside(name, whose string, text []byte) (string, error) {
	as, err := f.root.Stat(name)
	if err != nil {
		as = nil
	}
	fresh := asideName(name, kindNew, sha256.Sum256(text))
	held, err := f.writeNew(fresh, text, as)
	if err != nil {
		return "", err
	}
	defer held.Close()
	file, err := f.moveAside(fresh, name, whose)
	if err != nil {
		return "", f.giveUp(fresh, err)
	}
	return file, nil
}

// mostBeside is how many versions may be kept of one second.
const mostBeside = 1000

// moveAside gives a file the name of another version of a motion.
func (f *folder) moveAside(from, name, whose string) (string, error) {
	now := time.Now()
	for i := 1; ; i++ {
		free := beside(name, whose, now, i)
		if err := f.into(from, free); !errors.Is(err, fs.ErrExist) || i == mostBeside {
			return free, err
		}
	}
}

// into gives a file a name that nobody has.
func (f *folder) into(from, free string) error {
	err := f.root.Link(from, free)
	switch {
	case err == nil:
		f.reach(pointBeside)
		f.root.Remove(from)
	case errors.Is(err, fs.ErrExist):
		return err
	default: // no links on this disk
		if _, err := f.root.Lstat(free); err == nil {
			return &fs.PathError{Op: "link", Path: free, Err: fs.ErrExist}
		}
		if err := f.root.Rename(from, free); err != nil {
			return err
		}
	}
	return f.syncDir(filepath.Dir(free))
}

// leftAge is how old a file has to be to count as left by a crash where the system does
// not tell whether somebody is at work with it: another limberjack may be.
const leftAge = 10 * time.Second

// tidy clears up in a folder what a crash has left of writing: what is known to be
// worthless goes, and what may be somebody's text is kept as a motion of its own.
func (f *folder) tidy(dir string, now time.Time) (kept []string) {
	list, err := fs.ReadDir(f.root.FS(), path.Clean(filepath.ToSlash(dir)))
	if err != nil {
		return nil
	}
	for _, e := range list {
		l, ok := leftOf(e.Name())
		info, err := e.Info()
		if !ok || err != nil || !info.Mode().IsRegular() {
			continue
		}
		if to := f.tidyOne(filepath.Join(dir, e.Name()), filepath.Join(dir, l.name), l, now); to != "" {
			kept = append(kept, to)
		}
	}
	return kept
}

// left is what the name of a file says that a write has left.
type left struct{ name, kind, new, old string }

// leftOf reads a name as asideName makes it.
func leftOf(file string) (l left, ok bool) {
	at := strings.LastIndex(file, ".lj-")
	if at < 2 || file[0] != '.' {
		return l, false
	}
	parts := strings.Split(file[at+len(".lj-"):], "-")
	for _, sum := range parts[1:] {
		if len(sum) != sumLength || strings.Trim(sum, "0123456789abcdef") != "" {
			return l, false
		}
	}
	l = left{name: file[1:at], kind: parts[0]}
	switch {
	case l.kind == kindNew && len(parts) == 3:
		l.new = parts[1]
	case l.kind == kindBefore && len(parts) == 3:
		l.old = parts[1]
	case l.kind == kindSwap && len(parts) == 4:
		l.new, l.old = parts[1], parts[2]
	default:
		return l, false
	}
	return l, true
}

// tidyOne clears up one file that was left by a write of another, and gives where it
// was kept.
func (f *folder) tidyOne(file, of string, l left, now time.Time) string {
	hold, info, err := f.open(file)
	if err != nil {
		return ""
	}
	defer hold.Close()
	switch err := lock(hold); {
	case errors.Is(err, errHeld), err != nil && l.kind != kindBefore && now.Sub(info.ModTime()) < leftAge:
		return ""
	}
	text, st, err := f.read(file)
	if err != nil {
		return ""
	}
	sum := sumText(st.sum)
	whose, worthless := "other", sum == l.old
	if l.kind == kindNew { // half a text, or a pace, which a text names only once it is there
		worthless = sum != l.new || strings.EqualFold(filepath.Ext(l.name), ".csv")
	}
	if sum == l.new {
		whose = "mine"
	}
	if is, _, err := f.read(of); worthless || err == nil && bytes.Equal(is, text) || f.twice(filepath.Dir(file), info) {
		f.root.Remove(file)
		return ""
	}
	to, err := f.moveAside(file, of, whose)
	if err != nil {
		return ""
	}
	return to
}

// twice reports whether a file has another name in the folder, under which it stays.
func (f *folder) twice(dir string, file fs.FileInfo) bool {
	list, err := fs.ReadDir(f.root.FS(), path.Clean(filepath.ToSlash(dir)))
	if err != nil {
		return false
	}
	for _, e := range list {
		if _, aside := leftOf(e.Name()); aside {
			continue
		}
		if info, err := e.Info(); err == nil && os.SameFile(info, file) {
			return true
		}
	}
	return false
}
