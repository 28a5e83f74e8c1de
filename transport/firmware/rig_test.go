package firmware_test

import (
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"limberjack/sequence"
	"limberjack/transport/board"
	"limberjack/transport/card"
	"limberjack/transport/firmware"
	"limberjack/transport/wire"
)

func loadRig(t testing.TB, text string) *sequence.Rig {
	t.Helper()
	rig, err := sequence.LoadRig(func(string) (io.ReadCloser, error) { return io.NopCloser(strings.NewReader(text)), nil }, "a.rig.yaml")
	if err != nil {
		t.Fatal(err)
	}
	return rig
}

func portOf(t testing.TB, name string) *firmware.Port {
	t.Helper()
	for _, p := range firmware.Ports() {
		if p.Name == name {
			return &p
		}
	}
	t.Fatalf("no port %s", name)
	return nil
}

const moleRig = `rig: The mole
format: 1
boards:
  main: {rate: 50Hz, tick: 0.5us, channels: 16, baud: %s, inputs: {1: {active: low, debounce: 50ms}, 2: {active: low, stop: true}}}
axes:
  arm: {kind: servo, board: main, channel: 0, travel: [0deg, 100deg], pulse: [[0deg, 1000us], [100deg, 2000us]], rest: 10deg, limits: {speed: 120deg/s, acceleration: 1200deg/s2}, load: {mass: 100g, arm: 50mm}}
  lamp: {kind: dimmer, board: main, channel: %d, current: 60mA}
sound: {delay: 300ms, trigger: {board: main, channel: 5, pulse: 50ms}}
`

// TestConfigOfRig: what is baked in is what the rig says. 10 us are 1 deg and 20 ticks:
// 120 deg/s at 50 Hz are 48 ticks a frame, and 5 % and one more for rounding; 1200 deg/s2
// are 9.6 ticks a frame a frame; 30 deg/s are 12 ticks a frame.
func TestConfigOfRig(t *testing.T) {
	rig := loadRig(t, fmt.Sprintf(moleRig, "250000", 3))
	p, err := firmware.ConfigOf(rig, rig.Boards[0], portOf(t, "atmega328p"))
	if err != nil {
		t.Fatal(err)
	}
	c := p.Config
	if len(c.Outputs) != 6 || c.Print != board.Print(rig) || c.Inputs != 2 || c.Low != 3 || c.Debounce != 50_000 || len(p.Notes) > 0 {
		t.Errorf("%+v, notes %q", c, p.Notes)
	}
	want := firmware.Output{Units: wire.UnitsTicks, Flags: wire.FlagsWeight, Unit: wire.UnitTicks, Lost: wire.PolicyHold,
		Low: 2000, High: 4000, Rest: 2200, Change: 52, Slow: 10, Soft: 12}
	if c.Outputs[0] != want {
		t.Errorf("the arm is %+v, want %+v", c.Outputs[0], want)
	}
	if o := c.Outputs[3]; o.Units != wire.UnitsLevel || o.High != 65535 || o.Change != 65535 {
		t.Errorf("the lamp is %+v", o)
	}
	if o := c.Outputs[5]; o.Units != wire.UnitsState || o.High != 1 || o.Flags != 0 {
		t.Errorf("the trigger is %+v", o)
	}
	tick, channels, err := card.ChannelsOf(rig, rig.Boards[0])
	if err != nil || c.Card != card.Print(tick, channels) {
		t.Errorf("a card for %08x is wanted (%v)", c.Card, err)
	}
	files, err := p.Tree("mole")
	if err != nil {
		t.Fatal(err)
	}
	for _, text := range []string{"D2         servo arm", "D5         dimmer lamp", "D7         trigger of the sound player", "A5         input 1, active when it is low", "A4         input 2, which stops the board"} {
		if !strings.Contains(string(files["README.TXT"]), text) {
			t.Errorf("README.TXT does not say %q:\n%s", text, files["README.TXT"])
		}
	}
}

