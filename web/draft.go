package web

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"sync"
	"time"

	"limberjack/sequence"
)

// Times and bounds of drafts.
const (
	saveAfter   = 500 * time.Millisecond // from the first change that is not saved
	saveAgain   = 2 * time.Second        // after writing has failed
	mostHistory = 64 << 20               // bytes of all steps of a project that can be undone or redone
	spliceCost  = 96                     // bytes that a step takes beside its texts
)

// splice is one step of a history: at an offset, a text was put in the place of
// another one.
type splice struct {
	offset       int
	removed, put []byte
}

// spliceOf gives the step from one text to another.
func spliceOf(from, to []byte) splice {
	short := min(len(from), len(to))
	head := 0
	for head < short && from[head] == to[head] {
		head++
	}
	tail := 0
	for tail < short-head && from[len(from)-1-tail] == to[len(to)-1-tail] {
		tail++
	}
	return splice{head, bytes.Clone(from[head : len(from)-tail]), bytes.Clone(to[head : len(to)-tail])}
}

func (s splice) redo(text []byte) []byte { return s.swap(text, s.removed, s.put) }

func (s splice) undo(text []byte) []byte { return s.swap(text, s.put, s.removed) }

func (s splice) swap(text, old, new []byte) []byte {
	out := make([]byte, 0, len(text)-len(old)+len(new))
	out = append(out, text[:s.offset]...)
	out = append(out, new...)
	return append(out, text[s.offset+len(old):]...)
}

func (s splice) cost() int { return len(s.removed) + len(s.put) + spliceCost }

// textState is what everyone may know of the text of a motion.
type textState struct {
	Text     string    `json:"text"` // its revision
	Undo     int       `json:"undo"`
	Redo     int       `json:"redo"`
	Saved    bool      `json:"saved"`
	Conflict *conflict `json:"conflict"`
	Trouble  string    `json:"trouble"` // why it cannot be saved
}

// conflict is two versions of a motion that are kept side by side.
type conflict struct {
	File string `json:"file"` // of the version that does not rule
	At   string `json:"at"`   // RFC 3339

	mine bool // it is the page's version that stands there
}

// display is a draft as the project shows it.
type display struct {
	state textState
	text  []byte // never changed in place
	stamp stamp
	rules bool // the draft stands for the file; else the file on disk does
}

// draft is the text of a motion file as it is being changed.
type draft struct {
	project *Project
	name    string // of the file, from the folder on

	disk  sync.Mutex // held while the file is read or written; taken before mu
	known stamp      // of the file as it was last read or written; guarded by disk
	empty int        // looks at the file that found it emptied; guarded by disk

	mu         sync.Mutex // taken before the project's
	text       []byte     // never changed in place
	manuscript *sequence.Manuscript
	before     *sequence.Manuscript // the open step begins from it
	open       string               // the newest step, where it may go on
	past       []splice             // the newest last
	future     []splice             // what was undone last is last
	saved      bool
	follows    bool // the file has changed on disk and rules, once it is in order
	conflict   *conflict
	trouble    string
	callOff    context.CancelCauseFunc // of the change that is being worked out
	turn       int                     // counts changes that were begun
	timer      *time.Timer             // that saves
	closed     bool

	shown display // guarded by the project's lock
}

// What keeps a change from being made.
var errOvertaken = errors.New("a newer change came")

// another says that a change was made for another version than the current one.
type another struct{ current string }

func (another) Error() string { return "the text is another version" }

// disorder says that the files on disk have errors.
type disorder struct{ problems []Problem }

func (disorder) Error() string { return "the files on disk are not in order" }

// textRevision names a text.
func (m *maker) textRevision(st stamp) string {
	return m.revision(map[string]stamp{"": st}, false)
}

func stampOf(text []byte) stamp { return stamp{size: int64(len(text)), sum: sha256.Sum256(text)} }

