package timeline

import "limberjack/sequence"

// frameOverhead is what a frame costs on a serial link beside its values, sent
// one a message, which is the most: kind, length and sequence number, the frame's
// number, board time and spacing, CRC-16, and two bytes of framing.
const frameOverhead = 1 + 1 + 2 + 2 + 4 + 4 + 2 + 2

// FrameBytes gives the bytes that one frame of a board takes on its link: two a
// channel in use and the message around them; 0 for a board without axes.
func FrameBytes(r *sequence.Rig, b *sequence.Board) float64 {
	channels := 0
	for _, a := range r.Axes {
		if a.Board == b {
			channels++
		}
	}
	if channels == 0 {
		return 0
	}
	return float64(2*channels + frameOverhead)
}
