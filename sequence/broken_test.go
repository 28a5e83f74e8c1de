package sequence

import (
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

var update = flag.Bool("update", false, "write the messages of the broken documents anew")

// Each document of testdata/broken has the messages that it must give, all of
// them and each at its place, in a file beside it.
func TestBrokenDocuments(t *testing.T) {
	files, err := filepath.Glob("testdata/broken/*.yaml")
	if err != nil || len(files) < 25 {
		t.Fatalf("%d broken documents: %v", len(files), err)
	}
	for _, name := range files {
		_, err := Load(openFile, name)
		if err == nil {
			t.Errorf("%s loads", name)
			continue
		}
		got := filepath.ToSlash(err.Error()) + "\n"
		golden := strings.TrimSuffix(name, ".yaml") + ".txt"
		if *update {
			if err := os.WriteFile(golden, []byte(got), 0o644); err != nil {
				t.Fatal(err)
			}
			continue
		}
		want, err := os.ReadFile(golden)
		if err != nil {
			t.Fatal(err)
		}
		if got != string(want) {
			t.Errorf("%s gives\n%s\nand not\n%s", name, got, want)
		}
	}
}