// draftOf gives the draft of a motion, a new one where there is none yet.
func (p *Project) draftOf(m *motion, t *take) (*draft, error) {
	name, err := p.folder.local(m.file)
	if err != nil {
		return nil, disorder{[]Problem{{File: m.file, Text: plain(err)}}}
	}
	p.mu.Lock()
	d := p.drafts[name]
	p.mu.Unlock()
	if d != nil {
		return d, nil
	}
	text, st, err := p.folder.read(name)
	if err != nil {
		return nil, disorder{[]Problem{{File: m.file, Text: "the file cannot be read: " + plain(err), Hint: "see that it is there, and may be read"}}}
	}
	if st != t.files[m.file] { // it has changed, and will be followed soon
		return nil, another{p.make.textRevision(st)}
	}
	d = &draft{project: p, name: name, known: st, text: text, saved: true}
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.drafts[name] == nil {
		d.shown = display{d.state(), text, st, true}
		p.drafts[name] = d
	}
	return p.drafts[name], nil
}

// state tells of the draft. Its lock is held.
func (d *draft) state() textState {
	return textState{d.project.make.textRevision(stampOf(d.text)), len(d.past), len(d.future), d.saved, d.conflict, d.trouble}
}

// show has the project show the draft as it is. Both locks are held; publishing is the
// caller's.
func (d *draft) show() { d.shown = display{d.state(), d.text, stampOf(d.text), !d.follows} }

// tell shows the draft to everyone. Its lock is held.
func (d *draft) tell() {
	d.project.mu.Lock()
	defer d.project.mu.Unlock()
	d.show()
	d.project.publish()
}

// written gives the text ready to be changed; script is a version of it. The lock is
// held.
func (d *draft) written(script *sequence.Script) (m *sequence.Manuscript, err error) {
	defer d.project.make.caught(d.name, &err)
	if d.manuscript == nil {
		d.manuscript, err = d.read(d.text, script)
	}
	return d.manuscript, err
}

// read reads a text of the draft, which may name another pace file than the script has.
func (d *draft) read(text []byte, script *sequence.Script) (*sequence.Manuscript, error) {
	return sequence.OpenManuscript(text, script, d.project.openBeside(nil))
}

// plan is what a change makes of a draft: the text that comes, and how the history
// takes it in.
type plan struct {
	next   *sequence.Manuscript
	commit func() error // the draft's lock is held; an error says that nothing is changed
}

// planner works a change out from a draft whose lock is held; script is the version
// that is served.
type planner func(d *draft, script *sequence.Script) (plan, error)

// changing plans a list of changes as a step; the step that is open goes on where it
// has the same name.
func changing(step string, changes []sequence.Change) planner {
	return func(d *draft, script *sequence.Script) (out plan, err error) {
		defer d.project.make.caught(d.name, &err)
		now, err := d.written(script)
		if err != nil {
			return out, err
		}
		again := d.open == step && d.before != nil && len(d.past) > 0
		if again {
			now = d.before
		}
		next, err := now.Change(changes)
		if err != nil {
			return out, err
		}
		return plan{next, func() error {
			if again {
				d.pop(&d.past)
			}
			d.before, d.open = now, step
			if bytes.Equal(now.Text, next.Text) {
				d.before, d.open = nil, ""
			} else {
				d.push(&d.past, spliceOf(now.Text, next.Text))
				d.drop(&d.future)
			}
			d.take(next)
			return nil
		}}, nil
	}
}

// replacing plans another text as a step of its own.
func replacing(text []byte) planner { return replacingWith(text, nil) }

// replacingWith is replacing with a text that a new pace file comes with.
func replacingWith(text []byte, pace *paceFile) planner {
	return func(d *draft, script *sequence.Script) (out plan, err error) {
		defer d.project.make.caught(d.name, &err)
		next, err := sequence.OpenManuscript(text, script, d.project.openBeside(pace))
		if err != nil {
			return out, err
		}
		return plan{next, func() error {
			if !bytes.Equal(d.text, text) {
				d.push(&d.past, spliceOf(d.text, text))
				d.drop(&d.future)
			}
			d.shut()
			d.take(next)
			return nil
		}}, nil
	}
}

