package ease

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"
	"sync"
	"unicode"

	"github.com/agnivade/levenshtein"
)

// ParseError says why a text is no ease. Near is the nearest known name, or
// empty when none is near or the name is not what is wrong.
type ParseError struct{ Text, Msg, Near string }

func (e *ParseError) Error() string { return e.Msg }

// Bounds of what Parse accepts.
const (
	maxText    = 100_000
	maxSteps   = 10_000
	maxStops   = 1000
	maxOutput  = 1e6  // of a handle's y or a stop, in moves
	maxInput   = 1e4  // of a stop's place, in per cent
	leastShare = 1e-6 // of trapezoid, other than 0
	// A Bezier handle's x below this one is 0, so that the derivatives stay in range.
	leastHandle = 1e-15
)

// plainEases are the eases without arguments, by every name that they have.
var plainEases = sync.OnceValue(func() map[string]*Ease {
	eases := make(map[string]*Ease)
	addKeywords(eases)
	addPowers(eases)
	addCurves(eases)
	for s := Pchip; s <= CatmullRom; s++ {
		e := newEase(s.String(), "spline", nil)
		e.spline = s
		eases[e.text] = e
	}
	return eases
})

func addKeywords(eases map[string]*Ease) {
	add := func(e *Ease, aliases ...string) {
		for _, name := range append(aliases, e.text) {
			eases[name] = e
		}
	}
	linear := newEase("linear", "linear", polyWhole(0, 1))
	linear.outside = identity{}
	add(linear)
	add(bezierEase("ease", newBezier(0.25, 0.1, 0.25, 1)))
	add(bezierEase("in", newBezier(0.42, 0, 1, 1)), "ease-in")
	add(bezierEase("out", newBezier(0, 0, 0.58, 1)), "ease-out")
	add(bezierEase("in-out", newBezier(0.42, 0, 0.58, 1)), "ease-in-out")
	eases["step-start"] = stairsEase(stairs{1, jumpStart})
	eases["step-end"] = stairsEase(stairs{1, jumpEnd})
	add(newEase("hold", "hold", polyWhole(0)))
	add(newEase("min-jerk", "min-jerk", polyWhole(0, 0, 0, 10, -15, 6)))
	add(newEase("min-snap", "min-snap", polyWhole(0, 0, 0, 0, 35, -84, 70, -20)))
	add(newEase("s-curve", "s-curve", sCurve()))
	add(newEase("harmonic", "harmonic", []Part{{X1: 1, Func: motion{harmonic{}}}}))
	add(newEase("cycloid", "cycloid", []Part{{X1: 1, Func: motion{cycloid{}}}}))
	add(newEase("modified-trapezoid", "modified-trapezoid", []Part{{X1: 1, Func: motion{symmetric{modifiedTrapezoid{}}}}}))
	add(newEase("modified-sine", "modified-sine", []Part{{X1: 1, Func: motion{symmetric{modifiedSine{}}}}}))
}

func addDirections(eases map[string]*Ease, family string, in, out, inOut []Part) {
	for suffix, parts := range map[string][]Part{"-in": in, "-out": out, "-in-out": inOut} {
		eases[family+suffix] = newEase(family+suffix, family, parts)
	}
}

func addPowers(eases map[string]*Ease) {
	for i, family := range []string{"quad", "cubic", "quart", "quint"} {
		in := power(i + 2)
		addDirections(eases, family, in, reversed(in), inOut(in))
	}
	addDirections(eases, "back", back(backPull), reversed(back(backPull)), inOut(back(backInOut)))
	addDirections(eases, "bounce", bounceIn(), bounceOut(), inOut(bounceIn()))
}

func addCurves(eases map[string]*Ease) {
	add := func(family string, c, half core) {
		addDirections(eases, family, whole(c, speedingUp), whole(c, slowingDown), bothHalves(half))
	}
	add("sine", sine{}, sine{})
	add("expo", expo{}, expo{})
	add("circ", circ{}, circ{})
	add("elastic", elasticOf(3, 1.251189239304182658560664588503946691537),
		elasticOf(4.5, 1.110008713691924744795920288540714538738))
}

