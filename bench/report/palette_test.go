package report

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
)

// luminance returns the relative luminance of WCAG 2.2.
func luminance(hex string) float64 {
	part := func(c uint8) float64 {
		v := float64(c) / 255
		if v <= 0.04045 {
			return v / 12.92
		}
		return math.Pow((v+0.055)/1.055, 2.4)
	}
	r, g, b := rgb(hex)
	return 0.2126*part(r) + 0.7152*part(g) + 0.0722*part(b)
}

// contrast returns the contrast ratio of WCAG 2.2.
func contrast(a, b string) float64 {
	x, y := luminance(a), luminance(b)
	return (max(x, y) + 0.05) / (min(x, y) + 0.05)
}

// TestContrast: writing has 4.5:1 or more against its ground (WCAG 2.2, 1.4.3), lines of data 3:1 or more (1.4.11), on white and on
// dark screens. Two ratios that WCAG's own documents state hold the formula.
func TestContrast(t *testing.T) {
	assert.InDelta(t, 21, contrast("#000000", "#ffffff"), 1e-9)
	assert.InDelta(t, 4.48, contrast("#777777", "#ffffff"), 0.005, "the grey that just fails")
	for _, shade := range []struct {
		name string
		of   func(i int) string
	}{{"light", func(i int) string { return palette[i].light }}, {"dark", func(i int) string { return palette[i].dark }}} {
		ground := shade.of(int(paper))
		for _, i := range []ink{text, faint} {
			assert.GreaterOrEqual(t, contrast(shade.of(int(i)), ground), 4.5, "%s: %s", shade.name, palette[i].class)
		}
		for i := range inks {
			assert.GreaterOrEqual(t, contrast(shade.of(int(series0)+i), ground), 3.0, "%s: %s", shade.name, palette[int(series0)+i].class)
		}
	}
}

// TestSeriesDifferWithoutColour: the first six series of a chart differ in dash or mark, so that grey paper tells them apart.
func TestSeriesDifferWithoutColour(t *testing.T) {
	c := &Chart{}
	seen := map[int]bool{}
	for i := range 6 {
		c.Series = append(c.Series, Series{})
		k, n := c.style(i)
		assert.False(t, seen[k.dash], "dash of series %d", i)
		seen[k.dash] = true
		assert.Equal(t, i, n%6, "mark of series %d", i)
	}
}

// TestPaletteIsPublished holds the light inks against the table of Okabe and Ito (RGB 0–255).
func TestPaletteIsPublished(t *testing.T) {
	for i, want := range [][3]uint8{{0, 114, 178}, {213, 94, 0}, {0, 0, 0}, {0, 158, 115}, {204, 121, 167}} {
		r, g, b := rgb(palette[int(series0)+i].light)
		assert.Equal(t, want, [3]uint8{r, g, b})
	}
}
