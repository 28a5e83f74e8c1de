package card

import (
	"bytes"
	"errors"
	"fmt"
	"hash/crc32"
	"math"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"limberjack/sequence"
)

// Size of the page of the handover sheet.
const (
	pageWidth = 80
	pageLines = 60
)

// mostPieces is how many pieces a container may be in for a board to play it from a card
// that takes 100 ms a read, with no frame late (FORMAT.md, "The FAT image").
const mostPieces = 5

const lineEnd = "\r\n"

// closing gives the last line of a text: the file's own name, so that a text which was
// renamed is found, and the CRC-32 of all bytes before the line.
func closing(name string, above []byte) string {
	return fmt.Sprintf("End of %s, CRC-32 of the lines above: %08x"+lineEnd, name, crc32.ChecksumIEEE(above))
}

// page collects lines of text.
type page struct{ lines []string }

func (p *page) line(format string, args ...any) {
	p.lines = append(p.lines, fmt.Sprintf(format, args...))
}

func (p *page) head(text string) { p.lines = append(p.lines, "", strings.ToUpper(text)) }

// item writes a text over as many lines as it needs, the second and the following ones
// indented.
func (p *page) item(lead, text string) {
	indent := strings.Repeat(" ", utf8.RuneCountInString(lead))
	line := lead
	for i, word := range strings.Fields(text) {
		word = fit(printable(word), pageWidth-len(indent))
		if i > 0 && utf8.RuneCountInString(line)+1+utf8.RuneCountInString(word) > pageWidth {
			p.lines = append(p.lines, line)
			line = indent
		} else if i > 0 {
			line += " "
		}
		line += word
	}
	p.lines = append(p.lines, line)
}

// fit cuts a word that no line can hold.
func fit(word string, width int) string {
	if utf8.RuneCountInString(word) <= width {
		return word
	}
	return string([]rune(word)[:width-1]) + "…"
}

// bytes gives the text of a file with its closing line.
func (p *page) bytes(name string) []byte {
	var b []byte
	for _, l := range p.lines {
		b = append(b, l+lineEnd...)
	}
	return append(b, closing(name, b)...)
}

// lastLine cuts a text before its last line.
func lastLine(b []byte) (above []byte, last string) {
	at := bytes.LastIndex(bytes.TrimSuffix(b, []byte(lineEnd)), []byte(lineEnd))
	if at >= 0 {
		at += len(lineEnd)
	}
	at = max(0, at)
	return b[:at], string(b[at:])
}

// textName gives the name that a whole text has in its last line; "" where it is not whole.
func textName(b []byte) string {
	above, last := lastLine(b)
	for _, name := range []string{ReadmeName, HandoverName} {
		if last == closing(name, above) {
			return name
		}
	}
	return ""
}

// checkText is an error where a text is not as it was written under a name.
func checkText(name string, b []byte) error {
	above, last := lastLine(b)
	want := closing(name, above)
	switch own := textName(b); {
	case last == want:
		return nil
	case own != "":
		return fmt.Errorf("it is the text of %s under another name: give it that name back", own)
	case len(b) < len(want):
		return fmt.Errorf("it has %d bytes: its end is missing", len(b))
	case len(last) > 2*len(want):
		return errors.New("it has no closing line: its end is missing, or it is no text of a card")
	}
	return fmt.Errorf("its last line is %q, and by the lines above %q: a character was changed, or its end is missing", strings.TrimRight(last, lineEnd), strings.TrimRight(want, lineEnd))
}

// clockText gives a time in seconds as people read it.
func clockText(s float64) string {
	switch {
	case s < 120:
		return strconv.FormatFloat(math.Round(s*10)/10, 'f', -1, 64) + " s"
	case s < 7200:
		return fmt.Sprintf("%d min %d s", int(s)/60, int(s)%60)
	}
	return fmt.Sprintf("%d h %d min", int(s)/3600, int(s)/60%60)
}

