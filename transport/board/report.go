package board

import "limberjack/transport/wire"

// outbox has room for each message that a board sends.
type outbox struct {
	identity wire.Identity
	limits   wire.Limits
	time     wire.Time
	ack      wire.Ack
	status   wire.Status
	pose     wire.Pose
	credit   wire.Credit

	live   wire.Mask
	values wire.Values
}

func (p *Player) send(m wire.Message) {
	if p.conf.Send != nil {
		p.conf.Send(m)
	}
}

// report sends what is due without being asked for. A board is silent until it has
// been asked who it is.
func (p *Player) report() {
	switch {
	case !p.greeted:
	case p.changed:
		p.status()
	case p.queue.next.Ahead(p.told) >= max(1, p.conf.Depth/4):
		p.credit()
	}
}

func (p *Player) identity() {
	p.out.identity = wire.Identity{Version: wire.Version, Boot: p.boot, Cause: p.reset, Resets: p.resets,
		Channels: uint8(len(p.conf.Outputs)), Depth: uint16(p.conf.Depth), Payload: p.conf.Payload, Tick: p.conf.Tick,
		Least: p.conf.Least, Greatest: p.conf.Greatest, Print: p.conf.Print, Name: p.name}
	p.send(&p.out.identity)
}

// limits tells what the board allows on an output, and is false where there is none.
func (p *Player) limits(n int) bool {
	if n >= len(p.conf.Outputs) || p.conf.Outputs[n].Units == 0 {
		return false
	}
	o := &p.conf.Outputs[n]
	p.out.limits = wire.Limits{Channel: uint8(n), Units: o.Units, Low: o.Low, High: o.High, Change: o.Change}
	p.send(&p.out.limits)
	return true
}

func (p *Player) time(token uint32) {
	p.out.time = wire.Time{Token: token, Received: p.Tick(), Sent: p.Tick()}
	p.send(&p.out.time)
}

// acknowledge answers a message and sends what follows the answer.
func (p *Player) acknowledge(packet wire.Packet, a answer) {
	if packet.Kind == wire.KindFrames && a.result == wire.ResultOk {
		return
	}
	p.out.ack = wire.Ack{About: packet.Kind, Sequence: packet.Sequence, Result: a.result, Detail: a.detail}
	p.send(&p.out.ack)
	if a.result != wire.ResultOk {
		return
	}
	switch packet.Kind {
	case wire.KindArm:
		p.pose()
	case wire.KindFlush:
		p.credit()
	}
}

// status sends a status, and the credit that follows it.
func (p *Player) status() {
	p.changed, p.due = false, p.now+statusEvery
	p.out.status = p.Status()
	p.send(&p.out.status)
	p.credit()
}

func (p *Player) pose() {
	o := &p.out
	o.live, o.values = o.live[:0], o.values[:0]
	for i, n := range p.used {
		a := &p.axes[n]
		o.values = o.values.Add(a.wire())
		if a.live {
			o.live = o.live.Add(i)
		}
	}
	o.pose = wire.Pose{State: p.state, Live: o.live, Values: o.values}
	p.send(&o.pose)
}

func (p *Player) credit() {
	p.told = p.queue.next
	p.out.credit = wire.Credit{Limit: p.told.Add(p.conf.Depth), Free: uint16(p.conf.Depth - p.queue.count)}
	p.send(&p.out.credit)
}
