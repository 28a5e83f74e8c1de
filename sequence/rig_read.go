package sequence

import (
	"fmt"
	"math"
	"strings"

	"gopkg.in/yaml.v3"

	"limberjack/interp/linkage"
)

// rigReader holds what the parts of a rig refer to by name.
type rigReader struct {
	*decoder
	rig      *Rig
	supplies index[*Supply]
	boards   index[*Board]
	servos   index[*ServoSheet]
	axes     index[*Axis]
	controls map[string]*Control
}

func (d *decoder) readRig(doc *yaml.Node) *Rig {
	f := d.open(doc, rigShape, "the rig")
	r := &rigReader{decoder: d,
		rig:      &Rig{Name: f.text("rig"), File: d.file, At: f.at, lost: map[string]bool{}},
		supplies: newIndex[*Supply](), boards: newIndex[*Board](), servos: newIndex[*ServoSheet](),
		axes: newIndex[*Axis](), controls: map[string]*Control{}}
	f.whole("format")
	r.readSupplies(f)
	r.readBoards(f)
	r.readServos(f)
	r.readAxes(f)
	r.readControls(f)
	r.readPairs(f.node("pairs"))
	r.readNever(f.node("never"))
	r.readSound(f.node("sound"))
	r.readJoints(f)
	r.channelsOnce()
	return r.rig
}

func (r *rigReader) readSupplies(f *fields) {
	list, partial := f.section("supplies")
	r.supplies.partial = partial
	for _, e := range list {
		s := r.supply(e)
		r.supplies.known[e.name] = s
		r.rig.Supplies = append(r.rig.Supplies, s)
	}
}

func (r *rigReader) readBoards(f *fields) {
	list, partial := f.section("boards")
	r.boards.partial = partial
	for _, e := range list {
		before := r.report.total
		b := r.board(e)
		b.doubtful = r.report.total > before
		r.boards.known[e.name] = b
		r.rig.Boards = append(r.rig.Boards, b)
	}
}

func (r *rigReader) readServos(f *fields) {
	list, partial := f.section("servos")
	r.servos.partial = partial
	for _, e := range list {
		r.goodName(e, "servo")
		r.servos.known[e.name] = r.servoSheet(e.value, "servo "+e.name, e.name)
	}
}

// readAxes reads the axes. What is wrong with an axis is said once, at its
// place: what depends on it is then read with leniency.
func (r *rigReader) readAxes(f *fields) {
	list, partial := f.section("axes")
	r.axes.partial, r.rig.partial = partial, partial
	for _, e := range list {
		before := r.report.total
		a := r.axis(e)
		if a == nil {
			r.axes.lost[e.name], r.rig.lost[e.name] = true, true
			continue
		}
		a.doubtful = r.report.total > before
		r.axes.known[e.name] = a
		r.rig.Axes = append(r.rig.Axes, a)
	}
}

const maxName = 64

// goodName refuses names that the time and file notations could not tell apart.
func (d *decoder) goodName(e entry, noun string) {
	s := e.name
	bad := s == "" || len(s) > maxName || strings.ContainsAny(s, " \t\r\n,:;#\"'/\\+") || s[0] == '-'
	for _, c := range s {
		bad = bad || c < ' '
	}
	switch {
	case bad:
		d.bad(e.key, "use letters, digits and hyphens, as in head-pan", "%q cannot be the name of %s %s", s, article(noun), noun)
	case e.key.Tag != "!!str":
		d.bad(e.key, "begin it with a letter, as in head-pan", "%q cannot be the name of %s %s: YAML reads it as something else than a word", s, article(noun), noun)
	case (noun == "axis" || noun == "control") && (s == "time" || strings.Contains(s, ".")):
		d.bad(e.key, "use letters, digits and hyphens, as in head-pan", "%q cannot be the name of %s %s: tables of samples use it", s, article(noun), noun)
	}
}

func article(noun string) string {
	if strings.ContainsRune("aeiou", rune(noun[0])) {
		return "an"
	}
	return "a"
}

