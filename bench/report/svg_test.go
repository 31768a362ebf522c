package report

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"image/png"
	"io"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"quaybench/bench/record"
)

// skeleton returns the structure of a picture: elements in order with their classes, names and texts, and of lines how many points
// they have, to the power of two. Coordinates are left out: they hang on fonts and on the last digit of a simulation.
func skeleton(t testing.TB, text string) string {
	t.Helper()
	var out strings.Builder
	d := xml.NewDecoder(strings.NewReader(text))
	for {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			return out.String()
		}
		require.NoError(t, err, "the picture is no XML")
		switch k := token.(type) {
		case xml.StartElement:
			fmt.Fprintf(&out, "%s", k.Name.Local)
			for _, a := range k.Attr {
				switch a.Name.Local {
				case "class", "data-n", "data-u", "data-label", "data-unit", "data-per", "aria-label", "role":
					fmt.Fprintf(&out, " %s=%q", a.Name.Local, a.Value)
				case "points":
					n := strings.Count(a.Value, " ") + 1
					fmt.Fprintf(&out, " points=%d", 1<<int(math.Ceil(math.Log2(float64(n)))))
				}
			}
			out.WriteByte('\n')
		case xml.CharData:
			if s := strings.TrimSpace(string(k)); s != "" && !strings.Contains(s, "{") {
				fmt.Fprintf(&out, "  %s\n", s)
			}
		}
	}
}

func golden(t *testing.T, name, got string) {
	t.Helper()
	file := filepath.Join("testdata", name)
	if *update {
		require.NoError(t, os.WriteFile(file, []byte(got), 0o644))
	}
	want, err := os.ReadFile(file)
	require.NoError(t, err)
	assert.Equal(t, string(want), got, "run with -update where the difference is meant")
}

// TestRunCharts: the structure of the charts of a known run, wide and narrow.
func TestRunCharts(t *testing.T) {
	s := set(t)
	var wider, narrower strings.Builder
	for _, g := range newRunView(smallRun(), nil, &s).charts() {
		wider.WriteString(skeleton(t, svg(g, wide, "wide", "")))
		narrower.WriteString(skeleton(t, svg(g, narrow, "narrow", "")))
	}
	golden(t, "run-wide.golden", wider.String())
	golden(t, "run-narrow.golden", narrower.String())
}

// TestSheet: the structure of the files that --plot writes, of every kind of result.
func TestSheet(t *testing.T) {
	for name, p := range papers(t) {
		t.Run(name, func(t *testing.T) {
			sheet := p.Sheet()
			var out bytes.Buffer
			require.NoError(t, sheet.SVG(&out))
			text := skeleton(t, out.String())
			if name == "envelope" || name == "odds" || name == "highest" || name == "front" {
				golden(t, name+".golden", text)
			}
			for _, word := range []string{"NaN", "Inf"} {
				assert.NotContains(t, out.String(), word)
			}
		})
	}
}

// TestPNG: the picture has the size of the sheet, two pixels for each, the colours of its lines, and a white ground.
func TestPNG(t *testing.T) {
	sheet := papers(t)["step"].Sheet()
	sheet.Figures = sheet.Figures[:2]
	var out bytes.Buffer
	require.NoError(t, sheet.PNG(&out))
	img, err := png.Decode(&out)
	require.NoError(t, err)
	size := img.Bounds().Size()
	assert.Equal(t, int(2*sheet.width()), size.X)
	assert.Equal(t, int(2*sheet.height()), size.Y)
	found := map[[3]uint8]int{}
	for x := range size.X {
		for y := range size.Y {
			r, g, b, _ := img.At(x, y).RGBA()
			found[[3]uint8{uint8(r >> 8), uint8(g >> 8), uint8(b >> 8)}]++
		}
	}
	for _, k := range []ink{paper, text, grid, series0, series0 + 1} {
		r, g, b := rgb(palette[k].light)
		assert.Greater(t, found[[3]uint8{r, g, b}], 50, "ink %s", palette[k].class)
	}
}

// lineOf reads back the points of a named line of a picture, in the values of its axes.
func lineOf(t testing.TB, g Figure, width float64, name string) (x, y []float64) {
	t.Helper()
	d := xml.NewDecoder(strings.NewReader(svg(g, width, "", "")))
	scale := func(text string) func(float64) float64 {
		var from, to, low, high float64
		var kind string
		_, err := fmt.Sscan(text, &from, &to, &low, &high, &kind)
		require.NoError(t, err)
		if kind == "log" {
			return func(px float64) float64 { return low * math.Pow(high/low, (px-from)/(to-from)) }
		}
		return func(px float64) float64 { return low + (px-from)/(to-from)*(high-low) }
	}
	var across, up func(float64) float64
	for {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			return x, y
		}
		require.NoError(t, err)
		k, ok := token.(xml.StartElement)
		if !ok {
			continue
		}
		at := map[string]string{}
		for _, a := range k.Attr {
			at[a.Name.Local] = a.Value
		}
		if k.Name.Local == "svg" {
			across, up = scale(at["data-x"]), scale(at["data-y"])
		}
		if at["data-n"] != name {
			continue
		}
		for _, pair := range strings.Fields(at["points"]) {
			a, b, _ := strings.Cut(pair, ",")
			px, err := strconv.ParseFloat(a, 64)
			require.NoError(t, err)
			py, err := strconv.ParseFloat(b, 64)
			require.NoError(t, err)
			x, y = append(x, across(px)), append(y, up(py))
		}
	}
}

