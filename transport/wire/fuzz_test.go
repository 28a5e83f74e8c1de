package wire_test

import (
	"bytes"
	"math/rand/v2"
	"reflect"
	"testing"

	"limberjack/transport/wire"
)

// FuzzDecoder gives the decoder any bytes in two portions. What it visits must be a
// packet of the stream as a plain reading of the paper finds it, must encode to the
// same bytes, and its message must come back as it is.
func FuzzDecoder(f *testing.F) {
	r := rand.New(rand.NewPCG(7, 8))
	var e wire.Encoder
	var all []byte
	for _, kind := range kinds() {
		b := frame(f, &e, random(r, kind))
		f.Add(b, uint(3))
		all = append(all, b...)
	}
	f.Add(all, uint(500))
	f.Add(all[5:], uint(1))
	f.Add([]byte{0, 0, 1, 0, 2, 1, 0, 5, 1, 0}, uint(4))
	f.Add(append(bytes.Repeat([]byte{255}, 260), 0), uint(255))
	f.Add(append(wire.AppendCOBS(nil, bytes.Repeat([]byte{7}, 254)), 1, 0), uint(0))
	f.Add(unknown(f, wire.KindPose, 0, []byte{1, 255, 3, 4, 5}), uint(9))
	f.Fuzz(func(t *testing.T, stream []byte, cut uint) {
		var d wire.Decoder
		at := int(cut % uint(len(stream)+1))
		want := plainPackets(stream)
		visit := func(p wire.Packet) {
			for len(want) > 0 && !known(want[0]) {
				want = want[1:]
			}
			b, err := p.Append(nil)
			if err != nil || len(want) == 0 || !bytes.Equal(b, want[0]) {
				t.Fatalf("%+v encodes as %x, %v", p, b, err)
			}
			want = want[1:]
			checkMessage(t, p)
		}
		d.Write(stream[:at], visit)
		d.Write(stream[at:], visit)
		for _, b := range want {
			if known(b) {
				t.Fatalf("%x was not visited", b)
			}
		}
		if c := d.Counts; c.Packets+c.Bad()+c.Short+c.Unknown > uint64(bytes.Count(stream, []byte{0})) {
			t.Fatalf("more packets than zeros: %+v", c)
		}
	})
}

// known says whether a good packet has a known kind and all that the kind needs.
func known(b []byte) bool {
	m := wire.Kind(b[0]).New()
	return m != nil && m.Decode(b[4:len(b)-2]) == nil
}

func checkMessage(t *testing.T, p wire.Packet) {
	m, again := p.Kind.New(), p.Kind.New()
	if err := m.Decode(p.Payload); err != nil {
		t.Fatalf("visited, but %v", err)
	}
	b := m.Append(nil)
	// The spare bits of a mask are sent as zeros.
	if p.Kind != wire.KindPose && !bytes.HasPrefix(p.Payload, b) {
		t.Fatalf("%v %x becomes %x", p.Kind, p.Payload, b)
	}
	if err := again.Decode(b); err != nil || !bytes.Equal(again.Append(nil), b) {
		t.Fatalf("%v %x comes back as %+v, %v", p.Kind, b, again, err)
	}
	if p.Kind != wire.KindPose && !reflect.DeepEqual(m, again) {
		t.Fatalf("%+v comes back as %+v", m, again)
	}
}

// plainPackets finds the good packets of a stream in the slow and plain way.
func plainPackets(stream []byte) (packets [][]byte) {
	frames := bytes.Split(stream, []byte{0})
	for _, code := range frames[:len(frames)-1] {
		b, ok := plainCOBS(code)
		if !ok || len(code) > wire.MaxFrame-1 || len(b) < 6 || len(b) != int(b[1])+6 || b[1] > 240 {
			continue
		}
		end := len(b) - 2
		if plainCRC(b[:end]) == uint16(b[end])|uint16(b[end+1])<<8 {
			packets = append(packets, b)
		}
	}
	return packets
}

// plainCOBS takes a code byte n as n-1 bytes and a zero, of which the last is too
// much, and 255 as 254 bytes.
func plainCOBS(code []byte) (b []byte, ok bool) {
	if len(code) == 0 {
		return nil, false
	}
	zero := false
	for len(code) > 0 {
		n := int(code[0])
		if n > len(code) {
			return nil, false
		}
		if zero {
			b = append(b, 0)
		}
		b, code, zero = append(b, code[1:n]...), code[n:], n != 255
	}
	return b, true
}

// plainCRC goes bit by bit as the catalogue's model does.
func plainCRC(b []byte) uint16 {
	register := uint32(0xffff)
	for _, c := range b {
		for i := 7; i >= 0; i-- {
			out := register>>15&1 ^ uint32(c)>>i&1
			register = register << 1 & 0xffff
			if out != 0 {
				register ^= 0x1021
			}
		}
	}
	return uint16(register)
}