// undoing and redoing plan a way through the history.
func undoing(d *draft, script *sequence.Script) (plan, error) {
	return d.travel(script, "there is nothing to undo", &d.past, &d.future, splice.undo)
}

func redoing(d *draft, script *sequence.Script) (plan, error) {
	return d.travel(script, "there is nothing to redo", &d.future, &d.past, splice.redo)
}

func (d *draft) travel(script *sequence.Script, none string, from, to *[]splice, swap func(splice, []byte) []byte) (out plan, err error) {
	defer d.project.make.caught(d.name, &err)
	if len(*from) == 0 {
		return out, sequence.Problems{{At: sequence.Pos{File: d.name}, Text: none}}
	}
	step := (*from)[len(*from)-1]
	next, err := d.read(swap(step, d.text), script)
	if err != nil {
		return out, err
	}
	return plan{next, func() error {
		d.pop(from)
		d.push(to, step)
		d.shut()
		d.take(next)
		return nil
	}}, nil
}

// shut ends the open step. The lock is held.
func (d *draft) shut() { d.before, d.open = nil, "" }

// take takes a text in. The lock is held.
func (d *draft) take(m *sequence.Manuscript) {
	d.manuscript, d.text = m, m.Text
}

// push puts a step into the history, of which the oldest go where all are too much.
// The lock is held.
func (d *draft) push(list *[]splice, s splice) {
	*list = append(*list, s)
	cost := &d.project.history
	cost.Add(int64(s.cost()))
	for cost.Load() > mostHistory && len(d.past) > 1 {
		cost.Add(-int64(d.past[0].cost()))
		d.past[0] = splice{}
		d.past = d.past[1:]
	}
}

func (d *draft) pop(list *[]splice) {
	last := len(*list) - 1
	d.project.history.Add(-int64((*list)[last].cost()))
	(*list)[last] = splice{}
	*list = (*list)[:last]
}

func (d *draft) drop(list *[]splice) {
	for len(*list) > 0 {
		d.pop(list)
	}
}

