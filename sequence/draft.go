package sequence

import (
	"bytes"
	"fmt"
	"io"
	"io/fs"
	"math"
	"slices"
	"sort"
	"strconv"
	"strings"

	"gopkg.in/yaml.v3"
)

// Draft is the text of a motion file of which times are to be written anew, each
// in the notation that it has: seconds stay seconds, frames frames, beats beats,
// and what counts from a mark still does.
type Draft struct {
	written
	script *Script
	root   *yaml.Node
	times  []writtenTime
	places []writtenPlace
	slacks []writtenTime
	frames map[float64]bool // times that are written in whole frames
}

// writtenTime is a time in the text, with its notation.
type writtenTime struct {
	node  *yaml.Node
	id    Pos     // of the key's time, of the placement, else of the text
	time  float64 // s of script time
	named string  // of a mark: its name
	note  notation
}

// writtenPlace is a placement in the text.
type writtenPlace struct {
	id      Pos
	at      *yaml.Node // the key "at"; nil in that of a pose, which has no length
	stretch *yaml.Node // its value; nil where there is none
	flow    bool
}

// notation is how a time is written.
type notation struct {
	mark  string // that it counts from; empty: from the start
	blank string // what stands around the sign of the offset
	form  timeForm
	after string // the unit with the blanks before it
	per   float64
}

type timeForm uint8

const (
	inUnit timeForm = iota
	inFrames
	inBeats
	inTimecode
	inDropFrame
	onMark // a mark alone
)

// Moves says where the times of a draft go.
type Moves struct {
	// Time gives the new time in s of what stands at a place: the time of a key,
	// a placement, or anything else that has a time.
	Time func(at Pos, t float64) float64
	// Stretch gives the new factor of the placement of a phrase. Nil: it stays.
	Stretch func(at Pos, stretch float64) float64
	// Slack gives the new slack in s of a key or a placement. Nil: it stays.
	Slack func(at Pos, slack float64) float64
}

// NewDraft reads the text of a motion file that script was loaded from.
func NewDraft(text []byte, script *Script) (*Draft, error) {
	root, err := rootOf(text)
	if err != nil {
		return nil, err
	}
	d := &Draft{script: script, written: newWritten(text), root: root}
	d.read()
	d.frames = map[float64]bool{}
	for _, w := range d.times {
		if d.counted(w.note) {
			d.frames[w.time] = true
		}
	}
	return d, d.shared()
}

// read finds all times of the document but those of its tempo, of envelopes, which
// belong to the sound, and of phrases, which are lengths.
func (d *Draft) read() {
	marks := child(d.root, "marks")
	for i := 0; marks != nil && i+1 < len(marks.Content); i += 2 {
		d.time(atOf(marks.Content[i+1]), Pos{}, marks.Content[i].Value)
	}
	tracks := child(d.root, "tracks")
	for i := 0; tracks != nil && i+1 < len(tracks.Content); i += 2 {
		for _, k := range itemsOf(tracks.Content[i+1]) {
			at := atOf(k)
			if k.Kind == yaml.SequenceNode && len(k.Content) > 0 {
				at = behind(k.Content[0])
			}
			d.time(at, Pos{}, "")
			if slack := child(k, "slack"); slack != nil && at != nil {
				d.slack(slack, d.pos(at))
			}
		}
	}
	for _, p := range itemsOf(child(d.root, "place")) {
		id := d.pos(p)
		d.time(atOf(p), id, "")
		if slack := child(p, "slack"); slack != nil {
			d.slack(slack, id)
		}
		w := writtenPlace{id: id, stretch: child(p, "stretch"), flow: p.Style&yaml.FlowStyle != 0}
		for i := 0; i+1 < len(p.Content); i += 2 {
			if p.Content[i].Value == "at" && child(p, "phrase") != nil {
				w.at = p.Content[i]
			}
		}
		d.places = append(d.places, w)
	}
	for _, l := range itemsOf(child(d.root, "layers")) {
		if add := child(l, "add"); add == nil || child(add, layerNames[Envelope]) == nil {
			d.time(child(l, "from"), Pos{}, "")
			d.time(child(l, "to"), Pos{}, "")
		}
	}
	for _, q := range itemsOf(child(d.root, "quiet")) {
		d.time(child(q, "from"), Pos{}, "")
		d.time(child(q, "to"), Pos{}, "")
	}
	for _, c := range itemsOf(child(d.root, "cues")) {
		d.time(atOf(c), Pos{}, "")
	}
	d.time(child(d.root, "length"), Pos{}, "")
}

func (d *Draft) pos(n *yaml.Node) Pos { return Pos{d.script.File, n.Line, n.Column} }

