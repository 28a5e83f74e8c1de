package firmware

import (
	"fmt"
	"io/fs"
	"slices"
	"strings"

	"limberjack/transport/wire"
)

// Port is a chip, with what is wired to it, for which there is a program.
type Port struct {
	Name    string   // as the command takes it
	Chip    string   // in words
	Folders []string // of Sources, without those that give way to others
	Instead []string // files of the first folder that give way

	controller *controller
	pins       []pin
	inputs     []string // by their number; 0 is the stop input
	ticks      uint32   // ps in a tick
	queue      int
	payload    int
	lead       uint32  // us
	longest    uint32  // ns of the longest period
	plays      []Plays // the first is what it plays where nobody says
	driver     bool    // pulses are those of a PWM driver
}

// controller is a chip as its tools and its boards have it.
type controller struct {
	mcu    string // of avr-gcc
	number int    // LJ_PORT_CHIP
	board  string // in an IDE
	flash  string // avrdude's arguments for a board with the usual bootloader
	card   string // pins of the card: select, data to it, data from it, clock
	least  string // V at 16 MHz (data sheets, "Speed Grades")
	light  string // pin of the light that tells how a show is
}

var (
	atmega328p = &controller{mcu: "atmega328p", number: 328, board: "Uno", flash: "-p m328p -c arduino -P /dev/ttyUSB0 -b 115200",
		card: "D10 to D13 the card: select, data to it, data from it, clock; with level shifters to 3.3 V", least: "3.8 V", light: "D1"}
	atmega2560 = &controller{mcu: "atmega2560", number: 2560, board: "Mega 2560", flash: "-p m2560 -c wiring -D -P /dev/ttyUSB0 -b 115200",
		card: "D53, D51, D50, D52 the card: select, data to it, data from it, clock; with level shifters to 3.3 V", least: "4.5 V", light: "D49"}
)

// pin is where an output comes out.
type pin struct {
	name      string // of a servo or a switch
	units     wire.Units
	direction string // pin that is the direction of a motor or a stepper
	dimmed    string // pin of a lamp or a motor; "": name
	steps     string // pin of a stepper's steps
}

// of gives the pin on which a unit comes out.
func (p *pin) of(u wire.Unit) string {
	switch {
	case u == wire.UnitSteps:
		return p.steps
	case (u == wire.UnitDuty || u == wire.UnitLevel) && p.dimmed != "":
		return p.dimmed
	}
	return p.name
}

const servoOrSwitch = wire.UnitsTicks | wire.UnitsState

// Plays is what a program plays.
type Plays struct {
	Wire bool // what a host sends
	Card bool // what is on a card
}

func (p Plays) String() string {
	switch {
	case p.Wire && p.Card:
		return "both"
	case p.Card:
		return "card"
	}
	return "wire"
}

// Ports are the ports that there are.
func Ports() []Port { return []Port{uno(), mega(), unoWithDriver()} }

func uno() Port {
	p := Port{Name: "atmega328p", Chip: "ATmega328P", Folders: []string{"avr"}, controller: atmega328p,
		ticks: 500_000, queue: 16, payload: 82, lead: 2500, longest: 1_000_000_000, plays: []Plays{{Wire: true}, {Card: true}},
		inputs: []string{"A4", "A5"}}
	for _, name := range []string{"D2", "D3", "D4", "D5", "D6", "D7", "D8", "D9", "A0", "A1", "A2", "A3"} {
		p.pins = append(p.pins, pin{name: name, units: servoOrSwitch})
	}
	// The pins of the timers that are left, each with the one that is its direction.
	for output, direction := range map[int]string{1: "D2", 3: "D4", 4: "D7"} {
		p.pins[output].units |= wire.UnitsLevel | wire.UnitsDuty
		p.pins[output].direction = direction
	}
	return p
}

