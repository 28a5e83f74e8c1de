package sequence

import (
	"os"
	"reflect"
	"regexp"
	"strings"
	"testing"
)

// The example in the comment of each change is read, and is all that the change has.
func TestChangeExamplesAreRead(t *testing.T) {
	source, err := os.ReadFile("changes.go")
	if err != nil {
		t.Fatal(err)
	}
	seen := map[reflect.Type]bool{}
	for _, example := range regexp.MustCompile(`(?m)^//\t(\{"do".*\})$`).FindAllStringSubmatch(string(source), -1) {
		changes, err := ParseChanges([]byte("[" + example[1] + "]"))
		if err != nil {
			t.Errorf("%s: %v", example[1], err)
			continue
		}
		v := reflect.ValueOf(changes[0]).Elem()
		seen[v.Type()] = true
		for _, f := range reflect.VisibleFields(v.Type()) {
			name, _, _ := strings.Cut(f.Tag.Get("json"), ",")
			if name != "" && !strings.Contains(example[1], `"`+name+`"`) {
				t.Errorf("%s does not show %q", example[1], name)
			}
		}
	}
	for _, kind := range changeKinds {
		if !seen[kind] {
			t.Errorf("%v has no example", kind)
		}
	}
}

func TestParseChangesRefuses(t *testing.T) {
	for text, want := range map[string]string{
		``:                                  "the changes: this is not JSON",
		`{}`:                                "the changes must be a list in [ ], not {}",
		`[] []`:                             "something follows after the end",
		`[1]`:                               "change 1 must be an object in { }, not 1",
		`[{"to": 1}]`:                       `change 1 does not say what to do; give it "do" with add-cue,`,
		`[{"do": "set-keys"}]`:              `change 1 has the unknown "do" "set-keys"; did you mean set-key?`,
		`[{"do": "set-key", "track": "a"}]`: `change 1 (set-key) has no "index"`,
		`[{"do": "set-key", "track": "a", "index": 1, "tim": 1}]`:         `has nothing called "tim"; did you mean time?`,
		`[{"do": "set-key", "track": "a", "index": 1, "Time": 1}]`:        `has nothing called "Time"; did you mean time?`,
		`[{"do": "set-key", "track": "a", "index": 1.5}]`:                 "index must be a whole number, not 1.5",
		`[{"do": "set-key", "track": "a", "index": 1, "time": null}]`:     "time is null; leave it out",
		`[{"do": "set-key", "track": "a", "index": 1, "time": "1s"}]`:     `time must be a number, not "1s"`,
		`[{"do": "set-key", "track": "a", "index": 1, "time": 1e999}]`:    "time must be a number, not 1e999",
		`[{"do": "set-key", "track": "a", "index": 1, "index": 2}]`:       `change 1 has "index" twice`,
		`[{"do": "delete-keys", "keys": [{"track": "a"}]}]`:               `keys has no "index"`,
		`[{"do": "delete-keys", "keys": [{"track": "a", "indx": 1}]}]`:    `keys has no "index"`,
		`[{"do": "store-pose", "name": "p", "values": {"a": 1, "a": 2}}]`: `values has "a" twice`,
		`[{"do": "store-pose", "name": "p", "values": {"a": true}}]`:      "values: a must be a number, not true",
		"[{\"do\": \"rename-pose\", \"name\": \"\xff\", \"to\": \"a\"}]":  "not UTF-8",
		"[" + strings.Repeat("{},", MaxChanges) + "{}]":                   "holds more than 20000",
	} {
		if got, err := ParseChanges([]byte(text)); err == nil || got != nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%.80q gives %v, and not %s", text, err, want)
		}
	}
}
