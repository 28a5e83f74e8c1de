package sequence

// A shape is what may stand in a mapping of a document. The same tables serve
// the reader (unknown keys, units, ranges) and the JSON Schema, so the two
// cannot part.
type shape struct {
	name   string
	doc    string
	fields []field
	// short, where set, is the list form of the mapping: the fields in order.
	short []string
	// exactlyOne names fields of which one, and only one, must be there.
	exactlyOne []string
	// forms are ways to fill the mapping of which one, and only one, holds.
	forms []form
	// together names fields that stand together or not at all, and apart fields
	// of which at most one stands.
	together, apart []string
}

// form is one way to fill a mapping: the fields that it needs, and those that
// have a meaning with it alone.
type form struct{ need, also []string }

// field is one key of a mapping.
type field struct {
	name  string
	doc   string
	want  want
	need  bool
	kinds []Kind // of an axis: the kinds that the key belongs to; nil: all

	// needOf are the kinds of axis that need the key, and hint what a message
	// then offers.
	needOf []Kind
	hint   string
}

type wantKind uint8

const (
	wantText     wantKind = iota
	wantName              // the name of something declared elsewhere
	wantFlag              // true or false
	wantNumber            // a quantity
	wantWhole             // a whole number
	wantChoice            // one of words
	wantObject            // a mapping of a shape
	wantTable             // a mapping of names to elem, beside the fields of shape where it has one
	wantList              // a list of elem
	wantRow               // a list of exactly these alternatives' wants, in order
	wantValue             // a value of an axis or control
	wantTime              // a moment: seconds, frames, timecode, beats, mark
	wantDuration          // a length of time: seconds, frames, beats
	wantEase              // the text of an ease
	wantPath              // a file beside this one
	wantAnyOf             // one of alts
	wantShare             // a control's share
)

type want struct {
	kind   wantKind
	dims   []dim
	lo, hi float64
	words  []string
	shape  *shape
	elem   *want
	alts   []want
	// numbered: the names of a table are whole numbers.
	numbered bool
	need     int // of a row: how many must be there; of a list: the least count
}

// index gives the place of a field in the shape, or -1.
func (s *shape) index(name string) int {
	for i := range s.fields {
		if s.fields[i].name == name {
			return i
		}
	}
	return -1
}

func (s *shape) names() []string {
	list := make([]string, len(s.fields))
	for i, f := range s.fields {
		list[i] = f.name
	}
	return list
}

func number(d dim, lo, hi float64) want {
	return want{kind: wantNumber, dims: []dim{d}, lo: lo, hi: hi}
}
func whole(lo, hi float64) want       { return want{kind: wantWhole, lo: lo, hi: hi} }
func choice(words ...string) want     { return want{kind: wantChoice, words: words} }
func object(s *shape) want            { return want{kind: wantObject, shape: s} }
func table(elem want) want            { return want{kind: wantTable, elem: &elem} }
func list(elem want) want             { return want{kind: wantList, elem: &elem} }
func anyOf(alts ...want) want         { return want{kind: wantAnyOf, alts: alts} }
func row(need int, alts ...want) want { return want{kind: wantRow, alts: alts, need: need} }

// Sane ranges; each is in the schema too.
const (
	maxTime   = 48 * 3600 // s
	maxAngle  = 1e6       // deg
	maxLength = 1e5       // mm
	maxVolt   = 1000
	maxSpeed  = 1e6 // unit/s
	maxAccel  = 1e8
	maxJerk   = 1e10
	minRate   = 1
	maxRate   = 1000
	maxTimes  = 10000
	formatNow = 1
)

var (
	textWant     = want{kind: wantText}
	nameWant     = want{kind: wantName}
	flagWant     = want{kind: wantFlag}
	valueWant    = want{kind: wantValue, lo: -maxAngle, hi: maxAngle}
	timeWant     = want{kind: wantTime, hi: maxTime}
	durationWant = want{kind: wantDuration, hi: maxTime}
	easeWant     = want{kind: wantEase}
	pathWant     = want{kind: wantPath}
	rateWant     = number(hertz, minRate, maxRate)
	currentWant  = number(ampere, 0, 1000)
	voltWant     = number(volt, 0, maxVolt)
	torqueWant   = number(torque, 0, 1000)
	lengthWant   = number(length, 0, maxLength)
	placeWant    = number(length, -maxLength, maxLength)
	pulseWant    = number(pulse, 0, 1e5)
	speedWant    = want{kind: wantNumber, dims: []dim{angleSpeed, lengthSpeed}, lo: 0, hi: maxSpeed}
	formatWant   = whole(formatNow, formatNow)
	travelWant   = row(2, valueWant, valueWant)
	horn         = number(angle, -maxAngle, maxAngle)
	directionRow = row(3, number(plain, -1e6, 1e6), number(plain, -1e6, 1e6), number(plain, -1e6, 1e6))
)