func mega() Port {
	p := Port{Name: "atmega2560", Chip: "ATmega2560", Folders: []string{"avr"}, controller: atmega2560,
		ticks: 500_000, queue: 48, payload: 160, lead: 2500, longest: 1_000_000_000, plays: []Plays{{Wire: true, Card: true}, {Wire: true}, {Card: true}},
		inputs: []string{"A8", "A9", "A10", "A11", "A12", "A13", "A14", "A15"}}
	for n := range 16 {
		name := fmt.Sprintf("D%d", 22+n)
		p.pins = append(p.pins, pin{name: name, units: servoOrSwitch, direction: name})
	}
	for output, dimmed := range map[int]string{1: "D4", 3: "D9", 4: "D10", 8: "D13"} {
		p.pins[output].units |= wire.UnitsLevel | wire.UnitsDuty
		p.pins[output].dimmed = dimmed
	}
	for output, steps := range []string{"D5", "D2", "D3", "D6", "D7", "D8"} {
		p.pins[output].units |= wire.UnitsSteps
		p.pins[output].steps = steps
	}
	return p
}

func unoWithDriver() Port {
	p := Port{Name: "atmega328p-pwm", Chip: "ATmega328P with a 16-channel PWM driver", Folders: []string{"avr", "avr-pwm"}, Instead: []string{"outputs.c", "pulses.c", "steps.c"},
		controller: atmega328p, ticks: 500_000, queue: 12, payload: 82, lead: 2000, longest: 38_000_000, driver: true, // 1048576 / 27000 kHz is 38.8 ms
		plays:  []Plays{{Wire: true}},
		inputs: []string{"A0", "A1", "A2", "A3", "D3", "D4", "D5", "D6"}}
	for n := range 16 {
		p.pins = append(p.pins, pin{name: fmt.Sprintf("driver %d", n), units: servoOrSwitch | wire.UnitsLevel})
	}
	return p
}

// Usual gives what the port's program plays where nobody says.
func (p *Port) Usual() Plays { return p.plays[0] }

// Plays settles what a program plays. An error says what the chip has no memory for.
func (p *Program) Plays(what Plays) error {
	if err := p.Port.holds(what); err != nil {
		return err
	}
	c := p.Config
	if what.Card {
		c.Port = append(c.Port, Line{"LJ_PORT_LIGHT", "1 /* a light on pin " + p.Port.controller.light + " tells how the show is */"})
	} else {
		c.Card = 0
	}
	if what.Wire {
		p.Notes, p.ofLine = append(p.Notes, p.ofLine...), nil
		return nil
	}
	c.Unwired, c.Queue, c.Payload = true, min(c.Queue, 8), max(32, wire.SizeIdentity+len(c.Name))
	return nil
}

// cards says whether a program for the port can play a card.
func (p *Port) cards() bool {
	return slices.ContainsFunc(p.plays, func(x Plays) bool { return x.Card })
}

// holds gives an error where the chip has no room for a program.
func (p *Port) holds(what Plays) error {
	if slices.Contains(p.plays, what) {
		return nil
	}
	if !p.cards() {
		return fmt.Errorf("the %s has no memory left for a card: use an ATmega2560 (--chip atmega2560), or play to it by the wire", p.Chip)
	}
	return fmt.Errorf("the %s has memory for the wire or a card, not for %s: choose one of them (--plays wire or --plays card), or use an ATmega2560 (--chip atmega2560)", p.Chip, what)
}

// Pins gives the names of the outputs' pins.
func (p *Port) Pins() []string {
	var names []string
	for _, pin := range p.pins {
		names = append(names, pin.name)
	}
	return names
}

// Inputs gives the names of the inputs' pins, of which the first is the stop input.
func (p *Port) Inputs() []string { return p.inputs }

// Flags gives the compiler's flags for the chip, as they are tested.
func (p *Port) Flags() string {
	text, err := fs.ReadFile(Sources(), "avr/flags.txt")
	if err != nil {
		panic(err) // it is embedded
	}
	return "-mmcu=" + p.controller.mcu + " " + strings.TrimSpace(string(text))
}
