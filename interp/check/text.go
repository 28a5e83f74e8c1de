package check

import (
	"fmt"
	"io"
	"math"
	"strings"
	"unicode/utf8"

	"limberjack/sequence"
)

// Style says how a report is written for a person.
type Style struct {
	Colour bool
	Width  int // columns; 80 where it is 0
}

const (
	red    = "\x1b[31m"
	yellow = "\x1b[33m"
	dim    = "\x1b[2m"
	bold   = "\x1b[1m"
	plain  = "\x1b[0m"
)

func (s Style) paint(code, text string) string {
	if !s.Colour {
		return text
	}
	return code + text + plain
}

var levelInk = [...]string{Error: red, Warning: yellow, Note: dim}

// WriteText writes a report for a person: the verdict, the findings in the order
// of the file, and what each axis and supply has to do, in 80 columns.
func (r *Report) WriteText(w io.Writer, s Style) error {
	if s.Width == 0 {
		s.Width = 80
	}
	var b strings.Builder
	r.verdict(&b, s)
	for _, f := range r.Findings {
		if f.Level != Note {
			f.write(&b, s)
		}
	}
	r.notes(&b, s)
	r.wearLine(&b, s)
	r.axisTable(&b, s)
	r.supplyTable(&b, s)
	r.boardTable(&b, s)
	_, err := io.WriteString(w, b.String())
	return err
}

func (r *Report) verdict(b *strings.Builder, s Style) {
	errors, warnings, notes := r.Count(Error), r.Count(Warning), 0
	for _, f := range r.Findings {
		if r.Told(f) && f.Level == Note {
			notes++
		}
	}
	verdict := s.paint(bold, "ready to play")
	if r.Duration == 0 {
		verdict = s.paint(bold, "no mistakes found")
	}
	switch {
	case errors > 0:
		verdict = s.paint(bold+red, "not ready: "+count(errors, "error")+" to mend")
	case warnings > 0 && r.Duration > 0:
		verdict = s.paint(bold, "will play; "+count(warnings, "warning")+" to look at")
	}
	if len(r.File)+len(verdict)+2 > s.Width && !s.Colour {
		fmt.Fprintf(b, "%s:\n    %s\n", r.File, verdict)
	} else {
		fmt.Fprintf(b, "%s: %s\n", r.File, verdict)
	}
	length := ""
	if r.Duration > 0 {
		length = sequence.FormatSeconds(r.Duration) + ", "
	}
	fmt.Fprintf(b, "%s%s, %s, %s\n", length, count(errors, "error"), count(warnings, "warning"), count(notes, "note"))
}

// Told reports whether people are told a finding: the wear of a play stands in the
// table of axes.
func (r *Report) Told(f Finding) bool { return f.Rule != "wear" || !f.Always }

// notes writes what is good to know, after what is to be mended, in the order of
// the file: a line or two each.
func (r *Report) notes(b *strings.Builder, s Style) {
	first := true
	for _, f := range r.Findings {
		if f.Level != Note || !r.Told(f) {
			continue
		}
		if first {
			b.WriteString("\n")
			first = false
		}
		wrap(b, fmt.Sprintf("%s  %s  %s.", place(f), s.paint(levelInk[Note], "note"), f.Message), s.Width, "", "    ")
	}
}

func place(f Finding) string {
	if !f.At.Known() {
		return "-"
	}
	return f.At.String()
}

// wearLine says what a day of a looped motion asks of the busiest axis; a single
// play is in the table.
func (r *Report) wearLine(b *strings.Builder, s Style) {
	worst := AxisSummary{}
	for _, a := range r.Axes {
		if a.PlaysADay > 0 && a.Turns > worst.Turns {
			worst = a
		}
	}
	if worst.Turns == 0 {
		return
	}
	b.WriteString("\n")
	wrap(b, fmt.Sprintf("Looped for a day, %s turns round most: %s times over %s.", worst.Axis, large(float64(worst.Turns)*worst.PlaysADay), amount(worst.Travelled*worst.PlaysADay, worst.Unit)), s.Width, "", "")
}

func count(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}

// write writes one finding: a line to jump to, what happens, and what to do.
func (f Finding) write(b *strings.Builder, s Style) {
	line := fmt.Sprintf("\n%s  %s  %s", place(f), s.paint(levelInk[f.Level], f.Level.String()), f.Rule)
	switch {
	case f.Axis != "":
		line += "  " + f.Axis
	case f.Supply != "":
		line += "  " + f.Supply
	}
	if f.To > f.From {
		line += fmt.Sprintf("  %s to %s s", seconds(f.From), seconds(f.To))
	} else if f.From > 0 {
		line += fmt.Sprintf("  at %s s", seconds(f.From))
	}
	b.WriteString(line + "\n")
	wrap(b, capital(f.Message)+".", s.Width, "    ", "    ")
	if f.Remedy != "" && f.Level != Note {
		wrap(b, "mend: "+f.Remedy, s.Width, "    ", "          ")
	}
}

func seconds(t float64) string { return fmt.Sprintf("%.2f", t) }

