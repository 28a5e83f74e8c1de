package board

import "limberjack/transport/wire"

// inbox has room for each message that a board receives.
type inbox struct {
	ask     wire.Ask
	clock   wire.Clock
	setup   wire.Setup
	channel wire.Channel
	arm     wire.Arm
	frames  wire.Frames
	start   wire.Start
	resume  wire.Resume
	stop    wire.Stop
	query   wire.Query
	flush   wire.Flush

	byKind [wire.KindFlush + 1]wire.Message
}

func (b *inbox) index() {
	for _, m := range []wire.Message{&wire.Identify{}, &wire.Hold{}, &b.ask, &b.clock, &b.setup, &b.channel, &b.arm,
		&b.frames, &b.start, &b.resume, &b.stop, &b.query, &b.flush} {
		b.byKind[m.Kind()] = m
	}
}

// answer is what an ack says.
type answer struct {
	result wire.Result
	detail uint8
}

// Receive takes a message of the host that came at a time. Messages that are not
// for a board, too long for it or too short are counted as unknown.
func (p *Player) Receive(now int64, packet wire.Packet) {
	p.Advance(now)
	kind := packet.Kind
	if int(kind) >= len(p.in.byKind) || p.in.byKind[kind] == nil || len(packet.Payload) > int(p.conf.Payload) ||
		p.in.byKind[kind].Decode(packet.Payload) != nil {
		p.count.unknown++
		return
	}
	p.floor = max(p.floor, p.now) // what comes now cannot begin earlier
	p.heard = p.now
	if p.ask(kind) {
		p.report()
		return
	}
	a := p.do(kind)
	p.prune()
	p.acknowledge(packet, a)
	p.report()
}

// ask answers messages that ask for something, and says whether it did.
func (p *Player) ask(kind wire.Kind) bool {
	switch kind {
	case wire.KindIdentify:
		p.greeted = true
		p.identity()
	case wire.KindAsk:
		return p.limits(int(p.in.ask.Channel))
	case wire.KindClock:
		p.time(p.in.clock.Token)
	case wire.KindQuery:
		switch p.in.query.Topic {
		case wire.TopicStatus:
			p.status()
		case wire.TopicPose:
			p.pose()
		default:
			return false
		}
	default:
		return false
	}
	return true
}

// do does what a message says.
func (p *Player) do(kind wire.Kind) answer {
	switch kind {
	case wire.KindAsk:
		return answer{wire.ResultChannel, p.in.ask.Channel}
	case wire.KindSetup:
		return p.prepare(&p.in.setup)
	case wire.KindChannel:
		return p.configure(&p.in.channel)
	case wire.KindArm:
		return p.arm(&p.in.arm)
	case wire.KindFrames:
		return p.frames(&p.in.frames)
	case wire.KindStart:
		return p.start(&p.in.start)
	case wire.KindHold:
		return p.hold()
	case wire.KindResume:
		return p.resume(&p.in.resume)
	case wire.KindStop:
		return p.halt(&p.in.stop)
	case wire.KindFlush:
		return p.flush(&p.in.flush)
	}
	return p.other(wire.ResultUnclear)
}

// other is an answer about no channel.
func (p *Player) other(r wire.Result) answer { return answer{r, uint8(p.state)} }

func (p *Player) ok() answer { return p.other(wire.ResultOk) }

// disarmed says whether the board may be configured and armed.
func (p *Player) disarmed() bool {
	return p.state == wire.StateSilent || p.state == wire.StateStopped || p.state == wire.StateLost
}

// prepare takes a setup.
func (p *Player) prepare(m *wire.Setup) answer {
	switch {
	case !p.disarmed():
		return p.other(wire.ResultState)
	case m.Channels == 0 || m.Period == 0 || m.Silence == 0:
		return p.other(wire.ResultUnclear)
	case int(m.Channels) > p.outputs() || m.Period < p.conf.Least || m.Period > p.conf.Greatest:
		return answer{wire.ResultLimits, nobody}
	}
	p.setup, p.ready = *m, true
	p.period = max(1, (int64(m.Period)+500)/1000)
	p.used = p.used[:0]
	for i := range p.axes {
		p.axes[i].set = false
	}
	return p.ok()
}

// outputs counts the outputs that there are.
func (p *Player) outputs() (n int) {
	for i := range p.conf.Outputs {
		if p.conf.Outputs[i].Units != 0 {
			n++
		}
	}
	return n
}

// configure takes a channel.
func (p *Player) configure(m *wire.Channel) answer {
	about := func(r wire.Result) answer { return answer{r, m.Channel} }
	n := int(m.Channel)
	switch {
	case !p.disarmed():
		return p.other(wire.ResultState)
	case n >= len(p.axes) || p.conf.Outputs[n].Units == 0:
		return about(wire.ResultChannel)
	case !p.ready:
		return about(wire.ResultUnset)
	case !m.Unit.Known() || !m.Lost.Known():
		return about(wire.ResultUnclear)
	case !p.allowed(m):
		return about(wire.ResultLimits)
	}
	a := &p.axes[n]
	switch {
	case a.live && (a.conf.Unit != m.Unit || turns(&a.conf) != turns(m) || a.value < int64(m.Low) || a.value > int64(m.High)):
		return about(wire.ResultLimits)
	case !a.set && len(p.used) == int(p.setup.Channels):
		return about(wire.ResultChannel)
	}
	if !a.set {
		p.use(m.Channel)
	}
	a.configure(m, p.conf.Outputs[m.Channel].Soft)
	return p.ok()
}