func bezierEase(text string, b *bezier) *Ease {
	e := newEase(text, "css", bezierParts(b))
	e.outside = b
	return e
}

func stairsEase(s stairs) *Ease {
	e := newEase(fmt.Sprintf("steps(%d, %s)", s.n, s.jump), "steps", s.parts())
	e.outside = s
	return e
}

// functions are the eases with arguments.
var functions = map[string]func(args []string) (*Ease, error){
	"cubic-bezier": parseBezier,
	"steps":        parseSteps,
	"linear":       parseLinear,
	"trapezoid":    parseTrapezoid,
}

// Names are all the names that an ease may begin with, sorted: those without
// arguments and the functions'.
func Names() []string {
	names := slices.AppendSeq(slices.Collect(maps.Keys(plainEases())), maps.Keys(functions))
	slices.Sort(names)
	return slices.Compact(names)
}

// Parse reads an ease as a motion file has it: "in-out", "cubic-bezier(0.3, 0,
// 0.2, 1)", "steps(4, jump-none)", "linear(0, 0.25 75%, 1)", "back-out". Errors
// are of type *ParseError.
//
// The same text mostly gives the same pointer, so that the thousand keys of a
// motion share the tables of one ease.
func Parse(text string) (*Ease, error) {
	trimmed := strings.TrimSpace(text)
	if e, ok := plainEases()[trimmed]; ok {
		return e, nil
	}
	if e := recent.get(trimmed); e != nil {
		return e, nil
	}
	e, err := parseCall(trimmed)
	if err != nil {
		pe, ok := err.(*ParseError)
		if !ok {
			pe = &ParseError{Msg: fmt.Sprintf("ease %s: %v", quoted(trimmed), err)}
		}
		pe.Text = text
		return nil, pe
	}
	recent.put(trimmed, e)
	return e, nil
}

// recent holds the eases with arguments that were read of late. It only saves
// work: an ease is immutable and depends on its text alone.
var recent memory

// memory is a bounded map from text to ease; when full it starts anew.
type memory struct {
	mutex sync.Mutex
	eases map[string]*Ease
}

const (
	mostRemembered    = 256
	longestRemembered = 200 // bytes of text
)

func (m *memory) get(text string) *Ease {
	m.mutex.Lock()
	defer m.mutex.Unlock()
	return m.eases[text]
}

func (m *memory) put(text string, e *Ease) {
	if len(text) > longestRemembered {
		return
	}
	m.mutex.Lock()
	defer m.mutex.Unlock()
	if m.eases == nil || len(m.eases) >= mostRemembered {
		m.eases = make(map[string]*Ease)
	}
	m.eases[strings.Clone(text)] = e
}

func parseCall(text string) (*Ease, error) {
	if len(text) > maxText {
		return nil, fmt.Errorf("the text has %d bytes; at most %d are read", len(text), maxText)
	}
	name, rest, called := strings.Cut(text, "(")
	name = strings.TrimSpace(name)
	read, isFunction := functions[name]
	_, isPlain := plainEases()[name]
	switch {
	case text == "":
		return nil, &ParseError{Msg: "the ease is empty; give a name such as in-out"}
	case !called && isFunction:
		return nil, fmt.Errorf("it needs arguments in brackets, such as %s", exampleOf[name])
	case called && isPlain && !isFunction:
		return nil, fmt.Errorf("%s takes no arguments", name)
	case !isFunction:
		return nil, unknown(name)
	}
	inner, ok := strings.CutSuffix(rest, ")")
	if !ok {
		return nil, fmt.Errorf("the closing bracket is missing")
	}
	if strings.ContainsAny(inner, "()") {
		return nil, fmt.Errorf("there is a bracket too many")
	}
	return read(strings.Split(inner, ","))
}

