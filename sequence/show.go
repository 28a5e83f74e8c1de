package sequence

import (
	"fmt"
	"path/filepath"

	"gopkg.in/yaml.v3"
)

// Show is several motions with what starts them.
type Show struct {
	Name    string
	File    string
	At      Pos
	Rig     *Rig
	Start   *ShowMotion // what plays at power-up; nil: nothing
	Motions []*ShowMotion
	Join    Num // s, longest way between two motions
	Hours   *Hours
}

// Busy says what a trigger does while another motion plays.
type Busy uint8

// The policies of a trigger on a busy board.
const (
	BusyDrop Busy = iota
	BusyWait
	BusyInterrupt
)

// ShowMotion is one motion of a show.
type ShowMotion struct {
	Name      string
	At        Pos
	File      string
	Script    *Script // nil where it could not be read
	Loop      bool
	Trigger   *Trigger
	Every     [2]Num // s; the random interval, where given
	Seed      uint64
	After     []*ShowMotion // when one of these has ended it starts
	WhileBusy Busy

	caused bool // something beside After starts it, or may do so where that could not be read
	policy bool // WhileBusy is known, or was not given
}

// Trigger is an input that starts a motion.
type Trigger struct {
	At      Pos
	Board   *Board
	Input   int
	Falling bool
	WarmUp  Num // s
	Lockout Num // s
}

// Hours are the hours of the day in which a show runs, in seconds from midnight.
type Hours struct{ From, To Num }

func (l *loader) readShow(d *decoder, doc *yaml.Node) *Show {
	f := d.open(doc, showShape, "the show")
	s := &Show{Name: f.text("show"), File: d.file, At: f.at, Join: f.num("join")}
	f.whole("format")
	if n := f.node("rig"); n != nil {
		if name, ok := d.scalar(n, f.label("rig"), "a file name"); ok {
			s.Rig = l.rig(name, d, n)
		}
	}
	boards := boardsOf(s.Rig)
	entries, partial := f.section("motions")
	byName := newIndex[*ShowMotion]()
	byName.partial = partial
	var after []*yaml.Node
	for _, e := range entries {
		d.goodName(e, "motion")
		sm, n := l.showMotion(d, e, s, &boards)
		byName.known[e.name] = sm
		s.Motions, after = append(s.Motions, sm), append(after, n)
	}
	d.follow(s.Motions, after, byName)
	if len(s.Motions) == 0 && f.has("motions") && !partial {
		d.bad(f.node("motions"), "add for example idle: {file: idle.motion.yaml, loop: true}", "the show has no motions")
	}
	startLost := f.excused("start")
	if f.has("start") {
		g := d.open(f.node("start"), startShape, "start")
		if n := g.node("play"); n != nil {
			s.Start, _ = lookup(d, n, g.label("play"), "motion", byName)
		}
		startLost = s.Start == nil
	}
	if f.has("hours") {
		g := d.open(f.node("hours"), hoursShape, "hours")
		s.Hours = &Hours{g.num("from"), g.num("to")}
		if s.Hours.From.Given() && s.Hours.To.Given() && s.Hours.From.V >= s.Hours.To.V {
			d.report.add(s.Hours.To.At, "write the earlier hour in from", "the hours end at %s, which is not after %s", s.Hours.To.Text, s.Hours.From.Text)
		}
	}
	if !startLost {
		d.unstarted(s)
	}
	return s
}

// showMotion reads a motion of a show. What it comes after is given as it stands: that can
// be read when all names are known.
func (l *loader) showMotion(d *decoder, e entry, s *Show, boards *showBoards) (sm *ShowMotion, after *yaml.Node) {
	f := d.open(e.value, showMotionShape, "motion "+e.name)
	sm = &ShowMotion{Name: e.name, At: d.at(e.key), Loop: f.flag("loop"), Seed: uint64(f.whole("seed").V), policy: true}
	if n := f.node("file"); n != nil {
		if name, ok := d.scalar(n, f.label("file"), "a file name"); ok {
			sm.File = l.beside(d.file, name)
			sm.Script = l.motionOf(sm.File, d, n)
			l.sameRig(d, n, s, sm)
		}
	}
	sm.busy(f)
	if f.has("trigger") {
		sm.Trigger = l.trigger(d, f, s, sm, boards)
	}
	sm.caused = f.has("trigger") || f.has("every") || f.excused("every") || f.excused("trigger") || f.excused("file") || f.excused("after")
	if n := f.node("every"); n != nil {
		sm.Every = d.every(n, f.label("every"))
	}
	return sm, f.node("after")
}

