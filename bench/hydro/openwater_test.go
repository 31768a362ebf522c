package hydro

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// The rows of an invented propeller are met, and between them nothing overshoots.
func TestOpenWaterMeetsItsRows(t *testing.T) {
	rows := []OpenWaterRow{{0, 0.32, 0.039}, {0.2, 0.26, 0.033}, {0.4, 0.19, 0.026}, {0.6, 0.11, 0.017}, {0.8, 0.02, 0.008}}
	s, err := NewOpenWater(OpenWater{Diameter: 0.4, Rows: rows})
	require.NoError(t, err)
	for _, r := range rows {
		assert.InDelta(t, r.KT, s.KT(r.J), 1e-12)
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
}

// Whatever the rows: no panic; and a table that is accepted gives finite loads.
func FuzzOpenWater(f *testing.F) {
	f.Add(0.0, 0.32, 0.039, 0.4, 0.19, 0.026, 0.8, 0.02, 0.008, 0.4)
	f.Add(0.0, 0.3, 0.04, 1e-5, 0.3, 0.04, 2e-5, 0.1, 0.04, 1.0)
	f.Add(0.5, math.NaN(), 0.04, 0.6, 0.1, 0.04, 0.7, 0.1, 0.04, 0.1)
	f.Add(0.0, 4.0, 4.0, 4.0, -4.0, 5.0, 5.0, -5.0, 5.0, 0.1)
	f.Fuzz(func(t *testing.T, j1, kt1, kq1, j2, kt2, kq2, j3, kt3, kq3, diameter float64) {
		s, err := NewOpenWater(OpenWater{Diameter: diameter, Rows: []OpenWaterRow{{j1, kt1, kq1}, {j2, kt2, kq2}, {j3, kt3, kq3}}})
		if err != nil {
			return
		}
		for beta := -math.Pi; beta <= math.Pi; beta += 0.01 {
			if ct, cq := s.Star(beta); !finite(ct, cq) {
				t.Fatalf("beta %g: %g %g", beta, ct, cq)
			}
		}
	})
}
