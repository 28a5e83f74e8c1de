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

// The files that a write needs for a moment are called .NAME.lj-KIND-SUM, where SUM is
// that of what the file has to hold: so one that was left by a crash tells whether it
// is whole.
const (
	kindNew    = "new"
	kindBefore = "before"
)

func asideName(name, kind string, sum [sha256.Size]byte) string {
	return filepath.Join(filepath.Dir(name), "."+filepath.Base(name)+".lj-"+kind+"-"+hex.EncodeToString(sum[:12]))
}

// replace writes a file so that at every moment, whatever happens, its name stands for
// the old text or the new one, whole. It gives errMeanwhile where the file is not as
// it was known. What somebody else wrote between that look and the new text is kept in
// a file of its own, whose name is given; only between the two calls that link the old
// text and rename the new one, some microseconds, nobody can tell.
func (f *folder) replace(name string, text []byte, known stamp) (other string, err error) {
	to, err := f.target(name)
	if err != nil {
		return "", err
	}
	_, now, err := f.read(to)
	if err != nil {
		return "", err
	}
	if now != known {
		return "", errMeanwhile
	}
	info, err := f.root.Stat(to)
	if err != nil {
		return "", err
	}
	fresh := asideName(to, kindNew, sha256.Sum256(text))
	if err := f.writeNew(fresh, text, info.Mode().Perm()); err != nil {
		return "", err
	}
	defer f.root.Remove(fresh) // gone already where all went well
	before := asideName(to, kindBefore, known.sum)
	if _, err := f.keepOther(to, before, known); err != nil { // a crash may have left one
		return "", err
	}
	linked := f.root.Link(to, before) == nil
	if err := f.root.Rename(fresh, to); err != nil {
		f.root.Remove(before)
		return "", err
	}
	if err := f.syncDir(filepath.Dir(to)); err != nil {
		return "", err
	}
	if !linked { // no links on this disk: nothing tells what was there in the last moment
		return "", nil
	}
	return f.keepOther(to, before, known)
}

// keepOther looks at what a write has replaced: what was known goes, anything else is
// kept.
func (f *folder) keepOther(to, before string, known stamp) (string, error) {
	_, was, err := f.read(before)
	if err == nil && was == known || errors.Is(err, fs.ErrNotExist) {
		f.root.Remove(before)
		return "", nil
	}
	return f.moveAside(before, to, "other")
}

// writeNew writes a new file whole.
func (f *folder) writeNew(name string, text []byte, mode fs.FileMode) error {
	f.root.Remove(name) // a crash may have left one
	file, err := f.root.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, mode)
	if err != nil {
		return err
	}
	_, err = file.Write(text)
	if err == nil {
		err = file.Chmod(mode) // the umask may have taken some away
	}
	if err == nil {
		err = file.Sync()
	}
	if e := file.Close(); err == nil {
		err = e
	}
	if err != nil {
		f.root.Remove(name)
	}
	return err
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

// besides gives a free name beside a motion or rig file for another version of it.
func (f *folder) besides(name, whose string, now time.Time) string {
	dir, base := filepath.Split(name)
	stem, ending := motionName(base), ".motion.yaml"
	if rest := strings.TrimPrefix(base, stem); rest != "" {
		ending = rest
	}
	if short, ok := strings.CutSuffix(stem, ".rig"); ok {
		stem, ending = short, ".rig"+ending
	}
	at := now.Format("20060102-150405")
	for i := 1; ; i++ {
		more := ""
		if i > 1 {
			more = fmt.Sprintf("-%d", i)
		}
		free := filepath.Join(dir, stem+"."+whose+"-"+at+more+ending)
		if _, err := f.root.Lstat(free); errors.Is(err, fs.ErrNotExist) || i == 1000 {
			return free
		}
	}
}

// keepBeside writes another version of a motion beside it, and gives the file's name.
func (f *folder) keepBeside(name, whose string, text []byte) (string, error) {
	free := f.besides(name, whose, time.Now())
	fresh := asideName(free, kindNew+rand.Text()[:8], sha256.Sum256(text))
	if err := f.writeNew(fresh, text, 0o644); err != nil {
		return "", err
	}
	return free, f.into(fresh, free)
}

// moveAside gives a file the name of another version of a motion.
func (f *folder) moveAside(from, name, whose string) (string, error) {
	free := f.besides(name, whose, time.Now())
	return free, f.into(from, free)
}

// into gives a file a name that nobody has.
func (f *folder) into(from, free string) error {
	if err := f.root.Link(from, free); err == nil {
		f.root.Remove(from)
	} else if errors.Is(err, fs.ErrExist) {
		return err
	} else if err := f.root.Rename(from, free); err != nil {
		return err
	}
	return f.syncDir(filepath.Dir(free))
}

// leftAge is how old a file has to be to count as left by a crash: another limberjack
// may be at work in the folder.
const leftAge = 10 * time.Second

// tidy clears up in a folder what a crash has left of writing: what is known to be
// worthless goes, and what may be somebody's text is kept as a motion of its own.
func (f *folder) tidy(dir string, now time.Time) (kept []string) {
	list, err := fs.ReadDir(f.root.FS(), path.Clean(filepath.ToSlash(dir)))
	if err != nil {
		return nil
	}
	for _, e := range list {
		name, kind, sum, ok := asideParts(e.Name())
		info, err := e.Info()
		if !ok || err != nil || !info.Mode().IsRegular() {
			continue
		}
		left, of := filepath.Join(dir, e.Name()), filepath.Join(dir, name)
		if kind != kindBefore && now.Sub(info.ModTime()) < leftAge {
			continue
		}
		if to := f.tidyOne(left, of, kind, sum); to != "" {
			kept = append(kept, to)
		}
	}
	return kept
}

// asideParts reads a name as asideName makes it.
func asideParts(file string) (name, kind, sum string, ok bool) {
	at := strings.LastIndex(file, ".lj-")
	if at < 1 || file[0] != '.' {
		return "", "", "", false
	}
	kind, sum, ok = strings.Cut(file[at+len(".lj-"):], "-")
	return file[1:at], kind, sum, ok && len(sum) == 24 && (kind == kindBefore || strings.HasPrefix(kind, kindNew))
}

// tidyOne clears up one file that was left, and gives where it was kept.
func (f *folder) tidyOne(left, of, kind, sum string) string {
	text, st, err := f.read(left)
	if err != nil {
		return ""
	}
	whole := hex.EncodeToString(st.sum[:12]) == sum
	whose, worthless := "mine", !whole // half a new text
	if kind == kindBefore {
		whose, worthless = "other", whole // the old one, which was known
	}
	if now, _, err := f.read(of); worthless || err == nil && bytes.Equal(now, text) {
		f.root.Remove(left)
		return ""
	}
	to, err := f.moveAside(left, of, whose)
	if err != nil {
		return ""
	}
	return to
}
