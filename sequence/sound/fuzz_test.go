package sound

import (
	"bytes"
	"errors"
	"io"
	"math"
	"os"
	"path/filepath"
	"testing"
)

// FuzzDecoder: any bytes give samples or an Error inside the file, and what
// Decoder and Measure say agrees.
func FuzzDecoder(f *testing.F) {
	files, err := filepath.Glob("testdata/*.wav")
	if err != nil || len(files) == 0 {
		f.Fatalf("no files in testdata: %v", err)
	}
	for _, name := range files {
		data, err := os.ReadFile(name)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data)
	}
	f.Add([]byte{})
	f.Add([]byte("motion: The keeper sees a boat\n"))
	f.Add(riff(plain(1, 64, 768000, 32), chunk("LIST", []byte("INFO")), chunk("data", make([]byte, 512))))
	f.Add(riff(extensible(3, 2, 44100, 64, 0), chunk("data", make([]byte, 33)))[:90])

	f.Fuzz(func(t *testing.T, data []byte) {
		samples, info, err := decodeAll(bytes.NewReader(data), 301)
		checkFuzzError(t, err, len(data))
		if len(samples) > len(data) {
			t.Fatalf("%d samples from %d bytes", len(samples), len(data))
		}
		for i, x := range samples {
			if math.IsNaN(float64(x)) || math.IsInf(float64(x), 0) || !info.Float && (x < -1 || x > 1) {
				t.Fatalf("sample %d is %v", i, x)
			}
		}
		if err == nil && int64(len(samples)) != info.Frames*int64(info.Channels) {
			t.Fatalf("%d samples, %+v", len(samples), info)
		}
		l, measured := Measure(bytes.NewReader(data), 0.001)
		checkFuzzError(t, measured, len(data))
		if (measured == nil) != (err == nil && len(samples) > 0) {
			t.Fatalf("decoding says %v, measuring %v", err, measured)
		}
		if l != nil {
			checkFuzzLevel(t, l)
		}
	})
}

func checkFuzzError(t *testing.T, err error, size int) {
	t.Helper()
	var e *Error
	if err == nil {
		return
	}
	if err == io.EOF || !errors.As(err, &e) || e.Offset < 0 || e.Offset > int64(size) || e.Msg == "" {
		t.Fatalf("error in %d bytes is %v", size, err)
	}
}

func checkFuzzLevel(t *testing.T, l *Level) {
	t.Helper()
	n := int64(math.Round(l.Hop * float64(l.Info.Rate)))
	if want := (l.Info.Frames + n - 1) / n; int64(len(l.RMS)) != want || len(l.RMS) != len(l.Peak) {
		t.Fatalf("%d windows of %d frames for %+v", len(l.RMS), n, l.Info)
	}
	for k, y := range l.Envelope(0.02, 0.09) {
		if !(y >= 0 && y <= 1) || float64(l.RMS[k]) > float64(l.Peak[k])*(1+1e-6) {
			t.Fatalf("window %d: envelope %v, RMS %v, peak %v", k, y, l.RMS[k], l.Peak[k])
		}
	}
}
