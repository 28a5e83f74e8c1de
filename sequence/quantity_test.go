package sequence

import (
	"encoding/csv"
	"math"
	"os"
	"sort"
	"strconv"
	"strings"
	"testing"
)

// within compares to a relative difference: 1e-15 is a few units in the last place.
func within(got, want, tolerance float64) bool {
	return got == want || math.Abs(got-want) <= tolerance*math.Abs(want)
}

// Each unit with its factor. SI prefixes are exact by definition; the standard
// acceleration of free fall is 9.80665 m/s2 (3rd CGPM 1901; ISO 80000-3), the
// international pound 0.45359237 kg and inch 25.4 mm (agreement of 1959, as in
// NIST SP 811 appendix B, which gives 1 kgf = 9.80665 N and 1 ozf.in =
// 7.061552e-3 N.m). kg.cm and oz.in are force times length, as data sheets of
// servos mean them.
var unitFactors = []struct {
	unit string
	dim  dim
	want float64
}{
	{"deg", angle, 1}, {"°", angle, 1}, {"rad", angle, 57.29577951308232}, {"rev", angle, 360},
	{"mm", length, 1}, {"cm", length, 10}, {"m", length, 1000}, {"in", length, 25.4},
	{"%", ratio, 1},
	{"s", seconds, 1}, {"ms", seconds, 1e-3}, {"us", seconds, 1e-6}, {"µs", seconds, 1e-6}, {"μs", seconds, 1e-6}, {"min", seconds, 60}, {"h", seconds, 3600},
	{"V", volt, 1}, {"mV", volt, 1e-3}, {"A", ampere, 1}, {"mA", ampere, 1e-3},
	{"ohm", ohm, 1}, {"Ω", ohm, 1}, {"\u2126", ohm, 1}, {"mohm", ohm, 1e-3}, {"mΩ", ohm, 1e-3}, {"m\u2126", ohm, 1e-3},
	{"Ah", charge, 1}, {"mAh", charge, 1e-3}, {"W", power, 1},
	{"N.m", torque, 1}, {"mN.m", torque, 1e-3}, {"kg.cm", torque, 0.0980665}, {"oz.in", torque, 0.00706155181422604},
	{"kg.m2", inertia, 1}, {"g.cm2", inertia, 1e-7},
	{"kg", mass, 1}, {"g", mass, 1e-3}, {"oz", mass, 0.028349523125}, {"lb", mass, 0.45359237},
	{"Hz", hertz, 1}, {"kHz", hertz, 1000}, {"fps", hertz, 1},
	{"deg/s", angleSpeed, 1}, {"°/s", angleSpeed, 1}, {"rad/s", angleSpeed, 57.29577951308232},
	{"rev/min", angleSpeed, 6}, {"rpm", angleSpeed, 6}, {"rev/s", angleSpeed, 360},
	{"mm/s", lengthSpeed, 1}, {"%/s", ratioSpeed, 1}, {"steps/s", stepSpeed, 1},
	{"deg/s2", angleAccel, 1}, {"mm/s2", lengthAccel, 1}, {"%/s2", ratioAccel, 1}, {"steps/s2", stepAccel, 1},
	{"deg/s3", angleJerk, 1}, {"mm/s3", lengthJerk, 1}, {"%/s3", ratioJerk, 1},
	{"baud", baud, 1}, {"mm2", wireArea, 1}, {"ppm", ppm, 1},
	{"s", pulse, 1e6}, {"ms", pulse, 1e3}, {"us", pulse, 1}, {"µs", pulse, 1}, {"μs", pulse, 1},
}

func TestUnits(t *testing.T) {
	tested := map[string]map[dim]bool{}
	for _, u := range unitFactors {
		if tested[u.unit] == nil {
			tested[u.unit] = map[dim]bool{}
		}
		tested[u.unit][u.dim] = true
		for _, form := range []string{"1" + u.unit, " 1 " + u.unit + " ", "10e-1" + u.unit, "+1.0" + u.unit} {
			got, err := convert(form, u.dim)
			if err != nil || !within(got, u.want, 2e-15) {
				t.Errorf("%q is %v (%v), not %v %s", form, got, err, u.want, naturalUnit[u.dim])
			}
		}
	}
	for name, list := range units {
		for _, u := range list {
			if !tested[name][u.dim] {
				t.Errorf("the unit %s of %s is not tested", name, dimNames[u.dim].noun)
			}
		}
	}
}

// A decimal fraction of a unit is the double nearest to its exact value, since
// the factor is applied as one whole ratio.
func TestUnitsRoundOnce(t *testing.T) {
	for _, c := range []struct {
		text string
		dim  dim
		want float64
	}{
		{"1500us", seconds, 0.0015}, {"70ms", seconds, 0.07}, {"650mA", ampere, 0.65}, {"2200mAh", charge, 2.2},
		{"60mohm", ohm, 0.06}, {"120g", mass, 0.12}, {"800g.cm2", inertia, 8e-5}, {"1.5ms", pulse, 1500}, {"-310ppm", ppm, -310},
		{"1e3mm", length, 1000}, {".5s", seconds, 0.5}, {"5.", plain, 5}, {"1E-2m", length, 10},
	} {
		if got, err := convert(c.text, c.dim); err != nil || got != c.want {
			t.Errorf("%s is %v (%v), not %v", c.text, got, err, c.want)
		}
	}
}

