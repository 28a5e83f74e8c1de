package plot

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"strings"
	"testing"
	"testing/fstest"

	"limberjack/interp"
	"limberjack/interp/check"
	"limberjack/interp/drive"
	"limberjack/sequence"
)

// hail is a made sound: three calls, rising and falling, 16-bit PCM at 8 kHz.
func hail(seconds float64) []byte {
	const rate = 8000
	n := int(seconds * rate)
	var b bytes.Buffer
	b.WriteString("RIFF")
	binary.Write(&b, binary.LittleEndian, uint32(36+2*n))
	b.WriteString("WAVEfmt ")
	for _, v := range []any{uint32(16), uint16(1), uint16(1), uint32(rate), uint32(2 * rate), uint16(2), uint16(16)} {
		binary.Write(&b, binary.LittleEndian, v)
	}
	b.WriteString("data")
	binary.Write(&b, binary.LittleEndian, uint32(2*n))
	for i := range n {
		// A triangle, so that no elementary function decides the last bit.
		t := float64(i) / rate
		call := 0.0
		for _, at := range []float64{0.6, 3.4, 5.6, 7.1} {
			if d := t - at; d > 0 && d < 0.9 {
				call = math.Max(call, math.Min(d*8, (0.9-d)*1.6)*(1-0.4*float64(i/900%2)))
			}
		}
		phase := i * 220 % rate
		wave := float64(phase)/rate*4 - 1
		if phase > rate/2 {
			wave = 3 - float64(phase)/rate*4
		}
		binary.Write(&b, binary.LittleEndian, int16(20000*math.Min(1, call)*wave))
	}
	return b.Bytes()
}

