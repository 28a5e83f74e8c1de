package timeline

import (
	"bytes"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// tool skips the test where a program is not installed, and fails it where all
// tools are required.
func tool(t *testing.T, name string) {
	t.Helper()
	if _, err := exec.LookPath(name); err != nil {
		if os.Getenv("LIMBERJACK_TOOLS") == "required" {
			t.Fatalf("%s is not installed, and LIMBERJACK_TOOLS is required", name)
		}
		t.Skipf("%s is not installed", name)
	}
}

func run(t *testing.T, dir, name string, args ...string) string {
	t.Helper()
	cmd := exec.Command(name, args...)
	cmd.Dir = dir
	var stderr bytes.Buffer
	cmd.Stderr = &stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("%s: %v\n%s", name, err, stderr.String())
	}
	if stderr.Len() > 0 {
		t.Errorf("%s says: %s", name, stderr.String())
	}
	return string(out)
}

// annotation is a line of sigrok-cli's: from a sample to a sample, a text.
type annotation struct {
	from, to uint64
	text     string
}

var annotationLine = regexp.MustCompile(`(?m)^(\d+)-(\d+) \S+: (.*)$`)

// decode runs one protocol decoder of sigrok (an independent reader of IEEE 1364
// dumps) over a dump. sigrok-cli exits with 0 also where it gave up, so that
// nothing decoded is a failure here.
func decode(t *testing.T, path, decoder, class string) (list []annotation) {
	t.Helper()
	out := run(t, "", "sigrok-cli", "-i", path, "-P", decoder, "-A", class, "--protocol-decoder-samplenum")
	for _, m := range annotationLine.FindAllStringSubmatch(out, -1) {
		from, _ := strconv.ParseUint(m[1], 10, 64)
		to, _ := strconv.ParseUint(m[2], 10, 64)
		list = append(list, annotation{from, to, m[3]})
	}
	if len(list) == 0 {
		t.Fatalf("sigrok-cli decoded nothing of %s:\n%.500s", decoder, out)
	}
	return list
}

// pulses gives the rises and the widths that the PWM decoder finds, in time
// units of the dump: it prints the share of the period to six decimals.
func pulses(t *testing.T, path, wire string) map[uint64]uint64 {
	t.Helper()
	found := map[uint64]uint64{}
	for _, a := range decode(t, path, "pwm:data="+wire, "pwm=duty-cycle") {
		share, err := strconv.ParseFloat(strings.TrimSuffix(a.text, "%"), 64)
		if err != nil {
			t.Fatal(err)
		}
		found[a.from] = uint64(math.Round(float64(a.to-a.from) * share / 100))
	}
	return found
}

