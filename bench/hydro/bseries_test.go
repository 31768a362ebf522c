package hydro

import (
	"os"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// B-06, computed from the coefficient files (a regression grid, no outside proof).
func TestBSeriesRegressionGrid(t *testing.T) {
	text, err := os.ReadFile("testdata/bseries_grid_regression.csv")
	require.NoError(t, err)
	for _, row := range embedded(string(text)) {
		v := numbers(row)
		p := BSeries{Diameter: 1, Blades: int(v[0]), AreaRatio: v[1], PitchRatio: v[2]}.polynomials()
		assert.InDelta(t, v[4], p.KT(v[3]), 1e-6, "KT of %v", row)
		assert.InDelta(t, v[5], p.KQ(v[3]), 1e-7, "KQ of %v", row)
	}
}