// stepping is the mole with a stepper in place of its lamp.
func stepping(more, baud string) string {
	return strings.Replace(fmt.Sprintf(moleRig, baud, 3), "kind: dimmer, board: main, channel: 3, current: 60mA",
		"kind: stepper, steps: 200, microsteps: 16, limits: {speed: 90deg/s, acceleration: 90deg/s2}, board: main, channel: 3"+more, 1)
}

// TestConfigOfRigRefuses: what a chip cannot do is said at the place in the rig.
func TestConfigOfRigRefuses(t *testing.T) {
	for name, c := range map[string]struct{ rig, port, want string }{
		"a lamp elsewhere":    {fmt.Sprintf(moleRig, "250000", 9), "atmega328p", "a.rig.yaml:7:46: output 9 of the ATmega328P (pin A1) cannot be a dimmer lamp; use one of the channels 1, 3, 4"},
		"no such output":      {fmt.Sprintf(moleRig, "250000", 12), "atmega328p", "the ATmega328P has no output 12 for the dimmer lamp; its channels are 0 to 11"},
		"a rate too far":      {fmt.Sprintf(moleRig, "230400", 3), "atmega328p", "-3.5 % off: it is recommended for 1.5 % at most; write baud: 250000, 500000 or 1000000"},
		"another tick":        {strings.Replace(fmt.Sprintf(moleRig, "250000", 3), "0.5us", "1us", 1), "atmega328p", "the ATmega328P places pulses in steps of 0.5 us, and board main has 1 us; write tick: 0.5us"},
		"an input":            {strings.Replace(fmt.Sprintf(moleRig, "250000", 3), "inputs: {1:", "inputs: {4:", 1), "atmega328p", "the ATmega328P has no pin for input 4; number it 1 to 1"},
		"a stepper":           {stepping("", "250000"), "atmega328p", "cannot be a stepper lamp; use an ATmega2560 (--chip atmega2560), which has outputs for it"},
		"two stops":           {strings.Replace(fmt.Sprintf(moleRig, "250000", 3), "{active: low, debounce: 50ms}", "{active: low, stop: true}", 1), "atmega328p", "board main has more than one input that stops it"},
		"a stepper elsewhere": {strings.Replace(stepping("", "250000"), "channel: 3", "channel: 6", 1), "atmega2560", "output 6 of the ATmega2560 (pin D28) cannot be a stepper lamp; use one of the channels 0, 1, 2, 3, 4, 5"},
		"a fast stepper":      {strings.Replace(stepping("", "250000"), "speed: 90deg/s", "speed: 1000deg/s", 1), "atmega2560", "lamp may go at 8889 steps/s, and the ATmega2560 gives at most 8000 to a stepper; limit its speed to 900 deg/s, or use fewer microsteps"},
		"a fast search":       {stepping(", pull_in: 40steps/s, home: {input: 1, towards: minus, speed: 90deg/s}", "250000"), "atmega2560", "lamp looks for its home at 800 steps/s, where it starts and stops at once"},
		"a search by stop":    {stepping(", home: {input: 2, towards: minus, speed: 9deg/s}", "250000"), "atmega2560", "lamp looks for its home by the input that stops board main; give its switch an input of its own"},
		"a slow board":        {strings.Replace(stepping("", "250000"), "rate: 50Hz", "rate: 20Hz", 1), "atmega2560", "board main plays 20 frames a second, and the ATmega2560 with steppers needs at least 23.3; 50Hz is usual"},
		"a slow driver":       {strings.Replace(fmt.Sprintf(moleRig, "250000", 3), "rate: 50Hz", "rate: 20Hz", 1), "atmega328p-pwm", "board main plays 20 frames a second, and the ATmega328P with a 16-channel PWM driver needs at least 26.4"},
	} {
		rig := loadRig(t, c.rig)
		_, err := firmware.ConfigOf(rig, rig.Boards[0], portOf(t, c.port))
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v\nand not %q", name, err, c.want)
		}
		var problems sequence.Problems
		if !errors.As(err, &problems) {
			t.Errorf("%s: %T", name, err)
		}
	}
}

