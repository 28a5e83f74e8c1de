package firmware

import (
	"fmt"
	"math"
	"strings"

	"limberjack/sequence"
	"limberjack/transport/board"
	"limberjack/transport/card"
	"limberjack/transport/wire"
)

// Program is what is to be written for a board.
type Program struct {
	Port   *Port
	Config *Config
	Wired  []Wire
	Notes  []string // what somebody should know who builds it

	ofLine []string // those that matter where a host is listened to
}

// ConfigOf gives what is baked into a board's program: its channels with the travel, the
// speed and the policy that the rig gives them, its inputs, and the fingerprints by which
// it knows host and card. Errors are sequence.Problems where a port cannot do what the rig
// asks for.
func ConfigOf(r *sequence.Rig, b *sequence.Board, p *Port) (*Program, error) {
	made, err := board.ConfigOf(r, b)
	if err != nil {
		return nil, err
	}
	_, channels, err := card.ChannelsOf(r, b)
	if err != nil {
		return nil, err
	}
	if len(channels) == 0 {
		return nil, sequence.Problems{{At: b.At, Text: fmt.Sprintf("board %s drives nothing, so that there is nothing for firmware to do", b.Name)}}
	}
	c := &Config{Name: b.Name, Queue: p.queue, Payload: p.payload, Tick: made.Tick, Least: made.Least, Greatest: min(made.Greatest, p.longest),
		Print: made.Print, Lead: p.lead, Debounce: usualDebounce}
	f := fitting{rig: r, board: b, port: p, config: c}
	f.outputs(channels)
	f.inputs()
	f.steppers()
	f.period()
	f.lead()
	f.line()
	if len(f.problems) > 0 {
		return nil, f.problems
	}
	if c.Room, err = card.RoomOf(p.Name); err != nil && p.cards() {
		return nil, err
	}
	c.Card, c.Period = card.Print(made.Tick, channels), uint32(math.Round(1e9/b.Rate.V*(1+b.Clock.V*1e-6)))
	return &Program{Port: p, Config: c, Wired: f.wired, Notes: f.notes, ofLine: f.ofLine}, c.check()
}

// fitting lays a board of a rig onto the pins of a port.
type fitting struct {
	rig      *sequence.Rig
	board    *sequence.Board
	port     *Port
	config   *Config
	taken    map[string]string // pins, and what for
	wired    []Wire
	notes    []string
	ofLine   []string
	problems sequence.Problems
}

func (f *fitting) bad(at sequence.Pos, hint, format string, args ...any) {
	f.problems = append(f.problems, sequence.Problem{At: at, Text: fmt.Sprintf(format, args...), Hint: hint})
}

// place gives where in the rig an output is spoken of, and for what.
func (f *fitting) place(output uint8) (at sequence.Pos, what string) {
	if a := f.axis(output); a != nil {
		return a.Channel.At, a.Kind.String() + " " + a.Name
	}
	return f.rig.Sound.At, "trigger of the sound player"
}

// axis gives the axis on an output; nil: it is the sound player's trigger.
func (f *fitting) axis(output uint8) *sequence.Axis {
	for _, a := range f.rig.Axes {
		if a.Board == f.board && int(a.Channel.V) == int(output) {
			return a
		}
	}
	return nil
}

func (f *fitting) outputs(channels []card.Channel) {
	f.taken = map[string]string{}
	c := f.config
	if p := f.port; p.ticks != c.Tick {
		f.bad(f.board.Tick.At, fmt.Sprintf("write tick: %gus", float64(p.ticks)/1e6), "the %s places pulses in steps of %g us, and board %s has %g us", p.Chip, float64(p.ticks)/1e6, f.board.Name, float64(c.Tick)/1e6)
	}
	for i := range channels {
		f.output(&channels[i])
	}
}

func (f *fitting) output(ch *card.Channel) {
	p, c := f.port, f.config
	at, what := f.place(ch.Output)
	if int(ch.Output) >= len(p.pins) {
		f.bad(at, fmt.Sprintf("its channels are 0 to %d", len(p.pins)-1), "the %s has no output %d for the %s", p.Chip, ch.Output, what)
		return
	}
	for len(c.Outputs) <= int(ch.Output) {
		c.Outputs = append(c.Outputs, Output{})
	}
	pin := p.pins[ch.Output]
	if !pin.units.Has(ch.Unit) {
		f.bad(at, p.able(ch.Unit), "output %d of the %s (pin %s) cannot be a %s", ch.Output, p.Chip, pin.name, what)
		return
	}
	out := pin.of(ch.Unit)
	f.take(at, out, what)
	if ch.Unit == wire.UnitSteps {
		what = "steps of the " + what
	}
	f.wired = append(f.wired, Wire{Pin: out, Output: int(ch.Output), What: what})
	if ch.Unit == wire.UnitDuty || ch.Unit == wire.UnitSteps {
		what = "direction of the " + strings.TrimPrefix(what, "steps of the ")
		f.take(at, pin.direction, what)
		f.wired = append(f.wired, Wire{Pin: pin.direction, Output: int(ch.Output), What: what})
	}
	c.Outputs[ch.Output] = Output{Units: 1 << ch.Unit, Flags: ch.Flags &^ card.FlagTrigger, Unit: ch.Unit, Lost: ch.Lost, Offset: ch.Offset,
		Low: ch.Low, High: ch.High, Rest: ch.Rest, Change: f.change(ch), Slow: ch.Slow, Soft: max(1, ch.Soft>>16)}
}