var exampleOf = map[string]string{
	"cubic-bezier": "cubic-bezier(0.3, 0, 0.2, 1)",
	"steps":        "steps(4, jump-end)",
	"linear":       "linear(0, 0.25 75%, 1)",
	"trapezoid":    "trapezoid(0.3, 0.3)",
}

func unknown(name string) error {
	return &ParseError{Msg: fmt.Sprintf("ease %s is not known", quoted(name)), Near: nearest(name)}
}

// nearest is the known name with the same words in another order or spelling, or
// within a third of its letters, or empty. A family alone becomes its -in-out.
func nearest(name string) string {
	if len(name) > 40 {
		return ""
	}
	spelled, sorted := words(name)
	if _, ok := plainEases()[spelled+"-in-out"]; ok {
		return spelled + "-in-out"
	}
	best, least := "", max(2, len(name)/3)+1
	for _, n := range Names() {
		if _, w := words(n); w == sorted {
			return n
		}
		if d := levenshtein.ComputeDistance(n, strings.ToLower(name)); d < least {
			best, least = n, d
		}
	}
	return best
}

// words are the words of a name joined by hyphens, without "ease" in front or
// between: as they come, and sorted. A capital begins a word.
func words(name string) (spelled, sorted string) {
	var split strings.Builder
	for _, r := range name {
		if unicode.IsUpper(r) {
			split.WriteByte('-')
		}
		split.WriteRune(unicode.ToLower(r))
	}
	w := strings.FieldsFunc(split.String(), func(r rune) bool { return r == '-' || r == '_' || r == ' ' })
	w = slices.DeleteFunc(w, func(s string) bool { return s == "ease" })
	spelled = strings.Join(w, "-")
	slices.Sort(w)
	return spelled, strings.Join(w, "-")
}

// quoted is the text in quotes, cut when it is long.
func quoted(text string) string {
	const most = 40
	if r := []rune(text); len(r) > most {
		text = string(r[:most]) + "..."
	}
	return strconv.Quote(text)
}

func parseBezier(args []string) (*Ease, error) {
	v, err := numbers(args, "cubic-bezier", "x1, y1, x2, y2")
	if err != nil {
		return nil, err
	}
	for i, x := range v {
		name := [...]string{"x1", "y1", "x2", "y2"}[i]
		if i%2 == 0 && (x < 0 || x > 1) {
			return nil, fmt.Errorf("%s is %s, outside 0 to 1", name, number(x))
		}
		if math.Abs(x) > maxOutput {
			return nil, fmt.Errorf("%s is %s, beyond 1000000 either way", name, number(x))
		}
		if i%2 == 0 && x < leastHandle {
			v[i] = 0
		}
	}
	text := fmt.Sprintf("cubic-bezier(%s, %s, %s, %s)", number(v[0]), number(v[1]), number(v[2]), number(v[3]))
	return bezierEase(text, newBezier(v[0], v[1], v[2], v[3])), nil
}

func parseTrapezoid(args []string) (*Ease, error) {
	v, err := numbers(args, "trapezoid", "the shares of the time spent speeding up and slowing down")
	if err != nil {
		return nil, err
	}
	for i, x := range v {
		name := [...]string{"the share for speeding up", "the share for slowing down"}[i]
		if x < 0 || x > 1 {
			return nil, fmt.Errorf("%s is %s, outside 0 to 1", name, number(x))
		}
		if x > 0 && x < leastShare {
			return nil, fmt.Errorf("%s is %s; give 0, or %s or more", name, number(x), number(leastShare))
		}
	}
	if sum := v[0] + v[1]; sum > 1 {
		return nil, fmt.Errorf("the two shares add up to %s, more than 1", number(sum))
	}
	text := fmt.Sprintf("trapezoid(%s, %s)", number(v[0]), number(v[1]))
	return newEase(text, "trapezoid", trapezoid(v[0], v[1])), nil
}

