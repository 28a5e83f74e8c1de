package live

import (
	"encoding/json"
	"fmt"
	"io"
	"sync"
	"time"

	"limberjack/transport/wire"
)

// TakeVersion is the version of the form of takes.
const TakeVersion = 1

// takeQueue bounds the lines that wait for a slow disk.
const takeQueue = 4096

// Take is the log of what was sent and what came back: JSON, one object a line.
//
//	{"log":"head","take":1,...}    versions, and the date
//	{"log":"board",...}            a board that was connected: its identity, the fingerprints of rig and motion
//	{"log":"frames",...}           frames that left: index, host and board time of the first, spacing, values
//	{"log":"unsent",...}           frames that were given up: overtaken by a stop, too late, or with the link
//	{"log":"sent",...}             another message that left
//	{"log":"status",...}           a report of a board
//	{"log":"clock",...}            offset and drift of a board's clock
//	{"log":"event",...}            what Events tell of, but for progress
//	{"log":"missed",...}           lines that a slow disk cost
//	{"log":"end"}
//
// "host" is in microseconds of the host's clock, "tick" in those of the board's. A
// Take never holds the motion up: what cannot be written is left out. After a
// failure to write, such as a full disk, nothing more is written, and Failed is
// called once.
type Take struct {
	w      io.Writer
	failed func(error)
	lines  chan any
	done   chan struct{}

	mu     sync.Mutex
	missed int
	closed bool
	err    error
}

// TakeHead is the first line of a take.
type TakeHead struct {
	Log     string    `json:"log"`
	Take    int       `json:"take"`
	Program string    `json:"program"`
	Wire    int       `json:"protocol"`
	Name    string    `json:"name,omitempty"`
	Date    time.Time `json:"date"`
}

// NewTake begins a take. name is what the take is called, program the program and
// its version. failed, where it is not nil, is called when writing failed.
func NewTake(w io.Writer, name, program string, date time.Time, failed func(error)) *Take {
	t := &Take{w: w, failed: failed, lines: make(chan any, takeQueue), done: make(chan struct{})}
	t.lines <- TakeHead{Log: "head", Take: TakeVersion, Program: program, Wire: wire.Version, Name: name, Date: date}
	go t.run()
	return t
}

// Close writes what waits, and gives the failure to write, if there was one.
func (t *Take) Close() error {
	t.mu.Lock()
	if !t.closed {
		t.closed = true
		close(t.lines)
	}
	t.mu.Unlock()
	<-t.done
	return t.err
}

// add puts a line in. A nil take takes none.
func (t *Take) add(line any) {
	if t == nil {
		return
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.closed {
		return
	}
	select {
	case t.lines <- line:
	default:
		t.missed++
	}
}

func (t *Take) run() {
	defer close(t.done)
	for line := range t.lines {
		t.write(line)
		if n := t.takeMissed(); n > 0 {
			t.write(map[string]any{"log": "missed", "lines": n})
		}
	}
	t.write(map[string]any{"log": "end"})
}

func (t *Take) takeMissed() int {
	t.mu.Lock()
	defer t.mu.Unlock()
	n := t.missed
	t.missed = 0
	return n
}

func (t *Take) write(line any) {
	if t.err != nil {
		return
	}
	b, err := json.Marshal(line)
	if err == nil {
		_, err = t.w.Write(append(b, '\n'))
	}
	if err != nil {
		t.err = fmt.Errorf("the take is no longer written: %w", err)
		if t.failed != nil {
			t.failed(t.err)
		}
	}
}

// The lines of a take.
type (
	takeBoard struct {
		Log     string   `json:"log"`
		Board   string   `json:"board"`
		Name    string   `json:"name"`
		Link    string   `json:"link"`
		Boot    uint16   `json:"boot"`
		Rig     string   `json:"rig"`    // fingerprint
		Motion  string   `json:"motion"` // name
		Print   string   `json:"print"`  // fingerprint of the motion's values
		Channel []int    `json:"channels"`
		Axes    []string `json:"axes"`
	}
	takeFrames struct {
		Log     string     `json:"log"`
		Board   string     `json:"board"`
		Host    int64      `json:"host"`
		Index   wire.Index `json:"index"`
		Due     int64      `json:"due"` // host time of the first frame
		Tick    wire.Tick  `json:"tick"`
		Spacing uint32     `json:"spacing"`
		Values  [][]uint16 `json:"values"`
	}
	takeUnsent struct {
		Log    string     `json:"log"`
		Board  string     `json:"board"`
		Host   int64      `json:"host"`
		Index  wire.Index `json:"index"` // of the first; 0 where they were given none
		Frames int        `json:"frames"`
		Why    string     `json:"why"`
	}
	takeSent struct {
		Log   string       `json:"log"`
		Board string       `json:"board"`
		Host  int64        `json:"host"`
		Kind  string       `json:"kind"`
		What  wire.Message `json:"message"`
	}
	takeStatus struct {
		Log    string      `json:"log"`
		Board  string      `json:"board"`
		Host   int64       `json:"host"`
		Status wire.Status `json:"status"`
	}
	takeClock struct {
		Log    string  `json:"log"`
		Board  string  `json:"board"`
		Host   int64   `json:"host"`
		Tick   uint32  `json:"tick"`
		Drift  float64 `json:"ppm"`
		DriftU float64 `json:"ppm_sd"`
		Within float64 `json:"within_us"`
	}
	takeEvent struct {
		Log   string `json:"log"`
		Board string `json:"board,omitempty"`
		Host  int64  `json:"host"`
		What  string `json:"what"`
		Text  string `json:"text,omitempty"`
	}
)

// framesLine gives the line of a message of frames, whose values are copied.
func framesLine(board string, now, due time.Duration, m *wire.Frames, channels int) takeFrames {
	l := takeFrames{Log: "frames", Board: board, Host: now.Microseconds(), Index: m.Index, Due: due.Microseconds(), Tick: m.Time, Spacing: m.Spacing}
	for at := 0; at < m.Values.Len(); at += channels {
		row := make([]uint16, channels)
		for i := range row {
			row[i] = m.Values.At(at + i)
		}
		l.Values = append(l.Values, row)
	}
	return l
}
