package thermal_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/thermal"
)

func TestLifeUsedIsTheIntegralOfTheRate(t *testing.T) {
	// An hour at the class temperature, then up by 40 K in ten minutes, in one
	// stretch or in many.
	times := []float64{0, 3600, 4200}
	temperatures := []float64{428.15, 428.15, 468.15}
	var fine float64
	const parts = 1e5
	for i := range int(parts) {
		T := 428.15 + 40*(float64(i)+0.5)/parts
		fine += thermal.AgeingRate(T, 428.15, thermal.Halving) * 600 / parts
	}
	assert.InEpsilon(t, 3600+fine, thermal.LifeUsed(times, temperatures, 428.15, thermal.Halving), 1e-6)
}

func TestUnknownInsulationIsRefused(t *testing.T) {
	_, err := thermal.Insulation("X")
	var unknown *thermal.UnknownInsulationError
	require.ErrorAs(t, err, &unknown)
	assert.ErrorContains(t, err, "use one of Y A E B F H N")
}
