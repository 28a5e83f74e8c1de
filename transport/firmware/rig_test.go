package firmware_test

import (
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
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

// TestConfigOfRigRefuses: what a chip cannot do is said at the place in the rig.
func TestConfigOfRigRefuses(t *testing.T) {
	for name, c := range map[string]struct{ rig, port, want string }{
		"a lamp elsewhere": {fmt.Sprintf(moleRig, "250000", 9), "atmega328p", "a.rig.yaml:7:46: output 9 of the ATmega328P (pin A1) cannot be a dimmer lamp; use one of the channels 1, 3, 4"},
		"no such output":   {fmt.Sprintf(moleRig, "250000", 12), "atmega328p", "the ATmega328P has no output 12 for the dimmer lamp; its channels are 0 to 11"},
		"a rate too far":   {fmt.Sprintf(moleRig, "230400", 3), "atmega328p", "-3.5 % off: it is recommended for 1.5 % at most; write baud: 250000, 500000 or 1000000"},
		"another tick":     {strings.Replace(fmt.Sprintf(moleRig, "250000", 3), "0.5us", "1us", 1), "atmega328p", "the ATmega328P places pulses in steps of 0.5 us, and board main has 1 us; write tick: 0.5us"},
		"an input":         {strings.Replace(fmt.Sprintf(moleRig, "250000", 3), "inputs: {1:", "inputs: {4:", 1), "atmega328p", "the ATmega328P has no pin for input 4; number it 1 to 1"},
		"a stepper":        {strings.Replace(fmt.Sprintf(moleRig, "250000", 3), "kind: dimmer, board: main, channel: 3", "kind: stepper, steps: 200, microsteps: 16, limits: {speed: 90deg/s, acceleration: 90deg/s2}, board: main, channel: 3", 1), "atmega328p", "cannot be a stepper lamp; use one of the channels of another kind of board"},
		"two stops":        {strings.Replace(fmt.Sprintf(moleRig, "250000", 3), "{active: low, debounce: 50ms}", "{active: low, stop: true}", 1), "atmega328p", "board main has more than one input that stops it"},
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
	for port, file := range map[string]string{"atmega328p": "src/avr/outputs.c", "atmega328p-pwm": "src/avr-pwm/lj_pwm.h"} {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		p := portOf(t, port)
		for output, pin := range p.Pins() {
			if port == "atmega328p" && !strings.Contains(string(text), fmt.Sprintf("| %d | P%s | %s |", output, pins[pin], pin)) {
				t.Errorf("%s has no line for output %d on %s", file, output, pin)
			}
		}
		for input, pin := range p.Inputs() {
			if port == "atmega328p" && !strings.Contains(string(text), fmt.Sprintf("P%s (%s)", pins[pin], pin)) {
				t.Errorf("%s has no input %d on %s", file, input, pin)
			}
		}
	}
}

// pins are the chip's names of the Uno's pins (ATmega328P data sheet, "Pin Configurations").
var pins = map[string]string{"D2": "D2", "D3": "D3", "D4": "D4", "D5": "D5", "D6": "D6", "D7": "D7", "D8": "B0", "D9": "B1",
	"A0": "C0", "A1": "C1", "A2": "C2", "A3": "C3", "A4": "C4", "A5": "C5"}

// TestTreeBuilds: what is written for each chip compiles and links with the flags that
// README.TXT names, and fits.
func TestTreeBuilds(t *testing.T) {
	t.Parallel()
	tool(t, "avr-gcc")
	tool(t, "avr-size")
	rig := loadRig(t, fmt.Sprintf(moleRig, "250000", 3))
	for _, p := range firmware.Ports() {
		t.Run(p.Name, func(t *testing.T) {
			program, err := firmware.ConfigOf(rig, rig.Boards[0], &p)
			if err != nil {
				t.Fatal(err)
			}
			if err := program.Plays(false); err != nil {
				t.Fatal(err)
			}
			buildTree(t, program)
			if err := program.Plays(true); err != nil {
				if p.Name == "atmega328p" {
					t.Error(err)
				}
				return
			}
			program, _ = firmware.ConfigOf(rig, rig.Boards[0], &p)
			program.Plays(true)
			buildTree(t, program)
		})
	}
}

// chipFlash and chipMemory are the ATmega328P's, in bytes; a bootloader takes 512 of the
// flash (data sheet, "Features", and the Uno's).
const (
	chipFlash  = 32768 - 512
	chipMemory = 2048
)

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
	args := append(strings.Fields(firmware.Flags()), "-Wall", "-Wextra", "-Werror", "-o", filepath.Join(dir, "mole.elf"))
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
	if text+data > chipFlash || data+bss > chipMemory-256 {
		t.Errorf("it takes %d bytes of flash and %d of memory, beside the stack", text+data, data+bss)
	}
}
