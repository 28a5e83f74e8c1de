package timeline

import (
	"bytes"
	"errors"
	"strings"
	"testing"
)

// fuzzForm feeds a reader. It may not panic; an error names a line; and what
// passes is what the writer of this package wrote, so that its lines count.
func fuzzForm(f *testing.F, form Form) {
	for _, loop := range []bool{false, true} {
		free := freed(0.08, loop, [2]float64{0.02, 0.06}).must(f)
		for _, text := range append(files(f, form, keeper(0.04, loop).must(f)), files(f, form, free)...) {
			f.Add([]byte(text))
			f.Add([]byte(text[:len(text)/2]))
			f.Add([]byte(strings.Replace(text, "frames", "frame", 1)))
			f.Add([]byte(strings.ReplaceAll(text, "0", "9")))
		}
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		frames := int64(0)
		sum, err := Read(bytes.NewReader(data), func(h *Head, k int64, values []uint16) error {
			if len(values) != len(h.Channels) || k >= h.Frames {
				t.Fatalf("frame %d of %d, %d values for %d channels", k, h.Frames, len(values), len(h.Channels))
			}
			frames++
			return nil
		})
		var fe *FileError
		if err != nil && !errors.As(err, &fe) {
			t.Fatalf("no FileError: %v", err)
		}
		if frames > int64(len(data)) {
			t.Fatalf("%d frames from %d bytes", frames, len(data))
		}
		if err == nil && sum.Bytes != int64(len(data)) {
			t.Fatalf("%d of %d bytes were read", sum.Bytes, len(data))
		}
	})
}

func FuzzCSV(f *testing.F)    { fuzzForm(f, CSV) }
func FuzzJSON(f *testing.F)   { fuzzForm(f, JSON) }
func FuzzVCD(f *testing.F)    { fuzzForm(f, VCD) }
func FuzzHeader(f *testing.F) { fuzzForm(f, Header) }
