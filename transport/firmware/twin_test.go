package firmware_test

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"testing"

	"limberjack/transport/board"
	"limberjack/transport/firmware"
	"limberjack/transport/wire"
)

// twin drives the board in Go, and writes down what it was given and what it did, in the
// form of the program in C (src/host/lj_host.c).
type twin struct {
	t      testing.TB
	conf   *firmware.Config
	p      *board.Player
	now    int64 // us since power-up
	born   int64
	epoch  uint32
	boot   uint16
	inputs wire.Inputs

	host    wire.Encoder
	encoder wire.Encoder
	decoder wire.Decoder
	counted wire.Counts

	script []byte
	want   []byte
	acks   []wire.Ack
	slots  int
	label  string // for errors
}

func newTwin(t testing.TB, c *firmware.Config, epoch uint32) *twin {
	w := &twin{t: t, conf: c, epoch: epoch, boot: 7}
	w.decoder.From = wire.FromHost
	b := inGo(c)
	b.Boot, b.Epoch, b.Supply = w.boot, wire.Tick(epoch), 4987
	b.Send, b.Slot, b.Drop = w.sent, w.slot, w.dropped
	w.p = board.NewPlayer(b)
	w.script = append(w.script, 'N')
	w.script = binary.LittleEndian.AppendUint16(w.script, w.boot)
	w.script = binary.LittleEndian.AppendUint32(w.script, epoch)
	w.script = binary.LittleEndian.AppendUint16(w.script, b.Supply)
	return w
}

func (w *twin) tick(at int64) uint32 { return w.epoch + uint32(at-w.born) }

func (w *twin) sent(m wire.Message) {
	frame, err := w.encoder.Frame(nil, m)
	if err != nil {
		w.t.Fatal(err)
	}
	if a, ok := m.(*wire.Ack); ok {
		w.acks = append(w.acks, *a)
	}
	w.want = append(w.want, 's', byte(len(frame)))
	w.want = append(w.want, frame...)
}

func flag(yes bool, bit byte) byte {
	if yes {
		return bit
	}
	return 0
}

func (w *twin) slot(s *board.Slot) {
	w.slots++
	w.want = append(w.want, 'l')
	w.want = binary.LittleEndian.AppendUint32(w.want, w.tick(s.Start))
	w.want = binary.LittleEndian.AppendUint32(w.want, uint32(s.Room))
	w.want = binary.LittleEndian.AppendUint32(w.want, uint32(s.Period))
	w.want = binary.LittleEndian.AppendUint16(w.want, uint16(s.Index))
	w.want = append(w.want, byte(s.State), flag(s.Framed, 1)|flag(s.Bridged, 2), byte(len(s.Pins)))
	for _, p := range s.Pins {
		w.want = append(w.want, p.Output, byte(p.Unit), flag(p.Live, 1)|flag(p.Fresh, 2))
		w.want = binary.LittleEndian.AppendUint16(w.want, p.Offset)
		w.want = binary.LittleEndian.AppendUint16(w.want, p.Value)
	}
}

func (w *twin) dropped(at int64, cut bool) {
	w.want = append(w.want, 'd')
	w.want = binary.LittleEndian.AppendUint32(w.want, w.tick(at))
	w.want = append(w.want, flag(cut, 1))
}

func (w *twin) command(letter byte) {
	w.script = append(w.script, letter)
	w.script = binary.LittleEndian.AppendUint32(w.script, w.tick(w.now))
}

// bytes gives the board bytes of the host, all at once.
func (w *twin) bytes(b []byte) {
	w.p.Advance(w.now)
	for len(b) > 0 {
		n := min(len(b), 255)
		w.command('B')
		w.script = append(append(w.script, byte(n)), b[:n]...)
		for i := range n {
			w.decoder.Write(b[i:i+1], func(p wire.Packet) { w.p.Receive(w.now, p) })
			c := w.decoder.Counts
			w.p.Bad(int(c.Bad()-w.counted.Bad()), int(c.Unknown+c.Short-w.counted.Unknown-w.counted.Short))
			w.counted = c
		}
		b = b[n:]
	}
}

// frame gives a message as it stands on the line.
func (w *twin) frame(m wire.Message) []byte {
	b, err := w.host.Frame(nil, m)
	if err != nil {
		w.t.Fatal(err)
	}
	return b
}

