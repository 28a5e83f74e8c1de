package board

import "limberjack/transport/wire"

// Next gives the next moment, in us since power-up, at which the board has
// something to do by itself.
func (p *Player) Next() int64 { return min(p.nextSlot(), p.silent(), p.due) }

// Advance does everything that is due up to now.
func (p *Player) Advance(now int64) {
	for {
		at := p.Next()
		if at > now {
			break
		}
		p.now = max(p.now, at)
		switch at {
		case p.silent():
			p.lose()
		case p.nextSlot():
			p.play(at)
		default:
			p.due, p.changed = p.now+statusEvery, true
		}
		p.report()
	}
	p.now = max(p.now, now)
}

// silent gives the time at which the host will have been silent for too long.
func (p *Player) silent() int64 {
	if !p.armed() {
		return never
	}
	return p.heard + int64(p.setup.Silence)*1000
}

// pulsing says whether there are slots.
func (p *Player) pulsing() bool {
	switch p.state {
	case wire.StateSilent:
		return false
	case wire.StateStopped, wire.StateLost:
		for i := range p.axes {
			if p.axes[i].live {
				return true
			}
		}
		return false
	}
	return true
}

// nextSlot gives the start of the next slot.
func (p *Player) nextSlot() int64 {
	if !p.pulsing() {
		return never
	}
	least, usual := p.earliest(), p.prev+p.period
	if at, _, ok := p.upcoming(); ok {
		if at = max(at, least); at < usual+nearest(p.period) {
			return at
		}
	}
	return max(usual, least)
}

// earliest gives the time before which no slot may begin.
func (p *Player) earliest() int64 { return max(p.floor, p.prev+p.room) }

// upcoming gives the time of the next frame to play, and whether it is one that is
// missing. The time of that is on the line between the frames around it. Where there is
// none before it, it is left out, and the time is that of the first queued one.
func (p *Player) upcoming() (at int64, missing, ok bool) {
	if p.state != wire.StatePlaying || p.queue.count == 0 {
		return 0, false, false
	}
	after := p.queue.time(p.queue.first)
	if p.queue.first == 0 || !p.bridged() {
		return after, false, true
	}
	part, whole := p.hole()
	return p.last.time + (after-p.last.time)*part/whole, true, true
}

// bridged says whether a missing frame stands between two that are known.
func (p *Player) bridged() bool {
	part := p.queue.next.Ahead(p.index)
	return p.last.present && part >= 1 && part <= p.conf.Depth
}

// hole gives how far the next frame is from the last one that was played, and how
// far the first queued one is.
func (p *Player) hole() (part, whole int64) {
	part = int64(p.queue.next.Ahead(p.index))
	return part, part + int64(p.queue.first)
}

// prune drops frames that will not be played any more: those before the begin, those
// that came late, and those whose slot other pulses keep taken for one and a half periods.
func (p *Player) prune() {
	for {
		at, missing, ok := p.upcoming()
		late := p.earliest()-at > p.period+p.period/2
		switch {
		case !ok:
			return
		case missing && late:
			p.queue.skip()
		case missing:
			return
		case at < p.begin:
			p.leaveOut()
		case late || p.queue.late():
			p.count.late++
			p.leaveOut()
		default:
			return
		}
	}
}

// leaveOut drops the first queued frame, and what is missing before it.
func (p *Player) leaveOut() {
	for range p.queue.first + 1 {
		p.queue.skip()
	}
}

// play plays one slot.
func (p *Player) play(at int64) {
	p.slot.Framed, p.slot.Bridged, p.slot.Index = false, false, 0
	frame, missing, ok := p.upcoming()
	if ok && frame <= at {
		p.frame(frame, missing)
	} else {
		p.settle()
	}
	p.emit(at)
	p.prune()
	p.finish()
}

// settle moves all axes on without a frame. Between two queued frames that are far
// apart they stand still.
func (p *Player) settle() {
	between := p.state == wire.StatePlaying && p.queue.count > 0
	for i := range p.axes {
		a := &p.axes[i]
		if between && !a.turns() {
			a.speed = 0
			continue
		}
		if !between {
			a.settle()
		}
	}
}

// frame plays the next frame, or bridges it.
func (p *Player) frame(at int64, missing bool) {
	for !missing && p.queue.first > 0 {
		p.queue.skip()
	}
	values := p.queue.row(0)
	if missing {
		values = p.gap
		part, whole := p.hole()
		to := p.queue.row(p.queue.first)
		for i, n := range p.used {
			values[i] = p.axes[n].bridge(p.bridge[i], to[i], part, whole)
		}
		p.count.bridged++
	} else {
		p.count.played++
	}
	for i, n := range p.used {
		if p.axes[n].follow(values[i]) {
			p.count.clamped++
		}
	}
	p.slot.Framed, p.slot.Bridged, p.slot.Index = true, missing, p.queue.next
	p.index, p.last = p.queue.next, entry{time: at, present: true}
	copy(p.bridge, values[:len(p.used)])
	p.queue.skip()
}

// emit gives the slot to the outputs.
func (p *Player) emit(at int64) {
	s := &p.slot
	s.Start, s.State, s.Period, s.Room = at, p.state, p.period, nearest(p.period)
	s.Pins = s.Pins[:0]
	for i := range p.axes {
		a := &p.axes[i]
		if !a.set && !a.live && !a.shown {
			continue
		}
		pin := Pin{Output: uint8(i), Unit: a.conf.Unit, Offset: a.conf.Offset, Live: a.live, Fresh: a.live && !a.shown}
		if a.live || pin.Unit == wire.UnitSteps {
			pin.Value = a.wire()
		}
		if pin.Live && pin.Unit == wire.UnitTicks {
			s.Room = max(s.Room, p.end(&pin))
		}
		a.shown = a.live
		s.Pins = append(s.Pins, pin)
	}
	p.prev, p.room = at, s.Room
	if p.conf.Slot != nil {
		p.conf.Slot(s)
	}
}

// end gives the time from the start of a slot to the end of a pulse, in us.
func (p *Player) end(pin *Pin) int64 {
	ps := (int64(pin.Offset) + int64(pin.Value)) * int64(p.conf.Tick)
	return (ps + 999_999) / 1_000_000
}

// finish ends a stop when all axes are at rest.
func (p *Player) finish() {
	if p.state != wire.StateStopping {
		return
	}
	for i := range p.axes {
		if !p.axes[i].settled() {
			return
		}
	}
	p.enter(wire.StateStopped, p.cause)
}
