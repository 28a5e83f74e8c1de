package sound

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// The tests of this file compare with sox, a general-purpose sound converter.

func requireSox(t *testing.T) {
	t.Helper()
	if _, err := exec.LookPath("sox"); err == nil {
		return
	}
	if os.Getenv("LIMBERJACK_TOOLS") == "required" {
		t.Fatal("sox is not installed, and LIMBERJACK_TOOLS=required asks for it")
	}
	t.Skip("sox is not installed: comparison with it left out")
}

// sox runs sox and returns what it printed. -D leaves out dither, which would
// be random.
func sox(t *testing.T, args string) (stdout, stderr []byte) {
	t.Helper()
	var out, errs bytes.Buffer
	cmd := exec.Command("sox", append([]string{"-D"}, strings.Fields(args)...)...)
	cmd.Stdout, cmd.Stderr = &out, &errs
	if err := cmd.Run(); err != nil {
		t.Fatalf("sox %s: %v: %s", args, err, &errs)
	}
	return out.Bytes(), errs.Bytes()
}

// soxFloats is sox's own reading of a file.
func soxFloats(t *testing.T, file string) []float64 {
	t.Helper()
	raw, _ := sox(t, file+" -t raw -e floating-point -b 32 -L -")
	out := make([]float64, len(raw)/4)
	for i := range out {
		out[i] = float64(math.Float32frombits(binary.LittleEndian.Uint32(raw[4*i:])))
	}
	return out
}

// soxCases are the formats, each with several voices so that channels differ.
var soxCases = []struct {
	format, want string
	channels     int
	rate         int
}{
	{"-b 8 -e unsigned-integer", "PCM 8 bit", 1, 8000},
	{"-b 8 -e unsigned-integer", "PCM 8 bit", 2, 32000},
	{"-b 16", "PCM 16 bit", 1, 8000},
	{"-b 16", "PCM 16 bit", 2, 44100},
	{"-b 16", "PCM 16 bit", 6, 48000},
	{"-b 24", "PCM 24 bit", 1, 96000},
	{"-b 24", "PCM 24 bit", 2, 44100},
	{"-b 24", "PCM 24 bit", 6, 48000},
	{"-b 32 -e signed-integer", "PCM 32 bit", 1, 192000},
	{"-b 32 -e signed-integer", "PCM 32 bit", 6, 48000},
	{"-b 32 -e floating-point", "IEEE float 32 bit", 1, 22050},
	{"-b 32 -e floating-point", "IEEE float 32 bit", 2, 44100},
	{"-b 32 -e floating-point", "IEEE float 32 bit", 6, 48000},
	{"-b 64 -e floating-point", "IEEE float 64 bit", 1, 16000},
	{"-b 64 -e floating-point", "IEEE float 64 bit", 6, 48000},
	{"-t wavpcm -b 24", "PCM 24 bit", 2, 48000}, // fmt of 16 bytes at any width
}

// synth makes a sound of sines and noise, a voice a channel.
func synth(t *testing.T, file, format string, channels, rate int, seconds float64) {
	t.Helper()
	voices := []string{"sine 437", "whitenoise", "triangle 101", "sine 900", "sawtooth 60", "pinknoise"}
	sox(t, fmt.Sprintf("-R -r %d -c %d -n %s %s synth %g %s vol 0.9", rate, channels, format, file, seconds, strings.Join(voices[:channels], " ")))
}

// TestSox compares every sample. Sox works in 32-bit integers and writes its
// floats rounded to 24 fraction bits: half of 2^-24 from that, and as much
// again from our rounding to float32.
func TestSox(t *testing.T) {
	requireSox(t)
	for _, tt := range soxCases {
		t.Run(fmt.Sprintf("%s %d x %d Hz", tt.format, tt.channels, tt.rate), func(t *testing.T) {
			file := filepath.Join(t.TempDir(), "in.wav")
			synth(t, file, tt.format, tt.channels, tt.rate, 0.73)
			data, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			want := soxFloats(t, file)
			got, info, err := decodeAll(bytes.NewReader(data), 1000)
			if err != nil {
				t.Fatal(err)
			}
			if info.Format != tt.want || info.Channels != tt.channels || info.Rate != tt.rate || info.Frames != int64(len(want)/tt.channels) {
				t.Errorf("info %+v, want %s and %d frames", info, tt.want, len(want)/tt.channels)
			}
			if i := differs(got, want, 1.0/(1<<24)); i >= 0 {
				t.Errorf("%d samples, sox has %d; the first to differ is %d: %v", len(got), len(want), i, got[i:min(i+1, len(got))])
			}
		})
	}
}

// TestSoxPipe reads what sox writes to a pipe, of which it cannot fill in the
// length, with an odd and an even number of frames.
func TestSoxPipe(t *testing.T) {
	requireSox(t)
	for _, bits := range []int{8, 16, 24, 32} {
		for _, frames := range []int{1000, 1001} {
			data, _ := sox(t, fmt.Sprintf("-r 8000 -c 1 -n -b %d -t wav - synth %ds sine 440 vol 0.5", bits, frames))
			got, info, err := decodeAll(bytes.NewReader(data), 999)
			if err != nil || len(got) != frames || info.Frames != int64(frames) {
				t.Errorf("%d bit: %d samples, %+v, error %v; want %d", bits, len(got), info, err, frames)
			}
		}
	}
}

