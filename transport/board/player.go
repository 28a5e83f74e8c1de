package board

import (
	"strings"

	"limberjack/transport/wire"
)

// Player is the state machine of a board. Its methods must not be called at the
// same time, and their times must not go back; an earlier time counts as the
// latest that was given.
type Player struct {
	conf  Config
	axes  []axis
	used  []uint8 // outputs that are configured, ascending
	state wire.State
	cause wire.Cause
	now   int64

	born   int64     // us since power-up, of the last reset
	epoch  wire.Tick // tick at that time
	boot   uint16
	reset  wire.Reset
	resets uint16
	falls  [3]int64 // times of the last resets that no one asked for
	refuse bool     // there were three in a minute
	inputs wire.Inputs

	setup   wire.Setup
	ready   bool // setup has come
	period  int64
	greeted bool  // identify has come since the last reset
	heard   int64 // when the host was heard
	due     int64 // when the next status is due

	queue  queue
	begin  int64 // frames before this time are not played
	paused int64 // when playing was stopped by hold
	last   entry // the frame that was played last, present if there is one since start
	index  wire.Index
	bridge []uint16 // its values, and room for those of a missing frame
	gap    []uint16
	prev   int64 // start of the last slot
	room   int64 // least time from it to the next
	floor  int64 // no slot begins before

	count   counters
	told    wire.Index // next frame to play when the last credit was sent
	changed bool       // a status has to be sent at once
	slot    Slot
	name    []byte
	in      inbox
	out     outbox
}

// counters are those of a status.
type counters struct {
	played                 uint32
	late, bridged, clamped uint16
	bad, unknown           uint16
}

// NewPlayer makes a board that has just got power.
func NewPlayer(c Config) *Player {
	if len(c.Outputs) > wire.MaxChannels {
		c.Outputs = c.Outputs[:wire.MaxChannels]
	}
	c.Depth = int(clamp(int64(c.Depth), 1, 32767))
	if c.Payload == 0 || c.Payload > wire.MaxPayload {
		c.Payload = wire.MaxPayload
	}
	n := len(c.Outputs)
	p := &Player{conf: c, axes: make([]axis, n), used: make([]uint8, 0, n), boot: c.Boot, epoch: c.Epoch,
		reset: wire.ResetPower, queue: newQueue(c.Depth, n), bridge: make([]uint16, n), gap: make([]uint16, n),
		slot: Slot{Pins: make([]Pin, 0, n)}}
	p.in.index()
	p.out.live, p.out.values = make(wire.Mask, 0, (n+7)/8), make(wire.Values, 0, 2*n)
	p.name = []byte(strings.ToValidUTF8(c.Name[:min(len(c.Name), max(0, int(c.Payload)-wire.SizeIdentity))], ""))
	p.forgetFalls()
	return p
}

func (p *Player) forgetFalls() {
	for i := range p.falls {
		p.falls[i] = -never
	}
}

// State gives what the board is doing.
func (p *Player) State() wire.State { return p.state }

// Status gives what the next status would tell.
func (p *Player) Status() wire.Status {
	c := &p.count
	return wire.Status{State: p.state, Cause: p.cause, Time: p.Tick(), Index: p.queue.next, Queued: uint16(p.queue.count),
		Played: c.played, Late: c.late, Bridged: c.bridged, Clamped: c.clamped, Bad: c.bad, Unknown: c.unknown,
		Inputs: p.inputs, Supply: p.conf.Supply}
}

// Tick gives the board's time as it stands on the wire.
func (p *Player) Tick() wire.Tick { return p.tick(p.now) }

func (p *Player) tick(at int64) wire.Tick { return p.epoch.Add(at - p.born) }

// at gives the time since power-up of a tick that is near now.
func (p *Player) at(t wire.Tick) int64 { return p.near(t, p.now) }

// near gives the time since power-up of a tick that is near a time: within 35 minutes.
func (p *Player) near(t wire.Tick, time int64) int64 { return time + int64(t.Since(p.tick(time))) }

// frameTime gives the time of a frame. While held the times of frames stand still, and a
// hold may last longer than ticks tell past and future apart: there a tick is near the
// first queued frame, or near when playing was stopped.
func (p *Player) frameTime(t wire.Tick) int64 {
	switch {
	case p.state != wire.StateHeld:
		return p.at(t)
	case p.queue.count > 0:
		return p.near(t, p.queue.time(p.queue.first))
	}
	return p.near(t, p.paused)
}