var (
	servos  = []Kind{Servo, ContinuousServo}
	turning = []Kind{Servo, ContinuousServo, Motor, Stepper}
)

var supplyShape = &shape{name: "supply", doc: "A source of power that axes share.", fields: []field{
	{name: "voltage", doc: "Volts at the terminals without load.", want: voltWant, need: true},
	{name: "limit", doc: "Amperes that it can deliver.", want: currentWant},
	{name: "resistance", doc: "Ohms of source and leads together.", want: number(ohm, 0, 1000)},
	{name: "brownout", doc: "Volts below which a board on this supply resets.", want: voltWant},
	{name: "capacity", doc: "Charge of a battery.", want: number(charge, 0, 10000)},
}}

var inputShape = &shape{name: "input", doc: "A digital input of a board.", fields: []field{
	{name: "active", doc: "The level that counts as on.", want: choice("low", "high")},
	{name: "debounce", doc: "How long the level must stay before it counts.", want: number(seconds, 0, 10)},
	{name: "stop", doc: "This input asks for a controlled stop.", want: flagWant},
}}

var boardShape = &shape{name: "board", doc: "A controller board.", fields: []field{
	{name: "rate", doc: "Frames a second.", want: rateWant, need: true},
	{name: "tick", doc: "The step in which pulses are placed.", want: number(pulse, 0.001, 1000), need: true},
	{name: "channels", doc: "How many outputs it has.", want: whole(1, 1024), need: true},
	{name: "baud", doc: "Data rate of its serial link.", want: number(baud, 300, 1e8)},
	{name: "clock", doc: "Measured trim: how fast the board's clock runs.", want: number(ppm, -1e5, 1e5)},
	{name: "oscillator", doc: "Measured frequency of the oscillator of a PWM driver on it, about 25000kHz.", want: number(hertz, 20e6, 30e6)},
	{name: "pulses", doc: "Whether the pulses of a frame start one after another or together.", want: choice("staggered", "together")},
	{name: "inputs", doc: "Digital inputs by number.", want: want{kind: wantTable, elem: &want{kind: wantObject, shape: inputShape}, numbered: true}},
}}

var servoFields = []field{
	{name: "at", doc: "The voltage at which the other lines hold.", want: voltWant},
	{name: "speed", doc: "Speed without load.", want: speedWant},
	{name: "stall_torque", doc: "Torque when held still at full drive.", want: torqueWant},
	{name: "stall_current", doc: "Current when held still at full drive.", want: currentWant},
	{name: "no_load_current", doc: "Current while turning without load.", want: currentWant},
	{name: "idle_current", doc: "Current at rest without load.", want: currentWant},
	{name: "dead_band", doc: "Change of pulse that the servo does not answer.", want: pulseWant},
}

var servoShape = &shape{name: "servo", doc: "The lines of a servo's data sheet.", fields: servoFields}

var motorShape = &shape{name: "motor", doc: "The lines of a motor's data sheet, gearbox included.", fields: []field{
	{name: "at", doc: "The voltage at which the other lines hold.", want: voltWant, need: true},
	{name: "speed", doc: "Speed without load.", want: number(angleSpeed, 0, maxSpeed), need: true},
	{name: "stall_torque", doc: "Torque when held still.", want: torqueWant},
	{name: "stall_current", doc: "Current when held still.", want: currentWant, need: true},
	{name: "no_load_current", doc: "Current while turning without load.", want: currentWant},
}}

