package main

import (
	"encoding/json"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"
	"sync"
	"time"

	"golang.org/x/term"

	"limberjack/transport/live"
)

// show tells what happens: a status line on a terminal, lines otherwise, or JSON.
type show struct {
	mu       sync.Mutex
	out      *unblocked
	errOut   *unblocked
	json     bool
	terminal *os.File // nil: what is written goes elsewhere
	line     bool     // a status line stands there
	mute     bool     // the motion has no sound
	boards   int
	latest   []live.Event // progress of each board
	last     time.Time    // when progress was told
}

func newShow(out, errOut io.Writer, asJSON bool) *show {
	s := &show{out: newUnblocked(out), errOut: newUnblocked(errOut), json: asJSON, boards: 1}
	if f, ok := out.(*os.File); ok && !asJSON && term.IsTerminal(int(f.Fd())) {
		s.terminal = f
	}
	return s
}

// note writes a line for people; with JSON it goes to standard error.
func (s *show) note(text string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.clear()
	if s.json {
		fmt.Fprintln(s.errOut, text)
		return
	}
	fmt.Fprintln(s.out, text)
}

func (s *show) clear() {
	if s.line {
		fmt.Fprint(s.out, "\r\x1b[K")
		s.line = false
	}
}

// end ends the status line, and waits until all was written, but no longer than a reader
// deserves.
func (s *show) end() {
	s.mu.Lock()
	if s.line {
		fmt.Fprintln(s.out)
		s.line = false
	}
	s.mu.Unlock()
	s.out.flush()
	s.errOut.flush()
}

// plainEvery is how often progress is told where there is no terminal.
const plainEvery = 5 * time.Second

func (s *show) event(e live.Event) {
	s.mu.Lock()
	defer s.mu.Unlock()
	switch {
	case e.What == live.Sound && s.mute:
	case e.What == live.Progress:
		s.progress(e)
	case s.json:
		s.asJSON(e)
	default:
		s.clear()
		fmt.Fprintln(s.out, eventText(e))
	}
}

// progress takes one board's, and tells of all when the last one's has come.
func (s *show) progress(e live.Event) {
	if s.json {
		s.asJSON(e)
		return
	}
	i := slices.IndexFunc(s.latest, func(l live.Event) bool { return l.Board == e.Board })
	if i < 0 {
		s.latest = append(s.latest, e)
		i = len(s.latest) - 1
	}
	s.latest[i] = e
	if i < s.boards-1 {
		return
	}
	if s.terminal != nil {
		text := progressText(s.latest)
		if width, _, err := term.GetSize(int(s.terminal.Fd())); err == nil && width > 0 {
			r := []rune(text)
			text = string(r[:min(len(r), width-1)]) // of a longer one a part would stay when it is cleared
		}
		fmt.Fprintf(s.out, "\r\x1b[K%s", text)
		s.line = true
		return
	}
	if now := time.Now(); now.Sub(s.last) >= plainEvery {
		s.last = now
		fmt.Fprintln(s.out, progressText(s.latest))
	}
}

func eventText(e live.Event) string {
	text := e.What.String()
	if e.Board != "" {
		text = e.Board + ": " + text
	}
	if e.Text != "" {
		text += ": " + e.Text
	}
	if e.Left > 0 {
		text += fmt.Sprintf(" (%.1f s)", e.Left.Seconds())
	}
	return text
}

// progressText is a bar with the position, and each board's buffer, lateness and drift.
func progressText(boards []live.Event) string {
	const width = 24
	e, done := boards[0], 0
	if e.Length > 0 {
		done = max(0, min(width, int((e.Position-e.Begin)/e.Length*width)))
	}
	text := fmt.Sprintf("[%s%s] %6.2f of %.2f s", strings.Repeat("=", done), strings.Repeat(" ", width-done), e.Position, e.Begin+e.Length)
	for _, e := range boards {
		text += "  " + boardText(e)
	}
	if e.Skew > 0 {
		text += fmt.Sprintf("  apart %.1f ms at most", e.Skew.Seconds()*1000)
	}
	return text
}

func boardText(e live.Event) string {
	drift := "?" // until something is known of it
	if e.DriftSD < 50 {
		drift = fmt.Sprintf("%+.0f", e.Drift)
	}
	text := fmt.Sprintf("%s  late %d  drift %s ppm  ahead %d ms", e.Board, e.Late, drift, e.Buffer.Milliseconds())
	for _, c := range []struct {
		n    int
		what string
	}{{e.Bridged, "bridged"}, {e.Clamped, "cut to limits"}, {e.Bad, "spoilt"}, {e.Stale, "not sent"}} {
		if c.n > 0 {
			text += fmt.Sprintf("  %d %s", c.n, c.what)
		}
	}
	if e.Supply > 0 {
		text += fmt.Sprintf("  %.2f V", float64(e.Supply)/1000)
	}
	return text
}

// playEvent is an event as JSON has it; times are in seconds.
type playEvent struct {
	Event string  `json:"event"`
	Host  float64 `json:"host_s"`
	Board string  `json:"board,omitempty"`
	Text  string  `json:"text,omitempty"`
	Left  float64 `json:"left_s,omitempty"`
}

// playProgress is an event of progress, which has more to tell.
type playProgress struct {
	playEvent
	Position  float64 `json:"position_s"`
	Begin     float64 `json:"begin_s,omitempty"`
	Length    float64 `json:"length_s,omitempty"`
	Round     int     `json:"round,omitempty"`
	Buffer    float64 `json:"ahead_s"`
	Queued    int     `json:"queued"`
	Late      int     `json:"late"`
	Bridged   int     `json:"bridged"`
	Clamped   int     `json:"clamped"`
	Bad       int     `json:"bad"`
	Stale     int     `json:"stale"`
	Drift     float64 `json:"drift_ppm"`
	DriftSD   float64 `json:"drift_sd_ppm"`
	RoundTrip float64 `json:"round_trip_s"`
	Skew      float64 `json:"skew_s"`
	Supply    float64 `json:"supply_v,omitempty"`
	State     string  `json:"state"`
}

func (s *show) asJSON(e live.Event) {
	head := playEvent{Event: e.What.String(), Host: e.Time.Seconds(), Board: e.Board, Text: e.Text, Left: e.Left.Seconds()}
	var what any = head
	if e.What == live.Progress {
		what = playProgress{playEvent: head, Position: e.Position, Begin: e.Begin, Length: e.Length, Round: e.Round, Buffer: e.Buffer.Seconds(), Queued: e.Queued,
			Late: e.Late, Bridged: e.Bridged, Clamped: e.Clamped, Bad: e.Bad, Stale: e.Stale, Drift: e.Drift, DriftSD: e.DriftSD,
			RoundTrip: e.RoundTrip.Seconds(), Skew: e.Skew.Seconds(), Supply: float64(e.Supply) / 1000, State: e.State.String()}
	}
	if line, err := json.Marshal(what); err == nil {
		fmt.Fprintf(s.out, "%s\n", line)
	}
}
