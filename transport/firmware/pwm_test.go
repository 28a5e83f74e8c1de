package firmware_test

import (
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"limberjack/transport/firmware"
	"limberjack/transport/live"
	"limberjack/transport/timeline"
	"limberjack/transport/wire"
)

// countsProgram is a program that answers for pwm_counts.c: for each pair of oscillator and
// period a scale, and with it the counts of ticks within limits.
const countsProgram = `
#include <stdio.h>
#include "pwm_counts.h"
int main(void)
{
    unsigned osc, low, high, from, to;
    unsigned long period;
    while (scanf("%u %lu %u %u %u %u", &osc, &period, &low, &high, &from, &to) == 6) {
        pwm_scale s = { 0, 0, 0 };
        if (!pwm_scale_set(&s, (uint16_t)osc, (uint32_t)period)) {
            puts("none");
            continue;
        }
        printf("%u %lu", (unsigned)s.prescale, (unsigned long)pwm_frame_us(s.prescale, (uint16_t)osc));
        for (unsigned t = from; t < to; t++)
            printf(" %u", (unsigned)pwm_counts(&s, (uint16_t)t, (uint16_t)low, (uint16_t)high));
        putchar('\n');
    }
    return 0;
}
`

// countsQuery is one line for it.
type countsQuery struct{ osc, period, low, high, from, to int }

// ask gives the answers, nil where there is no scale.
func ask(t *testing.T, queries []countsQuery) [][]int {
	t.Helper()
	tool(t, "cc")
	dir := t.TempDir()
	source, program := filepath.Join(dir, "counts.c"), filepath.Join(dir, "counts")
	if err := os.WriteFile(source, []byte(countsProgram), 0o644); err != nil {
		t.Fatal(err)
	}
	args := slices.Concat(strict, sanitized, []string{"-Isrc/avr-pwm", "-o", program, source, "src/avr-pwm/pwm_counts.c"})
	if out, err := exec.Command("cc", args...).CombinedOutput(); err != nil {
		t.Fatalf("cc: %v\n%s", err, out)
	}
	var in strings.Builder
	for _, q := range queries {
		fmt.Fprintln(&in, q.osc, q.period, q.low, q.high, q.from, q.to)
	}
	cmd := exec.Command(program)
	cmd.Stdin = strings.NewReader(in.String())
	out, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	var all [][]int
	for line := range strings.Lines(string(out)) {
		var numbers []int
		for _, f := range strings.Fields(line) {
			if n, err := strconv.Atoi(f); err == nil {
				numbers = append(numbers, n)
			}
		}
		all = append(all, numbers)
	}
	if len(all) != len(queries) {
		t.Fatalf("%d answers to %d questions", len(all), len(queries))
	}
	return all
}

// TestPrescale: NXP, PCA9685 data sheet, rev. 4, 7.3.5: the example of 200 Hz, the ends of the
// range ("maximum 1526 Hz if 03h, minimum 24 Hz if FFh"); NXP UM10574, 8.2: 1Eh is 197 Hz
// really. The others are the formula there, by hand.
func TestPrescale(t *testing.T) {
	tests := []struct {
		osc, period int
		prescale    int // -1: cannot be
		hz          float64
	}{
		{25000, 5000, 0x1e, 196.9},
		{25000, 655, 0x03, 1525.9},
		{25000, 41943, 0xff, 23.84},
		{25000, 20000, 121, 50.03},
		{25000, 10000, 60, 100.06},
		{25000, 3003, 17, 339.1},
		{23000, 20000, 111, 50.14},
		{27000, 20000, 131, 49.94},
		{25000, 580, 0x03, 1525.9}, // 1724 Hz: the nearest it can do
		{25000, 570, -1, 0},
		{25000, 42100, -1, 0},
		{25000, 1 << 30, -1, 0},
		{25000, 0, -1, 0},
		{19999, 20000, -1, 0},
		{30001, 20000, -1, 0},
	}
	var queries []countsQuery
	for _, x := range tests {
		queries = append(queries, countsQuery{x.osc, x.period, 0, 0, 0, 0})
	}
	for i, got := range ask(t, queries) {
		x := tests[i]
		if x.prescale < 0 || got == nil {
			if (x.prescale < 0) != (got == nil) {
				t.Errorf("%d kHz, %d us: %v", x.osc, x.period, got)
			}
			continue
		}
		hz := 1000 * float64(x.osc) / (4096 * float64(got[0]+1))
		if got[0] != x.prescale || math.Abs(hz/x.hz-1) > 0.001 || float64(got[1]) < 1e6/hz || float64(got[1]) > 1e6/hz+2 {
			t.Errorf("%d kHz, %d us: prescale %d, %.2f Hz, a frame of %d us; want %d, %.2f Hz", x.osc, x.period, got[0], hz, got[1], x.prescale, x.hz)
		}
	}
}

