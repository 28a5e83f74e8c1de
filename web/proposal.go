package web

import (
	"bytes"
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"slices"
	"strings"
	"time"

	"limberjack/interp/check"
	"limberjack/interp/mend"
	"limberjack/sequence"
)

// Bounds of proposals.
const (
	mostProposals    = 8                // at once, one a motion
	proposalPatience = 10 * time.Minute // that one stays when nobody asks for it
	restEvery        = 100 * time.Millisecond
)

// The states of a proposal.
const (
	proposalWorking = "working"
	proposalReady   = "ready"
	proposalRefused = "refused"
	proposalGone    = "gone"
)

// errProposals says that there are too many proposals.
var errProposals = errors.New("too many proposals")

// figures are what a proposal changes; those of a take are nil where it is none.
type figures struct {
	LengthBefore   figure `json:"lengthBefore"` // s
	LengthAfter    figure `json:"lengthAfter"`
	ErrorsBefore   int    `json:"errorsBefore"`
	ErrorsAfter    int    `json:"errorsAfter"`
	WarningsBefore int    `json:"warningsBefore"`
	WarningsAfter  int    `json:"warningsAfter"`
	*TakeFigures
	*ShapeFigures
}

// telling is what every page is told of a proposal.
type telling struct {
	Type     string    `json:"type"` // "proposal"
	Motion   string    `json:"motion"`
	ID       string    `json:"id"`
	Kind     string    `json:"kind"`
	State    string    `json:"state"`
	Text     string    `json:"text"`
	Base     string    `json:"base"` // revision of the motion's text that it starts from
	Figures  *figures  `json:"figures,omitempty"`
	Problems []Problem `json:"problems,omitempty"` // why it is refused, or what stays wrong
}

// paceFile is a file that comes with a proposed text.
type paceFile struct {
	name string // from the folder on, also where the motion is named by its whole path
	text []byte
}

// outcome is what the work on a proposal comes to.
type outcome struct {
	text  []byte // of the motion
	pace  *paceFile
	take  *take
	told  string
	more  figures // what is beside lengths and counts
	left  []Problem
	lines []hunk
}

// proposal is a text for a motion that may be taken over, or not. It never changes, but
// for what its work comes to.
type proposal struct {
	id, kind string
	motion   *motion
	from     *take // that was served when it was asked for
	base     string
	ctx      context.Context
	callOff  context.CancelFunc

	// Guarded by the project's lock.
	state    string
	told     telling
	outcome  *outcome
	accepted bool
	timer    *time.Timer // that has it go
}

// planned works a new text of a motion out from the one that is there.
type planned func(m *sequence.Manuscript, from *take, stop func() bool) (*outcome, error)

// propose begins the work on a proposal. busy reports whether something else needs the
// processors more.
func (p *Project) propose(ctx context.Context, name, base, kind string, busy func() bool, plan planned) (id string, err error) {
	t, err := p.takeOf(ctx, name)
	if err != nil {
		return "", err
	}
	m, d, err := p.writable(name, t)
	if err != nil {
		return "", err
	}
	d.mu.Lock()
	var text *sequence.Manuscript
	if err = d.current(base); err == nil {
		text, err = d.written(t.perf.Script)
	}
	d.mu.Unlock()
	if err != nil {
		return "", err
	}
	pr := &proposal{id: rand.Text()[:16], kind: kind, motion: m, from: t, base: base}
	pr.ctx, pr.callOff = context.WithCancel(p.errands.ctx)
	p.mu.Lock()
	defer p.mu.Unlock()
	if m.take != t {
		return "", another{p.textState(m).Text}
	}
	if err := p.enter(pr); err != nil {
		pr.callOff()
		return "", err
	}
	var out *outcome
	var why error
	p.errands.sendResting(pr.ctx, busy, func(stop func() bool) ([]byte, error) {
		out, why = p.workOut(pr, text, plan, stop)
		return []byte{}, why
	}, func(body []byte) {
		if why == nil && out == nil {
			why = errFault // it has crashed, or was called off
		}
		p.over(pr, out, why)
	})
	return pr.id, nil
}

