package card

import (
	"fmt"
	"slices"

	"limberjack/sequence"
)

// lightCode is what a board's light says by so many blinks, and what to do then. They are
// the LJ_CODE_x of the board's program (lj_show.h in transport/firmware), in its order.
type lightCode struct{ what, do string }

var lightCodes = []lightCode{
	{"no card, or none that answers", "push it in, or take the spare card"},
	{"no show on the card", "take the spare card, or copy all files anew"},
	{"the show is for another board", "take the card that belongs to this prop"},
	{"a file is damaged", "take the spare card, or copy all files anew"},
	{"more triggers than the board holds", "ask who made the show"},
	{"three resets in a minute", "look at supply, leads and jams before it is on"},
	{"stopped, or a host has the board", "see below"},
	{"it plays, with sectors left out", "take the spare card, renew this one"},
}

// Where the light is: pins of the boards with these chips, as the firmware's README.TXT
// has them.
const lightPins = "D1 of an ATmega328P, D49 of an ATmega2560"

// light tells what the light of a board says.
func (c *Card) light() *section {
	s := &section{head: "The light of a board (" + lightPins + ")", least: 1 + len(lightCodes)}
	s.add("  ", "On all the time: the show runs. Else it blinks, and pauses. Power off, then:")
	for i, l := range lightCodes {
		s.add(fmt.Sprintf("  %d  ", i+1), l.what+": "+l.do)
	}
	return s
}

// returning tells how a show comes back after a stop. A board that its stop input has
// stopped comes back at the edge of an input that starts one of its motions; every other
// stop lasts until the power has been off (lj_show.h).
func (c *Card) returning() *section {
	s := &section{head: "To start it again", least: 9}
	var back, dead []string
	for b, k := range c.containers {
		if !slices.ContainsFunc(k.board.Inputs, func(in sequence.Input) bool { return in.Stop }) {
			continue
		}
		if list := c.starters(b); len(list) > 0 {
			back = append(back, few(list, 3)+" of board "+k.board.Name)
		} else {
			dead = append(dead, k.board.Name)
		}
	}
	if len(back) > 0 {
		s.add("* ", "After a stop: see that all are clear, and release it. Nothing moves until "+few(back, 3)+"; that starts its motion, and the show with it.")
	}
	if len(dead) > 0 {
		s.add("* ", "After a stop of board "+few(dead, 3)+": release it, power off, and on again.")
	}
	s.add("* ", "After 6 blinks, or a host: power off for half a minute. With 1 to 5 blinks the board looks at its card every 5 s, and begins when it is right.")
	return s
}

// starters names the inputs of a board that start a motion there.
func (c *Card) starters(board int) (list []string) {
	for i := range c.index.Triggers {
		t := &c.index.Triggers[i]
		if name := fmt.Sprintf("input %d", t.Input); t.Starts&ByInput != 0 && int(t.Board) == board && !slices.Contains(list, name) {
			list = append(list, name)
		}
	}
	return list
}
