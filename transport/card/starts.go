package card

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"limberjack/sequence"
)

// newIndex says what starts which motion.
func (c *Card) newIndex() Index {
	x := Index{Version: Version, Join: None, Start: noMotion, Name: cut(c.show.Name, showNameSize)}
	if c.show.Join.Given() {
		x.Join = milliseconds(c.show.Join)
	}
	var boards []string
	for _, k := range c.containers {
		boards = append(boards, k.board.Name)
	}
	for i, name := range fileNames(boards) {
		h := &c.containers[i].header
		x.Boards = append(x.Boards, BoardFile{File: name, Print: h.Print, Sectors: h.Sectors, Name: h.Name})
	}
	for i, sm := range c.show.Motions {
		t := c.newTrigger(i, sm)
		if sm == c.show.Start {
			x.Start = uint16(i)
			t.Starts |= AtPowerUp
		}
		if len(sm.After) > 0 {
			x.Version = IndexVersion
		} else if t.Starts == 0 {
			c.note("nothing starts %s: it is on the card and will not play", sm.Name)
		}
		x.Triggers = append(x.Triggers, t)
		c.soundNote(sm)
	}
	c.endlessNote(x.Triggers)
	return x
}

// endlessNote says what never comes because what begins at power-up never ends.
func (c *Card) endlessNote(list []Trigger) {
	endless, waits := c.endless()
	if len(endless) == 0 {
		return
	}
	what := endless[0].Name + " plays over and over"
	if len(endless) > 1 {
		what = namesOf(endless) + " follow each other for ever"
	}
	for i, sm := range c.show.Motions {
		switch own := list[i]; {
		case sm == c.show.Start || slices.Contains(endless, sm) || own.Starts == 0:
		case own.Busy == BusyDrop && waits:
			c.note("%s from power-up, so that %s never starts: give %s while_busy: interrupt, or wait, for the end of a round", what, sm.Name, sm.Name)
		case own.Busy != BusyInterrupt && !waits:
			c.note("%s from power-up, so that %s never starts: give it while_busy: interrupt, or one of them and %s while_busy: wait", what, sm.Name, sm.Name)
		}
	}
}

// endless gives what plays over and over in the end when nothing interrupts what begins at
// power-up: a loop, or a ring of motions that come after each other. waits says whether it
// lets those in that wait.
func (c *Card) endless() (list []*sequence.ShowMotion, waits bool) {
	for m := c.show.Start; m != nil; m = c.follower(m) {
		if m.Loop {
			return []*sequence.ShowMotion{m}, true
		}
		if i := slices.Index(list, m); i >= 0 {
			ring := list[i:]
			return ring, slices.ContainsFunc(ring, func(m *sequence.ShowMotion) bool { return m.WhileBusy == sequence.BusyWait })
		}
		list = append(list, m)
	}
	return nil, false
}

// follower gives the motion that starts at the end of another; nil: none.
func (c *Card) follower(m *sequence.ShowMotion) *sequence.ShowMotion {
	i := slices.IndexFunc(c.show.Motions, func(sm *sequence.ShowMotion) bool { return slices.Contains(sm.After, m) })
	if i < 0 {
		return nil
	}
	return c.show.Motions[i]
}

func namesOf(list []*sequence.ShowMotion) string {
	names := make([]string, len(list))
	for i, m := range list {
		names[i] = m.Name
	}
	return strings.Join(names, ", ")
}

func (c *Card) note(format string, args ...any) {
	if s := fmt.Sprintf(format, args...); !slices.Contains(c.Notes, s) {
		c.Notes = append(c.Notes, s)
	}
}

func milliseconds(n sequence.Num) uint32 { return uint32(math.Round(n.V * 1000)) }

var busy = [...]uint8{sequence.BusyDrop: BusyDrop, sequence.BusyWait: BusyWait, sequence.BusyInterrupt: BusyInterrupt}

func (c *Card) newTrigger(i int, sm *sequence.ShowMotion) Trigger {
	t := Trigger{Busy: busy[sm.WhileBusy], Board: noBoard, Name: cut(sm.Name, nameSize)}
	if sm.Loop {
		t.Flags |= FlagTriggerLoop
	}
	for k, before := range sm.After {
		t.After[k] = uint16(slices.Index(c.show.Motions, before) + 1)
	}
	if sm.Every[0].Given() {
		t.Starts |= ByInterval
		t.Least, t.Greatest, t.Seed = milliseconds(sm.Every[0]), milliseconds(sm.Every[1]), seedOf(sm.Seed, i)
	}
	if sm.Trigger == nil || sm.Trigger.Board == nil {
		return t
	}
	b := slices.IndexFunc(c.containers, func(k *container) bool { return k.board == sm.Trigger.Board })
	if b < 0 {
		c.note("board %s drives nothing and has no file on the card, so that its input %d cannot start %s", sm.Trigger.Board.Name, sm.Trigger.Input, sm.Name)
		return t
	}
	t.Starts |= ByInput
	t.Board, t.Input = uint8(b), uint16(sm.Trigger.Input)
	t.WarmUp, t.Lockout = milliseconds(sm.Trigger.WarmUp), milliseconds(sm.Trigger.Lockout)
	if sm.Trigger.Falling {
		t.Flags |= FlagFalling
	}
	if len(c.containers) > 1 {
		c.note("input %d of board %s starts %s on that board only; other boards do not hear of it", sm.Trigger.Input, sm.Trigger.Board.Name, sm.Name)
	}
	return t
}

// soundNote says where nobody starts a motion's sound.
func (c *Card) soundNote(sm *sequence.ShowMotion) {
	s := c.show.Rig.Sound
	if sm.Script.Audio != nil && (s == nil || s.Board == nil || !s.Channel.Given()) {
		c.note("%s has a sound, and no board starts a player for it: give the rig sound: {delay, trigger: {board, channel}}", sm.Name)
	}
}
