package sequence

import (
	"math"
	"os"
	"reflect"
	"strings"
	"testing"

	"limberjack/interp/ease"
	"limberjack/interp/linkage"
)

func FuzzLoad(f *testing.F) {
	rig, err := os.ReadFile("testdata/good/keeper.rig.yaml")
	if err != nil {
		f.Fatal(err)
	}
	motion, err := os.ReadFile("testdata/good/boat.motion.yaml")
	if err != nil {
		f.Fatal(err)
	}
	f.Add(string(rig), string(motion))
	f.Add(smallRig, motionText(shake+"tracks: {arm: [[0s, 0], [soonest, 10]]}\nplace: [{phrase: shake, at: 3s, times: 2}]\n"))
	f.Add(smallRig, motionText("fps: 29.97\ntempo: [{at: 0s, bpm: 60}, {at: 3s, bpm: 61}]\nlength: 00:00:01;00\npace: [[0, 0, 0], [2, 1, 1]]\n"))
	f.Add(smallRig, motionText("tracks:\n  arm:\n"+strings.Repeat("  - [1s, 2]\n", 6)))
	for name, text := range Starter() {
		if strings.HasSuffix(name, ".motion.yaml") {
			f.Add(string(Starter()["starter.rig.yaml"]), strings.Replace(string(text), "starter.rig", "small.rig", 1))
		}
	}
	f.Fuzz(func(t *testing.T, rig, motion string) {
		if len(rig)+len(motion) > 1<<16 {
			return
		}
		files := texts{"small.rig.yaml": rig, "keeper.rig.yaml": rig, "t.motion.yaml": motion}
		doc, err := Load(files.open, "t.motion.yaml")
		for _, p := range AsProblems(err) {
			if p.Text == "" || len(p.Text) > 1<<17 {
				t.Errorf("a problem without words, or with too many: %v", p)
			}
		}
		if err == nil {
			allFinite(t, reflect.ValueOf(doc), map[uintptr]bool{})
			if s, ok := doc.(*Script); ok {
				keysAscend(t, s)
			}
		}
		compareRuns(t, motion)
	})
}

// keysAscend checks that each track can be made into a curve.
func keysAscend(t *testing.T, s *Script) {
	t.Helper()
	for _, tr := range s.Merged {
		if len(tr.Keys) == 0 {
			t.Errorf("the track of %s has no keys", tr.Target.Name())
		}
		for i, k := range tr.Keys {
			if k.Ease == nil || k.Time < 0 || k.Time > maxTime {
				t.Errorf("a key of %s: %+v", tr.Target.Name(), k)
			}
			if i > 0 && k.Time <= tr.Keys[i-1].Time {
				t.Errorf("%s has keys at %v and then %v", tr.Target.Name(), tr.Keys[i-1].Time, k.Time)
			}
		}
	}
	for i := 1; i < len(s.Pace); i++ {
		if s.Pace[i].Time <= s.Pace[i-1].Time || s.Pace[i].Script < s.Pace[i-1].Script {
			t.Errorf("the pace goes back at %v", s.Pace[i])
		}
	}
}

// allFinite walks all numbers of a document.
func allFinite(t *testing.T, v reflect.Value, seen map[uintptr]bool) {
	switch v.Kind() {
	case reflect.Float64:
		if x := v.Float(); math.IsNaN(x) || math.IsInf(x, 0) {
			t.Errorf("a number is %v", x)
		}
	case reflect.Pointer:
		if v.IsNil() || seen[v.Pointer()] || v.Type() == reflect.TypeFor[*ease.Ease]() {
			return
		}
		seen[v.Pointer()] = true
		allFinite(t, v.Elem(), seen)
	case reflect.Interface:
		if !v.IsNil() && v.Type() != reflect.TypeFor[linkage.Linkage]() {
			allFinite(t, v.Elem(), seen)
		}
	case reflect.Struct:
		for i := 0; i < v.NumField(); i++ {
			allFinite(t, v.Field(i), seen)
		}
	case reflect.Slice, reflect.Array:
		for i := 0; i < v.Len(); i++ {
			allFinite(t, v.Index(i), seen)
		}
	}
}

