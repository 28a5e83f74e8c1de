package firmware_test

import (
	"bufio"
	"bytes"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"limberjack/transport/firmware"
	"limberjack/transport/live"
	"limberjack/transport/wire"
)

// cycle is a time of the simulated chip, which has 16 to the us.
const cyclesPerUS = 16

// target is a chip that tests simulate.
type target struct {
	port   string
	mcu    string   // of the compiler and the simulator
	pins   []string // of the outputs: the table in its chip_NAME.h
	flash  float64  // bytes beside a bootloader
	memory float64  // bytes
	off    float64  // ticks by which a width may be off
}

// The chips. A bootloader takes 512 bytes of the flash of an ATmega328P, and up to 8192 of an
// ATmega2560's (data sheets, "Features", and "Boot Loader Support").
var (
	small = &target{"atmega328p", "atmega328p", barePins, 32768 - 512, 2048, 1}
	large = &target{"atmega2560", "atmega2560", megaPins, 262144 - 8192, 8192, 0.5}
)

// flags are those with which everybody builds the AVR port, with warnings and the
// compiler's word about the stack.
func (g *target) flags(t testing.TB) []string {
	return append(strings.Fields(portOf(t, g.port).Flags()), "-Wall", "-Wextra", "-Wconversion", "-Wshadow", "-Werror", "-fstack-usage")
}

// built has what tests share, each made once. Who needs one that is being made waits for that
// one only.
var built struct {
	sync.Mutex
	things map[string]*thing
}

type thing struct {
	sync.Once
	path string
}

// shared makes something that tests share, by a key, and gives its path.
func shared(t testing.TB, key string, make func() (path string)) string {
	t.Helper()
	built.Lock()
	x := built.things[key]
	if x == nil {
		if built.things == nil {
			built.things = map[string]*thing{}
		}
		x = &thing{}
		built.things[key] = x
	}
	built.Unlock()
	if x.Do(func() { x.path = make() }); x.path == "" {
		t.Fatal("it could not be made: another test says why")
	}
	return x.path
}

// once makes something that tests share, at a path of that name.
func once(t testing.TB, name string, make func(path string)) string {
	t.Helper()
	return shared(t, name, func() string {
		path := filepath.Join(scratch, name)
		make(path)
		return path
	})
}

// simulator builds the harness around libsimavr, which is a program of its own.
func simulator(t testing.TB) string {
	t.Helper()
	tool(t, "gcc")
	if _, err := os.Stat("/usr/include/simavr/sim_avr.h"); err != nil {
		if os.Getenv("LIMBERJACK_TOOLS") == "required" {
			t.Fatal("libsimavr-dev is not installed, and LIMBERJACK_TOOLS is required")
		}
		t.Skip("libsimavr-dev is not installed")
	}
	return once(t, "ljsim", func(path string) {
		files, _ := filepath.Glob("simavr/*.c")
		args := append([]string{"-std=gnu11", "-O2", "-Wall", "-Wextra", "-Werror", "-o", path}, files...)
		if out, err := exec.Command("gcc", append(args, "-lsimavr", "-lelf")...).CombinedOutput(); err != nil {
			t.Fatalf("the simulator does not build (it takes libsimavr-dev and libelf-dev): %v\n%s", err, out)
		}
	})
}

// avrProgram compiles sources for the chip, all at once as they are one program.
func avrProgram(t testing.TB, name string, c *firmware.Config, sources []string, flags ...string) string {
	t.Helper()
	return small.program(t, name, c, sources, flags...)
}

func (g *target) program(t testing.TB, name string, c *firmware.Config, sources []string, flags ...string) string {
	t.Helper()
	if g != small {
		name += "-" + g.mcu
	}
	avrFlags := g.flags(t)
	tool(t, "avr-gcc")
	return once(t, name+".elf", func(path string) {
		dir := filepath.Join(scratch, name)
		if err := os.MkdirAll(dir, 0o755); err != nil {
			t.Fatal(err)
		}
		args := append(append([]string{}, avrFlags...), header(t, c, dir, "src/avr")...)
		args = append(append(args, flags...), "-c", "-o")
		var objects []string
		for _, source := range sources {
			object := filepath.Join(dir, strings.TrimSuffix(filepath.Base(source), ".c")+".o")
			objects = append(objects, object)
			if out, err := exec.Command("avr-gcc", append(append(args[:len(args):len(args)], object), source)...).CombinedOutput(); err != nil {
				t.Fatalf("%s: %v\n%s", source, err, out)
			}
		}
		// The program is compiled when it is linked, and what the compiler says of the stack
		// is put among its temporary files.
		link := exec.Command("avr-gcc", slices.Concat(avrFlags, []string{"-o", path}, objects)...)
		link.Env = append(os.Environ(), "TMPDIR="+dir)
		if out, err := link.CombinedOutput(); err != nil {
			t.Fatalf("avr-gcc: %v\n%s", err, out)
		}
	})
}

