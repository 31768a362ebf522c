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
		amps                 []float64 // of a motor, through a controller for 400 A; nil: nobody knows
	}{
		{"it ran", []float64{0, 1}, []float64{0, 1}, []float64{0, 100}, verdict.Clear, nil},
		{"a derating left nothing of the current", []float64{0, 1}, []float64{0, 1}, []float64{0, 0.1}, verdict.NotJudged, nil},
		{"a latch left nothing of the demand", []float64{0, 1}, []float64{0, 0}, []float64{0, 0}, verdict.NotJudged, nil},
		{"astern too", []float64{0, -1}, []float64{0, 0}, []float64{0, 0}, verdict.NotJudged, nil},
		{"in the widest dead band", []float64{0, 0.4}, []float64{0, 0}, []float64{0, 0}, verdict.Clear, nil},
		{"nobody asked", []float64{0, 0}, []float64{0, 0}, []float64{0, 0}, verdict.Clear, nil},
		{"nobody knows the demand: a shaft that was held", []float64{0, 1}, nil, []float64{0, 0}, verdict.Clear, nil},
		{"a shaft that was held, with its current", []float64{0, 1}, nil, []float64{0, 0}, verdict.Clear, []float64{0, 100}},
		{"meters that saw nothing of what the lever asked for", []float64{0, 1}, nil, []float64{0, 0}, verdict.NotJudged, []float64{0, 1}},
		{"meters at rest", []float64{0, 0}, nil, []float64{0, 0}, verdict.Clear, []float64{0, 1}},
		{"meters of a motor that runs idle", []float64{0, 1}, nil, []float64{0, 100}, verdict.Clear, []float64{0, 1}},
		{"nobody knows the speed", []float64{0, 1}, []float64{0, 1}, nil, verdict.Clear, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := oneTrace(winding, 300, 310)
			stage := record.Part{Name: "power stage", Trace: "power stage", Unit: "A", Measure: record.Ceiling, Limit: 400, Close: 0.9, Current: "motor"}
			r.Parts = append(r.Parts, stage)
			r.Traces = append(r.Traces, record.Trace{Name: stage.Trace, Unit: "A", Values: []float64{0, 0}})
			for name, values := range map[string][]float64{record.Lever: c.lever, record.DemandTrace: c.demand, record.MotorSpeed: c.speed, record.MotorCurrent: c.amps} {
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
