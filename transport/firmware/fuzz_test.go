package firmware_test

import (
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"limberjack/transport/firmware"
	"limberjack/transport/wire"
)

// FuzzTwins has a stranger do what the fuzzer's bytes say, on a board in Go and one in C.
func FuzzTwins(f *testing.F) {
	boards := []*firmware.Config{tower(), shore()}
	devices := []*device{newDevice(f, boards[0]), newDevice(f, boards[1])}
	random := rand.New(rand.NewPCG(9, 9))
	for i := range 12 {
		b := make([]byte, 100*(1+i))
		for k := range b {
			b[k] = byte(random.Uint32())
		}
		f.Add(b)
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		if len(b) == 0 || len(b) > 1<<12 {
			return
		}
		n := int(b[0]) % len(boards)
		w := play(t, boards[n], &tape{b[1:]})
		w.compare(devices[n])
	})
}

// FuzzLine gives both boards bytes as they might come from a line.
func FuzzLine(f *testing.F) {
	c := tower()
	d := newDevice(f, c)
	p := &performer{twin: newTwin(f, c, 0), period: 20_000}
	var whole []byte
	add := func(ms ...wire.Message) {
		for _, m := range ms {
			b := p.frame(m)
			f.Add(b)
			whole = append(whole, b...)
		}
	}
	add(&wire.Identify{Version: 1}, &wire.Ask{Channel: 5}, &wire.Clock{Token: 5}, &wire.Setup{Channels: 7, Period: 20_000_000, Silence: 250})
	add(towerChannels()...)
	add(&wire.Arm{Boot: p.boot, Values: wire.Values(nil).Add(3000, 3000, 3000, 0, 0, 0, 0)}, &wire.Frames{Values: append(p.row(), p.row()...)},
		&wire.Start{Time: 1000}, &wire.Hold{}, &wire.Resume{Time: 90_000}, &wire.Flush{Index: 1}, &wire.Query{Topic: wire.TopicPose}, &wire.Stop{Category: 1})
	f.Add(whole)
	f.Add(append([]byte{255}, whole[:254]...))
	f.Fuzz(func(t *testing.T, b []byte) {
		if len(b) > 1<<12 {
			return
		}
		w := newTwin(t, c, 1<<32-20_000)
		w.say(&wire.Identify{Version: 1})
		for len(b) > 0 {
			n := min(len(b), 37)
			w.bytes(b[:n])
			w.wait(int64(b[0]) * 100)
			b = b[n:]
		}
		w.say(&wire.Query{Topic: wire.TopicStatus}, &wire.Query{Topic: wire.TopicPose})
		w.compare(d)
	})
}

// The player in C alone, under libFuzzer: a short run from a fixed seed. A longer one is the
// same program with another number of runs.
func TestFuzzedInC(t *testing.T) {
	t.Parallel()
	tool(t, "clang")
	sources := append(core(t), "src/host/lj_fuzz.c", "src/host/lj_host_memory.c")
	path := compile(t, "clang", keeper(), sources, "-g", "-O1", "-fsanitize=fuzzer,address,undefined", "-fno-sanitize-recover=all")
	corpus := filepath.Join(t.TempDir(), "corpus")
	if err := os.Mkdir(corpus, 0o755); err != nil {
		t.Fatal(err)
	}
	// Armed, then frames of six channels, a start, silence, a stop; and a board that plays by itself.
	seed := "\x30" + strings.Repeat("\x01\x02", 8) + "\x87\x16" + strings.Repeat("\x20\x0b", 11) + "\x88\x04\x20\x00\x00\x00" +
		strings.Repeat("\x50\x20", 30) + "\x60" + strings.Repeat("\x67"+strings.Repeat("\xb8\x0b", 7), 5) + "\x61\x00\x10" + strings.Repeat("\x50\x20", 9)
	if err := os.WriteFile(filepath.Join(corpus, "seed"), []byte(seed), 0o644); err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command(path, "-runs=20000", "-seed=1", "-max_len=1024", "-artifact_prefix="+t.TempDir()+"/", corpus).CombinedOutput()
	if err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	for line := range strings.Lines(string(out)) {
		if strings.Contains(line, "DONE") {
			t.Log(strings.TrimSpace(line))
		}
	}
}
