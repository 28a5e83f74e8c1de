package check

import (
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
	"testing"

	"limberjack/interp"
	"limberjack/interp/drive"
	"limberjack/sequence"
)

// Of random changes to the examples, one after another, the report that uses what was
// measured before is that of a fresh check, to the bit.
func TestAgainIsRun(t *testing.T) {
	t.Parallel()
	for _, name := range []string{"../../examples/lighthouse/greet.motion.yaml", "../../examples/lighthouse/storm.motion.yaml", "../../examples/lighthouse/idle.motion.yaml", "../../examples/waves/swell.motion.yaml"} {
		script, err := sequence.LoadMotion(func(name string) (io.ReadCloser, error) { return os.Open(name) }, name)
		if err != nil {
			t.Fatal(err)
		}
		text, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		m, err := sequence.NewManuscript(text, script)
		if err != nil {
			t.Fatal(err)
		}
		random := rand.New(rand.NewPCG(1, 2))
		var last *Measures
		used := 0
		for range 12 {
			if next, err := m.Change(randomChange(m.Script, random)); err == nil {
				m = next
				used++
			}
			p, err := interp.Compile(m.Script)
			if err != nil {
				t.Fatal(err)
			}
			trace := drive.Run(p)
			var report *Report
			report, last = Again(p, trace, nil, last)
			fresh := Run(p, trace, nil)
			// Printed, since a figure may be no number, which is never equal.
			if !reflect.DeepEqual(report.Axes, fresh.Axes) || fmt.Sprintf("%+v", report.Findings) != fmt.Sprintf("%+v", fresh.Findings) {
				t.Fatalf("%s: the report is\n%+v\nand a fresh one\n%+v", filepath.Base(name), report, fresh)
			}
		}
		if used < 4 {
			t.Errorf("%s: only %d changes could be made", name, used)
		}
	}
}

// randomChange moves a key a little, in time and value.
func randomChange(s *sequence.Script, random *rand.Rand) []sequence.Change {
	track := s.Tracks[random.IntN(len(s.Tracks))]
	key := track.Keys[random.IntN(len(track.Keys))]
	at := sequence.KeyAt{Track: track.Target.Name(), Index: key.Index}
	value, time := key.Value*(0.8+0.2*random.Float64()), key.Time+0.05*random.Float64()
	c := &sequence.SetKey{KeyAt: at, Value: &value}
	if !key.Locked && random.IntN(2) == 0 {
		c.Time = &time
	}
	return []sequence.Change{c}
}
