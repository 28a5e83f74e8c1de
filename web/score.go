package web

import (
	"encoding/json"
	"math"
	"path"
	"path/filepath"
	"slices"

	"limberjack/interp"
	"limberjack/interp/check"
	"limberjack/interp/drive"
	"limberjack/sequence"
	"limberjack/transport/plot"
)

// figure is a number in JSON. What JSON cannot write, an infinity, becomes null.
type figure float64

// MarshalJSON writes the shortest decimal that reads back as the same number.
func (f figure) MarshalJSON() ([]byte, error) {
	v := float64(f)
	if math.IsInf(v, 0) || math.IsNaN(v) {
		return []byte("null"), nil
	}
	return json.Marshal(v)
}

// Score is a motion as it is drawn. Times are in seconds of performance time, values
// in the units of their rows.
type Score struct {
	Name      string       `json:"name"`
	Title     string       `json:"title"`
	File      string       `json:"file"`
	Rig       string       `json:"rig"`
	Revision  string       `json:"revision"`
	Length    figure       `json:"length"`
	Loop      bool         `json:"loop"`
	FPS       *FPS         `json:"fps"`
	Tempo     []TempoPoint `json:"tempo"`
	BoardRate figure       `json:"boardRate"` // Hz, of the fastest board
	Rows      []Row        `json:"rows"`
	Controls  []Control    `json:"controls"` // all of the rig
	Marks     []Mark       `json:"marks"`
	Cues      []Cue        `json:"cues"`
	Quiet     []Quiet      `json:"quiet"`
	Layers    []Layer      `json:"layers"`
	Supplies  []Supply     `json:"supplies"`
	Findings  []Finding    `json:"findings"`
	Joints    []Joint      `json:"joints"`
	Sound     *Sound       `json:"sound"`

	Poses      []Pose      `json:"poses"`
	Placements []Placement `json:"placements"`
	Paced      bool        `json:"paced"` // performance time is not script time
}

// FPS is the rate of the film.
type FPS struct {
	Rate  figure `json:"rate"`  // frames a second, exact
	Count int    `json:"count"` // frames that timecode counts to a second
	Drop  bool   `json:"drop"`  // drop-frame labels are usual at this rate
}

// Row is the stave of an axis or a control.
type Row struct {
	Kind      string     `json:"kind"` // axis or control
	Name      string     `json:"name"`
	Unit      string     `json:"unit"` // deg, mm, %, or on for a switch
	Low       figure     `json:"low"`  // of all that the row shows
	High      figure     `json:"high"`
	Travel    *[2]figure `json:"travel"`
	Rest      figure     `json:"rest"`
	Actuator  string     `json:"actuator"`
	Board     string     `json:"board"`
	Channel   int        `json:"channel"`
	Supply    string     `json:"supply"`
	Limits    Limits     `json:"limits"`
	Area      bool       `json:"area"`
	Keys      []Key      `json:"keys"`
	Commanded int        `json:"commanded"` // index of a curve
	Predicted int        `json:"predicted"` // likewise; -1: none
}

// Limits are those of an axis at its horn; nil where there is none.
type Limits struct {
	Speed        *figure `json:"speed"`
	Acceleration *figure `json:"acceleration"`
	Jerk         *figure `json:"jerk"`
}

// Key is a key on its track.
type Key struct {
	At     figure `json:"at"`
	To     figure `json:"to"`
	Ease   string `json:"ease"`
	Head   string `json:"head"`
	Line   int    `json:"line"`
	Locked bool   `json:"locked"`

	Address *sequence.KeyAt `json:"address"` // by which changes name it; nil with From
	From    *From           `json:"from"`    // the placement that put it in; nil for a key of the track itself
}

// From is the placement of a pose or a phrase.
type From struct {
	Kind  string `json:"kind"` // pose or phrase
	Name  string `json:"name"`
	Index int    `json:"index"` // by which changes name it
	Line  int    `json:"line"`
}

// Pose is a named set of values.
type Pose struct {
	Name   string            `json:"name"`
	Values map[string]figure `json:"values"`
	Line   int               `json:"line"`
}

