package web

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"limberjack/interp/check"
	"limberjack/sequence"
)

// buildPatience is how long one motion may take to be worked out.
const buildPatience = 2 * time.Minute

var errTooLong = errors.New("it takes too long")

// curveBudget is the memory in bytes that the curves of all motions may hold; those
// that were not asked for longest are let go and worked out again when they are.
const curveBudget = 192 << 20

// The states of a motion.
const (
	stateGood    = "good"
	stateBroken  = "broken"  // its files have errors now; the last good version is served
	stateAbsent  = "absent"  // there never was a good version
	stateLoading = "loading" // it is being worked out for the first time
)

// Options are what a Project needs from its caller.
type Options struct {
	// Links tells what the link of each board has to carry, for the check. Nil: it
	// is not checked.
	Links func(*sequence.Rig) []check.Link
	// Tell takes messages about faults of the program. Nil: they are dropped.
	Tell func(format string, args ...any)
}

// Project is a motion or a show that follows its files on disk.
type Project struct {
	folder *folder
	file   string // from the folder on
	make   maker

	mu       sync.Mutex
	listing  listing
	motions  []*motion
	docFiles map[string]stamp // that the listing was read from
	problems sequence.Problems
	body     []byte // Listing as JSON
	hearers  map[chan []byte]bool
	used     []*take     // those that hold curves, the last used one at the end
	waves    []*waveform // of sounds, the last used one at the end

	proposals []*proposal       // one a motion at most
	boxes     map[*mailbox]bool // of the pages
	patience  time.Duration     // that a proposal stays when nobody asks for it
	first     time.Duration     // that a request waits for a motion that is worked out for the first time

	drafts  map[string]*draft // by their files, from the folder on
	beside  []string          // files of other versions that were kept, which are motions, too
	history atomic.Int64      // bytes of the histories of all drafts
	rig     rigFile
	woken   chan struct{} // has Follow look again

	heavy   chan struct{} // the turn of a motion with large documents
	errands errands
}

// motion is one motion of the project.
type motion struct {
	name, file string
	loops      bool

	// Guarded by the project's lock.
	files    map[string]stamp // that were read last
	loaded   bool
	take     *take
	problems sequence.Problems
	first    chan struct{} // closed when it was worked out for the first time
}

// listing is what the project tells of itself.
type listing struct {
	Title    string    `json:"title"`
	Kind     string    `json:"kind"`
	File     string    `json:"file"`
	Revision string    `json:"revision"`
	Motions  []entry   `json:"motions"`
	Problems []Problem `json:"problems"`
}

// entry is one motion in the listing.
type entry struct {
	Name     string `json:"name"`
	Title    string `json:"title"`
	File     string `json:"file"`
	Revision string `json:"revision"`
	State    string `json:"state"`
	Passes   bool   `json:"passes"`
	Errors   int    `json:"errors"`
	Warnings int    `json:"warnings"`
	Length   figure `json:"length"`
	textState
	Proposal *string `json:"proposal"` // that there is for it; null: none
}

// Open opens the project of a motion or show file. Only files in the folder are
// read; an empty folder is that of the file. An error says that there is nothing to
// follow; mistakes in the files are no error.
func Open(folder, file string, o Options) (*Project, error) {
	if folder == "" {
		folder = filepath.Dir(file)
	}
	f, err := openFolder(folder)
	if err != nil {
		return nil, err
	}
	p := &Project{folder: f, hearers: map[chan []byte]bool{}, make: maker{links: o.Links, tell: o.Tell, salt: []byte(rand.Text())}, heavy: make(chan struct{}, 1),
		drafts: map[string]*draft{}, boxes: map[*mailbox]bool{}, patience: proposalPatience, first: firstPatience, woken: make(chan struct{}, 1)}
	if p.make.links == nil {
		p.make.links = func(*sequence.Rig) []check.Link { return nil }
	}
	if p.make.tell == nil {
		p.make.tell = func(string, ...any) {}
	}
	p.errands.begin(p.make.tell)
	if err := p.find(file); err != nil {
		p.Close()
		return nil, err
	}
	return p, nil
}

