// Report reads what go test -json says, on its input, and prints it shortly: a line for
// each package, and of tests that fail all their output. A test that was skipped counts
// as one that failed, since here nothing may be missing that a test needs.
package main

import (
	"bufio"
	"encoding/json"
	"fmt"
	"os"
	"strings"
)

// event is one of go doc test2json, or of go help buildjson.
type event struct {
	Action, Package, Test, ImportPath, Output string
	Elapsed                                   float64
}

func main() {
	failed := false
	said := map[string]*strings.Builder{} // by package and test
	in := bufio.NewScanner(os.Stdin)
	in.Buffer(nil, 16<<20)
	for in.Scan() {
		var e event
		if json.Unmarshal(in.Bytes(), &e) != nil {
			fmt.Println(in.Text()) // go test itself, of what it could not start
			continue
		}
		key := e.Package + " " + e.Test
		switch e.Action {
		case "output":
			if said[key] == nil {
				said[key] = new(strings.Builder)
			}
			said[key].WriteString(e.Output)
			continue
		case "build-output":
			fmt.Print(e.Output)
			continue
		case "build-fail":
			failed = true
			continue
		case "pass", "fail", "skip":
		default:
			continue
		}
		out := ""
		if b := said[key]; b != nil {
			out = b.String()
			delete(said, key)
		}
		switch {
		case e.Test == "" && e.Action == "pass":
			fmt.Printf("ok  \t%s\t%.1fs\n", e.Package, e.Elapsed)
		case e.Action == "fail":
			failed = true
			fmt.Print(out)
		case e.Test != "" && e.Action == "skip":
			failed = true
			fmt.Printf("skipped, and nothing may be here:\n%s", out)
		}
	}
	// Of a package that ended in mid-test, nothing else says which it was.
	for key, b := range said {
		if failed && strings.Contains(b.String(), "panic: ") {
			fmt.Printf("-- %s\n%s", key, b)
		}
	}
	if err := in.Err(); err != nil {
		fmt.Println("report:", err)
		failed = true
	}
	if failed {
		os.Exit(1)
	}
}
