package web

import (
	"context"
	"errors"
	"io/fs"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"limberjack/sequence"
)

// snapshot gives the files as they are now; drafts stand for theirs.
func (p *Project) snapshot() *snapshot {
	s := newSnapshot(p.folder)
	p.mu.Lock()
	defer p.mu.Unlock()
	s.drafts = make(map[string]document, len(p.drafts))
	for name, d := range p.drafts {
		if d.shown.rules {
			s.drafts[name] = document{d.shown.text, d.shown.stamp}
		}
	}
	return s
}

// draftBy gives the draft of a file; nil: there is none. The lock is held.
func (p *Project) draftBy(file string) *draft {
	name, err := p.folder.local(file)
	if err != nil {
		return nil
	}
	return p.drafts[name]
}

// textState tells of the text of a motion. The lock is held.
func (p *Project) textState(m *motion) textState {
	if d := p.draftBy(m.file); d != nil {
		return d.shown.state
	}
	if m.take == nil {
		return textState{Saved: true}
	}
	return textState{Text: p.make.textRevision(m.take.files[m.file]), Saved: true}
}

// tidy clears up what a crash has left in the folders of the motions.
func (p *Project) tidy() {
	p.tidyIn(p.writtenIn())
}

// writtenIn gives the folders in which motions are written.
func (p *Project) writtenIn() map[string]bool {
	p.mu.Lock()
	files := []string{p.file}
	for _, m := range p.motions {
		files = append(files, m.file)
	}
	p.mu.Unlock()
	dirs := map[string]bool{}
	for _, file := range files {
		for _, dir := range p.folder.dirsOf(file) {
			dirs[dir] = true
		}
	}
	return dirs
}

func (p *Project) tidyIn(dirs map[string]bool) {
	for dir := range dirs {
		for _, file := range p.folder.tidy(dir, time.Now()) {
			p.make.tell("%s was left by a crash, and is kept", file)
			if !isRigName(file) {
				p.showBeside(file)
			}
		}
	}
}

// isRigName tells a version of a rig from one of a motion by its name.
func isRigName(file string) bool {
	return strings.HasSuffix(file, ".rig.yaml") || strings.HasSuffix(file, ".rig.yml")
}

// showBeside makes a motion of another version that was kept.
func (p *Project) showBeside(file string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if slices.Contains(p.beside, file) || len(p.motions) >= mostMotions {
		return
	}
	own := len(p.motions) - len(p.beside)
	p.beside = append(p.beside, file)
	p.setMotions(slices.Clone(p.motions[:max(0, own)]))
	p.publish()
	p.wake()
}

// meetDisk looks whether files of drafts were changed by others. It reports whether
// one was emptied, or is gone, which a program that writes it may be about to mend.
func (p *Project) meetDisk() (again bool) {
	p.mu.Lock()
	drafts := make([]*draft, 0, len(p.drafts))
	for _, d := range p.drafts {
		drafts = append(drafts, d)
	}
	p.mu.Unlock()
	for _, d := range drafts {
		again = d.meet() || again
	}
	return again
}

func (d *draft) meet() (again bool) {
	d.disk.Lock()
	defer d.disk.Unlock()
	text, now, _ := d.project.folder.read(d.name)
	if now == d.known {
		d.empty = 0
		return false
	}
	if len(text) == 0 && d.known.size > 0 && d.empty < emptyTries {
		d.empty++
		return true
	}
	d.empty, d.known = 0, now
	d.yield(now)
	return false
}

// yield has a file that was changed by others rule, from when it is in order. What was
// not saved is kept beside it. The lock of the disk is held.
func (d *draft) yield(now stamp) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.overtake()                // what is being worked out was for another version
	if now == stampOf(d.text) { // also where it was another one for a moment, which nobody has read
		d.follows, d.saved = false, true
		d.tell()
		return
	}
	d.shut()
	if !d.saved {
		d.keepMine()
	}
	d.follows, d.saved = true, true
	d.tell()
	d.project.wake()
}

// keepMine writes the draft beside the file. The lock is held.
func (d *draft) keepMine() {
	file, err := d.project.folder.keepBeside(d.name, "mine", d.text)
	if err != nil { // then it stays in the history only
		d.trouble = "the version of the page cannot be kept in a file of its own: " + plain(err)
		return
	}
	d.trouble = ""
	d.conflict = &conflict{filepath.ToSlash(file), time.Now().UTC().Format(time.RFC3339), true}
	d.project.showBeside(file)
}

// adopt takes a file that others have changed in as one step of the draft.
func (p *Project) adopt(m *motion, t *take, r *reading) {
	p.mu.Lock()
	d := p.draftBy(m.file)
	p.mu.Unlock()
	if d == nil {
		return
	}
	d.disk.Lock()
	defer d.disk.Unlock()
	d.mu.Lock()
	defer d.mu.Unlock()
	if !d.follows || d.known != t.files[m.file] {
		return
	}
	text, now, err := p.folder.read(d.name)
	if err != nil || now != d.known {
		return // it has changed again, and will be met
	}
	d.overtake()
	if now != stampOf(d.text) {
		d.push(&d.past, spliceOf(d.text, text))
		d.drop(&d.future)
	}
	d.shut()
	d.text, d.manuscript = text, nil
	d.follows, d.saved = false, true
	d.tell()
}

