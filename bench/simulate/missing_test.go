package simulate_test

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"quaybench/bench/boat"
	"quaybench/bench/settings"
	"quaybench/bench/simulate"
	"quaybench/bench/trial"
)

// A script may leave out what a simulation needs; in a study a panic of it would end the process.
func TestRunSaysWhatIsMissing(t *testing.T) {
	_, err := simulate.Run(t.Context(), nil, settings.Set{}, &trial.Trial{}, simulate.Options{})
	assert.ErrorContains(t, err, "there is no boat to simulate")
	_, err = simulate.Run(t.Context(), &boat.Boat{}, settings.Set{}, nil, simulate.Options{})
	assert.ErrorContains(t, err, "there is no trial to simulate")
	_, err = simulate.Run(t.Context(), &boat.Boat{}, settings.Set{}, &trial.Trial{Name: "back", Duration: -1}, simulate.Options{})
	assert.ErrorContains(t, err, `trial "back" lasts -1 s`)
}
