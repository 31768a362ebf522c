package verdict_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/record"
	"quaybench/bench/verdict"
)

// TestARunInWhichNothingMovedIsNotJudged: the lever asks for the motor, or the law does, and it stands still.
func TestARunInWhichNothingMovedIsNotJudged(t *testing.T) {
	winding := record.Part{Name: "winding", Trace: "winding", Unit: "°C", Measure: record.Temperature, Start: 300, Limit: 400, Close: 0.9, Current: "motor"}
	for _, c := range []struct {
		name                 string
		lever, demand, speed []float64 // nil: nobody knows
		level                verdict.Level
	}{
		{"it ran", []float64{0, 1}, []float64{0, 1}, []float64{0, 100}, verdict.Clear},
		{"a derating left nothing of the current", []float64{0, 1}, []float64{0, 1}, []float64{0, 0.1}, verdict.NotJudged},
		{"a latch left nothing of the demand", []float64{0, 1}, []float64{0, 0}, []float64{0, 0}, verdict.NotJudged},
		{"astern too", []float64{0, -1}, []float64{0, 0}, []float64{0, 0}, verdict.NotJudged},
		{"in the widest dead band", []float64{0, 0.4}, []float64{0, 0}, []float64{0, 0}, verdict.Clear},
		{"nobody asked", []float64{0, 0}, []float64{0, 0}, []float64{0, 0}, verdict.Clear},
		{"nobody knows the demand: a shaft that was held", []float64{0, 1}, nil, []float64{0, 0}, verdict.Clear},
		{"nobody knows the speed", []float64{0, 1}, []float64{0, 1}, nil, verdict.Clear},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := oneTrace(winding, 300, 310)
			for name, values := range map[string][]float64{record.Lever: c.lever, record.DemandTrace: c.demand, record.MotorSpeed: c.speed} {
				if values != nil {
					r.Traces = append(r.Traces, record.Trace{Name: name, Unit: "1", Values: values})
				}
			}
			j, err := verdict.Judge(r)
			require.NoError(t, err)
			assert.Equal(t, c.level.String(), j.Level.String())
		})
	}
}
