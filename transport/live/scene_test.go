package live

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"limberjack/transport/board"
	"limberjack/transport/timeline"
	"limberjack/transport/wire"
)

// TestScene1 is one micro servo on a port just opened: no pulse until it is armed,
// the start from the confirmed rest at no more than 30 deg/s.
func TestScene1(t *testing.T) {
	leaks(t)
	rig, tls := load(t, strings.Split(keeperRig, "  jaw:")[0], `motion: One servo
format: 1
rig: rig.yaml
length: 0.4s
tracks:
  arm: [[0s, 40deg], [0.4s, 50deg, min-jerk]]
`)
	tl := tls[0]
	p := newProp(t, rig, rig.Boards[0], func(o *board.Options) { o.OnOpen, o.Restart = true, 600*time.Millisecond })
	var d diary
	b := connect(t, p.serial(t, 115200), Options{Timeline: tl, Events: d.note})
	if err := Play(t.Context(), []*Board{b}, []*timeline.Timeline{tl}, PlayOptions{}); !errors.Is(err, ErrNotArmed) {
		t.Errorf("a board that is not armed plays: %v", err)
	}
	time.Sleep(300 * time.Millisecond)
	if n := p.pulses(); n > 0 {
		t.Fatalf("%d slots with pulses before the board was armed", n)
	}
	if err := b.Arm(t.Context(), nil); err != nil {
		t.Fatal(err)
	}
	if err := Play(t.Context(), []*Board{b}, []*timeline.Timeline{tl}, PlayOptions{CountIn: 200 * time.Millisecond}); err != nil {
		t.Fatal(err)
	}
	// From 10 deg (1000 us) to 40 deg (1300 us); 10 us are 1 deg.
	var before slot
	soft := 0
	for _, s := range p.played() {
		if !s.live[0] {
			continue
		}
		if before.live == nil && s.values[0] != 2000 {
			t.Fatalf("the first pulse is %d ticks, not the confirmed 2000", s.values[0])
		}
		if before.live != nil && s.values[0] <= 2600 {
			speed := math.Abs(float64(s.values[0])-float64(before.values[0])) / 20 / (float64(s.us-before.us) / 1e6)
			if speed > 30 {
				t.Errorf("%.2f deg/s at %d us in the soft start", speed, s.us)
			}
			soft++
		}
		before = s
	}
	if soft < 50 {
		t.Errorf("the soft start of 30 deg took %d slots, at 30 deg/s it needs 50 or more", soft)
	}
	if before.values[0] != 2800 { // 50 deg, 1400 us
		t.Errorf("the last pulse is %d ticks, not 2800", before.values[0])
	}
	if n := len(d.all(Connected)); n != 1 {
		t.Errorf("%d times connected", n)
	}
}

// TestScene8 pulls the cable in the middle of a move. Within 250 ms and what the
// axes' deceleration takes each axis does its policy, what carries weight keeps its
// pulses; the board is disarmed when the cable is back.
func TestScene8(t *testing.T) {
	leaks(t)
	rig, tl := keeper(t)
	p := newProp(t, rig, rig.Boards[0], nil)
	var d diary
	b := connect(t, p.serial(t, 115200), Options{Timeline: tl, Events: d.note, Dial: dialer(p)})
	if err := b.Arm(t.Context(), nil); err != nil {
		t.Fatal(err)
	}
	failed := make(chan error, 1)
	var play diary
	go func() {
		failed <- Play(t.Context(), []*Board{b}, []*timeline.Timeline{tl}, PlayOptions{Events: play.note})
	}()
	play.expect(t, Started, 5*time.Second)
	time.Sleep(400 * time.Millisecond)
	cut := systemClock.Now()
	p.server.Cut(time.Second)
	var lost *LostError
	select {
	case err := <-failed:
		if !errors.As(err, &lost) {
			t.Fatalf("Play gives %v", err)
		}
	case <-time.After(3 * time.Second):
		t.Fatal("Play goes on without a board")
	}
	eventually(t, time.Second, "the board is lost", func() bool { return p.server.State() == wire.StateLost })
	time.Sleep(700 * time.Millisecond)
	checkLost(t, p.played(), cut)
	eventually(t, 5*time.Second, "connected again", func() bool { return len(d.all(Connected)) == 2 })
	if armed, _ := b.Armed(); armed {
		t.Error("the board is armed after the cable came back")
	}
	if err := Play(t.Context(), []*Board{b}, []*timeline.Timeline{tl}, PlayOptions{}); !errors.Is(err, ErrNotArmed) {
		t.Errorf("it plays without being armed: %v", err)
	}
	from := len(p.played())
	if err := b.Arm(t.Context(), nil); err != nil {
		t.Fatal(err)
	}
	if err := Play(t.Context(), []*Board{b}, []*timeline.Timeline{tl}, PlayOptions{To: 0.2}); err != nil {
		t.Fatal(err)
	}
	checkSpeeds(t, b, p.played()[from-1:])
}