// TestPictureShowsTheData reads the drawn line back: its highest point is the record's, a single sample of many, within the
// tenth of a pixel that is written; so what the read-out tells is what was recorded.
func TestPictureShowsTheData(t *testing.T) {
	for _, width := range []float64{wide, narrow} {
		c := newRunView(smallRun(), nil, nil).charts()[1].(*Chart)
		x, y := lineOf(t, c, width, record.MotorCurrent)
		require.NotEmpty(t, x)
		best := 0
		for i := range y {
			if y[i] > y[best] {
				best = i
			}
		}
		_, axis := c.axes(6)
		pixel := (axis.High - axis.Low) / 150
		assert.InDelta(t, 333, y[best], 0.3*pixel)
		assert.InDelta(t, 30, x[best], 0.1)
	}
	rapid.Check(t, func(rt *rapid.T) {
		x, y := ragged(rt)
		var low, high float64 = math.Inf(1), math.Inf(-1)
		for _, v := range y {
			if finite(v) {
				low, high = min(low, v), max(high, v)
			}
		}
		if !(low < high) {
			return
		}
		c := &Chart{X: Axis{Label: "time", Time: true}, Y: Axis{Label: "any", Unit: "A"}, Series: []Series{{Name: "s", X: x, Y: y}}}
		_, drawn := lineOf(t, c, wide, "s")
		if len(drawn) == 0 {
			return // nothing but single samples between gaps: marks
		}
		_, axis := c.axes(6)
		top, bottom := math.Inf(-1), math.Inf(1)
		for _, v := range drawn {
			top, bottom = max(top, v), min(bottom, v)
		}
		alone := 0.0 // a lone sample between gaps is a mark, no line
		for i := range y {
			if finite(y[i]) && (i == 0 || !finite(y[i-1])) && (i == len(y)-1 || !finite(y[i+1])) {
				alone = math.Inf(1)
			}
		}
		pixel := (axis.High - axis.Low) / 120
		assert.LessOrEqual(t, math.Abs(top-high), 0.3*pixel+alone)
		assert.LessOrEqual(t, math.Abs(bottom-low), 0.3*pixel+alone)
	})
}

// TestEveryLimitIsNamed: whatever the data and wherever the limits, each is named, in the plot or above it, and the words in the
// plot lie in it, beside each other, and on no line of data.
func TestEveryLimitIsNamed(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x, y := ragged(t)
		c := &Chart{X: Axis{Label: "time", Time: true}, Y: Axis{Label: "any", Unit: "A"}, Series: []Series{{Name: "s", X: x, Y: y}}}
		for i := range rapid.IntRange(1, 7).Draw(t, "limits") {
			c.Limits = append(c.Limits, Limit{At: rapid.Float64Range(-100, 100).Draw(t, "at"), Name: fmt.Sprintf("limit%d", i), Value: "x", Far: rapid.Bool().Draw(t, "far")})
		}
		for _, width := range []float64{wide, narrow} {
			var p svgPen
			f := c.draw(&p, width, c.height(), width == narrow)
			for _, l := range c.Limits {
				assert.Contains(t, p.out.String(), l.Name)
			}
			for i, a := range f.taken {
				assert.True(t, a.left >= f.left && a.right <= f.right && a.top >= f.top-1 && a.bottom <= f.bottom+3.1, "%v in %v", a, f)
				for _, line := range f.drawn {
					for k := 1; k < len(line); k++ {
						if from, to, hit := cut(line[k-1], line[k], &a); hit {
							assert.InDelta(t, 0, math.Hypot(to.x-from.x, to.y-from.y), 1e-6, "a label hides a line")
						}
					}
				}
				for _, b := range f.taken[:i] {
					assert.False(t, a.left < b.right && b.left < a.right && a.top < b.bottom && b.top < a.bottom, "two labels")
				}
			}
		}
	})
}

// TestNothingOutOfLimitsGoesWithoutAPicture: every part that is close or over has a chart with its limit, whatever it is called.
func TestNothingOutOfLimitsGoesWithoutAPicture(t *testing.T) {
	r := smallRun()
	for _, name := range []string{"strange part", "lowest cell", "fuse", "demagnetisation"} {
		r.Traces = append(r.Traces, record.Trace{Name: name, Unit: "%", Values: r.Traces[0].Values})
		r.Parts = append(r.Parts, record.Part{Name: name, Trace: name, Unit: "%", Limit: 0.5, Measure: record.Ceiling, Close: 0.9})
	}
	shown := map[string]bool{}
	for _, g := range newRunView(r, nil, nil).charts() {
		c := g.(*Chart)
		for _, s := range c.Series {
			shown[s.Name] = true
		}
	}
	for _, p := range r.Parts[1:] {
		assert.True(t, shown[p.Name], "%s is over and has no chart", p.Name)
	}
}

// TestCurrentsAreNamed: where a current is drawn the chart says whether it is battery or motor current.
func TestCurrentsAreNamed(t *testing.T) {
	for name, p := range papers(t) {
		for _, g := range p.Sheet().Figures {
			c, ok := g.(*Chart)
			if !ok {
				continue
			}
			said := strings.ToLower(c.Title + c.X.Label + c.Y.Label)
			for _, a := range []Axis{c.X, c.Y} {
				if a.Unit != "A" {
					continue
				}
				for _, s := range c.Series {
					said += strings.ToLower(s.Name)
				}
				assert.True(t, strings.Contains(said, "motor") || strings.Contains(said, "battery"), "%s: %s", name, c.Title)
			}
			if a := c.Y; a.Unit != "" || !a.Time {
				assert.NotEmpty(t, a.Label, "%s: %s", name, c.Title)
			}
		}
	}
}
