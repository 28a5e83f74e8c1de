package drive

import (
	"math"

	"limberjack/interp"
	"limberjack/sequence"
)

// tag is what every axis keeps.
type tag struct {
	index int // in the rig
	axis  *interp.Axis
	trace *AxisTrace
	tally tally

	mean, peak float64 // A, of the present step
	ripple     float64 // A2, the variance within it of pulses that are shorter
	greatest   float64 // A, since the last sample
}

// driven is an axis with a DC motor: a servo, which has an amplifier that closes
// a loop, or a motor whose bridge is set by the command.
type driven struct {
	tag
	shaft    shaft
	loop     *amplifier // nil: the command is the drive
	pulses   *commands  // of the horn, quantised; of the drive in percent
	script   *commands  // of the part
	path     path
	window   window
	idle     float64 // A, of the electronics
	rated    float64 // V, of the lines
	noLoad   float64 // unit/s at the supply's voltage
	share    float64 // of the frame, that the amplifier asks for
	off      float64 // s, when the bridge goes off
	frame    float64 // s
	slop     float64 // unit of the part
	hung     bool    // a weight keeps the play to one side
	loose    float64 // the part within its play
	moved    float64 // s, when it last moved
	stood    float64 // s, when it last stood
	aimed    float64 // s, when the command last changed
	aim      float64
	way      float64 // of the shaft at the last frame
	turns    int
	full     float64 // s that it has been standing at full drive
	was      float64 // position a step ago
	slow     float64 // unit/s
	asleep   bool
	since    float64 // s, when it fell asleep
	wake     float64
	started  bool // performance time has begun
	resting  string
	passable func(i int) bool
}

const (
	slowShare = 0.02 // of the free speed, below which a shaft counts as standing
	stallTime = 0.1  // s at full drive and a stand, from which on an axis is stalled
	startTime = 0.05 // s that a start may take
)

// preRoll is how long the rig stands in its first pose before the performance.
const preRoll = 0.5 // s

// newDriven makes the axis of a servo or motor, whose pulse comes offset seconds
// after the frame, and which is let go in some; nil where there is too little to go
// by.
func newDriven(a *interp.Axis, offset float64, free []Release, trace *AxisTrace) *driven {
	spec := a.Spec
	d := &driven{tag: tag{axis: a, trace: trace}, frame: 1 / rateOf(spec), off: math.Inf(1), resting: Idle}
	var m Motor
	var l Lines
	if f := spec.Figures(); f != nil {
		l = servoLines(spec, f)
		m = Identify(l)
		d.idle = f.IdleCurrent.V
		if spec.Kind == sequence.Servo {
			p := newAmplifier(spec, f, m)
			d.loop = &p
		}
	} else {
		var ok bool
		if l, ok = motorLines(spec); !ok {
			return nil
		}
		m = Identify(l)
		d.resting = Off
	}
	d.rated, d.noLoad = l.Voltage, l.Speed
	if spec.Supply != nil {
		d.noLoad *= voltageOf(spec.Supply) / l.Voltage
	}
	d.slow = slowShare * d.noLoad
	trace.StallTorque, trace.StallCurrent, trace.Efficiency = l.StallTorque, l.StallCurrent, m.Efficiency
	if spec.Kind == sequence.Motor && !spec.Motor.StallTorque.Given() {
		trace.StallTorque = 0
	}
	d.shaft = newShaft(spec, m)
	d.follow(a, offset, free)
	return d
}

// newShaft puts a motor's shaft under the load of an axis.
func newShaft(a *sequence.Axis, m Motor) shaft {
	s := shaft{emf: steady(m.EMF), driving: steady(m.Torque), braking: steady(m.Braking), sliding: steady(m.Friction),
		static: steady(m.Friction * breakaway), low: math.Inf(-1), high: math.Inf(1),
		perOhm: steady(1 / (m.Resistance + LeadResistance(a.Wire)))}
	if a.Kind != sequence.Motor || a.Brake {
		s.perOhmOff = steady(1 / m.Resistance)
	}
	own := steady(m.Inertia)
	if a.Kind == sequence.Servo {
		s.low, s.high = stopsOf(a)
		s.table = newBurden(a, own, s.low, s.high)
	}
	s.torque, s.inertia = steady(a.LoadTorque(0)), own+loadInertia(a)
	if a.Kind != sequence.Servo {
		s.inertia = own + steady(a.LoadInertia()*math.Pi/180)
	}
	return s
}