func (r *rigReader) supply(e entry) *Supply {
	r.goodName(e, "supply")
	f := r.open(e.value, supplyShape, "supply "+e.name)
	s := &Supply{Name: e.name, At: r.at(e.key), Voltage: f.num("voltage"), Limit: f.num("limit"),
		Resistance: f.num("resistance"), Brownout: f.num("brownout"), Capacity: f.num("capacity")}
	if s.Brownout.Given() && s.Voltage.Given() && s.Brownout.V >= s.Voltage.V {
		r.report.add(s.Brownout.At, "give the voltage at which the board resets, below "+s.Voltage.Text,
			"supply %s browns out at %s, but delivers only %s", e.name, s.Brownout.Text, s.Voltage.Text)
	}
	return s
}

func (r *rigReader) board(e entry) *Board {
	r.goodName(e, "board")
	f := r.open(e.value, boardShape, "board "+e.name)
	b := &Board{Name: e.name, At: r.at(e.key), Rate: f.num("rate"), Tick: f.num("tick"), Channels: f.whole("channels"),
		Baud: f.num("baud"), Clock: f.num("clock"), Oscillator: f.num("oscillator"), Together: f.choice("pulses") == 1}
	for _, in := range r.entries(f.node("inputs"), "inputs of board "+e.name) {
		input := r.input(in, e.name)
		if b.hasInput(input.Number) {
			r.bad(in.key, "keep one of them", "input %d of board %s is declared twice", input.Number, e.name)
			continue
		}
		b.Inputs = append(b.Inputs, input)
	}
	return b
}

func (r *rigReader) input(e entry, board string) Input {
	what := fmt.Sprintf("input %s of board %s", e.name, board)
	f := r.open(e.value, inputShape, what)
	in := Input{At: r.at(e.key), ActiveLow: f.choice("active") == 0, Debounce: f.num("debounce"), Stop: f.flag("stop")}
	number := r.number(e.key, what, plain, 0, 1023)
	if number.Given() && number.V != math.Trunc(number.V) {
		r.bad(e.key, "use the input's number, as in 1", "%s must be a whole number", what)
	}
	in.Number = int(number.V)
	return in
}

// speedDim tells whether a speed is written for a linear or a rotary axis.
func speedDim(f *fields, name string) dim {
	if n := f.node(name); n != nil && n.Kind == yaml.ScalarNode {
		if _, unit, err := parseNumber(n.Value); err == nil && unit != "" {
			if _, err = convert(n.Value, lengthSpeed); err == nil {
				return lengthSpeed
			}
		}
	}
	return angleSpeed
}

func (r *rigReader) servoSheet(n *yaml.Node, what, name string) *ServoSheet {
	f := r.open(n, servoShape, what)
	way := speedDim(f, "speed")
	s := &ServoSheet{Name: name, At: f.at, Voltage: f.num("at"), Speed: f.numOf("speed", way), linear: way == lengthSpeed,
		StallTorque: f.num("stall_torque"), StallCurrent: f.num("stall_current"), NoLoadCurrent: f.num("no_load_current"),
		IdleCurrent: f.num("idle_current"), DeadBand: f.num("dead_band")}
	r.currentsAscend(s.IdleCurrent, s.NoLoadCurrent, what, "idle_current", "no_load_current")
	r.currentsAscend(s.NoLoadCurrent, s.StallCurrent, what, "no_load_current", "stall_current")
	return s
}

func (r *rigReader) currentsAscend(low, high Num, what, lowName, highName string) {
	if low.Given() && high.Given() && low.V >= high.V {
		r.report.add(low.At, "check which is which on the data sheet", "%s of %s is %s, not below its %s of %s", lowName, what, low.Text, highName, high.Text)
	}
}

// axisUnit decides the unit of an axis: by its kind, and for those that may be
// rotary or linear by the unit in which its travel or calibration is written.
func axisUnit(kind Kind, f *fields) string {
	switch kind {
	case ContinuousServo, Motor, Dimmer:
		return "%"
	case Switch:
		return ""
	}
	if f.has("lead") || f.d.writtenIn(f.node("travel"), length, 2) || f.d.writtenIn(f.node("pulse"), length, 2) {
		return "mm"
	}
	return "deg"
}

