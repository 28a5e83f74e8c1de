package firmware_test

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"limberjack/transport/firmware"
)

// quickRig is the gallery with the first of its gulls only, at another rate. Servos that take
// 333 Hz have pulses of 900 to 2100 us (common practice).
func quickRig(rate, gulls int) string {
	lines := strings.SplitAfter(galleryRig(250000), "\n")
	text := strings.Replace(strings.Join(lines[:len(lines)-1-12], ""), "50Hz", fmt.Sprintf("%dHz", rate), 1)
	for i := range gulls {
		text += fmt.Sprintf("  gull-%d: {kind: servo, board: gallery, channel: %d, travel: [0deg, 120deg], pulse: [[0deg, 900us], [120deg, 2100us]], rest: 60deg, limits: {speed: 600deg/s, acceleration: 20000deg/s2}}\n", i+1, i)
	}
	return text
}

// TestQuickRates: on the chip, boards that play more than 50 frames a second, every pulse of
// which is compared with the timeline, from a card.
func TestQuickRates(t *testing.T) {
	t.Parallel()
	for _, test := range []struct {
		rate, gulls int
		move        float64 // %, by which the time between two rises may be off
	}{
		{100, 6, 0.2},
		{333, 4, 12}, // 0.36 ms: a slot waits for a step of the card's player
	} {
		t.Run(fmt.Sprintf("%d Hz", test.rate), func(t *testing.T) {
			t.Parallel()
			motion := galleryMotion(4)
			if at := strings.Index(motion, fmt.Sprintf("  gull-%d:", test.gulls+1)); at > 0 {
				motion = motion[:at]
			}
			d := documents{"rig.yaml": quickRig(test.rate, test.gulls), "motion.yaml": motion}
			e, image, program := cardBoard(t, small, fmt.Sprintf("quick-%d", test.rate), d, "motion.yaml")
			c := newChip(t, program, 250000, "-c", image)
			c.do("delay %d", 500*cyclesPerUS)
			c.run(6_000_000 * cyclesPerUS)
			tl := e.lines[0][0]
			all, rows := pulsesOf(t, c.edges), framesOf(tl)
			begin := beginOfPulses(t, c, all, tl, rows)
			slot := 1e6 / float64(test.rate) * cyclesPerUS
			var width, period spread
			compared := 0
			for i := range tl.Channels {
				list := all[barePins[tl.Channels[i].Number]]
				for k, p := range list {
					want := rows[min(max(k-begin, 0), len(rows)-1)][i]
					width.add(tickError(p, want))
					if math.Abs(tickError(p, want)) > 1 {
						t.Fatalf("%s: frame %d is %d ticks, and %.2f come", barePins[i], k-begin, want, float64(p.width)/8)
					}
					if k > begin && k < begin+len(rows) {
						period.add(100 * (float64(p.rise-list[k-1].rise)/slot - 1))
					}
					if k >= begin && k < begin+len(rows) {
						compared++
					}
				}
			}
			s := c.stat()
			t.Logf("%d pulses compared, widths %s ticks, from rise to rise %s %%, processor %.1f %% busy", compared, width, period, 100*s["load"])
			if compared != len(rows)*len(tl.Channels) || period.least < -test.move || period.most > test.move {
				t.Errorf("%d pulses of %d, from rise to rise %s %%", compared, len(rows)*len(tl.Channels), period)
			}
		})
	}
}

// TestRates: what a chip has time for is said once, at the rate in the rig.
func TestRates(t *testing.T) {
	for _, test := range []struct {
		port        string
		rate, gulls int
		want        string // "": it can be had
	}{
		{"atmega328p", 50, 12, ""}, {"atmega328p", 60, 12, ""}, {"atmega328p", 100, 12, ""}, {"atmega328p", 128, 12, ""}, {"atmega328p", 333, 4, ""}, {"atmega328p", 1, 2, ""},
		{"atmega328p-pwm", 60, 4, ""}, {"atmega328p-pwm", 120, 4, ""}, {"atmega2560", 100, 12, ""},
		{"atmega328p", 130, 12, "a.rig.yaml:4:19: board gallery plays 130 frames a second, and the ATmega328P has time for 128 at most with its 12 outputs; write rate: 128Hz or less, or give the board fewer outputs"},
		{"atmega328p", 400, 2, "a.rig.yaml:4:19: board gallery plays 400 frames a second, and the ATmega328P has time for 350 at most with its 2 outputs; write rate: 350Hz or less"},
		{"atmega328p-pwm", 125, 4, "has time for 122 at most with its 4 outputs; write rate: 122Hz or less"},
		{"atmega328p-pwm", 1, 4, "a.rig.yaml:4:19: board gallery plays 1 frames a second, and the ATmega328P with a 16-channel PWM driver needs at least 26.4; 50Hz is usual"},
	} {
		rig := loadRig(t, quickRig(test.rate, test.gulls))
		p, err := firmware.ConfigOf(rig, rig.Boards[0], portOf(t, test.port))
		switch {
		case test.want == "" && err != nil:
			t.Errorf("%s, %d Hz: %v", test.port, test.rate, err)
		case test.want == "":
			if c := p.Config; c.Lead > c.Least/4000 || float64(c.Least) > 1e9/float64(test.rate) {
				t.Errorf("%s, %d Hz: lead %d us, periods from %d ns", test.port, test.rate, c.Lead, c.Least)
			}
		case err == nil || !strings.HasSuffix(err.Error(), test.want) || strings.Contains(err.Error(), "\n"):
			t.Errorf("%s, %d Hz: %v\nand not %q", test.port, test.rate, err, test.want)
		}
	}
}
