package rehearse

import (
	"context"
	"fmt"

	"limberjack/interp"
	"limberjack/sequence"
	"limberjack/transport/live"
	"limberjack/transport/timeline"
)

// Pose is where the axes of one board are to stand.
type Pose struct {
	Rig   *sequence.Rig
	Board *sequence.Board
	Axes  []*sequence.Axis           // of the board, in the rig's order
	At    map[*sequence.Axis]float64 // in each axis's unit
}

// NewPose gives the rest pose of a board. A board without axes is an error.
func NewPose(rig *sequence.Rig, board *sequence.Board) (*Pose, error) {
	p := &Pose{Rig: rig, Board: board, At: map[*sequence.Axis]float64{}}
	for _, a := range rig.Axes {
		if a.Board == board {
			p.Axes = append(p.Axes, a)
			p.At[a] = a.Rest.V
		}
	}
	if len(p.Axes) == 0 {
		return nil, p.empty()
	}
	return p, nil
}

func (p *Pose) empty() error { return fmt.Errorf("board %s drives no axis", p.Board.Name) }

// Timeline makes the pose into frames, by the same way as every motion goes. Values that
// a channel cannot hold are timeline.LimitErrors.
func (p *Pose) Timeline() (*timeline.Timeline, error) {
	s := &sequence.Script{Name: "jog", Rig: p.Rig, Length: 1}
	for _, a := range p.Axes {
		s.Cues = append(s.Cues, sequence.Cue{Set: []sequence.CueSet{{Axis: a, Value: p.At[a]}}})
	}
	c, err := interp.Compile(s)
	if err != nil {
		return nil, err
	}
	lines, err := timeline.Build(c)
	if err != nil {
		return nil, err
	}
	for _, t := range lines {
		if t.Board == p.Board {
			return t, nil
		}
	}
	return nil, p.empty()
}

// Move moves a board's axes to the pose, at the soft speed: see live.Board.Move.
func (p *Pose) Move(ctx context.Context, b *live.Board) error {
	t, err := p.Timeline()
	if err != nil {
		return err
	}
	frame := make([]uint16, len(t.Channels))
	t.Reader().Next(frame)
	values := make([]int64, len(frame))
	for i, c := range t.Channels {
		if values[i] = int64(c.Unit.Number(frame[i])); c.Unit == timeline.StepDelta {
			values[i] = c.Start
		}
	}
	return b.Move(ctx, values)
}
