package study

import (
	"context"
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/benchtest"
	"quaybench/bench/boat"
	"quaybench/bench/drive"
	"quaybench/bench/record"
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

// TestWhatMattersComesFromAllRuns: where a trial was simulated whole after all, its indices come from every run, and not from the fit to the first
// ones.
func TestWhatMattersComesFromAllRuns(t *testing.T) {
	a := &asked{trial: &trial.Trial{Name: "t"}, parts: []record.Part{{Name: "winding", Close: 0.9}}}
	q := &drawn{n: 600, list: make([]drive.Unknown, 3), points: pointsOf(600, 3, 1), trials: []*asked{a}, got: [][]*answer{make([]*answer, 600)}}
	f := &fit{inputs: 3, thresholds: a.thresholds, runs: func(_ context.Context, which []int) (out []*answer, _ error) {
		for _, i := range which {
			z := q.points[i]
			r := &answer{values: []float64{0.5 + 0.02*z[0] + 0.01*z[1] + 0.003*math.Sin(5*z[2]), 1, 0, 0, 0, 0}, jump: "|", parts: a.parts}
			if i >= 150 {
				r.jump = "fuse protecting|"
			}
			out = append(out, r)
		}
		return out, nil
	}}
	q.fits = []*fit{f}
	require.NoError(t, f.settle(t.Context(), q.points[:150], q.got[0][:150]))
	f.whole = true
	require.NoError(t, f.settle(t.Context(), q.points, q.got[0]))
	require.Len(t, f.answers, 600)
	first, ok := f.surface.indices(0)
	require.True(t, ok)
	o := Odds{Parts: []PartOdds{{Part: "winding", Trial: "t"}}}
	q.explain(&o)
	require.Len(t, o.Unknowns, 3)
	assert.Less(t, o.Unknowns[0].TotalError, 0.8*first[0].TotalError)
}