// find sees whether the file is there and may be shown.
func (p *Project) find(file string) error {
	abs, err := filepath.Abs(file)
	if err != nil {
		return fmt.Errorf("%s cannot be read: %w", file, err)
	}
	if p.file, err = p.folder.local(abs); err != nil {
		return fmt.Errorf("%s: %w", file, reason(err))
	}
	r := p.snapshot().reading()
	doc, err := p.read(r)
	if _, gone := os.Stat(file); errors.Is(gone, fs.ErrNotExist) {
		return fmt.Errorf("there is no file %s", file)
	}
	if r.files[p.file].missing {
		return sequence.AsProblems(err)
	}
	if _, rig := doc.(*sequence.Rig); rig && err == nil {
		return sequence.Problems{{At: sequence.Pos{File: file, Line: 1, Column: 1}, Text: "this is a rig, not a motion or a show", Hint: "name a motion file; one begins with motion: and its name"}}
	}
	p.list(doc, err, r.files)
	return nil
}

// Close calls off what is still being worked out, saves what is not saved yet and lets
// go of the folder. Follow must have ended.
func (p *Project) Close() {
	p.errands.close()
	p.closeDrafts()
	p.folder.close()
}

// read reads the project's file.
func (p *Project) read(r *reading) (doc sequence.Document, err error) {
	defer p.make.caught(p.file, &err)
	return sequence.Load(r.open, p.file)
}

// list takes in what the project's file says: its motions, and what is wrong.
func (p *Project) list(doc sequence.Document, err error, files map[string]stamp) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.docFiles = files
	p.problems = placed(sequence.AsProblems(err), p.file)
	p.listing.File = filepath.ToSlash(p.file)
	switch d := doc.(type) {
	case *sequence.Show:
		p.listing.Kind = "show"
		if d.Name != "" {
			p.listing.Title = d.Name
		}
		if len(d.Motions) > 0 || err == nil {
			p.setMotions(p.showMotions(d))
		}
	default:
		if _, motion := doc.(*sequence.Script); motion {
			p.listing.Kind = "motion" // it may have been a show
		} else if p.listing.Kind == "" {
			p.listing.Kind = kindByName(p.file)
		}
		if p.listing.Kind == "motion" {
			p.problems = nil // the motion's own load tells them
			p.setMotions([]*motion{{name: motionName(p.file), file: p.file}})
		}
	}
	p.publish()
}

// mostMotions bounds the motions of a show.
const mostMotions = 500

// showMotions gives the motions of a show. The lock is held.
func (p *Project) showMotions(s *sequence.Show) []*motion {
	var list []*motion
	for _, m := range s.Motions {
		if len(list) == mostMotions {
			p.problems = append(p.problems, sequence.Problem{At: m.At, Text: fmt.Sprintf("the show has %d motions; the page takes %d", len(s.Motions), mostMotions), Hint: "preview the motion by itself"})
			break
		}
		if m.File != "" {
			list = append(list, &motion{name: m.Name, file: m.File, loops: m.Loop})
		}
	}
	return list
}

// kindByName tells the kind of a file that cannot be read.
func kindByName(file string) string {
	if strings.HasSuffix(file, ".show.yaml") || strings.HasSuffix(file, ".show.yml") {
		return "show"
	}
	return "motion"
}

// motionName gives the name of a motion that no show names.
func motionName(file string) string {
	base := filepath.Base(file)
	for _, ending := range []string{".motion.yaml", ".motion.yml", ".yaml", ".yml"} {
		if name, ok := strings.CutSuffix(base, ending); ok && name != "" {
			return name
		}
	}
	return base
}

// setMotions takes in a list of motions; those that stay keep what is known of them.
func (p *Project) setMotions(list []*motion) {
	for _, file := range p.beside {
		list = append(list, &motion{name: motionName(file), file: file})
	}
	for i, m := range list {
		at := slices.IndexFunc(p.motions, func(o *motion) bool { return o.name == m.name && o.file == m.file && o.loops == m.loops })
		if at >= 0 {
			list[i] = p.motions[at]
		} else {
			m.first = make(chan struct{})
		}
	}
	for _, o := range p.motions {
		if !slices.Contains(list, o) {
			p.retire(o.take)
		}
	}
	p.motions = list
	p.retireWaves()
}