// writtenIn reports whether one of the first values of a list, or of the lists
// in it, has a unit of a dimension.
func (d *decoder) writtenIn(n *yaml.Node, dm dim, depth int) bool {
	if n = d.resolve(n); n == nil {
		return false
	}
	if n.Kind == yaml.ScalarNode {
		_, unit, err := parseNumber(n.Value)
		if err != nil {
			return false
		}
		for _, u := range units[unit] {
			if u.dim == dm {
				return true
			}
		}
		return false
	}
	if n.Kind != yaml.SequenceNode || depth == 0 {
		return false
	}
	// The pulses of a calibration are times, so a length can only be a value.
	for _, c := range n.Content[:min(2, len(n.Content))] {
		if d.writtenIn(c, dm, depth-1) {
			return true
		}
	}
	return false
}

func (r *rigReader) axis(e entry) *Axis {
	r.goodName(e, "axis")
	what := "axis " + e.name
	before := r.report.total
	f := r.open(e.value, axisShape, what)
	kind := f.choice("kind")
	if kind < 0 {
		return nil
	}
	a := &Axis{Name: e.name, At: r.at(e.key), Kind: Kind(kind), Unit: axisUnit(Kind(kind), f)}
	r.keysOfKind(f, a)
	r.keysNeeded(f, a)
	r.wiring(f, a)
	r.sheets(f, a)
	r.travel(f, a)
	r.linkage(f, a)
	r.calibration(f, a)
	a.doubtful = r.report.total > before
	r.rest(f, a)
	r.stepperLines(f, a)
	r.limits(f, a)
	r.load(f, a)
	r.electric(f, a)
	a.Lost = r.lost(f, a)
	return a
}

// keysOfKind refuses keys that belong to another kind of axis.
func (r *rigReader) keysOfKind(f *fields, a *Axis) {
	for _, fd := range axisShape.fields {
		if fd.kinds == nil || !f.has(fd.name) || hasKind(fd.kinds, a.Kind) {
			continue
		}
		names := make([]string, len(fd.kinds))
		for i, k := range fd.kinds {
			names[i] = k.String()
		}
		r.report.add(f.keyAt(fd.name), "leave it out", "%q belongs to a %s; %s is a %s", fd.name, joinOr(names), a.Name, a.Kind)
		f.drop(fd.name)
	}
}

// keysNeeded asks for the keys that this kind of axis cannot do without.
func (r *rigReader) keysNeeded(f *fields, a *Axis) {
	for _, fd := range axisShape.fields {
		if hasKind(fd.needOf, a.Kind) && !f.has(fd.name) && !f.excused(fd.name) {
			r.report.add(f.at, fd.hint, "%s has no %s, and a %s needs it", f.what, fd.name, a.Kind)
		}
	}
}

func hasKind(list []Kind, k Kind) bool {
	for _, x := range list {
		if x == k {
			return true
		}
	}
	return false
}

func (r *rigReader) wiring(f *fields, a *Axis) {
	if n := f.node("board"); n != nil {
		a.Board, _ = lookup(r.decoder, n, f.label("board"), "board", r.boards)
	}
	if n := f.node("supply"); n != nil {
		a.Supply, _ = lookup(r.decoder, n, f.label("supply"), "supply", r.supplies)
	}
	a.Channel = f.whole("channel")
	if b := a.Board; b != nil && a.Channel.Given() && b.Channels.Given() && a.Channel.V >= b.Channels.V {
		r.report.add(a.Channel.At, fmt.Sprintf("its channels are 0 to %d", int(b.Channels.V)-1),
			"%s: board %s has no channel %d", f.what, b.Name, int(a.Channel.V))
	}
	if f.has("wire") {
		w := r.open(f.node("wire"), wireShape, "wire of "+f.what)
		a.Wire = &Wire{Length: w.num("length"), Area: w.num("gauge")}
	}
}