// Bad counts packets with a wrong CRC or framing, and messages of unknown kinds,
// which a decoder has met.
func (p *Player) Bad(bad, unknown int) {
	p.count.bad += uint16(bad)
	p.count.unknown += uint16(unknown)
}

// Input says which inputs are active now. The stop input acts as stop 1.
func (p *Player) Input(now int64, inputs wire.Inputs) {
	p.Advance(now)
	if inputs == p.inputs {
		return
	}
	pressed := inputs&^p.inputs&wire.InputsStop != 0
	p.inputs, p.changed = inputs, true
	if pressed {
		p.stop(wire.CauseInput)
	}
	p.report()
}

// Reset resets the board: pulses end, and everything is forgotten but the counters
// and the time of the last resets. Three resets in a minute that no one asked for
// (all but those by the pin and by power) make it refuse to be armed until its
// power is cut. ResetPower is that.
func (p *Player) Reset(now int64, cause wire.Reset) {
	p.Advance(now)
	p.drop(true)
	p.boot++
	p.reset = cause
	p.born, p.epoch = p.now, 0
	p.ready, p.greeted, p.used = false, false, p.used[:0]
	for i := range p.axes {
		p.axes[i] = axis{}
	}
	p.queue.clear(0)
	p.state, p.cause = wire.StateSilent, wire.CauseReset
	p.due, p.changed = p.now, false
	switch cause {
	case wire.ResetPower:
		p.resets, p.count, p.cause = 0, counters{}, wire.CauseNone
		p.forgetFalls()
		p.refuse = false
		return
	case wire.ResetPin, wire.ResetUnknown: // a bootloader may hide what a reset by the pin was
	default:
		p.falls[0], p.falls[1], p.falls[2] = p.falls[1], p.falls[2], p.now
	}
	p.resets++
	p.refuse = p.refuse || p.falls[0] > -never && p.falls[2]-p.falls[0] < minute
	if p.refuse {
		p.cause = wire.CauseResets
	}
}

// Skip says that the program did not run until now: slots that were due meanwhile
// did not come.
func (p *Player) Skip(now int64) {
	p.now = max(p.now, now)
	p.floor = max(p.floor, p.now)
	p.due = max(p.due, p.now)
	p.prune()
}

// enter goes to a state.
func (p *Player) enter(s wire.State, c wire.Cause) {
	if s == p.state {
		return
	}
	p.state, p.cause, p.changed = s, c, true
}

// drop ends all pulses.
func (p *Player) drop(cut bool) {
	pulsing := false
	for i := range p.axes {
		a := &p.axes[i]
		pulsing = pulsing || a.live
		a.free()
		a.shown = false
	}
	if pulsing && p.conf.Drop != nil {
		p.conf.Drop(p.now, cut)
	}
	p.empty()
}

// empty empties the queue.
func (p *Player) empty() {
	p.queue.clear(p.queue.next)
	p.last.present = false
}

// direct gives all axes an aim.
func (p *Player) direct(to aim) {
	for i := range p.axes {
		p.axes[i].aim = to
	}
}

// stop brings all axes to rest and lets go what carries no weight.
func (p *Player) stop(c wire.Cause) {
	switch p.state {
	case wire.StateArmed, wire.StatePlaying, wire.StateHeld, wire.StateLost:
		p.empty()
		p.direct(aimFree)
		p.enter(wire.StateStopping, c)
	}
}

// lose does what each axis does when the host is silent.
func (p *Player) lose() {
	p.empty()
	for i := range p.axes {
		a := &p.axes[i]
		switch a.conf.Lost {
		case wire.PolicyRest:
			a.aim = aimHome
		case wire.PolicyRelease:
			a.aim = aimFree
		default:
			a.aim = aimHold
		}
	}
	p.enter(wire.StateLost, wire.CauseSilence)
}

// Unheard says that for so many us up to now the board's program could not listen, so
// that this counts as no silence of the host.
func (p *Player) Unheard(now, us int64) {
	p.heard = max(p.heard, min(p.heard+us, now))
}

// armed says whether the host has to be heard.
func (p *Player) armed() bool {
	return p.state == wire.StateArmed || p.state == wire.StatePlaying || p.state == wire.StateHeld
}
