package cvode

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
)

// TestSameEquations: both right-hand sides agree at states all over the trial's range, with and without electrical states.
func TestSameEquations(t *testing.T) {
	for _, electrical := range []bool{false, true} {
		c := newComparison(t, "two-hour-outing", electrical, 0, [3]float64{30, 20, 30})
		p := build(t, c)
		random := rand.New(rand.NewPCG(1, 2))
		between := func(low, high float64) float64 { return low + (high-low)*random.Float64() }
		const states = 5000
		var levers []float64
		var given, expected [][]float64
		for range states {
			y := c.begin()
			lever := between(-1, 1)
			y[0] = between(0.05, 1)
			y[3], y[4] = between(0, 0.4), between(0, 0.3)
			y[5], y[6] = between(-180, 180), between(-2, 3.3)
			y[8], y[9] = between(-1, 1), between(44, 58)
			y[10], y[11] = between(290, 366), between(290, 366)
			for i := 19; i < 19+c.fuses; i++ {
				y[i] = between(0, 0.4)
			}
			for i := 19 + c.fuses; i < 19+c.fuses+2*c.fosters; i++ {
				y[i] = between(0, 20)
			}
			at := 19 + c.fuses + 2*c.fosters
			for i := range c.names {
				y[at+i] = between(280, 400)
			}
			if electrical {
				at += len(c.names)
				y[at], y[at+1], y[at+2] = between(-150, 150), between(-50, 150), between(45, 56)
			}
			r := c.model.NewRun(func(float64) float64 { return lever })
			r.Mode.Released = true
			dy := make([]float64, len(y))
			r.Derivatives(0, y, dy)
			levers, given, expected = append(levers, lever), append(given, c.shared(y)), append(expected, c.shared(dy))
		}
		size := make([]float64, len(c.live))
		for _, dy := range expected {
			for k, v := range dy {
				size[k] = math.Max(size[k], math.Abs(v))
			}
		}
		worst, at := 0.0, 0
		for i, dy := range p.derivatives(t, levers, given) {
			for k, v := range dy {
				if d := math.Abs(v-expected[i][k]) / math.Max(size[k], 1e-12); !(d <= worst) {
					worst, at = d, k
				}
			}
		}
		t.Logf("electrical %v: %d states, largest difference %.2g of the derivative's range (state %d)", electrical, states, worst, at)
		require.Less(t, worst, 1e-9)
	}
}
