package sequence

import (
	"fmt"
	"strings"
	"testing"
)

// longMotion makes a motion of some axes and minutes with a key a second on each
// axis, and its rig, in the short form of keys that documents use.
func longMotion(axes, minutes int, form string) texts {
	var rig, motion strings.Builder
	rig.WriteString("rig: Many\nformat: 1\nsupplies: {rail: {voltage: 6V}}\nboards: {main: {rate: 50Hz, tick: 0.5us, channels: 64}}\naxes:\n")
	motion.WriteString("motion: Long\nformat: 1\nrig: many.rig.yaml\ntracks:\n")
	eases := []string{"", ", in-out", ", pchip", ", \"cubic-bezier(0.3, 0, 0.2, 1)\"", ", min-jerk"}
	for a := 0; a < axes; a++ {
		fmt.Fprintf(&rig, "  axis-%d: {kind: servo, board: main, channel: %d, supply: rail, travel: [-60deg, 60deg], pulse: [[-60deg, 1000us], [60deg, 2000us]]}\n", a, a)
		fmt.Fprintf(&motion, "  axis-%d:\n", a)
		for k := 0; k < 60*minutes; k++ {
			e := eases[(a+k)%len(eases)]
			value := (k*37+a*11)%100 - 50
			if form == "block" {
				fmt.Fprintf(&motion, "    - at: %d.%ds\n      to: %ddeg\n", k, k%10, value)
				continue
			}
			fmt.Fprintf(&motion, "    - [%d.%ds, %ddeg%s]\n", k, k%10, value, e)
		}
	}
	return texts{"many.rig.yaml": rig.String(), "long.motion.yaml": motion.String()}
}

func benchmarkLoad(b *testing.B, axes, minutes int, form string) {
	files := longMotion(axes, minutes, form)
	b.ReportAllocs()
	b.SetBytes(int64(len(files["long.motion.yaml"])))
	for b.Loop() {
		s, err := LoadMotion(files.open, "long.motion.yaml")
		if err != nil || len(s.Merged) != axes || len(s.Merged[0].Keys) != 60*minutes {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(axes*minutes*60), "ns/key")
}

// The cost is linear in keys: compare ns/key.
func BenchmarkLoadMotion(b *testing.B) {
	for _, minutes := range []int{1, 10, 100} {
		b.Run(fmt.Sprintf("32 axes x %d min", minutes), func(b *testing.B) { benchmarkLoad(b, 32, minutes, "short") })
	}
}

// Keys over several lines are read by the YAML library, value by value.
func BenchmarkLoadMotionOfBlocks(b *testing.B) { benchmarkLoad(b, 32, 10, "block") }

func BenchmarkSchema(b *testing.B) {
	for b.Loop() {
		if _, err := Schema("rig"); err != nil {
			b.Fatal(err)
		}
	}
}
