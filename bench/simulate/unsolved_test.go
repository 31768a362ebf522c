package simulate_test

import (
	"errors"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/ode"
	"quaybench/bench/simulate"
	"quaybench/bench/trial"
	"quaybench/bench/verdict"
)

// TestCrossedThresholdsAreNamed: where a crossed derating makes a limit come and go without end the error says
// what the static rules say of it, and nothing of the solver's.
func TestCrossedThresholdsAreNamed(t *testing.T) {
	s := setup(t, "petrel")
	tr, err := trial.Builtin("full-throttle")
	require.NoError(t, err)
	crossed := s.Settings
	crossed.Derating.StageStart, crossed.Derating.StageEnd = tr.Air+6, tr.Air+5
	_, err = simulate.Run(t.Context(), s.Boat, crossed, tr, simulate.Options{})
	var unsolved *simulate.UnsolvedError
	require.ErrorAs(t, err, &unsolved)
	assert.Less(t, unsolved.At, tr.Duration)
	said := false
	for _, f := range verdict.Static(s.Boat, crossed) {
		if f.Rule == "derating-order" {
			said = true
			assert.Contains(t, err.Error(), f.Text)
			assert.Contains(t, err.Error(), f.Change.Key)
		}
	}
	assert.True(t, said, "the rule finds it too")
	assert.NotRegexp(t, solverWords, err.Error())
}

const solverWords = `(?i)ode:|maxsteps|step size|chatter|tolerance|derivative|jacobian|event "`

// TestTheSolversWordsStayInside: a person who fits out a boat reads none of them, whatever went wrong.
func TestTheSolversWordsStayInside(t *testing.T) {
	for _, cause := range []error{
		&ode.TooManyStepsError{T: 3, Steps: 100000}, &ode.StepSizeError{T: 3}, &ode.NonFiniteError{What: "derivative", T: 3},
		&ode.EventValueError{Name: "fuse", T: 3}, &ode.SuspectError{}, &simulate.ChatterError{Events: 20000, Until: 4}, errors.New("else"),
	} {
		err := &simulate.UnsolvedError{At: 3, Cause: cause}
		assert.NotRegexp(t, solverWords, err.Error())
		assert.Contains(t, err.Error(), "nothing can be computed beyond 3 s")
		assert.ErrorIs(t, err, cause)
	}
}
