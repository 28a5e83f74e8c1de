package sequence

// Change is one change to a motion that is made in its own text: one of the types
// below. Its JSON form is an object whose "do" names it, as given with each type.
// Times are seconds of script time, values are in the unit of the axis or control.
//
// Keys, cues, placements and layers are named by their place in the text as it is
// before all changes of a list; marks and poses by their name there.
type Change interface{ plan(p *plan) error }

// KeyAt names a key of a track: the axis or control, and the place in the written
// list, from 0 (Key.Index).
//
//	{"track": "head-pan", "index": 2}
type KeyAt struct {
	Track string `json:"track"`
	Index int    `json:"index"`
}

// SetKey gives a key another time, value or ease; what is nil stays. An ease "" takes
// the written one away, so that the default holds. A locked key keeps its time unless
// Unlock is set, which is for this change: its lock stays.
//
//	{"do": "set-key", "track": "head-pan", "index": 2, "time": 1.25, "value": 30, "ease": "in-out", "unlock": true}
type SetKey struct {
	KeyAt
	Time   *float64 `json:"time,omitempty"`
	Value  *float64 `json:"value,omitempty"`
	Ease   *string  `json:"ease,omitempty"`
	Unlock bool     `json:"unlock,omitempty"`
}

// AddKey puts a new key on a track, which is made where there is none. It is written
// as the nearest key of the track is.
//
//	{"do": "add-key", "track": "head-pan", "time": 1.25, "value": 30, "ease": "out"}
type AddKey struct {
	Track string  `json:"track"`
	Time  float64 `json:"time"`
	Value float64 `json:"value"`
	Ease  string  `json:"ease,omitempty"`
}

// DeleteKeys takes keys away, and a track with its last one.
//
//	{"do": "delete-keys", "keys": [{"track": "head-pan", "index": 2}], "unlock": true}
type DeleteKeys struct {
	Keys   []KeyAt `json:"keys"`
	Unlock bool    `json:"unlock,omitempty"`
}

// ShiftKeys moves keys together, by a time, by frames of the motion's rate, and by a
// value.
//
//	{"do": "shift-keys", "keys": [{"track": "head-pan", "index": 2}], "time": -0.1, "frames": 1, "value": 2.5, "unlock": true}
type ShiftKeys struct {
	Keys   []KeyAt `json:"keys"`
	Time   float64 `json:"time,omitempty"`
	Frames int     `json:"frames,omitempty"`
	Value  float64 `json:"value,omitempty"`
	Unlock bool    `json:"unlock,omitempty"`
}

// StretchKeys moves keys away from a time, or towards it, by a positive factor. Keys
// at soonest stay so.
//
//	{"do": "stretch-keys", "keys": [{"track": "head-pan", "index": 2}], "anchor": 2, "factor": 1.5, "unlock": true}
type StretchKeys struct {
	Keys   []KeyAt `json:"keys"`
	Anchor float64 `json:"anchor"`
	Factor float64 `json:"factor"`
	Unlock bool    `json:"unlock,omitempty"`
}

// MirrorKeys mirrors keys about rest. Those of an axis of a pair go to the track of
// the other one with their times and eases, and with the comments behind them where
// that track is not in brackets. Lamps and switches stay as they are, as where a
// placement is mirrored.
//
//	{"do": "mirror-keys", "keys": [{"track": "lid-left", "index": 0}, {"track": "lid-right", "index": 0}]}
type MirrorKeys struct {
	Keys []KeyAt `json:"keys"`
}

// SetMark moves a mark, and with it what counts from it. Locked things keep their
// times unless Unlock is set.
//
//	{"do": "set-mark", "name": "boat", "time": 3.2, "unlock": true}
type SetMark struct {
	Name   string  `json:"name"`
	Time   float64 `json:"time"`
	Unlock bool    `json:"unlock,omitempty"`
}

// AddMark names a time.
//
//	{"do": "add-mark", "name": "boat", "time": 3.2, "locked": true}
type AddMark struct {
	Name   string  `json:"name"`
	Time   float64 `json:"time"`
	Locked bool    `json:"locked,omitempty"`
}