// Placement is a pose or a phrase that is placed.
type Placement struct {
	From
	At     figure `json:"at"`
	Locked bool   `json:"locked"`
}

// Mark is a named time.
type Mark struct {
	Name   string `json:"name"`
	At     figure `json:"at"`
	Locked bool   `json:"locked"`
	Line   int    `json:"line"`
}

// Cue is something that happens at a time.
type Cue struct {
	At   figure   `json:"at"`
	Say  string   `json:"say"`
	Set  []CueSet `json:"set"`
	Line int      `json:"line"`

	Index int `json:"index"` // by which changes name it
}

// CueSet gives an axis a value.
type CueSet struct {
	Axis  string `json:"axis"`
	Value figure `json:"value"`
}

// Quiet is a span in which axes are slow.
type Quiet struct {
	From    figure   `json:"from"`
	To      figure   `json:"to"`
	Speed   *figure  `json:"speed"` // deg/s, or mm/s for linear axes
	Release []string `json:"release"`
}

// Layer is motion that is added to a row.
type Layer struct {
	Row  int    `json:"row"`
	From figure `json:"from"`
	To   figure `json:"to"`
	What string `json:"what"`

	Index int `json:"index"` // by which changes name it
}

// Supply is a source of power, with its curves.
type Supply struct {
	Name     string  `json:"name"`
	Limit    *figure `json:"limit"`   // A
	Voltage  figure  `json:"voltage"` // V without load
	Brownout *figure `json:"brownout"`
	Current  int     `json:"current"` // index of the curve of the greatest current since the sample before, A
	Volts    int     `json:"volts"`   // of the least voltage since then, V
	Peak     *Peak   `json:"peak"`
}

// Peak is the greatest current of a supply.
type Peak struct {
	At   figure `json:"at"`
	Amps figure `json:"amps"`
	Text string `json:"text"` // who draws it
}

// Finding is what the check has to say. Those with a place in time come first,
// numbered as on the cue sheet.
type Finding struct {
	Number   int    `json:"number"`
	Severity string `json:"severity"`
	Rule     string `json:"rule"`
	Row      int    `json:"row"`
	Supply   int    `json:"supply"`
	From     figure `json:"from"`
	To       figure `json:"to"`
	Text     string `json:"text"`
	Remedy   string `json:"remedy"`
	File     string `json:"file"`
	Line     int    `json:"line"`
}

// Joint is one solid of the picture; parents come before their children.
type Joint struct {
	Name   string     `json:"name"`
	Parent int        `json:"parent"`
	At     [3]float64 `json:"at"` // mm
	Turns  *Turn      `json:"turns"`
	Slides *Slide     `json:"slides"`
	Solid  Solid      `json:"solid"`
}

// Turn ties a joint to a row: a turn about a direction.
type Turn struct {
	About [3]float64 `json:"about"`
	Row   int        `json:"row"`
}

// Slide ties a joint to a row: a way along a direction.
type Slide struct {
	Along [3]float64 `json:"along"`
	Row   int        `json:"row"`
}

// Solid is the shape of a joint, in mm: a sphere's radius, a box's three edges, a
// cylinder's radius and height.
type Solid struct {
	Shape string    `json:"shape"`
	Size  []float64 `json:"size"`
}

// Sound is the motion's sound, which plays from performance time 0.
type Sound struct {
	File   string `json:"file"`
	Length figure `json:"length"` // s
	Delay  figure `json:"delay"`  // s, that the rig's player takes to begin
}

// scoring makes the score of a performance.
type scoring struct {
	perf   *interp.Performance
	rows   map[string]int // by the name of the axis or control
	layout layout
	out    *Score
}

