package web

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"limberjack/sequence/sound"
)

// frames counts the frames of a WAV file by reading it.
func framesOf(t testing.TB, data []byte) (frames int64, info sound.Info) {
	t.Helper()
	d, err := sound.NewDecoder(bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	buffer := make([]float32, 4096)
	for {
		n, err := d.Read(buffer)
		if err == io.EOF {
			return frames, d.Info()
		}
		if err != nil {
			t.Fatal(err)
		}
		frames += int64(n)
	}
}

// converted gives a WAV file as it is served.
func converted(t testing.TB, data []byte) []byte {
	t.Helper()
	frames, _ := framesOf(t, data)
	w, err := newWave(bytes.NewReader(data), frames)
	if err != nil {
		t.Fatal(err)
	}
	out, err := io.ReadAll(w)
	if err != nil || int64(len(out)) != w.size() {
		t.Fatalf("%d of %d bytes: %v", len(out), w.size(), err)
	}
	return out
}

// What is served of each kind of file is what sox, a general-purpose sound converter,
// makes of it at 16 bit without dither (-D), to the last bit but one.
func TestSoundAgainstSox(t *testing.T) {
	if _, err := exec.LookPath("sox"); err != nil {
		if os.Getenv("LIMBERJACK_TOOLS") == "required" {
			t.Fatal("sox is not installed, and LIMBERJACK_TOOLS=required asks for it")
		}
		t.Skip("sox is not installed: comparison with it left out")
	}
	for _, name := range []string{"pcm8", "pcm16", "pcm24", "pcm32", "float32", "float64", "stereo24", "surround16", "rf64"} {
		t.Run(name, func(t *testing.T) {
			file := filepath.Join("../sequence/sound/testdata", name+".wav")
			data, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			want, err := exec.Command("sox", "-D", file, "-t", "raw", "-e", "signed-integer", "-b", "16", "-L", "-").Output()
			if err != nil {
				t.Fatal(err)
			}
			got := converted(t, data)[waveHead:]
			if len(got) != len(want) {
				t.Fatalf("%d bytes, sox has %d", len(got), len(want))
			}
			for i := 0; i < len(want); i += 2 {
				a, b := int(int16(binary.LittleEndian.Uint16(got[i:]))), int(int16(binary.LittleEndian.Uint16(want[i:])))
				if a-b > 1 || b-a > 1 {
					t.Fatalf("sample %d is %d; sox has %d", i/2, a, b)
				}
			}
		})
	}
}

// A file of 16 bit stays as it is, header and all.
func TestSoundOf16BitStays(t *testing.T) {
	data, err := os.ReadFile("../examples/lighthouse/voice.wav")
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(converted(t, data), data) {
		t.Error("the voice is another")
	}
}

// Any range is the part of the whole that it names (RFC 9110, section 14).
func TestSoundRanges(t *testing.T) {
	d := openDesk(t, example(t), "greet.motion.yaml", nil)
	const path = "/api/motions/greet/sound"
	all := d.get(path).body
	size := len(all)
	if d.get(path).header.Get("Accept-Ranges") != "bytes" {
		t.Error("ranges are not offered")
	}
	for _, c := range []struct {
		header   string
		from, to int // -1: not a part
	}{
		{"bytes=0-0", 0, 1}, {"bytes=0-43", 0, 44}, {"bytes=43-44", 43, 45}, {"bytes=44-", 44, size}, {"bytes=45-51", 45, 52}, {"bytes=-1", size - 1, size},
		{"bytes=-999999999", 0, size}, {"bytes=100000-100001", 100000, 100002}, {fmt.Sprintf("bytes=%d-", size-3), size - 3, size},
		// Units are case-insensitive (section 14.1); empty places of a list do not count (section 5.6.1).
		{"Bytes=5-6", 5, 7}, {"bytes= 5-6 ,", 5, 7}, {"bytes=,,5-6", 5, 7},
		{fmt.Sprintf("bytes=%d-", size), -1, 416}, {"bytes=-0", -1, 416}, {"bytes=999999999999999999-", -1, 416},
		// Section 14.2: a unit that is not understood must be ignored; what is no range, and several at once, may be.
		{"lines=0-1", -1, 200}, {"bytes=5-4", -1, 200}, {"bytes=a-b", -1, 200}, {"bytes=--1", -1, 200}, {"bytes=-", -1, 200}, {"bytes", -1, 200}, {"bytes=", -1, 200},
		{"bytes=+1-2", -1, 200}, {"bytes=0-1,4-5", -1, 200}, {"bytes=" + strings.Repeat("0-0,", 300) + "1-1", -1, 200},
	} {
		a := d.ask("GET", path, "Range: "+c.header)
		if c.from < 0 {
			if a.status != c.to || a.status == 200 && !bytes.Equal(a.body, all) {
				t.Errorf("%.40s: %d", c.header, a.status)
			}
			if a.status == 416 {
				a.refusal(t, "no-such-range")
				// Section 15.5.17: the answer should say how long the whole is.
				if got := a.header.Get("Content-Range"); got != fmt.Sprintf("bytes */%d", size) {
					t.Errorf("%s: Content-Range is %q", c.header, got)
				}
			}
			continue
		}
		if a.status != 206 || !bytes.Equal(a.body, all[c.from:c.to]) || a.header.Get("Content-Range") != fmt.Sprintf("bytes %d-%d/%d", c.from, c.to-1, size) {
			t.Errorf("%s: %d, %s, %d bytes", c.header, a.status, a.header.Get("Content-Range"), len(a.body))
		}
	}
}

// A range goes with its conditions: If-Range with another version gives the whole
// (RFC 9110, section 13.1.5), If-Match with another one nothing (section 13.1.1), and
// HEAD knows no ranges (section 14.2). The parts of the page are as the others.
func TestConditions(t *testing.T) {
	d := openDesk(t, example(t), "greet.motion.yaml", nil)
	for _, path := range []string{"/api/motions/greet/sound", "/api/motions/greet/score", "/api/project", "/page/main.js"} {
		whole := d.get(path)
		tag := whole.header.Get("ETag")
		size := fmt.Sprint(len(whole.body))
		for _, c := range []struct {
			method  string
			headers []string
			status  int
		}{
			{"GET", []string{"Range: bytes=1-2"}, 206},
			{"GET", []string{"Range: bytes=1-2", "If-Range: " + tag}, 206},
			{"GET", []string{"Range: bytes=1-2", `If-Range: "another"`}, 200},
			{"GET", []string{"Range: bytes=" + size + "-", `If-Range: "another"`}, 200},
			{"GET", []string{"Range: bytes=1-2", "Range: bytes=1-2"}, 200},
			{"GET", []string{"Range: bytes=1-2", "If-None-Match: " + tag}, 304},
			{"GET", []string{"If-Match: " + tag}, 200},
			{"GET", []string{`If-Match: "another"`}, 412},
			{"HEAD", []string{"Range: bytes=1-2"}, 200},
		} {
			a := d.ask(c.method, path, c.headers...)
			if a.status != c.status {
				t.Errorf("%s %s %q: %d", c.method, path, c.headers, a.status)
			}
			switch {
			case c.status == 412:
				a.refusal(t, "other-version")
			case c.status == 206 && !bytes.Equal(a.body, whole.body[1:3]), c.status == 200 && c.method == "GET" && !bytes.Equal(a.body, whole.body):
				t.Errorf("%s %q: %d bytes", path, c.headers, len(a.body))
			case c.method == "HEAD" && a.header.Get("Content-Length") != size:
				t.Errorf("HEAD %s says %s bytes of %s", path, a.header.Get("Content-Length"), size)
			}
		}
	}
}

// FuzzRange: what is taken for a range is one, of one part, in order.
func FuzzRange(f *testing.F) {
	for _, s := range []string{"bytes=0-1", "bytes=-5", "bytes=5-", "bytes=1-2,", "BYTES= 1-2", "bytes=2-1", "bytes=007-8", "lines=1-2", "bytes=1-2,3-4", "bytes=99999999999999999999-", "bytes=-00"} {
		f.Add(s)
	}
	shape := regexp.MustCompile(`^bytes=([0-9]{0,18})-([0-9]{0,18})$`)
	f.Fuzz(func(t *testing.T, s string) {
		one, ok := oneRange(s)
		if !ok {
			return
		}
		part := shape.FindStringSubmatch(one)
		if part == nil || part[1] == "" && part[2] == "" || part[1] != beyondAll && !strings.Contains(s, part[1]+"-"+part[2]) {
			t.Fatalf("%q is taken for %q", s, one)
		}
		first, _ := strconv.ParseInt(part[1], 10, 64)
		if last, err := strconv.ParseInt(part[2], 10, 64); err == nil && part[1] != "" && last < first {
			t.Errorf("%q goes back", s)
		}
	})
}

// From whatever place on, the rest is the rest of the whole, in every kind of file.
func TestSoundFromAnyPlace(t *testing.T) {
	files, err := filepath.Glob("../sequence/sound/testdata/*.wav")
	if err != nil || len(files) == 0 {
		t.Fatal("no files", err)
	}
	random := rand.New(rand.NewPCG(1, 2))
	for _, file := range files {
		data, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := sound.NewDecoder(bytes.NewReader(data)); err != nil {
			continue // a kind that is refused
		}
		all := converted(t, data)
		frames, _ := framesOf(t, data)
		w, err := newWave(bytes.NewReader(data), frames)
		if err != nil {
			t.Fatal(err)
		}
		for range 50 {
			from := random.IntN(len(all) + 1)
			w.Seek(int64(from), io.SeekStart)
			if rest, err := io.ReadAll(w); err != nil || !bytes.Equal(rest, all[from:]) {
				t.Fatalf("%s from byte %d: %v", file, from, err)
			}
		}
	}
}

// The waveform holds the least and greatest sample of each span of the served sound.
func TestWaveform(t *testing.T) {
	d := openDesk(t, example(t), "greet.motion.yaml", nil)
	body := d.get("/api/motions/greet/waveform").body
	var head struct {
		Magic         [4]byte
		Version, Zero uint16
		Rate          float64
		Count, None   uint32
	}
	if err := binary.Read(bytes.NewReader(body), binary.LittleEndian, &head); err != nil {
		t.Fatal(err)
	}
	data := d.get("/api/motions/greet/sound").body
	rate := float64(binary.LittleEndian.Uint32(data[24:]))
	per := int(rate / head.Rate)
	samples := data[waveHead:]
	count := (len(samples)/2 + per - 1) / per
	if string(head.Magic[:]) != "LJWF" || head.Version != 1 || int(head.Count) != count || len(body) != waveformHead+4*count || per < 1 {
		t.Fatalf("%+v, %d bytes; %d buckets expected", head, len(body), count)
	}
	for b := range count {
		lo, hi := int16(32767), int16(-32768)
		for i := b * per; i < min((b+1)*per, len(samples)/2); i++ {
			v := int16(binary.LittleEndian.Uint16(samples[2*i:]))
			lo, hi = min(lo, v), max(hi, v)
		}
		at := body[waveformHead+4*b:]
		if int16(binary.LittleEndian.Uint16(at)) != lo || int16(binary.LittleEndian.Uint16(at[2:])) != hi {
			t.Fatalf("bucket %d is %x; it should be %d to %d", b, at[:4], lo, hi)
		}
	}
}

// A motion without a sound says so.
func TestSilent(t *testing.T) {
	d := openDesk(t, small(t, nil), "wake.motion.yaml", nil)
	d.ask("GET", "/api/motions/wake/sound").refusal(t, "no-sound")
	d.ask("GET", "/api/motions/wake/waveform").refusal(t, "no-sound")
	if d.scoreOf("wake").Sound != nil {
		t.Error("the score has a sound")
	}
}

// FuzzWave: whatever a file holds, what is served of it is as long as it says or an
// error, and a part of it is that part of the whole.
func FuzzWave(f *testing.F) {
	files, _ := filepath.Glob("../sequence/sound/testdata/*.wav")
	for _, file := range files {
		if data, err := os.ReadFile(file); err == nil {
			f.Add(data, int64(8), uint16(45))
		}
	}
	f.Fuzz(func(t *testing.T, data []byte, frames int64, from uint16) {
		w, err := newWave(bytes.NewReader(data), frames)
		if err != nil {
			return
		}
		all, err := io.ReadAll(w)
		if int64(len(all)) > w.size() || err == nil && int64(len(all)) != w.size() {
			t.Fatalf("%d of %d bytes: %v", len(all), w.size(), err)
		}
		if err != nil || int(from) > len(all) {
			return
		}
		w.Seek(int64(from), io.SeekStart)
		if rest, err := io.ReadAll(w); err != nil || !bytes.Equal(rest, all[from:]) {
			t.Fatalf("from byte %d: %v", from, err)
		}
	})
}