var limitsShape = &shape{name: "limits", doc: "What the axis may do at most, at the horn.", fields: []field{
	{name: "speed", doc: "Greatest speed.", want: want{kind: wantNumber, dims: []dim{angleSpeed, lengthSpeed, ratioSpeed, stepSpeed}, lo: 0, hi: maxSpeed}},
	{name: "acceleration", doc: "Greatest acceleration.", want: want{kind: wantNumber, dims: []dim{angleAccel, lengthAccel, ratioAccel, stepAccel}, lo: 0, hi: maxAccel}},
	{name: "jerk", doc: "Greatest jerk.", want: want{kind: wantNumber, dims: []dim{angleJerk, lengthJerk, ratioJerk}, lo: 0, hi: maxJerk}},
}}

var loadShape = &shape{name: "load", doc: "What the axis moves.", fields: []field{
	{name: "inertia", doc: "Moment of inertia about the axis.", want: number(inertia, 0, 1000)},
	{name: "torque", doc: "Constant torque that the axis must hold.", want: torqueWant},
	{name: "mass", doc: "Mass on an arm, with arm.", want: number(mass, 0, 1000)},
	{name: "arm", doc: "Distance of the mass from the axis.", want: lengthWant},
	{name: "gravity_at", doc: "The angle at which the arm is level and gravity pulls hardest.", want: number(angle, -maxAngle, maxAngle)},
}, together: []string{"mass", "arm"}}

var wireShape = &shape{name: "wire", doc: "The lead between supply and axis.", fields: []field{
	{name: "length", doc: "One way.", want: lengthWant, need: true},
	{name: "gauge", doc: "American wire gauge number, or mm2 of copper.", want: number(wireArea, 1e-4, 1000), need: true},
}}

var measuredShape = &shape{name: "measured", doc: "Values taken from the rig itself; they beat the data sheet.", fields: []field{
	{name: "speed", doc: "Speed that the axis reached.", want: speedWant},
	{name: "delay", doc: "Time from command to first movement.", want: number(seconds, 0, 10)},
	{name: "slop", doc: "Play of the part with the servo held.", want: valueWant},
}}

var linkageShape = &shape{name: "linkage", doc: "How the horn moves the part: a four-bar linkage, or a table.", fields: []field{
	{name: "base", doc: "Distance between the two fixed pivots.", want: lengthWant},
	{name: "horn", doc: "Length of the servo's horn.", want: lengthWant},
	{name: "rod", doc: "Length of the rod.", want: lengthWant},
	{name: "arm", doc: "Length of the part's arm.", want: lengthWant},
	{name: "zero", doc: "Angle between base line and horn where horn and part are 0.", want: number(angle, -360, 360)},
	{name: "branch", doc: "Which of the two ways the linkage is put together.", want: choice("open", "crossed")},
	{name: "table", doc: "Rows of horn and part.", want: list(row(2, horn, horn))},
}, forms: []form{{need: []string{"base", "horn", "rod", "arm"}, also: []string{"zero", "branch"}}, {need: []string{"table"}}}}

var homeShape = &shape{name: "home", doc: "How a stepper finds its zero.", fields: []field{
	{name: "input", doc: "Number of the board's input that sees the zero.", want: whole(0, 1023), need: true},
	{name: "towards", doc: "Direction of search.", want: choice("minus", "plus")},
	{name: "speed", doc: "Speed of search.", want: want{kind: wantNumber, dims: []dim{angleSpeed, lengthSpeed, stepSpeed}, lo: 0, hi: maxSpeed}},
}}

