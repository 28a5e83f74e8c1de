package plot

import (
	"bytes"
	"fmt"
	"image/color"
	"io"
	"time"

	"codeberg.org/go-pdf/fpdf"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/vg"
)

// pdfCanvas draws on pages of a PDF. vgpdf, on the same library, lets all the
// fonts of a document share the file of one, and knows no letters beyond
// Windows-1252; here each cut of type is embedded with the letters that are
// used.
type pdfCanvas struct {
	doc    *fpdf.Fpdf
	height float64
	fonts  map[string]bool
}

// writePDF writes pages of one size.
func writePDF(w io.Writer, pages []*page, title string) error {
	size := fpdf.SizeType{Wd: pages[0].w, Ht: pages[0].h}
	doc := fpdf.NewCustom(&fpdf.InitType{UnitStr: "pt", Size: size})
	// The same sheet is the same file on any day.
	never := time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)
	doc.SetCreationDate(never)
	doc.SetModificationDate(never)
	doc.SetCatalogSort(true)
	doc.SetTitle(title, true)
	doc.SetMargins(0, 0, 0)
	doc.SetAutoPageBreak(false, 0)
	c := &pdfCanvas{doc: doc, height: size.Ht, fonts: map[string]bool{}}
	for _, p := range pages {
		doc.AddPage()
		paint(c, p, color.White)
	}
	if err := c.doc.Output(w); err != nil {
		return fmt.Errorf("the PDF cannot be written: %w", err)
	}
	return nil
}

func (c *pdfCanvas) SetLineWidth(w vg.Length) { c.doc.SetLineWidth(w.Points()) }

func (c *pdfCanvas) SetLineDash(pattern []vg.Length, offset vg.Length) {
	dash := make([]float64, len(pattern))
	for i, d := range pattern {
		dash[i] = d.Points()
	}
	c.doc.SetDashPattern(dash, offset.Points())
}

func (c *pdfCanvas) SetColor(clr color.Color) {
	r, g, b, _ := clr.RGBA()
	red, green, blue := int(r>>8), int(g>>8), int(b>>8)
	c.doc.SetDrawColor(red, green, blue)
	c.doc.SetFillColor(red, green, blue)
	c.doc.SetTextColor(red, green, blue)
}

func (c *pdfCanvas) Stroke(p vg.Path) { c.draw(p, "D") }
func (c *pdfCanvas) Fill(p vg.Path)   { c.draw(p, "F") }

// xy turns a place of the canvas, whose origin is the lower left corner, into
// one of the library's page, whose origin is the upper left one.
func (c *pdfCanvas) xy(p vg.Point) (x, y float64) { return p.X.Points(), c.height - p.Y.Points() }

func (c *pdfCanvas) draw(path vg.Path, how string) {
	for _, part := range path {
		x, y := c.xy(part.Pos)
		switch {
		case part.Type == vg.MoveComp:
			c.doc.MoveTo(x, y)
		case part.Type == vg.LineComp:
			c.doc.LineTo(x, y)
		case part.Type == vg.CurveComp && len(part.Control) == 2:
			ax, ay := c.xy(part.Control[0])
			bx, by := c.xy(part.Control[1])
			c.doc.CurveBezierCubicTo(ax, ay, bx, by, x, y)
		case part.Type == vg.CloseComp:
			c.doc.ClosePath()
		}
	}
	c.doc.DrawPath(how)
}

func (c *pdfCanvas) FillString(f font.Face, at vg.Point, text string) {
	name := f.Name()
	if !c.fonts[name] {
		var raw bytes.Buffer
		if _, err := f.Face.WriteSourceTo(nil, &raw); err != nil {
			c.doc.SetError(err)
			return
		}
		c.doc.AddUTF8FontFromBytes(name, "", raw.Bytes())
		c.fonts[name] = true
	}
	c.doc.SetFont(name, "", f.Font.Size.Points())
	x, y := c.xy(at)
	c.doc.Text(x, y, basic(text))
}

// basic replaces what lies beyond Unicode's Basic Multilingual Plane, which the
// library's fonts cannot name.
func basic(text string) string {
	out := []rune(text)
	for i, r := range out {
		if r > 0xffff {
			out[i] = '\ufffd'
		}
	}
	return string(out)
}
