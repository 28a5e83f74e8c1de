package sequence

import (
	"fmt"
	"math"
	"sort"
	"strconv"
	"strings"
	"unicode/utf8"

	"github.com/agnivade/levenshtein"
)

// dim is what a number measures.
type dim uint8

const (
	plain       dim = iota // a bare number
	angle                  // deg
	length                 // mm
	ratio                  // %
	seconds                // s
	volt                   // V
	ampere                 // A
	ohm                    // ohm
	charge                 // Ah
	power                  // W
	torque                 // N.m
	inertia                // kg.m2
	mass                   // kg
	hertz                  // Hz
	angleSpeed             // deg/s
	lengthSpeed            // mm/s
	ratioSpeed             // %/s
	stepSpeed              // steps/s
	angleAccel             // deg/s2
	lengthAccel            // mm/s2
	ratioAccel             // %/s2
	stepAccel              // steps/s2
	angleJerk              // deg/s3
	lengthJerk             // mm/s3
	ratioJerk              // %/s3
	baud                   // bits a second
	wireArea               // mm2
	ppm                    // parts a million
	pulse                  // us: a time, kept in microseconds
)

// unit converts exactly: v unit = v x num / den of the dimension's own unit.
// Keeping the fraction whole makes 1500us exactly the double nearest to 0.0015.
type unit struct {
	dim      dim
	num, den float64
}

const (
	gravity = 9.80665                       // m/s2, standard acceleration of free fall (ISO 80000-3)
	pound   = 0.45359237                    // kg, international avoirdupois pound
	ounce   = pound / 16                    // kg
	inch    = 25.4                          // mm, international inch
	kgcm    = gravity / 100                 // N.m
	ozin    = ounce * gravity * inch / 1000 // N.m
)

var units = map[string][]unit{
	"deg": {{angle, 1, 1}}, "°": {{angle, 1, 1}}, "rad": {{angle, 180, math.Pi}}, "rev": {{angle, 360, 1}},
	"mm": {{length, 1, 1}}, "cm": {{length, 10, 1}}, "m": {{length, 1000, 1}}, "in": {{length, inch, 1}},
	"%": {{ratio, 1, 1}},
	"s": {{seconds, 1, 1}, {pulse, 1e6, 1}}, "ms": {{seconds, 1, 1e3}, {pulse, 1e3, 1}},
	"us": {{seconds, 1, 1e6}, {pulse, 1, 1}}, "µs": {{seconds, 1, 1e6}, {pulse, 1, 1}}, "μs": {{seconds, 1, 1e6}, {pulse, 1, 1}},
	"min": {{seconds, 60, 1}}, "h": {{seconds, 3600, 1}},
	"V": {{volt, 1, 1}}, "mV": {{volt, 1, 1e3}},
	"A": {{ampere, 1, 1}}, "mA": {{ampere, 1, 1e3}},
	"ohm": {{ohm, 1, 1}}, "Ω": {{ohm, 1, 1}}, "\u2126": {{ohm, 1, 1}},
	"mohm": {{ohm, 1, 1e3}}, "mΩ": {{ohm, 1, 1e3}}, "m\u2126": {{ohm, 1, 1e3}},
	"Ah": {{charge, 1, 1}}, "mAh": {{charge, 1, 1e3}},
	"W":   {{power, 1, 1}},
	"N.m": {{torque, 1, 1}}, "mN.m": {{torque, 1, 1e3}}, "kg.cm": {{torque, kgcm, 1}}, "oz.in": {{torque, ozin, 1}},
	"kg.m2": {{inertia, 1, 1}}, "g.cm2": {{inertia, 1, 1e7}},
	"kg": {{mass, 1, 1}}, "g": {{mass, 1, 1e3}}, "oz": {{mass, ounce, 1}}, "lb": {{mass, pound, 1}},
	"Hz": {{hertz, 1, 1}}, "kHz": {{hertz, 1e3, 1}}, "fps": {{hertz, 1, 1}},
	"deg/s": {{angleSpeed, 1, 1}}, "°/s": {{angleSpeed, 1, 1}}, "rad/s": {{angleSpeed, 180, math.Pi}},
	"rev/min": {{angleSpeed, 6, 1}}, "rpm": {{angleSpeed, 6, 1}}, "rev/s": {{angleSpeed, 360, 1}},
	"mm/s": {{lengthSpeed, 1, 1}}, "%/s": {{ratioSpeed, 1, 1}}, "steps/s": {{stepSpeed, 1, 1}},
	"deg/s2": {{angleAccel, 1, 1}}, "mm/s2": {{lengthAccel, 1, 1}}, "%/s2": {{ratioAccel, 1, 1}}, "steps/s2": {{stepAccel, 1, 1}},
	"deg/s3": {{angleJerk, 1, 1}}, "mm/s3": {{lengthJerk, 1, 1}}, "%/s3": {{ratioJerk, 1, 1}},
	"baud": {{baud, 1, 1}}, "mm2": {{wireArea, 1, 1}}, "ppm": {{ppm, 1, 1}},
}

