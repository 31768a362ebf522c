package record_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/record"
)

func TestUsedMarginAndWorsePerMeasure(t *testing.T) {
	winding := record.Part{Measure: record.Temperature, Start: 298.15, Limit: 428.15}
	fuse := record.Part{Measure: record.Melting, Limit: 1}
	stage := record.Part{Measure: record.Ceiling, Limit: 400}
	link := record.Part{Measure: record.Band, Start: 52, Limit: 75}
	cell := record.Part{Measure: record.Floor, Start: 3.3, Limit: 2.5}
	for _, c := range []struct {
		name                string
		part                record.Part
		value, used, margin float64
	}{
		{"a temperature at its surroundings", winding, 298.15, 0, 130},
		{"half of the rise allowed", winding, 363.15, 0.5, 65},
		{"at the limit", winding, 428.15, 1, 0},
		{"past the limit", winding, 441.15, 1.1, -13},
		{"a fuse half melted", fuse, 0.5, 0.5, 0.5},
		{"an open fuse", fuse, 1, 1, 0},
		{"a current against its ceiling", stage, 100, 0.25, 300},
		{"a voltage in its band", link, 63.5, 0.5, 11.5},
		{"a voltage below where it began", link, 40.5, -0.5, 34.5},
		{"a cell that sags", cell, 2.9, 0.5, 0.4},
		{"a cell below its floor", cell, 2.42, 1.1, -0.08},
		{"surroundings as hot as the limit", record.Part{Measure: record.Temperature, Start: 350, Limit: 350}, 350, math.Inf(1), 0},
		{"surroundings hotter than the limit, the part not", record.Part{Measure: record.Temperature, Start: 360, Limit: 350}, 340, 0, 10},
		{"a start below the floor", record.Part{Measure: record.Floor, Start: 2, Limit: 2.5}, 1.9, math.Inf(1), -0.6},
	} {
		t.Run(c.name, func(t *testing.T) {
			assert.InDelta(t, c.margin, c.part.Margin(c.value), 1e-9)
			if math.IsInf(c.used, 1) {
				assert.True(t, math.IsInf(c.part.Used(c.value), 1))
				return
			}
			assert.InDelta(t, c.used, c.part.Used(c.value), 1e-9)
		})
	}
	assert.True(t, winding.Worse(400, 399))
	assert.True(t, cell.Worse(2.6, 2.7), "of a floor the lower value is worse")
}

func TestAtPeakAndCrossing(t *testing.T) {
	r := run("winding", "°C", [2]float64{0, 300}, [2]float64{10, 320}, [2]float64{10, 330}, [2]float64{20, 310})
	tr, ok := r.Trace("winding")
	require.True(t, ok)
	for _, c := range []struct{ at, want float64 }{{-1, 300}, {0, 300}, {5, 310}, {10, 320}, {15, 320}, {20, 310}, {99, 310}} {
		assert.InDelta(t, c.want, r.At(tr, c.at), 1e-12, "at %g s", c.at)
	}
	hot := record.Part{Name: "winding", Trace: "winding", Limit: 315, Start: 300}
	v, at, err := r.Peak(hot)
	require.NoError(t, err)
	assert.Equal(t, 330.0, v)
	assert.Equal(t, 10.0, at)
	at, ok = r.Crossing(hot)
	require.True(t, ok)
	assert.InDelta(t, 7.5, at, 1e-12)

	hot.Limit = 290
	at, ok = r.Crossing(hot)
	require.True(t, ok)
	assert.Equal(t, 0.0, at, "past the limit from the start")
	hot.Limit = 330
	_, ok = r.Crossing(hot)
	assert.False(t, ok, "at the limit is not past it")

	low := record.Part{Name: "cell", Trace: "winding", Measure: record.Floor, Limit: 305, Start: 330}
	v, at, err = r.Peak(low)
	require.NoError(t, err)
	assert.Equal(t, 300.0, v, "of a floor the lowest value is the peak")
	assert.Equal(t, 0.0, at)

	_, _, err = r.Peak(record.Part{Name: "sink", Trace: "sink"})
	require.EqualError(t, err, `the run has no trace "sink", which part "sink" is judged by`)
	_, ok = r.Crossing(record.Part{Name: "sink", Trace: "sink"})
	assert.False(t, ok)
}
