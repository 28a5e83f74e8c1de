package firmware_test

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"

	"limberjack/transport/card"
)

// What is tried before a prop is handed over (common practice): 20 cold starts, and a trigger
// that somebody leans on.

// Needs: 20 cold starts are all alike. The board's clock, the time a card takes and what stands
// at the inputs differ; what comes out differs only in how long the rest is held first.
func TestNeedsTwentyColdStarts(t *testing.T) {
	t.Parallel()
	e := exhibitOf(t, galleryShow(galleryMotions, nil), "gallery.show.yaml", card.ImageOptions{})
	program, want := e.program(t, false), passageOf(t, e.lines[0][0], &e.contents.Motions[0])
	var rest []int64
	for i := range e.contents.Channels {
		rest = append(rest, int64(e.contents.Channels[i].Rest))
	}
	dice := rand.New(rand.NewPCG(20, 1))
	var first [][]int64
	for start := range 20 {
		clock := beginnings[start%len(beginnings)] + dice.Uint32N(1<<20)
		delay, seen := 200+dice.IntN(99_800), start%3*2 // us a read; a visitor stands there already
		o := playCard(t, program, e.image, clock, fmt.Sprintf("0 delay %d", delay), fmt.Sprintf("0 in %d", seen), "0 slots 1", "14000000 end")
		list, at := beginOf(t, o, want, 0)
		softly(t, e, list[:at+1])
		if n := o.last(); n.late > 0 || n.clamped > 0 || n.leftOut > 0 || n.longest > 20_100 || len(o.all("code")) > 0 || len(o.asked(t, 1)) > 0 {
			t.Errorf("start %d: %+v, codes %v, greetings at %v", start, n, o.all("code"), o.asked(t, 1))
		}
		if v := list[0].values(t); !slices.Equal(v, rest) {
			t.Errorf("start %d: the first pulses are %v, and rest is %v", start, v, rest)
		}
		if list[at].at > 5_000_000 {
			t.Errorf("start %d: the show begins only after %d us", start, list[at].at)
		}
		var rows [][]int64
		for _, s := range list[:at+len(want)] {
			if v := s.values(t); len(rows) > 0 || !slices.Equal(v, rest) {
				rows = append(rows, v)
			}
		}
		if first == nil {
			first = rows
		}
		if !slices.EqualFunc(first, rows, slices.Equal[[]int64]) {
			t.Errorf("start %d, clock %d, %d us a read: its %d slots are not the %d of the first start", start, clock, delay, len(rows), len(first))
		}
	}
	t.Logf("20 starts, %d slots each from rest to the end of the motion", len(first))
}

// Needs: trigger spam. An input changes five times a second and chatters in between, from
// power-up on. In the warm-up of 60 s nothing starts; then a greeting each 20 s, which the
// lockout says, each to its end and value by value, and no frame is late.
func TestNeedsTriggerSpam(t *testing.T) {
	t.Parallel()
	e := exhibitOf(t, galleryShow(galleryMotions, nil), "gallery.show.yaml", card.ImageOptions{})
	want := passageOf(t, e.lines[1][0], &e.contents.Motions[1])
	const end = 300_000_000
	script, edges := []string{"0 slots 1"}, 0
	dice := rand.New(rand.NewPCG(24, 6))
	for at := int64(0); at < end-200_000; at += 200_000 {
		script = append(script, fmt.Sprintf("%d in 2", at))
		for k, bounce := int64(0), at+500; k < 3; k, bounce = k+1, bounce+1000 { // shorter than it is debounced, 5 ms
			script = append(script, fmt.Sprintf("%d in 0", bounce), fmt.Sprintf("%d in 2", bounce+200+dice.Int64N(700)))
		}
		script, edges = append(script, fmt.Sprintf("%d in 0", at+100_000)), edges+1
	}
	o := playCard(t, e.program(t, false), e.image, 0, append(script, fmt.Sprintf("%d end", end))...)
	asked, starts, slots := o.asked(t, 1), o.starts(t, 1), o.all("slot")
	if len(asked) == 0 || asked[0] < warmUp || asked[0] > warmUp+200_000+grain {
		t.Fatalf("greetings are begun at %v us; the first is due at %d", asked, warmUp)
	}
	for i, at := range starts {
		if i > 0 && (at-starts[i-1] < lockout || asked[i]-starts[i-1] > lockout+200_000+grain) {
			t.Errorf("greeting %d begins %d us after the one before, asked for after %d", i, at-starts[i-1], asked[i]-starts[i-1])
		}
		if at+6_500_000 > end {
			continue // its end is not seen
		}
		k := slices.IndexFunc(slots, func(s told) bool { return s.at == at })
		if d := want.differs(t, slots[k:]); d != "" {
			t.Errorf("greeting %d does not come out as it is: %s", i, d)
		}
	}
	if n := o.last(); n.late > 0 || n.clamped > 0 || n.leftOut > 0 || n.longest > 20_100 || len(o.all("code")) > 0 {
		t.Errorf("%+v, codes %v", n, o.all("code"))
	}
	if least := (end - warmUp) / (lockout + 3_000_000); len(starts) < least {
		t.Errorf("only %d greetings, at least %d fit", len(starts), least)
	}
	t.Logf("%d edges, %d greetings", edges, len(starts))
}
