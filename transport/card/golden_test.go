package card

import (
	"bytes"
	"flag"
	"os"
	"path/filepath"
	"testing"
)

var update = flag.Bool("update", false, "write the golden files anew")

// TestShoreIsTheCardInTestdata: a card as other readers of the format find it in
// testdata/shore. It changes only when the format does.
func TestShoreIsTheCardInTestdata(t *testing.T) {
	d := onDisk(t, planned(t, shore(), "shore.show.yaml", Options{}))
	for name, b := range d {
		file := filepath.Join("testdata", "shore", name)
		if *update {
			if err := os.MkdirAll(filepath.Dir(file), 0o755); err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(file, b, 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(b, want) {
			t.Errorf("%s is another than in testdata", name)
		}
	}
}
