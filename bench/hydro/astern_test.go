package hydro

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// TestAMeasuredShareAsternIsMet: at the quay the propeller pulls astern what was measured; ahead nothing changes.
func TestAMeasuredShareAsternIsMet(t *testing.T) {
	s, err := NewBSeries(BSeries{Diameter: 0.4, Blades: 3, AreaRatio: 0.5, PitchRatio: 0.8})
	require.NoError(t, err)
	pull := func(s *Screw, n, va float64) float64 { thrust, _ := s.Loads(n, va, 1025); return thrust }
	t.Logf("the tests alone give %.2f", -pull(s, -10, 0)/pull(s, 10, 0))
	for _, share := range []float64{0.4, 0.55, 0.7, 0.75} {
		a, err := s.WithAstern(share)
		require.NoError(t, err)
		assert.InEpsilon(t, share, -pull(a, -10, 0)/pull(a, 10, 0), 1e-6)
		for _, va := range []float64{-2, 0, 1, 3} {
			assert.InDelta(t, pull(s, 10, va), pull(a, 10, va), 1e-3*math.Abs(pull(s, 10, va))+1e-9, "ahead at %g m/s", va)
			_, before := s.Loads(-10, va, 1025)
			_, after := a.Loads(-10, va, 1025)
			assert.InEpsilon(t, before, after, 1e-3, "torque at %g m/s", va)
		}
	}
	for _, share := range []float64{0, 0.05, 1.01, math.NaN()} {
		_, err := s.WithAstern(share)
		assert.Error(t, err, "%g", share)
	}
}

// TestScaledAsternStillDissipates, in every quadrant, and stays smooth where the shaft stands still.
func TestScaledAsternStillDissipates(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s, err := anyScrew.Draw(t, "screw").WithAstern(rapid.Float64Range(0.1, 1).Draw(t, "share"))
		if err != nil {
			return
		}
		for range 100 {
			beta := anyBeta.Draw(t, "beta")
			ct, cq := s.Star(beta)
			sin, cos := math.Sincos(beta)
			if lost := cq*cos/0.35 - ct*sin; lost < 0 {
				t.Fatalf("beta %.2f°: creates %g of the stream's power", beta*180/math.Pi, -lost)
			}
		}
		below, _ := s.Star(math.Pi/2 - 1e-4)
		above, _ := s.Star(math.Pi/2 + 1e-4)
		if math.Abs(above-below) > 1e-2 {
			t.Fatalf("thrust jumps from %g to %g at the locked shaft", below, above)
		}
	})
}
