package sequence

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"testing"
)

// state holds the values of a script by what they belong to: keys by track and place,
// the rest by name or place.
func state(s *Script) map[string][]float64 {
	out := map[string][]float64{}
	for _, tr := range s.Tracks {
		for _, k := range tr.Keys {
			out[fmt.Sprintf("key %s %d", tr.Target.Name(), k.Index)] = []float64{k.Time, k.Value, b2f(k.Hold), b2f(k.Locked), k.Slack}
		}
	}
	for _, m := range s.Marks {
		out["mark "+m.Name] = []float64{m.Time, b2f(m.Locked)}
	}
	for _, p := range s.Poses {
		for _, v := range p.Values {
			out["pose "+p.Name+" "+v.Target.Name()] = []float64{v.Value}
		}
	}
	for _, c := range s.Cues {
		out[fmt.Sprintf("cue %d %q", c.Index, c.Say)] = []float64{c.Time, b2f(c.Locked), float64(len(c.Set))}
	}
	for _, p := range s.Places {
		out[fmt.Sprintf("place %d", p.Index)] = []float64{p.Time, p.Stretch, float64(p.Times), b2f(p.Mirror)}
	}
	for _, l := range s.Layers {
		out[fmt.Sprintf("layer %d", l.Index)] = []float64{l.From, l.To, l.Amount, l.Rate, l.Fade}
	}
	out["length"] = []float64{s.Length}
	return out
}