// scoreOf gives the score of a motion of a name, without its revision.
func scoreOf(name string, loops bool, p *interp.Performance, tr *drive.Trace, r *check.Report, l layout) *Score {
	script := p.Script
	s := &scoring{perf: p, rows: map[string]int{}, layout: l, out: &Score{Name: name, Title: script.Name, File: script.File, Rig: p.Rig.Name,
		Length: figure(p.Length), Loop: script.Loop || loops, Tempo: tempoOf(p), Marks: []Mark{}, Quiet: []Quiet{}, Layers: []Layer{}, Joints: []Joint{}}}
	if f := script.FPS; f.Given() {
		s.out.FPS = &FPS{figure(f.Rate()), int(max(1, f.Nominal)), f.DropFrame()}
		if f.Nominal == 0 {
			s.out.FPS.Count = max(1, int(math.Round(f.Rate())))
		}
	}
	for _, b := range p.Rig.Boards {
		s.out.BoardRate = max(s.out.BoardRate, figure(b.Rate.V))
	}
	s.giveRows()
	s.giveControls()
	s.giveMoments()
	s.giveLayers()
	s.givePlacements()
	s.giveSupplies(tr)
	s.giveFindings(r)
	s.giveJoints()
	if a := script.Audio; a != nil && a.Level != nil {
		s.out.Sound = &Sound{File: path.Base(filepath.ToSlash(a.File)), Length: figure(a.Level.Info.Duration)}
		if p.Rig.Sound != nil {
			s.out.Sound.Delay = figure(p.Rig.Sound.Delay.V)
		}
	}
	return s.out
}

// at gives the performance time of a script time.
func (s *scoring) at(script float64) figure { return figure(s.perf.PerformanceTime(script)) }

func (s *scoring) giveRows() {
	keys := map[sequence.Target][]sequence.Key{}
	for _, t := range s.perf.Script.Merged {
		keys[t.Target] = t.Keys
	}
	s.out.Rows = []Row{}
	for i, a := range s.perf.Axes {
		s.rows[a.Spec.Name] = len(s.out.Rows)
		row := s.axisRow(a, keys[sequence.Target{Axis: a.Spec}])
		row.Commanded, row.Predicted = s.layout.commanded[i], s.layout.predicted[i]
		s.out.Rows = append(s.out.Rows, row)
	}
	for i, c := range s.perf.Controls {
		if s.layout.controls[i] < 0 {
			continue
		}
		s.rows[c.Spec.Name] = len(s.out.Rows)
		row := s.controlRow(c, keys[sequence.Target{Control: c.Spec}])
		row.Commanded, row.Predicted = s.layout.controls[i], -1
		s.out.Rows = append(s.out.Rows, row)
	}
}

func (s *scoring) axisRow(a *interp.Axis, keys []sequence.Key) Row {
	spec := a.Spec
	row := Row{Kind: "axis", Name: spec.Name, Unit: unitName(spec.Unit), Rest: figure(spec.Rest.V), Actuator: spec.Kind.String(),
		Channel: int(spec.Channel.V), Limits: limitsOf(spec.HornLimits()), Area: plot.Shaded(spec.Kind), Keys: s.keysOf(sequence.Target{Axis: spec}, keys)}
	if spec.Board != nil {
		row.Board = spec.Board.Name
	}
	if spec.Supply != nil {
		row.Supply = spec.Supply.Name
	}
	if spec.HasTravel() {
		row.Travel = &[2]figure{figure(spec.Travel[0].V), figure(spec.Travel[1].V)}
	}
	lo, hi, _ := plot.RangeOf(a.Part)
	lines, _ := plot.AxisLines(spec, lo, hi)
	row.reach(lines, lo, hi)
	return row
}

func (s *scoring) controlRow(c *interp.Control, keys []sequence.Key) Row {
	row := Row{Kind: "control", Name: c.Spec.Name, Unit: unitName(c.Spec.Unit), Limits: limitsOf(c.Spec.ControlLimits()), Keys: s.keysOf(sequence.Target{Control: c.Spec}, keys)}
	lo, hi, _ := plot.RangeOf(c.Curve)
	row.reach(plot.ControlLines(lo, hi), lo, hi)
	return row
}