func dumpFile(t *testing.T, tls []*Timeline) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "dump.vcd")
	if err := os.WriteFile(path, []byte(files(t, VCD, tls)[0]), 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

// Every pulse of every servo is where the timeline has it, as wide as it says.
// Time units are 100 ns, and frame 0 is at 10000 of them.
func TestSigrokPulses(t *testing.T) {
	tool(t, "sigrok-cli")
	tls := keeper(2, false).must(t)
	path := dumpFile(t, tls)
	for _, c := range []struct {
		timeline, channel int
		wire              string
		unit              uint64
		start             func(k uint64) uint64
	}{
		{0, 0, "head_pan", 5, func(k uint64) uint64 { return 10000 + 200000*k }},
		{0, 1, "jaw", 5, func(k uint64) uint64 { return 10000 + 200000*k + 17900*5 }},
		{1, 0, "wheel", 10, func(k uint64) uint64 { return 10000 + (1000000*k/60)*10 }},
	} {
		found, rows := pulses(t, path, c.wire), all(tls[c.timeline])
		if len(found) != len(rows) {
			t.Errorf("%s: %d pulses, want %d", c.wire, len(found), len(rows))
		}
		for k, row := range rows {
			at := c.start(uint64(k))
			if want := uint64(row[c.channel]) * c.unit; found[at] != want {
				t.Fatalf("%s frame %d at #%d: %d, want %d", c.wire, k, at, found[at], want)
			}
		}
	}
}

// Duty and level are the share of the frame that they stand for, to one time
// unit in 200000; where a wire does not change in a frame nothing is decoded.
func TestSigrokShares(t *testing.T) {
	tool(t, "sigrok-cli")
	tls := keeper(2, false).must(t)
	path := dumpFile(t, tls)
	for _, c := range []struct {
		channel int
		wire    string
		full    float64
	}{{3, "winch_pwm", 32767}, {4, "lantern", 65535}} {
		found, seen := pulses(t, path, c.wire), 0
		for k, row := range all(tls[0]) {
			width, ok := found[10000+200000*uint64(k)]
			if !ok {
				continue
			}
			seen++
			want := math.Abs(float64(row[c.channel])) / c.full * 200000
			if want < 199999 && math.Abs(float64(width)-want) > 0.51 {
				t.Errorf("%s frame %d: %d, want %.1f", c.wire, k, width, want)
			}
		}
		if seen < 90 {
			t.Errorf("%s: only %d frames of 101 were decoded", c.wire, seen)
		}
	}
}

// The steps turn round in mid-motion: the decoder's position after each step is
// that of the curve, and the number of steps that of all the deltas.
func TestSigrokSteps(t *testing.T) {
	tool(t, "sigrok-cli")
	tls := keeper(2, false).must(t)
	path := dumpFile(t, tls)
	var want []int
	position, turns := 0, 0
	for k, row := range all(tls[0]) {
		for range max(row[2], -row[2]) {
			position += row[2] / max(row[2], -row[2])
			want = append(want, position)
		}
		if k > 0 && row[2] < 0 {
			turns++
		}
	}
	if turns == 0 || position != 0 {
		t.Fatalf("the motion has to go and come back: %d frames backwards, end at %d", turns, position)
	}
	got := decode(t, path, "stepper_motor:step=beacon_step:dir=beacon_dir", "stepper_motor=position")
	if len(got) != len(want)-1 { // the decoder does not report the last step
		t.Fatalf("%d steps, want %d", len(got)+1, len(want))
	}
	for i, a := range got {
		if a.text != fmt.Sprintf("%d steps", want[i]) {
			t.Fatalf("step %d: %s, want %d", i, a.text, want[i])
		}
	}
	count := decode(t, path, "counter:data=beacon_step:data_edge=rising", "counter")
	if last := count[len(count)-1].text; last != strconv.Itoa(len(want)) {
		t.Errorf("%s steps counted, want %d", last, len(want))
	}
}

// The header compiles as C99 without a warning, twice included, and the program
// sees every number of the timeline.
func TestHeaderCompiles(t *testing.T) {
	tool(t, "gcc")
	for i, tl := range keeper(1, true).must(t) {
		dir := t.TempDir()
		id := strings.ToUpper(tl.Head().prefix())
		source := strings.ReplaceAll(strings.ReplaceAll(printer, "UPPER", id), "LOWER", strings.ToLower(id))
		text := files(t, Header, keeper(1, true).must(t))[i]
		for name, text := range map[string]string{"motion.h": text, "print.c": source} {
			if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		run(t, dir, "gcc", "-std=c99", "-pedantic", "-Wall", "-Wextra", "-Wconversion", "-Werror", "-o", "print", "print.c")
		if got, want := run(t, dir, "./print"), printed(tl); got != want {
			t.Errorf("the program prints\n%s\nand not\n%s", got, want)
		}
	}
}

// Names that could end a comment or a literal leave the header whole C.
func TestHeaderCompilesHostile(t *testing.T) {
	tool(t, "gcc")
	p := keeper(0.1, false)
	p.motion, p.rig.Boards[0].Name = "*/ int x; /* ??/\\", "9\n#error"
	p.rig.Axes[0].Name, p.rig.Axes[1].Name, p.rig.Axes[2].Name = "\"??/", "шлюз", "a\\"
	dir := t.TempDir()
	for name, text := range map[string]string{
		"motion.h": files(t, Header, p.must(t))[0],
		"use.c":    "#include \"motion.h\"\nint main(void) { return 0; }\n",
	} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	run(t, dir, "gcc", "-std=c99", "-pedantic", "-Wall", "-Wextra", "-Wconversion", "-Werror", "-c", "use.c")
}

const printer = `#include "motion.h"
#include "motion.h"
#include <stdio.h>
#include <string.h>

int main(void)
{
    printf("%s %g Hz %g us %lu ticks loop %d\n", UPPER_RIG, UPPER_RATE_HZ, UPPER_TICK_US, UPPER_FRAME_TICKS, UPPER_LOOP);
    for (int c = 0; c < UPPER_CHANNELS; c++) {
        printf("%s %s %d %d %ld %ld %ld %ld %d\n", LOWER_axes[c], LOWER_units[c], LOWER_outputs[c], LOWER_offsets[c],
               (long)LOWER_low[c], (long)LOWER_high[c], (long)LOWER_rest[c], (long)LOWER_start[c], LOWER_wrap[c]);
    }
    for (long k = 0; k < UPPER_FRAMES; k++) {
        for (int c = 0; c < UPPER_CHANNELS; c++) {
            int is_signed = strcmp(LOWER_units[c], "duty") == 0 || strcmp(LOWER_units[c], "steps") == 0;
            long v = LOWER_frames[k][c];
            printf("%ld ", is_signed && v > 32767 ? v - 65536 : v);
        }
        printf("\n");
    }
    return 0;
}
`

func printed(tl *Timeline) string {
	var b strings.Builder
	loop := map[bool]int{false: 0, true: 1}[tl.Loop]
	fmt.Fprintf(&b, "%s %g Hz %g us %d ticks loop %d\n", tl.Fingerprint, tl.Board.Rate.V, tl.Board.Tick.V, int(1e6/tl.Board.Rate.V/tl.Board.Tick.V), loop)
	for _, c := range tl.Channels {
		fmt.Fprintf(&b, "%s %s %d %d %d %d %d %d %d\n", c.Axis.Name, c.Unit, c.Number, c.Offset, c.Low, c.High, c.Rest, c.Start, c.Wrap)
	}
	for _, row := range all(tl) {
		for _, v := range row {
			fmt.Fprintf(&b, "%d ", v)
		}
		b.WriteString("\n")
	}
	return b.String()
}
