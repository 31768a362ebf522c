package drive

import (
	"testing"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/interp"
)

// TestHermiteIsGonumsCurve at its points, between and beyond them.
func TestHermiteIsGonumsCurve(t *testing.T) {
	for name, table := range chemistryOCV {
		xs, ys := columns(table)
		var want interp.FritschButland
		var got hermite
		require.NoError(t, want.Fit(xs, ys))
		require.NoError(t, got.Fit(xs, ys))
		for x := -0.1; x < 1.1; x += 1.0 / 512 {
			require.InDelta(t, want.Predict(x), got.Predict(x), 1e-13, "%s at %g", name, x)
			require.InDelta(t, want.PredictDerivative(x), got.PredictDerivative(x), 1e-10, "%s, slope at %g", name, x)
		}
	}
}