// busy reads while_busy.
func (sm *ShowMotion) busy(f *fields) {
	i := f.choice("while_busy")
	sm.WhileBusy = busyOf(i)
	sm.policy = sm.policy && !f.excused("while_busy") && (i >= 0 || !f.has("while_busy"))
}

func busyOf(i int) Busy {
	switch i {
	case 0:
		return BusyWait
	case 2:
		return BusyInterrupt
	}
	return BusyDrop
}

func (l *loader) sameRig(d *decoder, n *yaml.Node, s *Show, sm *ShowMotion) {
	if sm.Script == nil || sm.Script.Rig == nil || s.Rig == nil || sm.Script.Rig == s.Rig {
		return
	}
	d.bad(n, "use one rig file for the whole show", "%s is for the rig %s, but the show is for %s", filepath.Base(sm.File), sm.Script.Rig.File, s.Rig.File)
}

// showBoards are the boards of a show's rig that a trigger may name.
type showBoards struct {
	index[*Board]
	withInputs []*Board
}

func boardsOf(rig *Rig) showBoards {
	boards := showBoards{index: newIndex[*Board]()}
	if rig == nil {
		return boards
	}
	for _, b := range rig.Boards {
		boards.known[b.Name] = b
		boards.partial = boards.partial || b.doubtful
		if len(b.Inputs) > 0 {
			boards.withInputs = append(boards.withInputs, b)
		}
	}
	return boards
}

func (l *loader) trigger(d *decoder, f *fields, s *Show, sm *ShowMotion, boards *showBoards) *Trigger {
	g := d.open(f.node("trigger"), triggerShape, "trigger of "+f.what)
	t := &Trigger{At: g.at, Input: int(g.whole("input").V), Falling: g.choice("edge") == 1, WarmUp: g.num("warm_up"), Lockout: g.num("lockout")}
	if g.has("while_busy") {
		if f.has("while_busy") {
			d.report.add(g.keyAt("while_busy"), "keep one of them", "while_busy is given twice for motion %s", sm.Name)
		}
		sm.busy(g)
	}
	if s.Rig == nil || !g.has("input") {
		return t
	}
	switch {
	case g.has("board"):
		t.Board, _ = lookup(d, g.node("board"), g.label("board"), "board", boards.index)
	case len(boards.withInputs) == 1:
		t.Board = boards.withInputs[0]
	case len(boards.withInputs) > 1:
		d.report.add(g.at, "add board: "+boards.withInputs[0].Name, "%s: more than one board has inputs", g.what)
	case boards.partial:
	default:
		d.bad(g.node("input"), "declare it under inputs of a board", "no board of the rig has inputs")
	}
	if t.Board != nil && t.Board.stops(t.Input) {
		d.bad(g.node("input"), "use another input", "input %d of board %s asks for a stop; it cannot start a motion", t.Input, t.Board.Name)
	}
	if t.Board != nil && !t.Board.doubtful && !t.Board.hasInput(t.Input) {
		d.bad(g.node("input"), "declare it under inputs of that board", "board %s has no input %d", t.Board.Name, t.Input)
	}
	return t
}

func (d *decoder) every(n *yaml.Node, what string) (out [2]Num) {
	items := d.items(n, what)
	if items == nil {
		return out
	}
	if len(items) != 2 {
		d.bad(n, commaHint(items, "write [4s, 9s]"), "%s needs a shortest and a longest time", what)
		return out
	}
	low, high := d.number(items[0], what, seconds, 0, maxTime), d.number(items[1], what, seconds, 0, maxTime)
	if low.Given() && high.Given() && low.V > high.V {
		d.bad(n, fmt.Sprintf("write [%s, %s]", high.Text, low.Text), "%s is upside down: %s is longer than %s", what, low.Text, high.Text)
		return out
	}
	return [2]Num{low, high}
}