// enter takes a proposal in, in the place of one for the same motion. The lock is held.
func (p *Project) enter(pr *proposal) error {
	if old := p.proposalOf(pr.motion); old != nil {
		p.leave(old, "another proposal took its place")
	}
	if len(p.proposals) >= mostProposals {
		return errProposals
	}
	p.proposals = append(p.proposals, pr)
	pr.timer = time.AfterFunc(p.patience, func() {
		p.mu.Lock()
		defer p.mu.Unlock()
		p.leave(pr, "nobody has asked for it for "+timeText(p.patience))
		p.publish()
	})
	p.tellOf(pr, proposalWorking, "it is being worked out", nil, nil)
	p.publish()
	return nil
}

// timeText gives a time as people write it: whole minutes as such, else seconds.
func timeText(d time.Duration) string {
	if d >= time.Minute && d%time.Minute == 0 {
		return fmt.Sprintf("%d min", d/time.Minute)
	}
	return fmt.Sprintf("%v s", d.Seconds())
}

// proposalOf gives the proposal for a motion; nil: there is none. The lock is held.
func (p *Project) proposalOf(m *motion) *proposal {
	for _, pr := range p.proposals {
		if pr.motion == m {
			return pr
		}
	}
	return nil
}

// leave ends a proposal. The lock is held; publishing is the caller's.
func (p *Project) leave(pr *proposal, why string) {
	at := slices.Index(p.proposals, pr)
	if at < 0 {
		return
	}
	p.proposals = slices.Delete(p.proposals, at, at+1)
	pr.timer.Stop()
	pr.callOff()
	if pr.outcome != nil {
		p.retire(pr.outcome.take)
		pr.outcome = nil
	}
	p.tellOf(pr, proposalGone, why, nil, nil)
}

// partStale ends the proposals that start from what is no longer there. The lock is
// held.
func (p *Project) partStale() {
	for _, pr := range slices.Clone(p.proposals) {
		switch {
		case pr.accepted:
			p.leave(pr, "it was accepted")
		case !slices.Contains(p.motions, pr.motion) || pr.motion.take != pr.from || p.textState(pr.motion).Text != pr.base:
			p.leave(pr, "the motion has changed since it was asked for")
		}
	}
}

// workOut makes the take of what a plan proposes.
func (p *Project) workOut(pr *proposal, text *sequence.Manuscript, plan planned, stop func() bool) (out *outcome, err error) {
	defer p.make.caught(pr.motion.file, &err)
	if out, err = plan(text, pr.from, stop); err == nil {
		err = p.takeFor(pr, out, text, stop)
	}
	switch {
	case pr.ctx.Err() == nil && (errors.Is(err, mend.ErrStopped) || errors.Is(err, errStopped)):
		hint := "limberjack retime and limberjack shape take the time that they need"
		if pr.kind == kindTake {
			hint = "allow more tolerance, or record in parts"
		}
		return nil, sequence.Problems{{At: text.Script.At, Text: "working it out takes longer than the page waits for (" + timeText(buildPatience) + ")", Hint: hint}}
	case err != nil:
		return nil, err
	}
	out.lines = hunksOf(text.Text, out.text)
	was, now := pr.from, out.take
	out.more.LengthBefore, out.more.LengthAfter = figure(was.perf.Length), figure(now.perf.Length)
	out.more.ErrorsBefore, out.more.WarningsBefore = was.report.Count(check.Error), was.report.Count(check.Warning)
	out.more.ErrorsAfter, out.more.WarningsAfter = now.report.Count(check.Error), now.report.Count(check.Warning)
	out.told += "; " + out.more.findings()
	return out, nil
}