// TestCounts: for every tick, at oscillators and periods all over the range, the count is the
// nearest one within the limits, but for the factor's own error of n/65536 of a count.
func TestCounts(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 2))
	var queries []countsQuery
	for _, osc := range []int{23000, 24060, 25000, 26800, 27000} {
		for _, period := range []int{20000, 16667, 10000, 3003, 40000 * 25000 / osc, 2500} {
			queries = append(queries, countsQuery{osc, period, 0, 65535, 0, min(2*period, 65536)})
			low := 100 + random.IntN(2*min(period, 32000)-200)
			high := low + random.IntN(2*min(period, 32000)-low)
			queries = append(queries, countsQuery{osc, period, low, high, low, high + 1})
		}
	}
	worst := -0.5
	for i, got := range ask(t, queries) {
		q := queries[i]
		if got == nil {
			t.Fatalf("%d kHz, %d us: no scale", q.osc, q.period)
		}
		scale := float64(q.osc) / (2000 * float64(got[0]+1)) // counts a tick
		for k, counts := range got[2:] {
			tick := q.from + k
			exact := float64(tick) * scale
			e, own := math.Abs(float64(counts)-exact), exact/65536+1e-9
			fits := float64(counts) >= float64(q.low)*scale-own && float64(counts) <= float64(q.high)*scale+own
			nearest := min(math.Round(exact), 4095)
			inside := nearest >= float64(q.low)*scale+own && nearest <= float64(q.high)*scale-own
			room := math.Floor(float64(q.high)*scale) >= math.Ceil(float64(q.low)*scale)
			switch {
			case exact > 4095:
				if counts != 4095 && counts != 4094 {
					t.Fatalf("%+v, %d ticks: %d counts, beyond the frame", q, tick, counts)
				}
			case e >= 1+own, room && !fits, inside && e > 0.5+own:
				t.Fatalf("%+v, %d ticks: %d counts, it would be %.3f", q, tick, counts, exact)
			case inside:
				worst = max(worst, e-0.5)
			}
		}
	}
	t.Logf("%d scales, at most %.4f of a count more than half of one off", len(queries), worst)
}

// pwmServos are as many as the driver has outputs.
const pwmServos = 16

// shoreRig has a servo on each output of the driver: gulls, as wide as servos go.
func shoreRig(baud int) string {
	var b strings.Builder
	fmt.Fprintf(&b, "rig: Shore\nformat: 1\nboards:\n  shore: {rate: 50Hz, tick: 0.5us, channels: 16, baud: %d}\naxes:\n", baud)
	for i := range pwmServos {
		low, high := 900+10*i, 2100-7*i
		if i%3 == 0 {
			low, high = 500, 2500
		}
		fmt.Fprintf(&b, "  gull-%d: {kind: servo, board: shore, channel: %d, travel: [0deg, 120deg], pulse: [[0deg, %dus], [120deg, %dus]], rest: 60deg, limits: {speed: 600deg/s, acceleration: 20000deg/s2}}\n",
			i+1, i, low, high)
	}
	return b.String()
}

func shoreMotion(seconds int) string {
	var b strings.Builder
	fmt.Fprintf(&b, "motion: Gulls\nformat: 1\nrig: rig.yaml\nlength: %ds\ntracks:\n", seconds)
	for i := range pwmServos {
		pace := 0.7 + 0.17*float64(i)
		fmt.Fprintf(&b, "  gull-%d: [[0s, 60deg]", i+1)
		for k, at := 1, pace; at < float64(seconds); k, at = k+1, at+pace {
			// To the very ends of the travel, where limits are.
			fmt.Fprintf(&b, ", [%.3fs, %ddeg, min-jerk]", at, []int{0, 120, 37, 84, 120, 11, 0, 63}[(k+i)%8])
		}
		b.WriteString("]\n")
	}
	return b.String()
}

// pwmChange is how far servos may go from slot to slot, ticks: a little more than the rig's
// 600 degrees a second, which are 400 ticks of the widest in 20 ms.
const pwmChange = 420

// pwmConfig is the board with the driver.
func pwmConfig(tl *timeline.Timeline, baud, osc int) *firmware.Config {
	c := bareConfig(tl, baud)
	c.Name, c.Greatest = "shore", 38_000_000
	c.Queue = 12 // 16 outputs take more memory a frame
	c.Port = append(c.Port, firmware.Line{Name: "LJ_PORT_PWM_OSC_KHZ", Value: strconv.Itoa(osc)})
	for i, ch := range tl.Channels {
		o := &c.Outputs[i]
		o.Change = pwmChange
		switch ch.Unit {
		case timeline.Level:
			*o = firmware.Output{Units: wire.UnitsLevel, Unit: wire.UnitLevel, High: 65535, Change: 65535, Slow: 65535}
		case timeline.State:
			*o = firmware.Output{Units: wire.UnitsState, Unit: wire.UnitState, High: 1, Change: 1, Slow: 1}
		}
	}
	return c
}

// pwmSources are those of the board: the bare one's, with other outputs.
func pwmSources(t testing.TB) []string {
	files, err := filepath.Glob("src/avr-pwm/*.c")
	if err != nil || len(files) == 0 {
		t.Fatalf("no sources: %v", err)
	}
	for _, file := range bareSources(t) {
		if name := filepath.Base(file); name != "outputs.c" && name != "pulses.c" {
			files = append(files, file)
		}
	}
	return files
}

// driven is a board with the driver in the simulator, and what came out of it.
type driven struct {
	*chip
	osc, prescale float64 // Hz, as the driver has it; register
	pulses        [pwmServos][]pulse
	writes        []write
	levels        []string // l lines: "T output level"
}

// write is a transaction that changed outputs, in cycles.
type write struct{ start, stop uint64 }

// frameCycles gives how long a frame of the driver lasts, and count how long a count does.
func (d *driven) frameCycles() float64 { return 4096 * d.count() }
func (d *driven) count() float64       { return (d.prescale + 1) * cyclesPerUS * 1e6 / d.osc }