// dimNames says what a number of each dimension is called in messages, and the
// spelling that a message offers first.
var dimNames = map[dim]struct{ noun, example string }{
	plain: {"a number", "2"}, angle: {"an angle", "30deg"}, length: {"a length", "12mm"}, ratio: {"a percentage", "50%"},
	seconds: {"a time", "1.2s"}, volt: {"a voltage", "6V"}, ampere: {"a current", "650mA"}, ohm: {"a resistance", "60mohm"},
	charge: {"a charge", "2200mAh"}, power: {"a power", "3W"}, torque: {"a torque", "1.6kg.cm"}, inertia: {"an inertia", "800g.cm2"},
	mass: {"a mass", "120g"}, hertz: {"a rate", "50Hz"}, angleSpeed: {"a speed", "250deg/s"}, lengthSpeed: {"a speed", "80mm/s"},
	ratioSpeed: {"a speed", "200%/s"}, stepSpeed: {"a step rate", "300steps/s"}, angleAccel: {"an acceleration", "1500deg/s2"},
	lengthAccel: {"an acceleration", "400mm/s2"}, ratioAccel: {"an acceleration", "800%/s2"}, stepAccel: {"a step acceleration", "900steps/s2"},
	angleJerk: {"a jerk", "20000deg/s3"}, lengthJerk: {"a jerk", "9000mm/s3"}, ratioJerk: {"a jerk", "9000%/s3"},
	baud: {"a data rate", "115200baud"}, wireArea: {"a wire size", "24AWG"}, ppm: {"a clock trim", "-310ppm"}, pulse: {"a pulse", "1500us"},
}

// unitsOf lists the spellings that a dimension accepts, ASCII ones first.
func unitsOf(d dim) []string {
	var list []string
	for name, us := range units {
		for _, u := range us {
			if u.dim == d && !strings.ContainsAny(name, "\u2126μ") {
				list = append(list, name)
			}
		}
	}
	if d == angleSpeed || d == lengthSpeed {
		list = append(list, dataSheetSpeed(d))
	}
	if d == wireArea {
		list = append(list, "AWG")
	}
	sort.Slice(list, func(i, j int) bool {
		if a, b := isASCII(list[i]), isASCII(list[j]); a != b {
			return a
		}
		return list[i] < list[j]
	})
	return list
}

func dataSheetSpeed(d dim) string {
	if d == lengthSpeed {
		return "0.5s/100mm"
	}
	return "0.12s/60deg"
}

func isASCII(s string) bool {
	for i := 0; i < len(s); i++ {
		if s[i] >= 0x80 {
			return false
		}
	}
	return true
}

// trimBlank takes blanks and tabs away, and no other kind of white space: what
// else looks empty is no part of a number.
func trimBlank(s string) string { return strings.Trim(s, " \t") }

