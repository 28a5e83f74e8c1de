package web

import (
	"path/filepath"
	"time"

	"github.com/fsnotify/fsnotify"
)

// Times of a watcher.
const (
	settle   = 20 * time.Millisecond  // after the last event, and from reading to telling, since editors write in steps
	longest  = 100 * time.Millisecond // after the first
	pollSlow = time.Second            // where the system tells of changes; it tells nothing of some network folders, and of the target of a link
	pollFast = 100 * time.Millisecond // where it does not
	mostDirs = 256                    // folders that are watched
)

// watcher tells that something may have changed. It watches folders and not files:
// many editors write a new file and give it the old one's name.
type watcher struct {
	folder  *folder
	system  *fsnotify.Watcher // nil: only by looking
	dirs    map[string]bool
	names   chan watched
	changes chan struct{}
	done    chan struct{}
	over    chan struct{}
}

func newWatcher(f *folder) *watcher {
	w := &watcher{folder: f, dirs: map[string]bool{}, names: make(chan watched), changes: make(chan struct{}, 1), done: make(chan struct{}), over: make(chan struct{})}
	if system, err := fsnotify.NewWatcher(); err == nil {
		w.system = system
	}
	go w.run()
	return w
}

func (w *watcher) close() {
	close(w.done)
	<-w.over
	if w.system != nil {
		w.system.Close()
	}
}

// watched is the names of files that matter; done is closed once they are watched.
type watched struct {
	names []string
	done  chan struct{}
}

// watch says which files matter, by their names from the folder on. What changes
// after it has returned is told.
func (w *watcher) watch(names []string) {
	m := watched{names, make(chan struct{})}
	w.names <- m
	<-m.done
}

// look is what can be seen of a file without reading it.
type look struct {
	missing    bool
	size, time int64
}

func (w *watcher) look(name string) look {
	local, err := w.folder.local(name)
	if err != nil {
		return look{missing: true}
	}
	info, err := w.folder.root.Stat(local)
	if err != nil {
		return look{missing: true}
	}
	return look{size: info.Size(), time: info.ModTime().UnixNano()}
}

// run gathers what the system tells and looks now and then itself.
func (w *watcher) run() {
	defer close(w.over)
	var events <-chan fsnotify.Event
	var failures <-chan error
	every := pollFast
	if w.system != nil {
		events, failures, every = w.system.Events, w.system.Errors, pollSlow
	}
	poll := time.NewTicker(every)
	defer poll.Stop()
	seen := map[string]look{}
	due := time.NewTimer(time.Hour)
	due.Stop()
	var first time.Time // of the events after which nothing was told yet, but for the first
	var told time.Time
	for {
		select {
		case <-w.done:
			return
		case m := <-w.names:
			seen = w.know(m.names, seen, poll)
			close(m.done)
		case <-events:
			if now := time.Now(); first.IsZero() {
				first = now
				if now.Sub(told) >= settle {
					w.tell() // what it has come to is held back until it has settled
				}
			}
			due.Reset(min(settle, max(0, longest-time.Since(first))))
		case <-due.C:
			first, told = time.Time{}, time.Now()
			w.tell()
		case <-failures: // events may have been lost
			w.tell()
		case <-poll.C:
			if w.looks(seen) {
				w.tell()
			}
		}
	}
}

// know takes in which files matter and sees that their folders are watched.
func (w *watcher) know(names []string, before map[string]look, poll *time.Ticker) map[string]look {
	seen := map[string]look{}
	for _, name := range names {
		if l, ok := before[name]; ok {
			seen[name] = l
		} else {
			seen[name] = w.look(name)
		}
		local, err := w.folder.local(name)
		if w.system == nil || err != nil {
			continue
		}
		dir := filepath.Join(w.folder.dir, filepath.Dir(local))
		if w.dirs[dir] {
			continue
		}
		if len(w.dirs) >= mostDirs || w.system.Add(dir) != nil {
			poll.Reset(pollFast)
			continue
		}
		w.dirs[dir] = true
	}
	return seen
}

// looks reports whether a file looks other than before.
func (w *watcher) looks(seen map[string]look) bool {
	other := false
	for name, was := range seen {
		if now := w.look(name); now != was {
			seen[name] = now
			other = true
		}
	}
	return other
}

// tell says once that something may have changed.
func (w *watcher) tell() {
	select {
	case w.changes <- struct{}{}:
	default:
	}
}
