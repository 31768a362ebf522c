//go:build slow

package measure_test

import (
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/link"
	"quaybench/bench/measure"
	"quaybench/bench/trial"
)

// TestALongNoisyRecordIsInferred: an hour and a quarter at two rows a second by meters that twitch round nothing take more steps than an integrator
// grants by itself, and are inferred all the same. Before, they ended as "something comes and goes there faster than can be followed".
func TestALongNoisyRecordIsInferred(t *testing.T) {
	b, s := demo(t, "petrel")
	low, err := trial.Builtin("low-battery")
	require.NoError(t, err)
	r := rand.New(rand.NewPCG(1, 2))
	result := &measure.Result{
		Channels: []link.Channel{{Name: link.Voltage, Unit: "V"}, {Name: link.BatteryCurrent, Unit: "A"}, {Name: link.MotorSpeed, Unit: "rad/s"}},
		Stop:     measure.Stop{Reason: measure.Finished},
	}
	for k := range 9000 {
		at := float64(k) / 2
		result.Samples = append(result.Samples, measure.Sample{At: at, Due: at, Since: at, Lever: 1, Values: []float64{
			43.2 + 0.05*r.NormFloat64(), 0.5 + 0.5*r.NormFloat64(), 3 + 0.05*r.NormFloat64(),
		}})
	}
	run, err := measure.Complete(t.Context(), b, s, low, result)
	require.NoError(t, err)
	assert.NotContains(t, run.LeftOut, "winding")
	_, shown := run.Trace("winding")
	assert.True(t, shown)
}
