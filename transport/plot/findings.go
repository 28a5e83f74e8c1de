package plot

import (
	"cmp"
	"math"
	"sort"
	"strconv"
	"strings"

	"gonum.org/v1/plot/vg"

	"limberjack/interp/check"
)

// hatching is how the levels look: errors dense and rising, warnings wide and
// falling.
var hatching = [...]struct {
	step    float64 // pt between lines, along an edge
	falling bool
	pen     pen
}{
	check.Error:   {2.6, false, pen{width: 0.5, colour: iron}},
	check.Warning: {5.2, true, pen{width: 0.4, colour: iron}},
}

// hatch fills a box with lines at 45 degrees. They lie on one grid, so that
// boxes side by side join.
func (p *page) hatch(b box, level check.Level) {
	if int(level) >= len(hatching) {
		return
	}
	h := hatching[level]
	var path vg.Path
	if h.falling {
		for c := float64(math.Ceil((b.x0-b.y1)/h.step) * h.step); c < b.x1-b.y0; c += h.step {
			path.Move(at(math.Max(b.x0, c+b.y0), math.Max(b.y0, b.x0-c)))
			path.Line(at(math.Min(b.x1, c+b.y1), math.Min(b.y1, b.x1-c)))
		}
	} else {
		for c := float64(math.Ceil((b.x0+b.y0)/h.step) * h.step); c < b.x1+b.y1; c += h.step {
			path.Move(at(math.Max(b.x0, c-b.y1), math.Min(b.y1, c-b.x0)))
			path.Line(at(math.Min(b.x1, c-b.y0), math.Max(b.y0, c-b.x1)))
		}
	}
	p.stroke(path, h.pen)
	edge := pen{width: 0.5, colour: iron}
	p.line(b.x0, b.y0, b.x0, b.y1, edge)
	p.line(b.x1, b.y0, b.x1, b.y1, edge)
}

// tickNote marks the place of a note: a short stroke down from a line.
func (p *page) tickNote(x, y float64) {
	p.line(x, y, x, y+4.5, pen{width: 0.9, colour: iron})
}

const leastHatch = 3.0 // pt: what happens in a moment is still seen

// spanOf gives where a finding lies across a system; a note, where it begins.
func (s *system) spanOf(f numbered) (x0, x1 float64) {
	if f.Level == check.Note {
		f.To = f.From
	}
	x0, x1 = s.x(math.Max(f.From, s.from)), s.x(math.Min(math.Max(f.From, f.To), s.to))
	x0, x1 = math.Min(x0, s.end()), math.Max(x1, s.x0)
	if x1-x0 < leastHatch {
		middle := (x0 + x1) / 2
		middle = math.Max(s.x0+leastHatch/2, math.Min(s.end()-leastHatch/2, middle))
		x0, x1 = middle-leastHatch/2, middle+leastHatch/2
	}
	return x0, x1
}

// shows reports whether a finding has its place in a system.
func (s *system) shows(f numbered) bool {
	if f.Level == check.Note || f.To < f.From {
		return s.holds(f.From, f.From)
	}
	return s.holds(f.From, f.To)
}

// drawHatches hatches the findings of a band; what overlaps at one level is
// hatched once.
func (s *system) drawHatches(p *page, findings []numbered, y0, y1 float64) {
	for level := check.Note; ; level-- {
		var spans [][2]float64
		for _, f := range findings {
			if f.Level == level && s.shows(f) {
				a, b := s.spanOf(f)
				spans = append(spans, [2]float64{a, b})
			}
		}
		for _, span := range merged(spans) {
			if level == check.Note {
				p.tickNote(math.Max((span[0]+span[1])/2, s.x0+leastHatch), y0)
			} else {
				p.hatch(box{span[0], y0, span[1], y1}, level)
			}
		}
		if level == check.Error {
			return
		}
	}
}