// publish tells everyone what the project is now. The lock is held.
func (p *Project) publish() {
	p.partStale()
	l := p.listing
	l.Revision, l.Motions = "", []entry{}
	problems := slices.Clone(p.problems)
	for _, m := range p.motions {
		e := m.entry()
		e.textState = p.textState(m)
		if pr := p.proposalOf(m); pr != nil {
			e.Proposal = &pr.id
		}
		l.Motions = append(l.Motions, e)
		problems = append(problems, m.problems...)
	}
	l.Problems = problemsOf(distinct(problems))
	if l.Kind == "motion" && len(l.Motions) > 0 {
		l.Title = l.Motions[0].Title
	}
	if l.Title == "" {
		l.Title = l.File
	}
	body, err := json.Marshal(l)
	if err != nil {
		p.make.tell("internal error: the project cannot be described: %v", err)
		return
	}
	sum := sha256.Sum256(body)
	l.Revision = hex.EncodeToString(sum[:8])
	if body, err = json.Marshal(l); err != nil || string(body) == string(p.body) {
		return
	}
	p.listing, p.body = l, body
	for c := range p.hearers {
		newest(c, body)
	}
}

// placed gives problems without a place that of a file.
func placed(list sequence.Problems, file string) sequence.Problems {
	list = slices.Clone(list)
	for i := range list {
		if list[i].At.File == "" {
			list[i].At.File = file
		}
	}
	return list
}

// newest puts a message in the place of one that was not taken yet.
func newest(c chan []byte, body []byte) {
	select {
	case <-c:
	default:
	}
	c <- body // the project's lock is held: nobody else puts anything there
}

// distinct leaves out what is said twice, as of a rig that several motions share.
func distinct(list sequence.Problems) sequence.Problems {
	seen := map[sequence.Problem]bool{}
	return slices.DeleteFunc(list, func(p sequence.Problem) bool {
		known := seen[p]
		seen[p] = true
		return known
	})
}

// entry describes a motion. The lock is held.
func (m *motion) entry() entry {
	e := entry{Name: m.name, Title: m.name, File: filepath.ToSlash(m.file), State: stateGood}
	switch {
	case !m.loaded:
		e.State = stateLoading
	case m.take == nil:
		e.State = stateAbsent
	case len(m.problems) > 0:
		e.State = stateBroken
	}
	if t := m.take; t != nil {
		e.Title, e.Revision, e.Length = t.title, t.revision, figure(t.perf.Length)
		e.Errors, e.Warnings = t.report.Count(check.Error), t.report.Count(check.Warning)
		e.Passes = t.report.OK() && e.State == stateGood
	}
	return e
}

// Hear gives a channel that has the newest listing as JSON, at once and after each
// change; what was not taken is replaced. leave ends it.
func (p *Project) Hear() (news <-chan []byte, leave func()) {
	c := make(chan []byte, 1)
	p.mu.Lock()
	defer p.mu.Unlock()
	p.hearers[c] = true
	c <- p.body
	return c, func() {
		p.mu.Lock()
		defer p.mu.Unlock()
		delete(p.hearers, c)
	}
}

// Listing gives the project as JSON, and its revision.
func (p *Project) Listing() (body []byte, revision string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.body, p.listing.Revision
}

// Follow loads the motions and then follows the files, until ctx ends.
func (p *Project) Follow(ctx context.Context) {
	w := newWatcher(p.folder)
	defer w.close()
	p.tidy()
	for ctx.Err() == nil {
		work, cancel := context.WithCancel(ctx)
		now, done := p.snapshot(), make(chan struct{})
		go func() {
			defer close(done)
			p.load(work, now)
			now.forget()
		}()
		p.awaitChange(ctx, w, now, done)
		cancel()
		<-done
	}
}

