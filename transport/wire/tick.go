package wire

// Tick is the time of a board: microseconds since some moment, modulo 2^32, that
// is 71.6 minutes. Ticks are compared by Since and Before only, which hold while
// two are less than 2^31 us (35.8 minutes) apart; the operators < and - do not
// survive the wrap.
type Tick uint32

// Since gives the time from earlier to t in microseconds, negative where t is
// before it.
func (t Tick) Since(earlier Tick) int32 { return int32(t - earlier) }

// Before says whether t is earlier than u.
func (t Tick) Before(u Tick) bool { return t.Since(u) < 0 }

// Add gives the tick us microseconds after t, or before it where us is negative.
func (t Tick) Add(us int64) Tick { return t + Tick(us) }

// Index is the number of a frame since a board was armed, modulo 2^16. As with
// Tick, only Ahead compares, while two are less than 2^15 frames apart.
type Index uint16

// Ahead gives how many frames i is ahead of another, negative where it is behind.
func (i Index) Ahead(of Index) int { return int(int16(i - of)) }

// Add gives the index n frames after i, or before it where n is negative.
func (i Index) Add(n int) Index { return i + Index(n) }

// Position gives the position of a stepper in microsteps whose low 16 bits are
// value and which is nearest to another: the last one, or at arm the position at
// rest. Of two as near it gives the lower.
func Position(value uint16, near int32) int32 { return near + int32(int16(value-uint16(near))) }
