package timeline

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"
	"strings"

	"limberjack/sequence"
)

// Fingerprint gives 16 hexadecimal digits that stand for everything in a rig
// that decides which values a board gets for a motion: the boards' rate, tick
// and placing of pulses; each axis's name, board, channel, kind, unit, travel,
// calibration, trim, rest, linkage, steps, microsteps, gear, lead and gamma. It
// does not change with comments, order, the rig's name, supplies, data sheets,
// limits, loads or pictures. The digits are the first of a SHA-256.
func Fingerprint(r *sequence.Rig) string {
	var lines []string
	for _, b := range r.Boards {
		lines = append(lines, fmt.Sprintf("board %q %v %v %v", b.Name, b.Rate.V, b.Tick.V, b.Together))
	}
	for _, a := range r.Axes {
		lines = append(lines, axisLine(a))
	}
	slices.SortFunc(lines, cmp.Compare[string])
	sum := sha256.Sum256([]byte(strings.Join(lines, "\n")))
	return hex.EncodeToString(sum[:8])
}

func axisLine(a *sequence.Axis) string {
	var s strings.Builder
	board := ""
	if a.Board != nil {
		board = a.Board.Name
	}
	fmt.Fprintf(&s, "axis %q %q %v %v %q rest %v", a.Name, board, a.Channel.V, a.Kind, a.Unit, a.Rest.V)
	if a.HasTravel() {
		fmt.Fprintf(&s, " travel %v %v", a.Travel[0].V, a.Travel[1].V)
	}
	switch unitOf(a.Kind) {
	case PulseTicks:
		for _, p := range a.Pulse {
			fmt.Fprintf(&s, " pulse %v %v", p.Value.V, p.Pulse.V)
		}
		fmt.Fprintf(&s, " trim %v", a.Trim.V)
	case StepDelta:
		fmt.Fprintf(&s, " steps %v %v %v %v", a.Steps.V, orOne(a.Microsteps), orOne(a.Gear), a.Lead.V)
	case Level:
		fmt.Fprintf(&s, " gamma %v", orOne(a.Gamma))
	}
	if a.Linkage != nil {
		linkageLine(&s, a)
	}
	return s.String()
}

// linkageLine adds a linkage by what it does: the horn at even steps of the
// travel (or of all that the linkage reaches), to a millionth of a degree, so
// that the last bits of a sine do not count.
func linkageLine(s *strings.Builder, a *sequence.Axis) {
	const steps = 32
	_, _, low, high := a.Linkage.Range()
	if a.HasTravel() {
		low, high = a.Travel[0].V, a.Travel[1].V
	}
	for i := 0; i <= steps; i++ {
		part := low + float64((high-low)*float64(i)/steps)
		h, _, _, _, ok := a.Linkage.Horn(part)
		fmt.Fprintf(s, " horn %v %.6f", ok, h)
	}
}