var axisShape = &shape{name: "axis", doc: "One actuator and the degree of freedom that it moves.", fields: []field{
	{name: "kind", doc: "What drives the axis.", want: choice(kindNames...), need: true},
	{name: "board", doc: "The board that it is wired to.", want: nameWant, need: true},
	{name: "channel", doc: "The board's output.", want: whole(0, 1023), need: true},
	{name: "supply", doc: "The supply that it draws from.", want: nameWant},
	{name: "servo", doc: "Name of a data sheet in servos, or the lines themselves.", want: anyOf(nameWant, object(servoShape)), kinds: servos},
	{name: "motor", doc: "The motor's data sheet.", want: object(motorShape), kinds: []Kind{Motor}},
	{name: "travel", doc: "Mechanical end stops, lower first.", want: travelWant,
		needOf: []Kind{Servo}, hint: "add travel: [-60deg, 60deg] with the end stops of this axis"},
	{name: "pulse", doc: "Calibration: two or more points of value and pulse, monotone.", want: want{kind: wantList, elem: &want{kind: wantRow, alts: []want{valueWant, pulseWant}, need: 2}, need: 2}, kinds: servos,
		needOf: []Kind{Servo}, hint: "add pulse: [[-60deg, 1000us], [60deg, 2000us]] with values measured on this axis"},
	{name: "trim", doc: "Added to every pulse.", want: number(pulse, -1e4, 1e4), kinds: servos},
	{name: "rest", doc: "Value at rest.", want: valueWant},
	{name: "limits", doc: "What the axis may do at most.", want: object(limitsShape)},
	{name: "load", doc: "What the axis moves.", want: object(loadShape), kinds: turning},
	{name: "lost", doc: "What the axis does when its host or card goes silent.", want: choice(lostNames...)},
	{name: "wire", doc: "The lead between supply and axis.", want: object(wireShape)},
	{name: "measured", doc: "Values taken from the rig itself.", want: object(measuredShape)},
	{name: "linkage", doc: "How the horn moves the part.", want: object(linkageShape), kinds: []Kind{Servo}},
	{name: "steps", doc: "Full steps a revolution of the motor.", want: whole(1, 100000), kinds: []Kind{Stepper},
		needOf: []Kind{Stepper}, hint: "add steps: 200 with the motor's full steps a revolution"},
	{name: "microsteps", doc: "Microsteps a full step.", want: whole(1, 1024), kinds: []Kind{Stepper}},
	{name: "gear", doc: "Revolutions of the motor for one of the part.", want: number(plain, 1e-3, 1e5), kinds: []Kind{Stepper}},
	{name: "lead", doc: "Travel of a linear axis a revolution of the motor.", want: number(length, 1e-3, maxLength), kinds: []Kind{Stepper}},
	{name: "pull_in", doc: "Step rate at which it can start and stop at once.", want: number(stepSpeed, 0, 1e6), kinds: []Kind{Stepper}},
	{name: "home", doc: "How it finds its zero.", want: object(homeShape), kinds: []Kind{Stepper}},
	{name: "reverse_dwell", doc: "Rest needed between the two directions.", want: number(seconds, 0, 60), kinds: []Kind{Motor}},
	{name: "stop", doc: "What the bridge does at zero.", want: choice("brake", "coast"), kinds: []Kind{Motor}},
	{name: "current", doc: "Current when on.", want: currentWant, kinds: []Kind{Stepper, Dimmer, Switch}},
	{name: "power", doc: "Power when on, in place of current.", want: number(power, 0, 1e5), kinds: []Kind{Dimmer, Switch}},
	{name: "gamma", doc: "Exponent from value to duty.", want: number(plain, 0.1, 10), kinds: []Kind{Dimmer}},
	{name: "shortest", doc: "Shortest time in one state.", want: number(seconds, 0, 3600), kinds: []Kind{Switch}},
}, apart: []string{"current", "power"}}

var triggerOutShape = &shape{name: "sound trigger", doc: "The output that starts the sound player.", fields: []field{
	{name: "board", doc: "The board.", want: nameWant, need: true},
	{name: "channel", doc: "Its output.", want: whole(0, 1023), need: true},
	{name: "pulse", doc: "How long the output stays on.", want: number(seconds, 0, 60)},
}}

var soundShape = &shape{name: "sound", doc: "The sound player on the rig.", fields: []field{
	{name: "delay", doc: "Measured time from trigger to sound.", want: number(seconds, 0, 60)},
	{name: "trigger", doc: "The output that starts it.", want: object(triggerOutShape)},
}}

var turnsShape = &shape{name: "turns", doc: "A turn driven by an axis.", fields: []field{
	{name: "about", doc: "Direction of the axis of the turn.", want: directionRow, need: true},
	{name: "axis", doc: "The axis that drives it.", want: nameWant, need: true},
}}

var slidesShape = &shape{name: "slides", doc: "A slide driven by an axis.", fields: []field{
	{name: "along", doc: "Direction of the slide.", want: directionRow, need: true},
	{name: "axis", doc: "The axis that drives it.", want: nameWant, need: true},
}}

var solidShape = &shape{name: "solid", doc: "The shape that is drawn.", exactlyOne: []string{"sphere", "box", "cylinder"}, fields: []field{
	{name: "sphere", doc: "Radius.", want: lengthWant},
	{name: "box", doc: "Width, depth and height.", want: row(3, lengthWant, lengthWant, lengthWant)},
	{name: "cylinder", doc: "Radius and height.", want: row(2, lengthWant, lengthWant)},
}}

