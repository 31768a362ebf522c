package simulate

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/record"
)

// TestAPeakThatBeginsWithoutAValue: as a trace's, it is the worst value that there is, not none for ever, which passes no limit.
func TestAPeakThatBeginsWithoutAValue(t *testing.T) {
	for _, values := range [][]float64{{math.NaN(), 1, 3, 2}, {1, math.NaN(), 3, 2}, {1, 2, math.NaN()}} {
		part := record.Part{Name: "winding", Trace: "winding", Limit: 2.5}
		run := &record.Run{Time: []float64{0, 1, 2, 3}[:len(values)], Traces: []record.Trace{{Name: "winding", Values: values}}}
		want, at, err := run.Peak(part)
		require.NoError(t, err)
		w := sampler{sim: &simulation{workspace: new(workspace)}, row: make([]float64, 1), parts: []record.Part{part}, marks: []mark{{sign: 1, limit: part.Limit}}}
		w.peaks = []record.Peak{{Trace: "winding", Crossed: math.NaN()}}
		for i, v := range values {
			w.row[0] = v
			w.raise(run.Time[i])
			w.sim.times, w.sim.rows = append(w.sim.times, run.Time[i]), append(w.sim.rows, v)
		}
		assert.Equal(t, []float64{want, at}, []float64{w.peaks[0].Value, w.peaks[0].At}, "%v", values)
	}
}