// checkLost looks at what the axes did after the cable was cut.
func checkLost(t *testing.T, slots []slot, cut time.Duration) {
	t.Helper()
	var still, lost time.Duration
	var last slot
	for i, s := range slots {
		if i > 0 && s.live[0] && s.values[0] != slots[i-1].values[0] {
			still = s.host
		}
		if !s.live[0] && last.live[0] {
			t.Error("the arm, which carries weight, was let go")
		}
		if s.state == wire.StateLost && lost == 0 {
			lost = s.host
		}
		last = s
	}
	// The buffer holds a part of the motion; after 250 ms of silence all is brought to rest: from
	// 120 deg/s with 1200 deg/s2 within 100 ms. 50 ms are the scheduler's.
	if lost == 0 || lost-cut > 300*time.Millisecond {
		t.Errorf("the board was lost %v after the cut", lost-cut)
	}
	if still-cut > 400*time.Millisecond {
		t.Errorf("the arm moved until %v after the cut", still-cut)
	}
	if last.live[3] {
		t.Error("the lid was not released")
	}
	if !last.live[1] || last.values[1] != 3020 { // 0 deg of the jaw: 1510 us
		t.Errorf("the jaw is at %d ticks and not at rest, 3020", last.values[1])
	}
}

// checkSpeeds holds each step of the servos against the limits that the board was
// given.
func checkSpeeds(t *testing.T, b *Board, slots []slot) {
	t.Helper()
	for i := 1; i < len(slots); i++ {
		for c := range b.tl.Channels {
			n := uint8(b.tl.Channels[c].Number)
			if b.bounds[c].unit != wire.UnitTicks || !slots[i].live[n] || !slots[i-1].live[n] {
				continue
			}
			if d := abs(int64(slots[i].values[n]) - int64(slots[i-1].values[n])); d > int64(b.bounds[c].change) {
				t.Errorf("channel %d jumps by %d ticks, %d are allowed", n, d, b.bounds[c].change)
			}
		}
	}
}

const sixServos = `rig: Six
format: 1
boards:
  main: {rate: 50Hz, tick: 0.5us, channels: 8, baud: 250000}
axes:
`

// six gives six servos and 90 s of motion at 24 frames a second.
func six(t *testing.T, last string) (*timeline.Timeline, func() *prop) {
	rig, motion := sixServos, "motion: Long\nformat: 1\nrig: rig.yaml\nfps: 24\nlength: 90s\ntracks:\n"
	for i := range 6 {
		rig += fmt.Sprintf("  s%d: {kind: servo, board: main, channel: %d, travel: [-60deg, 60deg], pulse: [[-60deg, 900us], [60deg, 2100us]]}\n", i, i)
		motion += fmt.Sprintf("  s%d: [[0s, %ddeg], [00:00:00:12, %ddeg, min-jerk], [45s, -20deg, min-jerk], [90s, %s, min-jerk]]\n", i, i, 5+2*i, last)
	}
	r, tls := load(t, rig, motion)
	return tls[0], func() *prop { return newProp(t, r, r.Boards[0], nil) }
}

// longRuns names the variable that makes tests play all of what they otherwise play a
// part of. Their time is then real: go test -timeout 30m.
const longRuns = "LIMBERJACK_LONG"

