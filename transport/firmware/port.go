package firmware

import (
	"fmt"

	"limberjack/transport/wire"
)

// Port is a chip, with what is wired to it, for which there is a program.
type Port struct {
	Name    string   // as the command takes it
	Chip    string   // in words
	Folders []string // of Sources, without those that give way to others
	Instead []string // files of the first folder that give way

	pins    []pin
	inputs  []string // by their number; 0 is the stop input
	ticks   uint32   // ps in a tick
	queue   int
	payload int
	lead    uint32 // us
	longest uint32 // ns of the longest period
	card    bool   // there is memory for a card
	driver  bool   // pulses are those of a PWM driver
}

// pin is where an output comes out.
type pin struct {
	name      string
	units     wire.Units
	direction int // the output that is the direction of a motor or a stepper
}

const servoOrSwitch = wire.UnitsTicks | wire.UnitsState

// Ports are the ports that there are.
func Ports() []Port {
	bare := Port{Name: "atmega328p", Chip: "ATmega328P", Folders: []string{"avr"}, ticks: 500_000, queue: 16, payload: 82, lead: 2500, longest: 1_000_000_000, card: true,
		inputs: []string{"A4", "A5"}}
	for _, name := range []string{"D2", "D3", "D4", "D5", "D6", "D7", "D8", "D9", "A0", "A1", "A2", "A3"} {
		bare.pins = append(bare.pins, pin{name: name, units: servoOrSwitch})
	}
	// The pins of the timers that are left, each with the one that is its direction.
	for output, direction := range map[int]int{1: 0, 3: 2, 4: 5} {
		bare.pins[output].units |= wire.UnitsLevel | wire.UnitsDuty
		bare.pins[output].direction = direction
	}
	driver := Port{Name: "atmega328p-pwm", Chip: "ATmega328P with a 16-channel PWM driver", Folders: []string{"avr", "avr-pwm"}, Instead: []string{"outputs.c", "pulses.c"},
		ticks: 500_000, queue: 12, payload: 82, lead: 2000, longest: 38_000_000, driver: true, // 1048576 / 27000 kHz is 38.8 ms
		inputs: []string{"A0", "A1", "A2", "A3", "D3", "D4", "D5", "D6"}}
	for _, name := range []string{"0", "1", "2", "3", "4", "5", "6", "7", "8", "9", "10", "11", "12", "13", "14", "15"} {
		driver.pins = append(driver.pins, pin{name: "driver " + name, units: servoOrSwitch | wire.UnitsLevel})
	}
	return []Port{bare, driver}
}

// Plays settles what a program plays: what a host sends, or what is on a card. Chips of
// 32 KB hold one of the two. An error says what cannot be had.
func (p *Program) Plays(card bool) error {
	c := p.Config
	if !card {
		c.Card, p.Notes, p.ofLine = 0, append(p.Notes, p.ofLine...), nil
		return nil
	}
	if !p.Port.card {
		return fmt.Errorf("the %s has no memory left for a card: use another chip, or play to it by the wire", p.Port.Chip)
	}
	c.Unwired, c.Queue, c.Payload = true, 8, max(32, wire.SizeIdentity+len(c.Name))
	return nil
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