// TestRate: the ATmega328P data sheet, table "Examples of UBRRn Settings for Commonly Used
// Oscillator Frequencies", 16 MHz, U2X = 1, has these errors in per cent.
func TestRate(t *testing.T) {
	for baud, want := range map[uint32]float64{9600: 0.2, 14400: -0.1, 19200: 0.2, 28800: 0.6, 38400: 0.2, 57600: -0.8, 76800: 0.2, 115200: 2.1, 230400: -3.5, 250000: 0, 500000: 0, 1000000: 0} {
		if _, off := firmware.Rate(baud); math.Abs(off*100-want) > 0.06 {
			t.Errorf("%d baud: %+.2f %%, want %+.1f %%", baud, off*100, want)
		}
	}
}

// TestPinsInC: the ports' pins in Go are those that their C says.
func TestPinsInC(t *testing.T) {
	for _, g := range []*target{small, large} {
		file := "src/avr/chip_" + g.mcu + ".h"
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		names := unoPins
		if g == large {
			names = megaNames
		}
		p := portOf(t, g.port)
		for output, pin := range p.Pins() {
			if names[pin] != g.pins[output] || !strings.Contains(string(text), fmt.Sprintf("| %d | P%s | %s |", output, names[pin], pin)) {
				t.Errorf("%s has no line for output %d on %s", file, output, pin)
			}
		}
		for input, pin := range p.Inputs() {
			if !strings.Contains(string(text), fmt.Sprintf("P%s (%s)", names[pin], pin)) {
				t.Errorf("%s has no input %d on %s", file, input, pin)
			}
		}
	}
}

// TestMegaPinsInC: what a program's README.TXT says of lamps and steppers is what the chip's
// file says.
func TestMegaPinsInC(t *testing.T) {
	text, err := os.ReadFile("src/avr/chip_atmega2560.h")
	if err != nil {
		t.Fatal(err)
	}
	rows := strings.Split(string(text), "\n")
	for output := range 16 {
		row := rows[slices.IndexFunc(rows, func(s string) bool { return strings.HasPrefix(s, fmt.Sprintf(" * | %d |", output)) })]
		for _, kind := range []struct{ rig, in, says string }{
			{"kind: dimmer, current: 60mA", "lamp, motor on P%s (%s, ", "%s dimmer lamp"},
			{"kind: stepper, steps: 200, limits: {speed: 90deg/s, acceleration: 90deg/s2}", "steps on P%s (%s)", "%s steps of the stepper lamp"},
		} {
			rig := loadRig(t, fmt.Sprintf("rig: Pins\nformat: 1\nboards:\n  main: {rate: 50Hz, tick: 0.5us, channels: 16, baud: 250000}\naxes:\n  lamp: {%s, board: main, channel: %d}\n", kind.rig, output))
			p, err := firmware.ConfigOf(rig, rig.Boards[0], portOf(t, large.port))
			if word, _, _ := strings.Cut(kind.in, " on"); (err == nil) != strings.Contains(row, word) {
				t.Errorf("output %d: %v, and the row is %s", output, err, row)
			}
			if err == nil && !strings.Contains(row, fmt.Sprintf(kind.in, megaNames[p.Wired[0].Pin], p.Wired[0].Pin)) {
				t.Errorf("output %d is on %s, and the row is %s", output, p.Wired[0].Pin, row)
			}
		}
	}
}

