package card

import (
	"fmt"
	"os"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"limberjack/sequence"
)

// The board's program in C has the rooms that cards are held against: by default the usual
// one, and the most is what it refuses to be built beyond.
func TestRoomsAreThoseInC(t *testing.T) {
	read := func(name string) string {
		text, err := os.ReadFile("../firmware/src/core/" + name)
		if err != nil {
			t.Fatal(err)
		}
		return string(text)
	}
	header, source := read("lj_show.h"), read("lj_show.c")
	for _, test := range []struct {
		text, pattern string
		want          int
	}{
		{header, `#define LJ_SHOW_TIMERS (\d+)`, RoomUsual.Timers},
		{header, `#define LJ_SHOW_RANDOMS (\d+)`, RoomUsual.Randoms},
		{header, `#define LJ_SHOW_WAITING (\d+)u`, RoomUsual.Waiting},
		{header, `#define LJ_SHOW_WAITING (\d+)u`, RoomMost.Waiting},
		{source, `LJ_SHOW_TIMERS > (\d+) \|\|`, RoomMost.Timers},
		{source, `LJ_SHOW_RANDOMS > (\d+)\n`, RoomMost.Randoms},
	} {
		m := regexp.MustCompile(test.pattern).FindStringSubmatch(test.text)
		if m == nil || m[1] != strconv.Itoa(test.want) {
			t.Errorf("%s is %q in C, and cards count with %d", test.pattern, m, test.want)
		}
	}
}

// A show for which a board has no memory is refused where the first motion stands that is
// one too many.
func TestRoom(t *testing.T) {
	interval, lockout := Trigger{Starts: ByInterval, Board: noBoard}, Trigger{Starts: ByInput, Lockout: 1}
	waits := Trigger{Starts: ByInput, Busy: BusyWait}
	for _, test := range []struct {
		trigger    Trigger
		chip       string
		count      int
		text, hint string
	}{
		{interval, "atmega328p", 3, "", ""},
		{interval, "", 4, "x.show.yaml:4:1: m4 is one too many for board tower: its program has memory for 3 motions with every:", "--chip atmega2560"},
		{interval, "atmega328p", 17, "x.show.yaml:4:1: m4 is one too many for board tower: its program has memory for 3 motions with every:", "from one before it"},
		{interval, "atmega2560", 16, "", ""},
		{interval, "atmega2560", 17, "x.show.yaml:17:1: m17 is one too many for board tower: its program has memory for 16 motions with every:", "from one before it"},
		{lockout, "", 6, "", ""},
		{lockout, "", 7, "x.show.yaml:7:1: m7 is one too many for board tower: its program has memory for 6 times in all", "--chip atmega2560"},
		{lockout, "atmega2560", 16, "", ""},
		{Trigger{Starts: ByInput, Lockout: 1, Board: 1}, "", 7, "", ""}, // another board's
		{Trigger{Starts: ByInput}, "", 99, "", ""},
		{waits, "", 16, "", ""},
		{waits, "", 17, "x.show.yaml:17:1: m17 is one too many for board tower: its program has memory for 16 motions with while_busy: wait", "from one before it"},
		{Trigger{Busy: BusyWait, Board: noBoard, After: [mostAfter]uint16{1}}, "atmega2560", 17, "x.show.yaml:17:1: m17", "from one before it"},
	} {
		c := &Card{show: &sequence.Show{}, containers: []*container{{board: &sequence.Board{Name: "tower"}}}}
		for i := range test.count {
			c.show.Motions = append(c.show.Motions, &sequence.ShowMotion{Name: fmt.Sprintf("m%d", i+1), At: sequence.Pos{File: "x.show.yaml", Line: i + 1, Column: 1}})
		}
		c.index.Triggers = slices.Repeat([]Trigger{test.trigger}, test.count)
		room, err := RoomOf(test.chip)
		if err != nil {
			t.Fatal(err)
		}
		err = c.fits(room)
		if test.text == "" {
			if err != nil {
				t.Errorf("%d of %+v on %q: %v", test.count, test.trigger, test.chip, err)
			}
			continue
		}
		if err == nil || !strings.HasPrefix(err.Error(), test.text) || !strings.Contains(err.Error(), test.hint) || strings.Contains(err.Error(), "--chip") != (test.hint == "--chip atmega2560") {
			t.Errorf("%d of %+v on %q: %v", test.count, test.trigger, test.chip, err)
		}
	}
	if _, err := RoomOf("atmega328p-pwm"); err == nil {
		t.Error("a chip without a card has room for one")
	}
}