// pwmProgram compiles the board for a timeline.
func pwmProgram(t *testing.T, tl *timeline.Timeline, baud, osc int) string {
	t.Helper()
	name := fmt.Sprintf("pwm-%s-%d-%d", tl.Board.Name, baud, osc)
	return avrProgram(t, name, pwmConfig(tl, baud, osc), pwmSources(t), "-Isrc/avr-pwm", "-Wshadow", "-pedantic")
}

// newDriven starts a board for a timeline, whose program believes that the oscillator has
// told kHz. real is what it has, Hz.
func newDriven(t *testing.T, tl *timeline.Timeline, baud, told int, real float64) *driven {
	t.Helper()
	d := &driven{chip: newChip(t, pwmProgram(t, tl, baud, told), baud), osc: real}
	d.do("pwm attach %.0f", real)
	return d
}

// sort reads what the driver put out. Whatever its data sheet forbids fails the test.
func (d *driven) sort(t *testing.T) {
	t.Helper()
	d.do("pwm stat")
	d.prescale = d.driver(t)["prescale"]
	d.pulses, d.writes, d.levels = [pwmServos][]pulse{}, nil, nil
	for _, note := range d.notes {
		f := strings.Fields(note)
		switch f[0] {
		case "p":
			n, _ := strconv.Atoi(f[2])
			rise, _ := strconv.ParseUint(f[1], 10, 64)
			width, _ := strconv.ParseUint(f[3], 10, 64)
			d.pulses[n] = append(d.pulses[n], pulse{rise, width})
		case "u":
			start, _ := strconv.ParseUint(f[1], 10, 64)
			stop, _ := strconv.ParseUint(f[2], 10, 64)
			d.writes = append(d.writes, write{start, stop})
		case "l":
			d.levels = append(d.levels, strings.Join(f[1:], " "))
		case "v":
			t.Errorf("at cycle %s: %s", f[1], strings.Join(f[2:], " "))
		}
	}
}

// driver gives the figures of the last "pwm stat".
func (d *driven) driver(t *testing.T) map[string]float64 {
	t.Helper()
	for _, note := range slices.Backward(d.notes) {
		if !strings.HasPrefix(note, "driver ") {
			continue
		}
		figures := map[string]float64{}
		for _, f := range strings.Fields(note)[1:] {
			name, value, _ := strings.Cut(f, "=")
			figures[name], _ = strconv.ParseFloat(value, 64)
		}
		return figures
	}
	t.Fatal("the driver tells nothing")
	return nil
}

// sentFrames reads the frames that the host sent from the script.
func (d *driven) sentFrames(t *testing.T, width int) (all []sentFrame) {
	t.Helper()
	dec := wire.Decoder{From: wire.FromHost}
	for _, command := range d.script {
		f := strings.Fields(command)
		if f[0] != "rx" {
			continue
		}
		b, err := hex.DecodeString(f[2])
		if err != nil {
			t.Fatal(err)
		}
		dec.Write(b, func(p wire.Packet) {
			var m wire.Frames
			if p.Kind != wire.KindFrames || m.Decode(p.Payload) != nil {
				return
			}
			for k := range m.Values.Len() / width {
				x := sentFrame{index: m.Index.Add(k), time: m.Time.Add(int64(k) * int64(m.Spacing) / 1000)}
				for i := range width {
					x.values = append(x.values, m.Values.At(k*width+i))
				}
				all = append(all, x)
			}
		})
	}
	return all
}

// session runs a board in virtual time: use is called with the board armed, and with a
// function that gives commands to the simulator.
func (d *driven) session(t *testing.T, tl *timeline.Timeline, baud int, use func(t *testing.T, b *live.Board, command func(string))) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		clock := live.NewSystemClock()
		link := newSimLink(d.chip, clock, baud, 0)
		time.Sleep(100 * time.Millisecond) // the driver is started
		b, err := live.Connect(t.Context(), link, live.Options{Timeline: tl, Clock: clock})
		if err != nil {
			t.Fatal(err)
		}
		defer b.Close()
		if err := b.Arm(t.Context(), nil); err != nil {
			t.Fatal(err)
		}
		use(t, b, func(command string) {
			<-link.turn
			d.do("%s", command)
			link.turn <- struct{}{}
		})
	})
	d.sort(t)
}

// TestPWMStream is the proof for the driver: a timeline of 16 servos is streamed to the board,
// and every pulse of the driver is compared with the frame that it had last, at the slowest,
// the nominal and the fastest oscillator (23 to 27 MHz: reports of measured boards; the data
// sheet says 25 MHz and no tolerance), each with its calibration in the board.
func TestPWMStream(t *testing.T) {
	t.Parallel()
	for _, test := range []struct{ baud, osc int }{{250000, 23000}, {250000, 25000}, {250000, 27000}, {1000000, 25000}} {
		t.Run(fmt.Sprintf("%d kHz, %d baud", test.osc, test.baud), func(t *testing.T) {
			_, tl := load(t, shoreRig(test.baud), shoreMotion(10))
			d := newDriven(t, tl, test.baud, test.osc, float64(test.osc)*1000)
			var st wire.Status
			d.session(t, tl, test.baud, func(t *testing.T, b *live.Board, command func(string)) {
				time.Sleep(5 * time.Second) // until the host knows the board's clock
				command("stat")
				err := live.Play(t.Context(), []*live.Board{b}, []*timeline.Timeline{tl}, live.PlayOptions{})
				if err != nil {
					t.Fatal(err)
				}
				command("stat")
				if st, err = b.Report(t.Context()); err != nil {
					t.Fatal(err)
				}
			})
			frames := d.sentFrames(t, pwmServos)
			if int(st.Played) != len(frames) || st.Late+st.Bridged+st.Clamped+st.Bad+st.Unknown != 0 || int64(len(frames)) < tl.Frames {
				t.Errorf("%d frames were sent; the board says %+v", len(frames), st)
			}
			checkDriven(t, d, tl, frames)
			checkBus(t, d)
		})
	}
}

