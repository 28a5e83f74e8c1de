package wire_test

import (
	"testing"

	"limberjack/transport/wire"
)

// frameOf16 is a message with one frame of 16 channels.
func frameOf16() *wire.Frames {
	m := &wire.Frames{Index: 900, Time: 0x01020304, Spacing: 20e6}
	for i := range 16 {
		m.Values = m.Values.Add(uint16(1000 + 16*i))
	}
	return m
}

// BenchmarkFrameOf16Channels encodes a frame for a serial line, and finds, checks
// and reads it again.
func BenchmarkFrameOf16Channels(b *testing.B) {
	var e wire.Encoder
	d := wire.Decoder{From: wire.FromHost}
	sent, got := frameOf16(), new(wire.Frames)
	buf := make([]byte, 0, wire.MaxFrame)
	sum := 0
	visit := func(p wire.Packet) {
		if err := got.Decode(p.Payload); err != nil {
			b.Fatal(err)
		}
		sum += int(got.Values.At(15))
	}
	b.ReportAllocs()
	for b.Loop() {
		frame, err := e.Frame(buf, sent)
		if err != nil {
			b.Fatal(err)
		}
		d.Write(frame, visit)
	}
	if d.Counts.Packets != uint64(b.N) || sum != 1240*b.N {
		b.Fatalf("%+v of %d", d.Counts, b.N)
	}
}

func TestFramesTakeNoMemoryOfTheirOwn(t *testing.T) {
	var e wire.Encoder
	var d wire.Decoder
	sent, got := frameOf16(), new(wire.Frames)
	buf := make([]byte, 0, wire.MaxFrame)
	var fault error
	visit := func(p wire.Packet) { fault = got.Decode(p.Payload) }
	if n := testing.AllocsPerRun(100, func() {
		frame, _ := e.Frame(buf, sent)
		d.Write(frame, visit)
	}); n != 0 || fault != nil || d.Counts.Packets != 101 {
		t.Errorf("%v allocations a frame, %v, %+v", n, fault, d.Counts)
	}
}
