package wire_test

import (
	"bytes"
	"errors"
	"math/rand/v2"
	"reflect"
	"strings"
	"testing"

	"limberjack/transport/wire"
)

func kinds() (all []wire.Kind) {
	for k := range 256 {
		if wire.Kind(k).Known() {
			all = append(all, wire.Kind(k))
		}
	}
	return all
}

func mustPacket(t testing.TB, m wire.Message) []byte {
	t.Helper()
	var e wire.Encoder
	b, err := e.Packet(nil, m)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// random fills a message with anything that its layout can carry.
func random(r *rand.Rand, kind wire.Kind) wire.Message {
	m := kind.New()
	v := reflect.ValueOf(m).Elem()
	count := r.IntN(wire.MaxChannels + 1)
	for i := range v.NumField() {
		f := v.Field(i)
		switch {
		case f.CanUint():
			f.SetUint(r.Uint64() & (1<<f.Type().Bits() - 1))
		case f.CanInt():
			f.SetInt(int64(int32(r.Uint32())))
		case f.Type() == reflect.TypeFor[wire.Mask]():
			mask := wire.Mask{}.Add(max(count-1, 0))[:(count+7)/8]
			for c := range count {
				if r.IntN(2) == 0 {
					mask = mask.Add(c)
				}
			}
			f.SetBytes(mask)
		case f.Type() == reflect.TypeFor[wire.Values]():
			values := wire.Values{}
			for range count {
				values = values.Add(uint16(r.Uint32()))
			}
			f.SetBytes(values)
		default:
			f.SetBytes([]byte(strings.Repeat("keeper ", r.IntN(28))))
		}
	}
	return m
}

func TestMessagesComeBackAsTheyWent(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	var e wire.Encoder
	var d wire.Decoder
	for n := range 20000 {
		kind := kinds()[r.IntN(len(kinds()))]
		sent := random(r, kind)
		frame, err := e.Frame(nil, sent)
		if err != nil {
			t.Fatal(err)
		}
		if len(frame) > wire.MaxFrame || bytes.IndexByte(frame, 0) != len(frame)-1 {
			t.Fatalf("%v is framed as %x", kind, frame)
		}
		visited := 0
		d.Write(frame, func(p wire.Packet) {
			visited++
			got := kind.New()
			if err := got.Decode(p.Payload); err != nil || p.Kind != kind || p.Sequence != uint16(n) || !reflect.DeepEqual(got, sent) {
				t.Fatalf("%v %d %+v becomes %v %d %+v, %v", kind, n, sent, p.Kind, p.Sequence, got, err)
			}
		})
		if visited != 1 {
			t.Fatalf("%v %d gives %d packets", kind, n, visited)
		}
	}
	if c := d.Counts; c != (wire.Counts{Packets: 20000}) {
		t.Errorf("faults on a clean line: %+v", c)
	}
}

func TestLongerPayloadsAreTakenAndShorterOnesRefused(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	for _, kind := range kinds() {
		sent := random(r, kind)
		payload := sent.Append(nil)
		short := payload[:max(kind.Size()-1, 0)]
		var fault *wire.Error
		if err := kind.New().Decode(short); kind.Size() > 0 && (!errors.As(err, &fault) || fault.Fault != wire.FaultShort || fault.Kind != kind || fault.Want < kind.Size()) {
			t.Errorf("%v of %d bytes: %v", kind, len(short), err)
		}
		grows := kind != wire.KindArm && kind != wire.KindFrames && kind != wire.KindIdentity
		if !grows {
			continue
		}
		got := kind.New()
		if err := got.Decode(append(bytes.Clone(payload), 0xa5, 0x5a, 0x77)); err != nil || !reflect.DeepEqual(got, sent) {
			t.Errorf("%v with more bytes: %+v, %v", kind, got, err)
		}
	}
}

func TestHalfValuesAndMissingOnesAreRefused(t *testing.T) {
	for _, c := range []struct {
		kind    wire.Kind
		payload string
		want    int
	}{
		{wire.KindArm, "3412 01", 4},
		{wire.KindFrames, "0000 00000000 00000000 dc05 dc", 14},
		{wire.KindPose, "01 09 ff01 dc05", 2 + 2 + 18},
		{wire.KindPose, "01 01", 2 + 1 + 2},
		{wire.KindPose, "01", 2},
	} {
		err := c.kind.New().Decode(unhex(t, c.payload))
		var fault *wire.Error
		if !errors.As(err, &fault) || fault.Fault != wire.FaultShort || fault.Want != c.want {
			t.Errorf("%v %s: %v, want %d bytes", c.kind, c.payload, err, c.want)
		}
	}
}

func TestPosesOfTheMostChannelsFillAPayload(t *testing.T) {
	m := &wire.Pose{Live: wire.Mask{}.Add(wire.MaxChannels + 3), Values: make(wire.Values, 2*wire.MaxChannels)}
	if n := len(m.Append(nil)); n != wire.MaxPayload {
		t.Errorf("%d bytes", n)
	}
	m.Values = m.Values.Add(0)
	var e wire.Encoder
	dst := []byte("before")
	got, err := e.Packet(dst, m)
	var fault *wire.Error
	if !errors.As(err, &fault) || fault.Fault != wire.FaultLong || string(got) != "before" || e.Sequence() != 0 {
		t.Errorf("113 channels: %d bytes, %v, next %d", len(got), err, e.Sequence())
	}
	if got, err = e.Frame(dst, m); err == nil || string(got) != "before" {
		t.Errorf("113 channels framed: %d bytes, %v", len(got), err)
	}
}

func TestMasksAreAsLongAsTheirChannels(t *testing.T) {
	for _, c := range []struct {
		live  wire.Mask
		count int
		want  string
	}{
		{nil, 9, "0000"},
		{wire.Mask{0xff, 0xff, 0xff}, 9, "ff01"},
		{wire.Mask{}.Add(8).Add(0), 16, "0101"},
	} {
		m := wire.Pose{Live: c.live, Values: make(wire.Values, 2*c.count)}
		if got := m.Append(nil)[2 : 2+(c.count+7)/8]; !bytes.Equal(got, unhex(t, c.want)) {
			t.Errorf("%x of %d channels is sent as %x, want %s", c.live, c.count, got, c.want)
		}
	}
	m := wire.Mask{}.Add(11)
	if !m.Has(11) || m.Has(10) || m.Has(100) {
		t.Errorf("%x", m)
	}
}

func TestPacketsThatAreNone(t *testing.T) {
	good := mustPacket(t, &wire.Clock{Token: 7})
	with := func(change func(b []byte) []byte) []byte { return change(bytes.Clone(good)) }
	for _, c := range []struct {
		name   string
		b      []byte
		fault  wire.Fault
		offset int64
		says   string
	}{
		{"empty", nil, wire.FaultFraming, 0, "0 bytes are there, 6 belong"},
		{"cut short", good[:9], wire.FaultFraming, 1, "9 bytes are there, 10 belong"},
		{"one byte more", append(bytes.Clone(good), 1), wire.FaultFraming, 1, "11 bytes are there, 10 belong"},
		{"a length above the most", with(func(b []byte) []byte { b[1] = 241; return b }), wire.FaultLong, 1, "241 bytes of payload, the most is 240"},
		{"a wrong bit", with(func(b []byte) []byte { b[5] ^= 4; return b }), wire.FaultCRC, 8, "of this clock packet"},
		{"a wrong CRC", with(func(b []byte) []byte { b[9] ^= 1; return b }), wire.FaultCRC, 8, "CRC"},
	} {
		_, err := wire.ParsePacket(c.b)
		var fault *wire.Error
		if !errors.As(err, &fault) || fault.Fault != c.fault || fault.Offset != c.offset || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v", c.name, err)
		}
	}
}

func TestNamesOfNumbers(t *testing.T) {
	for _, c := range []struct{ got, want string }{
		{wire.StatePlaying.String(), "playing"},
		{wire.State(9).String(), "state 9"},
		{wire.State(9).Meaning(), ""},
		{wire.CauseSilence.Meaning(), "no valid message from the host"},
		{wire.ResultLimits.Meaning(), "out of the board's own limits"},
		{wire.KindFrames.String(), "frames"},
		{wire.Kind(0x33).String(), "message 0x33"},
		{wire.PolicyRelease.String(), "release"},
	} {
		if c.got != c.want {
			t.Errorf("%q, want %q", c.got, c.want)
		}
	}
	if wire.StateLost.Known() != true || wire.State(7).Known() {
		t.Error("the last state that is known is lost")
	}
	// The masks of units must have the bits that the units number.
	units := wire.UnitsTicks | wire.UnitsSteps
	if !units.Has(wire.UnitTicks) || units.Has(wire.UnitDuty) || !units.Has(wire.UnitSteps) || wire.UnitsState != 1<<wire.UnitState || units.Has(99) {
		t.Errorf("units %b", units)
	}
}
