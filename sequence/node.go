package sequence

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"

	"gopkg.in/yaml.v3"

	"limberjack/interp/ease"
)

const (
	maxFileBytes = 16 << 20
	// maxVisits bounds the values looked at in one file, so that aliases of
	// aliases cost no more than a large honest file.
	maxVisits = 2 << 20
)

// maxText bounds one value, which aliases may have read many times.
const maxText = 4096

// decoder walks the nodes of one file and collects its problems.
type decoder struct {
	file   string
	report *report
	visits int
	full   bool                  // the visits are used up; said once
	eases  map[string]*ease.Ease // parsed once for each text
}

func (d *decoder) at(n *yaml.Node) Pos {
	if n == nil {
		return Pos{File: d.file}
	}
	return Pos{d.file, n.Line, n.Column}
}

func (d *decoder) bad(n *yaml.Node, hint, format string, args ...any) {
	d.report.add(d.at(n), hint, format, args...)
}

// readDocument reads the one YAML document of a file. It returns nil after
// adding what is wrong to the report.
func (d *decoder) readDocument(data []byte) *yaml.Node {
	d.report.meet(d.file)
	if bytes.HasPrefix(data, []byte("RIFF")) {
		d.report.add(Pos{d.file, 1, 1}, "name the motion, rig or show that it belongs to", "this is a sound file, not a document")
		return nil
	}
	if doc := readRuns(data); doc != nil {
		return d.resolve(doc)
	}
	if parts := countParts(data); parts > maxParts || len(data) > maxPlainBytes {
		d.report.add(Pos{d.file, 1, 1}, "write each key on a line of its own, as in - [1.2s, 40deg], or split the file in two",
			"this file is larger than a document of this kind may be")
		return nil
	}
	dec := yaml.NewDecoder(bytes.NewReader(data))
	var doc, second yaml.Node
	if err := decodeNode(dec, &doc); err != nil {
		if errors.Is(err, io.EOF) {
			d.report.add(Pos{d.file, 1, 1}, "a rig begins with rig: and its name, a motion with motion:, a show with show:", "the file is empty")
			return nil
		}
		d.syntax(err, data)
		return nil
	}
	switch err := decodeNode(dec, &second); {
	case err == nil:
		d.bad(&second, "put each document into a file of its own", "a second document begins here; a file holds one")
		return nil
	case !errors.Is(err, io.EOF):
		d.syntax(err, data)
		return nil
	}
	return d.resolve(doc.Content[0])
}

// decodeNode turns a panic inside the YAML library into an error: a hostile
// file must not stop the program.
func decodeNode(dec *yaml.Decoder, n *yaml.Node) (err error) {
	defer func() {
		if r := recover(); r != nil {
			err = fmt.Errorf("yaml: the document cannot be read: %v", r)
		}
	}()
	return dec.Decode(n)
}

// resolve follows aliases.
func (d *decoder) resolve(n *yaml.Node) *yaml.Node {
	if n == nil || d.full {
		return nil
	}
	for hops := 0; n.Kind == yaml.AliasNode; hops++ {
		if n.Alias == nil || hops > 8 {
			d.bad(n, "write the value itself here", "this alias leads nowhere")
			return nil
		}
		n = n.Alias
	}
	if len(n.Value) > maxText {
		d.bad(n, "write it shorter", "this text is longer than %d characters", maxText)
		return nil
	}
	if n.Style&yaml.TaggedStyle != 0 {
		d.bad(n, "leave the tag out", "the tag %s is not used here", n.Tag)
		return nil
	}
	return n
}

// visit counts the values of a list or mapping that is about to be read.
func (d *decoder) visit(n *yaml.Node) bool { return d.spend(n, 1+len(n.Content)) }

func (d *decoder) spend(n *yaml.Node, visits int) bool {
	d.visits += visits
	if d.visits > maxVisits && !d.full {
		d.full = true
		d.bad(n, "write fewer aliases of aliases", "the document unfolds to more than %d values", maxVisits)
	}
	return !d.full
}

