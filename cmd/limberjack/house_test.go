package main

import (
	"go/parser"
	"go/token"
	"io/fs"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// rooms lists what each package may import of the module: only what stands
// before it in the flow from text to pulses. A leaf may be added to the list; an
// arrow back may not.
var rooms = map[string][]string{
	"interp/ease":           {},
	"interp/poly":           {},
	"interp/spline":         {},
	"interp/linkage":        {"interp/poly", "interp/spline"},
	"interp/fit":            {"interp/ease", "interp/poly", "interp/spline"},
	"interp/film":           {},
	"sequence/sound":        {},
	"sequence":              {"interp/ease", "interp/linkage", "sequence/sound"},
	"interp":                {"interp/ease", "interp/poly", "interp/spline", "interp/linkage", "sequence"},
	"interp/drive":          {"interp", "interp/linkage", "sequence"},
	"interp/check":          {"interp", "interp/drive", "sequence"},
	"interp/nearest":        {"interp/ease"},
	"interp/warp":           {"interp/poly"},
	"interp/mend":           {"interp", "interp/ease", "interp/nearest", "interp/warp", "sequence"},
	"interp/revise":         {"interp", "interp/check", "interp/drive", "interp/ease", "interp/fit", "interp/mend", "interp/poly", "interp/spline", "sequence"},
	"transport/samples":     {"interp", "interp/drive"},
	"transport/timeline":    {"interp", "interp/linkage", "sequence"},
	"transport/wire":        {},
	"transport/wire/tables": {},
	"transport/board":       {"interp", "sequence", "transport/timeline", "transport/wire"},
	"transport/card":        {"interp", "sequence", "transport/timeline", "transport/wire"},
	"transport/firmware":    {"sequence", "transport/board", "transport/card", "transport/wire"},
	"transport/live":        {"sequence", "transport/timeline", "transport/wire"},
	"transport/plot":        {"interp", "interp/check", "interp/drive", "interp/ease", "sequence"},
	"web/rehearse":          {"interp", "interp/check", "interp/drive", "sequence", "transport/live", "transport/timeline", "transport/wire"},
	"web":                   {"interp", "interp/check", "interp/drive", "interp/film", "interp/mend", "interp/revise", "sequence", "sequence/sound", "transport/plot", "web/rehearse"},
}

// doors lists the libraries that only some packages may use.
var doors = map[string][]string{
	"gopkg.in/yaml.v3":       {"sequence"},
	"github.com/spf13/cobra": {"cmd/limberjack"},
	"golang.org/x/term":      {"cmd/limberjack"},
	"gonum.org/v1/plot":      {"transport/plot"},
	"os":                     {"cmd/limberjack", "transport/board", "transport/live", "transport/wire/tables", "web"},
	"net":                    {"cmd/limberjack", "transport/board", "transport/live", "web"},
	"github.com/gorilla/":    {"transport/board", "transport/live", "web"},
	"github.com/fsnotify/":   {"web"},
	"github.com/creack/pty":  {"transport/board"},
	"go.bug.st/serial":       {"transport/live"},
}

func TestImportsFollowTheHouse(t *testing.T) {
	const root = "../.."
	seen := map[string]bool{}
	err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() && (d.Name() == "testdata" || d.Name() == "examples" || strings.HasPrefix(d.Name(), ".") && d.Name() != "..") {
			return fs.SkipDir
		}
		if filepath.Ext(path) != ".go" || strings.HasSuffix(path, "_test.go") {
			return nil
		}
		rel, _ := filepath.Rel(root, filepath.Dir(path))
		room := filepath.ToSlash(rel)
		seen[room] = true
		file, err := parser.ParseFile(token.NewFileSet(), path, nil, parser.ImportsOnly)
		if err != nil {
			return err
		}
		for _, imp := range file.Imports {
			name, _ := strconv.Unquote(imp.Path.Value)
			checkImport(t, room, name)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	for room := range rooms {
		if !seen[room] {
			t.Errorf("the room %s is listed, but there is no such package", room)
		}
	}
}

func checkImport(t *testing.T, room, name string) {
	if own, ok := strings.CutPrefix(name, "limberjack/"); ok && room != "cmd/limberjack" {
		allowed, known := rooms[room]
		if !known {
			t.Errorf("package %s is not in the list of rooms", room)
		} else if !slices.Contains(allowed, own) {
			t.Errorf("%s imports %s, against the flow", room, own)
		}
	}
	for library, users := range doors {
		if (name == library || strings.HasPrefix(name, library) && strings.Contains(library, ".")) && !slices.Contains(users, room) {
			t.Errorf("%s imports %s, which is for %s only", room, name, strings.Join(users, ", "))
		}
	}
}

func TestEveryCommandHasAnExample(t *testing.T) {
	for _, c := range newRootCommand(nil, nil).Commands() {
		if c.Example == "" || c.Short == "" || c.Long == "" {
			t.Errorf("%s lacks an example or a description", c.Name())
		}
	}
}
