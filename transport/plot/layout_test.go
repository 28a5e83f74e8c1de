package plot

import (
	"fmt"
	"math/rand"
	"testing"
)

// overlaps finds two texts of a page that lie on each other, or one that leaves
// the paper.
func overlaps(p *page) error {
	var texts []shape
	for _, m := range p.shapes {
		if m.text != "" {
			texts = append(texts, m)
		}
	}
	for i, a := range p.texts {
		if a.x0 < 0 || a.y0 < 0 || a.x1 > p.w || a.y1 > p.h {
			return fmt.Errorf("%q at %.1f, %.1f leaves the paper of %g x %g", texts[i].text, a.x0, a.y0, p.w, p.h)
		}
		for k := range i {
			if a.meets(p.texts[k]) {
				return fmt.Errorf("%q %.1f lies on %q %.1f", texts[i].text, a, texts[k].text, p.texts[k])
			}
		}
	}
	return nil
}

func checkLayout(t *testing.T, s Sheet) {
	t.Helper()
	for _, paper := range []Paper{A4, Letter} {
		for _, tall := range []bool{true, false} {
			s.Paper = paper
			for i, p := range layout(s, tall).pages {
				if err := overlaps(p); err != nil {
					t.Errorf("%v, tall %v, page %d: %v", paper, tall, i+1, err)
				}
			}
		}
	}
}

func TestTextsDoNotOverlap(t *testing.T) {
	t.Run("boat", func(t *testing.T) { checkLayout(t, boat(t)) })
	for name, s := range crowded(t) {
		t.Run(name, func(t *testing.T) { checkLayout(t, s) })
	}
}

func TestRandomReportsKeepTheLayout(t *testing.T) {
	p := keeper(t, "boat.motion.yaml")
	for n := range 30 {
		r := rand.New(rand.NewSource(int64(n)))
		s := Sheet{Performance: p, Report: randomReport(r, p, r.Intn(90)), Trace: randomTrace(r, p)}
		d := layout(s, n%2 == 0)
		for _, page := range d.pages {
			if err := overlaps(page); err != nil {
				t.Fatalf("report %d: %v", n, err)
			}
		}
	}
}