func nodeNoun(n *yaml.Node) string {
	switch {
	case n.Kind == yaml.MappingNode:
		return "a set of names with values"
	case n.Kind == yaml.SequenceNode:
		return "a list"
	case n.Tag == "!!null":
		return "nothing"
	}
	return strconv.Quote(n.Value)
}

// entry is one key of a mapping with its value.
type entry struct {
	key   *yaml.Node
	name  string
	value *yaml.Node
}

// entries lists a mapping's keys in order. Duplicates, merge keys and keys that
// are not plain words are problems. An entry whose value was reported has none.
func (d *decoder) entries(n *yaml.Node, what string) []entry {
	if n = d.resolve(n); n == nil {
		return nil
	}
	if n.Kind != yaml.MappingNode {
		d.bad(n, "write name: value, each on a line of its own or in { }", "%s must be a set of names with values, not %s", what, nodeNoun(n))
		return nil
	}
	if !d.visit(n) {
		return nil
	}
	list := make([]entry, 0, len(n.Content)/2)
	first := duplicates{list: &list}
	for i := 0; i+1 < len(n.Content); i += 2 {
		key := d.resolve(n.Content[i])
		if key == nil {
			continue
		}
		switch {
		case key.Tag == "!!merge":
			d.bad(key, "write the keys out, or use an alias for a whole value", "merge keys (<<) are not read")
			continue
		case key.Kind != yaml.ScalarNode:
			d.bad(key, "write name: value", "a name in %s must be a single word, not %s", what, nodeNoun(key))
			continue
		}
		if line, dup := first.find(key.Value); dup {
			d.bad(key, "keep one of them", "%q is given twice in %s; it was given first at line %d", key.Value, what, line)
			continue
		}
		e := entry{key, key.Value, n.Content[i+1]}
		if k := len(list) - 1; k >= 0 && d.commaBefore(list[k], e, what) {
			list[k].value = nil
			continue
		}
		list = append(list, e)
	}
	return list
}

// duplicates finds keys that a list of entries holds already: a long list by a
// map, so that a hostile one costs no square of its length.
type duplicates struct {
	list *[]entry
	line map[string]int
}

func (u *duplicates) find(name string) (line int, dup bool) {
	list := *u.list
	if len(list) <= 8 {
		for _, e := range list {
			if e.name == name {
				return e.key.Line, true
			}
		}
		return 0, false
	}
	if u.line == nil {
		u.line = make(map[string]int, 2*len(list))
		for _, e := range list[:len(list)-1] {
			u.line[e.name] = e.key.Line
		}
	}
	e := list[len(list)-1]
	u.line[e.name] = e.key.Line
	line, dup = u.line[name]
	return line, dup
}

// items lists the elements of a list; nil where it is none.
func (d *decoder) items(n *yaml.Node, what string) []*yaml.Node {
	if n = d.resolve(n); n == nil {
		return nil
	}
	if n.Kind != yaml.SequenceNode {
		d.bad(n, "write [a, b], or one - item a line", "%s must be a list, not %s", what, nodeNoun(n))
		return nil
	}
	if !d.visit(n) {
		return nil
	}
	if n.Content == nil {
		return []*yaml.Node{}
	}
	return n.Content
}

// fields is a mapping that was checked against its shape.
type fields struct {
	d     *decoder
	shape *shape
	at    Pos
	what  string
	have  []entry // by the index of the shape's field; without a value where it is not there
	lost  []bool  // nil, or true for the fields that were written, but wrongly
}

