package web

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"sync"

	"limberjack/interp/film"
	"limberjack/sequence"
)

// mostRigSteps bounds the changes of a rig's file that can be taken back.
const mostRigSteps = 200

// rigFile is the file of the project's rig as pages change it. There is no draft of it:
// each change is in the file when it has been made, since boards are set up from there.
type rigFile struct {
	mu    sync.Mutex // held while the file is read and written
	steps []rigStep  // the newest last
	tidy  sync.Once
}

// rigStep is a change that was made, and the file as it left it.
type rigStep struct {
	splice
	after stamp
}

// rigNow is a rig as it stands in its file.
type rigNow struct {
	file string // from the folder on
	text []byte
	stamp
	rig    *sequence.Rig
	undo   int
	beside string // where a version is kept that others wrote in the last moment
}

// errNoRig says that no motion says which rig it is.
var errNoRig = errors.New("no motion of the project is in order, so that its rig is not known")

// rigName gives the name of the rig's file. All motions of a project have the same one, so
// that one which is there will do; else it waits for the first that comes, as takeOf does
// for all of them together.
func (p *Project) rigName(ctx context.Context) (string, error) {
	p.mu.Lock()
	motions, most := slices.Clone(p.motions), p.first
	for _, m := range motions {
		if m.take != nil {
			defer p.mu.Unlock()
			return m.take.perf.Rig.File, nil
		}
	}
	p.mu.Unlock()
	ctx, cancel := context.WithTimeout(ctx, most)
	defer cancel()
	for _, m := range motions {
		t, err := p.takeOf(ctx, m.name)
		switch {
		case err == nil:
			return t.perf.Rig.File, nil
		case errors.Is(err, errWaiting):
			return "", err
		}
	}
	return "", errNoRig
}

// readRig reads the rig as it stands in its file.
func (p *Project) readRig(ctx context.Context) (rigNow, error) {
	file, err := p.rigName(ctx)
	if err != nil {
		return rigNow{}, err
	}
	p.rig.mu.Lock()
	defer p.rig.mu.Unlock()
	return p.rigAt(file)
}

// rigAt reads the rig. The lock is held.
func (p *Project) rigAt(file string) (now rigNow, err error) {
	name, err := p.folder.local(file)
	if err == nil {
		p.rig.tidy.Do(func() { p.tidyRig(name) })
		now.file = name
		now.text, now.stamp, err = p.folder.read(name)
	}
	if err != nil {
		return now, disorder{[]Problem{{File: file, Text: "the rig's file cannot be read: " + plain(err), Hint: "see that it is there, and may be read"}}}
	}
	if now.rig, err = p.parseRig(file, now.text); err != nil {
		return now, disorder{problemsOf(placed(sequence.AsProblems(err), file))}
	}
	if steps := p.rig.steps; len(steps) > 0 && steps[len(steps)-1].after != now.stamp {
		p.rig.steps = nil // others have changed the file: it rules
	}
	now.undo = len(p.rig.steps)
	return now, nil
}

// tidyRig clears up what a crash has left of writing the rig's file, in folders where no
// motion is: there it has been done.
func (p *Project) tidyRig(name string) {
	known, dirs := p.writtenIn(), map[string]bool{}
	for _, dir := range p.folder.dirsOf(name) {
		if !known[dir] {
			dirs[dir] = true
		}
	}
	p.tidyIn(dirs)
}

// parseRig reads a text as the rig's file.
func (p *Project) parseRig(file string, text []byte) (rig *sequence.Rig, err error) {
	defer p.make.caught(file, &err)
	others := newSnapshot(p.folder).reading()
	return sequence.LoadRig(func(name string) (io.ReadCloser, error) {
		if name == file {
			return io.NopCloser(bytes.NewReader(text)), nil
		}
		return others.open(name)
	}, file)
}

// rigChange makes another text of the rig's, or says why not.
type rigChange func(now rigNow) ([]byte, error)