func parseSteps(args []string) (*Ease, error) {
	if len(args) > 2 {
		return nil, fmt.Errorf("steps takes a number of steps and where they jump, not %d arguments", len(args))
	}
	n, err := strconv.Atoi(strings.TrimSpace(args[0]))
	if err != nil || n > maxSteps || n < 1 {
		return nil, fmt.Errorf("%s is no number of steps; give a whole number from 1 to %d", quoted(strings.TrimSpace(args[0])), maxSteps)
	}
	s := stairs{n: n}
	if len(args) == 2 {
		word := strings.TrimSpace(args[1])
		j, ok := jumpNames[word]
		if !ok {
			return nil, fmt.Errorf("%s is not known; give jump-start, jump-end, jump-none or jump-both", quoted(word))
		}
		s.jump = j
	}
	if s.jumps() < 1 {
		return nil, fmt.Errorf("steps with jump-none needs 2 steps or more")
	}
	return stairsEase(s), nil
}

func parseLinear(args []string) (*Ease, error) {
	var stops []stop
	for i, arg := range args {
		if len(stops) > maxStops {
			break
		}
		more, err := parseStop(arg)
		if err != nil {
			return nil, fmt.Errorf("stop %d: %w", i+1, err)
		}
		stops = append(stops, more...)
	}
	if len(args) < 2 {
		return nil, fmt.Errorf("linear() needs two stops or more; for a steady move write linear")
	}
	if len(stops) > maxStops {
		return nil, fmt.Errorf("linear() has more than %d stops", maxStops)
	}
	line := canonical(stops)
	e := newEase(line.text(), "linear", line.parts())
	e.outside = line
	return e, nil
}

// parseStop reads an output with up to two per cent inputs, in either order as
// CSS has it; two inputs make two stops.
func parseStop(text string) ([]stop, error) {
	fields := strings.Fields(text)
	at := slices.IndexFunc(fields, func(f string) bool { return !strings.HasSuffix(f, "%") })
	if at < 0 || len(fields) > 3 || len(fields) == 3 && at == 1 {
		return nil, fmt.Errorf("%s is not a value with up to two percentages, such as 0.5 25%%", quoted(strings.TrimSpace(text)))
	}
	y, err := parseNumber(fields[at], maxOutput)
	if err != nil {
		return nil, err
	}
	inputs := slices.Delete(fields, at, at+1)
	if len(inputs) == 0 {
		return []stop{{math.NaN(), y}}, nil
	}
	var stops []stop
	for _, f := range inputs {
		x, err := parseNumber(strings.TrimSuffix(f, "%"), maxInput)
		if err != nil {
			return nil, err
		}
		stops = append(stops, stop{x, y})
	}
	return stops, nil
}

// numbers reads exactly as many arguments as the description names.
func numbers(args []string, function, described string) ([]float64, error) {
	want := 4
	if function == "trapezoid" {
		want = 2
	}
	if len(args) != want {
		return nil, fmt.Errorf("%s takes %d numbers (%s), not %d", function, want, described, len(args))
	}
	v := make([]float64, want)
	for i, a := range args {
		x, err := parseNumber(strings.TrimSpace(a), math.MaxFloat64)
		if err != nil {
			return nil, err
		}
		v[i] = x
	}
	return v, nil
}

// parseNumber reads a decimal number as CSS writes it, no greater than most
// either way.
func parseNumber(s string, most float64) (float64, error) {
	if s == "" {
		return 0, fmt.Errorf("a number is missing")
	}
	if strings.Trim(s, "+-.0123456789eE") != "" {
		return 0, fmt.Errorf("%s is not a number", quoted(s))
	}
	v, err := strconv.ParseFloat(s, 64)
	if err != nil && math.IsInf(v, 0) || math.Abs(v) > most {
		return 0, fmt.Errorf("%s is too large", quoted(s))
	}
	if err != nil {
		return 0, fmt.Errorf("%s is not a number", quoted(s))
	}
	return v + 0, nil
}

// number is the shortest decimal that reads back the same.
func number(x float64) string { return strconv.FormatFloat(x, 'g', -1, 64) }
