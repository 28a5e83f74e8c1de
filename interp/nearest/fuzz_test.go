package nearest

import (
	"encoding/binary"
	"errors"
	"math"
	"testing"
)

// FuzzSolve reads a script of signed 16-bit thousandths, every odd position of
// hits a hit, and asks for an error or a solution that holds what one must.
func FuzzSolve(f *testing.F) {
	f.Add([]byte{0, 0, 232, 3, 0, 0, 24, 252, 0, 0}, 60.0, 120.0, 1000.0, 3e4, -50.0, 50.0, uint64(0))
	f.Add([]byte{0, 0, 255, 127, 255, 127, 0, 128, 0, 128}, 30.0, 60.0, 0.0, 0.0, 0.0, 0.0, uint64(9))
	f.Add([]byte{1, 2, 3, 4}, 1e3, 1e-300, 1e300, math.Inf(1), math.Inf(-1), 0.5, uint64(1))
	f.Add([]byte{0, 0, 232, 3, 0, 0, 24, 252, 0, 0}, 60.0, 10.0, 1e308, 1e308, -1e308, 1e308, uint64(0))
	f.Add([]byte{}, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0, uint64(0))
	f.Fuzz(func(t *testing.T, text []byte, rate, speed, acceleration, jerk, low, high float64, hits uint64) {
		p := Problem{Rate: rate, Speed: speed, Acceleration: acceleration, Jerk: jerk, Low: low, High: high}
		for i := 0; i+1 < len(text) && i < 400; i += 2 {
			p.Ref = append(p.Ref, float64(int16(binary.LittleEndian.Uint16(text[i:])))/1000)
			if hits>>(i/2%64)&1 == 1 {
				p.Hits = append(p.Hits, i/2)
			}
		}
		s, err := Solve(p)
		var infeasible *Infeasible
		if errors.As(err, &infeasible) {
			if infeasible.From > infeasible.To || !(infeasible.Need > infeasible.Have) && !(infeasible.Outside > 0) {
				t.Fatalf("%+v", *infeasible)
			}
		}
		if err != nil {
			return
		}
		for _, x := range s.X {
			if math.IsNaN(x) || math.IsInf(x, 0) {
				t.Fatalf("%v", s.X)
			}
		}
		within(t, p, s)
	})
}