// follow connects an axis to its curves and puts it in its first pose.
func (d *driven) follow(a *interp.Axis, offset float64, free []Release) {
	spec := a.Spec
	rate, delay := rateOf(spec), spec.Measured.Delay.V+offset
	from := -int(math.Ceil((preRoll+delay)*rate)) - 1
	step := driveOf
	if d.loop != nil {
		c := calibrationOf(spec)
		step = func(v float64) float64 { return c.quantised(v, spec.Trim.V) }
	}
	d.pulses = newCommands(a.Horn, rate, delay, from, free, step)
	d.passable = d.rests
	if d.loop == nil {
		return
	}
	d.shaft.position = math.Max(d.shaft.low, math.Min(d.shaft.high, d.pulses.value()))
	d.script = newCommands(a.Part, rate, 0, 0, free, nil)
	d.slop, d.hung = spec.Measured.Slop.V, spec.Load.CarriesWeight()
	d.loose, _ = d.geared()
	part := 1.0
	if d.shaft.table != nil {
		_, ratio := d.shaft.table.partAt(d.shaft.position)
		part = math.Abs(ratio)
	}
	tick := 0.0
	if spec.Board != nil {
		tick = spec.Board.Tick.V * unitsPerPulse(spec) / 2
	}
	d.path = path{near: float64((d.loop.deadBand+tick)*part) + d.slop, still: d.loop.deadBand, out: d.trace}
}

// driveOf gives the share of full drive for a value in percent, as a board of 15
// bits sets it.
func driveOf(percent float64) float64 {
	return math.Round(math.Max(-1, math.Min(1, percent/100))*math.MaxInt16) / math.MaxInt16
}

// geared gives where the gears hold the part, and its way for a way of the horn.
func (d *driven) geared() (part, ratio float64) {
	if t := d.shaft.table; t != nil && d.axis.Spec.Linkage != nil {
		return t.partAt(d.shaft.position)
	}
	return d.shaft.position, 1
}

// part gives the position of the part. Play follows the gears by half the slop
// either way, unless a weight keeps it to one side.
func (d *driven) part() float64 {
	if d.loop == nil {
		return 100 * d.shaft.speed / d.noLoad
	}
	p, _ := d.geared()
	if d.slop == 0 || d.hung {
		return p
	}
	half := float64(d.slop / 2)
	d.loose = math.Max(p-half, math.Min(p+half, d.loose))
	return d.loose
}

// pulse takes in the next frame.
func (d *driven) pulse() {
	due, value, limp := d.pulses.due(), d.pulses.value(), d.pulses.limp()
	d.holding()
	d.pulses.pass()
	if limp {
		d.drop()
		return
	}
	if value != d.aim {
		d.aim, d.aimed = value, due
	}
	d.obey(value, due)
}

// drop takes in that no pulse comes: the amplifier has nothing to compare, and the
// bridge stays off.
func (d *driven) drop() { d.shaft.drive, d.share, d.off = 0, 0, math.Inf(1) }

// obey sets the bridge for a command that arrives at a time.
func (d *driven) obey(value, due float64) {
	if d.loop == nil {
		d.shaft.drive, d.share, d.off = value, math.Abs(value), math.Inf(1)
		return
	}
	share := d.loop.duty(value-d.shaft.position, d.shaft.speed)
	d.share = math.Abs(share)
	switch {
	case share > 0:
		d.shaft.drive = 1
	case share < 0:
		d.shaft.drive = -1
	default:
		d.shaft.drive = 0
	}
	d.off = due + float64(d.share*d.loop.frame)
	if d.share == 1 {
		d.off = math.Inf(1)
	}
}

// holding notes the torque that the commanded pose asks for.
func (d *driven) holding() {
	if d.pulses.frame < 0 || d.pulses.limp() {
		return
	}
	torque := d.shaft.torque
	if d.shaft.table != nil {
		torque, _, _ = d.shaft.table.at(d.pulses.raw[d.pulses.frame-d.pulses.first])
	}
	if torque = math.Abs(torque); torque > d.trace.MaxHolding {
		d.trace.MaxHolding, d.trace.HoldingAt = torque, d.pulses.arrival(d.pulses.frame)-d.pulses.delay
	}
}

// rests reports whether the next frame lets a standing shaft stand.
func (d *driven) rests(i int) bool {
	d.holding()
	v := d.pulses.vs[i]
	switch {
	case d.pulses.gone[i]:
		return true
	case d.loop == nil:
		return v == 0
	}
	return d.loop.duty(v-d.shaft.position, 0) == 0
}

// begin takes in the pulses up to t and sees whether the axis may sleep.
func (d *driven) begin(t float64) {
	for d.pulses.due() <= t+instant {
		d.pulse()
	}
	if d.shaft.drive != 0 && d.off <= t+instant {
		d.shaft.drive = 0
	}
	if d.started {
		d.observe(t)
	}
	if d.shaft.drive == 0 && d.shaft.speed == 0 && d.stands() {
		d.asleep, d.since = true, t
		d.mean, d.peak, d.ripple, d.was = d.idle, d.idle, 0, d.shaft.position
		d.wake = d.pulses.skip(d.passable)
	}
}

// stands reports whether the load leaves the shaft where it is.
func (d *driven) stands() bool {
	torque := d.shaft.torque
	if d.shaft.table != nil {
		torque, _, _ = d.shaft.table.at(d.shaft.position)
	}
	return d.shaft.start(0, torque) == 0
}

// observe compares script and part at the frames up to t.
func (d *driven) observe(t float64) {
	if d.script == nil {
		return
	}
	for d.script.due() <= t+instant {
		at, command, limp := d.script.due(), d.script.value(), d.script.limp()
		d.script.pass()
		if part := d.part(); limp {
			d.path.release()
		} else {
			d.path.frame(at, command, part, d.shaft.way-d.way, d.frame)
		}
		d.way = d.shaft.way
	}
}

