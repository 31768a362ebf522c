package study

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/benchtest"
	"quaybench/bench/boat"
	"quaybench/bench/settings"
	"quaybench/bench/trial"
)

// differences counts the decisions, draw by draw, trial by trial and part by part, in which the fit and all runs differ.
func differences(t *testing.T, fitted, all *drawn) (wrong, decisions int, where []string) {
	t.Helper()
	for k, a := range fitted.trials {
		used := fitted.fits[k].values(fitted.points, fitted.got[k], a.shares())
		for i := range fitted.n {
			r := all.got[k][i]
			require.NotNil(t, r)
			if r.failed != nil {
				continue
			}
			mine := fitted.got[k][i]
			if mine == nil {
				mine = fitted.fits[k].answers[0]
			}
			decisions++
			if mine.jump != r.jump {
				wrong++
				where = append(where, a.trial.Name+" "+mine.jump+" for "+r.jump)
			}
			for p := range a.parts {
				decisions++
				for _, limit := range a.limits(p) {
					if limit.passes(used.At(i, p)) != limit.passes(r.values[a.used(p)]) {
						wrong++
						where = append(where, a.trial.Name+" "+a.parts[p].Name)
					}
				}
			}
		}
	}
	return wrong, decisions, where
}

// both settles the same draws by a fit and by runs alone.
func both(t *testing.T, boat string, current float64, n int, seed uint64, change func(*drawn), trials ...string) (fitted, all *drawn) {
	t.Helper()
	b, s, list := given(t, boat, trials...)
	return bothOf(t, b, s, list, current, n, seed, change)
}

func bothOf(t *testing.T, b *boat.Boat, s settings.Set, list []*trial.Trial, current float64, n int, seed uint64, change func(*drawn)) (fitted, all *drawn) {
	t.Helper()
	var err error
	if current > 0 {
		s, err = s.WithNumber("limits.motor_current", current)
		require.NoError(t, err)
	}
	unknown, err := tolerated(b)
	require.NoError(t, err)
	for _, every := range []bool{false, true} {
		q := newDraws(b, unknown, s, list, notOver, n, seed)
		q.finished, q.everyRun = newCounter(nil, 0), every
		if change != nil {
			change(q)
		}
		require.NoError(t, q.settle(t.Context()))
		if every {
			all = q
		} else {
			fitted = q
		}
	}
	return fitted, all
}

// TestFitDecidesAsAllRuns is a sample of the slow test of the same name.
func TestFitDecidesAsAllRuns(t *testing.T) {
	benchtest.Computes(t)
	fitted, all := both(t, "petrel", 165, 400, 1, nil, "crash-stop")
	wrong, decisions, where := differences(t, fitted, all)
	assert.Zero(t, wrong, "%d decisions: %v", decisions, where)
	t.Log(fitted.made())
	assert.Less(t, fitted.made().Runs, all.made().Runs)
}

// TestAStoppedStudyCountsNoDrawThatWasChosen: what was simulated beyond the first draws lies near a limit, and is no fair sample; nothing is
// said of a fit that judged nothing.
func TestAStoppedStudyCountsNoDrawThatWasChosen(t *testing.T) {
	q := &drawn{n: 400, trials: []*asked{{trial: &trial.Trial{Name: "a"}}, {trial: &trial.Trial{Name: "b"}}}, fits: []*fit{{}, {}}}
	for k := range q.trials {
		q.got = append(q.got, make([]*answer, q.n))
		for i := range 10 + 5*k {
			q.got[k][i] = &answer{jump: "|"}
		}
		q.got[k][300] = &answer{jump: "fuse protecting|"} // asked for since it is near to opening
		q.fits[k].answers = q.got[k][:11+5*k]
	}
	o, err := q.odds(true)
	require.NoError(t, err)
	assert.Equal(t, 10, o.Runs)
	assert.Zero(t, o.Over.Value)
	assert.Equal(t, "10 draws, 27 runs", o.Made.String())
}