// awaitChange returns when a file is not as a snapshot has it, from which the
// motions are loaded.
func (p *Project) awaitChange(ctx context.Context, w *watcher, from *snapshot, loaded <-chan struct{}) {
	for tries := 0; ; {
		files := from.looked()
		w.watch(slices.Sorted(maps.Keys(files)))
		if p.meetDisk() && tries < emptyTries {
			tries++
			pause(ctx, emptyPause)
			continue
		}
		now := p.snapshot()
		if !now.same(files) {
			if now.emptied(files) && tries < emptyTries {
				tries++ // an editor may be about to fill it
				pause(ctx, emptyPause)
				continue
			}
			return
		}
		tries = 0
		select {
		case <-loaded:
			loaded = nil // now all names are known
		case <-w.changes:
		case <-p.woken:
		case <-ctx.Done():
			return
		}
	}
}

// emptyTries is how often a file that was emptied is looked at again before that is
// taken for its new state: some programs empty a file before they write it.
const (
	emptyTries = 32
	emptyPause = 5 * time.Millisecond
)

func pause(ctx context.Context, d time.Duration) {
	select {
	case <-ctx.Done():
	case <-time.After(d):
	}
}

// load reads what has changed. The project's own file comes first only where it may
// name other motions now: reading it means reading all that it names.
func (p *Project) load(ctx context.Context, now *snapshot) {
	if p.renames(now) && !p.relist(ctx, now) {
		return
	}
	p.reloadAll(ctx, now)
	if !p.listed(now) && p.relist(ctx, now) {
		p.reloadAll(ctx, now) // what was a motion may have become a show
	}
}

// renames reports whether the project is a show whose own file has changed.
func (p *Project) renames(now *snapshot) bool {
	p.mu.Lock()
	show, was := p.listing.Kind == "show", p.docFiles[p.file]
	p.mu.Unlock()
	return show && now.stamp(p.file) != was
}

// listed reports whether the list of motions is that of the files. A single motion
// that is in order is one.
func (p *Project) listed(now *snapshot) bool {
	p.mu.Lock()
	if p.listing.Kind == "motion" && len(p.motions) == 1 && p.motions[0].loaded && len(p.motions[0].problems) == 0 {
		p.docFiles = p.motions[0].files
	}
	files := p.docFiles
	p.mu.Unlock()
	return now.same(files)
}

// relist reads the project's own file, and reports whether that was still wanted.
func (p *Project) relist(ctx context.Context, now *snapshot) bool {
	r := now.reading()
	doc, err := p.read(r)
	if !now.settles(ctx) {
		return false
	}
	p.list(doc, err, r.files)
	return true
}

// reloadAll works out the motions whose files have changed, side by side.
func (p *Project) reloadAll(ctx context.Context, now *snapshot) {
	type version struct {
		loaded bool
		files  map[string]stamp
	}
	p.mu.Lock()
	motions := slices.Clone(p.motions)
	have := make(map[*motion]version, len(motions))
	for _, m := range motions { // a change that comes puts another version there
		have[m] = version{m.loaded, m.files}
	}
	p.mu.Unlock()
	var wait sync.WaitGroup
	places := make(chan struct{}, runtime.GOMAXPROCS(0))
	for _, m := range motions {
		if v := have[m]; v.loaded && now.same(v.files) {
			continue
		}
		places <- struct{}{}
		wait.Go(func() {
			defer func() { <-places }()
			p.reload(ctx, now, m, places)
		})
	}
	wait.Wait()
}

// reload works one motion out anew. It holds one of places, but not while it waits for
// its turn to be heavy.
func (p *Project) reload(ctx context.Context, now *snapshot, m *motion, places chan struct{}) {
	limited, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	patience := time.AfterFunc(buildPatience, func() { cancel(errTooLong) })
	defer patience.Stop()
	r := now.reading()
	r.turn = &turn{place: p.heavy, ctx: ctx, wait: func(waiting bool) {
		if waiting {
			patience.Stop()
			<-places
		} else {
			places <- struct{}{}
			patience.Reset(buildPatience)
		}
	}}
	defer r.turn.leave()
	p.mu.Lock()
	last := m.take
	p.mu.Unlock()
	t, err := p.make.load(limited, r, m, p.room(m), last)
	if errors.Is(err, errStopped) || err != nil && ctx.Err() != nil || !now.settles(ctx) {
		return
	}
	if p.put(m, t, r.files, err) && err == nil {
		p.adopt(m, t, r)
	}
}

