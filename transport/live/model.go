package live

import (
	"math"
	"time"

	"limberjack/transport/wire"
)

// Bounds of the clock model.
const (
	modelBuckets  = 120                    // samples that the regression looks back on
	bucketSpan    = time.Second            // of which only the one with the least delay is kept
	sampleFloor   = 50.0                   // us, the standard deviation of the best sample there can be
	driftPrior    = 3000.0                 // ppm, by how much a board may be off before anything is measured (ceramic resonators: -4330 to +1258)
	jumpSlack     = 20 * time.Millisecond  // that a sample may be off without a suspicion
	jumpsToReset  = 3                      // samples in a row that speak of another clock
	scatterMemory = 100 * time.Millisecond // the delay above the least at which a sample tells nothing any more
)

// Exchange is one round trip of a clock message.
type Exchange struct {
	Sent     time.Duration // host: the last byte of the message left
	Received time.Duration // host: the first byte of the answer came
	Taken    wire.Tick     // board: the message had come
	Answered wire.Tick     // board: the answer left
}

// Delay gives the time that both ways took together.
func (e Exchange) Delay() time.Duration {
	return max(0, e.Received-e.Sent-time.Duration(e.Answered.Since(e.Taken))*time.Microsecond)
}

// sample is an exchange reduced to a point: the board's time minus the host's, at a
// host time.
type sample struct {
	host   float64 // us
	offset float64 // us
	delay  float64 // us
}

// Model turns host times into a board's and back. Of the round trips in each second
// the one with the least delay is kept, since what makes a trip long is waiting, on
// one of the two ways (the filter of NTP, RFC 5905 section 10). A line is laid
// through the kept ones by weighted least squares, each with the weight that its
// delay above the least leaves it. Before there is a line to lay, the drift is
// taken as Trim, give or take 3000 ppm.
//
// The zero Model is ready for use. It allocates nothing but its window.
type Model struct {
	// Trim is the drift in ppm that is known beforehand, as a rig has it.
	Trim float64

	kept    []sample
	bucket  time.Duration // start of the newest sample's second
	last    float64       // host us of the newest exchange
	base    float64       // us, around which the line is laid
	offset  float64       // us at base
	drift   float64       // us a us
	sdBase  float64       // us, of offset
	sdDrift float64       // us a us
	covar   float64
	least   float64 // us, the least delay of the window
	jumps   int
}

// Reset forgets all, as for a board that was reset.
func (m *Model) Reset() { *m = Model{Trim: m.Trim, kept: m.kept[:0]} }

// Known says whether there was an exchange.
func (m *Model) Known() bool { return len(m.kept) > 0 }

// Add takes one exchange. It reports whether the exchange fits the others: one that
// is far off is left out, and after three in a row the model begins anew with the
// last, since then the board's clock is another one.
func (m *Model) Add(e Exchange) bool {
	host := (micros(e.Sent) + micros(e.Received)) / 2
	board := e.Taken.Add(int64(e.Answered.Since(e.Taken) / 2))
	s := sample{host: host, offset: m.unwrap(board, host) - host, delay: micros(e.Delay())}
	if m.Known() {
		off := math.Abs(s.offset - m.at(host))
		if off > s.delay/2+4*m.deviation(host)+micros(jumpSlack) {
			if m.jumps++; m.jumps < jumpsToReset {
				return false
			}
			m.Reset()
			s.offset = m.unwrap(board, host) - host
			m.keep(s, e.Received)
			m.fit()
			return false
		}
	}
	m.jumps = 0
	m.keep(s, e.Received)
	m.fit()
	return true
}

// unwrap gives the board's time in us, continued over its wraps.
func (m *Model) unwrap(board wire.Tick, host float64) float64 {
	if !m.Known() {
		return float64(board)
	}
	near := int64(math.Round(host + m.at(host)))
	return float64(near + int64(board.Since(wire.Tick(near))))
}

