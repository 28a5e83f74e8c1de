package plot

import (
	"image/color"
	"strings"
	"sync"

	"golang.org/x/image/font"
	vgfont "gonum.org/v1/plot/font"
	"gonum.org/v1/plot/font/liberation"
)

// style is one of the few cuts of type that a sheet is set in.
type style uint8

const (
	serif style = iota
	serifBold
	serifItalic
	sans
	sansBold
)

// descriptors name the cuts in the library's collection.
var descriptors = [...]vgfont.Font{
	serif:       {Typeface: "Liberation", Variant: "Serif"},
	serifBold:   {Typeface: "Liberation", Variant: "Serif", Weight: font.WeightBold},
	serifItalic: {Typeface: "Liberation", Variant: "Serif", Style: font.StyleItalic},
	sans:        {Typeface: "Liberation", Variant: "Sans"},
	sansBold:    {Typeface: "Liberation", Variant: "Sans", Weight: font.WeightBold},
}

var typeCase = sync.OnceValue(func() *vgfont.Cache { return vgfont.NewCache(liberation.Collection()) })

// face is a cut of type at a size, in a colour.
type face struct {
	style  style
	size   float64 // pt
	colour color.Color
}

func (f face) at(size float64) face { f.size = size; return f }

func (f face) library() vgfont.Face {
	return typeCase().Lookup(descriptors[f.style], vgfont.Length(f.size))
}

// widthOf gives the width of a text in points.
func (f face) widthOf(s string) float64 {
	if s == "" {
		return 0
	}
	lib := f.library()
	return round(lib.Width(s).Points())
}

const ellipsis = "…"

// shorten cuts a text to a width, at a character, and says so with an ellipsis.
// It is empty where not even two characters fit.
func (f face) shorten(s string, width float64) string {
	if f.widthOf(s) <= width {
		return s
	}
	runes := []rune(s)
	low, high := 0, len(runes)
	for low < high {
		middle := (low + high + 1) / 2
		if f.widthOf(strings.TrimRight(string(runes[:middle]), " ,;.")+ellipsis) <= width {
			low = middle
		} else {
			high = middle - 1
		}
	}
	if low < 2 {
		return ""
	}
	return strings.TrimRight(string(runes[:low]), " ,;.") + ellipsis
}

// breakName breaks a name that is too wide after a hyphen, underscore or space.
func (f face) breakName(name string, width float64) (first, rest string) {
	if f.widthOf(name) <= width {
		return name, ""
	}
	cut := 0
	for i, r := range name {
		if (r == '-' || r == '_' || r == ' ') && f.widthOf(name[:i+1]) <= width {
			cut = i + 1
		}
	}
	if cut == 0 {
		return name, ""
	}
	return strings.TrimRight(name[:cut], " "), name[cut:]
}

// wrap breaks a text into lines of a width, at spaces; the last line that is
// allowed is shortened.
func (f face) wrap(s string, width float64, lines int) []string {
	var out []string
	words := strings.Fields(s)
	for len(words) > 0 && len(out) < lines-1 {
		n := 1
		for n < len(words) && f.widthOf(strings.Join(words[:n+1], " ")) <= width {
			n++
		}
		if n == len(words) {
			break
		}
		out = append(out, f.shorten(strings.Join(words[:n], " "), width))
		words = words[n:]
	}
	if len(words) > 0 {
		out = append(out, f.shorten(strings.Join(words, " "), width))
	}
	return out
}
