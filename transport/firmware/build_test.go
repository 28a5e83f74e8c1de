package firmware_test

import (
	"bufio"
	"bytes"
	"encoding/binary"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"limberjack/transport/board"
	"limberjack/transport/firmware"
	"limberjack/transport/wire"
)

// tool skips the test where a program is not installed, and fails it where all
// tools are required.
func tool(t testing.TB, name string) {
	t.Helper()
	if _, err := exec.LookPath(name); err != nil {
		if os.Getenv("LIMBERJACK_TOOLS") == "required" {
			t.Fatalf("%s is not installed, and LIMBERJACK_TOOLS is required", name)
		}
		t.Skipf("%s is not installed", name)
	}
}

// strict are the warnings under which the sources are clean.
var strict = []string{"-std=c99", "-Wall", "-Wextra", "-Wconversion", "-Wshadow", "-pedantic", "-Werror"}

// sanitized stops the program at the first access outside of memory and at the first
// operation that C does not define. It then tells functions and lines; to write what a debugger
// asks for besides takes a quarter of the compiler's time.
var sanitized = []string{"-g1", "-O1", "-fsanitize=address,undefined", "-fno-sanitize-recover=all"}

// core gives the sources of the player, without the card that it may do without; hosted
// gives them with those of the host port's program.
func core(testing.TB) []string {
	var files []string
	for _, name := range []string{"answers", "axis", "hours", "input", "line", "messages", "own", "player", "queue", "slots", "spread"} {
		files = append(files, "src/core/lj_"+name+".c")
	}
	return files
}

func hosted(t testing.TB) []string {
	return append(core(t), "src/host/lj_host.c", "src/host/lj_host_memory.c", "src/host/lj_no_eeprom.c")
}

// header writes a configuration, and gives the directories of all headers.
func header(t testing.TB, c *firmware.Config, dir, target string) []string {
	t.Helper()
	f, err := os.Create(filepath.Join(dir, "lj_config.h"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if _, err := c.WriteTo(f); err != nil {
		t.Fatal(err)
	}
	return []string{"-I" + dir, "-I" + target, "-Isrc/core", "-I../wire"}
}

// careful are warnings beside the strict ones, in the spirit of MISRA C:2012 where they cost
// nothing: no lost qualifiers (rule 11.8), prototypes (8.2, 8.4), a default in each switch (16.4),
// no arrays of variable length (18.8), no macro that is not defined (20.9). Numbers from memory.
var careful = strings.Fields("-Wcast-qual -Wcast-align -Wstrict-prototypes -Wold-style-definition -Wmissing-prototypes " +
	"-Wredundant-decls -Wswitch-default -Wvla -Wundef -Wpointer-arith -Wwrite-strings -Wsign-conversion -Wdouble-promotion")

// warnings compiles sources only to see what a compiler warns of. What gcc warns of it partly
// finds while it optimizes, clang does not.
func warnings(t testing.TB, compiler string, c *firmware.Config, sources []string, flags ...string) {
	t.Helper()
	if compiler == "clang" {
		flags = append(flags, "-fsyntax-only")
	} else {
		flags = append(flags, "-O2")
	}
	compile(t, compiler, c, sources, append(flags, careful...)...)
}

// compile compiles sources, and gives the path of the program.
func compile(t testing.TB, compiler string, c *firmware.Config, sources []string, flags ...string) string {
	t.Helper()
	dir, err := os.MkdirTemp(scratch, "build")
	if err != nil {
		t.Fatal(err)
	}
	program := filepath.Join(dir, "program")
	args := append(append([]string{}, strict...), flags...)
	args = append(args, header(t, c, dir, "src/host")...)
	args = append(append(args, "-o", program), sources...)
	if out, err := exec.Command(compiler, args...).CombinedOutput(); err != nil {
		t.Fatalf("%s: %v\n%s", compiler, err, out)
	}
	return program
}

// scratch is a directory for all tests, which share their programs.
var scratch string

func TestMain(m *testing.M) {
	var err error
	if scratch, err = os.MkdirTemp("", "limberjack-firmware"); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	code := m.Run()
	os.RemoveAll(scratch)
	os.Exit(code)
}

// compiling is held while a program is compiled.
var compiling sync.Mutex

// program gives the host port's program for a board, which is compiled once. The processes
// of a fuzzer inherit its place by the environment.
func program(t testing.TB, c *firmware.Config) string {
	t.Helper()
	tool(t, "cc")
	compiling.Lock()
	defer compiling.Unlock()
	place := fmt.Sprintf("LIMBERJACK_PROGRAM_%X", c.Name)
	if path := os.Getenv(place); path != "" {
		return path
	}
	path := compile(t, "cc", c, hosted(t), sanitized...)
	if err := os.Setenv(place, path); err != nil {
		t.Fatal(err)
	}
	return path
}

// device is the player in C, as a program that is given scripts.
type device struct {
	command *exec.Cmd
	in      io.WriteCloser
	out     *bufio.Reader
	trouble bytes.Buffer
}

func newDevice(t testing.TB, c *firmware.Config) *device {
	t.Helper()
	d := &device{command: exec.Command(program(t, c))}
	d.command.Stderr = &d.trouble
	var err error
	if d.in, err = d.command.StdinPipe(); err != nil {
		t.Fatal(err)
	}
	out, err := d.command.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	d.out = bufio.NewReaderSize(out, 1<<16)
	if err := d.command.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		d.in.Close()
		if err := d.command.Wait(); err != nil {
			t.Errorf("the program in C: %v\n%s", err, d.trouble.Bytes())
		}
	})
	return d
}