// checkDriven compares every pulse with what the driver had when its frame began.
func checkDriven(t *testing.T, d *driven, tl *timeline.Timeline, frames []sentFrame) {
	t.Helper()
	count := d.count()
	var width, limited, late spread
	late.least = math.Inf(1)
	compared, held := 0, 0
	shown := make([]int, len(frames)) // for how many frames of the driver
	for i := range tl.Channels {
		ch, list := &tl.Channels[i], d.pulses[i]
		if len(list) == 0 {
			t.Fatalf("output %d has no pulses", i)
		}
		for k, p := range list {
			checkLimits(t, ch, pulse{p.rise, p.width})
			if k > 0 {
				if gap := float64(p.rise-list[k-1].rise) / d.frameCycles(); math.Abs(gap-1) > 1e-5 {
					t.Fatalf("output %d, cycle %d: %.5f frames after the pulse before", i, p.rise, gap)
				}
			}
			n := frameOf(d, frames, p, i)
			if n < 0 {
				held++
				continue
			}
			want := float64(frames[n].values[i]) * 8 / count
			e := float64(p.width)/count - want
			late.add(float64(p.rise)/cyclesPerUS - float64(frames[n].time))
			compared++
			if i == 0 {
				shown[n]++
			}
			// Half a count; nearest to a limit, up to one.
			most, of := 0.52, &width
			if v := int64(frames[n].values[i]); float64(v-ch.Low)*8 < count || float64(ch.High-v)*8 < count {
				most, of = 1.02, &limited
			}
			of.add(e)
			if math.Abs(e) > most {
				t.Fatalf("output %d: frame %d asks for %.3f counts, and %.3f come", i, frames[n].index, want, float64(p.width)/count)
			}
		}
	}
	t.Logf("%d pulses compared, %d more hold a pose: widths %s counts of %.3f us, %s at limits; starts %.1f to %.1f ms after those of slots", compared, held, width, count/cyclesPerUS, limited, late.least/1e3, late.most/1e3)
	checkShown(t, d, frames, shown)
	if compared < (len(frames)-5)*len(tl.Channels) {
		t.Errorf("only %d pulses of %d frames", compared, len(frames))
	}
}

// frameOf gives the frame whose values the driver had last when the frame of a pulse began, or
// -1 where that was none.
func frameOf(d *driven, frames []sentFrame, p pulse, output int) int {
	// An output's place in the frame is in its register; here it is found from the
	// first output, which starts with the frame.
	first := d.pulses[0]
	k, _ := slices.BinarySearchFunc(first, p.rise+1, func(x pulse, at uint64) int { return int(int64(x.rise) - int64(at)) })
	if k == 0 {
		return -1
	}
	begin := first[k-1].rise
	w, _ := slices.BinarySearchFunc(d.writes, begin+2, func(x write, at uint64) int { return int(int64(x.stop) - int64(at)) })
	if w == 0 {
		return -1
	}
	// A slot is written in the 3 ms before it begins, or a little later.
	at := int64(d.writes[w-1].start / cyclesPerUS)
	for n, f := range frames {
		if ahead := int64(f.time) - at; ahead > -3000 && ahead < 3000 {
			return n
		}
	}
	return -1
}

// checkShown counts the frames that were passed over, and those that were shown twice. The
// driver's clock and the board's are two: the excess of one over the other is their drift. Beyond
// it a frame can be passed over and its neighbour shown twice only while the driver's frames begin
// within the time by which slots are written sooner or later, which the drift soon leaves.
func checkShown(t *testing.T, d *driven, frames []sentFrame, shown []int) {
	t.Helper()
	never, twice, more := 0, 0, 0
	for _, n := range shown[:len(shown)-1] {
		switch {
		case n == 0:
			never++
		case n == 2:
			twice++
		case n > 2:
			more++
		}
	}
	var written spread // when slots were written, from their time on, in microseconds
	written.least = math.Inf(1)
	for k, w := 0, 0; k < len(frames) && w < len(d.writes); w++ {
		at := float64(d.writes[w].stop) / cyclesPerUS
		for k < len(frames) && float64(frames[k].time) < at-3000 {
			k++
		}
		if k < len(frames) && float64(frames[k].time) < at+3000 {
			written.add(at - float64(frames[k].time))
		}
	}
	const slot = 20000 // us
	frame := d.frameCycles() / cyclesPerUS
	drift := float64(len(shown)) * (slot - frame) / frame // frames of the driver more than slots
	jitter := written.most - written.least
	// Of the slots that a crossing takes, every second one can be the wrong way round.
	swaps := math.Ceil(math.Abs(drift)) * (1 + math.Ceil(jitter/math.Abs(slot-frame)/2))
	t.Logf("prescale %.0f, %.3f Hz: %d frames were passed over, %d shown twice, of %d; the drift is %.2f frames; slots are written within %.0f us, so that up to %.0f may change places", d.prescale, 1e6/frame, never, twice, len(shown), drift, jitter, swaps)
	if more > 0 || math.Abs(float64(twice-never)-drift) > 1.5 || float64(min(never, twice)) > swaps {
		t.Error("more than the drift and the times of writing account for")
	}
}

