package web

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"time"
)

// maxDocument is the size in bytes up to which a file is read whole to see whether
// it changed: that of the documents' reader. Sounds are known by size and time.
const maxDocument = 16 << 20

const (
	// mostCached bounds the bytes of all documents that a snapshot keeps.
	mostCached = 32 << 20
	// heavyDocument is the size in bytes from which on motions are worked out one
	// after another: what is read of a text takes many times its room for a while.
	heavyDocument = 1 << 20
)

// folder is the project's folder, the only place that is read. A name leads out of
// it neither by its own steps nor by a link (os.Root).
type folder struct {
	root *os.Root
	dir  string // absolute

	swap    func(a, b string) error // has two files change their names over at once; errors.ErrUnsupported where that cannot be
	reached func(point string)      // stops a write for a test; nil: never
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
	f := &folder{root: root, dir: abs}
	f.swap = f.exchange
	return f, nil
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
// a rig that they share. Documents beyond mostCached are read again where they are
// asked for again; one that has changed meanwhile is no longer as it was seen, which
// has everything that named it read anew.
type snapshot struct {
	folder *folder
	begun  time.Time
	mu     sync.Mutex
	known  map[string]document
	kept   int                 // bytes of known
	seen   map[string]stamp    // of all files that were asked for, as they were at first
	drafts map[string]document // that stand for files, by their names from the folder on
}

type document struct {
	data  []byte
	stamp stamp
}

func newSnapshot(f *folder) *snapshot {
	return &snapshot{folder: f, begun: time.Now(), known: map[string]document{}, seen: map[string]stamp{}}
}

// draft gives what stands for a file.
func (s *snapshot) draft(name string) (document, bool) {
	if len(s.drafts) == 0 {
		return document{}, false
	}
	local, err := s.folder.local(name)
	d, ok := s.drafts[local]
	return d, ok && err == nil
}

// settles waits until what was read is old enough to be told, and reports whether it
// is still wanted by then: an editor may have been at work on it.
func (s *snapshot) settles(ctx context.Context) bool {
	left := settle - time.Since(s.begun)
	if left <= 0 {
		return true
	}
	pause(ctx, left)
	return ctx.Err() == nil
}

// open opens a file and gives the stamp of what is read.
func (s *snapshot) open(name string) (io.ReadCloser, stamp, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	file, st, err := s.find(name)
	s.note(name, st)
	return file, st, err
}

// note keeps how a file was when it was first asked for. The lock is held.
func (s *snapshot) note(name string, st stamp) {
	if _, ok := s.seen[name]; !ok {
		s.seen[name] = st
	}
}

// stamp gives the state of a file.
func (s *snapshot) stamp(name string) stamp {
	s.mu.Lock()
	defer s.mu.Unlock()
	st := s.state(name)
	s.note(name, st)
	return st
}

// state is stamp with the lock held. A document that is not kept is not held as a
// whole for it.
func (s *snapshot) state(name string) stamp {
	if d, ok := s.draft(name); ok {
		return d.stamp
	}
	if d, ok := s.known[name]; ok {
		return d.stamp
	}
	file, info, err := s.folder.open(name)
	if err != nil {
		return stamp{missing: true}
	}
	defer file.Close()
	if isSound(name, info.Size()) {
		return soundStamp(info)
	}
	if s.roomFor(info.Size()) {
		d, err := s.keep(name, file)
		if err != nil {
			return stamp{missing: true}
		}
		return d.stamp
	}
	sum := sha256.New()
	size, err := io.Copy(sum, io.LimitReader(file, maxDocument+1))
	if err != nil {
		return stamp{missing: true}
	}
	return stamp{size: size, sum: [sha256.Size]byte(sum.Sum(nil))}
}

func soundStamp(info fs.FileInfo) stamp {
	return stamp{size: info.Size(), time: info.ModTime().UnixNano()}
}

func (s *snapshot) roomFor(size int64) bool { return int64(s.kept)+size <= mostCached }

// keep reads a document, and keeps it where there is room.
func (s *snapshot) keep(name string, file io.Reader) (document, error) {
	data, err := io.ReadAll(io.LimitReader(file, maxDocument+1))
	if err != nil {
		return document{}, err
	}
	d := document{data, stamp{size: int64(len(data)), sum: sha256.Sum256(data)}}
	if s.roomFor(d.stamp.size) {
		s.known[name] = d
		s.kept += len(data)
	}
	return d, nil
}

// forget lets go of what the documents hold.
func (s *snapshot) forget() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.known, s.kept = map[string]document{}, 0
}

// looked gives the stamps of all files that were asked for.
func (s *snapshot) looked() map[string]stamp {
	s.mu.Lock()
	defer s.mu.Unlock()
	return maps.Clone(s.seen)
}

// find is open with the lock held.
func (s *snapshot) find(name string) (io.ReadCloser, stamp, error) {
	if d, ok := s.draft(name); ok {
		return io.NopCloser(bytes.NewReader(d.data)), d.stamp, nil
	}
	if d, ok := s.known[name]; ok {
		return io.NopCloser(bytes.NewReader(d.data)), d.stamp, nil
	}
	file, info, err := s.folder.open(name)
	if err != nil {
		return nil, stamp{missing: true}, err
	}
	if isSound(name, info.Size()) {
		return file, soundStamp(info), nil
	}
	defer file.Close()
	d, err := s.keep(name, file)
	if err != nil {
		return nil, stamp{missing: true}, err
	}
	return io.NopCloser(bytes.NewReader(d.data)), d.stamp, nil
}

// same reports whether files are as their stamps say. It looks at all of them.
func (s *snapshot) same(files map[string]stamp) bool {
	same := true
	for name, was := range files {
		same = s.stamp(name) == was && same
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
	turn  *turn // nil: it waits for nobody
}

func (s *snapshot) reading() *reading { return &reading{from: s, files: map[string]stamp{}} }

// open is a sequence.Open. What is heavy waits for its turn.
func (r *reading) open(name string) (io.ReadCloser, error) {
	if r.turn != nil && r.from.heavy(name) {
		if err := r.turn.take(); err != nil {
			return nil, err
		}
	}
	file, st, err := r.from.open(name)
	r.files[name] = st
	return file, err
}

// heavy reports whether a file is a large document.
func (s *snapshot) heavy(name string) bool {
	local, err := s.folder.local(name)
	if err != nil {
		return false
	}
	info, err := s.folder.root.Stat(local)
	return err == nil && info.Size() >= heavyDocument && !isSound(name, info.Size())
}

// turn is the right of one motion at a time to be heavy, from its first large
// document on until it is worked out.
type turn struct {
	place chan struct{} // holds one, shared by all
	ctx   context.Context
	wait  func(waiting bool) // tells when a wait begins and ends
	has   bool
}

// take waits for the turn, unless this one has it.
func (t *turn) take() error {
	if t.has {
		return nil
	}
	t.wait(true)
	defer t.wait(false)
	select {
	case t.place <- struct{}{}:
		t.has = true
		return nil
	case <-t.ctx.Done():
		return errStopped
	}
}

// leave gives the turn to the next one, with the room that it took.
func (t *turn) leave() {
	if t.has {
		runtime.GC() // else what is no longer needed stays beside what the next one needs
		<-t.place
		t.has = false
	}
}
