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
		{[]float64{1, 2, 3}, 1, 3},
		{[]float64{1, 2, 3, 4}, 0.25, 1.75}, // by hand: 0.25·3 = 0.75 of the way from 1 to 2
		{[]float64{7}, 0.975, 7},
		{[]float64{1, 2, inf}, 0.5, 2}, // what does not lie between them does not count
		{[]float64{1, 2, inf}, 0.9, inf},
		{[]float64{1, inf, inf}, 0.75, inf},
	} {
		assert.Equal(t, c.want, Quantile(c.sorted, c.p), "%v at %g", c.sorted, c.p)
	}
	assert.True(t, math.IsNaN(Quantile(nil, 0.5)))
}
