// Package drive works out what the motors and supplies of a rig really do when a
// performance is played: the path of every servo behind its command, every
// current, the sag of every supply. Run sums a performance up, Simulate gives it
// moment by moment, PowerUp looks at the first moment of all.
//
// Inside everything is in SI units, but for the ways and speeds of an axis, which
// are in its own unit (deg, mm or %).
//
// # The motor and its figures
//
// Servo, continuous servo and motor are a DC motor with permanent magnets and a
// gear train, seen at the output shaft (Braun, maxon Formulae Handbook; maxon,
// "The motor as an energy converter"; any guide to motor data sheets):
//
//	U = R I + Ke w
//	J dw/dt = K I - Tload(x) - Tc sign w - J'(x)/2 w^2
//
// Four lines of a data sheet at one voltage V identify it. Stall: V = R (Is - Ii).
// Free running: V = R (I0 - Ii) + Ke w0. Friction is what free running costs, Tc =
// Kt (I0 - Ii), and the stall torque is what is left of K I, Ts = Kt (Is - I0):
//
//	R  = V / (Is - Ii)         Ohm; Ii is the current of the electronics
//	Ke = (V - (I0 - Ii) R) / w0
//	Kt = Ts / (Is - I0)        N.m at the shaft for 1 A
//
// Kt/Ke (in SI) is the efficiency of the gears, 0.80 to 0.83 for a standard servo.
// Where the load drives the motor the gears lose on the other side, so that 1 A
// brakes with Kt / efficiency^2. A sheet whose lines give more than 1 does not fit
// together; then Kt holds both ways. Static friction is 1.25 times the sliding one
// (1.2 to 1.5, from memory).
//
// No hobby servo's sheet gives rotor inertia and inductance. A mechanical time
// constant by class stands for the inertia: J = Ts tau / w0 (micro 30 ms, standard
// 40, large 50, motors 50: assumed). A step of 60 deg takes about tau/2 longer for
// it than at full speed throughout, so that twice the inertia costs some 20 ms, and
// overshoot grows with it. Inductance is neglected: its time constant of some 100
// us rounds off the first fifth of a millisecond of each pulse of drive, so that
// real peaks are a little lower and real starts that much later. R is that of a
// cold winding: a hot one, which at 80 K more has 30 % more ohms, is weaker.
//
// # The servo
//
// Once a frame, when its pulse comes, the amplifier compares the pulse, in ticks
// of the board, with the feedback, and turns the bridge on at full voltage for a
// share of the frame: none within the dead band, the whole frame from 70 us beyond
// it (50 to 100 us, from memory), and in between linear, from the share that makes
// up for sliding friction (Buse, "Radio Control Servos and Speed Control", 2000;
// data sheets of the amplifiers AA51881 to AA51883). So even a slow move draws
// pulses near the stall current. Digital servos, which chop faster, draw lower
// peaks at the same mean: the peaks err on the high side. While the bridge is off
// it shorts the motor, which brakes. Makers damp the loop by the motor's back-EMF;
// here the amplifier looks ahead by half the mechanical time constant of the servo
// alone, which just keeps that from swinging (from memory), and never reverses for
// it. The slope of the calibration, taken over all of it, turns microseconds into
// ways.
//
// A measured speed beats the sheet's, a measured delay comes on top of the frames,
// and measured slop lets the part follow by half of it either way, unless a weight
// keeps the play to one side. Boards whose pulses are not together spread them over
// the frame, and with them what the servos draw. Before the first frame the rig
// has been standing in its first pose for half a second.
//
// Load torque and inertia are carried through the linkage by virtual work, gravity
// by the pose. End stops take all speed.
//
// In a quiet window that releases it a servo has no pulse. Its amplifier then has
// nothing to compare, so that the bridge stays off from the frame on in which the
// pulse is missing, as it does within the dead band; the electronics still draw
// their idle current (common practice for analog servos; some digital ones go on
// holding without a pulse, see their sheet). The shaft goes on with the speed that
// it has, against the shorted motor, friction and load, and stands where they leave
// it. The next pulse drives it to the command; how far it is from there then is
// Rejoin. Nothing of its path is judged in between.
//
// # Motors, steppers, lamps, relays
//
// A motor's bridge, and that of a continuous servo, chops fast: the share u of the
// command puts u V on the motor, of whose current the supply gives the share u. At
// 0, and while a quiet window releases it, it brakes or coasts as the rig says; a
// continuous servo brakes. Reversed while it turns, it draws (V + Ke w)/R, up to
// twice the stall current; the model does not keep the rig's reverse_dwell.
//
// A stepper takes the rated current in two windings, moving or at rest; a chopping
// driver takes less from its supply. It is where its command is; it loses steps
// where its rate jumps by more than pull-in, and where torque x speed is more than
// voltage x current can give. That bound, above which it surely fails, stands for a
// pull-out curve, which falls like 1/speed and no rig gives. Lamps and relays are
// resistors; a lamp draws its current in pulses. What a cold filament or a capacitor
// takes when it is switched on is left out.
//
// # Supplies
//
// The axes of a supply are coupled by its voltage, V = Vs - Rs (sum of currents),
// solved anew in each step; a lead's resistance is in its own axis's circuit.
// Capacitors are left out, so that Peak and MinVoltage are those of milliseconds;
// Sustained is what is left over 0.1 s. Where a load or a turn drives current back,
// the supply takes none of it: it is counted (Refused) and burnt.
//
// # Integration
//
// Steps are a whole part of the fastest board's frame, at most 0.5 ms and an eighth
// of the shortest mechanical time constant. Within a step the motor equation is
// linear and solved exactly, the load taken from the middle of the way: second
// order in gravity and linkage, exact for constant loads but for the step in which
// the current changes its sign, first order in the coupling of the supply's
// voltage. Steps are split where the bridge goes off and where a shaft comes to a
// stand; there it sticks or turns back by static friction, without chatter. Pulses
// of boards whose frames are not whole steps act up to one step late. Products are
// rounded before they are added and constants to 40 bits, so that every machine
// gives the same. An axis at rest within its dead band sleeps until a frame wakes
// it.
package drive

