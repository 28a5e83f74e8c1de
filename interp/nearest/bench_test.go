package nearest

import (
	"fmt"
	"math/rand/v2"
	"sync"
	"testing"
)

func hobby(seed uint64, n int) Problem {
	return Problem{Ref: script(rand.New(rand.NewPCG(seed, 1)), n), Rate: 60, Speed: 350, Acceleration: 2500, Jerk: 3e4, Low: -70, High: 70}
}

func BenchmarkSolve(b *testing.B) {
	for _, n := range []int{3600, 36000, 360000} {
		b.Run(fmt.Sprintf("frames=%d", n), func(b *testing.B) {
			p := hobby(7, n)
			b.ReportAllocs()
			iterations := 0
			for b.Loop() {
				s, err := Solve(p)
				if err != nil {
					b.Fatal(err)
				}
				iterations = s.Iterations
			}
			b.ReportMetric(float64(iterations), "iterations")
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(n)/float64(iterations), "ns/frame/iteration")
		})
	}
}

// BenchmarkShow is ten minutes of 32 axes at 60 frames a second on two cores.
func BenchmarkShow(b *testing.B) {
	axes := make([]Problem, 32)
	for i := range axes {
		axes[i] = hobby(uint64(i), 36000)
	}
	for b.Loop() {
		var wait sync.WaitGroup
		for half := range 2 {
			wait.Go(func() {
				for i := half; i < len(axes); i += 2 {
					if _, err := Solve(axes[i]); err != nil {
						b.Error(err)
					}
				}
			})
		}
		wait.Wait()
	}
}

// BenchmarkInfeasible is the search for three hits that cannot be met among
// 120 on ten minutes.
func BenchmarkInfeasible(b *testing.B) {
	p := hobby(3, 36000)
	s, err := Solve(p)
	if err != nil {
		b.Fatal(err)
	}
	p.Ref = s.X
	for i := 150; i < len(p.Ref); i += 300 {
		p.Hits = append(p.Hits, i)
	}
	// 16 degrees up and down again within 0.2 s take 8 x 16/0.2^2 = 3,200 degrees/s^2.
	at := p.Hits[80]
	p.Hits = append(append(p.Hits[:81:81], at+6, at+12), p.Hits[81:]...)
	p.Ref[at+6] = p.Ref[at] + 16
	p.Ref[at+12] = p.Ref[at]
	for b.Loop() {
		if _, err := Solve(p); err == nil {
			b.Fatal("the hits were met")
		}
	}
}