func (r *rigReader) sheets(f *fields, a *Axis) {
	if n := f.node("servo"); n != nil {
		if n.Kind == yaml.MappingNode {
			a.Servo = r.servoSheet(n, "servo of "+f.what, "")
		} else {
			a.Servo, _ = lookup(r.decoder, n, f.label("servo"), "servo", r.servos)
		}
		if s := a.Servo; a.Kind == Servo && s != nil && s.Speed.Given() && s.linear != (a.Unit == "mm") {
			r.bad(n, "give the speed in the unit of the travel", "%s moves in %s, but its servo's speed is %s", a.Name, a.Unit, s.Speed.Text)
		}
	}
	if f.has("motor") {
		m := r.open(f.node("motor"), motorShape, "motor of "+f.what)
		a.Motor = &MotorSheet{At: m.at, Voltage: m.num("at"), Speed: m.num("speed"), StallTorque: m.num("stall_torque"),
			StallCurrent: m.num("stall_current"), NoLoadCurrent: m.num("no_load_current")}
		r.currentsAscend(a.Motor.NoLoadCurrent, a.Motor.StallCurrent, "motor of "+f.what, "no_load_current", "stall_current")
	}
}

func (r *rigReader) travel(f *fields, a *Axis) {
	n := f.node("travel")
	if n == nil {
		return
	}
	low, high, ok := r.interval(n, f.label("travel"), func(v *yaml.Node, what string) Num {
		return r.value(v, what, a.Unit, a.Kind == Switch, nil)
	})
	if !ok {
		return
	}
	if kindLow, kindHigh, bounded := a.Bounds(); bounded && (low.V < kindLow || high.V > kindHigh) {
		r.bad(n, fmt.Sprintf("a %s has values from %s to %s", a.Kind, FormatValue(kindLow, a.Unit), FormatValue(kindHigh, a.Unit)),
			"travel of %s goes beyond what a %s can do", a.Name, a.Kind)
		return
	}
	a.Travel = [2]Num{low, high}
}

// interval reads a list of two values, the lower first.
func (r *rigReader) interval(n *yaml.Node, what string, read func(*yaml.Node, string) Num) (low, high Num, ok bool) {
	items := r.items(n, what)
	if items == nil {
		return
	}
	if len(items) != 2 {
		r.bad(n, commaHint(items, "write [lower, upper]"), "%s has %s where two belong", what, countOf(len(items), "value", "values"))
		return
	}
	low, high = read(items[0], what), read(items[1], what)
	if !low.Given() || !high.Given() {
		return low, high, false
	}
	if low.V >= high.V {
		r.bad(n, fmt.Sprintf("write [%s, %s]", high.Text, low.Text), "%s is upside down: %s is not below %s", what, low.Text, high.Text)
		return
	}
	return low, high, true
}

func (r *rigReader) linkage(f *fields, a *Axis) {
	if !f.has("linkage") {
		return
	}
	l := r.open(f.node("linkage"), linkageShape, "linkage of "+f.what)
	a.LinkAt = l.at
	var err error
	if l.has("table") {
		a.Linkage, err = r.linkTable(l)
	} else {
		a.Linkage, err = r.fourBar(l)
	}
	if err != nil {
		r.report.add(l.at, "", "%s: %v", l.what, err)
	}
	if a.Linkage == nil || !a.HasTravel() {
		return
	}
	_, _, low, high := a.Linkage.Range()
	if a.Travel[0].V < low-1e-9 || a.Travel[1].V > high+1e-9 {
		r.report.add(l.at, fmt.Sprintf("make the travel [%sdeg, %sdeg], or change the linkage",
			formatNumber(math.Max(a.Travel[0].V, math.Ceil(low*10)/10)), formatNumber(math.Min(a.Travel[1].V, math.Floor(high*10)/10))),
			"the linkage of %s moves the part from %s to %s only, but its travel is %s to %s", a.Name,
			FormatValue(low, "deg"), FormatValue(high, "deg"), a.Travel[0].Text, a.Travel[1].Text)
		a.Linkage = nil
	}
}

