package sequence

import (
	"errors"
	"fmt"
	"sort"
	"strings"
)

// Pos is a place in a file. Line and Column count from 1; a column counts
// characters, not bytes. A zero Line means that no place is known.
type Pos struct {
	File   string
	Line   int
	Column int
}

// Known reports whether the place is that of something written in a file.
func (p Pos) Known() bool { return p.Line > 0 }

// String gives file:line:column, as editors and terminals recognise it.
func (p Pos) String() string {
	if !p.Known() {
		return p.File
	}
	return fmt.Sprintf("%s:%d:%d", p.File, p.Line, p.Column)
}

// Problem is one mistake in a document: where it is, what is wrong, and the
// nearest thing that would work.
type Problem struct {
	At   Pos
	Text string
	Hint string // what would do; empty when there is nothing sensible to offer
}

// Error gives the problem on one line.
func (p Problem) Error() string {
	text := p.Text
	if p.Hint != "" {
		text += "; " + p.Hint
	}
	if p.At.File == "" {
		return text
	}
	return p.At.String() + ": " + text
}

// Problems are all the mistakes of all the files of one load, in the order of
// the files as they were met and of the places inside each.
type Problems []Problem

// Error gives one line a problem.
func (ps Problems) Error() string {
	lines := make([]string, len(ps))
	for i, p := range ps {
		lines[i] = p.Error()
	}
	return strings.Join(lines, "\n")
}

// AsProblems returns the problems that err carries. An error of another kind
// becomes one problem without a place.
func AsProblems(err error) Problems {
	if err == nil {
		return nil
	}
	var ps Problems
	if errors.As(err, &ps) {
		return ps
	}
	return Problems{{Text: err.Error()}}
}

// maxProblems is how many problems of one file are told. A few more are kept
// while the file is read, since they are met in another order than that of
// their lines; the rest are only counted, so that a hostile file costs no memory.
const (
	maxProblems  = 200
	keptProblems = 2000
)

// report collects problems while documents are read.
type report struct {
	list    Problems
	order   map[string]int // file → when it was met
	seen    map[Problem]bool
	kept    map[string]int // by file
	dropped map[string]int
	total   int // how often a problem was added, known or new
}

func newReport() *report {
	return &report{order: map[string]int{}, seen: map[Problem]bool{}, kept: map[string]int{}, dropped: map[string]int{}}
}

func (r *report) meet(file string) {
	if _, ok := r.order[file]; !ok {
		r.order[file] = len(r.order)
	}
}

// full reports whether more problems of a file would only be counted, so that
// nobody needs to look for hints.
func (r *report) full(file string) bool { return r.kept[file] >= keptProblems }

func (r *report) add(at Pos, hint, format string, args ...any) {
	r.total++
	if r.full(at.File) {
		r.dropped[at.File]++
		return
	}
	p := Problem{At: at, Text: clip(fmt.Sprintf(format, args...), 600), Hint: clip(hint, 300)}
	if r.seen[p] {
		return
	}
	r.seen[p] = true
	r.kept[at.File]++
	r.meet(at.File)
	r.list = append(r.list, p)
}

// clip shortens what a document could make endless.
func clip(s string, most int) string {
	if len(s) <= most {
		return s
	}
	return strings.ToValidUTF8(s[:most], "") + "…"
}

// err returns the sorted problems as an error, or nil.
func (r *report) err() error {
	if len(r.list) == 0 {
		return nil
	}
	list := append(Problems(nil), r.list...)
	sort.SliceStable(list, func(i, j int) bool {
		a, b := list[i].At, list[j].At
		if fa, fb := r.order[a.File], r.order[b.File]; fa != fb {
			return fa < fb
		}
		if a.Line != b.Line {
			return a.Line < b.Line
		}
		return a.Column < b.Column
	})
	return r.trim(list)
}

// trim keeps the first maxProblems of each file and says how many it left out.
func (r *report) trim(list Problems) Problems {
	var out Problems
	count := map[string]int{}
	last := map[string]int{}
	for _, p := range list {
		count[p.At.File]++
		if count[p.At.File] <= maxProblems {
			out = append(out, p)
			last[p.At.File] = len(out) - 1
		}
	}
	for file, n := range count {
		if n > maxProblems {
			i := last[file]
			more := n - maxProblems + r.dropped[file]
			out[i].Hint = strings.TrimPrefix(fmt.Sprintf("%s; %d more problems in this file are not shown", out[i].Hint, more), "; ")
		}
	}
	return out
}
