package web

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"testing"
)

// version is a motion's text as an answer to a write tells of it.
type version struct {
	textState
	Revision string `json:"revision"`
}

// change makes a list of changes as a step, from a version on.
func (w writer) change(motion, base, step, changes string) answer {
	w.Helper()
	return w.post("/api/motions/"+motion+"/changes", fmt.Sprintf(`{"base":%q,"step":%q,"changes":%s}`, base, step, changes))
}

// version reads the answer to a write that must be made.
func (w writer) version(a answer) (v version) {
	w.Helper()
	w.made(a)
	if err := json.Unmarshal(a.body, &v); err != nil {
		w.Fatal(err)
	}
	return v
}

// wing sets the wing's second key of the small motion.
func wing(value float64) string {
	return fmt.Sprintf(`[{"do":"set-key","track":"wing","index":1,"value":%g}]`, value)
}

// quantile gives the value that a share of a list does not pass.
func quantile(list []float64, share float64) float64 {
	list = slices.Sorted(slices.Values(list))
	return list[min(len(list)-1, int(float64(len(list))*share))]
}

// texts gives what all files of a folder hold.
func texts(t testing.TB, dir string) map[string]string {
	t.Helper()
	out := map[string]string{}
	list, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range list {
		text, err := os.ReadFile(filepath.Join(dir, e.Name()))
		if errors.Is(err, fs.ErrNotExist) {
			continue // it was about to go
		}
		if err != nil {
			t.Fatal(err)
		}
		out[e.Name()] = string(text)
	}
	return out
}
