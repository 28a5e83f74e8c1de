package check

import (
	"fmt"
	"io"
	"strings"
	"testing"
	"testing/fstest"

	"limberjack/interp"
	"limberjack/sequence"
)

// wide gives a rig and a motion of 32 axes, 60 keys a minute and axis, with a
// mixture of the eases that motions use most.
func wide(minutes int) fstest.MapFS {
	var rig, motion strings.Builder
	rig.WriteString("rig: wide\nformat: 1\nboards: {main: {rate: 50Hz, tick: 0.5us, channels: 64}}\naxes:\n")
	motion.WriteString("motion: wide\nformat: 1\nrig: wide.rig.yaml\nfps: 24\ntracks:\n")
	eases := []string{"in-out", "pchip", "min-jerk", "s-curve", "sine-in-out", "cubic-in-out"}
	for a := range 32 {
		fmt.Fprintf(&rig, "  a%d: {kind: servo, board: main, channel: %d, travel: [-90deg, 90deg], pulse: [[-90deg, 600us], [90deg, 2400us]], limits: {speed: 400deg/s, acceleration: 4000deg/s2, jerk: 90000deg/s3}}\n", a, a)
		fmt.Fprintf(&motion, "  a%d:\n", a)
		for k := range 60*minutes + 1 {
			fmt.Fprintf(&motion, "    - [%ds, %ddeg, %s]\n", k, (k*37+a*11)%61-30, eases[a%len(eases)])
		}
	}
	return fstest.MapFS{"wide.rig.yaml": {Data: []byte(rig.String())}, "wide.motion.yaml": {Data: []byte(motion.String())}}
}

// BenchmarkLoadCompileCheck is the whole way from text to findings, without the
// current budget: 32 axes x 10 min is to take less than 0.5 s on one core. The
// three lengths show that the cost is linear in the keys.
func BenchmarkLoadCompileCheck(b *testing.B) {
	for _, minutes := range []int{1, 10, 100} {
		files := wide(minutes)
		b.Run(fmt.Sprintf("32x%dmin", minutes), func(b *testing.B) {
			for b.Loop() {
				s, err := sequence.LoadMotion(func(name string) (io.ReadCloser, error) { return files.Open(name) }, "wide.motion.yaml")
				if err != nil {
					b.Fatal(err)
				}
				p, err := interp.Compile(s)
				if err != nil {
					b.Fatal(err)
				}
				Run(p, nil, nil)
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(32*60*minutes), "ns/key")
		})
	}
}

func BenchmarkCheck(b *testing.B) {
	files := wide(10)
	s, err := sequence.LoadMotion(func(name string) (io.ReadCloser, error) { return files.Open(name) }, "wide.motion.yaml")
	if err != nil {
		b.Fatal(err)
	}
	p, err := interp.Compile(s)
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		Run(p, nil, nil)
	}
}