// reach sets what the row shows: its lines, and the curve where that goes beyond.
func (r *Row) reach(lines [2]float64, lo, hi float64) {
	r.Low, r.High = figure(math.Min(lines[0], lo)), figure(math.Max(lines[1], hi))
}

func unitName(unit string) string {
	if unit == "" {
		return "on"
	}
	return unit
}

func limitsOf(l sequence.AxisLimits) Limits {
	known := func(f sequence.Figure) *figure {
		if !f.Known() {
			return nil
		}
		v := figure(f.V)
		return &v
	}
	return Limits{known(l.Speed), known(l.Acceleration), known(l.Jerk)}
}

func given(n sequence.Num) *figure {
	if !n.Given() {
		return nil
	}
	v := figure(n.V)
	return &v
}

func (s *scoring) keysOf(target sequence.Target, keys []sequence.Key) []Key {
	out := make([]Key, 0, len(keys))
	for i, k := range keys {
		t, ease := k.Time, ""
		switch {
		case k.Soonest:
			t, ease = k.Arrive, "soonest"
		case k.Ease != nil && i > 0:
			ease = k.Ease.String()
		}
		out = append(out, Key{At: s.at(t), To: figure(k.Value), Ease: ease, Head: plot.HeadOf(k, i == 0).String(), Line: k.At.Line, Locked: k.Locked})
		last := &out[len(out)-1]
		if k.Place == nil {
			last.Address = &sequence.KeyAt{Track: target.Name(), Index: k.Index}
		} else {
			from := fromOf(k.Place)
			last.From = &from
		}
	}
	return out
}

func fromOf(p *sequence.Place) From {
	if p.Pose != nil {
		return From{"pose", p.Pose.Name, p.Index, p.At.Line}
	}
	return From{"phrase", p.Phrase.Name, p.Index, p.At.Line}
}

// givePlacements gives the poses and what is placed.
func (s *scoring) givePlacements() {
	s.out.Poses, s.out.Placements = []Pose{}, []Placement{}
	for _, p := range s.perf.Script.Poses {
		pose := Pose{p.Name, map[string]figure{}, p.At.Line}
		for _, v := range p.Values {
			pose.Values[v.Target.Name()] = figure(v.Value)
		}
		s.out.Poses = append(s.out.Poses, pose)
	}
	for _, p := range s.perf.Script.Places {
		s.out.Placements = append(s.out.Placements, Placement{fromOf(p), s.at(p.Time), p.Locked})
	}
	s.out.Paced = len(s.perf.Script.Pace) > 0
}

// giveMoments gives marks, cues and quiet windows.
func (s *scoring) giveMoments() {
	for _, m := range s.perf.Script.Marks {
		s.out.Marks = append(s.out.Marks, Mark{m.Name, s.at(m.Time), m.Locked, m.At.Line})
	}
	slices.SortStableFunc(s.out.Marks, func(a, b Mark) int { return byTime(a.At, b.At) })
	s.out.Cues = []Cue{}
	for _, c := range s.perf.Script.Cues {
		cue := Cue{At: s.at(c.Time), Say: c.Say, Set: []CueSet{}, Line: c.At.Line, Index: c.Index}
		for _, set := range c.Set {
			cue.Set = append(cue.Set, CueSet{set.Axis.Name, figure(set.Value)})
		}
		s.out.Cues = append(s.out.Cues, cue)
	}
	slices.SortStableFunc(s.out.Cues, func(a, b Cue) int { return byTime(a.At, b.At) })
	for _, q := range s.perf.Script.Quiet {
		quiet := Quiet{From: s.at(q.From), To: s.at(q.To), Speed: given(q.Speed), Release: []string{}}
		for _, a := range q.Release {
			quiet.Release = append(quiet.Release, a.Name)
		}
		s.out.Quiet = append(s.out.Quiet, quiet)
	}
}

func byTime(a, b figure) int {
	switch {
	case a < b:
		return -1
	case a > b:
		return 1
	}
	return 0
}

