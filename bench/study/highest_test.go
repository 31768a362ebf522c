package study

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/benchtest"
	"quaybench/bench/variant"
)

// compared is how decisions of a search over draws compare with those of every run.
type compared struct {
	runs, most    int // simulated, and by every run
	values, wrong int // decisions whether enough draws are clear
	left, draws   int // decisions about one draw that were left to a fit, and how many of them are wrong
	untold        int // left to a fit though a run would have told nothing (the motor stands still), which no fit knows before a run meets it
}

// compareHighest asks about each value of the grid at several shares, by the fit and by every run, and says where they differ.
func compareHighest(t *testing.T, name string, set []string, key string, in []string, n int, seed uint64, shares ...float64) (out compared) {
	t.Helper()
	b, s, trials := given(t, name, in...)
	v := variant.Of(b, s)
	for _, text := range set {
		of, value, _ := strings.Cut(text, "=")
		var err error
		v, _, err = v.With(of, value)
		require.NoError(t, err)
	}
	list, err := tolerated(v.Boat)
	require.NoError(t, err)
	present, ok := v.Number(key)
	require.True(t, ok, key)
	low, high := v.Range(key)
	values := grid(low, high, present, 25)
	if sizes, _ := v.Series(key); sizes != nil {
		values = among(sizes, low, high, present)
	}
	j := newJudge(v, trials)
	low, high = j.permitted(v, key, values)
	every := newChance(v, key, list, trials, low, high, HighestOptions{Draws: n, Seed: seed, EveryRun: true})
	for _, share := range shares {
		every.share = share
		fitted := newChance(v, key, list, trials, low, high, HighestOptions{Draws: n, Seed: seed, Odds: share})
		for _, x := range values {
			at, err := v.WithNumber(key, x)
			if err != nil || j.refuses(at) {
				continue
			}
			want, err := every.clear(t.Context(), at, x)
			if err != nil {
				t.Logf("%s %s in %v at %g is not known: %v", name, key, in, x, err)
				continue
			}
			got, err := fitted.clear(t.Context(), at, x)
			require.NoError(t, err)
			if out.values++; want != got {
				out.wrong++
				t.Logf("%s %s in %v at %g, share %g: clear %v by every run", name, key, in, x, share, want)
			}
			for k, f := range fitted.window(x).fits {
				if f == nil || f.whole || fitted.known[x][k] == nil {
					continue
				}
				for i, off := range leftToFit(fitted, f, x, k) {
					out.left++
					if run := every.known[x][k][i]; run.failed != nil {
						out.untold++
						t.Logf("%s %s in %v at %g, draw %d: %v", name, key, in, x, i, run.failed)
					} else if every.trials[k].good(run) != (off <= 0) {
						out.draws++
						t.Logf("%s %s in %v at %g, draw %d: %g bands off by the fit, %+v", name, key, in, x, i, off, run)
					}
				}
			}
		}
		out.runs += fitted.runs
		out.most += n * len(trials) * fitted.values
	}
	return out
}

// leftToFit returns by how many bands the draws that a fit decides about lie beyond a threshold.
func leftToFit(c *chance, f *fit, x float64, k int) map[int]float64 {
	points, rest := make([][]float64, c.n), []int{}
	for i := range points {
		if points[i] = c.window(x).input(c.inputs[k][i], x); c.known[x][k][i] == nil {
			rest = append(rest, i)
		}
	}
	out := map[int]float64{}
	if len(rest) == 0 {
		return out
	}
	unsure, off := f.unsure(points, rest)
	for _, i := range rest {
		out[i] = off[i]
	}
	for _, i := range unsure {
		delete(out, i)
	}
	return out
}

// TestHighestDecidesAsAllRuns: whether enough draws are clear, at each value of a grid, and each draw that is left to the fit. The slow
// test takes more keys and trials.
func TestHighestDecidesAsAllRuns(t *testing.T) {
	benchtest.Computes(t)
	runs, most := 0, 0
	for _, k := range []struct{ boat, key, trials string }{
		{"petrel", "limits.motor_current", "hot-day"},
		{"bracken", "limits.motor_current", "hot-restart"},
	} {
		c := compareHighest(t, k.boat, nil, k.key, strings.Fields(k.trials), 30, 1, 0.9, 0.6)
		assert.Zero(t, c.wrong, "%+v: %+v", k, c)
		assert.Zero(t, c.draws, "%+v: %+v", k, c)
		assert.Zero(t, c.untold, "%+v: %+v", k, c)
		runs, most = runs+c.runs, most+c.most
	}
	assert.Less(t, runs, most*3/5)
}
