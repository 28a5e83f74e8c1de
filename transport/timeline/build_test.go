package timeline

import (
	"io"
	"os"
	"strings"
	"testing"

	"limberjack/interp"
	"limberjack/sequence"
)

const towerRig = `rig: Tower
format: 1
supplies:
  rail: {voltage: 6V, limit: 5A}
boards:
  main: {rate: 50Hz, tick: 0.5us, channels: 16, baud: 250000}
axes:
  hand: {kind: servo, board: main, channel: 3, supply: rail, travel: [-70deg, 70deg], pulse: [[-70deg, 900us], [0deg, 1500us], [70deg, 2100us]]}
  beacon: {kind: stepper, board: main, channel: 1, supply: rail, steps: 200, microsteps: 16, current: 400mA}
  lantern: {kind: dimmer, board: main, channel: 2, supply: rail, current: 300mA}
`

const towerMotion = `motion: The lamp is lit
format: 1
rig: tower.rig.yaml
fps: 24
tracks:
  hand: [[0s, -70deg], [2s, 70deg, linear], [4s, 0deg, linear]]
  beacon: [[0s, 45deg], [4s, 405deg, linear]]
  lantern: [[0s, 0%], [4s, 100%, linear]]
`

// compile makes a performance of documents that are given as text.
func compile(t testing.TB, files map[string]string, motion string) *interp.Performance {
	t.Helper()
	script, err := sequence.LoadMotion(func(name string) (io.ReadCloser, error) {
		text, ok := files[name]
		if !ok {
			return nil, os.ErrNotExist
		}
		return io.NopCloser(strings.NewReader(text)), nil
	}, motion)
	if err != nil {
		t.Fatal(err)
	}
	p, err := interp.Compile(script)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// From documents to values: straight moves, of which every frame can be told.
func TestBuild(t *testing.T) {
	files := map[string]string{"tower.rig.yaml": towerRig, "tower.motion.yaml": towerMotion}
	p := compile(t, files, "tower.motion.yaml")
	tls, err := Build(p)
	if err != nil {
		t.Fatal(err)
	}
	if len(tls) != 1 || tls[0].Motion != "The lamp is lit" || tls[0].Channels[0].Start != 400 {
		t.Fatalf("%+v", tls[0])
	}
	rows, position := all(tls[0]), 400
	if len(rows) != 201 {
		t.Fatalf("%d frames, want 201", len(rows))
	}
	for k, row := range rows {
		hand := 1800 + 24*k
		if k > 100 {
			hand = 4200 - 12*(k-100)
		}
		position += row[0]
		level := (65535*k + 100) / 200
		if row[2] != hand || position != 400+16*k || row[1] != level {
			t.Errorf("frame %d: %v, position %d; want %d ticks, position %d, level %d", k, row, position, hand, 400+16*k, level)
		}
	}
}