// bareSources are those of the whole board, without a card.
func bareSources(t testing.TB) []string {
	files, err := filepath.Glob("src/avr/*.c")
	if err != nil || len(files) == 0 {
		t.Fatalf("no sources: %v", err)
	}
	for _, file := range core(t) {
		if name := filepath.Base(file); !strings.HasPrefix(name, "lj_card") && !strings.HasPrefix(name, "lj_fat") {
			files = append(files, file)
		}
	}
	return files
}

// edge is a change of an output.
type edge struct {
	at  uint64 // cycles
	pin string // port and bit
	up  bool
}

// sentByte is a byte of the board, at the end of its stop bit.
type sentByte struct {
	at   uint64
	byte byte
}

// chip is a board in the simulator, in virtual time.
type chip struct {
	*target
	t       testing.TB
	in      io.WriteCloser
	out     *bufio.Reader
	trouble bytes.Buffer
	now     uint64
	edges   []edge
	sent    []sentByte
	notes   []string
	script  []string // commands so far
	log     []string // what was answered
}

// newChip starts a program at its power-up.
func newChip(t testing.TB, program string, baud int, args ...string) *chip {
	t.Helper()
	return small.chip(t, program, baud, args...)
}

func (g *target) chip(t testing.TB, program string, baud int, args ...string) *chip {
	t.Helper()
	c := &chip{target: g, t: t}
	args = append([]string{"-m", g.mcu, "-b", strconv.Itoa(baud)}, args...)
	cmd := exec.Command(simulator(t), append(args, program)...)
	cmd.Stderr = &c.trouble
	var err error
	if c.in, err = cmd.StdinPipe(); err != nil {
		t.Fatal(err)
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	c.out = bufio.NewReaderSize(out, 1<<16)
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		c.in.Close()
		if err := cmd.Wait(); err != nil {
			t.Errorf("the simulator: %v\n%s", err, c.trouble.Bytes())
		}
	})
	return c
}

// do gives a command, and takes what it leads to.
func (c *chip) do(format string, args ...any) {
	c.t.Helper()
	command := fmt.Sprintf(format, args...)
	c.script = append(c.script, command)
	if _, err := io.WriteString(c.in, command+"\n"); err != nil {
		c.t.Fatalf("the simulator: %v\n%s", err, c.trouble.Bytes())
	}
	c.answer()
}

// answer reads up to the end of a command.
func (c *chip) answer() {
	c.t.Helper()
	for {
		line, err := c.out.ReadString('\n')
		if err != nil {
			c.t.Fatalf("the simulator has ended: %v\n%s", err, c.trouble.Bytes())
		}
		line = strings.TrimSuffix(line, "\n")
		c.log = append(c.log, line)
		if c.take(strings.Fields(line)) {
			return
		}
	}
}

// take takes one line, and says whether it ends a command.
func (c *chip) take(f []string) bool {
	number := func(i int) uint64 {
		n, err := strconv.ParseUint(f[i], 10, 64)
		if err != nil {
			c.t.Fatalf("the simulator says %q", f)
		}
		return n
	}
	switch f[0] {
	case "e":
		c.edges = append(c.edges, edge{number(1), f[2], f[3] == "1"})
	case "t":
		b, _ := strconv.ParseUint(f[2], 16, 8)
		c.sent = append(c.sent, sentByte{number(1), byte(b)})
	case "at":
		c.now = number(1)
		return true
	default:
		c.notes = append(c.notes, strings.Join(f, " "))
	}
	return false
}

// run runs up to a time.
func (c *chip) run(until uint64) {
	if until > c.now {
		c.do("run %d", until-c.now)
	}
}

// feed lets bytes come by the line from a time on, in lines that are not too long.
func (c *chip) feed(at uint64, b []byte) {
	const most = 20000
	for ; len(b) > most; b = b[most:] {
		c.do("rx %d %s", at, hex.EncodeToString(b[:most]))
	}
	c.do("rx %d %s", at, hex.EncodeToString(b))
}

// stat gives the figures by name.
func (c *chip) stat() map[string]float64 {
	c.t.Helper()
	c.do("stat")
	figures := map[string]float64{}
	for _, f := range strings.Fields(c.notes[len(c.notes)-1]) {
		if name, value, ok := strings.Cut(f, "="); ok {
			v, err := strconv.ParseFloat(value, 64)
			if err != nil {
				c.t.Fatalf("the simulator says %q", f)
			}
			figures[name] = v
		}
	}
	return figures
}

// peek reads a variable of the program.
func (c *chip) peek(name string, bytes int) []byte {
	c.t.Helper()
	c.do("peek %s %d", name, bytes)
	b, err := hex.DecodeString(strings.TrimPrefix(c.notes[len(c.notes)-1], "m "))
	if err != nil {
		c.t.Fatal(err)
	}
	return b
}