// use adds an output to those that are configured.
func (p *Player) use(n uint8) {
	p.used = append(p.used, n)
	for i := len(p.used) - 1; i > 0 && p.used[i-1] > n; i-- {
		p.used[i-1], p.used[i] = p.used[i], p.used[i-1]
	}
}

// allowed holds a channel against what the board itself allows, what the unit can
// count, and the frame.
func (p *Player) allowed(m *wire.Channel) bool {
	o := &p.conf.Outputs[m.Channel]
	low, high := countable(m.Unit)
	if m.Unit == wire.UnitTicks {
		end := (int64(m.Offset) + int64(m.High)) * int64(p.conf.Tick)
		if end > int64(p.setup.Period)*1000 {
			return false
		}
	}
	return o.Units.Has(m.Unit) && m.Low >= max(low, o.Low) && m.High <= min(high, o.High) &&
		m.Low <= m.Rest && m.Rest <= m.High && m.Change > 0 && m.Change <= o.Change && m.Slow > 0
}

// countable gives the least and the greatest value that a unit counts.
func countable(u wire.Unit) (low, high int32) {
	switch u {
	case wire.UnitTicks:
		return 1, 65535
	case wire.UnitDuty:
		return -32767, 32767
	case wire.UnitLevel:
		return 0, 65535
	case wire.UnitState:
		return 0, 1
	}
	return -1 << 31, 1<<31 - 1
}

// arm lets pulses leave.
func (p *Player) arm(m *wire.Arm) answer {
	switch {
	case m.Boot != p.boot:
		return p.other(wire.ResultBoot)
	case !p.disarmed() || p.refuse || p.inputs&wire.InputsStop != 0:
		return p.other(wire.ResultState)
	case !p.ready || len(p.used) < int(p.setup.Channels) || m.Values.Len() != len(p.used):
		return answer{wire.ResultUnset, nobody}
	}
	for i, n := range p.used {
		a := &p.axes[n]
		if value := m.Values.At(i); !a.live && !a.off(value) && !a.within(a.begin(value)) {
			return answer{wire.ResultLimits, n}
		}
	}
	for i, n := range p.used {
		a := &p.axes[n]
		if value := m.Values.At(i); !a.live && !a.off(value) {
			a.place(a.begin(value))
		}
	}
	p.direct(aimHold)
	p.queue.clear(0)
	p.last.present, p.count.played, p.told = false, 0, 0
	p.enter(wire.StateArmed, wire.CauseHost)
	return p.ok()
}

// frames queues frames.
func (p *Player) frames(m *wire.Frames) answer {
	if !p.armed() {
		return p.other(wire.ResultState)
	}
	n, width := m.Values.Len(), len(p.used)
	if n%width != 0 {
		return answer{wire.ResultUnset, nobody}
	}
	count := n / width
	ahead := m.Index.Ahead(p.queue.next)
	switch {
	case ahead+count > p.conf.Depth:
		return p.other(wire.ResultFull)
	case count > 1 && (int64(m.Spacing) < nearest(int64(p.setup.Period)) || m.Spacing > p.conf.Greatest):
		return answer{wire.ResultLimits, nobody}
	}
	first := p.frameTime(m.Time)
	for k := range count {
		if ahead+k < 0 {
			continue // it came again
		}
		at := first + int64(k)*int64(m.Spacing)/1000
		row := p.queue.put(ahead+k, at, p.state == wire.StatePlaying && p.now-at > p.period/2)
		for i := range width {
			row[i] = m.Values.At(k*width + i)
		}
	}
	return p.ok()
}

// start begins to play.
func (p *Player) start(m *wire.Start) answer {
	switch p.state {
	case wire.StatePlaying:
		return p.ok()
	case wire.StateArmed:
		p.begin, p.last.present = p.at(m.Time), false
		p.enter(wire.StatePlaying, wire.CauseHost)
		return p.ok()
	}
	return p.other(wire.ResultState)
}

// hold stops playing.
func (p *Player) hold() answer {
	switch p.state {
	case wire.StateHeld:
		return p.ok()
	case wire.StatePlaying:
		p.paused = p.now
		p.enter(wire.StateHeld, wire.CauseHost)
		return p.ok()
	}
	return p.other(wire.ResultState)
}

// resume goes on after hold: all times move by as much as the first frame's.
func (p *Player) resume(m *wire.Resume) answer {
	switch p.state {
	case wire.StatePlaying:
		return p.ok()
	case wire.StateHeld:
	default:
		return p.other(wire.ResultState)
	}
	if p.queue.count > 0 {
		later := p.at(m.Time) - p.queue.time(p.queue.first)
		p.queue.shift(later)
		p.last.time += later
		p.begin += later
	}
	p.enter(wire.StatePlaying, wire.CauseHost)
	return p.ok()
}

// halt stops.
func (p *Player) halt(m *wire.Stop) answer {
	switch m.Category {
	case wire.CategoryDrop:
		p.drop(false)
		p.enter(wire.StateSilent, wire.CauseHost)
	case wire.CategoryControlled:
		p.stop(wire.CauseHost)
	default:
		return p.other(wire.ResultUnclear)
	}
	return p.ok()
}

// flush drops frames.
func (p *Player) flush(m *wire.Flush) answer {
	if !p.armed() {
		return p.other(wire.ResultState)
	}
	p.queue.cut(m.Index.Ahead(p.queue.next))
	return p.ok()
}
