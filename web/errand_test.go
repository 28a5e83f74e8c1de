package web

import (
	"context"
	"errors"
	"runtime"
	"strings"
	"sync/atomic"
	"testing"
	"time"
)

// hold keeps all places of the background work until it is let go.
func (e *errands) hold() (letGo func()) {
	for range cap(e.places) {
		e.places <- struct{}{}
	}
	return func() {
		for range cap(e.places) {
			<-e.places
		}
	}
}

// takeAt gives the take of a motion that is known.
func (d *desk) takeAt(name string) *take {
	d.Helper()
	t, err := d.project.takeOf(d.Context(), name)
	if err != nil {
		d.Fatal(err)
	}
	return t
}

// ended is a context that is over: of a request that waits no longer.
func ended() context.Context {
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	return ctx
}

// Curves that nobody waits for any more are worked out all the same, once.
func TestCurvesGoOn(t *testing.T) {
	d := openDesk(t, small(t, nil), "wake.motion.yaml", nil)
	before := d.get("/api/motions/wake/curves").body
	k := d.takeAt("wake")
	k.letGo()
	letGo := d.project.errands.hold()
	var works []*errand
	for range 3 {
		if _, err := d.project.curvesOf(ended(), k); !errors.Is(err, errWaiting) {
			t.Fatalf("who does not wait gets %v", err)
		}
		_, work, _ := d.project.curvesOrWork(k)
		works = append(works, work)
	}
	if works[0] == nil || works[1] != works[0] || works[2] != works[0] {
		t.Error("the work is begun anew")
	}
	letGo()
	<-works[0].done
	if body, work, err := d.project.curvesOrWork(k); string(body) != string(before) || work != nil || err != nil {
		t.Errorf("%d bytes, %v, %v", len(body), work, err)
	}
}

// The same of a waveform.
func TestWaveformGoesOn(t *testing.T) {
	d := openDesk(t, example(t), "greet.motion.yaml", nil)
	d.get("/api/project")
	k := d.takeAt("greet")
	letGo := d.project.errands.hold()
	_, first := d.project.waveOrWork(k)
	if _, err := d.project.waveformOf(ended(), k); !errors.Is(err, errWaiting) {
		t.Errorf("who does not wait gets %v", err)
	}
	if _, again := d.project.waveOrWork(k); first == nil || again != first {
		t.Error("the work is begun anew")
	}
	letGo()
	<-first.done
	if body, work := d.project.waveOrWork(k); len(body) == 0 || work != nil {
		t.Errorf("%d bytes, %v", len(body), work)
	}
}

// When a newer version comes, the work on the old one is called off, and who waits
// for it gets the new one.
func TestErrandsAreCalledOff(t *testing.T) {
	d := openDesk(t, small(t, nil), "wake.motion.yaml", nil)
	e := d.listen()
	e.until("loaded", settled(stateGood))
	k := d.takeAt("wake")
	k.letGo()
	letGo := d.project.errands.hold()
	_, work, err := d.project.curvesOrWork(k)
	if err != nil {
		t.Fatal(err)
	}
	got := make(chan answer, 1)
	go func() { got <- d.ask("GET", "/api/motions/wake/curves") }()
	d.edit("wake.motion.yaml", "length: 4s", "length: 5s")
	l := e.until("followed", func(l listing) bool { return settled(stateGood)(l) && l.Motions[0].Length == 5 })
	<-work.done
	if !errors.Is(work.err, errGone) || work.body != nil {
		t.Errorf("the work on the old version ends with %v", work.err)
	}
	if _, err := d.project.curvesOf(t.Context(), k); !errors.Is(err, errGone) {
		t.Errorf("the old version gives %v", err)
	}
	if a := <-got; a.status != 200 || a.header.Get("ETag") != `"`+l.Motions[0].Revision+`-curves"` {
		t.Errorf("who waited gets %d %s", a.status, a.header.Get("ETag"))
	}
	letGo()
}

// The work on a sound is called off when no motion has it any more.
func TestWaveformIsCalledOff(t *testing.T) {
	d := openDesk(t, example(t), "greet.motion.yaml", nil)
	e := d.listen()
	e.until("loaded", settled(stateGood))
	letGo := d.project.errands.hold()
	defer letGo()
	_, work := d.project.waveOrWork(d.takeAt("greet"))
	d.edit("greet.motion.yaml", "length: 20s", "length: 21s")
	e.until("followed", func(l listing) bool { return settled(stateGood)(l) && l.Motions[0].Length == 21 })
	if _, again := d.project.waveOrWork(d.takeAt("greet")); again != work {
		t.Error("an edit of the motion begins its sound anew")
	}
	for i := range mostWaves {
		d.project.mu.Lock()
		d.project.wave(strings.Repeat("x", i+1))
		d.project.mu.Unlock()
	}
	<-work.done
	if !errors.Is(work.err, errGone) {
		t.Errorf("what had to make room ends with %v", work.err)
	}
}