// checkBus prints what the bus and the chip do, and holds what must hold.
func checkBus(t *testing.T, d *driven) {
	t.Helper()
	var long uint64
	for _, w := range d.writes {
		long = max(long, w.stop-w.start)
	}
	f := d.stat()
	for _, note := range slices.Backward(d.notes[:len(d.notes)-1]) { // while it played
		if rest, ok := strings.CutPrefix(note, "stat "); ok {
			for _, x := range strings.Fields(rest) {
				if value, ok := strings.CutPrefix(x, "load="); ok {
					f["load"], _ = strconv.ParseFloat(value, 64)
				}
			}
			break
		}
	}
	b := d.driver(t)
	t.Logf("bus at %.0f bit/s, a slot is written in %.2f ms at most; processor %.1f %% busy, static memory %.0f bytes, stack %.0f of %.0f, %.0f overruns, %d faults",
		b["rate"], float64(long)/cyclesPerUS/1e3, 100*f["load"], f["static"], f["stack"], 2048-f["static"], f["overruns"], d.number("pwm_faults"))
	if b["rate"] != 400000 || long > 2200*cyclesPerUS {
		t.Error("the bus is not as it should be")
	}
	if f["overruns"]+f["garbled"]+f["resets"] != 0 || d.number("pwm_faults") != 0 || d.number("pwm_starts") != 1 {
		t.Error("something was lost")
	}
	if f["load"] >= 0.5 {
		t.Errorf("the processor is %.1f %% busy", 100*f["load"])
	}
	if f["static"]+f["stack"] > 2048-16 {
		t.Error("memory is full")
	}
}

// number reads a counter of the program.
func (c *chip) number(name string) int { return int(binary.LittleEndian.Uint16(c.peek(name, 2))) }

// TestPWMUncalibrated shows what a board does that was not calibrated: a pulse is off by as
// much as its oscillator is. That is why the calibration is there.
func TestPWMUncalibrated(t *testing.T) {
	_, tl := load(t, shoreRig(250000), shoreMotion(1))
	for _, osc := range []float64{23e6, 26.8e6} {
		d := newDriven(t, tl, 250000, 25000, osc)
		d.session(t, tl, 250000, func(*testing.T, *live.Board, func(string)) { time.Sleep(time.Second) })
		p := d.pulses[0][len(d.pulses[0])-1]
		us, want := float64(p.width)/cyclesPerUS, 1500*25e6/osc
		t.Logf("%.1f MHz: %.1f us in place of 1500, %+.1f %%", osc/1e6, us, us/15-100)
		if math.Abs(us-want) > 3 {
			t.Errorf("it should be %.1f us", want)
		}
	}
}

// checkWhole holds that all pulses of a board whose servos stand at rest are whole, but for
// those that a failing supply cut at these times.
func checkWhole(t *testing.T, d *driven, tl *timeline.Timeline, cuts ...uint64) {
	t.Helper()
	for i := range tl.Channels {
		for _, p := range d.pulses[i] {
			if slices.ContainsFunc(cuts, func(at uint64) bool { return p.rise <= at && p.rise+p.width+1 >= at && p.rise+p.width <= at+1 }) {
				continue
			}
			if got := float64(p.width) / 8; math.Abs(got-float64(tl.Channels[i].Rest)) > 5.2 {
				t.Errorf("output %d: a pulse of %.1f ticks at cycle %d, its rest is %d", i, got, p.rise, tl.Channels[i].Rest)
			}
		}
	}
}

// gaps gives how many frames there are between pulses of an output where some are missing.
func (d *driven) gaps(output int) (all []float64) {
	list := d.pulses[output]
	for k := 1; k < len(list); k++ {
		if g := float64(list[k].rise-list[k-1].rise) / d.frameCycles(); g > 1.001 {
			all = append(all, g)
		}
	}
	return all
}

// TestPWMDrop: whenever the pulses are dropped, also while the bus is busy with a slot, each
// that has begun is finished, and none follows after the driver's frame.
func TestPWMDrop(t *testing.T) {
	_, tl := load(t, shoreRig(250000), shoreMotion(1))
	d := newDriven(t, tl, 250000, 25000, 25e6)
	var dropped []uint64
	d.session(t, tl, 250000, func(t *testing.T, b *live.Board, command func(string)) {
		for k := range 24 {
			if k > 0 {
				if err := b.Arm(t.Context(), nil); err != nil {
					t.Fatal(err)
				}
			}
			time.Sleep(120*time.Millisecond + time.Duration(k)*830*time.Microsecond)
			if err := b.Drop(t.Context()); err != nil {
				t.Fatal(err)
			}
			command("run 1")
			dropped = append(dropped, d.now)
			time.Sleep(80 * time.Millisecond)
		}
	})
	checkWhole(t, d, tl)
	frame := uint64(d.frameCycles())
	for i := range tl.Channels {
		k := 0
		for _, at := range dropped {
			// From one frame after it to the next time that the board is armed.
			for k < len(d.pulses[i]) && d.pulses[i][k].rise < at {
				k++
			}
			for ; k < len(d.pulses[i]) && d.pulses[i][k].rise < at+80000*cyclesPerUS; k++ {
				if d.pulses[i][k].rise > at+frame {
					t.Errorf("output %d: a pulse %d us after a drop", i, (d.pulses[i][k].rise-at)/cyclesPerUS)
				}
			}
		}
	}
	var long uint64
	for _, w := range d.writes {
		long = max(long, w.stop-w.start)
	}
	within := 0
	for _, w := range d.writes {
		if w.stop-w.start < long*3/4 {
			within++
		}
	}
	t.Logf("%d drops, of which %d broke off a slot on the bus; %d pulses of output 0, all whole", len(dropped), within, len(d.pulses[0]))
	if within == 0 {
		t.Error("no drop came while the bus was busy")
	}
}