var jointShape = &shape{name: "joint", doc: "One solid of the picture of the rig.", fields: []field{
	{name: "parent", doc: "The joint that carries this one.", want: nameWant},
	{name: "at", doc: "Place of its origin on the parent.", want: row(3, placeWant, placeWant, placeWant)},
	{name: "turns", doc: "A turn driven by an axis.", want: object(turnsShape)},
	{name: "slides", doc: "A slide driven by an axis.", want: object(slidesShape)},
	{name: "solid", doc: "The shape that is drawn.", want: object(solidShape)},
}}

// neverShape holds what stands beside the axes of a combination.
var neverShape = &shape{name: "never", doc: "A combination of values that collides or pinches: a range for each axis.", fields: []field{
	{name: "why", doc: "What happens there, for the messages.", want: textWant},
}}

var rigShape = &shape{name: "rig", doc: "The physical thing: axes, boards, supplies, joints.", fields: []field{
	{name: "rig", doc: "Name of the rig.", want: textWant, need: true},
	{name: "format", doc: "Version of this file format.", want: formatWant, need: true},
	{name: "supplies", doc: "Sources of power.", want: table(object(supplyShape))},
	{name: "boards", doc: "Controller boards.", want: table(object(boardShape)), need: true},
	{name: "servos", doc: "Data sheets, reusable by name.", want: table(object(servoShape))},
	{name: "axes", doc: "Actuators.", want: table(object(axisShape)), need: true},
	{name: "controls", doc: "Named mixes of axes and of other controls.", want: table(table(want{kind: wantShare, lo: -1e6, hi: 1e6}))},
	{name: "pairs", doc: "Axes that mirror swaps.", want: list(row(2, nameWant, nameWant))},
	{name: "never", doc: "Combinations of values that collide or pinch.", want: list(want{kind: wantTable, elem: &travelWant, shape: neverShape})},
	{name: "sound", doc: "The sound player on the rig.", want: object(soundShape)},
	{name: "joints", doc: "How to draw the rig: a tree of solids.", want: table(object(jointShape))},
}}

var keyShape = &shape{name: "key", doc: "A value at a time, with the ease by which the axis arrives there.", short: []string{"at", "to", "ease"}, fields: []field{
	{name: "at", doc: "The time, or soonest.", want: timeWant, need: true},
	{name: "to", doc: "The value.", want: valueWant, need: true},
	{name: "ease", doc: "How the axis arrives here.", want: easeWant},
	{name: "hold", doc: "Shaping must hit this key exactly.", want: flagWant},
	{name: "locked", doc: "Retiming keeps this key's time.", want: flagWant},
	{name: "slack", doc: "How much later the move to this key may start and arrive, where that spares a supply.", want: durationWant},
}}

var keysWant = list(object(keyShape))

var tempoShape = &shape{name: "tempo change", doc: "Beats a minute from a time on.", fields: []field{
	{name: "at", doc: "From when.", want: timeWant, need: true},
	{name: "bpm", doc: "Beats a minute.", want: number(plain, 1, 1000), need: true},
}}

var markShape = &shape{name: "mark", doc: "A named time.", fields: []field{
	{name: "at", doc: "The time.", want: timeWant, need: true},
	{name: "locked", doc: "Retiming keeps this mark's time.", want: flagWant},
}}

var phraseShape = &shape{name: "phrase", doc: "A reusable bit of motion.", fields: []field{
	{name: "keys", doc: "Keys by axis or control; times count from where the phrase is placed.", want: table(keysWant), need: true},
}}

