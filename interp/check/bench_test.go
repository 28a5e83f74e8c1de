package check

import (
	"fmt"
	"io"
	"os"
	"strings"
	"sync"
	"testing"
	"testing/fstest"
	"time"

	"limberjack/interp"
	"limberjack/interp/drive"
	"limberjack/sequence"
)

// wide gives a rig and a motion of 32 axes, 60 keys a minute and axis, with a
// mixture of the eases that motions use most. Axis a hangs on supply a mod n, or on
// none where n is 0.
func wide(minutes, n int) fstest.MapFS {
	var rig, motion strings.Builder
	rig.WriteString("rig: wide\nformat: 1\nboards: {main: {rate: 50Hz, tick: 0.5us, channels: 64}}\n")
	if n > 0 {
		rig.WriteString("supplies:\n")
	}
	for i := range n {
		fmt.Fprintf(&rig, "  rail%d: {voltage: 6V, limit: 40A, resistance: 20mohm}\n", i)
	}
	rig.WriteString("axes:\n")
	motion.WriteString("motion: wide\nformat: 1\nrig: wide.rig.yaml\nfps: 24\ntracks:\n")
	eases := []string{"in-out", "pchip", "min-jerk", "s-curve", "sine-in-out", "cubic-in-out"}
	for a := range 32 {
		on := ""
		if n > 0 {
			on = fmt.Sprintf("supply: rail%d, load: {mass: 60g, arm: 40mm, gravity_at: 0deg}, ", a%n)
		}
		fmt.Fprintf(&rig, "  a%d: {kind: servo, board: main, channel: %d, %stravel: [-90deg, 90deg], pulse: [[-90deg, 600us], [90deg, 2400us]], limits: {speed: 400deg/s, acceleration: 4000deg/s2, jerk: 90000deg/s3}}\n", a, a, on)
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
		files := wide(minutes, 0)
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
	files := wide(10, 0)
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

// BenchmarkCheckWithDrive is all that the command check does with a motion of 32
// axes that move all the time for 10 minutes: to load it from text in memory, to
// compile it, to predict what the rig does, the supplies side by side, and to judge
// it. It is to take less than 2.5 s on two cores. Axes of one supply are coupled and
// predicted on one core, so that the number of supplies counts.
func BenchmarkCheckWithDrive(b *testing.B) {
	for _, supplies := range []int{1, 2, 4} {
		files := wide(10, supplies)
		b.Run(fmt.Sprintf("supplies=%d", supplies), func(b *testing.B) {
			var predicting time.Duration
			for b.Loop() {
				s, err := sequence.LoadMotion(func(name string) (io.ReadCloser, error) { return files.Open(name) }, "wide.motion.yaml")
				if err != nil {
					b.Fatal(err)
				}
				p, err := interp.Compile(s)
				if err != nil {
					b.Fatal(err)
				}
				start := time.Now()
				trace, parts := drive.Parts(p)
				var wait sync.WaitGroup
				for _, part := range parts {
					wait.Go(part)
				}
				wait.Wait()
				predicting += time.Since(start)
				Run(p, trace, nil)
			}
			b.ReportMetric(predicting.Seconds()/float64(b.N), "predict-s/op")
		})
	}
}

// BenchmarkExample judges the motions of the example, prediction left out. In greet
// the jaw follows a voice through its four-bar linkage: hundreds of pieces, each of
// which is a cubic seen through the linkage.
func BenchmarkExample(b *testing.B) {
	for _, name := range []string{"greet", "storm", "idle"} {
		b.Run(name, func(b *testing.B) {
			folder := os.DirFS("../../examples/lighthouse")
			s, err := sequence.LoadMotion(func(name string) (io.ReadCloser, error) { return folder.Open(name) }, name+".motion.yaml")
			if err != nil {
				b.Fatal(err)
			}
			p, err := interp.Compile(s)
			if err != nil {
				b.Fatal(err)
			}
			trace := drive.Run(p)
			b.ReportAllocs()
			for b.Loop() {
				Run(p, trace, nil)
			}
		})
	}
}