// run gives the records that a script leads to. It runs on from what was before, unless
// the script begins with a new board.
func (d *device) run(t testing.TB, script []byte) []byte {
	t.Helper()
	done := make(chan error, 1)
	go func() {
		_, err := d.in.Write(append(script[:len(script):len(script)], 'Q'))
		done <- err
	}()
	var size [4]byte
	_, err := io.ReadFull(d.out, size[:])
	if err != nil {
		<-done
		d.in.Close()
		d.command.Wait()
		t.Fatalf("the program in C has ended: %v\n%s", err, d.trouble.Bytes())
	}
	records := make([]byte, binary.LittleEndian.Uint32(size[:]))
	if _, err := io.ReadFull(d.out, records); err != nil {
		t.Fatalf("the program in C has ended: %v\n%s", err, d.trouble.Bytes())
	}
	if err := <-done; err != nil {
		t.Fatal(err)
	}
	return records
}

// boards are those on which Go and C are compared.

// tower has an output of each unit, and one that is missing.
func tower() *firmware.Config {
	return &firmware.Config{Name: "tower", Queue: 32, Payload: wire.MaxPayload, Tick: 500_000, Least: 5_000_000, Greatest: 100_000_000,
		Outputs: []firmware.Output{
			{Units: wire.UnitsTicks, Low: 1000, High: 5000, Rest: 3000, Change: 4000, Slow: 4},
			{Units: wire.UnitsTicks, Low: 1000, High: 5000, Rest: 3000, Change: 4000, Slow: 4},
			{},
			{Units: wire.UnitsTicks | wire.UnitsState, Low: 0, High: 5000, Rest: 3000, Change: 4000, Slow: 4},
			{Units: wire.UnitsDuty, Unit: wire.UnitDuty, Low: -32767, High: 32767, Change: 65535, Slow: 1000},
			{Units: wire.UnitsSteps, Unit: wire.UnitSteps, Low: -1 << 31, High: 1<<31 - 1, Change: 32767, Slow: 50},
			{Units: wire.UnitsLevel, Unit: wire.UnitLevel, Low: 0, High: 65535, Rest: 6000, Change: 65535, Slow: 65535},
			{Units: wire.UnitsState, Unit: wire.UnitState, Low: 0, High: 1, Change: 1, Slow: 1},
		}}
}

// shore is a small board with servos only: 12 of them, as an 8-bit chip has room for.
func shore() *firmware.Config {
	c := &firmware.Config{Name: "shore", Queue: 16, Payload: 82, Tick: 500_000, Least: 10_000_000, Greatest: 100_000_000, Print: 0x5ea57ed6}
	for i := range 12 {
		c.Outputs = append(c.Outputs, firmware.Output{Units: wire.UnitsTicks, Offset: uint16(1500 * i), Low: 1000, High: 5000, Rest: 3000, Change: 200, Slow: 4, Soft: 20})
	}
	return c
}

// pier has outputs of all units but steps, so that its limits are kept in 16 bits.
func pier() *firmware.Config {
	c := tower()
	c.Name, c.Payload, c.Queue = "pier", 100, 7
	c.Outputs[5] = firmware.Output{Units: wire.UnitsDuty | wire.UnitsTicks, Unit: wire.UnitDuty, Low: -30000, High: 65535, Change: 65535, Slow: 20}
	return c
}

