package timeline

import (
	"limberjack/interp"
	"limberjack/sequence"
)

// ChannelsOf gives the channels that a board has in its rig, whatever the motion, with
// that of the sound player's trigger: those of a motion that stands still.
func ChannelsOf(r *sequence.Rig, b *sequence.Board) ([]Channel, error) {
	still, err := interp.Compile(&sequence.Script{Rig: r})
	if err != nil {
		return nil, err
	}
	lines, err := Build(still)
	if err != nil {
		return nil, err
	}
	for _, t := range AddTrigger(r, lines) {
		if t.Board == b {
			return t.Channels, nil
		}
	}
	return nil, nil
}