// Speeds as data sheets of hobby servos print them: seconds for 60 degrees. The
// quotients are exact arithmetic: 60 deg / 0.12 s = 500 deg/s.
func TestDataSheetSpeeds(t *testing.T) {
	for _, c := range []struct {
		text string
		dim  dim
		want float64
	}{
		{"0.10 s/60deg", angleSpeed, 600}, {"0.12s/60deg", angleSpeed, 500}, {"0.14 s/60deg", angleSpeed, 428.57},
		{"0.17s / 60 deg", angleSpeed, 352.94}, {"0.19s/60°", angleSpeed, 315.79}, {"0.20 s/60deg", angleSpeed, 300},
		{"120ms/60deg", angleSpeed, 500}, {"2s/1rev", angleSpeed, 180}, {"0.5s/100mm", lengthSpeed, 200}, {"0.5s/4in", lengthSpeed, 203.2},
	} {
		got, err := convert(c.text, c.dim)
		if err != nil || math.Abs(got-c.want) > 0.005 {
			t.Errorf("%s is %v (%v), not %v", c.text, got, err, c.want)
		}
	}
	for _, text := range []string{"0.12/60deg", "0s/60deg", "-0.1s/60deg", "0.12s/60", "0.12s/0deg", "0.12s/-60deg", "0.12s/60mm", "0.12V/60deg", "0.12s/60deg/s", "1e-300s/1e300deg"} {
		if got, err := convert(text, angleSpeed); err == nil {
			t.Errorf("%s is read as %v deg/s", text, got)
		}
	}
}

// The table of ASTM B258 gives four decimals.
func TestWireGauges(t *testing.T) {
	text, err := os.ReadFile("testdata/awg.csv")
	if err != nil {
		t.Fatal(err)
	}
	r := csv.NewReader(strings.NewReader(string(text)))
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil || len(rows) < 10 {
		t.Fatalf("%d rows: %v", len(rows), err)
	}
	for _, row := range rows[1:] {
		area, err := strconv.ParseFloat(row[2], 64)
		if err != nil {
			t.Fatal(err)
		}
		for _, form := range []string{row[0], row[0] + "AWG", row[0] + " awg"} {
			if got, err := convert(form, wireArea); err != nil || math.Abs(got-area) > 0.5e-4 {
				t.Errorf("gauge %s is %v mm2 (%v), not %v", form, got, err, area)
			}
		}
	}
	// The two wires that define the scale: No. 36 and No. 0000.
	for gauge, inches := range map[float64]float64{36: 0.005, -3: 0.46} {
		if d := 25.4 * inches; !within(gaugeArea(gauge), math.Pi/4*d*d, 1e-12) {
			t.Errorf("gauge %v has %v mm2", gauge, gaugeArea(gauge))
		}
	}
	if got, err := convert("0.5mm2", wireArea); err != nil || got != 0.5 {
		t.Errorf("0.5mm2 is %v (%v)", got, err)
	}
}

func TestBadQuantities(t *testing.T) {
	for _, c := range []struct {
		text string
		dim  dim
		say  []string
	}{
		{"0,5V", volt, []string{"decimal comma", `"0.5V"`}},
		{"6 A", volt, []string{"is a current, where a voltage belongs", "V or mV"}},
		{"6v", volt, []string{"did you mean V?"}},
		{"6volt", volt, []string{"no unit of a voltage", "V or mV"}},
		{"NaN", volt, []string{"not a finite number"}},
		{".inf", volt, []string{"not a finite number"}},
		{"-Infinity", volt, []string{"not a finite number"}},
		{"1e400V", volt, []string{"too large"}},
		{"", volt, []string{"is not a voltage", "6V"}},
		{"six", volt, []string{"is not a voltage", "6V"}},
		{"- 5V", volt, []string{"is not a voltage"}},
		{"1.2.3V", volt, []string{"no unit of a voltage"}},
		{"5V", plain, []string{"a bare number belongs here", `leave "V" out`}},
		{"0x10", plain, []string{"a bare number belongs here"}},
		{"1_000", plain, []string{"a bare number belongs here"}},
		{"90AWG", wireArea, []string{"wire gauge number"}},
		{"30deg/s", lengthSpeed, []string{"unit"}},
		{strings.Repeat("9", 500), plain, []string{"too many digits"}},
	} {
		got, err := convert(c.text, c.dim)
		if err == nil {
			t.Errorf("%q is read as %v", c.text, got)
			continue
		}
		for _, part := range c.say {
			if !strings.Contains(err.text+"; "+err.hint, part) {
				t.Errorf("%q gives %q; %q, without %q", c.text, err.text, err.hint, part)
			}
		}
	}
}

func TestUnitsOfListsASCIIFirst(t *testing.T) {
	if got := joinOr(unitsOf(ohm)); got != "mohm, ohm, mΩ or Ω" {
		t.Errorf("a resistance takes %s", got)
	}
	for d := range dimNames {
		if !sort.SliceIsSorted(unitsOf(d), func(i, j int) bool { return isASCII(unitsOf(d)[i]) && !isASCII(unitsOf(d)[j]) }) {
			t.Errorf("the units of %s are %v", dimNames[d].noun, unitsOf(d))
		}
	}
}

func TestNearest(t *testing.T) {
	known := []string{"boat", "bell", "head-pan", "head-tilt", "jaw", "x"}
	for word, want := range map[string]string{
		"baot": "boat", "boat": "boat", "Bell": "bell", "hed-pan": "head-pan", "head-tlit": "head-tilt", "jaws": "jaw",
		"elbow": "", "y": "", "": "", "jow": "jaw", strings.Repeat("a", 100): "",
	} {
		if got := Nearest(word, known); got != want {
			t.Errorf("%q is near %q, not %q", word, got, want)
		}
	}
}
