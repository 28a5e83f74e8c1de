package ease

import "testing"

// Cost of a value in order. Targets: a Bezier ease at most 15 ns, better 10.
func BenchmarkAdd(b *testing.B) {
	for _, text := range []string{
		"ease", "in", "out", "in-out", "cubic-bezier(0.3, 0, 0.2, 1)",
		"cubic-bezier(0, 1, 0, 1)", "cubic-bezier(1, 0, 0, 1)", "cubic-bezier(0.99, 0.01, 0.01, 0.99)",
		"sine-in", "expo-in", "circ-in", "elastic-in", "harmonic", "cycloid", "modified-trapezoid", "modified-sine",
	} {
		b.Run(text, func(b *testing.B) {
			f := mustParse(b, text).Parts()[0].Func
			dst, xs := make([]float64, 1000), make([]float64, 1000)
			for i := range xs {
				xs[i] = float64(i) / 1000
			}
			f.Add(dst, xs, 90)
			b.ReportAllocs()
			for b.Loop() {
				f.Add(dst, xs, 90)
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N*len(dst)), "ns/value")
		})
	}
}

// One jerk-limited profile, over distances that reach all limits or none.
// Target: at most 300 ns; Ruckig takes about 130 ns for its general state.
func BenchmarkRestToRest(b *testing.B) {
	distances := [8]float64{0.01, 0.3, 2, 11, 40, 90, 170, 300}
	i := 0
	b.ReportAllocs()
	for b.Loop() {
		p := RestToRest(distances[i&7], Limits{250, 1500, 20000})
		_ = p.Duration()
		i++
	}
}

// Reading: a name, a Bezier ease that is new, and its first use with the table
// and the peaks.
func BenchmarkParse(b *testing.B) {
	b.Run("name", func(b *testing.B) {
		for b.Loop() {
			mustParse(b, "in-out")
		}
	})
	b.Run("remembered", func(b *testing.B) {
		for b.Loop() {
			mustParse(b, "cubic-bezier(0.3, 0, 0.2, 1)")
		}
	})
	b.Run("anew", func(b *testing.B) {
		for b.Loop() {
			if _, err := parseAnew("cubic-bezier(0.3, 0, 0.2, 1)"); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("anew with table and peaks", func(b *testing.B) {
		for b.Loop() {
			e, err := parseAnew("cubic-bezier(0.3, 0, 0.2, 1)")
			if err != nil {
				b.Fatal(err)
			}
			e.At(0.3)
			e.Peaks()
		}
	})
}