func (r *rigReader) fourBar(l *fields) (linkage.Linkage, error) {
	var v [4]Num
	whole := true
	for i, name := range []string{"base", "horn", "rod", "arm"} {
		v[i] = l.num(name)
		if !l.has(name) && !l.excused(name) {
			r.report.add(l.at, "give base, horn, rod and arm, or a table", "%s has no %q", l.what, name)
		}
		whole = whole && v[i].Given()
	}
	zero := l.num("zero")
	crossed := l.choice("branch") == 1
	if !whole {
		return nil, nil
	}
	return linkage.NewFourBar(v[0].V, v[1].V, v[2].V, v[3].V, zero.V, crossed)
}

func (r *rigReader) linkTable(l *fields) (linkage.Linkage, error) {
	for _, name := range []string{"base", "horn", "rod", "arm", "zero", "branch"} {
		if l.has(name) {
			r.report.add(l.keyAt(name), "leave it out", "%s has a table, so %q means nothing", l.what, name)
		}
	}
	var points [][2]float64
	rows := r.items(l.node("table"), l.label("table"))
	if rows == nil {
		return nil, nil
	}
	for _, n := range rows {
		pair := r.items(n, "a row of "+l.label("table"))
		if pair == nil {
			return nil, nil
		}
		if len(pair) != 2 {
			r.bad(n, commaHint(pair, "write [horn, part]"), "a row of %s has %s where two belong", l.label("table"), countOf(len(pair), "value", "values"))
			return nil, nil
		}
		h := r.number(pair[0], l.label("table"), angle, -maxAngle, maxAngle)
		p := r.number(pair[1], l.label("table"), angle, -maxAngle, maxAngle)
		if !h.Given() || !p.Given() {
			return nil, nil
		}
		points = append(points, [2]float64{h.V, p.V})
	}
	return linkage.NewTable(points)
}

func (r *rigReader) calibration(f *fields, a *Axis) {
	if !f.has("pulse") {
		if a.Kind == ContinuousServo {
			a.Pulse = []PulsePoint{{Num{V: -100}, Num{V: 1000}}, {Num{}, Num{V: 1500}}, {Num{V: 100}, Num{V: 2000}}}
		}
	} else {
		a.Pulse = r.pulsePoints(f, a)
	}
	a.Trim = f.num("trim")
	r.pulsesFit(f, a)
}

func (r *rigReader) pulsePoints(f *fields, a *Axis) []PulsePoint {
	n, what := f.node("pulse"), f.label("pulse")
	var points []PulsePoint
	items := r.items(n, what)
	if items == nil {
		return nil
	}
	for _, item := range items {
		pair := r.items(item, "a point of "+what)
		if pair == nil {
			return nil
		}
		if len(pair) != 2 {
			r.bad(item, commaHint(pair, "write [value, pulse], as in [0deg, 1500us]"), "a point of %s has %s where two belong", what, countOf(len(pair), "value", "values"))
			return nil
		}
		p := PulsePoint{r.value(pair[0], what, a.Unit, false, nil), r.number(pair[1], what, pulse, pulseWant.lo, pulseWant.hi)}
		if !p.Value.Given() || !p.Pulse.Given() {
			return nil
		}
		points = append(points, p)
	}
	if len(points) < 2 {
		r.bad(n, "measure one point near each end stop", "%s needs two or more points", what)
		return nil
	}
	if points[0].Value.V > points[len(points)-1].Value.V {
		for i, j := 0, len(points)-1; i < j; i, j = i+1, j-1 {
			points[i], points[j] = points[j], points[i]
		}
	}
	for i := 1; i < len(points); i++ {
		p, q := points[i-1], points[i]
		switch {
		case q.Value.V <= p.Value.V:
			r.report.add(q.Value.At, "list the points in order of value", "%s is not in order: %s comes after %s", what, q.Value.Text, p.Value.Text)
			return nil
		case q.Pulse.V == p.Pulse.V || (q.Pulse.V > p.Pulse.V) != (points[1].Pulse.V > points[0].Pulse.V):
			r.report.add(q.Pulse.At, "pulses must rise, or fall, all the way", "%s is not monotone: it turns at %s", what, q.Pulse.Text)
			return nil
		}
	}
	return points
}