// TestScene3 plays 90 s of six servos ten times, or 0.4 s of them unless LIMBERJACK_LONG
// is set: the commands are identical, the starts within 20 ms, and each take carries the
// motion's version.
func TestScene3(t *testing.T) {
	leaks(t)
	const rate = 50
	to, frames := 0.4, 21 // frames 0 to 20
	if os.Getenv(longRuns) != "" {
		to, frames = 90, 90*rate+1
	}
	tl, start := six(t, "0deg")
	other, _ := six(t, "1deg")
	if _, print := survey(other); print == mustPrint(tl) {
		t.Error("another motion has the same version")
	}
	p := start()
	var first [][]uint16
	var offsets []time.Duration
	for take := range 10 {
		var log bytes.Buffer
		k := NewTake(&log, fmt.Sprint(take+1), "test", time.Unix(0, 0), nil)
		t.Cleanup(func() { k.Close() })
		b := connect(t, p.socket(t), Options{Timeline: tl, Take: k})
		if err := b.Arm(t.Context(), nil); err != nil {
			t.Fatal(err)
		}
		var d diary
		from := len(p.played())
		if err := Play(t.Context(), []*Board{b}, []*timeline.Timeline{tl}, PlayOptions{To: to, End: EndRelease, Events: d.note}); err != nil {
			t.Fatal(err)
		}
		st := b.Status()
		b.Close()
		rows, at := motionRows(p.played()[from:], tl, frames)
		offsets = append(offsets, at-d.all(Started)[0].Time)
		told := d.all(Progress)
		t.Logf("take %d: the first frame is %v after the start, %d frames; late %d, bridged %d, not sent %d", take+1, offsets[take], len(rows), st.Late, st.Bridged, told[len(told)-1].Stale)
		if first == nil {
			first = rows
		}
		if k := differ(rows, first); k >= 0 {
			t.Errorf("take %d has other commands than the first, from frame %d of %d and %d on", take+1, k, len(rows), len(first))
		}
		if err := k.Close(); err != nil {
			t.Fatal(err)
		}
		head := of(lines(t, log.Bytes()), "board")
		if len(head) != 1 || head[0]["print"] != mustPrint(tl) || head[0]["rig"] != tl.Fingerprint || head[0]["motion"] != "Long" {
			t.Errorf("take %d is of %v", take+1, head)
		}
	}
	if len(first) != frames {
		t.Errorf("%d frames were played, %.1f s have %d", len(first), to, frames)
	}
	reader, row := tl.Reader(), make([]uint16, 6)
	for i := range first {
		reader.Next(row)
		if !slices.Equal(first[i], row) {
			t.Errorf("frame %d is %v on the board, %v in the timeline", i, first[i], row)
			break
		}
	}
	if spread := slices.Max(offsets) - slices.Min(offsets); spread > 20*time.Millisecond {
		t.Errorf("the starts are %v apart: %v", spread, offsets)
	}
}

// differ gives the first row in which two lists differ, or -1.
func differ(a, b [][]uint16) int {
	for k := range max(len(a), len(b)) {
		if k >= len(a) || k >= len(b) || !slices.Equal(a[k], b[k]) {
			return k
		}
	}
	return -1
}

func mustPrint(tl *timeline.Timeline) string { _, print := survey(tl); return print }

// motionRows gives the last n frames that were played, and when the first of them
// was.
func motionRows(slots []slot, tl *timeline.Timeline, n int) (rows [][]uint16, at time.Duration) {
	var framed []slot
	for _, s := range slots {
		if s.framed {
			framed = append(framed, s)
		}
	}
	framed = framed[max(0, len(framed)-n):]
	for _, s := range framed {
		row := make([]uint16, len(tl.Channels))
		for i := range row {
			row[i] = s.values[uint8(tl.Channels[i].Number)]
		}
		rows = append(rows, row)
	}
	if len(framed) == 0 {
		return nil, 0
	}
	return rows, framed[0].host
}

// TestScene4 plays with a sound player that is 300 ms late, on a board whose clock is
// off by -3283 ppm (one of the measured resonators): each frame of the jaw comes within
// +15 and -45 ms of the sound that it belongs to.
func TestScene4(t *testing.T) {
	leaks(t)
	rig, tl := keeper(t)
	p := newProp(t, rig, rig.Boards[0], func(o *board.Options) { o.PPM = -3283 })
	b := connect(t, p.serial(t, 115200), Options{Timeline: tl})
	if err := b.Arm(t.Context(), nil); err != nil {
		t.Fatal(err)
	}
	var d diary
	if err := Play(t.Context(), []*Board{b}, []*timeline.Timeline{tl}, PlayOptions{SoundDelay: 300 * time.Millisecond, Events: d.note}); err != nil {
		t.Fatal(err)
	}
	var framed []slot
	for _, s := range p.played() {
		if s.framed {
			framed = append(framed, s)
		}
	}
	framed = framed[len(framed)-int(tl.Frames):]
	heard := d.all(Sound)[0].Time + 300*time.Millisecond
	var off []time.Duration
	for k, s := range framed {
		off = append(off, s.host-heard-time.Duration(k)*20*time.Millisecond)
	}
	slices.Sort(off)
	// The tenths at both ends are left to the scheduler of the machine that tests.
	early, late := off[len(off)/10], off[len(off)*9/10]
	if early < -45*time.Millisecond || late > 15*time.Millisecond {
		t.Errorf("the jaw is from %v to %v after the sound", early, late)
	}
	if st := b.Status(); st.Late > 0 || st.Clamped > 0 {
		t.Errorf("%d frames late, %d values clamped", st.Late, st.Clamped)
	}
}