// TestPWMFaults: what can go wrong on the bus (motor noise on I2C) does not freeze the board.
func TestPWMFaults(t *testing.T) {
	t.Parallel()
	_, tl := load(t, shoreRig(250000), shoreMotion(1))
	for _, test := range []struct {
		name    string
		do      string
		undo    string        // after
		after   time.Duration // that
		faults  int           // at least
		starts  int
		gap     float64 // frames that may be missing in a row
		stopped bool
	}{
		{"SDA held until nine clocks", "pwm stick 9", "", 0, 1, 1, 0, false},
		{"SDA held until one clock", "pwm stick 1", "", 0, 1, 1, 0, false},
		{"SDA held for 60 ms", "pwm stick 0", "pwm release", 60 * time.Millisecond, 1, 1, 0, false},
		{"SDA held for 1 s", "pwm stick 0", "pwm release", time.Second, 10, 1, 0, true},
		{"three addresses without an answer", "pwm mute 3", "", 0, 3, 1, 0, false},
		{"no answer for 1 s", "pwm mute 65535", "pwm mute 0", time.Second, 10, 1, 0, true},
		{"the driver's supply fails", "pwm power", "", 0, 1, 2, 4, false},
		{"the driver's supply fails for 1 s", "pwm power;pwm mute 65535", "pwm mute 0", time.Second, 10, 2, 0, true},
	} {
		t.Run(test.name, func(t *testing.T) {
			d := newDriven(t, tl, 250000, 25000, 25e6)
			var st wire.Status
			// At many places in a slot, of which some are within a transaction.
			rounds := 20
			if test.stopped {
				rounds = 1
			}
			var cuts []uint64
			d.session(t, tl, 250000, func(t *testing.T, b *live.Board, command func(string)) {
				for k := range rounds {
					time.Sleep(300*time.Millisecond + time.Duration(k)*1030*time.Microsecond)
					for c := range strings.SplitSeq(test.do, ";") {
						if command(c); c == "pwm power" {
							cuts = append(cuts, d.now)
						}
					}
					if test.undo != "" {
						time.Sleep(test.after)
						command(test.undo)
					}
					time.Sleep(300 * time.Millisecond)
				}
				var err error
				if st, err = b.Report(t.Context()); err != nil {
					t.Fatal(err)
				}
				if !test.stopped {
					return
				}
				// It stopped as if by its stop input, which is free again: it can be armed.
				if st.Cause != wire.CauseInput || st.Inputs&wire.InputsStop != 0 {
					t.Errorf("the board says %+v", st)
				}
				if err := b.Arm(t.Context(), nil); err != nil {
					t.Error(err)
				}
				time.Sleep(300 * time.Millisecond)
			})
			checkWhole(t, d, tl, cuts...)
			if !test.stopped {
				if st.State != wire.StateArmed {
					t.Errorf("the board says %+v", st)
				}
				for _, g := range d.gaps(0) {
					if g > 1+test.gap+0.001 && test.gap == 0 || g > 1+test.gap {
						t.Errorf("%.2f frames without a pulse", g)
					}
				}
			}
			faults, starts := d.number("pwm_faults"), d.number("pwm_starts")
			t.Logf("%d faults, %d starts, gaps of %.2f frames", faults, starts, d.gaps(0))
			if faults < test.faults*rounds || faults > 300 || starts != 1+(test.starts-1)*rounds {
				t.Errorf("%d faults, %d starts of the driver", faults, starts)
			}
			at := d.now
			if last := d.pulses[5][len(d.pulses[5])-1]; at-last.rise > 60000*cyclesPerUS {
				t.Errorf("the last pulse was %d us ago", (at-last.rise)/cyclesPerUS)
			}
		})
	}
}

// TestPWMOutageInMotion: when the bus is back after 70 ms in the midst of movements, servos go
// on from where they were shown last, by no more than they may from frame to frame, until
// they are where they should be.
func TestPWMOutageInMotion(t *testing.T) {
	_, tl := load(t, shoreRig(250000), shoreMotion(6))
	d := newDriven(t, tl, 250000, 25000, 25e6)
	var back []uint64
	d.session(t, tl, 250000, func(t *testing.T, b *live.Board, command func(string)) {
		time.Sleep(5 * time.Second)
		go func() {
			for range 8 {
				time.Sleep(630 * time.Millisecond)
				command("pwm stick 0")
				time.Sleep(70 * time.Millisecond)
				command("pwm release")
				back = append(back, d.now)
			}
		}()
		if err := live.Play(t.Context(), []*live.Board{b}, []*timeline.Timeline{tl}, live.PlayOptions{}); err != nil {
			t.Fatal(err)
		}
	})
	frames := d.sentFrames(t, pwmServos)
	var most float64
	off, compared := 0, 0
	for i := range tl.Channels {
		for k, p := range d.pulses[i] {
			if k > 0 {
				most = max(most, math.Abs(float64(p.width)-float64(d.pulses[i][k-1].width))/8)
			}
			// Within 0.3 s after an outage all are where they should be.
			n := frameOf(d, frames, p, i)
			if n < 0 || slices.ContainsFunc(back, func(at uint64) bool { return p.rise > at-100000*cyclesPerUS && p.rise < at+300000*cyclesPerUS }) {
				continue
			}
			compared++
			if math.Abs(float64(p.width)-float64(frames[n].values[i])*8) > 1.02*d.count() {
				off++
			}
		}
	}
	t.Logf("%d outages, %d faults; a pulse differs by at most %.0f ticks from that before; %d compared", len(back), d.number("pwm_faults"), most, compared)
	if most > pwmChange+2*d.count()/8 || off > 0 || compared < 1000 {
		t.Errorf("%d of %d pulses are not as they should be", off, compared)
	}
}