func (r *rigReader) pulsesFit(f *fields, a *Axis) {
	if a.Board == nil || !a.Board.Rate.Given() || !a.Board.Tick.Given() {
		return
	}
	frame := 1e6 / a.Board.Rate.V
	most := math.Min(frame, 65535*a.Board.Tick.V)
	for _, p := range a.Pulse {
		if w := p.Pulse.V + a.Trim.V; w >= most || w < a.Board.Tick.V {
			at := p.Pulse.At
			if !at.Known() {
				at = f.at
			}
			r.report.add(at, fmt.Sprintf("pulses on board %s may be from %s us to %s us", a.Board.Name, formatNumber(a.Board.Tick.V), formatNumber(most)),
				"the pulse of %s us for %s does not fit a frame of board %s", formatNumber(w), a.Name, a.Board.Name)
			return
		}
	}
}

func (r *rigReader) rest(f *fields, a *Axis) {
	if n := f.node("rest"); n != nil {
		a.Rest = r.axisValue(n, f.label("rest"), a)
		return
	}
	if low, high, ok := a.Bounds(); ok {
		a.Rest.V = math.Max(low, math.Min(high, 0))
	}
}

func (r *rigReader) stepperLines(f *fields, a *Axis) {
	if a.Kind != Stepper {
		return
	}
	a.Steps, a.Microsteps = f.whole("steps"), f.whole("microsteps")
	a.Gear, a.Lead, a.PullIn = f.num("gear"), f.num("lead"), f.num("pull_in")
	if a.Unit == "mm" && !f.has("lead") && !f.excused("lead") {
		r.report.add(f.at, "add lead: 8mm with the travel a revolution of the motor", "%s is linear and has no lead", f.what)
	}
	if !f.has("home") {
		return
	}
	h := r.open(f.node("home"), homeShape, "home of "+f.what)
	home := &Home{At: h.at, Input: int(h.whole("input").V), Plus: h.choice("towards") == 1}
	home.Speed = r.rate(h, "speed", a, 0)
	if a.Board != nil && h.has("input") && !a.Board.doubtful && !a.Board.hasInput(home.Input) {
		r.bad(h.node("input"), "declare it under inputs of that board", "board %s has no input %d", a.Board.Name, home.Input)
	}
	a.Home = home
}

func (b *Board) hasInput(number int) bool {
	for _, in := range b.Inputs {
		if in.Number == number {
			return true
		}
	}
	return false
}

// stops reports whether an input asks for a controlled stop.
func (b *Board) stops(number int) bool {
	for _, in := range b.Inputs {
		if in.Number == number {
			return in.Stop
		}
	}
	return false
}

// StepsPerUnit gives the microsteps a unit of a stepper's value (degree or mm).
func (a *Axis) StepsPerUnit() float64 {
	micro, gear := 1.0, 1.0
	if a.Microsteps.Given() {
		micro = a.Microsteps.V
	}
	if a.Gear.Given() {
		gear = a.Gear.V
	}
	if a.Unit == "mm" {
		return a.Steps.V * micro * gear / a.Lead.V
	}
	return a.Steps.V * micro * gear / 360
}

// FullSteps gives the full steps a unit of a stepper's value.
func (a *Axis) FullSteps() float64 {
	if a.Microsteps.Given() {
		return a.StepsPerUnit() / a.Microsteps.V
	}
	return a.StepsPerUnit()
}

// rate reads the derivative of order+1 of an axis's value. A stepper's may be
// written in full steps.
func (r *rigReader) rate(f *fields, name string, a *Axis, order int) Num {
	n := f.node(name)
	if n == nil {
		return Num{}
	}
	want := f.want(name)
	if a.Kind == Stepper && a.Steps.Given() && order < 2 && strings.Contains(n.Value, "steps") {
		v := r.number(n, f.label(name), [2]dim{stepSpeed, stepAccel}[order], want.lo, want.hi)
		v.V /= a.FullSteps()
		return v
	}
	dm := rateDims(a.Unit)[order]
	for _, other := range want.dims {
		if _, err := convert(n.Value, other); a.doubtful && err == nil {
			dm = other
			break
		}
	}
	return r.number(n, f.label(name), dm, want.lo, want.hi)
}

