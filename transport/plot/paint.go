package plot

import (
	"bytes"
	"fmt"
	"html"
	"image/color"
	"io"
	"math"
	"strings"

	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/vgimg"
	"gonum.org/v1/plot/vg/vgsvg"
)

// canvas is what a sheet needs of a vg.Canvas.
type canvas interface {
	SetLineWidth(vg.Length)
	SetLineDash(pattern []vg.Length, offset vg.Length)
	SetColor(color.Color)
	Stroke(vg.Path)
	Fill(vg.Path)
	FillString(f font.Face, at vg.Point, text string)
}

// paint draws a page on a canvas of a colour: the one way from a sheet to any
// form.
func paint(c canvas, p *page, paper color.Color) {
	for i := range p.shapes {
		m := &p.shapes[i]
		switch {
		case m.text != "":
			c.SetColor(m.face.colour)
			c.FillString(m.face.library(), vg.Point{X: vg.Length(m.at.x), Y: vg.Length(round(p.h - m.at.y))}, m.text)
		case m.fill == cream:
			c.SetColor(paper)
			c.Fill(upright(m.path, p.h))
		case m.fill != nil:
			c.SetColor(m.fill)
			c.Fill(upright(m.path, p.h))
		default:
			c.SetColor(m.pen.colour)
			c.SetLineWidth(vg.Length(m.pen.width))
			c.SetLineDash(lengths(m.pen.dash), 0)
			c.Stroke(upright(m.path, p.h))
		}
	}
}

func lengths(v []float64) []vg.Length {
	out := make([]vg.Length, len(v))
	for i, x := range v {
		out[i] = vg.Length(x)
	}
	return out
}

// upright turns a path of a page, whose y goes down, into one of a canvas,
// whose y goes up.
func upright(path vg.Path, height float64) vg.Path {
	flip := func(p vg.Point) vg.Point { return vg.Point{X: p.X, Y: vg.Length(round(height - float64(p.Y)))} }
	out := make(vg.Path, len(path))
	for i, c := range path {
		out[i] = c
		out[i].Pos = flip(c.Pos)
		if c.Control != nil {
			out[i].Control = make([]vg.Point, len(c.Control))
			for k, q := range c.Control {
				out[i].Control[k] = flip(q)
			}
		}
	}
	return out
}

// families gives each family of type what stands in for it where it is not
// installed: first faces of the same widths, then the generic one.
var families = strings.NewReplacer(
	"font-family:Liberation Serif;", "font-family:'Liberation Serif',Tinos,'Times New Roman',Times,serif;",
	"font-family:Liberation Sans;", "font-family:'Liberation Sans',Arimo,Arial,Helvetica,sans-serif;",
	"font-variant:normal;", "",
)

// writeSVG writes a page as SVG with real text. Every text states its width, so
// that a viewer without the fonts keeps to the layout.
func writeSVG(w io.Writer, p *page, title string) error {
	c := vgsvg.NewWith(vgsvg.UseWH(vg.Length(p.w), vg.Length(p.h)))
	c.SetColor(cream)
	c.Fill(rectangle(box{0, 0, p.w, p.h}))
	paint(c, p, cream)
	var raw bytes.Buffer
	if _, err := c.WriteTo(&raw); err != nil {
		return err
	}
	var out strings.Builder
	head, body, _ := strings.Cut(families.Replace(raw.String()), "<g ")
	out.WriteString(strings.Replace(head, "<svg ", `<svg role="graphics-document document" `, 1))
	fmt.Fprintf(&out, "<title>%s</title>\n<g ", html.EscapeString(printable(title)))
	widths := p.textWidths()
	for i, part := range strings.SplitAfter(body, "<text ") {
		out.WriteString(part)
		if i < len(widths) {
			fmt.Fprintf(&out, `textLength="%g" lengthAdjust="spacingAndGlyphs" `, widths[i])
		}
	}
	_, err := io.WriteString(w, out.String())
	return err
}

// textWidths gives the widths of a page's texts in the order of painting.
func (p *page) textWidths() []float64 {
	var widths []float64
	for _, m := range p.shapes {
		if m.text != "" {
			widths = append(widths, round(m.width))
		}
	}
	return widths
}

// mostPixels bounds a PNG, whose picture is held in memory at 4 bytes a pixel.
const mostPixels = 48e6

func writePNG(w io.Writer, p *page, dpi int) error {
	if dpi == 0 {
		dpi = 144
	}
	dpi = min(dpi, max(24, int(72*math.Sqrt(mostPixels/float64(p.w*p.h)))))
	c := vgimg.NewWith(vgimg.UseWH(vg.Length(p.w), vg.Length(p.h)), vgimg.UseDPI(dpi), vgimg.UseBackgroundColor(cream))
	paint(c, p, cream)
	_, err := vgimg.PngCanvas{Canvas: c}.WriteTo(w)
	return err
}
