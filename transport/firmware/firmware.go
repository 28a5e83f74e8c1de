// Package firmware has the program of a controller board, in C99: the player's core,
// without allocation or operating system, and its ports to chips. Its documentation
// begins in src/core/limberjack.h; what it does is said in transport/wire/PROTOCOL.md
// and, of boards in software, in transport/board, which it follows line by line.
//
// In Go there are only its sources, and the header that tells them of a rig.
package firmware

import (
	"embed"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"strings"
	"unicode/utf8"

	"limberjack/transport/card"
	"limberjack/transport/wire"
)

//go:embed src
var sources embed.FS

// Sources gives the sources: core, and a directory a port. The header of the wire is
// wire.Header.
func Sources() fs.FS {
	sub, err := fs.Sub(sources, "src")
	if err != nil {
		panic(err) // src is embedded
	}
	return sub
}

// Config is what is baked into a board's program.
type Config struct {
	Name     string // in UTF-8
	Outputs  []Output
	Queue    int       // frames that wait at most, 1 to 255
	Payload  int       // longest payload that is taken, 32 to 240
	Tick     uint32    // ps in a tick of a pulse
	Least    uint32    // shortest period, ns a frame
	Greatest uint32    // longest period, ns a frame, at most 1 s
	Print    uint32    // CRC-32 of the rig; 0: none
	Lead     uint32    // us that a slot is given to the port before it begins
	Inputs   int       // how many are read, 0 to 16; number 0 is the stop input
	Low      uint16    // mask of the inputs that are active at a low level
	Debounce uint32    // us that an input must be steady, at most 8 s
	Card     uint32    // fingerprint of the channels that a card must carry; 0: no card is played
	Period   uint32    // ns a frame when no card can be read; of Card only
	Room     card.Room // what there is memory for; of Card only; zero: card.RoomUsual
	Homing   bool      // steppers look for their zero by themselves
	Unwired  bool      // no host is listened to: the card's player alone
	Port     []Line    // what the port needs
}

// Line is a number that only a port knows; its name begins with LJ_PORT_.
type Line struct {
	Name  string
	Value string // C
}

// Output is one output. Its limits hold whatever a host or a card says; the rest is for
// playing without a host. Values are in the unit of the channel.
type Output struct {
	Units  wire.Units // that it can play; none: there is no such output
	Flags  wire.Flags // that hold in any case
	Unit   wire.Unit
	Lost   wire.Policy
	Offset uint16 // ticks
	Low    int32
	High   int32
	Rest   int32
	Change uint32 // greatest change from slot to slot
	Slow   uint32 // greatest change of that
	Soft   uint32 // greatest change from slot to slot in moves that no frame asks for
}

// WriteTo writes the header lj_config.h. An error says which value the player cannot take.
func (c *Config) WriteTo(w io.Writer) (int64, error) {
	if err := c.check(); err != nil {
		return 0, err
	}
	n, err := io.WriteString(w, c.text())
	return int64(n), err
}

// check finds what the player cannot take.
func (c *Config) check() error {
	var all []error
	within := func(what string, x, low, high int64) {
		if x < low || x > high {
			all = append(all, fmt.Errorf("the firmware takes %s from %d to %d, not %d", what, low, high, x))
		}
	}
	within("outputs", int64(len(c.Outputs)), 1, wire.MaxChannels)
	within("frames in the queue", int64(c.Queue), 1, 255)
	within("a longest payload", int64(c.Payload), 32, wire.MaxPayload)
	within("bytes of a name", int64(len(c.Name)), 0, max(0, int64(c.Payload)-wire.SizeIdentity))
	within("ps in a tick", int64(c.Tick), 1, 1<<32-1)
	within("ns of the shortest period", int64(c.Least), 1, int64(c.Greatest))
	within("ns of the longest period", int64(c.Greatest), int64(c.Least), 1_000_000_000)
	within("us of lead", int64(c.Lead), 0, int64(c.Least)/4000)
	within("inputs", int64(c.Inputs), 0, 16)
	within("us of debounce", int64(c.Debounce), 0, 8_000_000)
	if !utf8.ValidString(c.Name) {
		all = append(all, errors.New("the board's name is not in UTF-8"))
	}
	for i := range c.Outputs {
		if err := c.Outputs[i].check(); err != nil {
			all = append(all, fmt.Errorf("output %d: %w", i, err))
		}
	}
	for _, l := range c.Port {
		if !strings.HasPrefix(l.Name, "LJ_PORT_") || strings.ContainsAny(l.Name+l.Value, "\r\n\\") {
			all = append(all, fmt.Errorf("%q is no line of a port: its name must begin with LJ_PORT_, and it has one line", l.Name))
		}
	}
	return errors.Join(all...)
}