// So much is worked out at once, and a fault of one is its own.
func TestErrands(t *testing.T) {
	var told atomic.Int32
	var e errands
	e.begin(func(string, ...any) { told.Add(1) })
	var running, most atomic.Int32
	var all []*errand
	for i := range 50 {
		all = append(all, e.send(func(stop func() bool) ([]byte, error) {
			n := running.Add(1)
			defer running.Add(-1)
			for m := most.Load(); n > m && !most.CompareAndSwap(m, n); m = most.Load() {
			}
			for range 100 {
				runtime.Gosched()
			}
			if i == 7 {
				panic("a fault for the test")
			}
			return []byte{byte(i)}, nil
		}, func([]byte) {}))
	}
	for i, w := range all {
		body, err := w.wait(t.Context())
		if i == 7 {
			if !errors.Is(err, errFault) || body != nil || told.Load() != 1 {
				t.Errorf("the one at fault gives %v, %v, and tells %d times", body, err, told.Load())
			}
		} else if err != nil || body[0] != byte(i) {
			t.Errorf("%d gives %v, %v", i, body, err)
		}
	}
	if n := int(most.Load()); n > runtime.GOMAXPROCS(0) {
		t.Errorf("%d were worked out at once", n)
	}
	stuck := e.send(func(stop func() bool) ([]byte, error) {
		for !stop() {
			runtime.Gosched()
		}
		return nil, errStopped
	}, func([]byte) {})
	e.close()
	if _, err := stuck.wait(t.Context()); !errors.Is(err, errStopped) {
		t.Errorf("at the end: %v", err)
	}
	late := e.send(func(func() bool) ([]byte, error) { return []byte{1}, nil }, func([]byte) {})
	if _, err := late.wait(t.Context()); !errors.Is(err, errStopped) {
		t.Errorf("after the end: %v", err)
	}
}

// Work rests while something else needs the processors, also once it has begun: it gives its
// place to others, which need not rest, and its rests are not counted.
func TestErrandsRest(t *testing.T) {
	t.Parallel()
	e := errands{}
	e.begin(t.Logf)
	defer e.close()
	e.places = make(chan struct{}, 1)
	var busy, finish atomic.Bool
	var steps atomic.Int64
	begun := make(chan struct{})
	long := e.sendResting(e.ctx, busy.Load, func(stop func() bool) ([]byte, error) {
		for !stop() {
			if steps.Add(1) == 1 {
				close(begun)
			}
			if finish.Load() {
				return []byte{1}, nil
			}
			runtime.Gosched()
		}
		return nil, errStopped
	}, func([]byte) {})
	<-begun
	busy.Store(true)
	short := func() {
		t.Helper()
		if _, err := e.send(func(func() bool) ([]byte, error) { return []byte{2}, nil }, func([]byte) {}).wait(t.Context()); err != nil {
			t.Error(err)
		}
	}
	short() // it has the only place: the other one rests
	before := steps.Load()
	if short(); steps.Load() != before {
		t.Error("what rests goes on")
	}
	finish.Store(true)
	busy.Store(false)
	if body, err := long.wait(t.Context()); err != nil || len(body) != 1 {
		t.Errorf("after its rest it gives %v, %v", body, err)
	}
	busy.Store(true)
	ctx, callOff := context.WithCancel(t.Context())
	never := e.sendResting(ctx, busy.Load, func(func() bool) ([]byte, error) {
		t.Error("it has begun")
		return nil, nil
	}, func([]byte) {})
	callOff()
	if _, err := never.wait(t.Context()); err == nil {
		t.Error("what is called off while it rests gives something")
	}
}

// A rest is not counted as time that the work takes.
func TestShiftCountsWork(t *testing.T) {
	t.Parallel()
	looks := 0
	s := &shift{places: make(chan struct{}, 1), left: time.Hour, busy: func() bool { looks++; return looks == 2 || looks == 3 }}
	s.ctx, s.end = context.WithCancelCause(t.Context())
	defer s.end(nil)
	begun := time.Now()
	if !s.enter() || s.stop() || looks < 4 { // it rests once
		t.Fatalf("after %d looks it has not rested, or is called off", looks)
	}
	s.leave()
	if used, all := time.Hour-s.left, time.Since(begun); used <= 0 || used > all-restEvery {
		t.Errorf("of %v, with a rest of %v, %v count", all, restEvery, used)
	}
}

// What is no answer of a motion says why.
func TestFaultOfAPart(t *testing.T) {
	d := openDesk(t, small(t, nil), "wake.motion.yaml", nil)
	d.get("/api/motions/wake/curves")
	k := d.takeAt("wake")
	k.letGo()
	k.perf.Axes = nil // the layout no longer fits: a fault of the program
	k.layout.current = nil
	d.ask("GET", "/api/motions/wake/curves").refusal(t, "internal-error")
	d.get("/api/motions/wake/score")
}