// megaNames are the chip's names of the pins of an Arduino Mega 2560 (its published pin mapping).
var megaNames = map[string]string{"D2": "E4", "D3": "E5", "D4": "G5", "D5": "E3", "D6": "H3", "D7": "H4", "D8": "H5", "D9": "H6", "D10": "B4", "D13": "B7",
	"D22": "A0", "D23": "A1", "D24": "A2", "D25": "A3", "D26": "A4", "D27": "A5", "D28": "A6", "D29": "A7",
	"D30": "C7", "D31": "C6", "D32": "C5", "D33": "C4", "D34": "C3", "D35": "C2", "D36": "C1", "D37": "C0",
	"A8": "K0", "A9": "K1", "A10": "K2", "A11": "K3", "A12": "K4", "A13": "K5", "A14": "K6", "A15": "K7"}

// unoPins are the chip's names of the Uno's pins (ATmega328P data sheet, "Pin Configurations").
var unoPins = map[string]string{"D2": "D2", "D3": "D3", "D4": "D4", "D5": "D5", "D6": "D6", "D7": "D7", "D8": "B0", "D9": "B1",
	"A0": "C0", "A1": "C1", "A2": "C2", "A3": "C3", "A4": "C4", "A5": "C5"}

// TestTreeBuilds: what is written for each chip compiles and links with the flags that
// README.TXT names, and fits.
func TestTreeBuilds(t *testing.T) {
	t.Parallel()
	tool(t, "avr-gcc")
	tool(t, "avr-size")
	rig := loadRig(t, fmt.Sprintf(moleRig, "250000", 3))
	for _, p := range firmware.Ports() {
		for _, plays := range []firmware.Plays{{Wire: true}, {Card: true}, {Wire: true, Card: true}} {
			t.Run(p.Name+", "+plays.String(), func(t *testing.T) {
				program, err := firmware.ConfigOf(rig, rig.Boards[0], &p)
				if err != nil {
					t.Fatal(err)
				}
				fits := p.Name == large.port || plays == firmware.Plays{Wire: true} || p.Name == small.port && plays == firmware.Plays{Card: true}
				if err := program.Plays(plays); (err == nil) != fits {
					t.Fatalf("%v", err)
				}
				if fits {
					buildTree(t, program)
				}
			})
		}
	}
	t.Run("the example", func(t *testing.T) {
		rig, err := sequence.LoadRig(lighthouse(t).open, "keeper.rig.yaml")
		if err != nil {
			t.Fatal(err)
		}
		for _, b := range rig.Boards {
			program, err := firmware.ConfigOf(rig, b, portOf(t, large.port))
			if err != nil {
				t.Fatal(err)
			}
			if err := program.Plays(program.Port.Usual()); err != nil {
				t.Fatal(err)
			}
			buildTree(t, program)
		}
	})
}

// buildTree compiles a program, and holds its sizes against the chip.
func buildTree(t *testing.T, program *firmware.Program) {
	t.Helper()
	files, err := program.Tree("mole")
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	if err := os.Mkdir(filepath.Join(dir, "src"), 0o755); err != nil {
		t.Fatal(err)
	}
	args := append(strings.Fields(program.Port.Flags()), "-Wall", "-Wextra", "-Werror", "-o", filepath.Join(dir, "mole.elf"))
	for name, text := range files {
		path := filepath.Join(dir, filepath.FromSlash(name))
		if err := os.WriteFile(path, text, 0o644); err != nil {
			t.Fatal(err)
		}
		if filepath.Ext(name) == ".c" {
			args = append(args, path)
		}
	}
	if out, err := exec.Command("avr-gcc", args...).CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	out, err := exec.Command("avr-size", filepath.Join(dir, "mole.elf")).Output()
	if err != nil {
		t.Fatal(err)
	}
	var text, data, bss int
	if _, err := fmt.Sscan(strings.Split(string(out), "\n")[1], &text, &data, &bss); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	t.Logf("%d bytes of flash, %d of memory", text+data, data+bss)
	g := small
	if program.Port.Name == large.port {
		g = large
	}
	if float64(text+data) > g.flash || float64(data+bss) > g.memory-256 {
		t.Errorf("it takes %d bytes of flash and %d of memory, beside the stack", text+data, data+bss)
	}
}
