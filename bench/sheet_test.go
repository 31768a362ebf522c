package bench

import (
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/record"
	"quaybench/bench/trial"
)

// TestSheetsHaveNoHoles: whoever fills in all of a sheet leaves no stretch of which a record would say that nobody saw it: of no built-in trial, and of none with holds
// of any length long enough to read in.
func TestSheetsHaveNoHoles(t *testing.T) {
	trials, err := AllTrials()
	require.NoError(t, err)
	rng := rand.New(rand.NewPCG(3, 0))
	for range 300 {
		k := &trial.Trial{Name: "random"}
		at := 20.0
		for range 2 + rng.IntN(30) {
			k.Throttle = append(k.Throttle, trial.Step{At: at, To: rng.Float64(), Over: 3 * rng.Float64()})
			at += 15 + []float64{10, 100, 3000}[rng.IntN(3)]*rng.Float64()
		}
		k.Duration = at
		trials = append(trials, k)
	}
	for _, k := range trials {
		at, _ := readingTimes(k)
		assert.Empty(t, record.Holes(at), "%s of %.0f s: %v", k.Name, k.Duration, at)
		assert.IsIncreasing(t, append([]float64{-1}, at...))
	}
}
