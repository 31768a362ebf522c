package hydro

import (
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// An invented test of an invented propeller.
const openWaterText = `# yard launch, tank test
J, KT, 10KQ
0.0, 0.32, 0.39
0.2, 0.26, 0.33
0.4, 0.19, 0.26

0.6, 0.11, 0.17
0.8, 0.02, 0.08
`

func TestReadOpenWater(t *testing.T) {
	rows, err := ReadOpenWater(strings.NewReader(openWaterText))
	require.NoError(t, err)
	require.Len(t, rows, 5)
	assert.InDelta(t, 0.033, rows[1].KQ, 1e-15, "10KQ is divided by ten")
	s, err := NewOpenWater(OpenWater{Diameter: 0.4, Rows: rows})
	require.NoError(t, err)
	for _, r := range rows {
		assert.InDelta(t, r.KT, s.KT(r.J), 1e-12, "the rows themselves are met")
		assert.InDelta(t, r.KQ, s.KQ(r.J), 1e-12)
		thrust, torque := s.Loads(10, r.J*4, 1000)
		assert.InDelta(t, r.KT, thrust/(1000*100*math.Pow(0.4, 4)), 2e-4, "J %g", r.J)
		assert.InDelta(t, r.KQ, torque/(1000*100*math.Pow(0.4, 5)), 2e-5, "J %g", r.J)
	}
	for j := 0.0; j < 0.8; j += 0.01 {
		assert.Greater(t, s.KT(j), s.KT(j+0.01), "monotone between monotone rows")
	}
}

func TestOpenWaterErrorsNameTheRow(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	ok := OpenWaterRow{0, 0.3, 0.04}
	for _, c := range []struct {
		name string
		rows []OpenWaterRow
		row  int
		why  string
	}{
		{"empty", nil, 0, "0 rows"},
		{"one row", []OpenWaterRow{ok}, 0, "1 rows"},
		{"J falls", []OpenWaterRow{ok, {0.4, 0.2, 0.03}, {0.3, 0.2, 0.03}}, 3, "does not rise"},
		{"J repeats", []OpenWaterRow{ok, {0, 0.2, 0.03}}, 2, "does not rise"},
		{"NaN", []OpenWaterRow{ok, {0.4, nan, 0.03}}, 2, "finite"},
		{"infinite", []OpenWaterRow{{0, 0.3, inf}, ok}, 1, "finite"},
		{"J negative", []OpenWaterRow{{-0.1, 0.3, 0.04}, ok}, 1, "outside 0 to 5"},
		{"no thrust at first", []OpenWaterRow{{0, 0, 0.04}, {0.4, 0.2, 0.03}}, 1, "must drive"},
		{"10KQ taken for KQ wrongly", []OpenWaterRow{ok, {0.6, 0.2, 0.004}}, 2, "more power out than in"},
	} {
		_, err := NewOpenWater(OpenWater{Diameter: 0.4, Rows: c.rows})
		var bad *RowError
		if assert.ErrorAs(t, err, &bad, c.name) {
			assert.Equal(t, c.row, bad.Row, c.name)
			assert.ErrorContains(t, err, c.why, c.name)
		}
	}
	for _, c := range []struct {
		text string
		line int
	}{
		{"J,KT\n", 1}, {"J,KT,KQ,10KQ\n", 1}, {"0,0.3,0.04\n", 1},
		{"J,KT,KQ\n0,0.3\n", 2}, {"# a\n\nJ,KT,KQ\n0,0.3,x\n", 4},
	} {
		_, err := ReadOpenWater(strings.NewReader(c.text))
		var bad *RowError
		if assert.ErrorAs(t, err, &bad, "%q", c.text) {
			assert.Equal(t, c.line, bad.Row, "%q", c.text)
		}
	}
}

// Whatever the text: no panic; and a table that is accepted gives finite loads and makes
// no energy.
func FuzzOpenWater(f *testing.F) {
	f.Add(openWaterText, 0.4)
	f.Add("J,KT,KQ\n0,0.3,0.04\n1e-5,0.3,0.04\n", 1.0)
	f.Add("J,KT,KQ\n0.5,NaN,0.04\n", 0.1)
	f.Add("J,KT,KQ\n0,4,4\n5,-5,5\n", 0.1)
	f.Fuzz(func(t *testing.T, text string, diameter float64) {
		rows, err := ReadOpenWater(strings.NewReader(text))
		if err != nil {
			return
		}
		s, err := NewOpenWater(OpenWater{Diameter: diameter, Rows: rows})
		if err != nil {
			return
		}
		for beta := -math.Pi; beta <= math.Pi; beta += 0.01 {
			ct, cq := s.Star(beta)
			if !finite(ct, cq) {
				t.Fatalf("beta %g: %g %g", beta, ct, cq)
			}
		}
	})
}
