package report

import (
	"strings"
	"sync"

	"github.com/golang/freetype/truetype"
	"golang.org/x/image/font"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/math/fixed"
)

// pen is what pictures are drawn with: SVG, PNG, PDF. Coordinates are CSS pixels (1/96 inch), to the right and down.
type pen interface {
	line(p []point, s stroke)
	area(p []point, f fill)
	text(at point, text string, w writing)
}

type point struct{ x, y float64 }

type stroke struct {
	ink  ink
	dash int     // index into dashes
	wide float64 // px
	// name and unit are set on what a read-out tells: a series of a chart.
	name, unit string
}

// How wide lines are, px.
const (
	fine  = 1.0
	bold  = 1.8
	heavy = 3.0
)

type fill struct {
	ink    ink
	opaque bool // else a tint
}

type writing struct {
	ink   ink
	align align
	bold  bool
	small bool
}

type align int

const (
	left align = iota
	middle
	right
)

// size returns the size of writing, px.
func (w writing) size() float64 {
	if w.small {
		return 11
	}
	return 12
}

// ink is an index into palette.
type ink int

const (
	paper   ink = iota // the ground
	text               // writing and axes
	faint              // notes and marks
	grid               // lines of the grid
	series0            // the first of five inks for series
)

// palette: the inks for series are black and four of the eight colours of Okabe and Ito, Color Universal Design (2002, revised
// 2008): how to make figures and presentations that are friendly to colour-blind people; the other colours are too light
// for lines on white (less than 3:1, WCAG 2.2 criterion 1.4.11). Dash patterns, marks on the line and direct labels tell
// series apart without colour.
var palette = [...]struct{ class, light, dark string }{
	paper:       {"p", "#ffffff", "#16191d"},
	text:        {"t", "#1a1a1a", "#e8e8e8"},
	faint:       {"n", "#555555", "#b4b4b4"},
	grid:        {"g", "#dddddd", "#3a3f45"},
	series0 + 0: {"s0", "#0072b2", "#56b4e9"}, // blue; on dark ground sky blue
	series0 + 1: {"s1", "#d55e00", "#e8873a"}, // vermillion
	series0 + 2: {"s2", "#000000", "#ffffff"}, // black
	series0 + 3: {"s3", "#009e73", "#35c79c"}, // bluish green
	series0 + 4: {"s4", "#cc79a7", "#e3a6c6"}, // reddish purple
}

const inks = len(palette) - int(series0)

// seriesInk returns the ink of the series numbered i from 0.
func seriesInk(i int) ink { return series0 + ink(i%inks) }

// dashes are the patterns of lines, px on and off. A series has the dash of its number.
var dashes = [...][]float64{
	nil, {7, 3}, {2, 2.5}, {9, 3, 2, 3}, {14, 3}, {5, 2, 1.5, 2, 1.5, 2}, {3, 3},
}

const (
	seriesDashes = 6 // of them for series
	limitDash    = 2 // of limits, thin
	asideDash    = 6 // of lines to compare with, thin
)

// face measures and, in PNG and PDF, sets writing.
var face = sync.OnceValue(func() (f struct{ regular, bold *truetype.Font }) {
	f.regular, f.bold = mustParse(goregular.TTF), mustParse(gobold.TTF)
	return f
})

func mustParse(ttf []byte) *truetype.Font {
	f, err := truetype.Parse(ttf)
	if err != nil {
		panic(err) // embedded
	}
	return f
}

// newFace returns a font at a size in px at 96 dots an inch times scale.
func newFace(bold bool, size float64) font.Face {
	f := face().regular
	if bold {
		f = face().bold
	}
	return truetype.NewFace(f, &truetype.Options{Size: size})
}

var measuring struct {
	sync.Mutex
	faces map[writing]font.Face
}

// width returns the width of text as written, px.
func (w writing) width(s string) float64 {
	key := writing{bold: w.bold, small: w.small}
	measuring.Lock()
	defer measuring.Unlock()
	f, ok := measuring.faces[key]
	if !ok {
		if measuring.faces == nil {
			measuring.faces = map[writing]font.Face{}
		}
		f = newFace(key.bold, key.size())
		measuring.faces[key] = f
	}
	return browserWidth * float64(font.MeasureString(f, s)) / float64(fixed.I(1))
}

// browserWidth is how much wider the widest common sans-serif font of a browser sets our words than the Go font does
// (measured in a browser with DejaVu Sans, six labels: 1.14 to 1.16).
const browserWidth = 1.16

// fitted cuts text that is wider than width, with an ellipsis.
func (w writing) fitted(s string, width float64) string {
	s = plain(s)
	if w.width(s) <= width {
		return s
	}
	runes := []rune(s)
	for len(runes) > 1 {
		runes = runes[:len(runes)-1]
		if cut := strings.TrimSpace(string(runes)) + "…"; w.width(cut) <= width {
			return cut
		}
	}
	return "…"
}

// plain returns text without control characters and what is no text, on one line.
func plain(s string) string {
	return strings.Join(strings.Fields(strings.Map(func(r rune) rune {
		switch {
		case r < ' ', r >= 0x7f && r < 0xa0, r == '\uFFFD', r == '\u2028', r == '\u2029', r >= '\u202A' && r <= '\u202E', r >= '\u2066' && r <= '\u2069', r == '\uFFFE', r == '\uFFFF':
			return ' '
		}
		return r
	}, s)), " ")
}
