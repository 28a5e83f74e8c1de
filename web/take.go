package web

import (
	"context"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"math"
	"runtime/debug"
	"slices"
	"sync"

	"limberjack/interp"
	"limberjack/interp/check"
	"limberjack/sequence"
)

// take is a good version of a motion: what is served of it. It never changes, but
// for what is worked out when it is first asked for.
type take struct {
	perf     *interp.Performance
	report   *check.Report
	layout   layout
	revision string
	drawn    *Score
	score    []byte // drawn as JSON
	title    string
	files    map[string]stamp // that it was read from
	parts    float64          // pieces of all its curves, estimated
	measures *check.Measures  // of its curves, for the next one, where a page changes the text; else nil

	sound string // names the sound in its state; empty: there is none

	mu     sync.Mutex
	curves []byte  // nil: to be worked out anew
	making *errand // that works them out; nil: none does
	gone   bool    // another one has its place
}

// mostParts bounds the pieces of all curves of a motion, so that no file can ask for
// more memory than there is: some 150 bytes each. A motion of ten minutes on 32 axes
// with wiggles on all of them has some 100000.
const (
	mostParts    = 2_000_000
	mostAllParts = 4_000_000 // of all motions of a show
	mostMeasured = 200_000   // up to which what was measured is kept for the next change: some 170 bytes each
)

// maker makes takes.
type maker struct {
	links func(*sequence.Rig) []check.Link
	salt  []byte // of revisions
	tell  func(format string, args ...any)
}

// errStopped says that the work was given up for a newer version of the files.
var errStopped = errors.New("given up")

// load reads a motion with all that it names and makes a take of it, of so many
// pieces of curve at most. last is its last good take. An error that is not errStopped
// is of sequence.Problems.
func (m *maker) load(ctx context.Context, r *reading, of *motion, room float64, last *take) (t *take, err error) {
	defer m.caught(of.file, &err)
	script := reread(r, of.file, last)
	if script == nil {
		if script, err = sequence.LoadMotion(r.open, of.file); err != nil {
			return nil, err
		}
	}
	return m.finish(ctx, stopOf(ctx), script, r.files, of, room, nil)
}

// finish makes a take of a script that was read from files. last is the take of which
// it is an edit, nil where it is none. It gives up when stop says so; ctx tells why.
func (m *maker) finish(ctx context.Context, stop func() bool, script *sequence.Script, files map[string]stamp, of *motion, room float64, last *take) (*take, error) {
	parts := partsOf(script)
	if parts > room {
		return nil, sequence.Problems{{At: script.At, Text: fmt.Sprintf("the motion has some %.1f million pieces of curve; the page has room for %.1f million", parts/1e6, max(0, room)/1e6),
			Hint: "make layers end earlier, or lower their rates; of a show, preview the motion by itself"}}
	}
	t, err := m.make(ctx, stop, script, of, m.revision(files, of.loops), last)
	if err != nil {
		return nil, err
	}
	t.parts, t.files = parts, files
	if a := script.Audio; a != nil && a.Level != nil {
		t.sound = m.revision(map[string]stamp{a.File: files[a.File]}, false)
	}
	return t, nil
}

// reread reads a motion of which only its own file has changed, with the rig and the
// sounds that are known: a long sound takes long to measure. It gives nil where that
// does not do, and everything has to be read.
func reread(r *reading, file string, last *take) *sequence.Script {
	if last == nil {
		return nil
	}
	others := maps.Clone(last.files)
	delete(others, file)
	if last.perf.Script.File != file || !r.from.same(others) {
		return nil
	}
	f, err := r.open(file)
	if err != nil {
		return nil
	}
	defer f.Close()
	text, err := io.ReadAll(f)
	if err != nil {
		return nil
	}
	script, err := sequence.Reread(last.perf.Script, text)
	if err != nil {
		return nil
	}
	maps.Copy(r.files, others)
	return script
}

// make compiles, plays and checks a script.
func (m *maker) make(ctx context.Context, stop func() bool, script *sequence.Script, of *motion, revision string, last *take) (*take, error) {
	perf, err := interp.Compile(script)
	if err != nil {
		return nil, err
	}
	l := layoutOf(perf)
	trace, curves, ok := record(perf, l, stop)
	if !ok {
		return nil, gaveUp(ctx, script)
	}
	var before *check.Measures
	if last != nil {
		before = last.measures
	}
	report, measures := check.Again(perf, trace, m.links(perf.Rig), before)
	if !keepsMeasures(last, partsOf(script)) {
		measures = nil
	}
	score := scoreOf(of.name, of.loops, perf, trace, report, l)
	score.Revision = revision
	widen(score, curves, l)
	body, err := json.Marshal(score)
	if err != nil {
		return nil, fmt.Errorf("%s cannot be described: %w", script.File, err)
	}
	return &take{perf: perf, report: report, layout: l, revision: revision, drawn: score, score: body, title: script.Name, curves: curves, measures: measures}, nil
}

// keepsMeasures reports whether what was measured of a motion of so many pieces is kept for
// the next change: most motions are never edited, and have no last take of which they are
// an edit.
func keepsMeasures(last *take, parts float64) bool { return last != nil && parts <= mostMeasured }

func stopOf(ctx context.Context) func() bool { return func() bool { return ctx.Err() != nil } }