// behind gives the node that an alias stands for.
func behind(n *yaml.Node) *yaml.Node {
	if n != nil && n.Kind == yaml.AliasNode {
		return n.Alias
	}
	return n
}

// child gives the value of a key of a mapping, or nil.
func child(n *yaml.Node, key string) *yaml.Node {
	if n = behind(n); n == nil || n.Kind != yaml.MappingNode {
		return nil
	}
	for i := 0; i+1 < len(n.Content); i += 2 {
		if n.Content[i].Value == key {
			return behind(n.Content[i+1])
		}
	}
	return nil
}

// atOf gives the time of a mapping, or of what is nothing but a time.
func atOf(n *yaml.Node) *yaml.Node {
	if n = behind(n); n != nil && n.Kind == yaml.MappingNode {
		return child(n, "at")
	}
	return n
}

func itemsOf(n *yaml.Node) []*yaml.Node {
	if n = behind(n); n == nil || n.Kind != yaml.SequenceNode {
		return nil
	}
	out := make([]*yaml.Node, len(n.Content))
	for i, c := range n.Content {
		out[i] = behind(c)
	}
	return out
}

// time takes a time, unless it is none that is written.
func (d *Draft) time(n *yaml.Node, id Pos, named string) {
	if n = behind(n); n == nil || n.Kind != yaml.ScalarNode {
		return
	}
	if _, isMark := d.markTime(n.Value); !isMark && strings.HasPrefix(strings.TrimSpace(n.Value), "soonest") {
		return
	}
	if !id.Known() {
		id = d.pos(n)
	}
	c := d.clock(nil)
	t, err := c.moment(n.Value)
	if err != nil {
		return // reported when the script was loaded
	}
	d.times = append(d.times, writtenTime{node: n, id: id, time: t, named: named, note: d.notationOf(n.Value, c)})
}

// slack takes the slack of what has an id.
func (d *Draft) slack(n *yaml.Node, id Pos) {
	c := d.clock(nil)
	if t, err := c.duration(n.Value); err == nil {
		d.slacks = append(d.slacks, writtenTime{node: n, id: id, time: t, note: d.notationOf(n.Value, c)})
	}
}

func (d *Draft) markTime(name string) (float64, bool) {
	for _, m := range d.script.Marks {
		if m.Name == strings.TrimSpace(name) {
			return m.Time, true
		}
	}
	return 0, false
}

// clock reads times with the marks at other places, by name; nil: where they are.
func (d *Draft) clock(moved map[string]float64) *clock {
	if moved == nil {
		moved = map[string]float64{}
		for _, m := range d.script.Marks {
			moved[m.Name] = m.Time
		}
	}
	return &clock{fps: d.script.FPS, tempo: d.script.Tempo, marks: moved}
}

// notationOf takes a time apart that the clock can read.
func (d *Draft) notationOf(text string, c *clock) notation {
	s := strings.TrimSpace(text)
	if _, ok := c.marks[s]; ok {
		return notation{mark: s, form: onMark}
	}
	n := notation{}
	if number, _ := splitNumber(s); number == "" {
		for i := len(s) - 1; i > 0; i-- {
			if s[i] != '+' && s[i] != '-' {
				continue
			}
			name := strings.TrimSpace(s[:i])
			if _, ok := c.marks[name]; ok {
				n.mark = name
				n.blank = s[len(name):i] + "|" + s[i+1:len(s)-len(strings.TrimLeft(s[i+1:], " \t"))]
				s = strings.TrimSpace(s[i+1:])
				break
			}
		}
	}
	if strings.Count(s, ":") >= 2 {
		n.form = inTimecode
		if strings.Contains(s, ";") {
			n.form = inDropFrame
		}
		return n
	}
	number, rest := splitNumber(s)
	n.after = s[len(number):]
	switch strings.TrimSpace(rest) {
	case "f":
		n.form = inFrames
	case "b":
		n.form = inBeats
	default:
		n.per = 1
		if one, err := convert("1"+n.after, seconds); err == nil && one > 0 {
			n.per = one
		}
	}
	return n
}

// Times gives all times that a draft can move, ascending.
func (d *Draft) Times() []float64 {
	out := make([]float64, len(d.times))
	for i, w := range d.times {
		out[i] = w.time
	}
	sort.Float64s(out)
	return slices.Compact(out)
}

// plainStep is the step of times that are no frames, in s.
const plainStep = 0.001

// Step gives the step of the times that what happens at a time can be moved to,
// in s: a frame where it is written in frames, else a millisecond.
func (d *Draft) Step(t float64) float64 {
	if d.frames[t] {
		return d.script.FPS.Seconds(1)
	}
	return plainStep
}

