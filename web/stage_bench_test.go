package web_test

import (
	"fmt"
	"testing"

	"github.com/chromedp/cdproto/emulation"
)

// BenchmarkPageStage turns through 8 s of the example, a step in each frame that the
// browser draws, with six onion skins, trails and ghost and without, at the densities of
// plain and of fine screens: frames/s are the frames that were drawn, cpu-ms/frame the
// processor time of the page's thread in one, in which a busy machine counts for less.
func BenchmarkPageStage(b *testing.B) {
	t := newTab(b, 1440, 900)
	url := serve(b, lighthouse+"/storm.motion.yaml")
	for _, density := range []float64{1, 2} {
		for _, with := range []struct{ name, stage string }{
			{"plain", `{onion: 0, trails: false, ghost: false}`},
			{"six skins", `{onion: 6, trails: false, ghost: false}`},
			{"six skins, trails, ghost", `{onion: 6, trails: true, ghost: true}`},
		} {
			b.Run(fmt.Sprintf("%s at %v", with.name, density), func(b *testing.B) {
				call(t, emulation.SetDeviceMetricsOverride, emulation.SetDeviceMetricsOverrideParams{Width: 1440, Height: 900, DeviceScaleFactor: density})
				t.open(url)
				t.do(fmt.Sprintf(`app.actions.setStage(%s)`, with.stage))
				frames, seconds, cpu := 0, 0.0, 0.0
				for b.Loop() {
					r := traced(t, func() {
						get[bool](t, `new Promise(done => {
							let n = 0;
							const began = performance.now();
							const step = () => { app.actions.seek(5 + n++ / 60 % 8); performance.now() - began < 3000 ? requestAnimationFrame(step) : done(true) };
							requestAnimationFrame(step);
						})`)
					})
					frames += len(r.at["DrawFrame"])
					seconds += 3
					cpu += r.cpu
				}
				b.ReportMetric(float64(frames)/seconds, "frames/s")
				b.ReportMetric(cpu/float64(max(1, frames)), "cpu-ms/frame")
			})
		}
	}
}
