package wire

import "bytes"

// Counts are what a Decoder has met.
type Counts struct {
	Packets uint64 // good, of known kinds
	CRC     uint64 // with a wrong CRC
	Framing uint64 // no packets: noise, or packets cut short
	Long    uint64 // longer than a packet may be
	Short   uint64 // payloads shorter than their kind needs
	Unknown uint64 // good, of unknown kinds or of those that this side sends
	Gaps    uint64 // places where sequence numbers are missing
	Lost    uint64 // packets missing in them
	Back    uint64 // sequence numbers that came again, or went back
}

// Bad gives how many packets did not come whole.
func (c Counts) Bad() uint64 { return c.CRC + c.Framing + c.Long }

// Decoder finds the packets in what is received from one side, checks and counts
// them. After anything bad it goes on behind the next zero. It keeps one frame,
// whatever it receives. The zero value takes messages of both sides.
type Decoder struct {
	// From is the side that sends; messages of the other are counted as unknown, so
	// that an echo does no harm.
	From Side
	// Report, where it is not nil, is told of each fault, with its offset in all that
	// was given to Write, or in the packet given to Take.
	Report func(*Error)
	// Counts are kept up to date by the decoder.
	Counts Counts

	buf   [MaxFrame - 1]byte
	n     int   // bytes of the frame in buf
	over  int64 // bytes of the frame that buf has no room for
	start int64 // offset of the frame in the stream
	last  uint16
	begun bool
}

// Write takes bytes as a serial line gives them, in any portions, and calls visit
// for each good packet of a known kind. The packet's payload is valid until visit
// returns. Two zeros in a row are no fault: a sender may clear the line by one.
func (d *Decoder) Write(p []byte, visit func(Packet)) {
	for len(p) > 0 {
		end := bytes.IndexByte(p, 0)
		if end < 0 {
			d.keep(p)
			return
		}
		d.keep(p[:end])
		d.frame(visit)
		p = p[end+1:]
	}
}

// keep adds bytes to the frame that is being received.
func (d *Decoder) keep(p []byte) {
	room := len(d.buf) - d.n
	if len(p) > room {
		d.over += int64(len(p) - room)
		p = p[:room]
	}
	d.n += copy(d.buf[d.n:], p)
}

// frame takes the frame that a zero has ended, and begins the next.
func (d *Decoder) frame(visit func(Packet)) {
	n, over, start := d.n, d.over, d.start
	d.n, d.over, d.start = 0, 0, start+int64(n)+over+1
	if over > 0 {
		d.fault(&Error{Fault: FaultLong, Have: MaxPayload + int(over), Want: MaxPayload}, start)
		return
	}
	if n == 0 {
		return
	}
	m, err := DecodeCOBS(d.buf[:n])
	if err != nil {
		d.fault(err, start)
		return
	}
	// The byte of COBS before a packet shifts it by one.
	if p, err := d.accept(d.buf[:m], start+1); err == nil {
		visit(p)
	}
}

// Take takes one packet as a WebSocket gives it. Its payload shares the bytes of b.
// What is wrong is counted, and given as an *Error with an offset in b; the
// connection goes on.
func (d *Decoder) Take(b []byte) (Packet, error) { return d.accept(b, 0) }

// accept reads a packet and counts it. Errors have their offset moved by where the
// packet begins.
func (d *Decoder) accept(b []byte, start int64) (Packet, error) {
	p, err := ParsePacket(b)
	if err != nil {
		return Packet{}, d.fault(err, start)
	}
	d.number(p)
	if !p.Kind.Known() || d.From != Either && p.Kind.From() != d.From {
		return Packet{}, d.fault(&Error{Fault: FaultUnknown, Kind: p.Kind}, start)
	}
	if err := whole(p.Kind, p.Payload); err != nil {
		return Packet{}, d.fault(err, start+headSize)
	}
	d.Counts.Packets++
	return p, nil
}

// number follows the sequence numbers. A message that identifies begins them anew.
func (d *Decoder) number(p Packet) {
	ahead := int16(p.Sequence - d.last)
	anew := !d.begun || p.Kind == KindIdentify || p.Kind == KindIdentity
	d.begun, d.last = true, p.Sequence
	switch {
	case anew:
	case ahead <= 0:
		d.Counts.Back++
	case ahead > 1:
		d.Counts.Gaps++
		d.Counts.Lost += uint64(ahead - 1)
	}
}

// fault counts an error, moves it by start and reports it.
func (d *Decoder) fault(err error, start int64) error {
	e := err.(*Error)
	e.Offset += start
	switch e.Fault {
	case FaultLong:
		d.Counts.Long++
	case FaultFraming:
		d.Counts.Framing++
	case FaultCRC:
		d.Counts.CRC++
	case FaultUnknown:
		d.Counts.Unknown++
	case FaultShort:
		d.Counts.Short++
	}
	if d.Report != nil {
		d.Report(e)
	}
	return e
}