// A run of lines is read as the YAML library reads it.
func FuzzRuns(f *testing.F) {
	for _, line := range runLines {
		f.Add(line)
	}
	f.Fuzz(func(t *testing.T, line string) {
		if len(line) < 300 {
			compareRuns(t, "x:\n"+strings.Repeat("  "+line+"\n", minRunLines)+"y: 1\n")
		}
	})
}

func FuzzQuantity(f *testing.F) {
	for d := range dimNames {
		f.Add(dimNames[d].example, uint8(d))
	}
	for _, text := range []string{"0.12s/60deg", "1e400", "NaN", "0,5V", "-3.5e-7 °", "24AWG", "1e-300s/1e300deg", ".", "+.", "1e", "1/2s", "0.5s/100mm/3"} {
		f.Add(text, uint8(angleSpeed))
	}
	f.Fuzz(func(t *testing.T, text string, number uint8) {
		d := dim(number % uint8(len(dimNames)))
		v, err := convert(text, d)
		switch {
		case err != nil && err.text == "":
			t.Errorf("%q gives a problem without words", text)
		case err == nil && (math.IsNaN(v) || math.IsInf(v, 0)):
			t.Errorf("%q is %v", text, v)
		case err == nil && d != plain && len(text) < 400 && !jsonAccepts(text, d):
			t.Errorf("%q is read as %v, but the schema's pattern of %s refuses it", text, v, dimNames[d].noun)
		}
	})
}

func FuzzTime(f *testing.F) {
	for _, text := range []string{"1.2s", "36f", "00:00:01:12", "00:00:01;12", "3b", "bell", "bell+6f", "bell-0.25s", "act-two-1b", "soonest+0.2s", "1e308h", "99:59:59;29", "1e300b", "bell+1e308b"} {
		f.Add(text)
	}
	tempo := Tempo{}.append(0, 96).append(6, 120)
	clocks := []clock{
		{}, {fps: newFPS(24), tempo: tempo, marks: map[string]float64{"bell": 3, "act-two": 5, "a": 0}},
		{fps: newFPS(29.97), marks: map[string]float64{"bell": maxTime}}, {fps: newFPS(12.5), fpsLost: true, tempoLost: true, lostMarks: map[string]bool{"bell": true}},
	}
	f.Fuzz(func(t *testing.T, text string) {
		for i := range clocks {
			m := motionReader{decoder: &decoder{report: newReport()}, clock: clocks[i]}
			v, err := m.clock.moment(text)
			if err == nil && math.IsNaN(v) {
				t.Errorf("%q is %v", text, v)
			}
			if err != nil && err != followOn && err.text == "" {
				t.Errorf("%q gives a problem without words", text)
			}
			if wait, ok, err := m.soonest(text); ok && err == nil && !(wait >= 0 && wait <= maxTime) {
				t.Errorf("%q waits for %v", text, wait)
			}
		}
	})
}

func FuzzPaceCSV(f *testing.F) {
	for _, text := range []string{"at,script,rate\n0,0,1\n8,8,1\n", "\ufeffat,script,rate\r\n0,0,0\r\n", "at,script,rate\n\"0\",0,NaN\n", "at,script\n", ""} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		knots, err := readPaceCSV("p.csv", []byte(text))
		for _, p := range AsProblems(err) {
			if !p.At.Known() || p.Text == "" {
				t.Errorf("%q gives %v", text, p)
			}
		}
		for _, k := range knots {
			for _, v := range []float64{k.Time, k.Script, k.Rate} {
				if !(v >= 0 && v <= 1e6) {
					t.Errorf("%q has the knot %v", text, k)
				}
			}
		}
	})
}