// merged joins spans that touch.
func merged(spans [][2]float64) [][2]float64 {
	sort.Slice(spans, func(i, j int) bool {
		return spans[i][0] < spans[j][0] || spans[i][0] == spans[j][0] && spans[i][1] < spans[j][1]
	})
	var out [][2]float64
	for _, s := range spans {
		if n := len(out); n > 0 && s[0] <= out[n-1][1] {
			out[n-1][1] = math.Max(out[n-1][1], s[1])
			continue
		}
		out = append(out, s)
	}
	return out
}

// numberAt is a group of finding numbers over a band.
type numberAt struct {
	x    float64
	list []int
}

// groups joins the numbers of findings that lie too close to stand apart.
func (s *system) groups(findings []numbered) []numberAt {
	var all []numberAt
	for _, f := range findings {
		if s.shows(f) {
			a, b := s.spanOf(f)
			all = append(all, s.numberAt((a+b)/2, []int{f.number}))
		}
	}
	sort.SliceStable(all, func(i, j int) bool { return all[i].x < all[j].x })
	var out []numberAt
	for _, g := range all {
		for len(out) > 0 && tooClose(out[len(out)-1], g) {
			before := out[len(out)-1]
			out = out[:len(out)-1]
			g = s.numberAt((before.x+g.x)/2, lowest(before.list, g.list))
		}
		out = append(out, g)
	}
	return out
}

// numberAt makes a group whose text stays over the band.
func (s *system) numberAt(x float64, list []int) numberAt {
	g := numberAt{x, list}
	half := numberFace.widthOf(g.text()) / 2
	g.x = math.Max(s.x0+half+1, math.Min(s.x1-half-4, x))
	return g
}

func tooClose(a, b numberAt) bool {
	return b.x-a.x < (numberFace.widthOf(a.text())+numberFace.widthOf(b.text()))/2+3
}

const mostNumbers = 6 // of a group that are written

// lowest joins two ascending lists of numbers, as far as they are written.
func lowest(a, b []int) []int {
	all := append(append([]int{}, a...), b...)
	sort.Ints(all)
	return all[:min(len(all), mostNumbers+1)]
}

func (g numberAt) text() string {
	var parts []string
	for i, n := range g.list {
		if i == mostNumbers {
			parts = append(parts, ellipsis)
			break
		}
		parts = append(parts, strconv.Itoa(n))
	}
	return strings.Join(parts, " ")
}

// drawNumbers writes the numbers of a band's findings, with the base line at y.
func (s *system) drawNumbers(p *page, findings []numbered, y float64) {
	for _, g := range s.groups(findings) {
		text := g.text()
		p.plate(textBox(g.x, y, text, numberFace, centre))
		p.write(g.x, y, text, numberFace, centre)
	}
}

// plate clears the paper behind a text.
func (p *page) plate(b box) {
	p.fill(rectangle(box{b.x0 - 0.8, b.y0 - 0.4, b.x1 + 0.8, b.y1}), cream)
}

// listing is the list of findings at the foot.
type listing struct {
	items []item
	width float64
	set   map[setting][]string // findings that have been set already
}

// setting is a finding in a detail.
type setting struct {
	number int
	detail detail
}

// item is one finding in the list.
type item struct {
	number       int
	level        check.Level
	subject      string // the axis or supply
	head         string
	text, remedy string
}

const (
	listLine    = 8.6
	listTop     = 15.0 // the heading
	listColumns = 2
	listGap     = 18.0
	listIndent  = 30.0 // number and swatch
)

// detail is how much of a finding a list says: lines of message, and of remedy.
// With no lines of its own, the message follows the headline.
type detail struct{ lines, remedy int }

// details is the detail for each level: errors, warnings and notes.
type details [3]detail

// full are the details, from most to least, with which all findings are listed;
// grave those for errors and warnings where notes have to be left out.
var (
	full = []details{
		{{3, 2}, {3, 2}, {3, 2}}, {{3, 2}, {2, 2}, {1, 0}}, {{3, 2}, {2, 2}, {0, 0}}, {{2, 1}, {2, 1}, {0, 0}},
	}
	grave = []details{
		{{3, 2}, {2, 2}, {0, 0}}, {{2, 1}, {2, 1}, {0, 0}}, {{2, 1}, {1, 0}, {0, 0}}, {{2, 0}, {1, 0}, {0, 0}}, {{1, 0}, {0, 0}, {0, 0}}, {{0, 0}, {0, 0}, {0, 0}},
	}
)

