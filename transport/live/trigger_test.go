package live

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"limberjack/transport/timeline"
)

const playerOnRig = "sound: {delay: 300ms, trigger: {board: main, channel: 8, pulse: 50ms}}\n"

// TestTrigger plays two rounds of a motion on a rig whose sound player is 300 ms late:
// the trigger comes on by so much before the motion, in both rounds, for a pulse of at
// least 50 ms, and at no other time. Times are the board's own, by its slots.
func TestTrigger(t *testing.T) {
	for _, loop := range []bool{false, true} {
		t.Run(fmt.Sprintf("loop %v", loop), func(t *testing.T) {
			leaks(t)
			motion := strings.Replace(fmt.Sprintf(keeperMotion, "1.6s"), "beacon: [[0s, 0deg], [1.5s, 60deg, min-jerk]]", "beacon: [[0s, 0deg], [0.8s, 30deg, min-jerk], [1.6s, 0deg, min-jerk]]", 1)
			motion += fmt.Sprintf("loop: %v\n", loop)
			rig, tls := load(t, keeperRig+playerOnRig, motion)
			tls = timeline.AddTrigger(rig, tls)
			p := newProp(t, rig, rig.Boards[0], nil)
			b := connect(t, p.serial(t, 115200), Options{Timeline: tls[0]})
			if err := b.Arm(t.Context(), nil); err != nil {
				t.Fatal(err)
			}
			// The count-in is the command's: a clock that is known for a second only may still be
			// found to be 2 ms elsewhere between trigger and motion.
			if err := Play(t.Context(), []*Board{b}, tls, PlayOptions{Rounds: 2, SoundDelay: 300 * time.Millisecond, Trigger: 50 * time.Millisecond, CountIn: 3 * time.Second}); err != nil {
				t.Fatal(err)
			}
			if st := b.Status(); st.Late > 0 || st.Clamped > 0 {
				t.Fatalf("%d frames late, %d values clamped", st.Late, st.Clamped)
			}
			var on, off []int64 // us
			var starts []int64  // of rounds: the horn comes on 25 frames into each
			was, horn := uint16(0), uint16(0)
			for _, s := range p.played() {
				switch v := s.values[8]; {
				case v == 1 && was == 0:
					on = append(on, s.us)
				case v == 0 && was == 1:
					off = append(off, s.us)
				}
				if s.values[6] == 1 && horn == 0 {
					starts = append(starts, s.us-500_000)
				}
				was, horn = s.values[8], s.values[6]
			}
			if len(on) != 2 || len(off) != 2 || len(starts) != 2 {
				t.Fatalf("the trigger came on at %v us and off at %v us, rounds began at %v us", on, off, starts)
			}
			for i := range on {
				// The first is exact, others are in the motion's frames.
				slop := int64(1_000 + i*10_000)
				if early := starts[i] - on[i]; early < 300_000-slop || early > 300_000+slop {
					t.Errorf("round %d: the trigger is %d us before the motion, want 300000", i+1, early)
				}
				if pulse := off[i] - on[i]; pulse < 50_000 || pulse > 71_000 {
					t.Errorf("round %d: the pulse lasts %d us, want 50000 in whole frames", i+1, pulse)
				}
			}
		})
	}
}