var placeShape = &shape{name: "placement", doc: "Puts a pose or a phrase into the motion.", exactlyOne: []string{"pose", "phrase"},
	forms: []form{{need: []string{"pose"}, also: []string{"ease"}}, {need: []string{"phrase"}, also: []string{"times", "stretch"}}}, fields: []field{
		{name: "pose", doc: "The pose to insert.", want: nameWant},
		{name: "phrase", doc: "The phrase to insert.", want: nameWant},
		{name: "at", doc: "When.", want: timeWant, need: true},
		{name: "times", doc: "How often in a row.", want: whole(1, maxTimes)},
		{name: "stretch", doc: "Factor on the phrase's times.", want: number(plain, 1e-3, 1e3)},
		{name: "scale", doc: "Factor on the way from rest, for all or by axis.", want: anyOf(number(plain, -1e3, 1e3), table(number(plain, -1e3, 1e3)))},
		{name: "mirror", doc: "Mirror about rest and swap pairs.", want: flagWant},
		{name: "ease", doc: "How the axes arrive at the pose.", want: easeWant},
		{name: "locked", doc: "Retiming keeps this placement's time.", want: flagWant},
		{name: "slack", doc: "How much later all of this may happen, where that spares a supply.", want: durationWant},
	}}

var seedWant = whole(0, 1<<53)

var swingFields = []field{
	{name: "amount", doc: "Greatest way to either side.", want: valueWant, need: true},
	{name: "rate", doc: "Changes a second.", want: number(hertz, 1e-4, maxRate), need: true},
	{name: "seed", doc: "Another seed, another motion.", want: seedWant},
}

var wiggleShape = &shape{name: "wiggle", doc: "A smooth, seeded sway from side to side.", fields: swingFields}
var noiseShape = &shape{name: "noise", doc: "Smooth, seeded noise.", fields: swingFields}

var sineShape = &shape{name: "sine", doc: "amount x sin(2 pi rate t + phase).", fields: []field{
	{name: "amount", doc: "Amplitude.", want: valueWant, need: true},
	{name: "rate", doc: "Frequency.", want: number(hertz, 1e-4, maxRate), need: true},
	{name: "phase", doc: "Phase at time 0.", want: number(angle, -maxAngle, maxAngle)},
}}

var envelopeShape = &shape{name: "envelope", doc: "Follows the loudness of a WAV file.", fields: []field{
	{name: "of", doc: "The WAV file.", want: pathWant, need: true},
	{name: "low", doc: "Value in silence.", want: valueWant},
	{name: "high", doc: "Value at the loudest.", want: valueWant, need: true},
	{name: "attack", doc: "Time constant of the rise.", want: number(seconds, 0, 10)},
	{name: "release", doc: "Time constant of the fall.", want: number(seconds, 0, 10)},
}}

var addShape = &shape{name: "add", doc: "What the layer adds.", exactlyOne: []string{"wiggle", "noise", "sine", "envelope"}, fields: []field{
	{name: "wiggle", doc: wiggleShape.doc, want: object(wiggleShape)},
	{name: "noise", doc: noiseShape.doc, want: object(noiseShape)},
	{name: "sine", doc: sineShape.doc, want: object(sineShape)},
	{name: "envelope", doc: envelopeShape.doc, want: object(envelopeShape)},
}}

var layerShape = &shape{name: "layer", doc: "Motion added to an axis or control.", fields: []field{
	{name: "axis", doc: "The axis or control.", want: nameWant, need: true},
	{name: "add", doc: "What is added.", want: object(addShape), need: true},
	{name: "from", doc: "Start; default 0.", want: timeWant},
	{name: "to", doc: "End; default the length.", want: timeWant},
	{name: "fade", doc: "Smooth start and end, inside the span.", want: durationWant},
}}

var quietShape = &shape{name: "quiet window", doc: "A span in which axes must be slow.", fields: []field{
	{name: "from", doc: "Start.", want: timeWant, need: true},
	{name: "to", doc: "End.", want: timeWant, need: true},
	{name: "speed", doc: "Greatest speed of any axis.", want: want{kind: wantNumber, dims: []dim{angleSpeed, lengthSpeed}, lo: 0, hi: maxSpeed}},
	{name: "release", doc: "Axes that may be let go.", want: list(nameWant)},
}}

var cueShape = &shape{name: "cue", doc: "Something that happens at a time.", fields: []field{
	{name: "at", doc: "When.", want: timeWant, need: true},
	{name: "set", doc: "Values for axes without a track.", want: table(valueWant)},
	{name: "say", doc: "A message to the crew.", want: textWant},
	{name: "locked", doc: "Retiming keeps this cue's time.", want: flagWant},
}}