// gaveUp says why the work on a script was given up.
func gaveUp(ctx context.Context, script *sequence.Script) error {
	if errors.Is(context.Cause(ctx), errTooLong) {
		return sequence.Problems{{At: script.At, Text: "playing the motion on the drive model takes longer than the page waits for (" + timeText(buildPatience) + ")",
			Hint: "show a shorter part of it; limberjack check takes the time that it needs"}}
	}
	return errStopped
}

// caught makes a panic into a problem of a file.
func (m *maker) caught(file string, err *error) {
	what := recover()
	if what == nil {
		return
	}
	stack := debug.Stack()
	if c, ok := what.(*crash); ok {
		what, stack = c.what, c.stack
	}
	m.tell("internal error at %s: %v\n%s", file, what, stack)
	*err = sequence.Problems{{At: sequence.Pos{File: file}, Text: "internal error: the program could not work this file out", Hint: "this is a fault of limberjack; what it says in its terminal helps to find it"}}
}

// revision names a version: it is another one for other files.
func (m *maker) revision(files map[string]stamp, loops bool) string {
	h := sha256.New()
	h.Write(m.salt)
	for _, name := range slices.Sorted(maps.Keys(files)) {
		s := files[name]
		fmt.Fprintf(h, "%q %t %d %d ", name, s.missing, s.size, s.time)
		h.Write(s.sum[:])
	}
	if loops {
		h.Write([]byte("loops"))
	}
	return hex.EncodeToString(h.Sum(nil)[:8])
}

// partsOf estimates the pieces of all curves of a script: those of its tracks and
// layers, once for every target that they reach.
func partsOf(s *sequence.Script) float64 {
	reach := reachOf(s.Rig)
	total := 0.0
	for _, t := range s.Merged {
		total += float64(float64(len(t.Keys)+1) * reach(t.Target))
	}
	for _, l := range s.Layers {
		total += float64(layerParts(l) * reach(l.Target))
	}
	return total
}

// layerParts gives the pieces of a layer: steps of its lattices, or hops of the
// measured sound.
func layerParts(l *sequence.Layer) float64 {
	length := max(0, l.To-l.From)
	switch l.Kind {
	case sequence.Wiggle:
		return 2 + float64(2*l.Rate*length)
	case sequence.Noise:
		return 2 + float64(7*l.Rate*length) // three octaves: 1, 2 and 4 a period
	case sequence.Envelope:
		if l.Level != nil {
			return 2 + float64(len(l.Level.RMS))
		}
	}
	return 3
}

// reachOf tells of how many curves a target is part.
func reachOf(r *sequence.Rig) func(sequence.Target) float64 {
	shares := map[*sequence.Control]float64{}
	var count func(c *sequence.Control, depth int) float64
	count = func(c *sequence.Control, depth int) float64 {
		if n, ok := shares[c]; ok || depth > len(r.Controls) {
			return n
		}
		n := 1.0
		for _, s := range c.Shares {
			if s.Control != nil {
				n += count(s.Control, depth+1)
			} else {
				n++
			}
		}
		shares[c] = n
		return n
	}
	return func(t sequence.Target) float64 {
		if t.Control == nil {
			return 1
		}
		return count(t.Control, 0)
	}
}

// widen lets rows show what is predicted beyond what is commanded.
func widen(s *Score, body []byte, l layout) {
	for i := range s.Rows {
		row := &s.Rows[i]
		if row.Predicted < 0 {
			continue
		}
		from := curveHead + 4*row.Predicted*l.samples
		for k := range l.samples {
			v := figure(float32At(body[from+4*k:]))
			row.Low, row.High = min(row.Low, v), max(row.High, v)
		}
	}
}

func float32At(b []byte) float32 {
	return math.Float32frombits(binary.LittleEndian.Uint32(b))
}

// curvesOf gives the curves of a take, anew where they were let go; it waits for
// them until ctx ends. It gives errGone for a take that is no longer served.
func (p *Project) curvesOf(ctx context.Context, t *take) ([]byte, error) {
	body, work, err := p.curvesOrWork(t)
	if work != nil {
		body, err = work.wait(ctx)
	}
	if err == nil {
		p.use(t)
	}
	return body, err
}

// curvesOrWork gives the curves, or the work on them.
func (p *Project) curvesOrWork(t *take) ([]byte, *errand, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	switch {
	case t.gone:
		return nil, nil, errGone
	case t.curves != nil:
		return t.curves, nil, nil
	case t.making == nil:
		t.making = p.errands.send(func(stop func() bool) ([]byte, error) {
			_, body, ok := record(t.perf, t.layout, stop)
			if !ok {
				return nil, errStopped
			}
			return body, nil
		}, func(body []byte) { p.made(t, body) })
	}
	return nil, t.making, nil
}

// made takes in the curves that were worked out; nil: they were not.
func (p *Project) made(t *take, body []byte) {
	t.mu.Lock()
	t.curves, t.making = body, nil
	t.mu.Unlock()
	if body != nil {
		p.use(t) // nobody may be waiting for them any more
	}
}

// letGo forgets the curves, which can be worked out again.
func (t *take) letGo() {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.curves = nil
}

// retire calls off the work on a take that nobody asks for any more.
func (t *take) retire() {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.gone = true
	if t.making != nil {
		t.making.callOff(errGone)
	}
}
