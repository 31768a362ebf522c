package learn

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/drive"
	"quaybench/bench/trial"
)

// TestASlopeBesideABoatWithoutDrive: where a step one way makes a boat that drives no more, the margin's slope is that of the other way, not none, which would make
// its band too narrow; where neither way drives, it is unknown. The values are those of a campaign whose hull was wrong (seed 30114, campaign 4).
func TestASlopeBesideABoatWithoutDrive(t *testing.T) {
	b, s := petrel(t)
	filled := drive.Filled(b)
	p := &problem{boat: filled, settings: s, values: drive.Unknowns(filled)}
	edge := map[string]float64{"propeller.measured_boat_speed": 3.354, "hull.propulsive_efficiency": 1.249, "hull.speed_power": 2.5}
	hot, err := trial.Builtin("hot-day")
	require.NoError(t, err)
	slopes := func(beyond float64) (list []Margin, found []float64) {
		z := make([]float64, len(p.values))
		for j, u := range p.values {
			z[j] = edge[u.Key] * beyond
		}
		list, grads, err := p.margins(t.Context(), z, []*trial.Trial{hot}, 1)
		require.NoError(t, err)
		for j, u := range p.values {
			if _, ok := edge[u.Key]; ok && grads[0] != nil {
				found = append(found, grads[0][j])
			}
		}
		return list, found
	}
	_, found := slopes(1)
	require.Len(t, found, len(edge))
	for _, g := range found {
		assert.NotZero(t, g)
	}
	_, found = slopes(1.05)
	assert.Nil(t, found)
}
