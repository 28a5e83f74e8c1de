package live

import (
	"time"

	"limberjack/transport/wire"
)

// Bounds of what waits in the kernel of a serial line, which nothing overtakes.
const (
	backlog = 8 * time.Millisecond // at most
	portion = 4 * time.Millisecond // written at once
)

// pacer keeps account of when the bytes that were written will have left a line,
// at 10 bits a byte.
type pacer struct {
	byteTime time.Duration
	free     time.Duration // when the line will be free
}

func newPacer(baud int) pacer {
	return pacer{byteTime: time.Second * wire.BitsPerByte / time.Duration(baud)}
}

// portion gives how many bytes are written at once.
func (p *pacer) portion() int { return max(1, int(portion/p.byteTime)) }

// wait gives how long to wait before n more bytes are written.
func (p *pacer) wait(now time.Duration, n int) time.Duration {
	return max(0, p.free+time.Duration(n)*p.byteTime-backlog-now)
}

// wrote tells that n bytes were written, and gives when the last will have left.
func (p *pacer) wrote(now time.Duration, n int) time.Duration {
	p.free = max(p.free, now) + time.Duration(n)*p.byteTime
	return p.free
}