// buoy is as small as a board can be, and its tick is an odd one.
func buoy() *firmware.Config {
	return &firmware.Config{Name: "", Queue: 1, Payload: 32, Tick: 1_234_567, Least: 1, Greatest: 1_000_000_000,
		Outputs: []firmware.Output{{Units: 0x1f, Low: -1 << 31, High: 1<<31 - 1, Change: 1<<32 - 1, Slow: 1}}}
}

// island is as large as a board can be.
func island() *firmware.Config {
	c := &firmware.Config{Name: "island ??/\"\\ é1", Queue: 255, Payload: wire.MaxPayload, Tick: 62_500, Least: 2_500_000, Greatest: 25_000_000}
	for i := range wire.MaxChannels {
		u := wire.Unit(i % 5)
		o := firmware.Output{Units: 1 << u, Unit: u, Low: 0, High: 1, Change: 1, Slow: 1}
		switch u {
		case wire.UnitTicks:
			o.Low, o.High, o.Rest, o.Change = 1, 65535, 24000, 65535
		case wire.UnitDuty:
			o.Low, o.High, o.Change = -32767, 32767, 65535
		case wire.UnitSteps:
			o.Low, o.High, o.Change = -1<<31, 1<<31-1, 32767
		case wire.UnitLevel:
			o.High, o.Change = 65535, 65535
		}
		c.Outputs = append(c.Outputs, o)
	}
	return c
}

// inGo gives the same board in Go.
func inGo(c *firmware.Config) board.Config {
	b := board.Config{Name: c.Name, Depth: c.Queue, Payload: uint8(c.Payload), Tick: c.Tick, Least: c.Least, Greatest: c.Greatest, Print: c.Print}
	for _, o := range c.Outputs {
		b.Outputs = append(b.Outputs, board.Output{Units: o.Units, Low: o.Low, High: o.High, Change: o.Change, Soft: o.Soft})
	}
	return b
}

// All sources compile without a word under both compilers, and for a chip of 8 bits.
func TestNoWarnings(t *testing.T) {
	t.Parallel()
	for _, c := range []*firmware.Config{tower(), shore(), pier(), buoy(), island()} {
		t.Run(c.Name, func(t *testing.T) {
			for _, compiler := range []string{"gcc", "clang"} {
				t.Run(compiler, func(t *testing.T) {
					tool(t, compiler)
					warnings(t, compiler, c, hosted(t))
				})
			}
		})
	}
}

// The header of a configuration that the player cannot take is not written, and the error
// says why.
func TestConfigsThatCannotBe(t *testing.T) {
	tests := []struct {
		change func(*firmware.Config)
		want   string
	}{
		{func(c *firmware.Config) { c.Outputs = nil }, "outputs from 1 to 112, not 0"},
		{func(c *firmware.Config) { c.Queue = 256 }, "frames in the queue from 1 to 255, not 256"},
		{func(c *firmware.Config) { c.Payload = 31 }, "a longest payload from 32 to 240, not 31"},
		{func(c *firmware.Config) { c.Name = strings.Repeat("x", 57) }, "bytes of a name from 0 to 56, not 57"},
		{func(c *firmware.Config) { c.Name = "\xff" }, "not in UTF-8"},
		{func(c *firmware.Config) { c.Greatest = 1_000_000_001 }, "ns of the longest period"},
		{func(c *firmware.Config) { c.Lead = 2501 }, "us of lead from 0 to 2500, not 2501"},
		{func(c *firmware.Config) { c.Outputs[3].Unit = wire.UnitDuty }, "output 3: its unit is duty, which it cannot play"},
		{func(c *firmware.Config) { c.Outputs[0].Rest = 999 }, "output 0: its rest 999 is not within 1000 to 5000"},
		{func(c *firmware.Config) { c.Outputs[0].Slow = 0 }, "must be at least 1"},
		{func(c *firmware.Config) { c.Port = []firmware.Line{{Name: "BAUD", Value: "1"}} }, "must begin with LJ_PORT_"},
		{func(c *firmware.Config) { c.Port = []firmware.Line{{Name: "LJ_PORT_X", Value: "1\n#error"}} }, "it has one line"},
	}
	for _, test := range tests {
		c := shore()
		test.change(c)
		var b bytes.Buffer
		_, err := c.WriteTo(&b)
		if err == nil || !strings.Contains(err.Error(), test.want) || b.Len() > 0 {
			t.Errorf("%d bytes, %v; want none, and %q", b.Len(), err, test.want)
		}
	}
}