// takeFor makes the take of a text that is proposed. No change begins from it, so that what
// was measured of it is of no use to anyone.
func (p *Project) takeFor(pr *proposal, out *outcome, text *sequence.Manuscript, stop func() bool) error {
	next, err := sequence.OpenManuscript(out.text, text.Script, p.openBeside(out.pace))
	if err != nil {
		return err
	}
	if out.take, err = p.remade(pr.ctx, stop, pr.motion, pr.from, next); err != nil {
		return err
	}
	out.take.measures = nil
	return nil
}

// findings tells how many there are before and after.
func (f figures) findings() string {
	if f.ErrorsBefore == f.ErrorsAfter && f.WarningsBefore == f.WarningsAfter {
		return counted(f.ErrorsAfter, "error") + " and " + counted(f.WarningsAfter, "warning") + ", as before"
	}
	return fmt.Sprintf("%s and %s instead of %d and %d", counted(f.ErrorsAfter, "error"), counted(f.WarningsAfter, "warning"), f.ErrorsBefore, f.WarningsBefore)
}

func counted(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

// over takes in what the work has come to.
func (p *Project) over(pr *proposal, out *outcome, err error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if !slices.Contains(p.proposals, pr) {
		return // it is gone, and has said so
	}
	switch {
	case err == nil:
		pr.outcome = out
		p.keep(out.take)
		p.tellOf(pr, proposalReady, out.told, &out.more, out.left)
	case errors.Is(err, errFault):
		p.tellOf(pr, proposalRefused, "the program could not work it out", nil, []Problem{{File: pr.motion.file, Text: "internal error: the program could not work it out",
			Hint: "this is a fault of limberjack; what it says in its terminal helps to find it"}})
	default:
		problems := problemsOf(placed(sequence.AsProblems(err), pr.motion.file))
		p.tellOf(pr, proposalRefused, problems[0].Text, nil, problems)
	}
}

// tellOf tells every page what a proposal is now. The lock is held.
func (p *Project) tellOf(pr *proposal, state, text string, f *figures, problems []Problem) {
	pr.state = state
	pr.told = telling{"proposal", pr.motion.name, pr.id, pr.kind, state, text, pr.base, f, problems}
	body, err := json.Marshal(pr.told)
	if err != nil {
		panic(err) // texts, numbers and flags always marshal
	}
	for box := range p.boxes {
		box.put(pr.id, body)
	}
}

// mostLetters bounds what waits in a mailbox; a page that is so far behind asks anew.
const mostLetters = 64

// mailbox holds what one page has not heard yet of proposals: the newest of each.
type mailbox struct {
	ready   chan struct{} // holds one while there is something
	letters []letter      // guarded by the project's lock
}

type letter struct {
	id   string
	body []byte
}

// put puts a letter in, in the place of one of the same proposal. The project's lock is
// held.
func (b *mailbox) put(id string, body []byte) {
	b.letters = slices.DeleteFunc(b.letters, func(l letter) bool { return l.id == id })
	if len(b.letters) == mostLetters {
		b.letters = b.letters[1:]
	}
	b.letters = append(b.letters, letter{id, body})
	select {
	case b.ready <- struct{}{}:
	default:
	}
}

// hearProposals gives a mailbox that has what is told of proposals from now on, and
// what was told last of those that there are.
func (p *Project) hearProposals() (box *mailbox, leave func()) {
	box = &mailbox{ready: make(chan struct{}, 1)}
	p.mu.Lock()
	defer p.mu.Unlock()
	p.boxes[box] = true
	for _, pr := range p.proposals {
		if body, err := json.Marshal(pr.told); err == nil {
			box.put(pr.id, body)
		}
	}
	return box, func() {
		p.mu.Lock()
		defer p.mu.Unlock()
		delete(p.boxes, box)
	}
}

// letters empties a mailbox.
func (p *Project) lettersIn(box *mailbox) []letter {
	p.mu.Lock()
	defer p.mu.Unlock()
	list := box.letters
	box.letters = nil
	return list
}

// proposalBy gives a proposal by its address, and notes that somebody asked for it.
func (p *Project) proposalBy(name, id string) (*proposal, telling, *outcome) {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, pr := range p.proposals {
		if pr.id == id && pr.motion.name == name {
			pr.timer.Reset(p.patience)
			return pr, pr.told, pr.outcome
		}
	}
	return nil, telling{}, nil
}

// openBeside opens the pace files that texts name; one may come with a proposal.
func (p *Project) openBeside(with *paceFile) sequence.Open {
	return func(name string) (io.ReadCloser, error) {
		if local, err := p.folder.local(name); with != nil && err == nil && local == with.name {
			return io.NopCloser(bytes.NewReader(with.text)), nil
		}
		text, _, err := p.folder.read(name)
		if err != nil {
			return nil, err
		}
		return io.NopCloser(bytes.NewReader(text)), nil
	}
}

// paced adds the stamp of the pace file that a script has to those of the files that
// a take is read from.
func (p *Project) paced(files map[string]stamp, s *sequence.Script) map[string]stamp {
	if len(s.Pace) == 0 || s.Pace[0].At.File == s.File {
		return files
	}
	name := s.Pace[0].At.File
	if _, ok := files[name]; ok {
		return files
	}
	_, st, err := p.folder.read(name)
	if err != nil { // it comes with a proposal
		st = stampOf(sequence.PaceCSV(s.Pace))
	}
	files[name] = st
	return files
}

// acceptance plans a proposal's text as one step. The pace file that comes with it is
// written first: a text that names a file which is not there would be of no use.
func (p *Project) acceptance(pr *proposal, out *outcome) planner {
	return func(d *draft, script *sequence.Script) (plan, error) {
		next, err := replacingWith(out.text, out.pace)(d, script)
		return plan{next.next, func() error {
			if out.pace != nil {
				if err := p.folder.writeBeside(out.pace.name, out.pace.text); err != nil {
					return sequence.Problems{{At: sequence.Pos{File: out.pace.name}, Text: "the pace cannot be written: " + plain(err), Hint: "see that there is room, then accept it again"}}
				}
			}
			if err := next.commit(); err != nil {
				return err
			}
			p.mu.Lock()
			pr.accepted = true
			p.mu.Unlock()
			return nil
		}}, err
	}
}

// writeBeside writes a file that has a name of its own, or is there as it shall be.
func (f *folder) writeBeside(name string, text []byte) error {
	if now, _, err := f.read(name); err == nil && bytes.Equal(now, text) {
		return nil
	}
	fresh := asideName(name, kindNew, stampOf(text).sum)
	held, err := f.writeNew(fresh, text, nil)
	if err != nil {
		return err
	}
	defer held.Close()
	err = f.into(fresh, name)
	if err != nil {
		f.root.Remove(fresh)
	}
	return err
}

// ---- what is served

// proposed answers with the address of a proposal whose work has begun.
func (s *Server) proposed(w http.ResponseWriter, r *http.Request, base, kind string, plan planned) {
	id, err := s.project.propose(r.Context(), r.PathValue("name"), base, kind, s.boards.Live, plan)
	if errors.Is(err, errProposals) {
		faultOffers.refuse(w, fmt.Sprintf("there are %d proposals, the most at once; accept or drop some", mostProposals))
		return
	}
	if err != nil {
		s.refuseMotion(w, r, err)
		return
	}
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-store")
	w.Header().Set("Location", strings.Join([]string{"/api/motions", r.PathValue("name"), "proposals", id}, "/"))
	w.WriteHeader(http.StatusAccepted)
	fmt.Fprintf(patient(w), "{\"proposal\":%q}\n", id)
}

// proposalAnswer is a proposal as it is asked for.
type proposalAnswer struct {
	telling
	Lines []hunk `json:"lines,omitempty"` // of the file, that would change
	File  string `json:"file,omitempty"`  // that would come, for a pace of many knots
}

// proposal answers with what is told of a proposal.
func (s *Server) proposal(w http.ResponseWriter, r *http.Request) {
	pr, told, out := s.project.proposalBy(r.PathValue("name"), r.PathValue("id"))
	if pr == nil {
		s.noProposal(w, r)
		return
	}
	a := proposalAnswer{telling: told}
	if out != nil {
		a.Lines = out.lines
		if out.pace != nil {
			a.File = out.pace.name
		}
	}
	body, err := json.Marshal(a)
	if err != nil {
		panic(err) // texts, numbers and flags always marshal
	}
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-store")
	patient(w).Write(body) // who is gone needs no answer
}

func (s *Server) noProposal(w http.ResponseWriter, r *http.Request) {
	faultOffer.refuse(w, "there is no proposal "+quoted(r.PathValue("id"))+" for "+quoted(r.PathValue("name"))+"; it may have gone since the motion has changed")
}

// ready finds a proposal that has been worked out.
func (s *Server) ready(w http.ResponseWriter, r *http.Request) (*proposal, *outcome) {
	pr, told, out := s.project.proposalBy(r.PathValue("name"), r.PathValue("id"))
	switch {
	case pr == nil:
		s.noProposal(w, r)
	case out == nil:
		faultUnready.answer(w, details{Detail: "the proposal is " + told.State + ": " + told.Text, Problems: told.Problems})
	}
	return pr, out
}

// proposedScore gives the score of a proposal, with the state that its text would have.
func (s *Server) proposedScore(w http.ResponseWriter, r *http.Request) {
	_, out := s.ready(w, r)
	if out == nil {
		return
	}
	more, err := json.Marshal(textState{Text: s.project.make.textRevision(stampOf(out.text)), Saved: true})
	if err != nil {
		panic(err) // texts, numbers and flags always marshal
	}
	body := append(slices.Clone(out.take.score[:len(out.take.score)-1]), ',')
	serveBody(w, r, "application/json", `"`+out.take.revision+`-proposal"`, append(body, more[1:]...))
}

// proposedCurves gives the curves of a proposal.
func (s *Server) proposedCurves(w http.ResponseWriter, r *http.Request) {
	_, out := s.ready(w, r)
	if out == nil {
		return
	}
	ctx, cancel := context.WithTimeout(r.Context(), firstPatience)
	defer cancel()
	body, err := s.project.curvesOf(ctx, out.take)
	if errors.Is(err, errGone) {
		s.noProposal(w, r)
		return
	}
	if err != nil {
		s.refuseMotion(w, r, err)
		return
	}
	serveBody(w, r, "application/octet-stream", `"`+out.take.revision+`-curves"`, body)
}

// accept takes a proposal over as one step.
func (s *Server) accept(w http.ResponseWriter, r *http.Request, _ int) {
	var base, have string
	if !readBody(w, r, member{"base", &base, false}, member{"have", &have, true}) {
		return
	}
	name := r.PathValue("name")
	if pr, _, _ := s.project.proposalBy(name, r.PathValue("id")); pr == nil {
		if err := s.project.stale(r.Context(), name, base); err != nil {
			s.refuseMotion(w, r, err)
			return
		}
	}
	if pr, out := s.ready(w, r); out != nil {
		s.edit(w, r, base, have, s.project.acceptance(pr, out))
	}
}

// stale says why a version of a motion's text is not the current one; nil: it is.
func (p *Project) stale(ctx context.Context, name, base string) error {
	t, err := p.takeOf(ctx, name)
	if err != nil {
		return err
	}
	_, d, err := p.writable(name, t)
	if err != nil {
		return err
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.current(base)
}

// dropProposal has a proposal go.
func (s *Server) dropProposal(w http.ResponseWriter, r *http.Request, _ int) {
	p := s.project
	pr, _, _ := p.proposalBy(r.PathValue("name"), r.PathValue("id"))
	if pr == nil {
		s.noProposal(w, r)
		return
	}
	p.mu.Lock()
	p.leave(pr, "it was dropped")
	p.publish()
	p.mu.Unlock()
	w.WriteHeader(http.StatusNoContent)
}