// say gives the board messages.
func (w *twin) say(ms ...wire.Message) {
	for _, m := range ms {
		w.bytes(w.frame(m))
	}
}

// must gives the board messages that it has to acknowledge as done.
func (w *twin) must(ms ...wire.Message) {
	w.t.Helper()
	for _, m := range ms {
		n := len(w.acks)
		w.say(m)
		if len(w.acks) != n+1 || w.acks[n].Result != wire.ResultOk {
			w.t.Fatalf("%s at %d us in %s: %v", m.Kind(), w.now, w.p.State(), w.acks[n:])
		}
	}
}

// wait lets time pass without a word.
func (w *twin) wait(us int64) {
	w.now += us
	w.p.Advance(w.now)
	w.command('A')
}

// run lets time pass, with a word of the host each 50 ms.
func (w *twin) run(us int64) {
	for end := w.now + us; w.now < end; {
		w.wait(min(50_000, end-w.now))
		w.say(&wire.Clock{Token: uint32(w.now)})
	}
}

func (w *twin) input(active wire.Inputs) {
	w.inputs = active
	w.p.Input(w.now, active)
	w.command('I')
	w.script = binary.LittleEndian.AppendUint16(w.script, uint16(active))
}

// skip hangs the board for some time.
func (w *twin) skip(us int64) {
	w.now += us
	w.p.Skip(w.now)
	w.command('S')
}

// reset resets the board, and lets it begin again: its program is not there at once, so
// that it cannot know when the last slot before was.
func (w *twin) reset(cause wire.Reset) {
	w.p.Reset(w.now, cause)
	w.command('R')
	w.script = append(w.script, byte(cause))
	w.born, w.epoch = w.now, 0
	w.boot++
	w.encoder = wire.Encoder{}
	w.decoder = wire.Decoder{From: wire.FromHost, Counts: w.decoder.Counts}
	w.wait(int64(w.conf.Greatest)/1000 + 200_000)
}

// compare has the program in C play the same, and says where it does something else.
func (w *twin) compare(d *device) {
	w.t.Helper()
	w.p.Advance(w.now)
	w.command('A')
	got := d.run(w.t, w.script)
	if bytes.Equal(got, w.want) {
		return
	}
	ours, theirs := records(w.want), records(got)
	for i := range ours {
		if i < len(theirs) && ours[i] == theirs[i] {
			continue
		}
		for k := max(0, i-6); k < i; k++ {
			w.t.Logf("both: %s", ours[k])
		}
		w.t.Logf("Go:   %s", ours[i])
		if i < len(theirs) {
			w.t.Logf("C:    %s", theirs[i])
		}
		break
	}
	w.t.Fatalf("%s: Go and C do not agree: %d and %d records", w.label, len(ours), len(theirs))
}

// records gives what a program has done in words.
func records(b []byte) (all []string) {
	le := binary.LittleEndian
	for len(b) > 0 {
		n := 0
		switch b[0] {
		case 's':
			n = 2 + int(b[1])
			body := append([]byte{}, b[2:n-1]...)
			text := "not decoded"
			if size, err := wire.DecodeCOBS(body); err == nil {
				if p, err := wire.ParsePacket(body[:size]); err == nil {
					m := p.Kind.New()
					if m.Decode(p.Payload) == nil {
						text = fmt.Sprintf("%d %s %+v", p.Sequence, p.Kind, m)
					}
				}
			}
			all = append(all, fmt.Sprintf("sent %x: %s", b[2:n], text))
		case 'l':
			n = 18 + 7*int(b[17])
			text := fmt.Sprintf("slot at %d, room %d, period %d, index %d, state %s, flags %d:", le.Uint32(b[1:]), le.Uint32(b[5:]),
				le.Uint32(b[9:]), le.Uint16(b[13:]), wire.State(b[15]), b[16])
			for p := b[18:n]; len(p) > 0; p = p[7:] {
				text += fmt.Sprintf(" %d %s %d +%d %d;", p[0], wire.Unit(p[1]), p[2], le.Uint16(p[3:]), le.Uint16(p[5:]))
			}
			all = append(all, text)
		case 'd':
			n = 6
			all = append(all, fmt.Sprintf("drop at %d, cut %d", le.Uint32(b[1:]), b[5]))
		default:
			return append(all, fmt.Sprintf("no record: %x", b[:min(len(b), 16)]))
		}
		b = b[n:]
	}
	return all
}
