package learn_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/benchtest"
	"quaybench/bench/learn"
	"quaybench/bench/trial"
)

// TestTheTightestMarginIsOfAllTrials: where one of them cannot be simulated, the tightest of the others is no answer; the reason is.
func TestTheTightestMarginIsOfAllTrials(t *testing.T) {
	benchtest.Computes(t)
	b, s := benchtest.Boat(t, "petrel")
	harbour, err := trial.Builtin("harbour")
	require.NoError(t, err)
	other := *harbour
	other.Name, other.Duration = "elsewhere", -1
	_, err = learn.Tightest(t.Context(), b, s, []*trial.Trial{harbour, &other})
	assert.ErrorContains(t, err, `trial "elsewhere" lasts -1 s`)
	tight, err := learn.Tightest(t.Context(), b, s, []*trial.Trial{harbour})
	require.NoError(t, err)
	assert.Equal(t, "harbour", tight.Trial)
}