// write makes a change to a motion and gives the take that comes of it, with the one
// before it. Where a newer one comes while this one is being worked out, nothing is
// changed.
func (p *Project) write(ctx context.Context, name, base string, make planner) (now, was *take, state textState, err error) {
	t, err := p.takeOf(ctx, name)
	if err != nil {
		return nil, nil, state, err
	}
	m, d, err := p.writable(name, t)
	if err != nil {
		return nil, nil, state, err
	}
	d.mu.Lock()
	if err = d.current(base); err != nil {
		d.mu.Unlock()
		return nil, nil, state, err
	}
	next, err := make(d, t.perf.Script)
	if err != nil {
		d.mu.Unlock()
		return nil, nil, state, err
	}
	ctx, turn := d.begin(ctx)
	d.mu.Unlock()
	if now, err = p.edited(ctx, m, t, next.next); err != nil {
		if errors.Is(context.Cause(ctx), errOvertaken) {
			err = errOvertaken
		}
		return nil, nil, state, err
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.turn != turn {
		return nil, nil, state, errOvertaken
	}
	unsaved, open, before := !d.saved, d.open, d.text
	if err = next.commit(); err != nil {
		return nil, nil, state, err
	}
	d.saved = !unsaved && bytes.Equal(before, d.text)
	if !d.saved {
		d.saveSoon(unsaved && d.open != open) // at once where a step has ended
	}
	was = p.install(d, m, now)
	return now, was, d.state(), nil
}

// begin calls off the change that is being worked out, for a new one. The lock is
// held.
func (d *draft) begin(ctx context.Context) (context.Context, int) {
	d.overtake()
	ctx, d.callOff = context.WithCancelCause(ctx)
	return ctx, d.turn
}

func (d *draft) overtake() {
	d.turn++
	if d.callOff != nil {
		d.callOff(errOvertaken)
		d.callOff = nil
	}
}

// current refuses a change that was made for another version. The lock is held.
func (d *draft) current(base string) error {
	if d.follows {
		return disorder{[]Problem{{File: d.name, Text: "the file has changed on disk, and is not taken in yet", Hint: "try again when the page shows it"}}}
	}
	if now := d.state().Text; base != now {
		return another{now}
	}
	return nil
}

// writable gives a motion whose files are in order, and its draft.
func (p *Project) writable(name string, t *take) (*motion, *draft, error) {
	p.mu.Lock()
	m := p.motionOf(name)
	var problems sequence.Problems
	if m != nil {
		problems = m.problems
	}
	p.mu.Unlock()
	switch {
	case m == nil:
		return nil, nil, errNoMotion
	case len(problems) > 0:
		return nil, nil, disorder{problemsOf(problems)}
	}
	d, err := p.draftOf(m, t)
	return m, d, err
}

// edited makes the take of a changed text. Nothing but the text differs from the
// files that the last take was read from.
func (p *Project) edited(ctx context.Context, m *motion, last *take, text *sequence.Manuscript) (*take, error) {
	ctx, cancel := context.WithTimeoutCause(ctx, buildPatience, errTooLong)
	defer cancel()
	return p.remade(ctx, stopOf(ctx), m, last, text)
}

// remade is edited until stop says so.
func (p *Project) remade(ctx context.Context, stop func() bool, m *motion, last *take, text *sequence.Manuscript) (t *take, err error) {
	defer p.make.caught(m.file, &err)
	files := p.paced(with(last.files, m.file, stampOf(text.Text)), text.Script)
	return p.make.finish(ctx, stop, text.Script, files, m, p.room(m), last)
}

// with gives stamps with another one of a file.
func with(files map[string]stamp, name string, st stamp) map[string]stamp {
	out := make(map[string]stamp, len(files)+1)
	for n, s := range files {
		out[n] = s
	}
	out[name] = st
	return out
}

// install puts a take of a draft in the place of the one that was served, which it
// gives. The draft's lock is held.
func (p *Project) install(d *draft, m *motion, t *take) (was *take) {
	p.mu.Lock()
	defer p.mu.Unlock()
	was = m.take
	p.retire(m.take)
	m.take, m.files, m.problems = t, t.files, nil
	p.keep(t)
	p.retireWaves()
	if _, ok := p.docFiles[m.file]; ok { // else the project's own file would be read anew
		p.docFiles = with(p.docFiles, m.file, t.files[m.file])
	}
	d.show()
	p.publish()
	for _, o := range p.motions {
		if o != m && o.file == m.file {
			p.wake() // another motion has this text, too
		}
	}
	return was
}

// wake has Follow look again.
func (p *Project) wake() {
	select {
	case p.woken <- struct{}{}:
	default:
	}
}

// notSaved says why a file could not be written.
type notSaved struct{ why string }

func (n notSaved) Error() string { return n.why }

// saveNow ends the open step of a motion and writes its file.
func (p *Project) saveNow(ctx context.Context, name, base string) (state textState, revision string, err error) {
	t, err := p.takeOf(ctx, name)
	if err != nil {
		return state, "", err
	}
	_, d, err := p.writable(name, t)
	if err != nil {
		return state, "", err
	}
	d.mu.Lock()
	if err = d.current(base); err == nil {
		d.shut()
	}
	d.mu.Unlock()
	if err != nil {
		return state, "", err
	}
	if err := d.save(); err != nil {
		return state, "", notSaved{"the file " + d.name + " cannot be written: " + plain(err)}
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.state(), t.revision, nil
}
