package sound

import (
	"bytes"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
)

// BenchmarkMeasure reports megabytes of file a second, for one minute of 48 kHz
// stereo.
func BenchmarkMeasure(b *testing.B) {
	for _, f := range []struct {
		name       string
		code, bits int
	}{{"PCM8", 1, 8}, {"PCM16", 1, 16}, {"PCM24", 1, 24}, {"PCM32", 1, 32}, {"float32", 3, 32}, {"float64", 3, 64}} {
		b.Run(f.name, func(b *testing.B) {
			file := riff(plain(f.code, 2, 48000, f.bits), chunk("data", noise(f.code, f.bits, 60*48000*2)))
			b.SetBytes(int64(len(file)))
			b.ReportAllocs()
			for b.Loop() {
				if _, err := Measure(bytes.NewReader(file), 0.02); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// noise is n samples of white noise.
func noise(code, bits, n int) []byte {
	random := rand.New(rand.NewPCG(7, 8))
	out := make([]byte, 0, n*bits/8)
	for range n {
		v := random.Uint64()
		switch {
		case code == 3 && bits == 32:
			v = uint64(math.Float32bits(random.Float32()*2 - 1))
		case code == 3:
			v = math.Float64bits(random.Float64()*2 - 1)
		}
		for k := 0; k < bits; k += 8 {
			out = append(out, byte(v>>k))
		}
	}
	return out
}

func BenchmarkEnvelope(b *testing.B) {
	for _, minutes := range []int{1, 10, 100} {
		b.Run(fmt.Sprintf("%dmin", minutes), func(b *testing.B) {
			random := rand.New(rand.NewPCG(9, 10))
			l := &Level{Hop: 0.02, RMS: make([]float32, minutes*60*50)}
			for k := range l.RMS {
				l.RMS[k] = random.Float32()
			}
			for b.Loop() {
				l.Envelope(0.02, 0.09)
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N*len(l.RMS)), "ns/hop")
		})
	}
}
