package timeline

import (
	"slices"
	"testing"
)

// TestAddTrigger: the trigger is one more channel, in its place by its number, off in
// all frames; the others stay as they are.
func TestAddTrigger(t *testing.T) {
	const rigHead = "rig: R\nformat: 1\nboards: {main: {rate: 50Hz, tick: 1us, channels: 8}, shore: {rate: 25Hz, tick: 1us, channels: 8}, mast: {rate: 25Hz, tick: 1us, channels: 4}}\naxes:\n" +
		"  a: {kind: servo, board: main, channel: 2, travel: [0deg, 90deg], pulse: [[0deg, 1000us], [90deg, 2000us]]}\n" +
		"  b: {kind: switch, board: mast, channel: 0}\n"
	const motion = "motion: M\nformat: 1\nrig: r.rig.yaml\nlength: 2s\ntracks: {a: [[0s, 0], [1s, 45]], b: [[0s, off], [1s, on]]}\n"
	for name, c := range map[string]struct {
		sound  string
		boards []string
		board  int
		at     int
		frames int64
	}{
		"before":      {"sound: {delay: 300ms, trigger: {board: main, channel: 1, pulse: 50ms}}\n", []string{"main", "mast"}, 0, 0, 101},
		"behind":      {"sound: {trigger: {board: mast, channel: 3}}\n", []string{"main", "mast"}, 1, 1, 51},
		"a new board": {"sound: {trigger: {board: shore, channel: 7}}\n", []string{"main", "shore", "mast"}, 1, 0, 51},
		"none":        {"sound: {delay: 300ms}\n", []string{"main", "mast"}, -1, 0, 0},
		"no player":   {"", []string{"main", "mast"}, -1, 0, 0},
	} {
		t.Run(name, func(t *testing.T) {
			p := compile(t, map[string]string{"r.rig.yaml": rigHead + c.sound, "m.motion.yaml": motion}, "m.motion.yaml")
			lines, err := Build(p)
			if err != nil {
				t.Fatal(err)
			}
			got := AddTrigger(p.Rig, lines)
			var names []string
			for i, l := range got {
				names = append(names, l.Board.Name)
				for k := range l.Channels {
					if l.Channels[k].Trigger != (i == c.board && k == c.at) {
						t.Errorf("board %s: channel %d is a trigger: %v", l.Board.Name, k, l.Channels[k].Trigger)
					}
				}
				if !slices.IsSortedFunc(l.Channels, func(a, b Channel) int { return a.Number - b.Number }) {
					t.Errorf("board %s: channels are out of order", l.Board.Name)
				}
			}
			if !slices.Equal(names, c.boards) {
				t.Fatalf("the boards are %v, want %v", names, c.boards)
			}
			if c.board < 0 {
				return
			}
			l := got[c.board]
			if l.Frames != c.frames {
				t.Errorf("it has %d frames, want %d", l.Frames, c.frames)
			}
			var old *Reader
			oldAt := slices.IndexFunc(lines, func(o *Timeline) bool { return o.Board == l.Board })
			if oldAt >= 0 {
				old = lines[oldAt].Reader()
			}
			r, row := l.Reader(), make([]uint16, len(l.Channels))
			was := make([]uint16, len(l.Channels)-1)
			n := int64(0)
			for ; r.Next(row); n++ {
				if row[c.at] != 0 {
					t.Fatalf("frame %d: the trigger is %d", n, row[c.at])
				}
				if old != nil && (!old.Next(was) || !slices.Equal(slices.Delete(slices.Clone(row), c.at, c.at+1), was)) {
					t.Fatalf("frame %d is %v, without a trigger %v", n, row, was)
				}
			}
			if n != l.Frames {
				t.Errorf("there are %d frames of %d", n, l.Frames)
			}
		})
	}
}
