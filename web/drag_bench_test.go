package web

import (
	"fmt"
	"testing"
	"time"
)

// BenchmarkDrag is one step of a drag on the example as the page makes it: the change
// posted, read again, compiled, played, checked, and answered with the findings and
// rows that differ. It gives the time from the request to the whole answer; there is
// another value each time.
func BenchmarkDrag(b *testing.B) {
	for _, c := range []struct {
		name, key string
		from      float64
	}{
		{"axis", `"track":"elbow","index":1`, 58},
		{"control", `"track":"tilt","index":1`, 6},
	} {
		b.Run(c.name, func(b *testing.B) {
			d := openDesk(b, example(b), "greet.motion.yaml", nil)
			p := d.page()
			score := d.scoreOf("greet")
			text, have := d.textOf("greet").Text, score.Revision
			var took []float64 // ms
			i := 0
			for b.Loop() {
				i++
				began := time.Now()
				a := p.post("/api/motions/greet/changes", fmt.Sprintf(`{"base":%q,"have":%q,"step":"drag","changes":[{"do":"set-key",%s,"value":%g}]}`, text, have, c.key, c.from+float64(i%50)/20))
				took = append(took, float64(time.Since(began))/1e6)
				got := p.version(a)
				text, have = got.Text, got.Revision
			}
			for _, m := range []struct {
				unit string
				of   float64
			}{{"ms-p50", 0.5}, {"ms-p95", 0.95}, {"ms-max", 1}} {
				b.ReportMetric(quantile(took, m.of), m.unit)
			}
		})
	}
}