// splitNumber cuts s into the text of a decimal number and what follows.
func splitNumber(s string) (number, rest string) {
	i := 0
	if i < len(s) && (s[i] == '+' || s[i] == '-') {
		i++
	}
	digits := 0
	for ; i < len(s) && (s[i] >= '0' && s[i] <= '9'); i++ {
		digits++
	}
	if i < len(s) && s[i] == '.' {
		for i++; i < len(s) && (s[i] >= '0' && s[i] <= '9'); i++ {
			digits++
		}
	}
	if digits == 0 {
		return "", s
	}
	if i < len(s) && (s[i] == 'e' || s[i] == 'E') {
		j := i + 1
		if j < len(s) && (s[j] == '+' || s[j] == '-') {
			j++
		}
		k := j
		for k < len(s) && s[k] >= '0' && s[k] <= '9' {
			k++
		}
		if k > j {
			i = k
		}
	}
	return s[:i], trimBlank(s[i:])
}

// A quantityError says what is wrong with the text of a number, and what would
// do. One without a text stands for a mistake that was reported elsewhere.
type quantityError struct{ text, hint string }

// followOn is the error of a time that uses an fps, a tempo or a mark which is
// itself wrong.
var followOn = &quantityError{}

func (e *quantityError) Error() string { return e.text }

func badNumber(text, why, hint string) *quantityError {
	return &quantityError{fmt.Sprintf("%q %s", clip(text, 80), why), hint}
}

// parseNumber reads the decimal part of a quantity.
func parseNumber(text string) (v float64, unit string, err *quantityError) {
	s := trimBlank(text)
	number, rest := splitNumber(s)
	if number == "" {
		switch strings.ToLower(strings.TrimLeft(s, "+-.")) {
		case "nan", "inf", "infinity":
			return 0, "", badNumber(text, "is not a finite number", "write a plain decimal number")
		}
		return 0, "", badNumber(text, "is not a number", "")
	}
	if len(number) > 400 {
		return 0, "", badNumber(number[:20]+"…", "has too many digits", "write a plain decimal number")
	}
	if strings.HasPrefix(rest, ",") && len(rest) > 1 && rest[1] >= '0' && rest[1] <= '9' {
		return 0, "", badNumber(text, "has a decimal comma", fmt.Sprintf("write it with a point: %q", strings.Replace(s, ",", ".", 1)))
	}
	v, perr := strconv.ParseFloat(number, 64)
	if perr != nil || math.IsInf(v, 0) || math.IsNaN(v) {
		return 0, "", badNumber(text, "is too large to be a number here", "write a number below 1e300")
	}
	return v, rest, nil
}

// convert reads text as a number of dimension d. A bare number is in the
// dimension's own unit.
func convert(text string, d dim) (float64, *quantityError) {
	v, unit, err := parseNumber(text)
	if err != nil {
		if err.hint == "" {
			err.text = fmt.Sprintf("%q is not %s", text, dimNames[d].noun)
			err.hint = "write for example " + dimNames[d].example
			if d == plain {
				err.hint = "write a plain number, without a unit"
			}
		}
		return 0, err
	}
	if unit == "" {
		if d == wireArea {
			return gauge(text, v)
		}
		return v, nil
	}
	for _, u := range units[unit] {
		if u.dim == d {
			return float64(v*u.num) / u.den, nil
		}
	}
	if d == wireArea && strings.EqualFold(unit, "awg") {
		return gauge(text, v)
	}
	if d == angleSpeed || d == lengthSpeed {
		if speed, ok := convertSheetSpeed(v, unit, d); ok {
			return speed, nil
		}
	}
	return 0, wrongUnit(text, unit, d)
}

// convertSheetSpeed reads the data sheet's form of a speed, time over way, as
// in 0.12s/60deg.
func convertSheetSpeed(v float64, unit string, d dim) (float64, bool) {
	timeUnit, way, ok := strings.Cut(unit, "/")
	if !ok {
		return 0, false
	}
	t := 0.0
	for _, u := range units[trimBlank(timeUnit)] {
		if u.dim == seconds {
			t = float64(v*u.num) / u.den
		}
	}
	if t <= 0 {
		return 0, false
	}
	wayDim := angle
	if d == lengthSpeed {
		wayDim = length
	}
	w, wayUnit, nerr := parseNumber(way)
	if nerr != nil || wayUnit == "" || w <= 0 {
		return 0, false
	}
	for _, u := range units[wayUnit] {
		if speed := float64(w*u.num) / u.den / t; u.dim == wayDim && !math.IsInf(speed, 0) {
			return speed, true
		}
	}
	return 0, false
}