// TestPWMDropOnDeadBus: pulses end within 20 ms of a drop also when the driver cannot be told:
// OE cuts them. They come back whole.
func TestPWMDropOnDeadBus(t *testing.T) {
	_, tl := load(t, shoreRig(250000), shoreMotion(1))
	d := newDriven(t, tl, 250000, 25000, 25e6)
	var dropped, armed []uint64
	d.session(t, tl, 250000, func(t *testing.T, b *live.Board, command func(string)) {
		for k := range 8 {
			time.Sleep(200*time.Millisecond + time.Duration(k)*2700*time.Microsecond)
			command("pwm stick 0")
			time.Sleep(time.Duration(k) * 4 * time.Millisecond)
			if err := b.Drop(t.Context()); err != nil {
				t.Fatal(err)
			}
			command("run 1")
			dropped = append(dropped, d.now)
			time.Sleep(60 * time.Millisecond)
			command("pwm release")
			time.Sleep(150 * time.Millisecond)
			command("run 1")
			armed = append(armed, d.now)
			if err := b.Arm(t.Context(), nil); err != nil {
				t.Fatal(err)
			}
		}
	})
	var shut []uint64 // when OE went high
	for _, note := range d.notes {
		if f := strings.Fields(note); f[0] == "g" && f[2] == "0" {
			at, _ := strconv.ParseUint(f[1], 10, 64)
			shut = append(shut, at)
		}
	}
	checkWhole(t, d, tl, shut...)
	for i := range tl.Channels {
		for _, p := range d.pulses[i] {
			for k, at := range dropped {
				if p.rise > at+20000*cyclesPerUS && p.rise < armed[k] {
					t.Fatalf("output %d: a pulse %d us after a drop", i, (p.rise-at)/cyclesPerUS)
				}
			}
		}
	}
	for k, at := range armed[:len(armed)-1] {
		for i := range tl.Channels {
			if !slices.ContainsFunc(d.pulses[i], func(p pulse) bool { return p.rise > at && p.rise < dropped[k+1] }) {
				t.Errorf("output %d has no pulses when it is armed again", i)
			}
		}
	}
	t.Logf("%d drops, OE shut %d times", len(dropped), len(shut))
}

// TestPWMSilence: a driver that nobody gives slots to any more has all off. That no slot comes
// is feigned: the time of the last one is set back.
func TestPWMSilence(t *testing.T) {
	_, tl := load(t, shoreRig(250000), shoreMotion(1))
	d := newDriven(t, tl, 250000, 25000, 25e6)
	d.session(t, tl, 250000, func(_ *testing.T, _ *live.Board, command func(string)) {
		time.Sleep(400 * time.Millisecond)
		// A slot sets it right again: for a frame of the driver it is set back again and again.
		for range 12 {
			back := binary.LittleEndian.AppendUint32(nil, uint32(d.now/cyclesPerUS-300000))
			command("poke slot_at " + hex.EncodeToString(back))
			time.Sleep(2 * time.Millisecond)
		}
		time.Sleep(200 * time.Millisecond)
	})
	checkWhole(t, d, tl)
	if gaps := d.gaps(0); len(gaps) != 1 {
		t.Errorf("gaps of %.2f frames, there should be one", gaps)
	}
}

// TestPWMAbsent: without a driver the board says that its stop input is active, and cannot be
// armed; when the driver is there, it can.
func TestPWMAbsent(t *testing.T) {
	_, tl := load(t, shoreRig(250000), shoreMotion(1))
	d := newDriven(t, tl, 250000, 25000, 25e6)
	d.do("pwm mute 65535")
	synctest.Test(t, func(t *testing.T) {
		clock := live.NewSystemClock()
		link := newSimLink(d.chip, clock, 250000, 0)
		time.Sleep(300 * time.Millisecond)
		b, err := live.Connect(t.Context(), link, live.Options{Timeline: tl, Clock: clock})
		if err != nil {
			t.Fatal(err)
		}
		defer b.Close()
		st, err := b.Report(t.Context())
		if err != nil || st.Inputs&wire.InputsStop == 0 {
			t.Errorf("%v, %+v", err, st)
		}
		if err := b.Arm(t.Context(), nil); err == nil {
			t.Error("it was armed without a driver")
		} else {
			t.Log(err)
		}
		<-link.turn
		d.do("pwm mute 0")
		link.turn <- struct{}{}
		time.Sleep(300 * time.Millisecond)
		if err := b.Arm(t.Context(), nil); err != nil {
			t.Error(err)
		}
		time.Sleep(100 * time.Millisecond)
	})
	d.sort(t)
	checkWhole(t, d, tl)
	if len(d.pulses[15]) == 0 {
		t.Error("there are no pulses")
	}
}