func (s *scoring) giveLayers() {
	for _, l := range s.perf.Script.Layers {
		row, ok := s.rows[l.Target.Name()]
		if ok {
			s.out.Layers = append(s.out.Layers, Layer{row, s.at(l.From), s.at(l.To), layerText(l), l.Index})
		}
	}
}

// layerText says what a layer adds.
func layerText(l *sequence.Layer) string {
	unit := l.Target.Unit()
	if l.Kind == sequence.Envelope {
		return "envelope of " + path.Base(filepath.ToSlash(l.File)) + ", " + sequence.FormatValue(l.Low, unit) + " to " + sequence.FormatValue(l.High, unit)
	}
	return l.Kind.String() + " " + sequence.FormatValue(l.Amount, unit) + " at " + sequence.FormatValue(l.Rate, "Hz")
}

func (s *scoring) giveSupplies(tr *drive.Trace) {
	s.out.Supplies = []Supply{}
	for i, spec := range s.perf.Rig.Supplies {
		out := Supply{Name: spec.Name, Limit: given(spec.Limit), Voltage: figure(spec.Voltage.V), Brownout: given(spec.Brownout),
			Current: s.layout.current[i], Volts: s.layout.volts[i]}
		if t := &tr.Supplies[i]; t.Peak > 0 {
			out.Peak = &Peak{figure(t.PeakAt), figure(t.Peak), plot.PeakText(t)}
		}
		s.out.Supplies = append(s.out.Supplies, out)
	}
}

func (s *scoring) giveFindings(r *check.Report) {
	s.out.Findings = []Finding{}
	for _, momentary := range []bool{true, false} {
		for _, f := range r.Findings {
			if r.Told(f) && plot.Momentary(f) == momentary {
				s.out.Findings = append(s.out.Findings, s.finding(f, len(s.out.Findings)+1))
			}
		}
	}
}

func (s *scoring) finding(f check.Finding, number int) Finding {
	out := Finding{Number: number, Severity: f.Level.String(), Rule: f.Rule, Row: -1, Supply: -1, From: figure(f.From), To: figure(math.Max(f.From, f.To)),
		Text: f.Message, Remedy: f.Remedy, File: f.At.File, Line: f.At.Line}
	if row, ok := s.rows[f.Axis]; ok && f.Axis != "" {
		out.Row = row
	}
	if f.Axis == "" && f.Supply != "" {
		out.Supply = slices.IndexFunc(s.out.Supplies, func(x Supply) bool { return x.Name == f.Supply })
	}
	return out
}

// giveJoints lists the joints, parents first. The reader has refused circles and
// unknown parents.
func (s *scoring) giveJoints() {
	byName := map[string]*sequence.Joint{}
	for _, j := range s.perf.Rig.Joints {
		byName[j.Name] = j
	}
	placed := map[string]int{}
	for _, j := range s.perf.Rig.Joints {
		var chain []*sequence.Joint
		for up := j; up != nil && len(chain) <= len(byName); up = byName[up.Parent] {
			if _, ok := placed[up.Name]; ok {
				break
			}
			chain = append(chain, up)
		}
		for _, j := range slices.Backward(chain) {
			parent, ok := placed[j.Parent]
			if !ok {
				parent = -1
			}
			placed[j.Name] = len(s.out.Joints)
			s.out.Joints = append(s.out.Joints, s.joint(j, parent))
		}
	}
}

func (s *scoring) joint(j *sequence.Joint, parent int) Joint {
	out := Joint{Name: j.Name, Parent: parent, At: j.Origin, Solid: Solid{Shape: j.Solid.Shape, Size: []float64{}}}
	edges := map[string]int{"sphere": 1, "box": 3, "cylinder": 2}[j.Solid.Shape]
	out.Solid.Size = append(out.Solid.Size, j.Solid.Size[:edges]...)
	if m := j.Turns; m != nil && m.Axis != nil {
		out.Turns = &Turn{m.Along, s.rows[m.Axis.Name]}
	}
	if m := j.Slides; m != nil && m.Axis != nil {
		out.Slides = &Slide{m.Along, s.rows[m.Axis.Name]}
	}
	return out
}
