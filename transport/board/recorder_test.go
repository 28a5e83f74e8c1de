package board

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"limberjack/transport/wire"
)

// recorded plays a show of 60 frames to recorders, and drops the pulses 2 ms into the
// slot after that, when the first pulse has ended, the second has not begun and the
// third will not come. It gives the recordings and the slots.
func recorded(t *testing.T) (vcd, csv string, d *desk) {
	t.Helper()
	c := deskConfig()
	var out [2]bytes.Buffer
	recorders := []*Recorder{NewRecorder(&out[0], VCD, &c), NewRecorder(&out[1], CSV, &c)}
	d = newDesk(t, c)
	probe := d.p.conf.Slot
	d.p.conf.Slot = func(s *Slot) {
		probe(s)
		for _, r := range recorders {
			r.Slot(s)
		}
	}
	d.p.conf.Drop = func(at int64, cut bool) {
		d.dropped(at, cut)
		for _, r := range recorders {
			r.Drop(at, cut)
		}
	}
	d.configure(deskChannels()...)
	d.arm(still...)
	d.must(&wire.Start{Time: d.tick(0)})
	first := d.tick(60_000)
	for k := range 60 {
		turn := 2 * math.Pi * float64(k) / 60
		d.say(&wire.Frames{Index: wire.Index(k), Time: first.Add(int64(k) * frame), Values: wire.Values(nil).Add(
			uint16(3000+300*math.Sin(turn)), uint16(3000-300*math.Sin(turn)), 3000, uint16(int16(14000*math.Sin(turn))),
			uint16(int16(1000*math.Sin(turn))), uint16(1000*k), uint16(k/20%2))})
		if k > 5 {
			d.run(frame)
		}
	}
	d.wait(d.slots[len(d.slots)-1].Start + 5*frame + 2_000 - d.now)
	d.must(&wire.Stop{Category: wire.CategoryDrop})
	for _, r := range recorders {
		if err := r.Close(); err != nil {
			t.Fatal(err)
		}
	}
	return out[0].String(), out[1].String(), d
}

// The dump by arithmetic: a servo's pulse begins at its slot's start plus its offset and
// is as wide as its value, in units of 0.1 us, of which a tick has five.
func TestRecordedPulses(t *testing.T) {
	vcd, csv, d := recorded(t)
	if !strings.Contains(vcd, "$timescale 100 ns $end") || !strings.Contains(vcd, "$scope module tower $end") {
		t.Fatalf("the head of the dump:\n%.400s", vcd)
	}
	for _, c := range []struct {
		output uint8
		name   string
		begun  bool // when the pulses are dropped
	}{{0, "arm", true}, {1, "head_pan", false}, {3, "jaw", false}} {
		var want []string
		for i, s := range d.slots {
			for _, p := range s.Pins {
				if p.Output != c.output || !c.begun && i == len(d.slots)-1 {
					continue
				}
				rise := s.Start*10 + int64(p.Offset)*5
				want = append(want, fmt.Sprint(rise, " ", rise+int64(p.Value)*5))
			}
		}
		if got := pulsesOf(t, vcd, c.name); !slices.Equal(got, want) {
			t.Errorf("%s: %d pulses, want %d\nthe last %v\nwant     %v", c.name, len(got), len(want), got[len(got)-1], want[len(want)-1])
		}
	}
	head := "us,output,name,wire,level\n"
	rest, ok := strings.CutPrefix(csv, head)
	if !ok {
		t.Fatalf("the head of the table: %.100s", csv)
	}
	_, body, _ := strings.Cut(vcd, "$dumpvars\n")
	_, body, _ = strings.Cut(body, "$end\n")
	edges := 0
	for line := range strings.Lines(body) {
		if line[0] == '0' || line[0] == '1' {
			edges++
		}
	}
	if n := strings.Count(rest, "\n"); n != edges {
		t.Errorf("%d edges in the table, %d in the dump", n, edges)
	}
	if want := "20000.000000,0,arm,pulse,1\n"; !strings.HasPrefix(rest, want) {
		t.Errorf("the table begins with %.60q, want %q", rest, want)
	}
}

// pulsesOf gives the rises and falls of a wire of a dump.
func pulsesOf(t *testing.T, vcd, name string) (list []string) {
	t.Helper()
	m := regexp.MustCompile(`\$var wire 1 (\S+) ` + name + ` \$end`).FindStringSubmatch(vcd)
	if m == nil {
		t.Fatalf("no wire %s", name)
	}
	now, rise := "", ""
	_, body, _ := strings.Cut(vcd, "$dumpvars")
	for line := range strings.Lines(body) {
		switch line = strings.TrimSpace(line); {
		case strings.HasPrefix(line, "#"):
			now = line[1:]
		case line == "1"+m[1]:
			rise = now
		case line == "0"+m[1] && now != "":
			list = append(list, rise+" "+now)
		}
	}
	return list
}

