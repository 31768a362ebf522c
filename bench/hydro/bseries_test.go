package hydro

import (
	"encoding/csv"
	"math"
	"os"
	"quaybench/bench/root"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// table reads a CSV of testdata, header left out.
func table(t testing.TB, name string) [][]string {
	t.Helper()
	text, err := os.ReadFile("testdata/" + name)
	require.NoError(t, err)
	rows, err := csv.NewReader(strings.NewReader(string(text))).ReadAll()
	require.NoError(t, err)
	return rows[1:]
}

// B-01, B-02: Oosterveld and van Oossanen 1975; Bernitsas, Ray and Kinley, Univ. Michigan
// Report 237, 1981. Status: confirmed (counts; and the terms on which copies disagree,
// checks.md D1-D3).
func TestBSeriesTerms(t *testing.T) {
	set := bseriesTerms()
	assert.Len(t, set.kt, 39)
	assert.Len(t, set.kq, 47)
	assert.Len(t, set.reynoldsKT, 9)
	assert.Len(t, set.reynoldsKQ, 13)
	assert.Contains(t, set.kq, term{0.00110903, 3, 3, 0, 1, 0}, "D1")
	assert.Contains(t, set.kq, term{0.000112451, 3, 2, 0, 2, 0}, "D2")
	assert.Contains(t, set.kq, term{-0.0000297228, 3, 6, 0, 2, 0}, "D2")
	assert.Contains(t, set.kt, term{-0.00163652, 1, 2, 0, 2, 0}, "D2")
	assert.Contains(t, set.reynoldsKT, term{-0.0000276305, 2, 0, 1, 1, 2}, "D3")
	assert.Contains(t, set.reynoldsKT, term{0.0000032049, 1, 3, 1, 2, 1}, "D3")
}

func TestBSeriesPoints(t *testing.T) {
	b455 := BSeries{Diameter: 0.35, Blades: 4, AreaRatio: 0.55, PitchRatio: 1}
	b470 := BSeries{Diameter: 1, Blades: 4, AreaRatio: 0.70, PitchRatio: 1}
	b350 := BSeries{Diameter: 1, Blades: 3, AreaRatio: 0.50, PitchRatio: 0.8}
	b440 := BSeries{Diameter: 1, Blades: 4, AreaRatio: 0.40, PitchRatio: 0.7}
	merit := func(b BSeries) float64 { // bollard figure of merit
		p := b.polynomials()
		return math.Pow(p.KT(0), 1.5) / (2 * math.Pi * p.KQ(0) * math.Sqrt(math.Pi/2))
	}
	for _, c := range []struct {
		row, source, status string
		got, want, within   float64
	}{
		{"B-06 KT", "B-01", "computed", b455.polynomials().KT(0.6), 0.224096, 1e-6},
		{"B-06 KQ", "B-01", "computed", b455.polynomials().KQ(0.6), 0.0365689, 1e-7},
		{"B-09 KT", "Report 237, Figure 41", "confirmed", b470.polynomials().KT(0.5), 0.27103, 2e-5},
		{"B-09 KQ", "B-01", "computed", b470.polynomials().KQ(0.5), 0.0434326, 1e-7},
		{"B-16 B4-70", "momentum theory", "computed", merit(b470), 0.5766, 1e-4},
		{"B-16 B3-50", "momentum theory", "computed", merit(b350), 0.5974, 1e-4},
		{"B-16 B4-40", "momentum theory", "computed", merit(b440), 0.6507, 1e-4},
	} {
		assert.InDelta(t, c.want, c.got, c.within, "%s (%s, %s)", c.row, c.source, c.status)
	}
}

// B-03, B-04: the Reynolds correction for J 0.6, P/D 1, AE/A0 0.55, Z 4. B-03 is a
// property (the regression stands for Rn 2e6), B-04 computed from the table.
func TestBSeriesReynolds(t *testing.T) {
	b := BSeries{Diameter: 1, Blades: 4, AreaRatio: 0.55, PitchRatio: 1}
	plain := b.polynomials()
	at := func(rn float64) (dkt, dkq float64) {
		b.Reynolds = rn
		p := b.polynomials()
		return p.KT(0.6) - plain.KT(0.6), p.KQ(0.6) - plain.KQ(0.6)
	}
	dkt, dkq := at(regressionReynolds * (1 + 1e-9))
	assert.InDelta(t, 1.7e-5, dkt, 5e-6, "B-03: almost nothing at Rn 2e6")
	assert.InDelta(t, -2.1e-6, dkq, 5e-7, "B-03")
	dkt, dkq = at(2e7)
	assert.InDelta(t, 0.000511, dkt, 1e-6, "B-04")
	assert.InDelta(t, -0.000876, dkq, 1e-6, "B-04")
}

// B-05: over 324 propellers KQ > 0 wherever KT > 0 and the efficiency peaks below 0.80.
// Status: physics.
func TestBSeriesIsPhysical(t *testing.T) {
	count := 0
	for z := 3; z <= 5; z++ {
		for area := 0.30; area < 1.06; area += 0.75 / 8 {
			for pitch := 0.5; pitch < 1.41; pitch += 0.9 / 11 {
				p := BSeries{Diameter: 1, Blades: z, AreaRatio: area, PitchRatio: pitch}.polynomials()
				count++
				peak := 0.0
				for j := 0.0; p.KT(j) > 0; j += 0.005 {
					require.Positive(t, p.KQ(j), "Z %d AE/A0 %g P/D %g J %g", z, area, pitch, j)
					peak = math.Max(peak, j*p.KT(j)/(2*math.Pi*p.KQ(j)))
				}
				require.Less(t, peak, 0.80, "Z %d AE/A0 %g P/D %g", z, area, pitch)
			}
		}
	}
	assert.Equal(t, 324, count)
}

// B-06, computed from the coefficient files (a regression grid, no outside proof).
func TestBSeriesRegressionGrid(t *testing.T) {
	for _, row := range table(t, "bseries_grid_regression.csv") {
		v := numbers(row)
		p := BSeries{Diameter: 1, Blades: int(v[0]), AreaRatio: v[1], PitchRatio: v[2]}.polynomials()
		assert.InDelta(t, v[4], p.KT(v[3]), 1e-6, "KT of %v", row)
		assert.InDelta(t, v[5], p.KQ(v[3]), 1e-7, "KQ of %v", row)
	}
}

// B-10: Holtrop and Mennen 1982, section 5: D 8 m, Z 4, AE/A0 0.7393, n 1.6594 Hz,
// va 9.538 m/s, T 2172.75 kN. Printed KT 0.18802, KQ 0.033275, efficiency 0.6461. Status:
// memory for the propeller part. The paper does not print the pitch in our copy: it is
// solved from KT, so only KQ and the efficiency are proof.
func TestHoltropPropeller(t *testing.T) {
	const n, va, d = 1.6594, 9.538, 8.0
	j := va / (n * d)
	assert.InDelta(t, 0.7185, j, 1e-4)
	kt := 2172750 / (1025 * n * n * math.Pow(d, 4))
	assert.InEpsilon(t, 0.18802, kt, 0.005, "KT")
	b := BSeries{Diameter: d, Blades: 4, AreaRatio: 0.7393}
	b.PitchRatio = root.Zero(0.5, 1.4, func(p float64) float64 {
		b.PitchRatio = p
		return b.polynomials().KT(j) - kt
	})
	p := b.polynomials()
	assert.InEpsilon(t, 0.033275, p.KQ(j), 0.01, "KQ at P/D %.4f", b.PitchRatio)
	assert.InEpsilon(t, 0.6461, j*kt/(2*math.Pi*p.KQ(j)), 0.01, "efficiency")
}

func TestBSeriesRefusesWhatTheSeriesDoesNotHold(t *testing.T) {
	good := BSeries{Diameter: 0.35, Blades: 3, AreaRatio: 0.5, PitchRatio: 0.8}
	for name, spoil := range map[string]func(*BSeries){
		"number of blades":        func(b *BSeries) { b.Blades = 8 },
		"blade area ratio":        func(b *BSeries) { b.AreaRatio = 0.2 },
		"pitch over diameter":     func(b *BSeries) { b.PitchRatio = 1.5 },
		"propeller diameter in m": func(b *BSeries) { b.Diameter = math.NaN() },
		"Reynolds number":         func(b *BSeries) { b.Reynolds = 1e6 },
	} {
		b := good
		spoil(&b)
		_, err := NewBSeries(b)
		var out *RangeError
		if assert.ErrorAs(t, err, &out, name) {
			assert.Equal(t, name, out.Name)
		}
	}
	_, err := NewBSeries(good)
	assert.NoError(t, err)
}