import "limberjack/sequence"

// Trace is the outcome of Run: currents, energies and paths, in SI units but for
// the ways and speeds of axes, which are in the axis's own unit.
type Trace struct {
	Supplies []SupplyTrace // in the rig's order
	Axes     []AxisTrace   // in the rig's order
}

// SupplyTrace is what one supply delivers over a performance.
type SupplyTrace struct {
	Supply     *sequence.Supply
	Peak       float64   // A, with every pulse-width modulated lamp and motor in its on time
	PeakAt     float64   // s
	RMS        float64   // A, lamps counted as pulses that do not keep step
	Mean       float64   // A
	MinVoltage float64   // V, the least at the supply's terminals
	Energy     float64   // Wh a performance, at the voltage without load
	Runs       float64   // performances a charge; 0 without a capacity or without any draw
	Blame      []Draw    // who draws what at the peak, greatest first; none that draws nothing
	Tide       []float64 // A: the greatest current in each of equal spans of the performance

	Sustained     float64    // A, the greatest mean over 0.1 s: what capacitors cannot give in place of the supply
	SustainedAt   float64    // s, the start of that span
	MinVoltageAt  float64    // s
	SagBlame      []Draw     // who draws what when the voltage is least, greatest first
	BrownOuts     []BrownOut // the first 16, in order of time
	BrownOutCount int        // of all
	Refused       float64    // Wh that motors would give back; the model burns it
}

// BrownOut is a stretch in which a supply's voltage is below its brownout: the
// boards on it reset. The model goes on as if they had not.
type BrownOut struct {
	At    float64 // s, its start
	Least float64 // V
	Blame []Draw  // who draws what at its start, greatest first
}

// The states of an axis.
const (
	Idle     = "idle"     // a servo at rest without drive
	Holding  = "holding"  // driven at rest, against a torque; a stepper at rest
	Starting = "starting" // driven from a standstill, less than half of the free speed
	Moving   = "moving"
	// Reversing is a motor or a continuous servo that is driven against its turning.
	Reversing = "reversing"
	Stalled   = "stalled" // at a stand for over 0.1 s at full drive (a motor: at any)
	On        = "on"
	Off       = "off"
)

// Draw is the current of one axis at one moment.
type Draw struct {
	Axis    *sequence.Axis
	Current float64 // A
	State   string  // Idle, Holding, Starting, Moving, Reversing, Stalled, On or Off
}

// AxisTrace is what one axis draws and does over a performance. Ways are of the
// part, in the axis's unit; those of lag and after are of servos alone.
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

	Figures      []Figure // what the model rests on, with origins
	Efficiency   float64  // of the gears as the figures have it; above 1 they do not fit together; 0: not known
	StallCurrent float64  // A
	WindowRMS    float64  // A in the winding, the greatest over 10 s (over the whole where that is shorter)
	WindowEnd    float64  // s, the end of that window
	Stalled      float64  // s in all in the state Stalled
	StalledAt    float64  // s, when it first was
	LostSteps    string   // why a stepper loses steps: "pull-in", "pull-out" or "" where it does not
	LostStepsAt  float64  // s, when it first does

	RMSError    float64 // between script and part, over the frames of the board
	PeakError   float64 // the greatest
	PeakErrorAt float64 // s
	Late        Late    // of an extreme or a rest of the script, the latest
	CutShort    float64 // by how much the part missed an extreme before the script took it elsewhere
	CutShortAt  float64 // s, of the extreme
	Overshoot   float64 // the greatest, past a rest of the script
	OvershootAt float64 // s
	Unreached   int     // rests of the script of 0.1 s and more in which the part never came near
	Missed      float64 // how far it was off when the worst of them ended
	MissedAt    float64 // s, that end
	Hunting     float64 // s in all in which a servo turned to and fro, long after its command had come to rest
	LongestHunt float64 // s, in one rest
	HuntingAt   float64 // s, when that began
	HuntingWay  float64 // the widest swing of it
	Rejoin      float64 // the farthest that a servo is from its command in the first frame after a release
	RejoinAt    float64 // s
}

// Late is by how much a part comes late to where the script has a rest or turns
// back.
type Late struct {
	By      float64 // s; 0: never late by more than a frame
	At      float64 // s, when the script is there
	Began   float64 // s, when the script's move there began
	Arrived float64 // s, when the part is there
}