// open reads a mapping, or the short list form of its shape. what names it in
// messages, as in "axis jaw".
func (d *decoder) open(n *yaml.Node, s *shape, what string) *fields {
	f := &fields{d: d, shape: s, at: d.at(n), what: what, have: make([]entry, len(s.fields))}
	n = d.resolve(n)
	if n == nil {
		f.loseAll()
		return f
	}
	f.at = d.at(n)
	if n.Kind == yaml.SequenceNode && len(s.short) > 0 {
		f.openShort(n)
		return f
	}
	if n.Kind != yaml.MappingNode || hasMerge(n) {
		f.loseAll()
	}
	if n.Kind == yaml.ScalarNode && len(s.short) > 0 {
		d.bad(n, fmt.Sprintf("write [%s]", strings.Join(s.short, ", ")), "%s must be a list in brackets, not %s", what, nodeNoun(n))
		return f
	}
	list := d.entries(n, what)
	for _, e := range list {
		f.take(e)
	}
	f.required(n)
	return f
}

func hasMerge(n *yaml.Node) bool {
	for i := 0; i < len(n.Content); i += 2 {
		if n.Content[i].Tag == "!!merge" {
			return true
		}
	}
	return false
}

// take puts an entry into its field.
func (f *fields) take(e entry) {
	at := f.shape.index(e.name)
	v := f.d.resolve(e.value)
	switch {
	case at < 0:
		f.unknown(e)
	case v == nil:
		f.lose(at)
	case v.Tag == "!!null":
		f.d.bad(e.key, "write a value, or leave the name out", "%q of %s is empty", e.name, f.what)
		f.lose(at)
	default:
		f.have[at] = e
	}
}

// commaBefore reports a decimal comma inside { }, where YAML takes the comma
// for the end of the value and the rest for a name.
func (d *decoder) commaBefore(before, e entry, what string) bool {
	v, empty := d.resolve(before.value), d.resolve(e.value)
	if v == nil || v.Kind != yaml.ScalarNode || !wholeDigits(v.Value) || empty == nil || empty.Tag != "!!null" || e.name == "" || !isDigit(e.name[0]) {
		return false
	}
	d.bad(v, fmt.Sprintf("write it with a point: %s.%s", v.Value, e.name),
		"%s of %s is written with a decimal comma, which ends a value here", before.name, what)
	return true
}

func wholeDigits(s string) bool {
	s = strings.TrimLeft(s, "+-")
	for i := 0; i < len(s); i++ {
		if s[i] < '0' || s[i] > '9' {
			return false
		}
	}
	return s != ""
}

// commaHint finds two neighbours of a list that look like one number with a
// decimal comma, as in [0,5deg], and tells how to write it; hint otherwise.
func commaHint(items []*yaml.Node, hint string) string {
	for i := 1; i < len(items); i++ {
		a, b := items[i-1], items[i]
		if a.Line == b.Line && a.Column+len(a.Value)+1 == b.Column && wholeDigits(a.Value) && b.Value != "" && b.Value[0] >= '0' && b.Value[0] <= '9' {
			return fmt.Sprintf("if %s,%s is one number, write it with a point: %s.%s", a.Value, b.Value, a.Value, b.Value)
		}
	}
	return hint
}

// easeHint finds an ease whose commas have cut it into parts, as in
// [1s, 30, cubic-bezier(0.3, 0, 0.2, 1)], and tells how to write it.
func easeHint(items []*yaml.Node, hint string) string {
	for i, n := range items {
		name, _, opened := strings.Cut(n.Value, "(")
		if !opened || strings.Contains(n.Value, ")") || name == "" {
			continue
		}
		text := n.Value
		for _, m := range items[i+1:] {
			text += ", " + m.Value
			if strings.HasSuffix(m.Value, ")") {
				return fmt.Sprintf("quote an ease that has commas: %q", text)
			}
		}
	}
	return hint
}

func (f *fields) lose(i int) {
	if f.lost == nil {
		f.lost = make([]bool, len(f.shape.fields))
	}
	f.lost[i] = true
}

func (f *fields) loseAll() {
	for i := range f.shape.fields {
		f.lose(i)
	}
}

// excused reports whether a field that is not there was reported already: it is
// missing where it is needed, or was written, but wrongly. What depends on it
// says nothing.
func (f *fields) excused(name string) bool {
	i := f.shape.index(name)
	return f.lost != nil && f.lost[i]
}

