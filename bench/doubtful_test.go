package bench

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"

	"quaybench/bench/link"
	"quaybench/bench/measure"
	"quaybench/bench/record"
)

// TestAReadingThatJumpsIsNamed: alone among others it is doubtful, however often it came; two in a row, what is a little beside, and what
// ended the test are not.
func TestAReadingThatJumpsIsNamed(t *testing.T) {
	p := &Prediction{Channels: []PredictedChannel{{Channel: link.SpeedOverGround, Unit: "m/s", Time: []float64{0, 100}, Low: []float64{-0.5, 0}, High: []float64{0.5, 3.5}}}}
	const kn = 1852.0 / 3600
	for _, c := range []struct {
		name   string
		values []float64 // one a second, each sampled twice
		want   []record.Event
	}{
		{"one of 42 kn", []float64{0.05, 0.05, 42 * kn, 0.05, 0.1}, []record.Event{{At: 2, Until: 2, Device: "readings", Count: 1,
			What: "doubtful: speed over ground was 21.6 m/s in one reading, 0.0500 m/s before it and 0.0500 m/s after it; -0.500 m/s to 3.50 m/s was predicted of the whole programme"}}},
		{"two, each alone", []float64{0, 30, 0, -9, 0}, []record.Event{{At: 1, Until: 3, Device: "readings", Count: 2,
			What: "doubtful: speed over ground was 30.0 m/s in one reading, 0 m/s before it and 0 m/s after it; -0.500 m/s to 3.50 m/s was predicted of the whole programme"}}},
		{"no reading between", []float64{0, math.NaN(), 30, math.NaN(), 0}, []record.Event{{At: 2, Until: 2, Device: "readings", Count: 1,
			What: "doubtful: speed over ground was 30.0 m/s in one reading, 0 m/s before it and 0 m/s after it; -0.500 m/s to 3.50 m/s was predicted of the whole programme"}}},
		{"a little beside", []float64{0, 5, 0, -2, 0}, nil},
		{"two in a row", []float64{0, 30, 30, 0}, nil},
		{"the last", []float64{0, 0, 30}, nil},
		{"none", nil, nil},
	} {
		m := &measure.Result{Channels: []link.Channel{{Name: link.Voltage}, {Name: link.SpeedOverGround}}}
		for i, v := range c.values {
			for half := range 2 {
				at := float64(i) + float64(half)/2
				m.Samples = append(m.Samples, measure.Sample{At: at, Values: []float64{1000 * at, v}, Times: []float64{at, float64(i)}})
			}
		}
		assert.Equal(t, c.want, p.doubtful(m), c.name)
	}
}
