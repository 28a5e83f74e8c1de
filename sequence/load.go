// Package sequence holds the documents of limberjack: rigs, motions and shows.
//
// Load reads YAML text into typed values that remember file, line and column,
// resolves every name and time notation, puts poses and phrases into the
// tracks, and reports all mistakes of all files in one run. The values hold no
// file and no clock; files are opened by a function that the caller gives.
package sequence

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path/filepath"
	"strings"

	"gopkg.in/yaml.v3"

	"limberjack/interp/ease"
	"limberjack/sequence/sound"
)

// Open opens a file for reading.
type Open func(name string) (io.ReadCloser, error)

// Document is a *Rig, a *Script or a *Show.
type Document any

// loader reads documents that refer to each other; each file is read once.
type loader struct {
	open   Open
	report *report
	rigs   map[string]*Rig
	motion map[string]*Script // by file; a show may name one twice
	rigged map[string]bool    // rig files that were met, readable or not
	levels map[string]*sound.Level
	heard  map[string]error
	eases  map[string]*ease.Ease
}

func newLoader(open Open) *loader {
	return &loader{open: open, report: newReport(), rigs: map[string]*Rig{}, motion: map[string]*Script{}, rigged: map[string]bool{},
		levels: map[string]*sound.Level{}, heard: map[string]error{}, eases: map[string]*ease.Ease{}}
}

// Load reads a rig, a motion or a show, whichever the file is, with all that it
// refers to. The error is of type Problems and holds every mistake.
func Load(open Open, name string) (Document, error) {
	l := newLoader(open)
	d, node := l.document(name, nil, nil)
	var doc Document
	if node != nil {
		switch kindOf(name, node) {
		case "motion":
			doc = l.readMotion(d, node)
		case "show":
			doc = l.readShow(d, node)
		default:
			doc = d.readRig(node)
		}
	}
	return doc, l.report.err()
}

// LoadMotion reads a motion file with its rig and sounds. On error the script
// holds what could be read, for a caller that shows both.
func LoadMotion(open Open, name string) (*Script, error) {
	doc, err := Load(open, name)
	s, ok := doc.(*Script)
	if !ok && err == nil {
		return nil, Problems{{At: Pos{name, 1, 1}, Text: "this is a " + kindName(doc) + ", not a motion", Hint: "name a motion file; one begins with motion: and its name"}}
	}
	return s, err
}

func kindName(doc Document) string {
	switch doc.(type) {
	case *Show:
		return "show"
	case *Script:
		return "motion"
	}
	return "rig"
}

// LoadRig reads a rig file.
func LoadRig(open Open, name string) (*Rig, error) {
	doc, err := Load(open, name)
	r, ok := doc.(*Rig)
	if !ok && err == nil {
		return nil, Problems{{At: Pos{name, 1, 1}, Text: "this is a " + kindName(doc) + ", not a rig", Hint: "name a rig file; one begins with rig: and its name"}}
	}
	return r, err
}

// kindOf tells a motion from a show and a rig by the key that only it has, else
// by the ending of the file, else by other keys.
func kindOf(file string, n *yaml.Node) string {
	keys := map[string]bool{}
	if n.Kind == yaml.MappingNode {
		for i := 0; i < len(n.Content); i += 2 {
			keys[n.Content[i].Value] = true
		}
	}
	for _, kind := range []string{"motion", "show"} {
		if keys[kind] {
			return kind
		}
	}
	for _, kind := range []string{"motion", "show", "rig"} {
		if strings.HasSuffix(file, "."+kind+".yaml") || strings.HasSuffix(file, "."+kind+".yml") {
			return kind
		}
	}
	for _, key := range []string{"tracks", "place", "cues", "layers", "poses"} {
		if keys[key] {
			return "motion"
		}
	}
	if keys["motions"] {
		return "show"
	}
	return "rig"
}

