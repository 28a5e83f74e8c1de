package sequence

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/santhosh-tekuri/jsonschema/v6"
	"gopkg.in/yaml.v3"

	"limberjack/interp/ease"
)

var kindsOfDocument = []string{"rig", "motion", "show"}

// compileSchema checks a schema against the meta-schema of draft 2020-12, which
// the library carries, and makes it ready.
func compileSchema(t *testing.T, kind string) *jsonschema.Schema {
	t.Helper()
	text, err := Schema(kind)
	if err != nil {
		t.Fatal(err)
	}
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(text))
	if err != nil {
		t.Fatalf("%s: %v", kind, err)
	}
	c := jsonschema.NewCompiler()
	meta, err := c.Compile("https://json-schema.org/draft/2020-12/schema")
	if err != nil {
		t.Fatal(err)
	}
	if err := meta.Validate(doc); err != nil {
		t.Fatalf("%s: the schema is not valid: %v", kind, err)
	}
	id := doc.(map[string]any)["$id"].(string)
	if err := c.AddResource(id, doc); err != nil {
		t.Fatal(err)
	}
	s, err := c.Compile(id)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// asJSON reads YAML as a JSON value: every name of a mapping is text.
func asJSON(t *testing.T, text []byte) any {
	t.Helper()
	var v any
	if err := yaml.Unmarshal(text, &v); err != nil {
		t.Fatal(err)
	}
	return textNames(v)
}

func textNames(v any) any {
	switch x := v.(type) {
	case map[string]any:
		for k, e := range x {
			x[k] = textNames(e)
		}
	case map[any]any:
		m := map[string]any{}
		for k, e := range x {
			m[fmt.Sprint(k)] = textNames(e)
		}
		return m
	case []any:
		for i, e := range x {
			x[i] = textNames(e)
		}
	}
	return v
}

func documentKind(name string) string {
	for _, kind := range kindsOfDocument {
		if strings.HasSuffix(name, "."+kind+".yaml") {
			return kind
		}
	}
	return ""
}

