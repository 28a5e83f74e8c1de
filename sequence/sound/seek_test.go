package sound

import (
	"bytes"
	"io"
	"os"
	"testing"
)

// From whatever frame on, what is read is the rest of what is read from the start.
func TestSeek(t *testing.T) {
	for _, name := range []string{"pcm8", "pcm16", "pcm24", "pcm32", "float32", "float64", "stereo24", "surround16", "rf64", "piped24"} {
		data, err := os.ReadFile("testdata/" + name + ".wav")
		if err != nil {
			t.Fatal(err)
		}
		all, info, err := decodeAll(bytes.NewReader(data), 100)
		if err != nil {
			t.Fatal(err)
		}
		r := bytes.NewReader(data)
		d, err := NewDecoder(r)
		if err != nil {
			t.Fatal(err)
		}
		for frame := len(all) / info.Channels; frame >= 0; frame-- {
			if err := d.Seek(r, int64(frame)); err != nil {
				t.Fatal(err)
			}
			var rest []float32
			buffer := make([]float32, 3*info.Channels)
			for {
				n, err := d.Read(buffer)
				if err == io.EOF {
					break
				}
				if err != nil {
					t.Fatal(err)
				}
				rest = append(rest, buffer[:n*info.Channels]...)
			}
			if !equal(rest, all[frame*info.Channels:]) {
				t.Fatalf("%s from frame %d: %v, not %v", name, frame, rest, all[frame*info.Channels:])
			}
		}
		if err := d.Seek(r, -1); err == nil {
			t.Errorf("%s: frame -1 is taken", name)
		}
		if d.Seek(r, 1<<40) != nil {
			t.Errorf("%s: a frame after the end is an error at once", name)
		}
		if n, err := d.Read(make([]float32, 64)); n != 0 || err != io.EOF {
			t.Errorf("%s after the end: %d frames, %v", name, n, err)
		}
	}
}