// A reset cuts a pulse that has begun; stop 0 does not.
func TestRecordedDrop(t *testing.T) {
	for _, cut := range []bool{false, true} {
		var out bytes.Buffer
		c := deskConfig()
		r := NewRecorder(&out, CSV, &c)
		r.Slot(&Slot{Start: 1000, Room: 18750, Period: 20000, Pins: []Pin{
			{Output: 0, Live: true, Fresh: true, Value: 3000},
			{Output: 1, Live: true, Fresh: true, Value: 3000, Offset: 4000},
			{Output: 6, Unit: wire.UnitLevel, Live: true, Fresh: true, Value: 65535},
			{Output: 7, Unit: wire.UnitState, Live: true, Fresh: true, Value: 1},
		}})
		r.Drop(1100, cut)
		if err := r.Close(); err != nil {
			t.Fatal(err)
		}
		want := "us,output,name,wire,level\n1000.000000,0,arm,pulse,1\n1000.000000,6,lantern,pulse,1\n1000.000000,7,fog-horn,pulse,1\n"
		if cut {
			want += "1100.000000,0,arm,pulse,0\n"
		}
		want += "1100.000000,6,lantern,pulse,0\n1100.000000,7,fog-horn,pulse,0\n"
		if !cut {
			want += "2500.000000,0,arm,pulse,0\n"
		}
		if out.String() != want {
			t.Errorf("cut %v:\n%swant\n%s", cut, out.String(), want)
		}
	}
}

type full struct{ room int }

func (f *full) Write(b []byte) (int, error) {
	if f.room -= len(b); f.room < 0 {
		return 0, errors.New("no space left on device")
	}
	return len(b), nil
}

func TestRecorderTellsOfAFullDisk(t *testing.T) {
	c := deskConfig()
	r := NewRecorder(&full{5000}, VCD, &c)
	for k := range int64(10_000) {
		r.Slot(&Slot{Start: k * frame, Room: 18750, Period: frame, Pins: []Pin{{Output: 0, Live: true, Value: 3000}}})
	}
	if err := r.Close(); err == nil || !strings.Contains(err.Error(), "no space") {
		t.Errorf("a recording on a full disk: %v", err)
	}
}

// tool skips the test where a program is not installed, and fails it where all tools
// are required.
func tool(t *testing.T, name string) {
	t.Helper()
	if _, err := exec.LookPath(name); err != nil {
		if os.Getenv("LIMBERJACK_TOOLS") == "required" {
			t.Fatalf("%s is not installed, and LIMBERJACK_TOOLS is required", name)
		}
		t.Skipf("%s is not installed", name)
	}
}

// sigrok runs a decoder of sigrok-cli, an independent reader of IEEE 1364 dumps, and
// gives from, to and text of what it finds.
func sigrok(t *testing.T, path, decoder, class string) [][]string {
	t.Helper()
	out, err := exec.Command("sigrok-cli", "-i", path, "-P", decoder, "-A", class, "--protocol-decoder-samplenum").CombinedOutput()
	if err != nil {
		t.Fatalf("sigrok-cli: %v\n%s", err, out)
	}
	found := regexp.MustCompile(`(?m)^(\d+)-(\d+) \S+: (.*)$`).FindAllStringSubmatch(string(out), -1)
	if len(found) == 0 {
		t.Fatalf("sigrok-cli found nothing of %s:\n%.500s", decoder, out)
	}
	return found
}

func TestSigrokReadsTheDump(t *testing.T) {
	tool(t, "sigrok-cli")
	vcd, _, d := recorded(t)
	path := filepath.Join(t.TempDir(), "board.vcd")
	if err := os.WriteFile(path, []byte(vcd), 0o644); err != nil {
		t.Fatal(err)
	}
	// The PWM decoder prints the share of the period to six decimals.
	got := map[int64]int64{}
	for _, m := range sigrok(t, path, "pwm:data=head_pan", "pwm=duty-cycle") {
		from, _ := strconv.ParseInt(m[1], 10, 64)
		to, _ := strconv.ParseInt(m[2], 10, 64)
		share, err := strconv.ParseFloat(strings.TrimSuffix(m[3], "%"), 64)
		if err != nil {
			t.Fatal(err)
		}
		got[from] = int64(math.Round(float64(to-from) * share / 100))
	}
	slots := d.slots[:len(d.slots)-2] // a pulse is reported with the next; the last slot has none
	if len(got) < len(slots) {
		t.Errorf("%d pulses, want %d", len(got), len(slots))
	}
	for _, s := range slots {
		if at, want := s.Start*10+5000*5, int64(s.Pins[1].Value)*5; got[at] != want {
			t.Errorf("the pulse at #%d: %d wide, want %d", at, got[at], want)
		}
	}
	// The stepper's edges, counted by direction, give the position before the last slot,
	// and of that slot's steps those that had begun in its first 2 ms of 18.75.
	steps := sigrok(t, path, "stepper_motor:step=beacon_step:dir=beacon_dir", "stepper_motor=position")
	beacon := d.values(5, len(d.slots)-2)
	from, to := int(int16(beacon[0])), int(int16(beacon[1]))
	want := float64(from) + float64(to-from)*2/18.75
	position, _ := strconv.Atoi(strings.Fields(steps[len(steps)-1][3])[0])
	if off := float64(position) - want; math.Abs(off) > 2 { // the decoder does not report the last step
		t.Errorf("the beacon at %d by its edges, at %.1f by its values", position, want)
	}
}
