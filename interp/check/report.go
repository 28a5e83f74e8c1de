// Package check judges a performance: what is wrong, where, by how much, and
// what would mend it.
package check

import "limberjack/sequence"

// Level is how grave a finding is.
type Level uint8

// The levels of a finding.
const (
	Error Level = iota
	Warning
	Note
)

// String gives the level as reports write it.
func (l Level) String() string { return [...]string{"error", "warning", "note"}[l] }

// Finding is one thing that a check has to say. Value and Limit are in Unit;
// where a rule has no figure, Unit is empty and both are zero.
type Finding struct {
	Level    Level
	Rule     string // kebab-case
	Axis     string // empty where the finding is not of one axis
	Supply   string
	At       sequence.Pos
	From, To float64 // s of performance time
	Always   bool    // true of the axis or board at any time, not of a moment
	Value    float64
	Limit    float64
	Unit     string
	Message  string // what happens, in words, with the figures, and what it means for the prop
	Remedy   string // what would mend it, with a number in it
}

// AxisSummary is one axis over a whole performance: peaks at the horn, values
// at the part.
type AxisSummary struct {
	Axis             string
	PeakSpeed        float64 // unit/s
	PeakAcceleration float64 // unit/s2
	PeakJerk         float64 // unit/s3
	Min, Max         float64
	Unit             string
	Travelled        float64 // unit, sum of all ways
	Turns            int     // changes of direction
	PlaysADay        float64 // of a looped motion; 0 of others
}

// SupplySummary is the budget of one supply.
type SupplySummary struct {
	Supply          string
	Peak, RMS, Mean float64 // A
	Sustained       float64 // A, the greatest mean over 0.1 s
	PeakAt          float64 // s
	Limit           float64 // A; 0 where none is given
	MinVoltage      float64 // V
	Energy          float64 // Wh a performance
	Runs            float64 // performances a charge; 0 without a capacity
	Blame           []string
}

// BoardSummary is what one board has to take.
type BoardSummary struct {
	Board          string
	BytesPerSecond float64
	LinkShare      float64 // of the link's bytes a second at 10 bits a byte; 0 without a baud rate
	Resolution     float64 // us, the board's tick
}

// Report is the outcome of Run.
type Report struct {
	File     string
	Duration float64   // s of performance time
	Findings []Finding // in the order of the files and the places in them
	Axes     []AxisSummary
	Supplies []SupplySummary
	Boards   []BoardSummary
}