// TestSoxStat compares RMS and peak with sox's stat, window by window and over
// the whole file. Sox prints six decimals.
func TestSoxStat(t *testing.T) {
	requireSox(t)
	for _, tt := range soxCases {
		t.Run(fmt.Sprintf("%s %d x %d Hz", tt.format, tt.channels, tt.rate), func(t *testing.T) {
			file := filepath.Join(t.TempDir(), "in.wav")
			synth(t, file, tt.format, tt.channels, tt.rate, 0.5)
			f, err := os.Open(file)
			if err != nil {
				t.Fatal(err)
			}
			defer f.Close()
			l, err := Measure(f, 0.1)
			if err != nil {
				t.Fatal(err)
			}
			if len(l.RMS) != 5 {
				t.Fatalf("%d windows, want 5", len(l.RMS))
			}
			n := int(math.Round(l.Hop * float64(tt.rate)))
			total, peak := 0.0, float32(0)
			for k := range l.RMS {
				rms, top := soxStat(t, fmt.Sprintf("%s -n trim %ds %ds stat", file, k*n, n))
				if math.Abs(float64(l.RMS[k])-rms) > 1e-6 || math.Abs(float64(l.Peak[k])-top) > 1e-6 {
					t.Errorf("window %d: RMS %.6f, peak %.6f; sox has %.6f, %.6f", k, l.RMS[k], l.Peak[k], rms, top)
				}
				total += float64(l.RMS[k]) * float64(l.RMS[k])
				peak = max(peak, l.Peak[k])
			}
			rms, top := soxStat(t, file+" -n stat")
			mean := math.Sqrt(total * float64(n) / float64(l.Info.Frames))
			if math.Abs(mean-rms) > 1e-6 || math.Abs(float64(peak)-top) > 1e-6 {
				t.Errorf("whole file: RMS %.6f, peak %.6f; sox has %.6f, %.6f", mean, peak, rms, top)
			}
		})
	}
}

var statLine = regexp.MustCompile(`(?m)^(RMS     amplitude|Maximum amplitude|Minimum amplitude): +(\S+)$`)

// soxStat runs the effect stat, which prints to standard error.
func soxStat(t *testing.T, args string) (rms, peak float64) {
	t.Helper()
	_, report := sox(t, args)
	found := statLine.FindAllSubmatch(report, -1)
	if len(found) != 3 {
		t.Fatalf("sox %s printed %s", args, report)
	}
	for _, m := range found {
		v, err := strconv.ParseFloat(string(m[2]), 64)
		if err != nil {
			t.Fatal(err)
		}
		if m[1][0] == 'R' {
			rms = v
		} else {
			peak = max(peak, math.Abs(v))
		}
	}
	return rms, peak
}

// TestSoxOthers: files of other kinds are named, and the advice that names sox
// works.
func TestSoxOthers(t *testing.T) {
	requireSox(t)
	tests := []struct{ file, format, name string }{
		{"in.aiff", "", "an AIFF file"},
		{"in.aifc", "", "an AIFF-C file"},
		{"in.au", "", "an AU file"},
		{"in.caf", "", "a CAF file"},
		{"in.flac", "", "a FLAC file"},
		{"in.ogg", "", "an Ogg file"},
		{"in.w64", "", "a Wave64 file"},
		{"in.wav", "-B", "a RIFX file (big-endian)"},
		{"in.wav", "-e a-law", "A-law"},
		{"in.wav", "-e mu-law", "mu-law"},
		{"in.wav", "-e ms-adpcm", "Microsoft ADPCM"},
		{"in.wav", "-e ima-adpcm", "IMA ADPCM"},
		{"in.wav", "-e gsm-full-rate", "GSM 6.10"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			dir := t.TempDir()
			in, out := filepath.Join(dir, tt.file), filepath.Join(dir, "out.wav")
			sox(t, fmt.Sprintf("-r 8000 -c 1 -n %s %s synth 0.5 sine 440 vol 0.5", tt.format, in))
			err := measureFile(in)
			if err == nil || !strings.Contains(err.Error(), tt.name) {
				t.Fatalf("error is %v, want one that names %s", err, tt.name)
			}
			_, advice, _ := strings.Cut(err.Error(), "convert it: sox ")
			advice = strings.NewReplacer(tt.file, in, "in.aiff", in, "out.wav", out).Replace(advice)
			sox(t, advice)
			if err := measureFile(out); err != nil {
				t.Errorf("after sox %s: %v", advice, err)
			}
		})
	}
}

func measureFile(name string) error {
	f, err := os.Open(name)
	if err != nil {
		return err
	}
	defer f.Close()
	_, err = Measure(f, 0.02)
	return err
}