func (r *rigReader) limits(f *fields, a *Axis) {
	if f.has("limits") {
		l := r.open(f.node("limits"), limitsShape, "limits of "+f.what)
		a.Limits = Limits{r.rate(l, "speed", a, 0), r.rate(l, "acceleration", a, 1), r.rate(l, "jerk", a, 2)}
		for _, v := range []Num{a.Limits.Speed, a.Limits.Acceleration, a.Limits.Jerk} {
			if v.Given() && v.V <= 0 {
				r.report.add(v.At, "leave it out for no limit", "%s: a limit of %s would allow no motion", l.what, v.Text)
			}
		}
	}
	if f.has("measured") {
		m := r.open(f.node("measured"), measuredShape, "measured of "+f.what)
		a.Measured.Speed = r.rate(m, "speed", a, 0)
		a.Measured.Delay = m.num("delay")
		if n := m.node("slop"); n != nil {
			a.Measured.Slop = r.amountValue(n, m.label("slop"), Target{Axis: a})
		}
	}
}

func (r *rigReader) load(f *fields, a *Axis) {
	if !f.has("load") {
		return
	}
	l := r.open(f.node("load"), loadShape, "load of "+f.what)
	a.Load = AxisLoad{At: l.at, Inertia: l.num("inertia"), Torque: l.num("torque"), Mass: l.num("mass"), Arm: l.num("arm"), GravityAt: l.num("gravity_at")}
	if l.has("mass") != l.has("arm") && !l.excused("mass") && !l.excused("arm") {
		r.report.add(l.at, "give both, as in {mass: 120g, arm: 35mm}", "%s: a mass needs its arm", l.what)
	}
}

func (r *rigReader) electric(f *fields, a *Axis) {
	a.ReverseDwell, a.Brake = f.num("reverse_dwell"), f.choice("stop") == 0
	a.Current, a.Gamma, a.Shortest = f.num("current"), f.num("gamma"), f.num("shortest")
	if !f.has("power") {
		return
	}
	p := f.num("power")
	switch {
	case f.has("current"):
		r.report.add(f.keyAt("power"), "keep one of them", "%s has both current and power", f.what)
	case f.has("supply") && (a.Supply == nil || !a.Supply.Voltage.Given()):
		// The supply's own mistake has been reported.
	case a.Supply == nil || a.Supply.Voltage.V <= 0:
		r.report.add(f.keyAt("power"), "name its supply, or give current", "%s has a power, but the voltage of its supply is not known", f.what)
	default:
		a.Current = Num{V: p.V / a.Supply.Voltage.V, At: p.At, Text: p.Text}
	}
}

func (r *rigReader) lost(f *fields, a *Axis) Lost {
	if i := f.choice("lost"); i >= 0 {
		return Lost(i)
	}
	if a.Load.CarriesWeight() {
		return LostHold
	}
	return LostRest
}

// channelsOnce refuses two uses of one output.
func (r *rigReader) channelsOnce() {
	type output struct {
		board   *Board
		channel int
	}
	first := map[output]*Axis{}
	for _, a := range r.rig.Axes {
		if a.Board == nil || !a.Channel.Given() {
			continue
		}
		o := output{a.Board, int(a.Channel.V)}
		if other, taken := first[o]; taken {
			r.report.add(a.Channel.At, "give each axis a channel of its own", "channel %d of board %s drives %s already (line %d)", o.channel, o.board.Name, other.Name, other.Channel.At.Line)
			continue
		}
		first[o] = a
	}
	if s := r.rig.Sound; s != nil && s.Board != nil && s.Channel.Given() {
		if other, taken := first[output{s.Board, int(s.Channel.V)}]; taken {
			r.report.add(s.Channel.At, "give the trigger a channel of its own", "channel %d of board %s drives %s already (line %d)", int(s.Channel.V), s.Board.Name, other.Name, other.Channel.At.Line)
		}
	}
}