// compile loads and compiles a motion from a set of files.
func compile(t testing.TB, files fs.FS, name string) *interp.Performance {
	t.Helper()
	s, err := sequence.LoadMotion(func(name string) (io.ReadCloser, error) { return files.Open(name) }, name)
	if err != nil {
		t.Fatalf("%s does not load:\n%v", name, err)
	}
	p, err := interp.Compile(s)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// keeper compiles a motion of testdata.
func keeper(t testing.TB, name string) *interp.Performance {
	t.Helper()
	files := fstest.MapFS{"hail.wav": {Data: hail(9)}}
	for _, f := range []string{"keeper.rig.yaml", name} {
		data, err := os.ReadFile("testdata/" + f)
		if err != nil {
			t.Fatal(err)
		}
		files[f] = &fstest.MapFile{Data: data}
	}
	return compile(t, files, name)
}

// made compiles a motion that stands in a test, on a rig of n servos with names
// of a length.
func made(t testing.TB, axes, nameLength int, body string) *interp.Performance {
	t.Helper()
	return compile(t, fstest.MapFS{
		"rig.yaml":         {Data: []byte(wideRig(axes, nameLength))},
		"made.motion.yaml": {Data: []byte("motion: Made for a test\nformat: 1\nrig: rig.yaml\n" + body)},
	}, "made.motion.yaml")
}

func axisName(i, length int) string {
	name := fmt.Sprintf("axis-%02d", i)
	if pad := length - len(name); pad > 0 {
		name += strings.Repeat("-of-the-gallery-rail", pad/20+1)[:pad]
		name = strings.TrimRight(name, "-")
	}
	return name
}

func wideRig(axes, nameLength int) string {
	var b strings.Builder
	b.WriteString("rig: Gallery\nformat: 1\nsupplies: {rail: {voltage: 6V, limit: 5A}}\nboards: {desk: {rate: 50Hz, tick: 0.5us, channels: 512}}\naxes:\n")
	for i := range axes {
		fmt.Fprintf(&b, "  %s: {kind: servo, board: desk, channel: %d, supply: rail, travel: [-90deg, 90deg], pulse: [[-90deg, 600us], [90deg, 2400us]]}\n", axisName(i, nameLength), i)
	}
	return b.String()
}

// boatReport is a report as a check of the boat might give it.
func boatReport() *check.Report {
	return &check.Report{File: "boat.motion.yaml", Duration: 12, Findings: []check.Finding{
		{Level: check.Error, Rule: "speed", Axis: "head-pan", From: 5.93, To: 6.02, Value: 610, Limit: 250, Unit: "deg/s",
			Message: "The move to -50 deg asks for 610 deg/s where the axis gives 250 deg/s: the head will arrive late and overshoot.",
			Remedy:  "give this move 0.42 s more, or reduce it to 31 deg"},
		{Level: check.Warning, Rule: "quiet", Axis: "head-pan", From: 6.4, To: 6.7, Value: 74, Limit: 60, Unit: "deg/s",
			Message: "In the quiet window the head turns at 74 deg/s; the microphone will hear the gears.", Remedy: "stretch the turn by 0.1 s"},
		{Level: check.Warning, Rule: "reversal", Axis: "winch", From: 5, To: 8.2, Value: 0.06, Limit: 0.1, Unit: "s",
			Message: "The winch reverses after 60 ms; the bridge and the gears want 100 ms.", Remedy: "hold 0 % for 40 ms more"},
		{Level: check.Note, Rule: "limit-origin", Axis: "jaw", Message: "No speed limit is given for the jaw; 450 deg/s follows from its data sheet at 6 V."},
		{Level: check.Error, Rule: "current", Supply: "rail", From: 8.1, To: 8.5, Value: 3.4, Limit: 3, Unit: "A",
			Message: "The rail is asked for 3.4 A where it gives 3 A: voltage sags to 4.6 V and boards reset below 4.8 V.", Remedy: "start the winch 0.3 s later"},
		{Level: check.Note, Rule: "link", Message: "The link carries 1900 bytes a second, 8 % of what it can."},
	}}
}

// tideOf makes a current that rises and falls as given, in cells of equal length.
func tideOf(cells int, f func(share float64) float64) []float64 {
	out := make([]float64, cells)
	for i := range out {
		out[i] = f(float64(i) / float64(cells))
	}
	return out
}

// boatTrace is a trace as the drive might give it.
func boatTrace(p *interp.Performance) *drive.Trace {
	axis := func(name string) *sequence.Axis {
		for _, a := range p.Rig.Axes {
			if a.Name == name {
				return a
			}
		}
		return nil
	}
	bump := func(x, at, width, height float64) float64 {
		d := math.Abs(x-at) / width
		return height * math.Max(0, 1-d*d)
	}
	rail := tideOf(600, func(x float64) float64 {
		return 0.25 + bump(x, 0.05, 0.05, 0.8) + bump(x, 0.15, 0.04, 0.6) + bump(x, 0.29, 0.02, 1.9) + bump(x, 0.31, 0.12, 0.6) +
			bump(x, 0.495, 0.012, 2.3) + bump(x, 0.69, 0.02, 3.15) + bump(x, 0.76, 0.1, 0.7)
	})
	lamps := tideOf(600, func(x float64) float64 {
		if x > 0.27 {
			return 0.72
		}
		return 0.43
	})
	return &drive.Trace{Supplies: []drive.SupplyTrace{
		{Supply: p.Rig.Supplies[0], Peak: 3.4, PeakAt: 0.69 * 12, RMS: 1.1, Mean: 0.8, MinVoltage: 4.6, Tide: rail,
			Blame: []drive.Draw{{Axis: axis("winch"), Current: 1.1, State: "stalled"}, {Axis: axis("head-pan"), Current: 0.9, State: "moving"},
				{Axis: axis("neck-left"), Current: 0.65, State: "moving"}, {Axis: axis("neck-right"), Current: 0.65, State: "moving"}}},
		{Supply: p.Rig.Supplies[1], Peak: 0.72, PeakAt: 0.27 * 12, Tide: lamps, Blame: []drive.Draw{{Axis: axis("lantern"), Current: 0.3, State: "on"}}},
	}}
}

func boat(t testing.TB) Sheet {
	p := keeper(t, "boat.motion.yaml")
	return Sheet{Performance: p, Report: boatReport(), Trace: boatTrace(p)}
}