// atBase does something with the rig's file, where it is the version that base names.
func (p *Project) atBase(ctx context.Context, base string, do func(file string, now rigNow) (rigNow, error)) (rigNow, error) {
	file, err := p.rigName(ctx)
	if err != nil {
		return rigNow{}, err
	}
	p.rig.mu.Lock()
	defer p.rig.mu.Unlock()
	now, err := p.rigAt(file)
	if err != nil {
		return now, err
	}
	if current := p.make.textRevision(now.stamp); base != current {
		return now, another{current}
	}
	return do(file, now)
}

// writeRig makes a change to the rig's file, where it is the version that base names. The
// new text is read as a rig before it is written.
func (p *Project) writeRig(ctx context.Context, base string, change rigChange) (rigNow, error) {
	return p.atBase(ctx, base, func(file string, now rigNow) (rigNow, error) {
		text, err := p.changedRig(file, now, change)
		if err != nil || bytes.Equal(text, now.text) {
			return now, err
		}
		return p.replaceRig(file, now, text)
	})
}

// changedRig gives the text after a change, which is a rig's.
func (p *Project) changedRig(file string, now rigNow, change rigChange) (text []byte, err error) {
	defer p.make.caught(file, &err)
	if text, err = change(now); err != nil {
		return nil, refusedAt(file, err)
	}
	if _, err := p.parseRig(file, text); err != nil {
		return nil, placed(sequence.AsProblems(err), file)
	}
	return text, nil
}

// refusedAt makes the refusal of a change, which has no place of its own, a problem of a
// file.
func refusedAt(file string, err error) error {
	var list sequence.Problems
	var missing noAxis
	var count *film.CountError
	if errors.As(err, &list) || errors.As(err, &missing) || errors.As(err, &count) {
		return err
	}
	return sequence.Problems{{At: sequence.Pos{File: file}, Text: err.Error()}}
}

// replaceRig writes the rig's file, and keeps the step. The lock is held.
func (p *Project) replaceRig(file string, now rigNow, text []byte) (rigNow, error) {
	other, err := p.folder.replace(now.file, text, now.stamp)
	if errors.Is(err, errMeanwhile) {
		if _, st, err := p.folder.read(now.file); err == nil {
			return now, another{p.make.textRevision(st)}
		}
	}
	if err != nil {
		return now, notSaved{"the file " + now.file + " cannot be written: " + plain(err)}
	}
	step := rigStep{spliceOf(now.text, text), stampOf(text)}
	if p.rig.steps = append(p.rig.steps, step); len(p.rig.steps) > mostRigSteps {
		p.rig.steps = p.rig.steps[1:]
	}
	p.wake()
	next, err := p.rigAt(file)
	next.beside = filepath.ToSlash(other)
	return next, err
}

// undoRig takes the newest change of the rig's file back, to the byte.
func (p *Project) undoRig(ctx context.Context, base string) (rigNow, error) {
	return p.atBase(ctx, base, func(file string, now rigNow) (rigNow, error) {
		if now.undo == 0 {
			return now, refusedAt(file, errors.New("there is nothing to undo in the rig's file: nothing was written to it from here since others changed it"))
		}
		steps := p.rig.steps
		before := steps[len(steps)-1].undo(now.text)
		next, err := p.replaceRig(file, now, before)
		if err == nil { // the way back is no step of its own
			p.rig.steps = steps[:len(steps)-1]
			if n := len(p.rig.steps); n > 0 {
				p.rig.steps[n-1].after = next.stamp
			}
			next.undo = len(p.rig.steps)
		}
		return next, err
	})
}

// axisOf finds an axis of the rig.
func (n rigNow) axisOf(name string) (*sequence.Axis, error) {
	var names []string
	for _, a := range n.rig.Axes {
		if a.Name == name {
			return a, nil
		}
		names = append(names, a.Name)
	}
	return nil, noAxis{name, names}
}

// noAxis says that the rig has no axis of a name.
type noAxis struct {
	name  string
	names []string
}

func (n noAxis) Error() string {
	if near := sequence.Nearest(n.name, n.names); near != "" {
		return fmt.Sprintf("the rig has no axis %s; did you mean %s?", quoted(n.name), near)
	}
	return fmt.Sprintf("the rig has no axis %s", quoted(n.name))
}
