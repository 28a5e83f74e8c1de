package plot

import (
	"image/color"
	"math"
	"strings"
	"unicode"

	"gonum.org/v1/plot/vg"
)

// Inks. The second one only repeats what a shape already says, so that a sheet
// loses nothing in black and white.
var (
	ink    = color.RGBA{0x1c, 0x23, 0x2e, 0xff} // blue-black, for what the motion does
	pencil = color.RGBA{0x7d, 0x82, 0x88, 0xff} // for the lines of the form
	slate  = color.RGBA{0x55, 0x5b, 0x63, 0xff} // for other performances beneath
	faint  = color.RGBA{0xc9, 0xcb, 0xcc, 0xff} // for guides that may go unseen
	wash   = color.RGBA{0xd5, 0xdb, 0xe0, 0xff} // for areas
	veil   = color.RGBA{0xf0, 0xef, 0xea, 0xff} // for spans behind everything
	iron   = color.RGBA{0x9c, 0x2f, 0x21, 0xff} // iron-oxide red, for findings and limits
	cream  = color.RGBA{0xfd, 0xfc, 0xf8, 0xff} // the paper, on a screen
)

// point is a place on a page in points from its upper left corner.
type point struct{ x, y float64 }

// box is a rectangle on a page.
type box struct{ x0, y0, x1, y1 float64 }

func (b box) meets(o box) bool { return b.x0 < o.x1 && o.x0 < b.x1 && b.y0 < o.y1 && o.y0 < b.y1 }

// pen is how a line is drawn: its width and its dashes in points.
type pen struct {
	width  float64
	colour color.Color
	dash   []float64
}

// shape is one thing on a page: a stroked or filled path, or a text.
type shape struct {
	path vg.Path // in page coordinates, y downwards
	pen  pen     // of a stroke
	fill color.Color

	text  string
	face  face
	at    point // start of the base line
	width float64
}

// page is one sheet of paper and what is on it, in the order of painting.
type page struct {
	w, h   float64
	shapes []shape
	texts  []box // where the texts lie
}

// round brings a coordinate to a hundredth of a point: finer than any printer,
// and coarse enough that a file does not show the last bits of an arithmetic.
func round(v float64) float64 { return math.Round(v*100) / 100 }

func at(x, y float64) vg.Point { return vg.Point{X: vg.Length(round(x)), Y: vg.Length(round(y))} }

func (p *page) stroke(path vg.Path, with pen) {
	if len(path) > 0 {
		p.shapes = append(p.shapes, shape{path: path, pen: with})
	}
}

func (p *page) fill(path vg.Path, colour color.Color) {
	if len(path) > 0 {
		p.shapes = append(p.shapes, shape{path: path, fill: colour})
	}
}

func (p *page) line(x0, y0, x1, y1 float64, with pen) {
	p.stroke(vg.Path{{Type: vg.MoveComp, Pos: at(x0, y0)}, {Type: vg.LineComp, Pos: at(x1, y1)}}, with)
}

func rectangle(b box) vg.Path {
	return polygon(point{b.x0, b.y0}, point{b.x1, b.y0}, point{b.x1, b.y1}, point{b.x0, b.y1})
}

func polygon(corners ...point) vg.Path {
	var path vg.Path
	appendLine(&path, corners)
	path.Close()
	return path
}

// appendLine adds a line through the points.
func appendLine(path *vg.Path, through []point) {
	for i, q := range through {
		if i == 0 {
			path.Move(at(q.x, q.y))
		} else {
			path.Line(at(q.x, q.y))
		}
	}
}

// oval is an ellipse of four cubic curves, which back ends draw alike where
// their arcs differ.
func oval(x, y, rx, ry float64) vg.Path {
	const kappa = 0.5522847498307936 // 4/3 (sqrt 2 - 1)
	kx, ky := float64(kappa*rx), float64(kappa*ry)
	var path vg.Path
	path.Move(at(x+rx, y))
	path.CubeTo(at(x+rx, y+ky), at(x+kx, y+ry), at(x, y+ry))
	path.CubeTo(at(x-kx, y+ry), at(x-rx, y+ky), at(x-rx, y))
	path.CubeTo(at(x-rx, y-ky), at(x-kx, y-ry), at(x, y-ry))
	path.CubeTo(at(x+kx, y-ry), at(x+rx, y-ky), at(x+rx, y))
	path.Close()
	return path
}

// anchor says which part of a text stands at its place.
type anchor uint8

const (
	left anchor = iota
	centre
	right
)

// textBox gives the space that a text takes, with its base line at y.
func textBox(x, y float64, s string, f face, a anchor) box {
	w := f.widthOf(s)
	switch a {
	case centre:
		x -= w / 2
	case right:
		x -= w
	}
	return box{x, y - float64(0.72*f.size), x + w, y + float64(0.2*f.size)}
}

// write puts a text on the page, with its base line at y.
func (p *page) write(x, y float64, s string, f face, a anchor) box {
	s = printable(s)
	b := textBox(x, y, s, f, a)
	if s == "" {
		return b
	}
	p.shapes = append(p.shapes, shape{text: s, face: f, at: point{round(b.x0), round(y)}, width: b.x1 - b.x0})
	p.texts = append(p.texts, b)
	return b
}

// printable replaces control characters, which neither paper nor XML has, with
// spaces.
func printable(s string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsControl(r) || r == '\ufffe' || r == '\uffff' {
			return ' '
		}
		return r
	}, s)
}

// writeWithin shortens a text to a width and writes it.
func (p *page) writeWithin(x, y, width float64, s string, f face, a anchor) box {
	return p.write(x, y, f.shorten(printable(s), width), f, a)
}
