package record

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
)

func TestQuantile(t *testing.T) {
	inf := math.Inf(1)
	for _, c := range []struct {
		sorted  []float64
		p, want float64
	}{
		{[]float64{1, 2, 3}, 0.5, 2},
		{[]float64{1, 2, 3, 4}, 0.5, 2.5},
		{[]float64{1, 2, 3}, 1, 3},
		{[]float64{1, 2, 3, 4}, 0.25, 1}, // at 0.75: down
		{[]float64{1, 2, 3, 4}, 0.75, 4}, // at 2.25: up
		{[]float64{1, 2, 3, 4, 5}, 0.25, 2},
		{[]float64{7}, 0.975, 7},
		{[]float64{1, 2, inf}, 0.25, 1},
		{[]float64{1, 2, inf}, 0.9, inf},
		{[]float64{1, inf, inf}, 0.5, inf},
		{[]float64{inf, inf}, 0.5, inf},
	} {
		assert.Equal(t, c.want, Quantile(c.sorted, c.p), "%v at %g", c.sorted, c.p)
	}
	assert.True(t, math.IsNaN(Quantile(nil, 0.5)))
}