// check finds what does not fit together in an output.
func (o *Output) check() error {
	switch {
	case o.Units == 0:
		return nil
	case !o.Units.Has(o.Unit):
		return fmt.Errorf("its unit is %s, which it cannot play", o.Unit)
	case !o.Lost.Known():
		return fmt.Errorf("its policy is %d, which is not known", o.Lost)
	case o.Low > o.Rest || o.Rest > o.High:
		return fmt.Errorf("its rest %d is not within %d to %d", o.Rest, o.Low, o.High)
	case o.Change == 0 || o.Slow == 0:
		return fmt.Errorf("its change is %d and its slow %d, and both must be at least 1", o.Change, o.Slow)
	}
	return nil
}

// text gives the header.
func (c *Config) text() string {
	var b strings.Builder
	set := func(name string, format string, x ...any) {
		fmt.Fprintf(&b, "#define %s %s\n", name, fmt.Sprintf(format, x...))
	}
	b.WriteString("/* What this board is. Written from its rig: change the rig, not this file. */\n")
	b.WriteString("#ifndef LJ_CONFIG_H\n#define LJ_CONFIG_H\n\n")
	set("LJ_CHANNELS", "%d", len(c.Outputs))
	set("LJ_QUEUE", "%d", c.Queue)
	set("LJ_PAYLOAD", "%d", c.Payload)
	set("LJ_NAME", "%s", quote(c.Name))
	set("LJ_TICK_PS", "%du", c.Tick)
	set("LJ_LEAST_NS", "%du", c.Least)
	set("LJ_GREATEST_NS", "%du", c.Greatest)
	set("LJ_PRINT", "0x%08xu", c.Print)
	set("LJ_LEAD_US", "%du", c.Lead)
	set("LJ_STEPPERS", "%d", c.steppers())
	set("LJ_INPUTS_COUNT", "%d", c.Inputs)
	set("LJ_INPUTS_LOW", "0x%04xu", c.Low)
	set("LJ_DEBOUNCE_US", "%du", c.Debounce)
	if c.Card != 0 {
		set("LJ_SHOW_PRINT", "0x%08xu", c.Card)
		set("LJ_SHOW_PERIOD_NS", "%du", c.Period)
		if c.Room != (card.Room{}) {
			set("LJ_SHOW_TIMERS", "%d", c.Room.Timers)
			set("LJ_SHOW_RANDOMS", "%d", c.Room.Randoms)
		}
	}
	if c.Homing {
		set("LJ_HOMING", "1")
	}
	if c.Unwired {
		set("LJ_WIRE", "0")
	}
	for _, l := range c.Port {
		set(l.Name, "%s", l.Value)
	}
	b.WriteString("\n/* units, flags, unit, lost, offset, low, high, rest, change, slow, soft */\n#define LJ_OUTPUTS {")
	for i := range c.Outputs {
		if i > 0 {
			b.WriteString(",")
		}
		b.WriteString(" \\\n    " + c.Outputs[i].text())
	}
	b.WriteString(" \\\n}\n\n#endif\n")
	return b.String()
}

// steppers is 1 where an output can play steps, and 0 otherwise.
func (c *Config) steppers() int {
	for i := range c.Outputs {
		if c.Outputs[i].Units.Has(wire.UnitSteps) {
			return 1
		}
	}
	return 0
}

func (o *Output) text() string {
	return fmt.Sprintf("{0x%02xu, 0x%02xu, %du, %du, %du, %s, %s, %s, %du, %du, %du}",
		uint8(o.Units), uint8(o.Flags), uint8(o.Unit), uint8(o.Lost), o.Offset, number(o.Low), number(o.High), number(o.Rest), o.Change, o.Slow, o.Soft)
}

// number writes an int32_t for a compiler whose int may have 16 bits, and whose least
// one cannot be written as a minus and a number.
func number(x int32) string {
	if x == -1<<31 {
		return "INT32_MIN"
	}
	return fmt.Sprintf("%dL", x)
}

// quote writes a string of C. Each byte that is not plain is an octal escape, which ends
// after three digits, whatever follows; so is what could begin a trigraph.
func quote(s string) string {
	var b strings.Builder
	b.WriteByte('"')
	for _, c := range []byte(s) {
		if c < ' ' || c > '~' || c == '"' || c == '\\' || c == '?' {
			fmt.Fprintf(&b, "\\%03o", c)
		} else {
			b.WriteByte(c)
		}
	}
	b.WriteByte('"')
	return b.String()
}
