package sequence

import (
	"limberjack/interp/linkage"
)

// Num is a number from a document, in the unit that its field names, with its
// place. The zero Num was not written anywhere.
type Num struct {
	V    float64
	At   Pos
	Text string // as it was written
}

// Given reports whether the number was written in a document.
func (n Num) Given() bool { return n.At.Known() }

// Kind is what an axis is driven by.
type Kind uint8

// The kinds of axis.
const (
	Servo Kind = iota
	ContinuousServo
	Motor
	Stepper
	Dimmer
	Switch
)

var kindNames = []string{"servo", "continuous-servo", "motor", "stepper", "dimmer", "switch"}

// String gives the kind as documents write it.
func (k Kind) String() string { return kindNames[k] }

// Lost is what an axis does when its host or card goes silent.
type Lost uint8

// The policies on silence.
const (
	LostHold Lost = iota
	LostRest
	LostRelease
)

var lostNames = []string{"hold", "rest", "release"}

// String gives the policy as documents write it.
func (l Lost) String() string { return lostNames[l] }

// Rig is the physical thing: axes, controls, boards and supplies, each list in
// the order of the file.
type Rig struct {
	Name     string
	File     string
	At       Pos
	Supplies []*Supply
	Boards   []*Board
	Axes     []*Axis
	Controls []*Control
	Pairs    [][2]*Axis
	Never    []Never
	Sound    *SoundPlayer
	Joints   []*Joint

	lost    map[string]bool // names of axes and controls that could not be read
	partial bool            // some of the axes or controls could not be read at all
}

// Supply is a source of power that axes share.
type Supply struct {
	Name       string
	At         Pos
	Voltage    Num // V, at the terminals without load
	Limit      Num // A
	Resistance Num // ohm, of source and leads
	Brownout   Num // V, below which a board on this supply resets
	Capacity   Num // Ah, of a battery
}

// Board is a controller: its frame rate, its unit of time, its channels.
type Board struct {
	Name       string
	At         Pos
	Rate       Num // Hz, frames a second
	Tick       Num // us, the step in which pulses are placed
	Channels   Num
	Baud       Num  // bits a second
	Clock      Num  // ppm, how fast the board's clock runs
	Oscillator Num  // Hz, of a PWM driver on it
	Together   bool // pulses of a frame start together; otherwise one after another
	Inputs     []Input

	doubtful bool // something about it was reported
}

// Frame is the time between two frames, in seconds.
func (b *Board) Frame() float64 { return 1 / b.Rate.V }

// Input is a digital input of a board.
type Input struct {
	Number    int
	At        Pos
	ActiveLow bool
	Debounce  Num // s
	Stop      bool
}

// Origin says where a figure comes from.
type Origin uint8

// The origins of a figure, from none to the most trusted.
const (
	OriginNone Origin = iota
	OriginClass
	OriginSheet
	OriginMeasured
	OriginGiven
)

var originNames = []string{"none", "class default", "data sheet", "measured", "given"}

// String gives the origin as reports print it.
func (o Origin) String() string { return originNames[o] }

// Figure is a number with its origin.
type Figure struct {
	V      float64
	Origin Origin
}

// Known reports whether there is a figure at all.
func (f Figure) Known() bool { return f.Origin != OriginNone }

// ServoSheet holds the lines of a servo's data sheet. What is not given is a
// zero Num; (*Axis).Figures fills such lines from the servo's class.
type ServoSheet struct {
	Name          string // empty where the lines stand in the axis itself
	At            Pos
	Voltage       Num // V, at which the other lines hold
	Speed         Num // deg/s without load (mm/s for a linear servo)
	StallTorque   Num // N.m
	StallCurrent  Num // A
	NoLoadCurrent Num // A
	IdleCurrent   Num // A
	DeadBand      Num // us

	linear bool // Speed is in mm/s
}

// MotorSheet holds the lines of a DC motor's data sheet (with its gearbox).
type MotorSheet struct {
	At            Pos
	Voltage       Num // V
	Speed         Num // deg/s without load
	StallTorque   Num // N.m
	StallCurrent  Num // A
	NoLoadCurrent Num // A
}

// PulsePoint is one point of a calibration.
type PulsePoint struct {
	Value Num // in the axis's unit, at the horn
	Pulse Num // us
}