// simLink is a link to a board in the simulator, in the virtual time of a test: where a
// host's clock stands still, the chip's does.
type simLink struct {
	chip  *chip
	clock live.Clock
	baud  int
	zero  time.Duration // host time at which the chip got its power
	drift float64       // by which the chip's clock is fast, a second a second

	turn   chan struct{}
	come   chan arrival
	closed chan struct{}
	once   sync.Once
	free   time.Duration // when the line has taken all that was sent
	enc    wire.Encoder
	width  int // values of a frame

	frames []sentFrame
}

// arrival is a byte that came to the host.
type arrival struct {
	byte byte
	at   time.Duration
}

// sentFrame is a frame as the host sent it.
type sentFrame struct {
	index  wire.Index
	time   wire.Tick
	values []uint16
}

// simStep is how far host and chip get ahead of each other at most, as the latency of a serial
// port's driver is; each step is a word between two processes, which costs more than to
// simulate it.
const simStep = 2 * time.Millisecond

func newSimLink(c *chip, clock live.Clock, baud int, ppm float64) *simLink {
	l := &simLink{chip: c, clock: clock, baud: baud, width: 12, drift: ppm * 1e-6, zero: clock.Now(),
		turn: make(chan struct{}, 1), come: make(chan arrival, 1<<16), closed: make(chan struct{})}
	l.turn <- struct{}{}
	go l.follow()
	return l
}

func (l *simLink) byteTime() time.Duration {
	return time.Second * wire.BitsPerByte / time.Duration(l.baud)
}

// cycle gives the chip's time at a host time, and host the other way round.
func (l *simLink) cycle(at time.Duration) uint64 {
	return uint64(float64(at-l.zero) * (1 + l.drift) * cyclesPerUS / 1e3)
}

func (l *simLink) host(cycle uint64) time.Duration {
	return l.zero + time.Duration(float64(cycle)*1e3/cyclesPerUS/(1+l.drift))
}

// follow runs the chip after the host's time.
func (l *simLink) follow() {
	for {
		select {
		case <-l.closed:
			return
		case <-l.clock.After(simStep):
		}
		<-l.turn
		l.chip.run(l.cycle(l.clock.Now()))
		for _, s := range l.chip.sent {
			l.come <- arrival{s.byte, l.host(s.at)}
		}
		l.chip.sent = l.chip.sent[:0]
		l.turn <- struct{}{}
	}
}

func (l *simLink) Send(m wire.Message, until time.Duration) (live.Sent, error) {
	for {
		<-l.turn
		wait := l.free - 8*time.Millisecond - l.clock.Now()
		if wait <= 0 {
			break
		}
		l.turn <- struct{}{}
		<-l.clock.After(wait)
	}
	defer func() { l.turn <- struct{}{} }()
	if until > 0 && l.clock.Now() > until {
		return live.Sent{}, live.ErrOvertaken
	}
	return l.put(m)
}

func (l *simLink) Urgent(m wire.Message) (live.Sent, error) {
	<-l.turn
	defer func() { l.turn <- struct{}{} }()
	return l.put(m)
}

func (l *simLink) put(m wire.Message) (s live.Sent, err error) {
	select {
	case <-l.closed:
		return s, errors.New("closed")
	default:
	}
	s.Sequence = l.enc.Sequence()
	b, err := l.enc.Frame(nil, m)
	if err != nil {
		return s, err
	}
	if f, ok := m.(*wire.Frames); ok {
		l.keep(f)
	}
	now := l.clock.Now()
	l.chip.feed(l.cycle(max(now, l.free)), b)
	l.free = max(l.free, now) + time.Duration(len(b))*l.byteTime()
	s.At = l.free
	return s, nil
}

// keep notes the frames of a message.
func (l *simLink) keep(m *wire.Frames) {
	width := l.width
	for k := 0; k < m.Values.Len()/width; k++ {
		f := sentFrame{index: m.Index.Add(k), time: m.Time.Add(int64(k) * int64(m.Spacing) / 1000)}
		for i := range width {
			f.values = append(f.values, m.Values.At(k*width+i))
		}
		l.frames = append(l.frames, f)
	}
}

func (l *simLink) Receive(visit func(wire.Packet, time.Duration)) error {
	dec := wire.Decoder{From: wire.FromBoard}
	for {
		select {
		case <-l.closed:
			return errors.New("closed")
		case a := <-l.come:
			dec.Write([]byte{a.byte}, func(p wire.Packet) {
				visit(p, a.at-time.Duration(l.Cost(len(p.Payload)))*l.byteTime())
			})
		}
	}
}

func (l *simLink) Speed() float64       { return float64(l.baud) / wire.BitsPerByte }
func (l *simLink) Cost(payload int) int { return payload + wire.Overhead + 2 }
func (l *simLink) String() string       { return "the simulator" }
func (l *simLink) Close() error {
	l.once.Do(func() { close(l.closed) })
	return nil
}