func (r *rigReader) readPairs(n *yaml.Node) {
	paired := map[*Axis]bool{}
	for _, item := range r.items(n, "pairs") {
		names := r.items(item, "a pair")
		if names == nil {
			continue
		}
		if len(names) != 2 {
			r.bad(item, "write [lid-left, lid-right]", "a pair has %s where two belong", countOf(len(names), "axis", "axes"))
			continue
		}
		left, ok1 := lookup(r.decoder, names[0], "a pair", "axis", r.axes)
		right, ok2 := lookup(r.decoder, names[1], "a pair", "axis", r.axes)
		switch {
		case !ok1 || !ok2:
		case left == right:
			r.bad(item, "name the axis on the other side", "%s is paired with itself", left.Name)
		case left.Unit != right.Unit || left.Kind == Switch != (right.Kind == Switch):
			r.bad(item, "pair axes whose values are in one unit", "%s and %s cannot be swapped: one is in %s, the other in %s", left.Name, right.Name, unitNoun(left.Unit), unitNoun(right.Unit))
		case paired[left] || paired[right]:
			r.bad(item, "let each axis stand in one pair", "%s or %s is in another pair already", left.Name, right.Name)
		default:
			paired[left], paired[right] = true, true
			r.rig.Pairs = append(r.rig.Pairs, [2]*Axis{left, right})
		}
	}
}

func unitNoun(unit string) string {
	if unit == "" {
		return "on and off"
	}
	return unit
}

func (r *rigReader) readNever(n *yaml.Node) {
	for _, item := range r.items(n, "never") {
		before := r.report.total
		nv := Never{At: r.at(r.resolve(item))}
		for _, e := range r.entries(item, "a never combination") {
			if e.name == "why" {
				nv.Why, _ = r.scalar(e.value, "why", "text")
				continue
			}
			a, ok := r.axes.known[e.name]
			if !ok {
				if !r.axes.excused(e.name) {
					r.bad(e.key, r.nameHint(e.name, keysOf(r.axes.known), "axis"), "a never combination: there is no axis %q", e.name)
				}
				continue
			}
			low, high, ok := r.interval(e.value, "the range of "+e.name, func(v *yaml.Node, what string) Num { return r.axisValue(v, what, a) })
			if ok {
				nv.Sides = append(nv.Sides, Side{a, low.V, high.V})
			}
		}
		switch {
		case len(nv.Sides) > 0:
			r.rig.Never = append(r.rig.Never, nv)
		case r.report.total == before && r.resolve(item) != nil && !r.axes.partial && len(r.axes.lost) == 0:
			r.bad(item, "write for example {jaw: [20deg, 25deg], head-pan: [60deg, 70deg], why: …}", "a never combination names no axis")
		}
	}
}

func keysOf[T any](m map[string]T) []string {
	names := make([]string, 0, len(m))
	for name := range m {
		names = append(names, name)
	}
	return names
}

func (r *rigReader) readSound(n *yaml.Node) {
	if n == nil {
		return
	}
	f := r.open(n, soundShape, "sound")
	s := &SoundPlayer{At: f.at, Delay: f.num("delay")}
	if f.has("trigger") {
		t := r.open(f.node("trigger"), triggerOutShape, "trigger of sound")
		s.Channel, s.Pulse = t.whole("channel"), t.num("pulse")
		if b := t.node("board"); b != nil {
			s.Board, _ = lookup(r.decoder, b, t.label("board"), "board", r.boards)
		}
		if s.Board != nil && s.Channel.Given() && s.Board.Channels.Given() && s.Channel.V >= s.Board.Channels.V {
			r.report.add(s.Channel.At, fmt.Sprintf("its channels are 0 to %d", int(s.Board.Channels.V)-1), "trigger of sound: board %s has no channel %d", s.Board.Name, int(s.Channel.V))
		}
	}
	r.rig.Sound = s
}