func listingOf(r *check.Report, width float64) listing {
	l := listing{width: width, set: map[setting][]string{}}
	if r == nil {
		return l
	}
	for i, f := range r.Findings {
		level := min(f.Level, check.Note)
		l.items = append(l.items, item{i + 1, level, cmp.Or(f.Axis, f.Supply), headline(f, r.Duration), f.Message, f.Remedy})
	}
	return l
}

// headline says of what and when a finding speaks. The whole motion is no time
// worth naming.
func headline(f check.Finding, length float64) string {
	parts := []string{f.Level.String()}
	if f.Axis != "" {
		parts = append(parts, shortTo(f.Axis, 32))
	} else if f.Supply != "" {
		parts = append(parts, shortTo(f.Supply, 32))
	}
	whole := f.From <= 0 && length > 0 && f.To >= length
	if when := whenText(f.From, f.To); when != "" && !whole {
		parts = append(parts, when)
	}
	return strings.Join(parts, ", ")
}

func whenText(from, to float64) string {
	from, to = math.Round(from*100)/100, math.Round(to*100)/100
	switch {
	case from == 0 && to == 0:
		return ""
	case to <= from:
		return "at " + clockTime(from)
	case to < 60:
		return number(from) + " to " + clockTime(to)
	}
	return clockTime(from) + " to " + clockTime(to)
}

func (l listing) columnWidth() float64 { return (l.width - listGap) / listColumns }

// fitted is a list as it is drawn: as many findings as there is room for.
type fitted struct {
	listing
	blocks [][]string // the lines of each finding; the first one follows its headline
	rest   int        // findings that are left out
}

// least is the height of the shortest list worth drawing.
func (l listing) least() float64 {
	if len(l.items) == 0 {
		return 0
	}
	return listTop + float64(math.Min(4, math.Ceil(float64(len(l.items))/listColumns))*listLine)
}

// fit takes the fullest detail with which all findings fit. Failing that, it
// leaves out notes, then the details of what is grave, then the least grave
// findings.
func (l listing) fit(room float64) fitted {
	if len(l.items) == 0 {
		return fitted{}
	}
	for _, d := range full {
		if f, ok := l.with(d, len(l.items), room); ok {
			return f
		}
	}
	most := 0 // errors and warnings
	for _, it := range l.items {
		if it.level != check.Note {
			most++
		}
	}
	for _, d := range grave {
		if f, ok := l.with(d, most, room); ok {
			return l.padded(f, d, most, room)
		}
	}
	briefest := grave[len(grave)-1]
	lines := max(0, int((room-listTop-4)/listLine)) * listColumns
	f, _ := l.with(briefest, max(0, min(most, lines-1)), math.Inf(1))
	return f
}

// padded adds notes to a list of n findings that fits, as long as it does.
func (l listing) padded(f fitted, d details, n int, room float64) fitted {
	low, high := n, len(l.items)
	for low < high {
		middle := (low + high + 1) / 2
		if more, ok := l.with(d, middle, room); ok {
			f, low = more, middle
		} else {
			high = middle - 1
		}
	}
	return f
}

// with sets the n gravest findings in a detail and reports whether they fit.
func (l listing) with(d details, n int, room float64) (fitted, bool) {
	f := fitted{listing: l, rest: len(l.items) - n}
	if l.briefly(d, n) > room {
		return f, false
	}
	f.items = l.gravest(n)
	for _, it := range f.items {
		f.blocks = append(f.blocks, l.linesOf(it, d[it.level]))
	}
	return f, f.height() <= room
}

// gravest gives the n gravest findings in the order of their numbers.
func (l listing) gravest(n int) []item {
	if n == len(l.items) {
		return l.items
	}
	items := append([]item{}, l.items...)
	sort.SliceStable(items, func(i, j int) bool { return items[i].level < items[j].level })
	items = items[:n]
	sort.Slice(items, func(i, j int) bool { return items[i].number < items[j].number })
	return items
}