// saveSoon has the draft saved: at once, or some time from the first change on. The
// lock is held.
func (d *draft) saveSoon(now bool) {
	wait := saveAfter
	if now {
		wait = 0
	}
	switch {
	case d.closed:
	case d.timer == nil:
		d.timer = time.AfterFunc(wait, func() { d.save() })
	case now:
		d.timer.Reset(0)
	}
}

// save writes the draft to its file, where it is not there yet.
func (d *draft) save() error {
	d.disk.Lock()
	defer d.disk.Unlock()
	d.mu.Lock()
	text, needed := d.text, !d.saved && !d.follows
	d.stopTimer()
	d.mu.Unlock()
	if !needed {
		return nil
	}
	other, err := d.project.folder.replace(d.name, text, d.known)
	if errors.Is(err, errMeanwhile) {
		d.project.wake() // Follow looks whether it is whole, and meets it
		return err
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	if other != "" {
		d.conflict = &conflict{filepath.ToSlash(other), time.Now().UTC().Format(time.RFC3339), false}
		d.project.showBeside(other)
	}
	if err != nil {
		d.trouble = plain(err)
		if !d.closed && d.timer == nil {
			d.timer = time.AfterFunc(saveAgain, func() { d.save() })
		}
		d.tell()
		return err
	}
	d.known, d.trouble = stampOf(text), ""
	if d.saved = d.known == stampOf(d.text); !d.saved {
		d.saveSoon(false)
	}
	d.tell()
	return nil
}

func (d *draft) stopTimer() {
	if d.timer != nil {
		d.timer.Stop()
		d.timer = nil
	}
}

// insist ends a conflict for the page's version where the file's one is not taken in,
// as it is not in order, or gone: that is kept beside it, and the file written anew.
// over is false where that is not so.
func (p *Project) insist(ctx context.Context, name, base string) (t *take, state textState, over bool, err error) {
	if t, err = p.takeOf(ctx, name); err != nil {
		return nil, state, false, err
	}
	p.mu.Lock()
	var d *draft
	if m := p.motionOf(name); m != nil {
		d = p.draftBy(m.file)
	}
	p.mu.Unlock()
	if d == nil {
		return nil, state, false, nil
	}
	d.disk.Lock()
	defer d.disk.Unlock()
	d.mu.Lock()
	defer d.mu.Unlock()
	if !d.follows || d.conflict == nil || !d.conflict.mine {
		return nil, state, false, nil
	}
	if now := d.state().Text; base != now {
		return nil, state, false, another{now}
	}
	text, now, err := p.folder.read(d.name)
	if err == nil {
		err = d.keepOther(text)
	} else if errors.Is(err, fs.ErrNotExist) {
		err = nil
	}
	if err != nil {
		return nil, state, false, err
	}
	d.known, d.empty, d.follows, d.saved, d.conflict = now, 0, false, false, nil
	d.saveSoon(true)
	d.tell()
	p.wake()
	return t, d.state(), true, nil
}

// keepOther writes the file's version, which gives way, beside it. The lock is held.
func (d *draft) keepOther(text []byte) error {
	file, err := d.project.folder.keepBeside(d.name, "other", text)
	if err != nil {
		return notSaved{"the file's version cannot be kept in a file of its own: " + plain(err)}
	}
	d.project.showBeside(file)
	return nil
}

// plain gives the reason of an error in the words of the system.
func plain(err error) string {
	var link interface{ Unwrap() error }
	for errors.As(err, &link) && link.Unwrap() != nil {
		err = link.Unwrap()
	}
	return err.Error()
}

// closeDrafts saves what is not saved yet, and has nothing be saved after it.
func (p *Project) closeDrafts() {
	p.mu.Lock()
	drafts := make([]*draft, 0, len(p.drafts))
	for _, d := range p.drafts {
		drafts = append(drafts, d)
	}
	p.mu.Unlock()
	for _, d := range drafts {
		d.mu.Lock()
		d.closed = true
		d.mu.Unlock()
		if err := d.save(); errors.Is(err, errMeanwhile) {
			for d.meet() { // an editor may be about to fill it
				time.Sleep(emptyPause)
			}
		} else if err != nil {
			p.make.tell("%s could not be saved: %v", d.name, err)
		}
	}
}

// resolving plans the end of a conflict: the version beside the file becomes the text
// where it is the one that is kept.
func resolving(mine bool) planner {
	return func(d *draft, script *sequence.Script) (plan, error) {
		c := d.conflict
		if c == nil {
			return plan{}, sequence.Problems{{At: sequence.Pos{File: d.name}, Text: "there are no two versions of which one is to be kept"}}
		}
		text := d.text
		if c.mine == mine {
			var err error
			if text, _, err = d.project.folder.read(filepath.FromSlash(c.File)); err != nil {
				return plan{}, sequence.Problems{{At: sequence.Pos{File: c.File}, Text: "the other version cannot be read: " + plain(err)}}
			}
		}
		out, err := replacing(text)(d, script)
		if err != nil {
			return out, err
		}
		return plan{out.next, func() error {
			if c.mine && mine { // the file's version gives way
				if err := d.keepOther(d.text); err != nil {
					return err
				}
			}
			d.conflict = nil
			return out.commit()
		}}, nil
	}
}