func b2f(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

// differing gives what two states differ in by more than a grain.
func differing(a, b map[string][]float64, grain float64) (out []string) {
	for name, v := range a {
		w, ok := b[name]
		for i := range v {
			if !ok || math.Abs(v[i]-w[i]) > grain {
				out = append(out, name)
				break
			}
		}
	}
	for name := range b {
		if _, ok := a[name]; !ok {
			out = append(out, name)
		}
	}
	return out
}

// Random changes that keep the order, and then those back: every value is as it was to
// within its notation, and only what was named changed. A moved pose, mark or soonest
// key takes others with it, and is not among them.
func TestChangeAndBack(t *testing.T) {
	for _, file := range []string{"greet", "storm", "idle"} {
		m := exampleManuscript(t, "../examples/lighthouse/"+file+".motion.yaml")
		done := 0
		for seed := range uint64(60) {
			forth, back, named := randomChanges(m.Script, rand.New(rand.NewPCG(seed, 7)))
			there, err := m.Change(forth)
			if err != nil {
				continue
			}
			done++
			for _, name := range differing(state(m.Script), state(there.Script), 1e-12) {
				if !named[name] {
					t.Fatalf("%s, seed %d: %s changed, too:\n%s", file, seed, name, lineDiff(string(m.Text), string(there.Text)))
				}
			}
			again, err := there.Change(back)
			if err != nil {
				t.Fatalf("%s, seed %d: %v", file, seed, err)
			}
			if d := differing(state(m.Script), state(again.Script), 1e-6); len(d) > 0 {
				t.Fatalf("%s, seed %d: %v did not come back:\n%s", file, seed, d, lineDiff(string(m.Text), string(again.Text)))
			}
		}
		if done < 20 {
			t.Errorf("%s: only %d of 60 lists of changes were possible", file, done)
		}
	}
}

// randomChanges makes changes of a few keys, cues and placements, those that take
// them back, and says what they name.
func randomChanges(s *Script, r *rand.Rand) (forth, back []Change, named map[string]bool) {
	named = map[string]bool{}
	for range 1 + r.IntN(4) {
		tr := s.Tracks[r.IntN(len(s.Tracks))]
		i := r.IntN(len(tr.Keys))
		k := tr.Keys[i]
		name := fmt.Sprintf("key %s %d", tr.Target.Name(), k.Index)
		follows := i+1 < len(tr.Keys) && tr.Keys[i+1].Soonest
		if named[name] || k.Soonest || follows || k.Locked {
			continue
		}
		named[name] = true
		low, high := 0.0, s.Length
		if i > 0 {
			low = tr.Keys[i-1].Time
		}
		if i+1 < len(tr.Keys) {
			high = tr.Keys[i+1].Time
		}
		to := k.Time + (r.Float64()-0.5)*0.6*min(k.Time-low, high-k.Time)
		value := k.Value * (0.7 + 0.3*r.Float64())
		at := KeyAt{tr.Target.Name(), k.Index}
		forth = append(forth, &SetKey{KeyAt: at, Time: &to, Value: &value})
		back = append(back, &SetKey{KeyAt: at, Time: &k.Time, Value: &k.Value})
	}
	if len(s.Cues) > 0 && r.IntN(2) == 0 {
		c := s.Cues[r.IntN(len(s.Cues))]
		to := c.Time + r.Float64()*0.1
		if !c.Locked {
			named[fmt.Sprintf("cue %d %q", c.Index, c.Say)] = true
			forth, back = append(forth, &SetCue{Index: c.Index, Time: &to}), append(back, &SetCue{Index: c.Index, Time: &c.Time})
		}
	}
	if len(s.Places) > 0 && r.IntN(2) == 0 {
		p := s.Places[r.IntN(len(s.Places))]
		if !p.Locked {
			named[fmt.Sprintf("place %d", p.Index)] = true
			forth, back = append(forth, &SetPlacement{Index: p.Index, Time: p.Time + r.Float64()*0.05}), append(back, &SetPlacement{Index: p.Index, Time: p.Time})
		}
	}
	return forth, back, named
}

// FuzzChange makes changes of texts that load. They are refused in words, or what comes
// out loads, holds what was asked for, and differs in nothing else.
func FuzzChange(f *testing.F) {
	for _, c := range changeCases {
		f.Add(changeMotion, c.changes)
	}
	rig, err := os.ReadFile("../examples/lighthouse/keeper.rig.yaml")
	if err != nil {
		f.Fatal(err)
	}
	for _, name := range []string{"greet", "storm", "idle"} {
		text, err := os.ReadFile("../examples/lighthouse/" + name + ".motion.yaml")
		if err != nil {
			f.Fatal(err)
		}
		for _, changes := range []string{
			`[{"do":"set-key","track":"head-pan","index":0,"time":8.9,"value":30}]`, `[{"do":"set-mark","name":"lift","time":6.3},{"do":"rename-mark","name":"look","to":"see"}]`,
			`[{"do":"delete-keys","keys":[{"track":"elbow","index":1},{"track":"elbow","index":2}]},{"do":"add-key","track":"neck","time":3,"value":1}]`,
		} {
			f.Add(strings.ReplaceAll(string(text), "audio: voice.wav", "# audio"), changes)
		}
	}
	f.Add(changeHead+"tracks: {a: [[0s, 0], [soonest, 5], [3s, 1]], left: [[boat, 1]]}\nmarks: {boat: 1s, x: {at: boat-3f}}\npace: [[0, 0, 1], [20, 20, 1]]\n", `[{"do":"shift-keys","keys":[{"track":"a","index":0}],"time":0.5},{"do":"set-mark","name":"x","time":2}]`)
	f.Add(changeHead+"tracks:\n  a: &k\n  - - 0s\n    - 1\n  - {to: 1, at: 2s}\n  left: *k\ncues:\n- say: |\n    a\n\n    # b\n  at: 1s\n", `[{"do":"set-key","track":"a","index":1,"ease":"in"},{"do":"delete-cue","index":0},{"do":"mirror-keys","keys":[{"track":"left","index":0}]}]`)
	f.Fuzz(func(t *testing.T, motion, list string) {
		if len(motion) > 1<<14 || len(list) > 1<<12 {
			return
		}
		changes, err := ParseChanges([]byte(list))
		if err != nil {
			if err.Error() == "" || json.Valid([]byte(list)) && strings.Contains(err.Error(), "not JSON") {
				t.Fatalf("%q gives %v", list, err)
			}
			return
		}
		files := changeFiles(motion).with("keeper.rig.yaml", string(rig))
		s, err := LoadMotion(files.open, "m.motion.yaml")
		if err != nil || s.Rig == nil {
			return
		}
		m, err := NewManuscript([]byte(motion), s)
		if err != nil {
			return
		}
		out, err := m.Change(changes)
		if err != nil {
			for _, p := range AsProblems(err) {
				if p.Text == "" || strings.Count(motion, "\n")+1 < p.At.Line {
					t.Fatalf("a problem without words or place: %v", p)
				}
			}
			return
		}
		after, err := LoadMotion(files.with("m.motion.yaml", string(out.Text)).open, "m.motion.yaml")
		if err != nil {
			t.Fatalf("%q with %s became %q: %v", motion, list, out.Text, err)
		}
		onlyNamed(t, s, after, changes, fmt.Sprintf("%q with %s became %q", motion, list, out.Text))
	})
}

// onlyNamed checks that what no change can have touched is as it was.
func onlyNamed(t *testing.T, before, after *Script, changes []Change, what string) {
	t.Helper()
	touched := map[string]bool{}
	for _, c := range changes {
		switch c := c.(type) {
		case *SetKey:
			touched["key "+c.Track] = true
		case *AddKey:
			touched["key "+c.Track] = true
		case *DeleteKeys, *ShiftKeys, *StretchKeys, *MirrorKeys:
			touched["key"] = true
		case *SetMark, *RenameMark:
			return // all that counts from it moves
		case *AddMark, *DeleteMark:
			touched["mark "+nameOfMark(c)] = true
		case *StorePose:
			touched["pose "+c.Name+" "] = true
		case *RenamePose:
			touched["pose "+c.Name+" "], touched["pose "+c.To+" "] = true, true
		case *DeletePose:
			touched["pose "+c.Name+" "] = true
		case *SetCue, *AddCue, *DeleteCue:
			touched["cue"] = true
		case *AddPlacement, *SetPlacement, *DeletePlacement:
			touched["place"] = true
		case *SetLayer:
			touched["layer"] = true
		}
	}
	for _, name := range differing(state(before), state(after), 0) {
		excused := name == "length" && before.LengthAt == (Pos{}) || strings.HasPrefix(name, "layer") && before.LengthAt == (Pos{})
		for prefix := range touched {
			excused = excused || strings.HasPrefix(name, prefix)
		}
		if !excused {
			t.Fatalf("%s, in which %s differs", what, name)
		}
	}
}

func nameOfMark(c Change) string {
	switch c := c.(type) {
	case *AddMark:
		return c.Name
	case *DeleteMark:
		return c.Name
	}
	return ""
}

// BenchmarkDragStep is what the page waits for at each step of a drag: the text with a
// key elsewhere, read again.
func BenchmarkDragStep(b *testing.B) {
	m := exampleManuscript(b, "../examples/lighthouse/greet.motion.yaml")
	i := 0
	for b.Loop() {
		i++
		to, value := 5.3+float64(i%50)*0.001, -5+float64(i%10)/10
		out, err := m.Change([]Change{&SetKey{KeyAt: KeyAt{"tilt", 3}, Time: &to, Value: &value}})
		if err != nil || out.Script == m.Script {
			b.Fatal(err)
		}
	}
}

// BenchmarkManuscript is what comes before the first step, for comparison.
func BenchmarkManuscript(b *testing.B) {
	m := exampleManuscript(b, "../examples/lighthouse/greet.motion.yaml")
	for b.Loop() {
		if _, err := NewManuscript(m.Text, m.Script); err != nil {
			b.Fatal(err)
		}
	}
}

// Random lists of changes of all kinds: each is refused in words, or what it does not
// name is as it was, and the ordinary reader takes what comes out.
func TestRandomChanges(t *testing.T) {
	made := map[string]int{}
	spare, err := changed(t, manuscript(t, changeMotion), `[{"do":"add-mark","name":"spare","time":7},{"do":"add-mark","name":"other","time":8}]`)
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range []*Manuscript{spare, manuscript(t, strings.ReplaceAll(changeMotion, "\n", "\r\n")),
		exampleManuscript(t, "../examples/lighthouse/greet.motion.yaml"), exampleManuscript(t, "../examples/lighthouse/storm.motion.yaml")} {
		for seed := range uint64(250) {
			r := rand.New(rand.NewPCG(seed, 11))
			var changes []Change
			for range 1 + r.IntN(3) {
				changes = append(changes, randomChange(m.Script, r))
			}
			out, err := m.Change(changes)
			if err != nil {
				for _, p := range AsProblems(err) {
					if p.Text == "" || p.At.Line > strings.Count(string(m.Text), "\n")+1 {
						t.Fatalf("seed %d: %v", seed, err)
					}
				}
				continue
			}
			for _, c := range changes {
				made[fmt.Sprintf("%T", c)]++
			}
			after, err := Reread(m.Script, out.Text)
			if err != nil || len(differing(state(after), state(out.Script), 0)) > 0 {
				t.Fatalf("seed %d: %v", seed, err)
			}
			onlyNamed(t, m.Script, after, changes, fmt.Sprintf("seed %d: %s", seed, lineDiff(string(m.Text), string(out.Text))))
			if commentsOf(string(m.Text)) != commentsOf(string(out.Text)) {
				t.Fatalf("seed %d: comments on lines of their own came or went:\n%s", seed, lineDiff(string(m.Text), string(out.Text)))
			}
		}
	}
	if len(made) < len(changeKinds) {
		t.Errorf("only changes of these kinds were possible: %v", made)
	}
}

// commentsOf gives the comments on lines of their own, sorted.
func commentsOf(text string) string {
	lines := strings.Split(commentLines(strings.ReplaceAll(text, "\r", "")), "\n")
	slices.Sort(lines)
	return strings.Join(lines, "\n")
}

// randomChange makes a change of any kind, mostly one that is possible.
func randomChange(s *Script, r *rand.Rand) Change {
	tr := s.Tracks[r.IntN(len(s.Tracks))]
	var keys []KeyAt
	for _, k := range tr.Keys {
		if r.IntN(3) == 0 {
			keys = append(keys, KeyAt{tr.Target.Name(), k.Index})
		}
	}
	k := tr.Keys[r.IntN(len(tr.Keys))]
	at := KeyAt{tr.Target.Name(), k.Index}
	mark, pose := s.Marks[r.IntN(len(s.Marks))], Pose{Name: "none"}
	if len(s.Poses) > 0 {
		pose = *s.Poses[r.IntN(len(s.Poses))]
	}
	time, value, ease := r.Float64()*s.Length, k.Value*r.Float64(), []string{"", "in", "cubic-bezier(0.3, 0, 0.2, 1)"}[r.IntN(3)]
	near := k.Time + r.Float64()*0.5
	axis := s.Rig.Axes[r.IntN(len(s.Rig.Axes))]
	index := r.IntN(3)
	switch r.IntN(23) {
	case 0:
		return &SetKey{KeyAt: at, Time: &near, Unlock: true}
	case 1:
		return &SetKey{KeyAt: at, Time: &time, Value: &value, Ease: &ease}
	case 2:
		return &AddKey{Track: tr.Target.Name(), Time: time, Value: value, Ease: ease}
	case 3:
		return &AddKey{Track: axis.Name, Time: time, Value: axis.Rest.V}
	case 4:
		return &DeleteKeys{Keys: keys, Unlock: true}
	case 5:
		return &ShiftKeys{Keys: keys, Frames: r.IntN(5) - 2, Value: -k.Value / 10}
	case 6:
		return &StretchKeys{Keys: keys, Anchor: k.Time, Factor: 0.5 + r.Float64()}
	case 7:
		return &MirrorKeys{Keys: keys}
	case 8:
		return &SetMark{Name: mark.Name, Time: mark.Time + r.Float64()*0.1, Unlock: true}
	case 9:
		return &AddMark{Name: fmt.Sprintf("new-%c", 'a'+rune(r.IntN(26))), Time: time, Locked: r.IntN(2) == 0}
	case 10:
		return &RenameMark{Name: mark.Name, To: "ship"}
	case 11:
		return &DeleteMark{Name: mark.Name, Unlock: true}
	case 12:
		return &StorePose{Name: pose.Name, Values: map[string]float64{axis.Name: axis.Rest.V}}
	case 13:
		return &RenamePose{Name: pose.Name, To: "on"}
	case 14:
		return &DeletePose{Name: pose.Name}
	case 15:
		return &SetCue{Index: index, Time: &time, Say: &ease}
	case 16:
		return &AddCue{Time: time, Say: "a \"word\": # or two"}
	case 17:
		return &DeleteCue{Index: index}
	case 18:
		return &SetPlacement{Index: index, Time: time}
	case 19:
		return &DeletePlacement{Index: index}
	case 20:
		return &AddPlacement{Pose: pose.Name, Time: time, Ease: ease, Locked: index == 0}
	case 21:
		for _, p := range s.Places {
			if p.Phrase != nil {
				return &AddPlacement{Phrase: p.Phrase.Name, Time: time, Times: index, Stretch: float64(index) / 2, Mirror: index == 1}
			}
		}
	}
	return &SetLayer{Index: index, From: &time}
}