// startsText says what starts a motion.
func (x *Index) startsText(i int) string {
	t := &x.Triggers[i]
	var list []string
	if t.Starts&AtPowerUp != 0 {
		list = append(list, "at power-up")
	}
	if t.Starts&ByInput != 0 {
		s := fmt.Sprintf("when input %d of board %s %s", t.Input, x.Boards[t.Board].Name, edgeText(t))
		if t.WarmUp > 0 {
			s += ", not in the first " + clockText(float64(t.WarmUp)/1000)
		}
		if t.Lockout > 0 {
			s += ", and for " + clockText(float64(t.Lockout)/1000) + " after a start not again"
		}
		list = append(list, s)
	}
	if t.Starts&ByInterval != 0 {
		list = append(list, fmt.Sprintf("%s to %s after its end, at random", clockText(float64(t.Least)/1000), clockText(float64(t.Greatest)/1000)))
	}
	if names := x.after(i); len(names) > 0 {
		list = append(list, "when "+strings.Join(names, " or ")+" has ended")
	}
	if len(list) == 0 {
		return "nothing starts it"
	}
	s := strings.Join(list, "; ")
	if t.Flags&FlagTriggerLoop != 0 {
		s += "; over and over"
	}
	if t.Starts&(ByInput|ByInterval) != 0 || t.After[0] != 0 && t.Busy == BusyWait {
		s += [...]string{"; dropped while another plays", "; waits while another plays", "; breaks into another"}[t.Busy]
	}
	return s
}

func edgeText(t *Trigger) string {
	if t.Flags&FlagFalling != 0 {
		return "becomes inactive"
	}
	return "becomes active"
}

// seconds gives how long a motion lasts, its prelude included.
func (k *container) seconds(i int) float64 { return k.header.seconds(int64(k.reels[i].motion.Frames)) }

// readme gives the text for people.
func (c *Card) readme() []byte {
	p := &page{}
	p.item("", c.show.Name)
	p.line("")
	p.item("", "This card is for the prop \""+c.show.Rig.Name+"\". Copy all its files in one go into the root directory of a freshly formatted SD card (FAT16 or FAT32), so that each is in one piece: of a file in more than "+strconv.Itoa(mostPieces)+" a slow card gives frames late. Put it into the board with the power off. Do not rename or edit the files. limberjack verify reads the card back and proves it whole.")
	p.head("Files")
	for i, k := range c.containers {
		p.item(fmt.Sprintf("%-13s", c.index.Boards[i].File), fmt.Sprintf("all motions for board %s (%s)", k.board.Name, sizeText(k.size())))
	}
	p.item(fmt.Sprintf("%-13s", IndexName), "what starts which motion")
	p.item(fmt.Sprintf("%-13s", HandoverName), "one page for whoever looks after the prop")
	p.head("Motions")
	for i, sm := range c.show.Motions {
		p.item("* ", fmt.Sprintf("%s (%s): %s", sm.Name, clockText(c.containers[0].seconds(i)), c.index.startsText(i)))
		k := c.containers[0]
		for _, w := range k.reels[i].words {
			at := k.header.seconds(int64(w.Frame) - int64(k.reels[i].lead.prelude))
			p.item(fmt.Sprintf("    %8.2f s  ", at), w.Text)
		}
	}
	for _, s := range []*section{c.light(), c.returning()} {
		p.head(s.head)
		p.lines = append(p.lines, slices.Concat(s.items...)...)
	}
	if len(c.Notes) > 0 {
		p.head("To know")
		for _, n := range c.Notes {
			p.item("* ", n)
		}
	}
	return p.bytes(ReadmeName)
}

func sizeText(n int64) string {
	if n < 1_000_000 {
		return fmt.Sprintf("%d bytes", n)
	}
	return fmt.Sprintf("%.1f MB", float64(n)/1e6)
}

// carriers gives the axes of the rig that fall when they are let go.
func carriers(r *sequence.Rig) (list []string) {
	for _, a := range r.Axes {
		if a.Load.CarriesWeight() {
			list = append(list, a.Name)
		}
	}
	return list
}

// hasKind says whether an axis of the rig is of one of these kinds.
func hasKind(r *sequence.Rig, kinds ...sequence.Kind) bool {
	return slices.ContainsFunc(r.Axes, func(a *sequence.Axis) bool { return slices.Contains(kinds, a.Kind) })
}