// put takes in what a motion has come to, and reports whether that was still wanted.
func (p *Project) put(m *motion, t *take, files map[string]stamp, err error) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	if d := p.draftBy(m.file); d != nil && d.shown.rules && d.shown.stamp != files[m.file] {
		return false // the draft is newer
	}
	m.files, m.problems = files, placed(sequence.AsProblems(err), m.file)
	if err == nil {
		p.retire(m.take)
		m.take = t
		p.keep(t)
		p.retireWaves()
	}
	if !m.loaded {
		m.loaded = true
		close(m.first)
	}
	p.publish()
	return true
}

// room gives the pieces of curve that a motion may have beside the others.
func (p *Project) room(m *motion) float64 {
	p.mu.Lock()
	defer p.mu.Unlock()
	room := float64(mostAllParts)
	for _, o := range p.motions {
		if o != m && o.take != nil {
			room -= o.take.parts
		}
	}
	for _, pr := range p.proposals {
		if pr.motion != m && pr.outcome != nil {
			room -= pr.outcome.take.parts
		}
	}
	return min(room, mostParts)
}

// keep notes that a take's curves were used, and lets go of those that were used
// longest ago where all together hold too much. The lock is held.
func (p *Project) keep(t *take) {
	p.forget(t)
	p.used = append(p.used, t)
	total := 0
	for i := len(p.used) - 1; i >= 0; i-- {
		total += 4 * p.used[i].layout.samples * p.used[i].layout.count
		if total > curveBudget && i < len(p.used)-1 {
			for _, old := range p.used[:i+1] {
				old.letGo()
			}
			p.used = slices.Clone(p.used[i+1:])
			return
		}
	}
}

func (p *Project) forget(t *take) {
	p.used = slices.DeleteFunc(p.used, func(o *take) bool { return o == t })
}

// retire takes leave of a take in whose place there is another one, or none.
func (p *Project) retire(t *take) {
	if t != nil {
		p.forget(t)
		t.retire()
	}
}

// What keeps a motion, or a part of it, from being given.
var (
	errNoMotion = errors.New("no such motion")
	errWaiting  = errors.New("not worked out yet")
	errGone     = errors.New("there is a newer version")
)

// absent is the error of a motion that has never been in order.
type absent struct{ problems []Problem }

func (absent) Error() string { return "there is no good version" }

// takeOf gives the last good version of a motion; where it is being worked out for
// the first time, it waits until ctx ends, and firstPatience at most.
func (p *Project) takeOf(ctx context.Context, name string) (*take, error) {
	p.mu.Lock()
	m, most := p.motionOf(name), p.first
	p.mu.Unlock()
	if m == nil {
		return nil, errNoMotion
	}
	ctx, cancel := context.WithTimeout(ctx, most)
	defer cancel()
	select {
	case <-m.first:
	case <-ctx.Done():
		return nil, errWaiting
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if m.take == nil {
		return nil, absent{problemsOf(m.problems)}
	}
	return m.take, nil
}

// motionOf gives the motion of a name; nil: there is none. The lock is held.
func (p *Project) motionOf(name string) *motion {
	if i := slices.IndexFunc(p.motions, func(m *motion) bool { return m.name == name }); i >= 0 {
		return p.motions[i]
	}
	return nil
}

// names gives the names of the motions.
func (p *Project) names() []string {
	p.mu.Lock()
	defer p.mu.Unlock()
	var names []string
	for _, m := range p.motions {
		names = append(names, m.name)
	}
	return names
}

// use notes that a take's curves were asked for.
func (p *Project) use(t *take) {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, m := range p.motions {
		if m.take == t {
			p.keep(t)
		}
	}
	for _, pr := range p.proposals {
		if pr.outcome != nil && pr.outcome.take == t {
			p.keep(t)
		}
	}
}