// TestPWMReset: a program that starts anew finds a driver that still runs, and makes all of it
// off. OE has its resistor, so that outputs are off from the reset on.
func TestPWMReset(t *testing.T) {
	_, tl := load(t, shoreRig(250000), shoreMotion(1))
	d := newDriven(t, tl, 250000, 25000, 25e6)
	var reset uint64
	d.session(t, tl, 250000, func(_ *testing.T, _ *live.Board, command func(string)) {
		time.Sleep(305 * time.Millisecond)
		command("reset watchdog")
		reset = d.now
		time.Sleep(300 * time.Millisecond)
		command("run 1")
	})
	for i := range tl.Channels {
		for _, p := range d.pulses[i] {
			if p.rise > reset {
				t.Fatalf("output %d: a pulse after the reset", i)
			}
		}
	}
	if f := d.driver(t); f["mode1"] != 0x20 || d.number("pwm_starts") != 1 || d.number("pwm_faults") != 0 {
		t.Errorf("%v", f)
	}
}

// TestPWMSize prints sizes for the table in the README, and holds them against the chip.
func TestPWMSize(t *testing.T) {
	tool(t, "avr-size")
	_, tl := load(t, shoreRig(250000), shoreMotion(1))
	program := pwmProgram(t, tl, 250000, 25000)
	out, err := exec.Command("avr-size", program).Output()
	if err != nil {
		t.Fatal(err)
	}
	var text, data, bss int
	if _, err := fmt.Sscan(strings.Split(string(out), "\n")[1], &text, &data, &bss); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	t.Logf("16 outputs and %d frames: flash %d of 32768 bytes, static memory %d of 2048", pwmConfig(tl, 250000, 25000).Queue, text+data, data+bss)
	if text+data > 32768-512 || data+bss > 2048-300 {
		t.Error("too large for an ATmega328P with a bootloader of 512 bytes and a stack of 300")
	}
	for _, use := range stackUse(t, strings.TrimSuffix(program, ".elf"))[:5] {
		t.Logf("stack: %s", use)
	}
}

// lampRig has what else the driver can do: a lamp and a switch beside two servos.
const lampRig = `rig: Lantern
format: 1
boards:
  lantern: {rate: 100Hz, tick: 0.5us, channels: 4, baud: 250000}
axes:
  gull: {kind: servo, board: lantern, channel: 0, travel: [0deg, 120deg], pulse: [[0deg, 900us], [120deg, 2100us]], rest: 60deg}
  lamp: {kind: dimmer, board: lantern, channel: 1}
  fog-horn: {kind: switch, board: lantern, channel: 2}
  heron: {kind: servo, board: lantern, channel: 3, travel: [0deg, 120deg], pulse: [[0deg, 900us], [120deg, 2100us]], rest: 60deg}
`

const lampMotion = `motion: Dusk
format: 1
rig: rig.yaml
length: 4s
tracks:
  gull: [[0s, 60deg], [2s, 80deg, min-jerk]]
  lamp: [[0s, 0%], [2s, 100%], [3s, 0%]]
  fog-horn: [[0s, off], [1s, on], [1.5s, off]]
  heron: [[0s, 60deg], [1s, 50deg, min-jerk], [4s, 90deg, min-jerk]]
`

// TestPWMLamp: a lamp's duty is its level in 4096 steps, a switch is on for whole frames; at
// 100 Hz, so that the driver has to be set for another period than the one it starts with.
func TestPWMLamp(t *testing.T) {
	t.Parallel()
	_, tl := load(t, lampRig, lampMotion)
	d := newDriven(t, tl, 250000, 25000, 25e6)
	d.session(t, tl, 250000, func(t *testing.T, b *live.Board, _ func(string)) {
		time.Sleep(3 * time.Second)
		if err := live.Play(t.Context(), []*live.Board{b}, []*timeline.Timeline{tl}, live.PlayOptions{}); err != nil {
			t.Fatal(err)
		}
	})
	if d.prescale != 60 { // 25 MHz / 4096 / 100 Hz, by the data sheet's formula
		t.Errorf("the prescaler is %v", d.prescale)
	}
	frames := d.sentFrames(t, 4)
	var error spread
	compared := 0
	for _, p := range d.pulses[1] {
		n := frameOf(d, frames, p, 1)
		if n < 0 {
			continue
		}
		e := float64(p.width)/d.count() - float64(frames[n].values[1])/16
		error.add(e)
		compared++
		if math.Abs(e) > 0.53 { // times are whole cycles, of which a count has 39
			t.Fatalf("frame %d: the level is %d, and %.3f counts come", frames[n].index, frames[n].values[1], float64(p.width)/d.count())
		}
	}
	t.Logf("%d frames of the lamp compared, %s counts; %q", compared, error, d.levels)
	var horn []uint64
	for _, l := range d.levels {
		if f := strings.Fields(l); f[1] == "2" {
			at, _ := strconv.ParseUint(f[0], 10, 64)
			horn = append(horn, at)
		}
	}
	// The same once more, without a host: all is the same, to the cycle.
	again := newDriven(t, tl, 250000, 25000, 25e6)
	for _, command := range d.script[1:] {
		again.do("%s", command)
	}
	if !slices.Equal(d.log, again.log) {
		t.Error("two runs differ")
	}
	if compared < 290 || len(horn) != 2 || math.Abs(float64(horn[1]-horn[0])/cyclesPerUS-500000) > 25000 {
		t.Errorf("%d frames of the lamp; the horn changes at %d", compared, horn)
	}
}
