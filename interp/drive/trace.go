// Package drive says what the motors and supplies of a rig do when a
// performance is played.
//
// Run gives a first current budget: a quasi-static estimate. At each frame the
// exact curve of an axis decides its state, and the lines of its data sheet the
// current of that state. Inside everything is in SI units, but for the ways and
// speeds of an axis, which are in its own unit (deg, mm or %).
//
// # Motors
//
// A servo's motor is a DC motor with permanent magnets, whose current rises
// with torque and whose speed falls with it, both in straight lines between
// running free and standing still at full drive (any maker's guide to DC motors;
// V = R I + Ke w and T = Kt I):
//
//	I = I0 + |T|/Ts (Is - I0)        w = w0 (1 - |T|/Ts)
//
// The torque at the horn is that of the load, carried through the linkage by
// virtual work (T horn = T part x dpart/dhorn), and that of inertia times
// acceleration; a jump of speed counts as acceleration over one frame. Torque
// against and with the motion cost the same: slowing down is taken for as dear
// as speeding up. A servo at rest holds without the friction of the gears, and
// draws idle + |T|/Ts (Is - idle).
//
// A servo goes no faster than its line allows. What it cannot follow it makes up
// for at full drive, and from a standstill, where there is no back-EMF yet, it
// draws the stall current for the first 20 ms (starts of 10 to 50 ms: common
// practice). Letting an axis go in a quiet window changes nothing here: an axis
// that may be let go carries no weight, and draws its idle current at rest.
//
// A motor on an H-bridge and a continuous servo run at the share of full drive
// that their value gives. On a share u of the voltage the two ends of the line
// are u I0 and u Is. A rise of the share meets the back-EMF of the share before.
// Reversing without a dwell takes up to twice the stall current for a moment,
// which this estimate leaves out.
//
// # Steppers, lamps, relays
//
// A stepper takes the rated current in two windings, moving or at rest, unless
// its driver lowers it; a chopping driver takes less from its supply. A lamp
// takes its current in pulses: means are of current x duty, peaks of the current
// while it is on. A relay takes its current while it is on. What a cold filament or
// a capacitor takes when it is switched on is left out.
package drive

import "limberjack/sequence"

// Trace is the outcome of Run: currents and energies, in SI units.
type Trace struct {
	Supplies []SupplyTrace // in the rig's order
	Axes     []AxisTrace   // in the rig's order
}

// SupplyTrace is what one supply delivers over a performance.
type SupplyTrace struct {
	Supply     *sequence.Supply
	Peak       float64   // A, with every pulse-width modulated lamp in its on time
	PeakAt     float64   // s
	RMS        float64   // A, lamps counted as pulses that do not keep step
	Mean       float64   // A
	MinVoltage float64   // V, at the supply's terminals, at the moment of the peak
	Energy     float64   // Wh a performance, at the voltage without load
	Runs       float64   // performances a charge; 0 without a capacity or without any draw
	Blame      []Draw    // who draws what at the peak, greatest first; none that draws nothing
	Tide       []float64 // A: the greatest current in each of equal spans of the performance
}

// The states of an axis.
const (
	Idle     = "idle"     // a servo at rest without load
	Holding  = "holding"  // at rest against a torque; a stepper at rest
	Starting = "starting" // at full drive from a standstill
	Moving   = "moving"
	Stalled  = "stalled" // the torque asked for is beyond the actuator's
	On       = "on"
	Off      = "off"
)

// Draw is the current of one axis at one moment.
type Draw struct {
	Axis    *sequence.Axis
	Current float64 // A
	State   string  // Idle, Holding, Starting, Moving, Stalled, On or Off
}

// AxisTrace is what one axis draws over a performance.
type AxisTrace struct {
	Axis        *sequence.Axis
	Peak        float64  // A
	PeakAt      float64  // s
	RMS         float64  // A
	Mean        float64  // A
	LeadDrop    float64  // V lost in the axis's own lead, there and back, at Peak; 0 without a wire
	MaxHolding  float64  // N.m at the horn, the greatest static torque that a pose asks for
	HoldingAt   float64  // s
	StallTorque float64  // N.m at the horn, to compare MaxHolding with; 0 where it is not known
	Missing     []string // keys of the rig file without which the currents are too low
}
