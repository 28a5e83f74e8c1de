package timeline

import (
	"slices"

	"limberjack/sequence"
)

// triggerName is what the output of the sound player's trigger is called in messages.
// No axis can have this name, for it has a space.
const triggerName = "sound player"

// silence is a channel's curve that is zero at all times.
type silence struct{}

func (silence) Fill(dst, _ []float64) { clear(dst) }

// AddTrigger adds, to a rig's timelines, the channel by which its board starts the
// sound player on the rig: of unit State, marked as Trigger, and off in all frames.
// The pulse on it comes before the motion begins, by as much as the player is late,
// and so in no frame: whoever plays or stores a timeline puts it in. A board that
// does nothing else gets a timeline of its own, as long as the others. A rig without
// a trigger gets its timelines back as they are.
func AddTrigger(rig *sequence.Rig, lines []*Timeline) []*Timeline {
	s := rig.Sound
	if s == nil || s.Board == nil || !s.Channel.Given() || len(lines) == 0 {
		return lines
	}
	axis := &sequence.Axis{Name: triggerName, At: s.At, Kind: sequence.Switch, Board: s.Board, Channel: s.Channel}
	channel := Channel{Axis: axis, Number: int(s.Channel.V), Unit: State, High: 1, Trigger: true}
	channel.Low, channel.High = widest(&channel)
	beat := source{axis: axis, open: func() sampler { return silence{} }}
	list := slices.Clone(lines)
	i := slices.IndexFunc(list, func(t *Timeline) bool { return t.Board == s.Board })
	if i < 0 {
		i = place(rig, list, s.Board)
		list = slices.Insert(list, i, &Timeline{Board: s.Board, Motion: lines[0].Motion, Loop: lines[0].Loop, Fingerprint: lines[0].Fingerprint,
			Frames: frameCount(lines[0].length, s.Board.Rate.V, lines[0].Loop), length: lines[0].length})
	}
	t := *list[i]
	at, _ := slices.BinarySearchFunc(t.Channels, channel.Number, func(c Channel, n int) int { return c.Number - n })
	t.Channels = slices.Insert(slices.Clone(t.Channels), at, channel)
	t.sources = slices.Insert(slices.Clone(t.sources), at, beat)
	list[i] = &t
	return list
}

// place gives where a board's timeline stands among those of a rig.
func place(rig *sequence.Rig, list []*Timeline, b *sequence.Board) int {
	order := func(b *sequence.Board) int { return slices.Index(rig.Boards, b) }
	i := slices.IndexFunc(list, func(t *Timeline) bool { return order(t.Board) > order(b) })
	if i < 0 {
		return len(list)
	}
	return i
}