// keep puts a sample into the window, if it is the best of its second.
func (m *Model) keep(s sample, now time.Duration) {
	m.last = s.host
	if n := len(m.kept); n > 0 && now-m.bucket < bucketSpan && n > 4 {
		if s.delay <= m.kept[n-1].delay {
			m.kept[n-1] = s
		}
		return
	}
	m.bucket = now
	if len(m.kept) == modelBuckets {
		copy(m.kept, m.kept[1:])
		m.kept = m.kept[:modelBuckets-1]
	}
	m.kept = append(m.kept, s)
}

// fit lays the line: the least squares of the samples and of the drift's prior.
func (m *Model) fit() {
	m.least = math.Inf(1)
	for _, s := range m.kept {
		m.least = math.Min(m.least, s.delay)
	}
	// Sums around the newest sample and its offset, so that no digits are lost.
	m.base = m.last
	around := m.kept[len(m.kept)-1].offset
	var w, wx, wxx, wy, wxy float64
	for _, s := range m.kept {
		k, x, y := m.weight(s), s.host-m.base, s.offset-around
		w, wx, wy = w+k, wx+float64(k*x), wy+float64(k*y)
		wxx, wxy = wxx+float64(k*x*x), wxy+float64(k*x*y)
	}
	prior := 1 / (driftPrior * driftPrior * 1e-12)
	wxx, wxy = wxx+prior, wxy+float64(prior*m.Trim*1e-6)
	det := float64(w*wxx) - float64(wx*wx)
	m.offset = around + (float64(wy*wxx)-float64(wxy*wx))/det
	m.drift = (float64(w*wxy) - float64(wx*wy)) / det
	m.sdBase, m.sdDrift, m.covar = math.Sqrt(wxx/det), math.Sqrt(w/det), -wx/det
}

// weight gives what a sample tells: one over its variance. What a trip took above
// the least was spent on one of the ways, so it puts half of it into the offset.
func (m *Model) weight(s sample) float64 {
	extra := math.Min(s.delay-m.least, micros(scatterMemory)) / 2
	return 1 / (sampleFloor*sampleFloor + float64(extra*extra))
}

// at gives the board's time minus the host's at a host time, in us.
func (m *Model) at(host float64) float64 { return m.offset + float64(m.drift*(host-m.base)) }

// deviation gives the standard deviation of at, in us.
func (m *Model) deviation(host float64) float64 {
	x := host - m.base
	v := float64(m.sdBase*m.sdBase) + float64(2*x*m.covar) + float64(x*x*m.sdDrift*m.sdDrift)
	return math.Sqrt(math.Max(0, v))
}

// Tick gives the board's time at a host time.
func (m *Model) Tick(host time.Duration) wire.Tick {
	h := micros(host)
	return wire.Tick(int64(math.Round(h + m.at(h))))
}

// Host gives the host time, within 35 minutes of the last exchange, at which the
// board's clock shows a time.
func (m *Model) Host(t wire.Tick) time.Duration {
	board := m.unwrap(t, m.last)
	h := m.base + (board-m.base-m.offset)/(1+m.drift)
	return time.Duration(math.Round(h * 1e3))
}

// Drift gives by how many ppm the board's clock is fast, and the standard deviation
// of that.
func (m *Model) Drift() (ppm, deviation float64) {
	if !m.Known() {
		return m.Trim, driftPrior
	}
	return m.drift * 1e6, m.sdDrift * 1e6
}

// Uncertainty bounds the error of Tick at a host time: two standard deviations, and
// half of the least round trip, of which nobody knows how it is shared by the ways.
func (m *Model) Uncertainty(host time.Duration) time.Duration {
	if !m.Known() {
		return math.MaxInt64
	}
	return time.Duration((m.least/2 + 2*m.deviation(micros(host))) * 1e3)
}

// RoundTrip gives the least delay of the window.
func (m *Model) RoundTrip() time.Duration {
	if !m.Known() {
		return 0
	}
	return time.Duration(m.least * 1e3)
}

// period gives a time of the host in ns of the board's clock.
func (m *Model) period(ns float64) float64 { return ns + float64(ns*m.drift) }

func micros(d time.Duration) float64 { return float64(d) / 1e3 }