// counted reports whether a notation counts whole frames from the start.
func (d *Draft) counted(n notation) bool {
	if n.form != inFrames && n.form != inTimecode && n.form != inDropFrame {
		return false
	}
	if n.mark == "" {
		return true
	}
	for _, w := range d.times {
		if w.named == n.mark {
			return d.counted(w.note)
		}
	}
	return false
}

// Rewrite gives the text with its times moved. Every other character stays as it
// is. The result has been read back: it says the same but for those times.
func (d *Draft) Rewrite(m Moves) ([]byte, error) {
	marks := map[string]float64{}
	for _, k := range d.script.Marks {
		marks[k.Name] = k.Time
	}
	for _, w := range d.times {
		if w.named != "" {
			marks[w.named] = m.Time(w.id, w.time)
		}
	}
	c := d.clock(marks)
	wanted := map[*yaml.Node]string{}
	var patches []patch
	for _, w := range d.times {
		to := m.Time(w.id, w.time)
		text := d.write(w, to, c)
		if before, twice := wanted[w.node]; twice {
			if before != text {
				return nil, d.errShared(w.node)
			}
			continue
		}
		if wanted[w.node] = text; text == w.node.Value {
			continue
		}
		p, err := d.replace(w.node, text)
		if err != nil {
			return nil, err
		}
		patches = append(patches, p)
	}
	for _, w := range d.slacks {
		if m.Slack == nil {
			break
		}
		to := m.Slack(w.id, w.time)
		if math.Abs(to-w.time) < 5e-10 {
			continue
		}
		wanted[w.node] = d.number(w.note, to, 0)
		p, err := d.replace(w.node, wanted[w.node])
		if err != nil {
			return nil, err
		}
		patches = append(patches, p)
	}
	stretched := map[Pos]string{}
	for _, p := range d.places {
		if m.Stretch == nil {
			break
		}
		q, err := d.stretch(p, m.Stretch, wanted, stretched)
		if err != nil {
			return nil, err
		}
		patches = append(patches, q...)
	}
	out := d.apply(patches)
	after, err := rootOf(out)
	if err != nil || !d.same(d.root, after, wanted, stretched) {
		return nil, errUneditable
	}
	return out, nil
}

// stretch gives the change that gives a placement another factor.
func (d *Draft) stretch(p writtenPlace, to func(Pos, float64) float64, wanted map[*yaml.Node]string, stretched map[Pos]string) ([]patch, error) {
	now := 1.0
	if p.stretch != nil {
		now, _, _ = parseNumber(p.stretch.Value)
	}
	v := to(p.id, now)
	if v == now || p.at == nil {
		return nil, nil
	}
	text := formatNumber(v)
	if p.stretch != nil {
		wanted[p.stretch] = text
		q, err := d.replace(p.stretch, text)
		return []patch{q}, err
	}
	stretched[p.id] = text
	from := d.offset(p.at)
	if from < 0 {
		return nil, errUneditable
	}
	return []patch{{from, from, d.before(p.at, "stretch: "+text, p.flow)}}, nil
}

// replace gives the change that puts another text in the place of a time.
func (d *Draft) replace(n *yaml.Node, text string) (patch, error) {
	if p, ok := d.written.replace(n, text); ok {
		return p, nil
	}
	return patch{}, Problems{{At: d.pos(n), Text: fmt.Sprintf("the time %s cannot be written anew where it stands", strings.TrimSpace(n.Value)), Hint: "write it plainly on one line, as in 1.2s"}}
}

// write gives a time in the notation of another.
func (d *Draft) write(w writtenTime, to float64, c *clock) string {
	if now, err := c.moment(w.node.Value); err == nil && math.Abs(now-to) < 5e-10 {
		return w.node.Value
	}
	n := w.note
	if n.mark == "" {
		return d.number(n, to, 0)
	}
	base := c.marks[n.mark]
	if n.form == onMark {
		n.form, n.after, n.per, n.blank = inUnit, "s", 1, "|"
	}
	before, after, _ := strings.Cut(n.blank, "|")
	sign := "+"
	if to < base {
		sign = "-"
	}
	return n.mark + before + sign + after + d.number(n, to, base)
}

// number writes how far a time is from a base.
func (d *Draft) number(n notation, to, base float64) string {
	fps, tempo := d.script.FPS, d.script.Tempo
	by := math.Abs(to - base)
	switch n.form {
	case inFrames:
		return short(by*fps.Rate()) + n.after
	case inBeats:
		return short(math.Abs(tempo.beat(to)-tempo.beat(base))) + n.after
	case inTimecode, inDropFrame:
		return fps.label(int64(math.Round(by*fps.Rate())), n.form == inDropFrame)
	}
	return short(by/n.per) + n.after
}