// briefly is a lower bound of the height of n findings, found without setting type.
func (l listing) briefly(d details, n int) float64 {
	lines := 0
	for _, it := range l.gravest(n) {
		lines++
		if d[it.level].lines > 0 {
			lines++
		}
	}
	return listTop + float64(math.Ceil(float64(lines)/listColumns)*listLine)
}

// linesOf sets a finding.
func (l listing) linesOf(it item, d detail) []string {
	key := setting{it.number, d}
	lines, known := l.set[key]
	if !known {
		lines = l.setLines(it, d)
		l.set[key] = lines
	}
	return lines
}

func (l listing) setLines(it item, d detail) []string {
	width := l.columnWidth() - listIndent
	if d.lines == 0 {
		room := width - listHead.widthOf(it.head) - 6
		if room < 30 {
			return []string{""}
		}
		return []string{listFace.shorten(strings.TrimPrefix(it.text, it.subject+" "), room)}
	}
	out := append([]string{""}, listFace.wrap(it.text, width, d.lines)...)
	if d.remedy > 0 && it.remedy != "" {
		out = append(out, listFace.wrap("Mend: "+it.remedy, width, d.remedy)...)
	}
	return out
}

// columns deals the findings to columns, each as long as the longest must be.
func (f fitted) columns() (firsts []int, lines int) {
	total := 0
	for _, b := range f.blocks {
		total += len(b)
	}
	if f.rest > 0 {
		total++
	}
	for lines = (total + listColumns - 1) / listColumns; ; lines++ {
		firsts = []int{0}
		used := 0
		for i, b := range f.blocks {
			if used+len(b) > lines && used > 0 {
				firsts = append(firsts, i)
				used = 0
			}
			used += len(b)
		}
		if f.rest > 0 && used+1 > lines {
			firsts = append(firsts, len(f.blocks))
		}
		if len(firsts) <= listColumns {
			return firsts, lines
		}
	}
}

// height gives the room that the list takes; 0 for none.
func (f fitted) height() float64 {
	if len(f.items) == 0 && f.rest == 0 {
		return 0
	}
	_, lines := f.columns()
	return listTop + float64(float64(lines)*listLine) + 4
}

// draw puts the list on a page, from y down.
func (f fitted) draw(p *page, y float64) {
	if f.height() == 0 {
		return
	}
	p.line(margin, y+3, p.w-margin, y+3, pen{width: 0.5, colour: ink})
	p.write(margin, y+10.5, "FINDINGS", smallCaps, left)
	firsts, _ := f.columns()
	for c, first := range firsts {
		x := margin + float64(float64(c)*(f.columnWidth()+listGap))
		end := len(f.blocks)
		if c+1 < len(firsts) {
			end = firsts[c+1]
		}
		yy := y + listTop + listLine*0.75
		for i := first; i < end; i++ {
			yy = f.drawItem(p, x, yy, f.items[i], f.blocks[i])
		}
		if c == len(firsts)-1 && f.rest > 0 {
			p.write(x+listIndent, yy, "and "+strconv.Itoa(f.rest)+" more, see check", listItalic, left)
		}
	}
}

// drawItem draws one finding, its first base line at y, and gives that of the next.
func (f fitted) drawItem(p *page, x, y float64, it item, lines []string) float64 {
	p.write(x+14, y, strconv.Itoa(it.number), numberFace.at(6.8), right)
	swatch := box{x + 18, y - 5, x + 26, y}
	if it.level == check.Note {
		p.tickNote(x+22, y-4.6)
	} else {
		p.hatch(swatch, it.level)
	}
	b := p.writeWithin(x+listIndent, y, f.columnWidth()-listIndent, it.head, listHead, left)
	for i, line := range lines {
		if i == 0 {
			p.write(b.x1+5, y, line, listFace, left)
			continue
		}
		p.write(x+listIndent, y+float64(float64(i)*listLine), line, listFace, left)
	}
	return y + float64(float64(len(lines))*listLine)
}
