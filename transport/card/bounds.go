package card

import (
	"errors"
	"fmt"

	"limberjack/sequence"
)

// Room is what a board's program has memory for. A board refuses a show that needs more.
type Room struct {
	Timers  int // lockouts of its inputs and random intervals: LJ_SHOW_TIMERS
	Randoms int // random intervals: LJ_SHOW_RANDOMS
	Waiting int // motions that may wait for another to end: LJ_SHOW_WAITING
}

// The rooms of the programs that there are.
var (
	// RoomUsual is that of an ATmega328P, and of any program that is built as it is.
	RoomUsual = Room{Timers: 6, Randoms: 3, Waiting: 16}
	// RoomMost is the most that a program can have, and that of an ATmega2560.
	RoomMost = Room{Timers: 16, Randoms: 16, Waiting: 16}
)

// RoomOf gives the room of the program for a chip, by the name that `firmware` takes; "": that
// of the chip which it takes where nobody names one.
func RoomOf(chip string) (Room, error) {
	switch chip {
	case "", "atmega328p":
		return RoomUsual, nil
	case "atmega2560":
		return RoomMost, nil
	}
	return Room{}, errors.New("boards with an atmega328p or an atmega2560 play cards")
}

// needs adds up what the motions need of board number b: intervals run on every board, an
// input's lockout on that which has the input. It is what the board's player does (allot in
// lj_show.c).
func (n *Room) needs(t *Trigger, b int) {
	input, interval := t.Starts&ByInput != 0 && int(t.Board) == b, t.Starts&ByInterval != 0
	if input && t.Lockout > 0 {
		n.Timers++
	}
	if interval {
		n.Timers++
		n.Randoms++
	}
	if (input || interval || t.After[0] != 0) && t.Busy == BusyWait {
		n.Waiting++
	}
}

// fits is an error where a board has no memory for what starts the motions: sequence.Problems
// at the first motion that is too much. The zero Room stands for RoomUsual.
func (c *Card) fits(room Room) error {
	if room == (Room{}) {
		room = RoomUsual
	}
	var problems sequence.Problems
	for b, k := range c.containers {
		var sum Room
		for i := range c.index.Triggers {
			sum.needs(&c.index.Triggers[i], b)
			if text := room.lacks(sum); text != "" {
				all := sum
				for j := i + 1; j < len(c.index.Triggers); j++ {
					all.needs(&c.index.Triggers[j], b)
				}
				sm := c.show.Motions[i]
				problems = append(problems, sequence.Problem{At: sm.At, Text: fmt.Sprintf("%s is one too many for board %s: its program has memory for %s", sm.Name, k.board.Name, text), Hint: room.way(all)})
				break
			}
		}
	}
	if len(problems) > 0 {
		return problems
	}
	return nil
}

// lacks says what there is too much of; "": nothing.
func (r Room) lacks(sum Room) string {
	switch {
	case sum.Randoms > r.Randoms:
		return fmt.Sprintf("%d motions with every:", r.Randoms)
	case sum.Timers > r.Timers:
		return fmt.Sprintf("%d times in all that run at once, one for each lockout: and each every:", r.Timers)
	case sum.Waiting > r.Waiting:
		return fmt.Sprintf("%d motions with while_busy: wait", r.Waiting)
	}
	return ""
}

// way gives the nearest thing that works, where the whole show needs so much.
func (r Room) way(all Room) string {
	hint := "take it from this motion, or from one before it"
	if r != RoomMost && RoomMost.lacks(all) == "" {
		hint += fmt.Sprintf("; or build the program and the card for --chip atmega2560, which has memory for %d times, %d of them every:", RoomMost.Timers, RoomMost.Randoms)
	}
	return hint
}
