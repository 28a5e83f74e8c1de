// Package board is a controller board in software: it speaks the protocol of
// transport/wire, plays frames by its own clock, and fails as boards fail.
//
// Player is the board's state machine. It has no clock, no goroutine and no
// input or output of its own, and takes all its memory when it is made, so that
// firmware can follow it line by line:
//
//	p := board.NewPlayer(board.Config{..., Send: send, Slot: slot})
//	p.Receive(now, packet) // a message has come
//	p.Advance(p.Next())    // time has passed
//
// Server runs a Player in real time behind a pseudo-terminal or a WebSocket, with
// a clock that is off, a line that is slow, and faults on request. Recorder
// writes down each edge of each pin.
//
// # Time
//
// The Player counts microseconds since power-up in 64 bits. On the wire stands
// the low half of that (wire.Tick), counted from the last reset.
//
// # Slots
//
// Pulses leave in slots. A slot begins when a frame is due, otherwise one period
// after the last, and never sooner than 15/16 of a period after it, nor before
// all pulses of the last have ended: so the greatest change a frame is a greatest
// speed, and no pulse is cut. An idle slot that would come in the way of the next
// frame is left out.
package board

import (
	"limberjack/transport/wire"
)

// Config is what a board is.
type Config struct {
	Name     string
	Outputs  []Output  // by number, at most wire.MaxChannels
	Depth    int       // frames that the queue holds, 1 to 32767
	Payload  uint8     // longest payload that it takes; 0: wire.MaxPayload
	Tick     uint32    // ps in a tick of a pulse
	Least    uint32    // shortest period, ns a frame
	Greatest uint32    // longest period, ns a frame
	Print    uint32    // CRC-32 of the rig built into it; 0: none
	Boot     uint16    // number of the first start; each reset adds one
	Epoch    wire.Tick // the board's time at power-up; after a reset it is 0
	Supply   uint16    // mV, as its status tells; 0: not measured

	// Send is given each message to the host. The message is the Player's own, and
	// valid until Send returns.
	Send func(wire.Message)
	// Slot is given each slot at its start. It is the Player's own, and valid until
	// Slot returns.
	Slot func(*Slot)
	// Drop says that all outputs are switched off. Pulses of servos and steps that
	// have begun before at (us since power-up) still end at their width, unless cut
	// is set, as by a reset; what has not begun does not come.
	Drop func(at int64, cut bool)
}

// Output is one output of a board, and what the board itself allows on it.
type Output struct {
	Name   string     // for recordings
	Units  wire.Units // what it can play; none: there is no such output
	Low    int32
	High   int32
	Change uint32 // greatest change a frame
	Soft   uint32 // greatest change a frame on the way to rest when the host is lost; 0: Change
}

// Slot is a stretch of time in which each output has at most one pulse.
type Slot struct {
	Start   int64 // us since power-up
	Room    int64 // us, the least time to the start of the next slot
	Period  int64 // us, the usual time to it
	State   wire.State
	Framed  bool       // a frame is played
	Bridged bool       // a frame that is missing is played
	Index   wire.Index // of the frame
	Pins    []Pin      // in order of their numbers; only those that are configured or have pulses
}

// Pin is one output in a slot.
type Pin struct {
	Output uint8
	Unit   wire.Unit
	Offset uint16 // ticks from the start of the slot to that of a pulse
	Live   bool   // the output is on
	Fresh  bool   // it was off in the slot before
	Value  uint16 // as on the wire; 0 where the output is off, but for a stepper's position
}

const (
	// minute in us.
	minute = 60_000_000
	// statusEvery is the time between two statuses in us.
	statusEvery = 100_000
	// nobody stands for no one channel in the detail of an ack.
	nobody = 255
)

// never is a time that does not come.
const never = int64(1) << 62

// nearest is the least time from slot to slot: 15/16 of the period.
func nearest(period int64) int64 { return period - period/16 }
