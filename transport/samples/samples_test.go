package samples

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"io"
	"math"
	"strconv"
	"strings"
	"testing"
	"testing/fstest"

	"limberjack/interp"
	"limberjack/sequence"
)

const rig = `rig: samples
format: 1
boards: {main: {rate: 50Hz, tick: 0.5us, channels: 8}}
axes:
  arm: {kind: servo, board: main, channel: 0, travel: [-90deg, 90deg], pulse: [[-90deg, 600us], [90deg, 2400us]]}
  lamp: {kind: dimmer, board: main, channel: 1}
`

func compile(t testing.TB, body string) *interp.Performance {
	t.Helper()
	files := fstest.MapFS{"s.rig.yaml": {Data: []byte(rig)}, "s.motion.yaml": {Data: []byte("motion: samples\nformat: 1\nrig: s.rig.yaml\n" + body)}}
	s, err := sequence.LoadMotion(func(name string) (io.ReadCloser, error) { return files.Open(name) }, "s.motion.yaml")
	if err != nil {
		t.Fatal(err)
	}
	p, err := interp.Compile(s)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

const body = "tracks:\n  arm: [[0s, 0], [1.3s, 33, min-jerk], [2.1s, -7, circ-in], [3s, 5, pchip], [4s, 6, pchip]]\n  lamp: [[0s, 10], [4s, 90, sine-in]]\n"

// Every number reads back to the bit, over more than one block.
func TestCSVReadsBackExactly(t *testing.T) {
	p := compile(t, body)
	var b bytes.Buffer
	if err := WriteCSV(&b, p, 300, true); err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(&b).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if got := strings.Join(rows[0], ","); got != "time,arm,arm.velocity,arm.acceleration,lamp,lamp.velocity,lamp.acceleration" {
		t.Errorf("the columns are %s", got)
	}
	if len(rows) != 1+4*300+1 {
		t.Fatalf("%d rows", len(rows))
	}
	for k, row := range rows[1:] {
		at := float64(k) / 300
		s := p.Axes[0].Part.At(at)
		for i, want := range []float64{at, s.Position, s.Speed, s.Acceleration} {
			got, err := strconv.ParseFloat(row[i], 64)
			if math.IsInf(want, 0) && row[i] == "" {
				continue
			}
			if err != nil || got != want {
				t.Fatalf("row %d column %d is %q, want %v", k, i, row[i], want)
			}
		}
	}
}

func TestJSONHoldsTheSameNumbers(t *testing.T) {
	p := compile(t, body)
	var b bytes.Buffer
	if err := WriteJSON(&b, p, 100, false); err != nil {
		t.Fatal(err)
	}
	var got struct {
		Motion   string            `json:"motion"`
		Rate     float64           `json:"rate_hz"`
		Duration float64           `json:"duration_s"`
		Units    map[string]string `json:"units"`
		Columns  []string          `json:"columns"`
		Rows     [][]float64       `json:"rows"`
	}
	if err := json.Unmarshal(b.Bytes(), &got); err != nil {
		t.Fatal(err)
	}
	if got.Motion != "samples" || got.Rate != 100 || got.Duration != 4 || got.Units["lamp"] != "%" || len(got.Columns) != 3 || len(got.Rows) != 401 {
		t.Fatalf("%+v", got)
	}
	for k, row := range got.Rows {
		if want := p.Axes[1].Part.Value(float64(k) / 100); row[2] != want {
			t.Fatalf("row %d: the lamp is %v, want %v", k, row[2], want)
		}
	}
}

// A vertical tangent has no speed that a number could tell.
func TestInfiniteDerivativesAreLeftEmpty(t *testing.T) {
	p := compile(t, "tracks: {arm: [[0s, 0], [1s, 30, circ-out]]}\n")
	var b bytes.Buffer
	if err := WriteCSV(&b, p, 1, true); err != nil {
		t.Fatal(err)
	}
	if first := strings.Split(b.String(), "\n")[1]; !strings.HasPrefix(first, "0,0,,,") {
		t.Errorf("the first row is %q", first)
	}
}

func BenchmarkWriteCSV(b *testing.B) {
	p := compile(b, body)
	var n int64
	for b.Loop() {
		var c counter
		if err := WriteCSV(&c, p, 1000, false); err != nil {
			b.Fatal(err)
		}
		n = int64(c)
	}
	b.SetBytes(n)
}

type counter int64

func (c *counter) Write(p []byte) (int, error) { *c += counter(len(p)); return len(p), nil }

// The predicted path of a slow move is the commanded one, a frame or two behind;
// times are the shortest decimals of k/rate.
func TestPredictedRows(t *testing.T) {
	p := compile(t, "tracks: {arm: [[0s, 0], [2s, 40, min-jerk], [3s, 40]]}\n")
	var c, j bytes.Buffer
	if err := WritePredictedCSV(&c, p, 50); err != nil {
		t.Fatal(err)
	}
	if err := WritePredictedJSON(&j, p, 50); err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(&c).ReadAll()
	if err != nil || len(rows) != 152 {
		t.Fatalf("%d rows, %v", len(rows), err)
	}
	var object struct {
		Columns []string    `json:"columns"`
		Rows    [][]float64 `json:"rows"`
	}
	if err := json.Unmarshal(j.Bytes(), &object); err != nil || len(object.Rows) != 151 || len(object.Columns) != len(rows[0]) {
		t.Fatalf("%d rows of %d columns, %v", len(object.Rows), len(object.Columns), err)
	}
	if rows[96][0] != "1.9" {
		t.Errorf("row 95 is at %s, want 1.9", rows[96][0])
	}
	for k, row := range object.Rows {
		if d := math.Abs(row[1] - row[2]); d > 6 {
			t.Errorf("at %g s the arm is %g deg behind", float64(k)/50, d)
		}
		if want := p.Axes[0].Part.Value(float64(k) / 50); math.Abs(row[1]-want) > 1e-9 {
			t.Errorf("at %g s it is commanded to %g, want %g", float64(k)/50, row[1], want)
		}
	}
}
