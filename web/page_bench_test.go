package web_test

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/tracing"
	"github.com/chromedp/chromedp"
)

// bigMotion writes a rig of 32 servos and a motion of 10 min with 20,000 keys.
func bigMotion(t testing.TB) string {
	const axes, keys = 32, 625
	dir := t.TempDir()
	var rig, motion strings.Builder
	rig.WriteString("rig: Many\nformat: 1\nboards:\n  main: {rate: 50Hz, tick: 0.5us, channels: 32, baud: 1000000}\naxes:\n")
	motion.WriteString("motion: Long\nformat: 1\nrig: many.rig.yaml\nfps: 24\nlength: 600s\ntracks:\n")
	for i := range axes {
		fmt.Fprintf(&rig, "  s%02d: {kind: servo, board: main, channel: %d, travel: [-60deg, 60deg], pulse: [[-60deg, 900us], [60deg, 2100us]]}\n", i, i)
		fmt.Fprintf(&motion, "  s%02d:\n", i)
		for k := range keys {
			fmt.Fprintf(&motion, "    - [%.2fs, %ddeg%s]\n", float64(k)*0.96, (k*7+i*5)%40-20, []string{"", ", linear", ", back-out", ", min-jerk"}[(k+i)%4])
		}
	}
	file := filepath.Join(dir, "long.motion.yaml")
	for name, text := range map[string]string{filepath.Join(dir, "many.rig.yaml"): rig.String(), file: motion.String()} {
		if err := os.WriteFile(name, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	return file
}

// record is what the browser's renderer did: events of the Trace Event Format by name,
// with their lengths and times in ms, and the processor time of the page's thread.
type record struct {
	lengths, at map[string][]float64
	cpu         float64 // ms
}

// traced records what the renderer does while something goes on.
func traced(b *tab, do func()) record {
	r := record{map[string][]float64{}, map[string][]float64{}, 0}
	tasks := map[[2]int]float64{}
	var page [2]int
	var mu sync.Mutex
	over := make(chan struct{})
	complete := sync.OnceFunc(func() { close(over) })
	ctx, end := context.WithCancel(b.ctx)
	defer end()
	if err := chromedp.Listen(ctx, func(e any) {
		switch e := e.(type) {
		case *tracing.EventDataCollected:
			mu.Lock()
			defer mu.Unlock()
			for _, v := range e.Value {
				var event struct {
					Name          string
					Pid, Tid      int
					Ts, Dur, Tdur float64
				}
				if json.Unmarshal(v, &event) != nil {
					continue
				}
				r.lengths[event.Name] = append(r.lengths[event.Name], event.Dur/1000)
				r.at[event.Name] = append(r.at[event.Name], event.Ts/1000)
				thread := [2]int{event.Pid, event.Tid}
				switch event.Name {
				case "FireAnimationFrame":
					page = thread
				case "RunTask":
					tasks[thread] += event.Tdur / 1000
				}
			}
		case *tracing.EventTracingComplete:
			complete()
		}
	}); err != nil {
		b.t.Fatal(err)
	}
	call(b, tracing.Start, tracing.StartParams{TransferMode: "ReportEvents",
		TraceConfig: &tracing.TraceConfig{IncludedCategories: []string{"devtools.timeline", "disabled-by-default-devtools.timeline", "disabled-by-default-devtools.timeline.frame"}}})
	do()
	call(b, tracing.End, cdp.Empty{})
	select {
	case <-over:
	case <-time.After(30 * time.Second):
		b.t.Fatal("the browser does not end its trace")
	}
	mu.Lock()
	defer mu.Unlock()
	r.cpu = tasks[page]
	return r
}

func share(list []float64, of float64) float64 {
	if len(list) == 0 {
		return 0
	}
	list = slices.Sorted(slices.Values(list))
	return list[min(len(list)-1, int(float64(len(list))*of))]
}

// scrolls are ways over the big motion, a step in each frame n that the browser draws.
var scrolls = []struct{ name, step string }{
	{"zoom-all", `app.actions.show({from: n % 500 * 0.5, to: 600 - n % 500 * 0.5})`},
	{"pan-all", `n === 1 && app.actions.show({from: 0, to: 590}); app.actions.pan(n % 40 < 20 ? 0.5 : -0.5)`},
	{"minute", `app.actions.show({from: n % 500, to: n % 500 + 60})`},
	{"seconds", `app.actions.show({from: n * 0.1 % 590, to: n * 0.1 % 590 + 8})`},
	{"rows", `n === 1 && app.actions.show({from: 0, to: 60}); document.querySelector('#sheet .sheet-scroll').scrollTop = n * 7 % 1000`},
}

// BenchmarkPageScroll goes over 32 axes and 20,000 keys for 5 s, and has the browser trace
// it: frames/s are the frames that were drawn, work-ms the time of the page's code in one,
// p50 and p95, and cpu-ms the processor time of the page's thread a frame, in which a busy
// machine counts for less.
func BenchmarkPageScroll(b *testing.B) {
	t := newTab(b, 1440, 900)
	t.open(serve(b, bigMotion(b)))
	for _, way := range scrolls {
		b.Run(way.name, func(b *testing.B) {
			var drawn, work []float64
			seconds, cpu := 0.0, 0.0
			for b.Loop() {
				began := time.Now()
				r := traced(t, func() {
					get[bool](t, fmt.Sprintf(`new Promise(done => {
						let n = 0;
						const began = performance.now();
						const step = () => { n++; %s; performance.now() - began < 5000 ? requestAnimationFrame(step) : done(true) };
						requestAnimationFrame(step);
					})`, way.step))
					seconds += time.Since(began).Seconds()
				})
				drawn = append(drawn, r.at["DrawFrame"]...)
				work = append(work, r.lengths["FireAnimationFrame"]...)
				cpu += r.cpu
			}
			b.ReportMetric(float64(len(drawn))/seconds, "frames/s")
			b.ReportMetric(share(work, 0.5), "work-ms-p50")
			b.ReportMetric(share(work, 0.95), "work-ms-p95")
			b.ReportMetric(cpu/float64(max(1, len(drawn))), "cpu-ms/frame")
		})
	}
}

// BenchmarkPageReady opens the example's page: until its motion is drawn.
func BenchmarkPageReady(b *testing.B) {
	t := newTab(b, 1440, 900)
	url := serve(b, lighthouse+"/storm.motion.yaml")
	t.open(url)
	for b.Loop() {
		t.open(url)
	}
}

// BenchmarkPageFollows edits the example on disk: until the page has the new motion.
func BenchmarkPageFollows(b *testing.B) {
	file := filepath.Join(copied(b), "storm.motion.yaml")
	t := newTab(b, 1440, 900)
	t.open(serve(b, file))
	text, err := os.ReadFile(file)
	if err != nil {
		b.Fatal(err)
	}
	for n := 0; b.Loop(); n++ {
		title := fmt.Sprintf("Storm %d", n)
		replaceFile(b, file, []byte(strings.Replace(string(text), "motion: The keeper in a storm", "motion: "+title, 1)))
		t.until("the page has it", fmt.Sprintf(`s.score.title === %q`, title))
	}
}