// short writes a number to the sixth decimal.
func short(v float64) string {
	return strconv.FormatFloat(math.Round(v*1e6)/1e6, 'f', -1, 64)
}

// label gives the timecode of a frame count, the inverse of Frames.
func (f FPS) label(frames int64, drop bool) string {
	n, sep := f.Nominal, ":"
	if drop {
		sep = ";"
		skip := n / 15
		ten := 600*n - 9*skip
		tens, rest := frames/ten, frames%ten
		frames += 9 * skip * tens
		if rest >= 60*n {
			frames += skip * (1 + (rest-60*n)/(60*n-skip))
		}
	}
	return fmt.Sprintf("%02d:%02d:%02d%s%02d", frames/(3600*n), frames/(60*n)%60, frames/n%60, sep, frames%n)
}

// shared refuses a text in which a time serves something else as well, by an
// alias: it could not be moved alone.
func (d *Draft) shared() error {
	uses := map[*yaml.Node]int{}
	left := maxVisits
	countUses(d.root, uses, &left)
	for _, w := range d.times {
		uses[w.node]--
	}
	for _, w := range d.times {
		if uses[w.node] > 0 {
			return d.errShared(w.node)
		}
	}
	return nil
}

func (d *Draft) errShared(n *yaml.Node) error {
	return Problems{{At: d.pos(n), Text: fmt.Sprintf("the time %s serves several things by an alias, which have to move apart", strings.TrimSpace(n.Value)), Hint: "write the keys out where the alias stands"}}
}

// countUses counts how often each scalar is met, aliases followed, as long as
// visits are left.
func countUses(n *yaml.Node, uses map[*yaml.Node]int, left *int) {
	if *left--; *left < 0 {
		return
	}
	if n = behind(n); n.Kind == yaml.ScalarNode {
		uses[n]++
	}
	for _, c := range n.Content {
		countUses(c, uses, left)
	}
}

// same reports whether two nodes say the same but for the scalars that have a
// wanted text and the factors that are added.
func (d *Draft) same(a, b *yaml.Node, wanted map[*yaml.Node]string, stretched map[Pos]string) bool {
	if text, ok := wanted[a]; ok {
		return b.Kind == a.Kind && b.Value == text
	}
	if a.Kind != b.Kind || a.Value != b.Value || a.Tag != b.Tag || a.Anchor != b.Anchor {
		return false
	}
	content := b.Content
	if text, ok := stretched[d.pos(a)]; ok && a.Kind == yaml.MappingNode {
		content = nil
		for i := 0; i+1 < len(b.Content); i += 2 {
			if b.Content[i].Value == "stretch" && b.Content[i+1].Value == text {
				continue
			}
			content = append(content, b.Content[i], b.Content[i+1])
		}
	}
	if len(a.Content) != len(content) {
		return false
	}
	for i := range a.Content {
		if !d.same(a.Content[i], content[i], wanted, stretched) {
			return false
		}
	}
	return true
}

// Reread reads a changed text of a script that has been loaded. It has the rig, the
// sounds and the pace of that script, and opens no file.
func Reread(s *Script, text []byte) (*Script, error) {
	out, _, err := reread(s, text, nil)
	return out, err
}

// reread gives the document that a text holds, too. more opens a pace file that the
// script does not have; nil: there is none.
func reread(s *Script, text []byte, more Open) (*Script, *yaml.Node, error) {
	l := newLoader(func(name string) (io.ReadCloser, error) {
		switch {
		case name == s.File:
			return io.NopCloser(bytes.NewReader(text)), nil
		case len(s.Pace) > 0 && s.Pace[0].At.File == name:
			return io.NopCloser(bytes.NewReader(PaceCSV(s.Pace))), nil
		case more != nil:
			return more(name)
		}
		return nil, &fs.PathError{Op: "open", Path: name, Err: fs.ErrNotExist}
	})
	if s.Rig != nil {
		l.rigs[s.Rig.File], l.rigged[s.Rig.File] = s.Rig, true
	}
	if s.Audio != nil {
		l.levels[s.Audio.File] = s.Audio.Level
	}
	for _, layer := range s.Layers {
		if layer.Level != nil {
			l.levels[layer.File] = layer.Level
		}
	}
	d, node := l.document(s.File, nil, nil)
	if node == nil {
		return nil, nil, l.report.err()
	}
	out := l.readMotion(d, node)
	return out, node, l.report.err()
}
