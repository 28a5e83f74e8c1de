package card

import (
	"fmt"
	"math"

	"limberjack/sequence"
	"limberjack/transport/timeline"
)

// lead is how a motion waits for its sound: the player on the rig is started by an
// output, and is heard after its delay.
type lead struct {
	prelude uint32 // frames before performance time 0
	pulse   uint32 // frames in which the output is on
	round   uint32 // frames from start to start in a seamless loop; 0: it starts once
}

// newLead gives the lead of a motion on a board at a rate in Hz: none where the motion
// has no sound, or no output starts the player.
func newLead(rig *sequence.Rig, sm *sequence.ShowMotion, t *timeline.Timeline) (lead, error) {
	s := rig.Sound
	if s == nil || s.Board == nil || !s.Channel.Given() || sm.Script.Audio == nil {
		return lead{}, nil
	}
	rate := t.Board.Rate.V
	l := lead{prelude: uint32(math.Round(s.Delay.V * rate)), pulse: uint32(max(1, math.Ceil(float64(s.PulseLength()*rate)-1e-9)))}
	if sm.Loop && t.Loop {
		l.round = uint32(t.Frames)
	}
	length := float64(t.Frames) / rate
	switch {
	case l.round > 0 && l.prelude > l.round:
		return l, sequence.Problem{At: sm.At, Text: fmt.Sprintf("a round of %s lasts %.3f s, and the sound player starts %.3f s late", sm.Name, length, s.Delay.V),
			Hint: "make the motion longer than the player's delay, or take loop or audio out"}
	case l.round > 0 && l.pulse >= l.round, int64(l.pulse) >= int64(l.prelude)+t.Frames:
		return l, sequence.Problem{At: sm.At, Text: fmt.Sprintf("%s is over before the trigger of the sound player goes off, after %.3f s", sm.Name, s.PulseLength()),
			Hint: "make the motion longer, or the pulse of the trigger shorter"}
	}
	return l, nil
}

// on says whether the output is on in a frame, the prelude counted.
func (l *lead) on(frame uint32) bool {
	if l.round > 0 {
		frame %= l.round
	}
	return frame < l.pulse
}
