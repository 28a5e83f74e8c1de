package card

import (
	"fmt"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"limberjack/interp"
	"limberjack/sequence"
)

// thousand gives a show of so many motions of so many seconds, for eight servos that
// are busy, and its performances.
func thousand(b testing.TB, motions int, seconds float64) (*sequence.Show, []*interp.Performance) {
	var rig, tracks, show strings.Builder
	rig.WriteString("rig: Shore\nformat: 1\nboards: {tower: {rate: 50Hz, tick: 0.5us, channels: 8, clock: 120ppm, inputs: {1: {active: high}}}}\naxes:\n")
	for i := range 8 {
		fmt.Fprintf(&rig, "  a%d: {kind: servo, board: tower, channel: %d, travel: [-60deg, 60deg], pulse: [[-60deg, 1000us], [60deg, 2000us]]}\n", i, i)
		fmt.Fprintf(&tracks, "  a%d: [", i)
		for k := 0; float64(k) < seconds; k += 2 {
			fmt.Fprintf(&tracks, "[%d.%ds, %d, in-out], ", k, i, (k*7+i*13)%100-50)
		}
		fmt.Fprintf(&tracks, "[%gs, 0]]\n", seconds)
	}
	show.WriteString("show: Thousand\nformat: 1\nrig: shore.rig.yaml\nmotions:\n")
	for i := range motions {
		fmt.Fprintf(&show, "  m%d: {file: m.motion.yaml, trigger: {input: 1}, while_busy: interrupt}\n", i)
	}
	return loadShow(b, texts{"shore.rig.yaml": rig.String(), "s.show.yaml": show.String(),
		"m.motion.yaml": fmt.Sprintf("motion: M\nformat: 1\nrig: shore.rig.yaml\nlength: %gs\ntracks:\n%s", seconds, tracks.String())}.open, "s.show.yaml")
}

// BenchmarkThousandMotions: 1000 motions of one minute for eight servos to an image in a
// file, from compiled curves: planned, written, read back and compared.
func BenchmarkThousandMotions(b *testing.B) {
	show, ps := thousand(b, 1000, 60)
	file := filepath.Join(b.TempDir(), "card.img")
	for b.Loop() {
		c, err := New(show, ps, Options{})
		if err != nil {
			b.Fatal(err)
		}
		m, err := c.NewImage(ImageOptions{})
		if err != nil {
			b.Fatal(err)
		}
		writeImage(b, m, file)
		b.SetBytes(m.Size())
	}
}

// BenchmarkVerify: an image of 50 MB in memory, so that what is measured is this
// package and not a disk.
func BenchmarkVerify(b *testing.B) {
	show, ps := thousand(b, 1000, 60)
	c, err := New(show, ps, Options{})
	if err != nil {
		b.Fatal(err)
	}
	m, err := c.NewImage(ImageOptions{})
	if err != nil {
		b.Fatal(err)
	}
	image := make(memory, m.Size())
	if err := m.Write(image, nil); err != nil {
		b.Fatal(err)
	}
	b.SetBytes(m.Size())
	for b.Loop() {
		if r, err := VerifyImage(image, m.Size()); err != nil || !r.OK() {
			b.Fatal(r, err)
		}
	}
}

// BenchmarkLength: bytes of memory that writing takes stay the same from one minute to
// 1000 minutes; B/op is for both passes and the planning.
func BenchmarkLength(b *testing.B) {
	for _, minutes := range []int{1, 100, 1000} {
		b.Run(fmt.Sprintf("%dmin", minutes), func(b *testing.B) {
			show, ps := loadShow(b, texts{"shore.rig.yaml": shoreRig, "long.motion.yaml": wave(float64(60*minutes), "")}.open, "long.motion.yaml")
			b.ReportAllocs()
			for b.Loop() {
				c, err := New(show, ps, Options{})
				if err != nil {
					b.Fatal(err)
				}
				if err := c.Write(func(f File) Medium { return &ring{size: f.Size} }, nil); err == nil {
					b.Fatal("what is not kept cannot be read back")
				}
				runtime.GC()
			}
		})
	}
}

// ring is a medium that keeps nothing.
type ring struct{ size int64 }

func (r *ring) WriteAt(b []byte, _ int64) (int, error) { return len(b), nil }
func (r *ring) ReadAt(b []byte, _ int64) (int, error)  { return len(b), nil }

// BenchmarkSeek: one frame anywhere in a container.
func BenchmarkSeek(b *testing.B) {
	d := onDisk(b, planned(b, shore(), "shore.show.yaml", Options{}))
	c := opened(b, d, "TOWER.LJC")
	values := make([]uint16, len(c.Channels))
	k := uint32(0)
	for b.Loop() {
		k = (k + 61) % c.Motions[0].Frames
		if err := c.Frame(0, k, values); err != nil {
			b.Fatal(err)
		}
	}
}