func (f *fields) required(n *yaml.Node) {
	if n.Kind != yaml.MappingNode {
		return
	}
	for i, fd := range f.shape.fields {
		if fd.need && f.have[i].value == nil && !f.excused(fd.name) {
			f.lose(i)
			f.d.report.add(f.at, "add "+fd.name+": "+wantExample(fd.want), "%s has no %q", f.what, fd.name)
		}
	}
	names := f.shape.exactlyOne
	if len(names) == 0 {
		return
	}
	count, doubt := 0, false
	for _, name := range names {
		if f.has(name) {
			count++
		}
		doubt = doubt || f.excused(name)
	}
	if count != 1 && !doubt {
		hint := "keep one of them"
		if count == 0 {
			hint = "add one of them"
		}
		f.d.report.add(f.at, hint, "%s needs exactly one of %s", f.what, joinOr(names))
	}
}

// openShort reads the list form: the fields in their order.
func (f *fields) openShort(n *yaml.Node) {
	least := 0
	for _, name := range f.shape.short {
		if f.shape.fields[f.shape.index(name)].need {
			least++
		}
	}
	short := f.shape.short
	if len(n.Content) < least || len(n.Content) > len(short) {
		f.loseAll()
		f.d.bad(n, easeHint(n.Content, commaHint(n.Content, fmt.Sprintf("write [%s]", strings.Join(short, ", ")))),
			"%s has %s; it takes %d or %d", f.what, countOf(len(n.Content), "part", "parts"), least, len(short))
		return
	}
	if !f.d.visit(n) {
		return
	}
	for i, v := range n.Content {
		at := f.shape.index(short[i])
		if v.Tag == "!!null" {
			f.d.bad(v, "write a value", "%q of %s is empty", short[i], f.what)
			f.lose(at)
			continue
		}
		f.have[at] = entry{v, short[i], v}
	}
}

func (f *fields) unknown(e entry) {
	if f.d.report.full(f.d.file) {
		f.d.bad(e.key, "", "")
		return
	}
	names := f.shape.names()
	hint := "it may have " + joinOr(names)
	if near := Nearest(e.name, names); near != "" {
		hint = "did you mean " + near + "?"
		f.lose(f.shape.index(near))
	}
	f.d.bad(e.key, hint, "%s has nothing called %q", f.what, e.name)
}

func wantExample(w want) string {
	switch w.kind {
	case wantNumber:
		return dimNames[w.dims[0]].example
	case wantWhole:
		return strconv.FormatFloat(max(w.lo, 1), 'f', -1, 64)
	case wantChoice:
		return w.words[0]
	case wantTime:
		return "0s"
	case wantDuration:
		return "12s"
	case wantValue:
		return "0"
	case wantRow:
		return "[…, …]"
	case wantTable, wantObject:
		return "…"
	}
	return "…"
}

func (f *fields) has(name string) bool { return f.have[f.shape.index(name)].value != nil }

// node gives the value of a key, nil when it is not there. Asking for a key that
// the shape does not have is a mistake in this package.
func (f *fields) node(name string) *yaml.Node {
	i := f.shape.index(name)
	if i < 0 {
		panic("sequence: shape " + f.shape.name + " has no field " + name)
	}
	return f.d.resolve(f.have[i].value)
}

// drop forgets a key that was reported as out of place.
func (f *fields) drop(name string) { f.have[f.shape.index(name)] = entry{} }

// section lists the entries of a table of things with names. It is partial where
// some of it could not be read, so that a name may be missing for that reason.
func (f *fields) section(name string) (list []entry, partial bool) {
	before := f.d.report.total
	list = f.d.entries(f.node(name), name)
	return list, f.excused(name) || f.d.report.total > before
}

