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

// The notes count with the numbers that the board's program is built with.
func TestMemoryNotes(t *testing.T) {
	source, err := os.ReadFile("../firmware/src/core/lj_show.h")
	if err != nil {
		t.Fatal(err)
	}
	for name, want := range map[string]int{"LJ_SHOW_TIMERS": boardTimers, "LJ_SHOW_RANDOMS": boardRandoms} {
		m := regexp.MustCompile(`#define ` + name + ` (\d+)`).FindSubmatch(source)
		if m == nil || string(m[1]) != strconv.Itoa(want) {
			t.Errorf("%s is %q, and the notes count with %d", name, m, want)
		}
	}
	for _, test := range []struct {
		trigger Trigger
		count   int
		note    string
	}{
		{Trigger{Starts: ByInterval, Board: noBoard}, 3, ""},
		{Trigger{Starts: ByInterval, Board: noBoard}, 4, "x.show.yaml:4:1: the motions of board tower have 4 lockouts and intervals, 4 of these"},
		{Trigger{Starts: ByInput, Lockout: 1}, 6, ""},
		{Trigger{Starts: ByInput, Lockout: 1}, 7, "x.show.yaml:7:1: the motions of board tower have 7 lockouts"},
		{Trigger{Starts: ByInput, Lockout: 1, Board: 1}, 7, ""}, // another board's
		{Trigger{Starts: ByInput, Busy: BusyWait}, 16, ""},
		{Trigger{Starts: ByInput, Busy: BusyWait}, 17, "x.show.yaml:17:1: 17 motions may wait on board tower"},
	} {
		c := &Card{show: &sequence.Show{}, containers: []*container{{board: &sequence.Board{Name: "tower"}}}}
		for i := range test.count {
			c.show.Motions = append(c.show.Motions, &sequence.ShowMotion{Name: fmt.Sprint(i), At: sequence.Pos{File: "x.show.yaml", Line: i + 1, Column: 1}})
		}
		c.memoryNotes(slices.Repeat([]Trigger{test.trigger}, test.count))
		if got := strings.Join(c.Notes, "\n"); !strings.HasPrefix(got, test.note) || (got == "") != (test.note == "") {
			t.Errorf("%d of %+v: %q", test.count, test.trigger, got)
		}
	}
}
