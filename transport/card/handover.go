package card

import (
	"fmt"
	"strings"

	"limberjack/sequence"
)

// section is a part of the handover sheet. Where the page is too long, items are left
// out from the end, the longest section first; least of them stay.
type section struct {
	head  string
	items [][]string // lines
	least int
	more  string // where to read the rest
	cut   int    // items that were left out
}

func (s *section) add(lead, text string) {
	p := &page{}
	p.item(lead, text)
	s.items = append(s.items, p.lines)
}

func (s *section) lines() int {
	if len(s.items) == 0 {
		return 0
	}
	n := 2
	for _, i := range s.items {
		n += len(i)
	}
	return n + min(s.cut, 1)
}

// handover gives the page for whoever looks after the prop.
func (c *Card) handover() []byte {
	top := &page{}
	top.item("HANDOVER SHEET: ", fit(c.show.Name, titleRoom))
	line := "Rig: " + fit(c.show.Rig.Name, titleRoom) + "."
	if c.opts.Date != "" {
		line += " Date: " + c.opts.Date + "."
	}
	top.item("", line)
	list := []*section{c.powerUp(), c.motions(), c.light(), c.stopping(), c.returning(), c.resting(), c.cautions(), c.sums()}
	for over(top, list) && shorten(list) {
	}
	for _, s := range list {
		if len(s.items) == 0 {
			continue
		}
		top.head(s.head)
		for _, i := range s.items {
			top.lines = append(top.lines, i...)
		}
		if s.cut > 0 {
			top.line("  and %d more: see %s", s.cut, s.more)
		}
	}
	return top.bytes(HandoverName)
}

func over(top *page, list []*section) bool {
	n := len(top.lines) + 1 // the closing line
	for _, s := range list {
		n += s.lines()
	}
	return n > pageLines
}

// shorten leaves out one item.
func shorten(list []*section) bool {
	var longest *section
	for _, s := range list {
		if len(s.items) > s.least && (longest == nil || s.lines() > longest.lines()) {
			longest = s
		}
	}
	if longest == nil {
		return false
	}
	longest.items = longest.items[:len(longest.items)-1]
	longest.cut++
	return true
}

func (c *Card) powerUp() *section {
	s := &section{head: "At power-up", least: 9}
	s.add("* ", "Servos jump to their rest pose at full speed if they stand elsewhere: keep clear of the prop. Then they go slowly to the first pose of what it plays.")
	if c.index.Start == noMotion {
		s.add("* ", "Nothing plays until something below starts it.")
	} else {
		s.add("* ", "It plays "+c.index.Triggers[c.index.Start].Name+".")
	}
	if h := c.show.Hours; h != nil {
		s.add("* ", fmt.Sprintf("Planned for %s to %s a day: switch the power, the boards have no clock.", hourText(h.From.V), hourText(h.To.V)))
	}
	return s
}

func hourText(s float64) string { return fmt.Sprintf("%02d:%02d", int(s)/3600, int(s)/60%60) }

func (c *Card) motions() *section {
	s := &section{head: "Motions and what starts them", least: 1, more: ReadmeName}
	for i, sm := range c.show.Motions {
		s.add("* ", fmt.Sprintf("%s (%s): %s", sm.Name, clockText(c.containers[0].seconds(i)), c.index.startsText(i)))
	}
	return s
}

func (c *Card) stopping() *section {
	s := &section{head: "To stop it", least: 9}
	var inputs []string
	for _, k := range c.containers {
		for _, in := range k.board.Inputs {
			if in.Stop {
				inputs = append(inputs, fmt.Sprintf("input %d of board %s", in.Number, k.board.Name))
			}
		}
	}
	alone := ""
	if len(c.containers) > 1 {
		alone = " No other board hears of it."
	}
	if len(inputs) > 0 {
		s.add("* ", few(inputs, 3)+": slows down and stops; what carries weight is held."+alone+" It is a stop in software, and no emergency stop.")
	} else {
		s.add("* ", "There is no stop input. Switch the power of the actuators off.")
	}
	s.add("* ", "In an emergency switch off the actuators' power by a switch with no program.")
	return s
}

func (c *Card) resting() *section {
	s := &section{head: "Rest pose, and what hangs on power", least: 1, more: "the rig file"}
	var list []string
	for _, a := range c.show.Rig.Axes {
		unit := a.Unit
		if unit != "" {
			unit = " " + unit
		}
		list = append(list, fmt.Sprintf("%s %v%s", a.Name, a.Rest.V, unit))
	}
	if names := carriers(c.show.Rig); len(names) > 0 {
		s.add("* ", "Fall without power: "+few(names, 6)+". Support them first.")
	}
	s.add("* ", few(list, 16))
	return s
}

// few joins the first n of a list.
func few(list []string, n int) string {
	if len(list) <= n {
		return strings.Join(list, ", ")
	}
	return fmt.Sprintf("%s and %d more", strings.Join(list[:n], ", "), len(list)-n)
}

func (c *Card) cautions() *section {
	s := &section{head: "Cautions", least: 9}
	r := c.show.Rig
	if hasKind(r, sequence.Servo, sequence.ContinuousServo, sequence.Motor, sequence.Stepper) {
		s.add("* ", "Pinch: it moves without warning, also by itself. Keep fingers, hair and sleeves out; power off before you reach in.")
		s.add("* ", "Heat: an actuator that is blocked takes its stall current and burns. If something jams, hums or smells, switch the power off.")
	}
	for _, p := range r.Supplies {
		if p.Capacity.Given() {
			s.add("* ", "Batteries: charge them outside the prop, under watch, with the charger made for them; fuse them at the cells; never use a swollen one.")
			break
		}
	}
	s.add("* ", "Mains: only a closed, approved supply in the prop. Mains wiring, fire, fog and loads over people are for licensed people; local codes rule.")
	return s
}

// sums lists what the files must have; verify reads these lines.
func (c *Card) sums() *section {
	s := &section{head: "Files on the card, which the boards never write to", least: 1, more: IndexName}
	for _, f := range c.files {
		if f.Name != HandoverName {
			s.items = append(s.items, []string{fmt.Sprintf(sumFormat, f.Name, f.Size, f.CRC)})
		}
	}
	return s
}

// titleRoom is how much of a name the sheet's first lines hold.
const titleRoom = 56

const sumFormat = "  %-12s %10d bytes  CRC-32 %08x"

// plural gives a number with what it counts.
func plural(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}
