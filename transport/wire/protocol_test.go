package wire_test

import (
	"bytes"
	"fmt"
	"os"
	"regexp"
	"strings"
	"testing"

	"limberjack/transport/wire"
)

// examples are those of PROTOCOL.md, with the words that stand over them.
var examples = []struct {
	words    string
	sequence uint16
	message  wire.Message
}{
	{"identify: the host speaks version 1", 0, &wire.Identify{Version: 1}},
	{"identity: board `shore`, boot 0xbeef after a reset by the pin, 4 outputs, 64 frames, 0.5 us a tick, 2.5 to 25 ms a frame", 0, &wire.Identity{
		Version: 1, Boot: 0xbeef, Cause: wire.ResetPin, Resets: 1, Channels: 4, Depth: 64, Payload: 240,
		Tick: 500000, Least: 2500000, Greatest: 25000000, Name: []byte("shore")}},
	{"clock: token 7", 1, &wire.Clock{Token: 7}},
	{"time: it came 12 us before the board's clock wrapped, and the answer leaves 20 us later", 1, &wire.Time{
		Token: 7, Received: 0xfffffff4, Sent: 8}},
	{"setup: 2 channels, 20 ms a frame, lost after 250 ms", 2, &wire.Setup{Channels: 2, Period: 20000000, Silence: 250}},
	{"channel 0: a servo that carries weight, 1000 to 2000 us, at rest at 1500 us; it moves 20 us a frame at most, and brakes by 2 us a frame in each frame", 3, &wire.Channel{
		Unit: wire.UnitTicks, Lost: wire.PolicyRest, Flags: wire.FlagsWeight, Low: 2000, High: 4000, Rest: 3000, Change: 40, Slow: 4}},
	{"ack: done, the board is silent", 3, &wire.Ack{About: wire.KindChannel, Sequence: 3}},
	{"arm: both channels stand at 1500 us", 5, &wire.Arm{Boot: 0xbeef, Values: wire.Values{}.Add(3000, 3000)}},
	{"pose: armed, both channels have pulses", 6, &wire.Pose{State: wire.StateArmed, Live: wire.Mask{3}, Values: wire.Values{}.Add(3000, 3000)}},
	{"frames: two of two channels, the first at 0x00100000 us", 6, &wire.Frames{
		Time: 0x00100000, Spacing: 20000000, Values: wire.Values{}.Add(3000, 3000, 3010, 2990)}},
	{"credit: there is room up to frame 63", 7, &wire.Credit{Limit: 64, Free: 62}},
	{"stop 1, the controlled one", 7, &wire.Stop{Category: wire.CategoryControlled}},
	{"stop 0, which drops the pulses", 8, &wire.Stop{}},
}

func guide(t *testing.T) string {
	t.Helper()
	text, err := os.ReadFile("PROTOCOL.md")
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

func TestExamplesInTheGuideAreTrue(t *testing.T) {
	text := guide(t)
	for _, x := range examples {
		packet, err := wire.Packet{Kind: x.message.Kind(), Sequence: x.sequence, Payload: x.message.Append(nil)}.Append(nil)
		if err != nil {
			t.Fatal(err)
		}
		want := fmt.Sprintf("%s\n\n    packet  % x\n    serial  % x 00\n", x.words, packet, wire.AppendCOBS(nil, packet))
		if !strings.Contains(text, want) {
			t.Errorf("PROTOCOL.md lacks\n%s", want)
		}
	}
}

// Each line of hex in the guide must be a good packet by the plain reading that the
// fuzz target uses, not by the code that wrote it.
func TestHexInTheGuideIsGood(t *testing.T) {
	pairs := regexp.MustCompile(`    packet  ([0-9a-f ]+)\n    serial  ([0-9a-f ]+)\n`).FindAllStringSubmatch(guide(t), -1)
	for _, p := range pairs {
		got := plainPackets(unhex(t, p[2]))
		if len(got) != 1 || !bytes.Equal(got[0], unhex(t, p[1])) {
			t.Errorf("%s is %x", p[2], got)
		}
	}
	if len(pairs) != len(examples) {
		t.Errorf("%d examples, want %d", len(pairs), len(examples))
	}
}

// A byte on the line takes 10 bits: start, 8 data bits, stop.
func TestLineBudgetsInTheGuideAreTrue(t *testing.T) {
	text := guide(t)
	for _, c := range []struct{ channels, frames int }{{8, 1}, {16, 1}, {16, 3}, {32, 1}, {32, 3}} {
		m := &wire.Frames{Values: make(wire.Values, 2*c.channels*c.frames)}
		var e wire.Encoder
		bytes := len(frame(t, &e, m))
		row := fmt.Sprintf("| %d | %d | %d |", c.channels, c.frames, bytes)
		for _, baud := range []int{115200, 250000, 1000000} {
			row += fmt.Sprintf(" %d |", baud*c.frames/(bytes*wire.BitsPerByte))
		}
		if !strings.Contains(text, row+"\n") {
			t.Errorf("PROTOCOL.md lacks the row\n%s", row)
		}
	}
}

func TestTheGuideCallsAStopAStop(t *testing.T) {
	for _, m := range regexp.MustCompile(`(?i)[^.\n]*emergency[^.\n]*`).FindAllString(guide(t), -1) {
		if !strings.Contains(m, "never") && !strings.Contains(m, "no ") {
			t.Errorf("%q", m)
		}
	}
}