// document opens a file and reads its YAML. by and n are the place that named
// the file, nil for the file that the user named.
func (l *loader) document(name string, by *decoder, n *yaml.Node) (*decoder, *yaml.Node) {
	d := &decoder{file: name, report: l.report, eases: l.eases}
	data, err := l.read(name)
	if err != nil {
		if by != nil {
			by.bad(n, fileHint(err), "%s", err)
		} else {
			l.report.meet(name)
			l.report.list = append(l.report.list, Problem{Text: err.Error()})
		}
		return d, nil
	}
	return d, d.readDocument(data)
}

// read reads a whole file, within bounds. Its error says everything.
func (l *loader) read(name string) ([]byte, error) {
	f, err := l.open(name)
	if err != nil {
		return nil, openError(name, err)
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, maxFileBytes+1))
	if err != nil {
		return nil, openError(name, err)
	}
	if len(data) > maxFileBytes {
		return nil, fmt.Errorf("%s is larger than %d MiB, which no document of this kind needs", name, maxFileBytes>>20)
	}
	return data, nil
}

// missingFile is the error of a file that is not there.
type missingFile struct{ name string }

func (e missingFile) Error() string { return "there is no file " + e.name }

func fileHint(err error) string {
	if errors.As(err, new(missingFile)) {
		return "names of files count from the folder of this file"
	}
	return ""
}

func openError(name string, err error) error {
	var pe *fs.PathError
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return missingFile{name}
	case errors.Is(err, fs.ErrPermission):
		return fmt.Errorf("%s may not be read", name)
	case errors.As(err, &pe):
		return fmt.Errorf("%s cannot be read: %v", name, pe.Err)
	}
	return fmt.Errorf("%s cannot be read: %v", name, err)
}

// beside gives the path of a file that is named relative to another.
func (l *loader) beside(file, name string) string {
	if filepath.IsAbs(name) {
		return filepath.Clean(name)
	}
	return filepath.Join(filepath.Dir(file), name)
}

// rig reads the rig that another document names, once.
func (l *loader) rig(name string, by *decoder, n *yaml.Node) *Rig {
	path := l.beside(by.file, name)
	if l.rigged[path] {
		return l.rigs[path]
	}
	l.rigged[path] = true
	d, node := l.document(path, by, n)
	if node == nil {
		return nil
	}
	if kind := kindOf(path, node); kind != "rig" {
		by.bad(n, "name the rig file, as in keeper.rig.yaml", "%s is a %s, not a rig", path, kind)
		return nil
	}
	l.rigs[path] = d.readRig(node)
	return l.rigs[path]
}

// motionOf reads a motion that a show names.
func (l *loader) motionOf(path string, by *decoder, n *yaml.Node) *Script {
	if script, ok := l.motion[path]; ok {
		return script
	}
	l.motion[path] = nil
	d, node := l.document(path, by, n)
	if node == nil {
		return nil
	}
	if kind := kindOf(path, node); kind != "motion" {
		by.bad(n, "name a motion file, as in greet.motion.yaml", "%s is a %s, not a motion", path, kind)
		return nil
	}
	l.motion[path] = l.readMotion(d, node)
	return l.motion[path]
}

// level measures a sound file, once.
func (l *loader) level(name string, by *decoder, n *yaml.Node) *sound.Level {
	path := l.beside(by.file, name)
	if level, ok := l.levels[path]; ok {
		return level
	}
	err, known := l.heard[path]
	if !known {
		var level *sound.Level
		if level, err = l.measure(path); err == nil {
			l.levels[path] = level
			return level
		}
		l.heard[path] = err
	}
	by.bad(n, fileHint(err), "%v", err)
	return nil
}

func (l *loader) measure(path string) (*sound.Level, error) {
	f, err := l.open(path)
	if err != nil {
		return nil, openError(path, err)
	}
	defer f.Close()
	level, err := sound.Measure(f, levelHop)
	if err != nil {
		return nil, errors.New(openText(path, err))
	}
	return level, nil
}
