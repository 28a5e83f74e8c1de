package sequence

import (
	"limberjack/interp/ease"
	"limberjack/sequence/sound"
)

// Script is one motion: what the axes shall do over script time. All times are
// seconds of script time, all values are in the unit of their axis or control.
type Script struct {
	Name     string
	File     string
	At       Pos
	Rig      *Rig
	FPS      FPS
	Tempo    Tempo
	Length   float64
	LengthAt Pos // known where the length is written
	Loop     bool
	LoopAt   Pos
	Audio    *Audio
	Marks    []Mark
	Poses    []*Pose
	Phrase   []*Phrase
	Tracks   []*Track // as they are written
	Places   []*Place
	Merged   []*Track // tracks with poses and phrases put in: what the curves are made of; axes first, then controls, in the rig's order
	Layers   []*Layer
	Quiet    []Quiet
	Cues     []Cue
	Pace     []Knot // empty: performance time is script time
	PaceAt   Pos
}

// Audio is the sound that belongs to a motion.
type Audio struct {
	At    Pos
	File  string
	Level *sound.Level
}

// Mark is a named time.
type Mark struct {
	Name   string
	At     Pos
	Time   float64
	Locked bool
}

// Target is what a track, a pose or a layer speaks of: an axis or a control.
type Target struct {
	Axis    *Axis
	Control *Control
}

// Name gives the name of the axis or control.
func (t Target) Name() string {
	if t.Axis != nil {
		return t.Axis.Name
	}
	return t.Control.Name
}

// Unit gives the unit of the target's values.
func (t Target) Unit() string {
	if t.Axis != nil {
		return t.Axis.Unit
	}
	return t.Control.Unit
}

// Rest gives the value that the target has when nothing moves it.
func (t Target) Rest() float64 {
	if t.Axis != nil {
		return t.Axis.Rest.V
	}
	return 0
}

// doubtful reports whether something about the target was reported already.
func (t Target) doubtful() bool {
	return (t.Axis != nil && t.Axis.doubtful) || (t.Control != nil && t.Control.doubtful)
}

// Track is the keys of one target, ascending in time.
type Track struct {
	Target Target
	At     Pos
	Keys   []Key
}

// Key is a value at a time, with the ease by which the target arrives there.
type Key struct {
	At      Pos
	TimeAt  Pos
	ValueAt Pos
	EaseAt  Pos
	Time    float64
	Arrive  float64 // with Soonest: when the profile arrives; otherwise Time
	Value   float64
	Ease    *ease.Ease // never nil; of no meaning on a first key and with Soonest
	Soonest bool
	Hold    bool    // shape must hit this key exactly
	Locked  bool    // retime keeps its time
	Slack   float64 // s by which the move to this key may be put off
	Place   *Place  // the placement that put the key in; nil for a key of the track itself
	Index   int     // of the key in the written list of its track, from 0, as changes name it; -1 with Place

	wait    float64 // s after arrival, with Soonest
	beats   float64 // in a phrase: the time in beats, where it is written so
	inBeats bool
}

// Pose is a named set of values.
type Pose struct {
	Name   string
	At     Pos
	Values []PoseValue

	doubtful bool // something about it was reported
}

// PoseValue is one value of a pose.
type PoseValue struct {
	At     Pos
	Target Target
	Value  float64
}

// Phrase is a reusable bit of motion; its times count from where it is placed.
type Phrase struct {
	Name   string
	At     Pos
	Tracks []*Track

	doubtful bool // something about it was reported
}

// Place puts a pose or a phrase into the motion.
type Place struct {
	At      Pos
	Index   int // in the written list, from 0
	Pose    *Pose
	Phrase  *Phrase
	Time    float64
	Times   int
	Stretch float64
	Scale   map[Target]float64
	Mirror  bool
	Ease    *ease.Ease // of a pose's keys; nil: each target's default
	Locked  bool
	Slack   float64 // s by which it may be put off
}

// LayerKind says what a layer adds.
type LayerKind uint8

// The kinds of layer.
const (
	Wiggle LayerKind = iota
	Noise
	Sine
	Envelope
)

var layerNames = []string{"wiggle", "noise", "sine", "envelope"}

// String gives the kind as documents write it.
func (k LayerKind) String() string { return layerNames[k] }

// Layer is motion added to a target between From and To.
type Layer struct {
	At       Pos
	Index    int // in the written list, from 0
	Target   Target
	Kind     LayerKind
	From, To float64
	Fade     float64 // s, inside the span, at both ends
	Amount   float64
	Rate     float64 // Hz
	Phase    float64 // deg
	Seed     uint64
	Low      float64 // of an envelope, in silence
	High     float64 // of an envelope, at the loudest
	Attack   float64 // s
	Release  float64 // s
	File     string
	Level    *sound.Level
}

// Quiet is a span in which axes must be slow, and some may be let go.
type Quiet struct {
	At       Pos
	From, To float64
	Speed    Num // deg/s (mm/s for linear axes)
	Release  []*Axis
}

// Cue is something that happens at a time.
type Cue struct {
	At     Pos
	Index  int // in the written list, from 0
	Time   float64
	Set    []CueSet
	Say    string
	Locked bool
}

// CueSet gives an axis without a track a value, until the next.
type CueSet struct {
	At    Pos
	Axis  *Axis
	Value float64
}

// Knot is one point of the map from performance time to script time.
type Knot struct {
	At           Pos
	Time, Script float64 // s
	Rate         float64 // script seconds a performance second
}

// PaceTime gives the length of the performance: that of the pace, or of the script.
func (s *Script) PaceTime() float64 {
	if n := len(s.Pace); n > 0 {
		return s.Pace[n-1].Time
	}
	return s.Length
}