// Wire gauges from 4 (0000 is -3) to the finest that is drawn.
const minGauge, maxGauge = -3, 50

func gauge(text string, n float64) (float64, *quantityError) {
	if n < minGauge || n > maxGauge {
		return 0, badNumber(text, "is not an American wire gauge number", fmt.Sprintf("gauges go from %d (4/0) to %d; thicker wire takes mm2", minGauge, maxGauge))
	}
	return gaugeArea(n), nil
}

// gaugeArea gives the copper area in mm2 of an American wire gauge number
// (ASTM B258: diameter 0.127 mm x 92^((36-n)/39)).
func gaugeArea(n float64) float64 {
	d := 0.127 * math.Pow(92, (36-n)/39)
	return math.Pi / 4 * d * d
}

func wrongUnit(text, unit string, d dim) *quantityError {
	names := unitsOf(d)
	if d == plain {
		return badNumber(text, "has a unit, but a bare number belongs here", "leave "+strconv.Quote(unit)+" out")
	}
	hint := fmt.Sprintf("%s takes %s", dimNames[d].noun, joinOr(names))
	if near := Nearest(unit, names); near != "" {
		hint = fmt.Sprintf("did you mean %s? %s", near, hint)
	}
	if others, known := units[unit]; known {
		if other := dimNames[others[0].dim].noun; other != dimNames[d].noun {
			return badNumber(text, fmt.Sprintf("is %s, where %s belongs", other, dimNames[d].noun), hint)
		}
		return badNumber(text, "has a unit that does not fit here", hint)
	}
	return badNumber(text, fmt.Sprintf("has the unit %q, which is no unit of %s", unit, dimNames[d].noun), hint)
}

// countOf gives "1 value" or "3 values".
func countOf(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return strconv.Itoa(n) + " " + many
}

// joinOr lists words as "a, b or c".
func joinOr(words []string) string {
	switch len(words) {
	case 0:
		return "nothing"
	case 1:
		return words[0]
	}
	return strings.Join(words[:len(words)-1], ", ") + " or " + words[len(words)-1]
}

// Nearest gives the known word closest to word, or "" when none is close: about
// a third of its letters may differ; two letters that changed places count as
// one. Of two as close, the one as long as word wins.
func Nearest(word string, known []string) string {
	letters := utf8.RuneCountInString(word)
	if letters > 64 {
		return ""
	}
	best, bestEdits, bestLonger := "", 1+max(1, (letters+2)/3), 0
	lower := strings.ToLower(word)
	for _, k := range known {
		longer := abs(utf8.RuneCountInString(k) - letters)
		if longer > bestEdits {
			continue
		}
		edits := levenshtein.ComputeDistance(lower, strings.ToLower(k))
		if edits == 2 && longer == 0 && swapped(lower, strings.ToLower(k)) {
			edits = 1
		}
		if edits >= letters && edits > 0 {
			continue // nothing in common
		}
		closer := edits < bestEdits || (edits == bestEdits && best != "" && longer < bestLonger)
		if closer || (edits == bestEdits && longer == bestLonger && k < best) {
			best, bestEdits, bestLonger = k, edits, longer
		}
	}
	return best
}

// swapped reports whether two words are the same but for two letters that
// changed places.
func swapped(a, b string) bool {
	if len(a) != len(b) {
		return false
	}
	i := 0
	for i < len(a) && a[i] == b[i] {
		i++
	}
	return i+1 < len(a) && a[i] == b[i+1] && a[i+1] == b[i] && a[i+2:] == b[i+2:]
}

func abs(n int) int {
	if n < 0 {
		return -n
	}
	return n
}

func sortNames(names []string) { sort.Strings(names) }

// ParseRate reads a rate such as 1kHz, 50Hz or 24fps, within bounds in hertz.
func ParseRate(text string, low, high float64) (float64, error) {
	v, err := convert(text, hertz)
	if err != nil {
		return 0, fmt.Errorf("%s; %s", err.text, err.hint)
	}
	if v < low || v > high {
		return 0, fmt.Errorf("%s is out of range; it may be from %s Hz to %s Hz", text, formatNumber(low), formatNumber(high))
	}
	return v, nil
}