// sleepsUntil counts a sleep up to t.
func (d *driven) sleepsUntil(t float64) {
	if w := t - d.since; w > 0 && d.started {
		d.tally.add(d.since, w, d.idle, d.idle, 0)
		d.window.add(d.since, w, 0)
	}
	if d.started {
		d.observe(t)
	}
	d.since = t
}

// rouse ends a sleep at t.
func (d *driven) rouse(t float64) {
	d.sleepsUntil(t)
	d.asleep, d.stood = false, t
}

// admittance gives what the motor adds to the balance of the supply: a
// conductance, and the current that its back-EMF takes off.
func (d *driven) admittance(volt float64) (perOhm, less float64) {
	m := &d.shaft
	u := m.drive
	if u == 0 {
		return 0, 0
	}
	perOhm, less = float64(u*u*m.perOhm), float64(u*m.emf*m.speed*m.perOhm)
	if float64(perOhm*volt) <= less {
		return 0, 0
	}
	return perOhm, less
}

// draws takes in the supply's voltage: the current at this moment is the peak of
// the step, as it falls while the motor gathers speed.
func (d *driven) draws(volt float64) {
	d.peak = d.idle
	m := &d.shaft
	if m.drive == 0 {
		return
	}
	i := m.current(volt)
	if m.drive < 0 {
		i = -i
	}
	if i > 0 {
		d.peak += i
	}
}

// advance goes on by h seconds from t.
func (d *driven) advance(t, h, volt float64) {
	m := &d.shaft
	d.was = m.position
	charge, heat, on := m.charge, m.heat, m.drive
	d.stay(t, h)
	if on != 0 && d.off < t+h-instant {
		rest := d.off - t
		m.step(rest, volt)
		m.drive = 0
		m.step(h-rest, volt)
	} else {
		m.step(h, volt)
	}
	d.mean = d.idle + (m.charge-charge)/h
	d.ripple = 0
	if on != m.drive || on != 1 && on != -1 && on != 0 {
		d.ripple = max(0, float64((d.mean-d.idle)*(d.peak-d.mean)))
	}
	if d.started {
		d.tally.add(t, h, d.peak, d.mean, d.ripple)
		if d.peak > d.greatest {
			d.greatest = d.peak
		}
		d.window.add(t, h, m.heat-heat)
		d.watch(t + h)
	}
}

// stay notes whether the shaft moves or stands in the step of h seconds from t.
func (d *driven) stay(t, h float64) {
	if v := d.shaft.speed; v > d.slow || v < -d.slow {
		d.moved, d.full = t, 0
		return
	}
	d.stood = t
	if d.shaft.drive == 0 || d.loop != nil && d.share < 1 {
		d.full = 0
		return
	}
	d.full += h
	if d.full > stallTime && d.started {
		if d.trace.Stalled == 0 {
			d.trace.StalledAt = t
		}
		d.trace.Stalled += h
	}
}

// watch looks for what may happen between frames.
func (d *driven) watch(t float64) {
	if d.loop == nil || d.path.free {
		d.turns = d.shaft.turns
		return
	}
	if d.shaft.turns != d.turns {
		d.turns = d.shaft.turns
		d.path.turned(t, d.part())
	}
	if d.path.queued > 0 {
		d.path.check(t, d.part())
	}
}

// state names what the axis does at t.
func (d *driven) state(t float64) string {
	v, still := math.Abs(d.shaft.speed), t-d.moved > stallTime
	switch {
	case d.shaft.drive == 0 && v == 0:
		return d.resting
	case d.full > stallTime:
		return Stalled
	case d.loop == nil && d.shaft.drive*d.shaft.speed < 0 && v > d.slow:
		return Reversing
	case still && d.loop != nil && t-d.aimed > settleTime/2:
		return Holding
	case d.shaft.drive != 0 && t-d.stood < startTime && v < d.noLoad/2:
		return Starting
	}
	return Moving
}

// begins starts the performance: what happened before does not count. A motor
// starts from standstill.
func (d *driven) begins() {
	d.started = true
	d.tally, d.window, d.since = tally{}, window{}, math.Max(0, d.since)
	d.shaft.charge, d.shaft.heat, d.shaft.back, d.shaft.way = 0, 0, 0, 0
	d.turns = d.shaft.turns
	if d.loop == nil { // a motor has no pose to stand in
		d.shaft.position, d.shaft.speed, d.mean, d.peak = 0, 0, d.idle, d.idle
	}
}

// finish ends the performance at t.
func (d *driven) finish(t float64) {
	if d.asleep {
		d.sleepsUntil(t)
	}
	if d.tally.time == 0 {
		d.tally.add(t, 0, d.peak, d.mean, 0)
	}
	if d.loop != nil {
		d.path.finish(t)
	}
	d.trace.WindowRMS, d.trace.WindowEnd = d.window.rms(t)
	d.trace.close(&d.tally)
}
