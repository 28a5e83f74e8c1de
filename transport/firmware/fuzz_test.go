package firmware_test

import (
	"math/rand/v2"
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
	for _, b := range lines(f) {
		f.Add(b)
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		if len(b) > 1<<12 {
			return
		}
		w := newTwin(t, c, 1<<32-20_000)
		w.say(&wire.Identify{Version: 1})
		for len(b) > 0 {
			n := min(len(b), piece)
			w.bytes(b[:n])
			w.wait(int64(b[0]) * 100)
			b = b[n:]
		}
		w.say(&wire.Query{Topic: wire.TopicStatus}, &wire.Query{Topic: wire.TopicPose})
		w.compare(d)
	})
}