// change gives how much an output may change from slot to slot: the axis's speed limit,
// with what rounding adds, or anything where it has none.
func (f *fitting) change(ch *card.Channel) uint32 {
	if a := f.axis(ch.Output); a != nil && a.HornLimits().Speed.Known() {
		return ch.Change
	}
	full := uint32(int64(ch.High) - int64(ch.Low))
	if ch.Unit == wire.UnitSteps {
		full = min(full, uint32(stepsOfOne/f.board.Rate.V))
	}
	return max(1, full)
}

// take gives a pin to what needs it.
func (f *fitting) take(at sequence.Pos, pin, what string) {
	if other := f.taken[pin]; other != "" {
		f.bad(at, "use another channel", "pin %s of the %s is the %s already, and cannot be the %s", pin, f.port.Chip, other, what)
		return
	}
	f.taken[pin] = what
}

// inputs lays the rig's inputs onto the port's: the stop input is the first, all others
// are the port's by their number. They share the longest debounce.
func (f *fitting) inputs() {
	c, stops, longest := f.config, 0, 0.0
	for _, in := range f.board.Inputs {
		bit := in.Number
		if in.Stop {
			bit, stops = 0, stops+1
		}
		switch {
		case stops > 1:
			f.bad(in.At, "wire the stop buttons to one input", "board %s has more than one input that stops it, and the firmware has one", f.board.Name)
			continue
		case bit == 0 && !in.Stop || bit >= len(f.port.inputs):
			f.bad(in.At, fmt.Sprintf("number it 1 to %d; the stop input has a pin of its own", len(f.port.inputs)-1), "the %s has no pin for input %d", f.port.Chip, in.Number)
			continue
		}
		if in.ActiveLow {
			c.Low |= 1 << bit
		}
		f.take(in.At, f.port.inputs[bit], fmt.Sprintf("input %d", in.Number))
		f.wired = append(f.wired, Wire{Pin: f.port.inputs[bit], What: inputText(in)})
		longest = math.Max(longest, in.Debounce.V)
	}
	if stops == 0 {
		c.Low |= 1 // nothing is wired there: the pull-up keeps it high
	}
	c.Inputs = len(f.port.inputs)
	for bit := 1; bit < c.Inputs; bit++ {
		if f.taken[f.port.inputs[bit]] == "" {
			c.Low |= 1 << bit
		}
	}
	if longest > 0 {
		c.Debounce = uint32(math.Round(longest * 1e6))
	}
}

func inputText(in sequence.Input) string {
	text := fmt.Sprintf("input %d", in.Number)
	if in.Stop {
		text += ", which stops the board"
	}
	if in.ActiveLow {
		return text + ", active when it is low"
	}
	return text + ", active when it is high: the chip's pull-up makes it so while nothing is wired"
}

// usualDebounce is that of a board whose rig gives none, in us (common practice: 5 to 20 ms).
const usualDebounce = 20_000

// usualBaud is the data rate where the rig gives none: 115200 is 2.1 % off on a chip at
// 16 MHz (ATmega328P data sheet, table "Examples of UBRRn Settings").
const usualBaud = 250_000

// How far a chip's rate may be from the one that is asked for: the data sheet's recommended
// greatest error of a receiver with 8 data bits at double speed, and what common boards do
// with at 115200 baud (common practice).
const (
	recommendedOff = 0.015
	mostOff        = 0.025
)

// line settles the data rate.
func (f *fitting) line() {
	baud := uint32(usualBaud)
	if f.board.Baud.Given() {
		baud = uint32(math.Round(f.board.Baud.V))
	}
	got, off := Rate(baud)
	text := fmt.Sprintf("board %s is to speak at %d baud, and the %s at 16 MHz speaks at %.0f, which is %+.1f %% off: it is recommended for %.1f %% at most",
		f.board.Name, baud, f.port.Chip, got, off*100, recommendedOff*100)
	const better = "write baud: 250000, 500000 or 1000000"
	switch off = math.Abs(off); {
	case off > mostOff:
		f.bad(f.board.Baud.At, better, "%s", text)
	case off > recommendedOff:
		f.ofLine = append(f.ofLine, text+"; "+better)
	}
	if f.port.driver {
		osc := 25e6
		if o := f.board.Oscillator; o.Given() {
			osc = o.V
		} else {
			f.notes = append(f.notes, "pulses are wrong by as much as the driver's oscillator is, up to 8 %: measure the frequency of an output with lj_pwm.h's formula, and give the board its oscillator, as in oscillator: 24650kHz")
		}
		f.config.Port = append(f.config.Port, Line{"LJ_PORT_PWM_OSC_KHZ", fmt.Sprintf("%.0f", osc/1e3)})
	}
	f.config.Port = append(f.config.Port, Line{"LJ_PORT_BAUD", fmt.Sprintf("%dUL", baud)}, Line{"LJ_PORT_CHIP", fmt.Sprint(f.port.controller.number)})
}

// Rate gives the data rate in baud that a chip at 16 MHz has where another is asked for,
// and by which share it is off: f / (8 (UBRR + 1)) at double speed (ATmega328P data sheet,
// "Equations for Calculating Baud Rate Register Setting").
func Rate(baud uint32) (got, off float64) {
	const clock = 16e6
	divisor := math.Max(1, math.Round(clock/8/float64(baud)))
	got = clock / 8 / divisor
	return got, got/float64(baud) - 1
}

// Wire is what is to be wired to a pin.
type Wire struct {
	Pin    string
	Output int // of an output, its number
	What   string
}

// able gives a hint of the outputs that can play a unit.
func (p *Port) able(u wire.Unit) string {
	var list []string
	for i, pin := range p.pins {
		if pin.units.Has(u) {
			list = append(list, fmt.Sprint(i))
		}
	}
	if list != nil {
		return "use one of the channels " + strings.Join(list, ", ")
	}
	return "use an ATmega2560 (--chip atmega2560), which has outputs for it"
}
