package web

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"strings"
	"sync"
)

// maxDocument is the size in bytes up to which a file is read whole to see whether
// it changed: that of the documents' reader. Sounds are known by size and time.
const maxDocument = 16 << 20

// folder is the project's folder, the only place that is read. A name leads out of
// it neither by its own steps nor by a link (os.Root).
type folder struct {
	root *os.Root
	dir  string // absolute
}

func openFolder(dir string) (*folder, error) {
	abs, err := filepath.Abs(dir)
	if err != nil {
		return nil, fmt.Errorf("%s cannot be read: %w", dir, err)
	}
	root, err := os.OpenRoot(abs)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("there is no folder %s", dir)
	}
	if err != nil {
		return nil, fmt.Errorf("the folder %s cannot be read: %w", dir, reason(err))
	}
	return &folder{root, abs}, nil
}

func (f *folder) close() { f.root.Close() }

func reason(err error) error {
	var pe *fs.PathError
	if errors.As(err, &pe) {
		return pe.Err
	}
	return err
}

// outside is the error of a file that is not in the folder.
func (f *folder) outside(name string) error {
	return &fs.PathError{Op: "open", Path: name, Err: fmt.Errorf("it is outside the folder of the project, %s: move it there, or start preview with --folder and a folder that holds both", f.dir)}
}

// local gives a file's name from the folder on.
func (f *folder) local(name string) (string, error) {
	if filepath.IsAbs(name) {
		rel, err := filepath.Rel(f.dir, name)
		if err != nil {
			return "", f.outside(name)
		}
		name = rel
	}
	name = filepath.Clean(name)
	if !filepath.IsLocal(name) {
		return "", f.outside(name)
	}
	return name, nil
}

// open opens a plain file in the folder.
func (f *folder) open(name string) (*os.File, fs.FileInfo, error) {
	local, err := f.local(name)
	if err != nil {
		return nil, nil, err
	}
	file, err := f.root.OpenFile(local, os.O_RDONLY|openPlain, 0)
	if err != nil {
		if f.leads(local) {
			err = f.outside(name)
		}
		return nil, nil, err
	}
	info, err := file.Stat()
	if err == nil && !info.Mode().IsRegular() {
		err = &fs.PathError{Op: "open", Path: name, Err: errors.New("it is not a plain file")}
	}
	if err != nil {
		file.Close()
		return nil, nil, err
	}
	return file, info, nil
}

// leads reports whether a name in the folder is a link that leads out of it.
func (f *folder) leads(local string) bool {
	dir, err := filepath.EvalSymlinks(f.dir)
	if err != nil {
		return false
	}
	to, err := filepath.EvalSymlinks(filepath.Join(f.dir, local))
	if err != nil {
		return false
	}
	rel, err := filepath.Rel(dir, to)
	return err != nil || !filepath.IsLocal(rel)
}

// stamp tells two states of a file apart: a document by what it holds, a sound by
// its size and its time.
type stamp struct {
	missing    bool
	size, time int64
	sum        [sha256.Size]byte
}

// isSound reports whether a file is known by its size and time.
func isSound(name string, size int64) bool {
	return size > maxDocument || strings.EqualFold(filepath.Ext(name), ".wav")
}

// snapshot reads each document once, so that all motions of a show see one state of
// a rig that they share.
type snapshot struct {
	folder *folder
	mu     sync.Mutex
	known  map[string]document
	seen   map[string]stamp // of all files that were asked for, as they were at first
}

type document struct {
	data  []byte
	stamp stamp
}

func newSnapshot(f *folder) *snapshot {
	return &snapshot{folder: f, known: map[string]document{}, seen: map[string]stamp{}}
}

// open opens a file and gives the stamp of what is read.
func (s *snapshot) open(name string) (io.ReadCloser, stamp, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	file, st, err := s.find(name)
	if _, ok := s.seen[name]; !ok {
		s.seen[name] = st
	}
	return file, st, err
}

// forget lets go of what the documents hold.
func (s *snapshot) forget() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.known = map[string]document{}
}

// looked gives the stamps of all files that were asked for.
func (s *snapshot) looked() map[string]stamp {
	s.mu.Lock()
	defer s.mu.Unlock()
	return maps.Clone(s.seen)
}

// find is open with the lock held.
func (s *snapshot) find(name string) (io.ReadCloser, stamp, error) {
	if d, ok := s.known[name]; ok {
		return io.NopCloser(bytes.NewReader(d.data)), d.stamp, nil
	}
	file, info, err := s.folder.open(name)
	if err != nil {
		return nil, stamp{missing: true}, err
	}
	if isSound(name, info.Size()) {
		return file, stamp{size: info.Size(), time: info.ModTime().UnixNano()}, nil
	}
	defer file.Close()
	data, err := io.ReadAll(io.LimitReader(file, maxDocument+1))
	if err != nil {
		return nil, stamp{missing: true}, err
	}
	d := document{data, stamp{size: int64(len(data)), sum: sha256.Sum256(data)}}
	s.known[name] = d
	return io.NopCloser(bytes.NewReader(data)), d.stamp, nil
}

// same reports whether files are as their stamps say. It looks at all of them.
func (s *snapshot) same(files map[string]stamp) bool {
	same := true
	for name, was := range files {
		file, now, err := s.open(name)
		if err == nil {
			file.Close()
		}
		same = same && now == was
	}
	return same
}

// emptied reports whether a file is empty, or gone, that was not before.
func (s *snapshot) emptied(before map[string]stamp) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	for name, now := range s.seen {
		if was := before[name]; (now.size == 0 || now.missing) && was.size > 0 {
			return true
		}
	}
	return false
}

// reading notes which files were read, in what state.
type reading struct {
	from  *snapshot
	files map[string]stamp
}

func (s *snapshot) reading() *reading { return &reading{s, map[string]stamp{}} }

// open is a sequence.Open.
func (r *reading) open(name string) (io.ReadCloser, error) {
	file, st, err := r.from.open(name)
	r.files[name] = st
	return file, err
}