// Limits are the limits of an axis as they are written: unit/s, unit/s2, unit/s3.
type Limits struct{ Speed, Acceleration, Jerk Num }

// AxisLoad is what an axis moves.
type AxisLoad struct {
	At        Pos
	Inertia   Num // kg.m2
	Torque    Num // N.m, constant
	Mass      Num // kg
	Arm       Num // mm, from the axis to the mass
	GravityAt Num // deg, the value at which the arm is level and gravity pulls hardest
}

// CarriesWeight reports whether letting the axis go would let something fall.
func (l AxisLoad) CarriesWeight() bool { return l.Mass.V != 0 || l.Torque.V != 0 }

// Wire is the lead between supply and axis.
type Wire struct {
	Length Num // mm, one way
	Area   Num // mm2 of copper
}

// Measured are values taken from the rig itself; they beat the data sheet.
type Measured struct {
	Speed Num // unit/s
	Delay Num // s
	Slop  Num // unit
}

// Home tells how a stepper finds its zero.
type Home struct {
	At    Pos
	Input int
	Plus  bool
	Speed Num // unit/s
}

// Axis is one actuator and the degree of freedom that it moves.
type Axis struct {
	Name    string
	At      Pos
	Kind    Kind
	Unit    string // "deg", "mm", "%", or "" for a switch (0 off, 1 on)
	Board   *Board
	Channel Num
	Supply  *Supply // nil where the axis draws from none that is described

	Servo  *ServoSheet
	Motor  *MotorSheet
	Travel [2]Num
	Pulse  []PulsePoint // ascending in value
	Trim   Num          // us
	Rest   Num
	Limits Limits
	Load   AxisLoad
	Lost   Lost
	Wire   *Wire

	Measured Measured
	Linkage  linkage.Linkage // nil: the horn is the part
	LinkAt   Pos

	Steps      Num // full steps a revolution
	Microsteps Num
	Gear       Num // motor revolutions for one of the part
	Lead       Num // mm of travel a motor revolution, on a linear axis
	PullIn     Num // steps/s
	Home       *Home

	ReverseDwell Num  // s
	Brake        bool // a stopped motor brakes; otherwise it coasts

	Current  Num // A, of a stepper's winding, a lamp or a relay when on
	Gamma    Num
	Shortest Num // s, the shortest time that a switch may stay in one state

	doubtful bool // something about it was reported, so that its unit may be wrong
}

// HasTravel reports whether the axis has end stops.
func (a *Axis) HasTravel() bool { return a.Travel[0].Given() }

// Share is one part of a control's mix.
type Share struct {
	At      Pos
	Axis    *Axis // one of Axis and Control is set
	Control *Control
	Share   float64 // units of the target a unit of the control
}

// Control is a named mix of axes and of other controls.
type Control struct {
	Name   string
	At     Pos
	Unit   string
	Shares []Share

	doubtful bool // something about it was reported, so that its unit may be wrong
}

// Never is a combination of axes that collides or pinches: a box in the space
// of axis values.
type Never struct {
	At    Pos
	Sides []Side
	Why   string
}

// Side is one side of a Never box.
type Side struct {
	Axis      *Axis
	Low, High float64
}

// SoundPlayer is the player on the rig.
type SoundPlayer struct {
	At      Pos
	Delay   Num // s from trigger to sound
	Board   *Board
	Channel Num
	Pulse   Num // s
}

// usualPulse is how long a trigger stays on where the rig gives no pulse, in s: longer
// than a player's input is commonly debounced (common practice: 10 to 50 ms).
const usualPulse = 0.1

// PulseLength gives how long the trigger's output stays on, in s.
func (s *SoundPlayer) PulseLength() float64 {
	if !s.Pulse.Given() {
		return usualPulse
	}
	return s.Pulse.V
}

// Joint is one solid of the picture of the rig.
type Joint struct {
	Name   string
	At     Pos
	Parent string
	Origin [3]float64 // mm from the parent's origin
	Turns  *JointMove
	Slides *JointMove
	Solid  Solid
}

// JointMove ties a joint to an axis: a turn about, or a slide along, a direction.
type JointMove struct {
	Along [3]float64
	Axis  *Axis
}

// Solid is the shape of a joint, in millimetres.
type Solid struct {
	Shape string     // "sphere", "box", "cylinder" or "" for none
	Size  [3]float64 // radius; or x, y, z; or radius and height
}
