package card

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"strings"
)

// Contents is what is on a card, or in one file of it.
type Contents struct {
	Show    string          `json:"show,omitempty"`
	JoinS   *float64        `json:"join_s,omitempty"`
	Boards  []BoardContents `json:"boards,omitempty"`
	Motions []Starts        `json:"motions,omitempty"` // of the index

	index *Index
}

// BoardContents is what is in a container.
type BoardContents struct {
	File        string            `json:"file"`
	Board       string            `json:"board"`
	Bytes       int64             `json:"bytes"`
	Pieces      int               `json:"pieces,omitempty"` // in which it lies on a card that something else formatted
	CRC         string            `json:"crc32"`            // as the header has it, of all sectors but the first
	Fingerprint string            `json:"fingerprint"`
	Rig         string            `json:"rig"`
	RateHz      float64           `json:"rate_hz"`
	PeriodNS    uint32            `json:"period_ns"` // by the board's own clock
	DriftPPM    float64           `json:"drift_ppm"`
	TickUS      float64           `json:"tick_us"`
	FramesEach  int               `json:"frames_a_sector"`
	Channels    []ChannelContents `json:"channels"`
	Motions     []MotionContents  `json:"motions"`
}

// ChannelContents is a channel in a container.
type ChannelContents struct {
	Name   string  `json:"name"`
	Output int     `json:"output"`
	Unit   string  `json:"unit"`
	Lost   string  `json:"lost"`
	Weight bool    `json:"weight"`
	Turns  bool    `json:"turns"`
	Sound  bool    `json:"sound"`
	Offset int     `json:"offset"`
	Low    int32   `json:"low"`
	High   int32   `json:"high"`
	Rest   int32   `json:"rest"`
	Change uint32  `json:"change"`
	Slow   uint32  `json:"slow"`
	Soft   float64 `json:"soft"`
	Rise   float64 `json:"rise"`
}

// MotionContents is a motion in a container.
type MotionContents struct {
	Name     string        `json:"name"`
	Frames   uint32        `json:"frames"`
	Seconds  float64       `json:"seconds"` // of performance time, without the prelude
	PreludeS float64       `json:"prelude_s"`
	Loop     bool          `json:"loop"`
	Seamless bool          `json:"seamless"`
	Sector   uint32        `json:"sector"`
	Sectors  uint32        `json:"sectors"`
	CRC      string        `json:"crc32"`
	Cues     []CueContents `json:"cues,omitempty"`
}

// CueContents is a cue in words.
type CueContents struct {
	At   float64 `json:"at_s"`
	Text string  `json:"text"`
}

// Starts is what starts a motion.
type Starts struct {
	Name    string   `json:"name"`
	Starts  string   `json:"starts"`
	PowerUp bool     `json:"power_up"`
	Loop    bool     `json:"loop"`
	Busy    string   `json:"while_busy"`
	Board   string   `json:"board,omitempty"`
	Input   *int     `json:"input,omitempty"`
	Edge    string   `json:"edge,omitempty"`
	WarmUp  uint32   `json:"warm_up_ms"`
	Lockout uint32   `json:"lockout_ms"`
	Least   uint32   `json:"every_least_ms"`
	Most    uint32   `json:"every_greatest_ms"`
	Seed    uint32   `json:"seed"`
	After   []string `json:"after,omitempty"`
}

// Describe reads what is in the files of a card. It is no proof that they are whole;
// what cannot be read is a *FileError.
func Describe(files []Input) (*Contents, error) {
	c := &Contents{}
	for _, f := range files {
		var err error
		switch {
		case isContainerName(f.Name):
			err = c.container(f)
		case f.Name == IndexName:
			err = c.readIndex(f)
		}
		if fe, ok := err.(*FileError); ok {
			fe.File = f.Name
		}
		if err != nil {
			return nil, err
		}
	}
	return c, nil
}

func (c *Contents) readIndex(f Input) error {
	x, err := OpenIndex(f, f.Size)
	if err != nil {
		return err
	}
	c.index, c.Show = x, printable(x.Name)
	if x.Join != None {
		join := float64(x.Join) / 1000
		c.JoinS = &join
	}
	for i := range x.Triggers {
		t := &x.Triggers[i]
		s := Starts{Name: printable(t.Name), Starts: x.startsText(i), PowerUp: t.Starts&AtPowerUp != 0, Loop: t.Flags&FlagTriggerLoop != 0,
			Busy: [...]string{"drop", "wait", "interrupt"}[t.Busy], WarmUp: t.WarmUp, Lockout: t.Lockout, Least: t.Least, Most: t.Greatest, Seed: t.Seed}
		for _, name := range x.after(i) {
			s.After = append(s.After, printable(name))
		}
		if t.Starts&ByInput != 0 {
			input := int(t.Input)
			s.Board, s.Input, s.Edge = printable(x.Boards[t.Board].Name), &input, "rising"
			if t.Flags&FlagFalling != 0 {
				s.Edge = "falling"
			}
		}
		c.Motions = append(c.Motions, s)
	}
	return nil
}