func TestSchemaAcceptsGoodDocuments(t *testing.T) {
	files := goodFiles(t)
	walk := func(path string, d fs.DirEntry, err error) error {
		if err == nil && !d.IsDir() && documentKind(path) != "" {
			files = append(files, path)
		}
		return nil
	}
	if err := filepath.WalkDir("../examples", walk); err != nil {
		t.Fatal(err)
	}
	schemas := map[string]*jsonschema.Schema{}
	for _, kind := range kindsOfDocument {
		schemas[kind] = compileSchema(t, kind)
	}
	for _, name := range files {
		text, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		if err := schemas[documentKind(name)].Validate(asJSON(t, text)); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// Each document is broken in one place that a schema can see; the reader and the
// schema have to agree that it is.
var brokenForSchema = []struct{ name, kind, from, to string }{
	{"unknown key", "rig", "trim: 10us", "trimm: 10us"},
	{"unknown top key", "rig", "rig: Lighthouse keeper", "rig: Lighthouse keeper\ncolour: red"},
	{"wrong unit", "rig", "voltage: 6V", "voltage: 6A"},
	{"wrong unit in a list", "rig", "travel: [-70deg, 70deg]", "travel: [-70V, 70deg]"},
	{"missing format", "rig", "format: 1\n", ""},
	{"format 2", "rig", "format: 1\n", "format: 2\n"},
	{"missing rate", "rig", "    rate: 50Hz\n", ""},
	{"rate out of range", "rig", "rate: 50Hz", "rate: 5000"},
	{"voltage out of range", "rig", "voltage: 6V", "voltage: 1001"},
	{"pulse with one point", "rig", "pulse: [[-70deg, 900us], [0deg, 1500us], [70deg, 2100us]]", "pulse: [[0deg, 1500us]]"},
	{"bare pulse", "rig", "trim: 10us", "trim: 10"},
	{"steps on a servo", "rig", "trim: 10us", "steps: 200"},
	{"stepper without steps", "rig", "steps: 200, lead: 8mm", "lead: 8mm"},
	{"servo without travel", "rig", "    travel: [-70deg, 70deg]\n", ""},
	{"unknown kind", "rig", "kind: dimmer", "kind: dimer"},
	{"mass without arm", "rig", "{mass: 120g, arm: 35mm, gravity_at: 0deg}", "{mass: 120g}"},
	{"current and power", "rig", "power: 6W", "power: 6W, current: 1A"},
	{"linkage of both forms", "rig", "linkage: {base: 60mm,", "linkage: {table: [[0deg, 0deg], [10deg, 10deg]], base: 60mm,"},
	{"linkage of neither form", "rig", "linkage: {base: 60mm, horn: 12mm,", "linkage: {horn: 12mm,"},
	{"two solids", "rig", "solid: {sphere: 40mm}", "solid: {sphere: 40mm, cylinder: [1mm, 1mm]}"},
	{"box of two", "rig", "box: [80mm, 60mm, 120mm]", "box: [80mm, 60mm]"},
	{"input that is no number", "rig", "inputs: {1:", "inputs: {one:"},
	{"name with a space", "rig", "  fog-horn:", "  fog horn:"},
	{"gauge out of range", "rig", "gauge: 24", "gauge: 99"},
	{"share with a wrong unit", "rig", "float: 0.5mm/deg", "float: 0.5mm"},
	{"empty value", "rig", "trim: 10us", "trim:"},
	{"axes that are a list", "rig", "pairs: [[lid-left, lid-right]]", "pairs: {lid-left: lid-right}"},
	{"ease that is not text", "motion", "[1.2s, 40deg, in-out]", "[1.2s, 40deg, 3]"},
	{"unknown ease", "motion", "[1.2s, 40deg, in-out]", "[1.2s, 40deg, in-oud]"},
	{"key of one part", "motion", "[1.2s, 40deg, in-out]", "[1.2s]"},
	{"key of four parts", "motion", "[1.2s, 40deg, in-out]", "[1.2s, 40deg, in-out, 3]"},
	{"negative time", "motion", "[1.2s, 40deg, in-out]", "[-1.2, 40deg, in-out]"},
	{"time over 48 h", "motion", "[1.2s, 40deg, in-out]", "[172801, 40deg, in-out]"},
	{"time in volt", "motion", "[1.2s, 40deg, in-out]", "[1.2V, 40deg, in-out]"},
	{"value in volt", "motion", "[1.2s, 40deg, in-out]", "[1.2s, 40V, in-out]"},
	{"fps of nothing", "motion", "fps: 24", "fps: 0"},
	{"times of nothing", "motion", "times: 2", "times: 0"},
	{"times too often", "motion", "times: 2", "times: 10001"},
	{"times with a fraction", "motion", "times: 2", "times: 1.5"},
	{"pose and phrase", "motion", "{pose: asleep, at: 0s}", "{pose: asleep, phrase: wink, at: 0s}"},
	{"a pose repeated", "motion", "{pose: asleep, at: 0s}", "{pose: asleep, at: 0s, times: 2}"},
	{"a phrase with an ease", "motion", "{phrase: wink, at: 9s, scale: 0.5}", "{phrase: wink, at: 9s, ease: out}"},
	{"layer of two kinds", "motion", "{sine: {amount: 2deg, rate: 0.5Hz, phase: 90deg}}", "{sine: {amount: 2deg, rate: 0.5Hz}, noise: {amount: 1deg, rate: 1Hz}}"},
	{"missing amount", "motion", "{amount: 5%, rate: 2Hz}", "{rate: 2Hz}"},
	{"flag that is none", "motion", "loop: false", "loop: maybe"},
	{"mark like a number", "motion", "marks: {boat: 3.2s,", "marks: {boat: 3.2s, 'bell,rung': 4s,"},
	{"tempo of nothing", "motion", "{at: 6s, bpm: 120}", "{at: 6s, bpm: 0}"},
	{"no rig", "motion", "rig: keeper.rig.yaml\n", ""},
	{"knot of two", "motion", "format: 1\n", "format: 1\npace: [[0, 0], [12, 12, 1]]\n"},
	{"file missing in a show", "show", "idle: {file: idle.motion.yaml, loop: true}", "idle: {loop: true}"},
	{"edge of no kind", "show", "edge: rising", "edge: up"},
	{"hours beyond a day", "show", "from: 10h", "from: 86401"},
	{"every of one", "show", "every: [4s, 9s]", "every: [4s]"},
	{"after nothing", "show", "after: [greet]", "after: []"},
	{"after a number of motions", "show", "after: [greet]", "after: {greet: 2}"},
	{"join too long", "show", "join: 1s", "join: 61"},
}

func TestSchemaRejectsWhatTheReaderRejects(t *testing.T) {
	base := map[string]string{"rig": "keeper.rig.yaml", "motion": "boat.motion.yaml", "show": "harbour.show.yaml"}
	files := texts{}
	for _, name := range []string{"keeper.rig.yaml", "boat.motion.yaml", "idle.motion.yaml", "harbour.show.yaml", "fog.wav"} {
		text, err := os.ReadFile("testdata/good/" + name)
		if err != nil {
			t.Fatal(err)
		}
		files[name] = string(text)
	}
	schemas := map[string]*jsonschema.Schema{}
	for _, kind := range kindsOfDocument {
		schemas[kind] = compileSchema(t, kind)
	}
	for _, test := range brokenForSchema {
		name := base[test.kind]
		if !strings.Contains(files[name], test.from) {
			t.Errorf("%s: %s does not hold %q", test.name, name, test.from)
			continue
		}
		text := strings.Replace(files[name], test.from, test.to, 1)
		if schemas[test.kind].Validate(asJSON(t, []byte(text))) == nil {
			t.Errorf("%s: the schema accepts it", test.name)
		}
		if _, err := Load(files.with(name, text).open, name); err == nil {
			t.Errorf("%s: the reader accepts it", test.name)
		}
	}
}

// allShapes walks from the top shapes to every shape that they hold.
func allShapes() map[*shape]string {
	found := map[*shape]string{}
	var ofWant func(kind string, w want)
	var ofShape func(kind string, s *shape)
	ofWant = func(kind string, w want) {
		if w.shape != nil {
			ofShape(kind, w.shape)
		}
		if w.elem != nil {
			ofWant(kind, *w.elem)
		}
		for _, a := range w.alts {
			ofWant(kind, a)
		}
	}
	ofShape = func(kind string, s *shape) {
		if _, seen := found[s]; seen {
			return
		}
		found[s] = kind
		for _, f := range s.fields {
			ofWant(kind, f.want)
		}
	}
	ofShape("rig", rigShape)
	ofShape("motion", motionShape)
	ofShape("show", showShape)
	return found
}

func TestSchemaHasEveryField(t *testing.T) {
	for s, kind := range allShapes() {
		text, err := Schema(kind)
		if err != nil {
			t.Fatal(err)
		}
		var root map[string]any
		if err := json.Unmarshal(text, &root); err != nil {
			t.Fatal(err)
		}
		properties := propertiesOf(root, s)
		for _, f := range s.fields {
			p, ok := properties[f.name].(map[string]any)
			if !ok {
				t.Errorf("%s: the schema of %s has no %q", kind, s.name, f.name)
			} else if p["description"] != f.doc || f.doc == "" {
				t.Errorf("%s: %q of %s has the description %v", kind, f.name, s.name, p["description"])
			}
		}
		if len(properties) != len(s.fields) {
			t.Errorf("%s: the schema of %s has %d fields, the table %d", kind, s.name, len(properties), len(s.fields))
		}
	}
}

// propertiesOf finds the object in a schema that has the fields of a shape.
func propertiesOf(v any, s *shape) map[string]any {
	switch x := v.(type) {
	case map[string]any:
		if p, ok := x["properties"].(map[string]any); ok && x["description"] == s.doc {
			return p
		}
		if alts, ok := x["anyOf"].([]any); ok && x["description"] == s.doc {
			for _, a := range alts {
				if p, ok := a.(map[string]any)["properties"].(map[string]any); ok {
					return p
				}
			}
		}
		for _, e := range x {
			if p := propertiesOf(e, s); p != nil {
				return p
			}
		}
	case []any:
		for _, e := range x {
			if p := propertiesOf(e, s); p != nil {
				return p
			}
		}
	}
	return nil
}

func TestSchemaCompletesEases(t *testing.T) {
	text, err := Schema("motion")
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range ease.Names() {
		if !bytes.Contains(text, []byte(name)) {
			t.Errorf("the ease %s is not in the schema", name)
		}
	}
}

func TestSchemaIsTheSameEachTime(t *testing.T) {
	for _, kind := range kindsOfDocument {
		first, _ := Schema(kind)
		for i := 0; i < 5; i++ {
			if again, _ := Schema(kind); !bytes.Equal(first, again) {
				t.Fatalf("the schema of a %s changes from call to call", kind)
			}
		}
	}
	if _, err := Schema("puppet"); err == nil || !strings.Contains(err.Error(), "rig, motion and show") {
		t.Errorf("a kind that does not exist gives %v", err)
	}
}

// Every unit of a quantity is accepted by the pattern of its dimension, and those
// of other dimensions are not.
func TestSchemaPatternsFollowTheUnits(t *testing.T) {
	for d := range dimNames {
		if d == plain {
			continue
		}
		schema := jsonPattern(t, withUnit(d))
		for name, list := range units {
			of := false
			for _, u := range list {
				of = of || u.dim == d
			}
			for _, number := range []string{"1", "-2.5", "3e2 ", ".5"} {
				if schema(number+name) != of {
					t.Errorf("%s%s as %s: the pattern says %v", number, name, dimNames[d].noun, !of)
				}
			}
		}
		if !schema(dimNames[d].example) {
			t.Errorf("the example %s of %s does not fit its pattern", dimNames[d].example, dimNames[d].noun)
		}
	}
}

func jsonPattern(t *testing.T, pattern string) func(string) bool {
	t.Helper()
	c := jsonschema.NewCompiler()
	if err := c.AddResource("urn:pattern", map[string]any{"type": "string", "pattern": pattern}); err != nil {
		t.Fatal(err)
	}
	s, err := c.Compile("urn:pattern")
	if err != nil {
		t.Fatal(err)
	}
	return func(text string) bool { return s.Validate(text) == nil }
}

var dimPatterns = func() map[dim]*regexp.Regexp {
	all := map[dim]*regexp.Regexp{}
	for d := range dimNames {
		all[d] = regexp.MustCompile(withUnit(d))
	}
	return all
}()

// jsonAccepts reports whether a quantity fits the pattern of its dimension.
func jsonAccepts(text string, d dim) bool { return dimPatterns[d].MatchString(text) }