// RenameMark gives a mark another name, also where times count from it.
//
//	{"do": "rename-mark", "name": "boat", "to": "ship"}
type RenameMark struct {
	Name string `json:"name"`
	To   string `json:"to"`
}

// DeleteMark takes a mark away that nothing counts from.
//
//	{"do": "delete-mark", "name": "boat", "unlock": true}
type DeleteMark struct {
	Name   string `json:"name"`
	Unlock bool   `json:"unlock,omitempty"`
}

// StorePose makes a pose of exactly these values, or gives them to the one that has
// the name. Where there are none, they are those of the moment At, in seconds of
// performance time, of all axes and controls or of those in Of; they have to be filled
// in by who knows the curves: what each says by itself, without layers and without
// what controls add, as a pose is one more key of it.
//
//	{"do": "store-pose", "name": "calm", "values": {"jaw": 0, "head-pan": 12.5}, "at": 2.5, "of": ["jaw", "head-pan"]}
type StorePose struct {
	Name   string             `json:"name"`
	Values map[string]float64 `json:"values,omitempty"`
	At     *float64           `json:"at,omitempty"`
	Of     []string           `json:"of,omitempty"`
}

// RenamePose gives a pose another name, also where it is placed.
//
//	{"do": "rename-pose", "name": "calm", "to": "quiet"}
type RenamePose struct {
	Name string `json:"name"`
	To   string `json:"to"`
}

// DeletePose takes a pose away that is placed nowhere.
//
//	{"do": "delete-pose", "name": "calm"}
type DeletePose struct {
	Name string `json:"name"`
}

// SetCue moves a cue, or gives it other words; what is nil stays.
//
//	{"do": "set-cue", "index": 0, "time": 2, "say": "go, boat", "unlock": true}
type SetCue struct {
	Index  int      `json:"index"`
	Time   *float64 `json:"time,omitempty"`
	Say    *string  `json:"say,omitempty"`
	Unlock bool     `json:"unlock,omitempty"`
}

// AddCue adds a cue that says something, sets axes, or both.
//
//	{"do": "add-cue", "time": 2, "say": "go, boat", "set": {"fog-horn": 1}}
type AddCue struct {
	Time float64            `json:"time"`
	Say  string             `json:"say,omitempty"`
	Set  map[string]float64 `json:"set,omitempty"`
}

// DeleteCue takes a cue away.
//
//	{"do": "delete-cue", "index": 0, "unlock": true}
type DeleteCue struct {
	Index  int  `json:"index"`
	Unlock bool `json:"unlock,omitempty"`
}

// AddPlacement places a pose or a phrase, one of the two. Times, Stretch and Mirror
// are those of the placement, where they are not 0 or false.
//
//	{"do": "add-placement", "pose": "calm", "phrase": "blink", "time": 4.5, "ease": "out", "times": 2, "stretch": 1.5, "mirror": true, "locked": true}
type AddPlacement struct {
	Pose    string  `json:"pose,omitempty"`
	Phrase  string  `json:"phrase,omitempty"`
	Time    float64 `json:"time"`
	Ease    string  `json:"ease,omitempty"`
	Times   int     `json:"times,omitempty"`
	Stretch float64 `json:"stretch,omitempty"`
	Mirror  bool    `json:"mirror,omitempty"`
	Locked  bool    `json:"locked,omitempty"`
}

// SetPlacement moves a placed pose or phrase.
//
//	{"do": "set-placement", "index": 0, "time": 4.5, "unlock": true}
type SetPlacement struct {
	Index  int     `json:"index"`
	Time   float64 `json:"time"`
	Unlock bool    `json:"unlock,omitempty"`
}

// DeletePlacement takes a placement away; its pose or phrase stays.
//
//	{"do": "delete-placement", "index": 0, "unlock": true}
type DeletePlacement struct {
	Index  int  `json:"index"`
	Unlock bool `json:"unlock,omitempty"`
}

// SetLayer gives a layer another start or end; what is nil stays.
//
//	{"do": "set-layer", "index": 0, "from": 1, "to": 4.5}
type SetLayer struct {
	Index int      `json:"index"`
	From  *float64 `json:"from,omitempty"`
	To    *float64 `json:"to,omitempty"`
}
