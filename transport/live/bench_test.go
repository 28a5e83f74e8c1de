//go:build unix

package live

import (
	"fmt"
	"strings"
	"syscall"
	"testing"
	"time"

	"limberjack/transport/board"
	"limberjack/transport/timeline"
	"limberjack/transport/wire"
)

// fastRig has 32 lamps at 333 Hz behind 1 Mbaud.
func fastRig() (rig, motion string) {
	var r, m strings.Builder
	r.WriteString("rig: Fast\nformat: 1\nboards:\n  main: {rate: 333Hz, tick: 0.5us, channels: 32, baud: 1000000}\naxes:\n")
	m.WriteString("motion: Fast\nformat: 1\nrig: rig.yaml\nlength: 20s\ntracks:\n")
	for i := range 32 {
		fmt.Fprintf(&r, "  l%d: {kind: dimmer, board: main, channel: %d, current: 60mA}\n", i, i)
		fmt.Fprintf(&m, "  l%d: [[0s, %d%%], [10s, %d%%], [20s, 5%%]]\n", i, i, 100-i)
	}
	return r.String(), m.String()
}

// BenchmarkStream is what a second of streaming costs: 32 channels at 333 Hz, made,
// planned, encoded and written. core-% is that part of one core.
func BenchmarkStream(b *testing.B) {
	rig, motion := fastRig()
	_, tls := load(b, rig, motion)
	tl := tls[0]
	clock := &handClock{now: time.Second}
	s, _ := armedSession(b, tl, clock)
	var enc wire.Encoder
	var buf []byte
	frames := 0
	b.ReportAllocs()
	for b.Loop() {
		p := newPart(tl, s.bounds, 0, 0, 1, false)
		s.stream = &stream{period: period(tl), list: []segment{{start: clock.now + 50*time.Millisecond, frames: min(333, p.frames), fill: p.cursor().fill}}}
		for end := clock.now + 1200*time.Millisecond; clock.now < end; clock.now += 3 * time.Millisecond {
			s.limit = s.index.Add(40)
			for {
				_, m, _, _ := s.next(clock.now)
				if m == nil {
					break
				}
				if f, ok := m.(*wire.Frames); ok {
					frames += f.Values.Len() / 32
				}
				buf, _ = enc.Frame(buf[:0], m)
			}
		}
	}
	b.ReportMetric(100*b.Elapsed().Seconds()/float64(b.N), "core-%")
	b.ReportMetric(float64(frames)/float64(b.N), "frames/op")
}

// BenchmarkPlayReal streams for 2 s to the software board behind a pseudo-terminal; the
// processor time is that of host and board together.
func BenchmarkPlayReal(b *testing.B) {
	text, motion := fastRig()
	rig, tls := load(b, text, motion)
	p := newProp(b, rig, rig.Boards[0], func(o *board.Options) { o.Config.Depth = 400 })
	s := connect(b, p.serial(b, 1000000), Options{Timeline: tls[0]})
	if err := s.Arm(b.Context(), nil); err != nil {
		b.Fatal(err)
	}
	before := cpu()
	for b.Loop() {
		if err := Play(b.Context(), []*Board{s}, []*timeline.Timeline{tls[0]}, PlayOptions{To: 2}); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(100*(cpu()-before)/b.Elapsed().Seconds(), "core-%")
	b.ReportMetric(float64(s.Status().Late), "late")
}

// cpu gives the processor time of this process in s.
func cpu() float64 {
	var r syscall.Rusage
	syscall.Getrusage(syscall.RUSAGE_SELF, &r)
	return time.Duration(r.Utime.Nano() + r.Stime.Nano()).Seconds()
}