func (c *Contents) container(f Input) error {
	k, err := OpenContainer(f, f.Size)
	if err != nil {
		return err
	}
	h := &k.Header
	b := BoardContents{File: f.Name, Board: printable(h.Name), Bytes: f.Size, Pieces: f.Pieces(), CRC: fmt.Sprintf("%08x", h.CRC), Fingerprint: fmt.Sprintf("%08x", h.Print),
		Rig: fmt.Sprintf("%08x", h.Rig), RateHz: tidy(1/h.seconds(1), 1e4), PeriodNS: h.Period, DriftPPM: float64(h.Drift) / 1000, TickUS: float64(h.Tick) / 1e6, FramesEach: int(h.Frames)}
	for i := range k.Channels {
		ch := &k.Channels[i]
		b.Channels = append(b.Channels, ChannelContents{Name: printable(ch.Name), Output: int(ch.Output), Unit: ch.Unit.String(), Lost: ch.Lost.String(),
			Weight: ch.Flags&1 != 0, Turns: ch.Flags&2 != 0, Sound: ch.Flags&FlagTrigger != 0, Offset: int(ch.Offset), Low: ch.Low, High: ch.High, Rest: ch.Rest,
			Change: ch.Change, Slow: ch.Slow, Soft: float64(ch.Soft) / softOne, Rise: float64(ch.Rise) / softOne})
	}
	for i := range k.Motions {
		m, err := k.describe(i)
		if err != nil {
			return err
		}
		b.Motions = append(b.Motions, m)
	}
	c.Boards = append(c.Boards, b)
	return nil
}

// tidy rounds a figure that was worked out from rounded ones.
func tidy(x, k float64) float64 { return math.Round(x*k) / k }

func (c *Container) describe(i int) (MotionContents, error) {
	m, h := &c.Motions[i], &c.Header
	d := MotionContents{Name: printable(m.Name), Frames: m.Frames, Seconds: tidy(h.seconds(int64(m.Frames)-int64(m.Prelude)), 1e3), PreludeS: tidy(h.seconds(int64(m.Prelude)), 1e3),
		Loop: m.Flags&FlagLoop != 0, Seamless: m.Flags&FlagSeamless != 0, Sector: m.First, Sectors: m.Sectors, CRC: fmt.Sprintf("%08x", m.CRC)}
	words, err := c.Words(i)
	for _, w := range words {
		d.Cues = append(d.Cues, CueContents{tidy(h.seconds(int64(w.Frame)-int64(m.Prelude)), 1e3), printable(w.Text)})
	}
	return d, err
}

// WriteJSON writes the contents for programs.
func (c *Contents) WriteJSON(w io.Writer) error {
	e := json.NewEncoder(w)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	return e.Encode(c)
}

// WriteText writes the contents for people.
func (c *Contents) WriteText(w io.Writer) error {
	p := &page{}
	if c.index != nil {
		p.item("show: ", c.Show)
		if c.JoinS != nil {
			p.line("from one motion to the next: %v s at most, where the limits allow it", *c.JoinS)
		}
	}
	for i := range c.Boards {
		c.Boards[i].write(p)
	}
	if len(c.Motions) > 0 {
		p.line("")
		p.line("what starts which motion:")
		for _, m := range c.Motions {
			p.item("  "+m.Name+": ", m.Starts)
		}
	}
	_, err := io.WriteString(w, strings.TrimLeft(strings.Join(p.lines, "\n"), "\n")+"\n")
	return err
}

func (b *BoardContents) write(p *page) {
	p.line("")
	size := fmt.Sprintf("%d bytes", b.Bytes)
	if b.Pieces > 0 {
		size += " in " + plural(b.Pieces, "piece", "pieces")
	}
	p.line("%s: board %s, %s, fingerprint %s, rig %s", b.File, b.Board, size, b.Fingerprint, b.Rig)
	p.line("  %v Hz, tick %v us, clock %+g ppm, so %d ns a frame; %d frames a sector", b.RateHz, b.TickUS, b.DriftPPM, b.PeriodNS, b.FramesEach)
	p.line("  output  unit   offset        low       high       rest   change     slow  lost     name")
	for _, c := range b.Channels {
		name := c.Name
		if c.Weight {
			name += " (carries weight)"
		}
		p.line("  %6d  %-5s %7d %10d %10d %10d %8d %8d  %-7s  %s", c.Output, c.Unit, c.Offset, c.Low, c.High, c.Rest, c.Change, c.Slow, c.Lost, name)
	}
	p.line("  motion                     frames    seconds  prelude  sectors")
	for _, m := range b.Motions {
		how := ""
		switch {
		case m.Loop && m.Seamless:
			how = "  loop"
		case m.Loop:
			how = "  loop, with a way back"
		}
		p.line("  %-24s %8d %10.2f %8.2f  %d-%d%s", m.Name, m.Frames, m.Seconds, m.PreludeS, m.Sector, m.Sector+m.Sectors-1, how)
		for _, c := range m.Cues {
			p.line("    %8.2f s  %s", c.At, c.Text)
		}
	}
}