// capital gives a sentence its capital, but leaves a name as it is written.
func capital(s string) string {
	word, _, _ := strings.Cut(s, " ")
	switch word {
	case "this", "the", "under", "board":
		r, n := utf8.DecodeRuneInString(s)
		return strings.ToUpper(string(r)) + s[n:]
	}
	return s
}

// wrap writes words in lines of at most width columns.
func wrap(b *strings.Builder, text string, width int, first, rest string) {
	line, empty := first, true
	for _, word := range strings.Fields(text) {
		if !empty && utf8.RuneCountInString(line)+1+utf8.RuneCountInString(word) > width {
			b.WriteString(line + "\n")
			line, empty = rest, true
		}
		if !empty {
			line += " "
		}
		line += word
		empty = false
	}
	b.WriteString(line + "\n")
}

// table writes columns, the first to the left and the others to the right. A
// first column that is too long for the width is cut.
func table(b *strings.Builder, s Style, rows [][]string) {
	if len(rows) < 2 {
		return
	}
	widths := make([]int, len(rows[0]))
	for _, row := range rows {
		for i, cell := range row {
			widths[i] = max(widths[i], utf8.RuneCountInString(cell))
		}
	}
	total := 2 * (len(widths) - 1)
	for _, w := range widths {
		total += w
	}
	widths[0] = max(8, widths[0]-max(0, total-s.Width))
	b.WriteString("\n")
	for n, row := range rows {
		line := pad(cut(row[0], widths[0]), widths[0], false)
		for i, cell := range row[1:] {
			line += "  " + pad(cell, widths[i+1], true)
		}
		line = strings.TrimRight(line, " ")
		if n == 0 {
			line = s.paint(bold, line)
		}
		b.WriteString(line + "\n")
	}
}

func pad(s string, width int, right bool) string {
	room := strings.Repeat(" ", max(0, width-utf8.RuneCountInString(s)))
	if right {
		return room + s
	}
	return s + room
}

func cut(s string, width int) string {
	if utf8.RuneCountInString(s) <= width {
		return s
	}
	return string([]rune(s)[:width-1]) + "…"
}

func (r *Report) axisTable(b *strings.Builder, s Style) {
	rows := [][]string{{"axis", "least", "most", "speed", "acceler.", "jerk", "way", "turns"}}
	for _, a := range r.Axes {
		if a.Travelled == 0 && a.Min == a.Max {
			continue
		}
		u := a.Unit
		if u == "" {
			rows = append(rows, []string{a.Axis, amount(a.Min, u), amount(a.Max, u), "", "", "", "", ""})
			continue
		}
		rows = append(rows, []string{a.Axis, amount(a.Min, u), amount(a.Max, u), large(a.PeakSpeed), large(a.PeakAcceleration), large(a.PeakJerk), large(a.Travelled), fmt.Sprint(a.Turns)})
	}
	table(b, s, rows)
}

// large writes a figure to three figures, thousands as k and millions as M.
func large(v float64) string {
	switch a := math.Abs(v); {
	case math.IsInf(v, 0) || math.IsNaN(v):
		return "-"
	case a >= 999500:
		return three(v/1e6) + "M"
	case a >= 9995:
		return three(v/1e3) + "k"
	}
	return three(v)
}

func three(v float64) string {
	a := math.Abs(v)
	if a >= 100 {
		return fmt.Sprintf("%.0f", v)
	}
	if a >= 10 {
		return fmt.Sprintf("%.1f", v)
	}
	return fmt.Sprintf("%.2f", v)
}

func (r *Report) supplyTable(b *strings.Builder, s Style) {
	rows := [][]string{{"supply", "peak A", "at s", "0.1 s A", "limit", "rms A", "mean A", "least V", "mWh", "plays"}}
	for _, p := range r.Supplies {
		share, runs := "-", "-"
		if p.Limit > 0 {
			share = fmt.Sprintf("%.0f %%", 100*p.Sustained/p.Limit)
		}
		if p.Runs > 0 {
			runs = large(math.Floor(p.Runs))
		}
		rows = append(rows, []string{p.Supply, three(p.Peak), seconds(p.PeakAt), three(p.Sustained), share, three(p.RMS), three(p.Mean), three(p.MinVoltage), three(p.Energy * 1000), runs})
	}
	table(b, s, rows)
	for _, p := range r.Supplies {
		if len(p.Blame) > 0 && p.Peak > 0 {
			names := p.Blame[:min(5, len(p.Blame))]
			wrap(b, fmt.Sprintf("%s peaks by %s.", p.Supply, strings.Join(names, ", ")), s.Width, "", "    ")
		}
	}
	if len(rows) > 1 {
		wrap(b, "Currents are predicted from data sheets and class defaults (the notes say which); 0.1 s A is the greatest mean over a tenth of a second; plays are those of one charge.", s.Width, "", "")
	}
}

func (r *Report) boardTable(b *strings.Builder, s Style) {
	rows := [][]string{{"board", "bytes/s", "of link", "tick"}}
	for _, p := range r.Boards {
		share := "-"
		if p.LinkShare > 0 {
			share = fmt.Sprintf("%.0f %%", 100*p.LinkShare)
		}
		rows = append(rows, []string{p.Board, short(p.BytesPerSecond), share, amount(p.Resolution, "us")})
	}
	table(b, s, rows)
}