// keyAt gives the place of a key's name.
func (f *fields) keyAt(name string) Pos {
	if e := f.have[f.shape.index(name)]; e.value != nil {
		return f.d.at(e.key)
	}
	return f.at
}

func (f *fields) want(name string) *want { return &f.shape.fields[f.shape.index(name)].want }

func (f *fields) label(name string) string { return name + " of " + f.what }

// scalar gives the text of a plain value.
func (d *decoder) scalar(n *yaml.Node, what, noun string) (string, bool) {
	if n = d.resolve(n); n == nil {
		return "", false
	}
	if n.Kind != yaml.ScalarNode || n.Tag == "!!null" {
		hint := ""
		if n.Kind == yaml.SequenceNode {
			hint = commaHint(n.Content, "")
		}
		d.bad(n, hint, "%s must be %s, not %s", what, noun, nodeNoun(n))
		return "", false
	}
	return n.Value, true
}

func (f *fields) text(name string) string {
	n := f.node(name)
	if n == nil {
		return ""
	}
	s, ok := f.d.scalar(n, f.label(name), "text")
	if ok && strings.TrimSpace(s) == "" {
		f.d.bad(n, "write a few words", "%s is empty", f.label(name))
	}
	return s
}

func (f *fields) flag(name string) bool {
	n := f.node(name)
	if n == nil {
		return false
	}
	s, ok := f.d.scalar(n, f.label(name), "true or false")
	if !ok {
		return false
	}
	switch s {
	case "true", "True", "TRUE":
		return true
	case "false", "False", "FALSE":
		return false
	}
	f.d.bad(n, "write true or false", "%s is %q, which is neither true nor false", f.label(name), s)
	return false
}

// choice gives the index of the word in the field's list, or -1.
func (f *fields) choice(name string) int {
	n := f.node(name)
	if n == nil {
		return -1
	}
	words := f.want(name).words
	s, ok := f.d.scalar(n, f.label(name), joinOr(words))
	if !ok {
		return -1
	}
	for i, w := range words {
		if s == w {
			return i
		}
	}
	hint := "it may be " + joinOr(words)
	if near := Nearest(s, words); near != "" {
		hint = "did you mean " + near + "? " + hint
	}
	f.d.bad(n, hint, "%s is %q", f.label(name), s)
	return -1
}

// num reads a quantity of the field's first dimension.
func (f *fields) num(name string) Num { return f.numOf(name, f.want(name).dims[0]) }

// numOf reads a quantity of one of the field's dimensions.
func (f *fields) numOf(name string, dm dim) Num {
	n := f.node(name)
	if n == nil {
		return Num{}
	}
	w := f.want(name)
	return f.d.number(n, f.label(name), dm, w.lo, w.hi)
}

// number reads a quantity and checks its range. On a mistake it is not given.
func (d *decoder) number(n *yaml.Node, what string, dm dim, lo, hi float64) Num {
	s, ok := d.scalar(n, what, dimNames[dm].noun)
	if !ok {
		return Num{}
	}
	n = d.resolve(n)
	v, err := convert(s, dm)
	if err == nil && dm == pulse && v != 0 {
		err = pulseUnit(s)
	}
	if err != nil {
		d.bad(n, err.hint, "%s: %s", what, err.text)
		return Num{}
	}
	if v < lo || v > hi {
		d.bad(n, rangeHint(dm, lo, hi), "%s is %s, which is out of range", what, s)
		return Num{}
	}
	return Num{V: v, At: d.at(n), Text: s}
}

// pulseUnit asks for the unit of a pulse: a bare 1500 would be seconds, as
// everywhere, and is meant as microseconds.
func pulseUnit(s string) *quantityError {
	if _, unit, err := parseNumber(s); err != nil || unit != "" {
		return err
	}
	return badNumber(s, "has no unit, and a pulse needs one", "write "+strings.TrimSpace(s)+"us")
}

func rangeHint(dm dim, lo, hi float64) string {
	u := naturalUnit[dm]
	return fmt.Sprintf("it may be from %s to %s", formatNumber(lo)+u, formatNumber(hi)+u)
}