var motionShape = &shape{name: "motion", doc: "One choreography script: keys on tracks, over time.", fields: []field{
	{name: "motion", doc: "Name of the motion.", want: textWant, need: true},
	{name: "format", doc: "Version of this file format.", want: formatWant, need: true},
	{name: "rig", doc: "The rig file, relative to this file.", want: pathWant, need: true},
	{name: "fps", doc: "Film frames a second.", want: rateWant},
	{name: "tempo", doc: "Beats a minute, or changes of it.", want: anyOf(number(plain, 1, 1000), list(object(tempoShape)))},
	{name: "length", doc: "When it ends; default: the last key.", want: timeWant},
	{name: "loop", doc: "The end must join the start.", want: flagWant},
	{name: "audio", doc: "The sound, a WAV file.", want: pathWant},
	{name: "marks", doc: "Named times.", want: table(anyOf(timeWant, object(markShape)))},
	{name: "poses", doc: "Named sets of values.", want: table(table(valueWant))},
	{name: "phrases", doc: "Reusable bits of motion.", want: table(object(phraseShape))},
	{name: "tracks", doc: "Keys by axis or control.", want: table(keysWant)},
	{name: "place", doc: "Where poses and phrases go.", want: list(object(placeShape))},
	{name: "layers", doc: "Motion added to the tracks.", want: list(object(layerShape))},
	{name: "quiet", doc: "Spans of silence.", want: list(object(quietShape))},
	{name: "cues", doc: "Outputs and messages at times.", want: list(object(cueShape))},
	{name: "pace", doc: "Map from performance time to script time: knots, or a CSV file.", want: anyOf(pathWant, list(row(3, number(seconds, 0, maxTime), number(seconds, 0, maxTime), number(plain, 0, 1e6))))},
}}

var triggerShape = &shape{name: "trigger", doc: "An input that starts a motion.", fields: []field{
	{name: "input", doc: "Number of the board's input.", want: whole(0, 1023), need: true},
	{name: "board", doc: "The board; needed where more than one has inputs.", want: nameWant},
	{name: "edge", doc: "Which change counts.", want: choice("rising", "falling")},
	{name: "warm_up", doc: "Time after power-up in which it is ignored.", want: number(seconds, 0, maxTime)},
	{name: "lockout", doc: "Time after a start in which it is ignored.", want: number(seconds, 0, maxTime)},
	{name: "while_busy", doc: "What happens while another motion plays.", want: choice("wait", "drop", "interrupt")},
}}

var showMotionShape = &shape{name: "show motion", doc: "A motion of a show, and what starts it.", fields: []field{
	{name: "file", doc: "The motion file, relative to this file.", want: pathWant, need: true},
	{name: "loop", doc: "Play it over and over.", want: flagWant},
	{name: "trigger", doc: "An input that starts it.", want: object(triggerShape)},
	{name: "every", doc: "Start it at random intervals between these two.", want: row(2, number(seconds, 0, maxTime), number(seconds, 0, maxTime))},
	{name: "seed", doc: "Another seed, other intervals.", want: seedWant},
	{name: "after", doc: "Start it when this motion has ended, or one of these.", want: anyOf(nameWant, want{kind: wantList, elem: &nameWant, need: 1})},
	{name: "while_busy", doc: "What happens while another motion plays.", want: choice("wait", "drop", "interrupt")},
}}

var startShape = &shape{name: "start", doc: "What a board does at power-up.", fields: []field{
	{name: "play", doc: "The motion to play.", want: nameWant, need: true},
}}

var hoursShape = &shape{name: "hours", doc: "Hours of the day in which the show runs.", fields: []field{
	{name: "from", doc: "Start of the day.", want: number(seconds, 0, 86400), need: true},
	{name: "to", doc: "End of the day.", want: number(seconds, 0, 86400), need: true},
}}

var showShape = &shape{name: "show", doc: "Several motions with triggers, exported together.", fields: []field{
	{name: "show", doc: "Name of the show.", want: textWant, need: true},
	{name: "format", doc: "Version of this file format.", want: formatWant, need: true},
	{name: "rig", doc: "The rig file, relative to this file.", want: pathWant, need: true},
	{name: "start", doc: startShape.doc, want: object(startShape)},
	{name: "motions", doc: "The motions by name.", want: table(object(showMotionShape)), need: true},
	{name: "join", doc: "Longest time for the way between two motions.", want: number(seconds, 0, 60)},
	{name: "hours", doc: hoursShape.doc, want: object(hoursShape)},
}}
