package timeline

import (
	"bytes"
	"fmt"
	"io"
	"math"
	"runtime"
	"strconv"
	"testing"

	"limberjack/sequence"
)

// fleet is a rig of n servos on one board at 50 Hz, with a cheap curve, so that
// what is measured is this package.
func fleet(n int, length float64) *plan {
	b := &sequence.Board{Name: "main", Rate: num(50), Tick: num(0.5)}
	p := &plan{rig: &sequence.Rig{Boards: []*sequence.Board{b}}, motion: "fleet", length: length}
	for i := range n {
		a := &sequence.Axis{Name: fmt.Sprintf("axis-%d", i), Kind: sequence.Servo, Unit: "deg", Board: b, Channel: num(float64(i)),
			Travel: [2]sequence.Num{num(-70), num(70)}, Pulse: points(-70, 900, 0, 1500, 70, 2100)}
		p.rig.Axes = append(p.rig.Axes, a)
		p.sources = append(p.sources, saw(0.1+float64(i)/100).source(a))
	}
	return p
}

// saw goes from -60 to 60 and back.
func saw(hz float64) curve {
	return func(t float64) float64 {
		x := t * hz
		x -= math.Floor(x)
		return 240*math.Abs(x-0.5) - 60
	}
}

// BenchmarkBuild: the proof of all frames; ns/value is what a value costs.
func BenchmarkBuild(b *testing.B) {
	p := fleet(32, 600)
	for b.Loop() {
		if _, err := p.build(); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/(32*30001), "ns/value")
}

// BenchmarkWrite: MB/s of text for each form, the computing of the frames
// included. Hold csv against BenchmarkStrconv.
func BenchmarkWrite(b *testing.B) {
	tls := fleet(32, 60).must(b)
	for _, form := range Forms() {
		b.Run(form.String(), func(b *testing.B) {
			var n counter
			for b.Loop() {
				n = 0
				if err := Write(&n, form, tls...); err != nil {
					b.Fatal(err)
				}
			}
			b.SetBytes(int64(n))
		})
	}
}

// BenchmarkBuildCSV: Build and csv, what an export costs.
func BenchmarkBuildCSV(b *testing.B) {
	var n counter
	for b.Loop() {
		n = 0
		if err := Write(&n, CSV, fleet(32, 60).must(b)...); err != nil {
			b.Fatal(err)
		}
	}
	b.SetBytes(int64(n))
}

// BenchmarkStrconv: the same rows by strconv alone, from numbers that are ready.
func BenchmarkStrconv(b *testing.B) {
	tl := fleet(32, 60).must(b)[0]
	rows := all(tl)
	var buf []byte
	for b.Loop() {
		buf = buf[:0]
		for k, row := range rows {
			buf = strconv.AppendInt(buf, int64(k), 10)
			buf = append(buf, ',')
			buf = strconv.AppendFloat(buf, tl.Time(int64(k)), 'f', -1, 64)
			for _, v := range row {
				buf = append(buf, ',')
				buf = strconv.AppendInt(buf, int64(v), 10)
			}
			buf = append(buf, '\n')
		}
	}
	b.SetBytes(int64(len(buf)))
}

// BenchmarkVerify and BenchmarkCompare: MB/s of text read.
func BenchmarkVerify(b *testing.B)  { benchmarkRead(b, false) }
func BenchmarkCompare(b *testing.B) { benchmarkRead(b, true) }

func benchmarkRead(b *testing.B, compare bool) {
	tls := fleet(32, 60).must(b)
	for _, form := range Forms() {
		text := []byte(files(b, form, tls)[0])
		b.Run(form.String(), func(b *testing.B) {
			b.SetBytes(int64(len(text)))
			for b.Loop() {
				_, err := Verify(bytes.NewReader(text))
				if compare {
					err = Compare(bytes.NewReader(text), tls...)
				}
				if err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// BenchmarkLength: time a frame and memory a Write stay the same from 1 minute to
// 100 minutes.
func BenchmarkLength(b *testing.B) {
	for _, minutes := range []float64{1, 10, 100} {
		tls := fleet(8, 60*minutes).must(b)
		b.Run(fmt.Sprintf("%v-min", minutes), func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if err := Write(io.Discard, CSV, tls...); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(tls[0].Frames), "ns/frame")
		})
	}
}

type counter int64

func (c *counter) Write(b []byte) (int, error) {
	*c += counter(len(b))
	return len(b), nil
}

// Memory does not grow with length: a Write and a Compare of 20 minutes allocate
// what those of 1 minute do.
func TestFlatMemory(t *testing.T) {
	for _, form := range Forms() {
		short, long := allocated(t, form, 60), allocated(t, form, 1200)
		if long > short+64<<10 {
			t.Errorf("%v: 1 minute allocates %d bytes, 20 minutes %d", form, short, long)
		}
	}
}

func allocated(t *testing.T, form Form, length float64) uint64 {
	t.Helper()
	tls := fleet(4, length).must(t)
	r, w := io.Pipe()
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	go func() { w.CloseWithError(Write(w, form, tls...)) }()
	if err := Compare(r, tls...); err != nil {
		t.Fatal(err)
	}
	runtime.ReadMemStats(&after)
	return after.TotalAlloc - before.TotalAlloc
}
