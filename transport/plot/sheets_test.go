package plot

import (
	"fmt"
	"math/rand"
	"strings"
	"testing"

	"limberjack/interp"
	"limberjack/interp/check"
	"limberjack/interp/drive"
)

// busy writes tracks for n axes with a key a second or so, of all kinds of ease.
func busy(axes, nameLength int, seconds float64, every float64) string {
	eases := []string{"in-out", "linear", "pchip", "back-out", "min-jerk", "hold", "steps(3, jump-end)", "elastic-out", "cubic", "expo-in-out"}
	r := rand.New(rand.NewSource(5))
	var b strings.Builder
	fmt.Fprintf(&b, "length: %gs\ntracks:\n", seconds)
	for i := range axes {
		fmt.Fprintf(&b, "  %s:\n", axisName(i, nameLength))
		k := 0
		for t := 0.0; t <= seconds; t += every * (0.6 + 0.8*r.Float64()) {
			fmt.Fprintf(&b, "    - [%.3fs, %.1fdeg%s]\n", t, 120*r.Float64()-60, map[bool]string{true: "", false: ", \"" + eases[r.Intn(len(eases))] + "\""}[k == 0])
			k++
		}
	}
	return b.String()
}

func marks(n int, from, gap float64) string {
	var b strings.Builder
	b.WriteString("marks: {")
	for i := range n {
		if i > 0 {
			b.WriteString(", ")
		}
		fmt.Fprintf(&b, "%s-tide: %.3fs", string(rune(97+i%26))+strings.Repeat("wave", 1+i/26), from+gap*float64(i))
	}
	b.WriteString("}\ncues:\n")
	for i := range n {
		fmt.Fprintf(&b, "  - {at: %.3fs, say: \"call %d from the gallery\"}\n", from+gap*float64(i)+gap/3, i)
	}
	return b.String()
}

// randomReport makes n findings over a performance, some with figures far out
// of it.
func randomReport(r *rand.Rand, p *interp.Performance, n int) *check.Report {
	words := strings.Fields("the keeper leans too far and the lantern swings beyond what its cord allows while the winch still pulls against it")
	rep := &check.Report{Duration: p.Length}
	for range n {
		f := check.Finding{Level: check.Level(r.Intn(3)), Rule: "made", From: (r.Float64()*1.1 - 0.02) * p.Length}
		f.To = f.From + r.Float64()*r.Float64()*p.Length*0.2
		switch r.Intn(5) {
		case 0:
			f.To = f.From
		case 1:
			f.From, f.To = 0, 0
		}
		switch r.Intn(6) {
		case 0:
			f.Supply = p.Rig.Supplies[0].Name
		case 1:
		default:
			f.Axis = p.Rig.Axes[r.Intn(len(p.Rig.Axes))].Name
		}
		for range 3 + r.Intn(40) {
			f.Message += words[r.Intn(len(words))] + " "
		}
		if r.Intn(2) == 0 {
			f.Remedy = "give it " + f.Message
		}
		rep.Findings = append(rep.Findings, f)
	}
	return rep
}

func randomTrace(r *rand.Rand, p *interp.Performance) *drive.Trace {
	t := drive.SupplyTrace{Supply: p.Rig.Supplies[0], Tide: make([]float64, 1+r.Intn(5000))}
	for i := range t.Tide {
		t.Tide[i] = 6 * r.Float64() * r.Float64()
		if t.Tide[i] > t.Peak {
			t.Peak, t.PeakAt = t.Tide[i], p.Length*float64(i)/float64(len(t.Tide))
		}
	}
	for range r.Intn(6) {
		t.Blame = append(t.Blame, drive.Draw{Axis: p.Rig.Axes[r.Intn(len(p.Rig.Axes))], Current: r.Float64(), State: "moving"})
	}
	return &drive.Trace{Supplies: []drive.SupplyTrace{t}}
}

// crowded are sheets with too much on them.
func crowded(t testing.TB) map[string]Sheet {
	r := rand.New(rand.NewSource(9))
	sheet := func(p *interp.Performance, findings int) Sheet {
		return Sheet{Performance: p, Report: randomReport(r, p, findings), Trace: randomTrace(r, p)}
	}
	return map[string]Sheet{
		"one axis":               sheet(made(t, 1, 0, "fps: 25\n"+busy(1, 0, 8, 1)), 3),
		"one axis, ten minutes":  sheet(made(t, 1, 0, "fps: 29.97\ntempo: 70\n"+busy(1, 0, 600, 2)), 20),
		"eight axes":             sheet(made(t, 8, 40, "fps: 24\ntempo: 120\n"+busy(8, 40, 20, 1)+marks(40, 3, 0.05)), 60),
		"32 axes":                sheet(made(t, 32, 60, busy(32, 60, 30, 1)+marks(10, 3, 2.5)), 60),
		"32 axes, three minutes": sheet(made(t, 32, 12, "fps: 59.94\n"+busy(32, 12, 180, 1)+marks(40, 3, 4)), 200),
		"480 axes":               sheet(made(t, 480, 30, "length: 5s\ntracks: {"+axisName(3, 30)+": [[0s, 0], [2s, 40]]}\n"), 60),
		"marks close together":   sheet(made(t, 3, 0, busy(3, 0, 60, 3)+marks(40, 50, 0.25)), 0),
		"a moment":               sheet(made(t, 2, 0, "fps: 24\ntempo: 60\n"+busy(2, 0, 0.08, 0.02)), 5),
		"two hours":              sheet(made(t, 2, 0, "fps: 24\n"+busy(2, 0, 7200, 30)+marks(20, 100, 200)), 10),
	}
}
