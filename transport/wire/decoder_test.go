package wire_test

import (
	"bytes"
	"math/rand/v2"
	"testing"

	"limberjack/transport/wire"
)

func frame(t testing.TB, e *wire.Encoder, m wire.Message) []byte {
	t.Helper()
	b, err := e.Frame(nil, m)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// unknown makes a good packet of a kind that no version has, in a frame.
func unknown(t testing.TB, kind wire.Kind, sequence uint16, payload []byte) []byte {
	t.Helper()
	p, err := wire.Packet{Kind: kind, Sequence: sequence, Payload: payload}.Append(nil)
	if err != nil {
		t.Fatal(err)
	}
	return append(wire.AppendCOBS(nil, p), 0)
}

func TestDecoderGoesOnAfterAnythingBad(t *testing.T) {
	var e wire.Encoder
	first := frame(t, &e, &wire.Clock{Token: 1})
	hurt := frame(t, &e, &wire.Clock{Token: 2})
	hurt[5] ^= 0x40
	last := frame(t, &e, &wire.Clock{Token: 3})
	for _, c := range []struct {
		name   string
		bad    []byte
		counts wire.Counts
		fault  wire.Fault
		offset int // from the end of the first frame
	}{
		{"a wrong bit", hurt, wire.Counts{CRC: 1}, wire.FaultCRC, 1 + 8},
		{"noise", []byte{0x55, 0x13, 0}, wire.Counts{Framing: 1}, wire.FaultFraming, 0},
		{"a packet cut short", append(bytes.Clone(hurt[:4]), 0), wire.Counts{Framing: 1}, wire.FaultFraming, 1 + 3},
		{"1000 bytes without a zero", append(bytes.Repeat([]byte{3}, 1000), 0), wire.Counts{Long: 1}, wire.FaultLong, 0},
		{"a kind of later", unknown(t, 0x3f, 1, []byte{1, 2}), wire.Counts{Unknown: 1}, wire.FaultUnknown, 1},
		{"our own echo", unknown(t, wire.KindCredit, 1, []byte{1, 2, 3, 4}), wire.Counts{Unknown: 1}, wire.FaultUnknown, 1},
		{"too short for its kind", unknown(t, wire.KindResume, 1, []byte{1, 2, 3}), wire.Counts{Short: 1}, wire.FaultShort, 1 + 4 + 3},
	} {
		var faults []wire.Error
		d := wire.Decoder{From: wire.FromHost, Report: func(e *wire.Error) { faults = append(faults, *e) }}
		var tokens []uint32
		noise := []byte{0x55, 0}
		for _, b := range [][]byte{first, c.bad, {0, 0}, last, noise} {
			d.Write(b, func(p wire.Packet) {
				var m wire.Clock
				if err := m.Decode(p.Payload); err != nil || p.Kind != wire.KindClock {
					t.Fatal(p.Kind, err)
				}
				tokens = append(tokens, m.Token)
			})
		}
		if len(tokens) != 2 || tokens[0] != 1 || tokens[1] != 3 {
			t.Errorf("%s: the messages around it came as %v", c.name, tokens)
		}
		if c.counts.Unknown+c.counts.Short == 0 {
			c.counts.Gaps, c.counts.Lost = 1, 1
		}
		c.counts.Packets, c.counts.Framing = 2, c.counts.Framing+1
		if d.Counts != c.counts {
			t.Errorf("%s: %+v, want %+v", c.name, d.Counts, c.counts)
		}
		at, end := int64(len(first)+c.offset), int64(len(first)+len(c.bad)+2+len(last))
		if len(faults) != 2 || faults[0].Fault != c.fault || faults[0].Offset != at || faults[1].Offset != end {
			t.Errorf("%s: reported as %+v, want offsets of %d and %d", c.name, faults, at, end)
		}
	}
}

func TestDecoderCountsSequenceNumbers(t *testing.T) {
	clock, identify := wire.KindClock, wire.KindIdentify
	for _, c := range []struct {
		name    string
		kinds   []wire.Kind
		numbers []uint16
		want    wire.Counts
	}{
		{"any beginning", []wire.Kind{clock, clock}, []uint16{700, 701}, wire.Counts{}},
		{"the wrap", []wire.Kind{clock, clock, clock}, []uint16{65534, 65535, 0}, wire.Counts{}},
		{"a gap of three", []wire.Kind{clock, clock}, []uint16{5, 9}, wire.Counts{Gaps: 1, Lost: 3}},
		{"a gap across the wrap", []wire.Kind{clock, clock}, []uint16{65534, 1}, wire.Counts{Gaps: 1, Lost: 2}},
		{"twice", []wire.Kind{clock, clock, clock}, []uint16{5, 5, 6}, wire.Counts{Back: 1}},
		{"back", []wire.Kind{clock, clock, clock}, []uint16{900, 3, 4}, wire.Counts{Back: 1}},
		{"a new host", []wire.Kind{clock, identify, clock}, []uint16{900, 0, 1}, wire.Counts{}},
		{"a new host and a loss", []wire.Kind{clock, identify, clock}, []uint16{900, 0, 2}, wire.Counts{Gaps: 1, Lost: 1}},
	} {
		d := wire.Decoder{From: wire.FromHost}
		for i, n := range c.numbers {
			d.Write(unknown(t, c.kinds[i], n, []byte{1, 2, 3, 4}), func(wire.Packet) {})
		}
		c.want.Packets = uint64(len(c.numbers))
		if d.Counts != c.want {
			t.Errorf("%s: %+v, want %+v", c.name, d.Counts, c.want)
		}
	}
}

func TestPacketsOfAWebSocketAreCountedAlike(t *testing.T) {
	d := wire.Decoder{From: wire.FromBoard}
	good := mustPacket(t, &wire.Credit{Limit: 40, Free: 40})
	if p, err := d.Take(good); err != nil || p.Kind != wire.KindCredit {
		t.Error(p, err)
	}
	for _, b := range [][]byte{nil, good[:7], append(bytes.Clone(good), 0), mustPacket(t, &wire.Hold{}), make([]byte, 300)} {
		if p, err := d.Take(b); err == nil {
			t.Errorf("%x gives %+v", b, p)
		}
	}
	want := wire.Counts{Packets: 1, Framing: 3, Unknown: 1, Long: 1, Back: 1}
	if d.Counts != want || d.Counts.Bad() != 4 {
		t.Errorf("%+v, want %+v", d.Counts, want)
	}
}

// What a line gives must not depend on the portions in which it gives it.
func TestPortionsDoNotMatter(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	var e wire.Encoder
	var stream []byte
	for range 300 {
		stream = append(stream, frame(t, &e, random(r, kinds()[r.IntN(len(kinds()))]))...)
		if r.IntN(5) == 0 {
			stream[r.IntN(len(stream))] ^= byte(1 << r.IntN(8))
		}
	}
	whole, want := collect([][]byte{stream})
	for range 50 {
		var portions [][]byte
		for rest := stream; len(rest) > 0; {
			n := min(len(rest), 1+r.IntN(1+r.IntN(600)))
			portions, rest = append(portions, rest[:n]), rest[n:]
		}
		got, counts := collect(portions)
		if !bytes.Equal(got, whole) || counts != want {
			t.Fatalf("%+v in %d portions, %+v in one", counts, len(portions), want)
		}
	}
	if want.Bad() == 0 || want.Packets < 200 {
		t.Errorf("the line was not as bad as meant: %+v", want)
	}
}

// collect gives all good packets, one after the other.
func collect(portions [][]byte) (packets []byte, counts wire.Counts) {
	var d wire.Decoder
	for _, b := range portions {
		d.Write(b, func(p wire.Packet) { packets, _ = p.Append(packets) })
	}
	return packets, d.Counts
}