var naturalUnit = map[dim]string{
	angle: "deg", length: "mm", ratio: "%", seconds: "s", volt: "V", ampere: "A", ohm: "ohm", charge: "Ah", power: "W",
	torque: "N.m", inertia: "kg.m2", mass: "kg", hertz: "Hz", angleSpeed: "deg/s", lengthSpeed: "mm/s", ratioSpeed: "%/s",
	stepSpeed: "steps/s", angleAccel: "deg/s2", lengthAccel: "mm/s2", ratioAccel: "%/s2", stepAccel: "steps/s2",
	angleJerk: "deg/s3", lengthJerk: "mm/s3", ratioJerk: "%/s3", baud: "baud", wireArea: "mm2", ppm: "ppm", pulse: "us",
}

// formatNumber gives the shortest decimal that reads back as v.
func formatNumber(v float64) string {
	if math.Abs(v) >= 1e6 && v == math.Trunc(v) {
		return strconv.FormatFloat(v, 'g', -1, 64)
	}
	return strconv.FormatFloat(v, 'f', -1, 64)
}

// whole reads a whole number.
func (f *fields) whole(name string) Num {
	n := f.node(name)
	if n == nil {
		return Num{}
	}
	w := f.want(name)
	v := f.d.number(n, f.label(name), plain, math.Inf(-1), math.Inf(1))
	if !v.Given() {
		return Num{}
	}
	if v.V != math.Trunc(v.V) {
		f.d.bad(n, "write it without a fraction, as in "+formatNumber(math.Max(w.lo, math.Min(w.hi, math.Round(v.V)))), "%s is %s; it must be a whole number", f.label(name), v.Text)
		return Num{}
	}
	if v.V < w.lo || v.V > w.hi {
		if w.lo == w.hi {
			f.d.bad(n, "write "+formatNumber(w.lo), "%s is %s, which this version cannot read", f.label(name), v.Text)
			return Num{}
		}
		f.d.bad(n, rangeHint(plain, w.lo, w.hi), "%s is %s, which is out of range", f.label(name), v.Text)
		return Num{}
	}
	return v
}

// index is the things of one kind by name. A name that is not known may be one
// whose own entry was wrong; that has been said at its place.
type index[T any] struct {
	known   map[string]T
	lost    map[string]bool
	partial bool // some of the section could not be read
}

func newIndex[T any]() index[T] { return index[T]{known: map[string]T{}, lost: map[string]bool{}} }

func (ix *index[T]) excused(name string) bool { return ix.partial || ix.lost[name] }

// lookup finds a declared thing by name, or says which name is nearest.
func lookup[T any](d *decoder, n *yaml.Node, what, noun string, things index[T]) (T, bool) {
	var none T
	s, ok := d.scalar(n, what, "a name")
	if !ok {
		return none, false
	}
	if v, ok := things.known[s]; ok {
		return v, true
	}
	if !things.excused(s) {
		d.bad(n, d.nameHint(s, keysOf(things.known), noun), "%s: there is no %s %q", what, noun, s)
	}
	return none, false
}

// nameHint offers the nearest of the known names, or lists them.
func (d *decoder) nameHint(word string, names []string, noun string) string {
	if d.report.full(d.file) {
		return ""
	}
	if near := Nearest(word, names); near != "" {
		return "did you mean " + near + "?"
	}
	switch len(names) {
	case 0:
		return "no " + noun + " is declared"
	case 1:
		return "the only " + noun + " is " + names[0]
	}
	sortNames(names)
	if len(names) > 12 {
		names = append(names[:12:12], "…")
	}
	return "the " + plural(noun) + " are " + strings.Join(names, ", ")
}

func plural(noun string) string {
	switch noun {
	case "axis":
		return "axes"
	case "axis or control":
		return "axes and controls"
	case "supply":
		return "supplies"
	}
	return noun + "s"
}
