//go:build slow

package study

import (
	"fmt"
	"math"
	"os"
	"slices"
	"strconv"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/boat"
	"quaybench/bench/drive"
	"quaybench/bench/settings"
	"quaybench/bench/trial"
)

// env returns a number from the environment: slow tests take how many draws and seeds from there.
func env(name string, fallback int) int {
	if n, err := strconv.Atoi(os.Getenv(name)); err == nil {
		return n
	}
	return fallback
}

// TestSlowFitDecidesAsAllRuns: each decision draw × part × trial is that of all runs, at most 1 in 100,000 apart: every built-in
// trial at three currents, both demo boats, three seeds. FIT_DRAWS and FIT_SEEDS take another size.
func TestSlowFitDecidesAsAllRuns(t *testing.T) {
	n, seeds, first := env("FIT_DRAWS", 2000), env("FIT_SEEDS", 3), env("FIT_SEED", 1)
	wrong, decisions, runs, most := 0, 0, 0, 0
	for _, boat := range []string{"petrel", "bracken"} {
		_, s, _ := given(t, boat)
		for _, share := range []float64{0.9, 1.2, 1.6} {
			for seed := range seeds {
				for _, name := range trial.Names() {
					fitted, all := both(t, boat, math.Round(share*s.Limits.MotorCurrent), n, uint64(first+seed), nil, name)
					w, d, where := differences(t, fitted, all)
					wrong, decisions, runs, most = wrong+w, decisions+d, runs+fitted.made().Runs, most+n
					t.Logf("%s %s x%g seed %d: %v; wrong %d %v", boat, name, share, first+seed, fitted.made(), w, where)
				}
			}
		}
	}
	t.Logf("%d of %d decisions wrong; %d runs for %d", wrong, decisions, runs, most)
	assert.LessOrEqual(t, wrong, decisions/100000)
}

func TestSlowFitStandsManyUnknowns(t *testing.T) { manyUnknowns(t, 5, 0.9, 0.97, 1.01, 1.05) }

// TestSlowHundredTwentyOnABoat: a launch with twelve more joints has more than 120 unknowns; the fit decides as all runs do.
func TestSlowHundredTwentyOnABoat(t *testing.T) {
	n, wrong, decisions := env("FIT_DRAWS", 2000), 0, 0
	for _, share := range []float64{1, 1.2, 1.5} {
		b, s, list := given(t, "petrel", "full-throttle", "hot-restart", "crash-stop")
		for i := range 12 {
			j := b.Joints[i%3]
			j.Name = fmt.Sprintf("%s %d", j.Name, i)
			b.Joints = append(b.Joints, j)
		}
		require.Greater(t, len(drive.Unknowns(b)), 120)
		fitted, all := bothOf(t, b, s, list, math.Round(share*s.Limits.MotorCurrent), n, 7, nil)
		w, d, where := differences(t, fitted, all)
		wrong, decisions = wrong+w, decisions+d
		t.Logf("%d unknowns x%g: %v; wrong %d %v", len(fitted.list), share, fitted.made(), w, where)
	}
	t.Logf("%d of %d decisions wrong", wrong, decisions)
	assert.LessOrEqual(t, wrong, decisions/100000)
}

// TestSlowRareOpenings: a management whose cell voltage limit is swept so that it opens in one of 600 draws up to all: the same
// draws as with all runs.
func TestSlowRareOpenings(t *testing.T) {
	var lows []float64
	for low := 3.194; low < 3.206; low += 0.001 { // none to a few
		lows = append(lows, low)
	}
	for low := 3.21; low < 3.29; low += 0.01 {
		lows = append(lows, low)
	}
	for _, low := range lows {
		change := func(q *drawn) {
			b := *q.boat
			m := *b.Battery.Management
			m.CellLow.SI = low
			b.Battery.Management = &m
			q.boat = &b
		}
		fitted, all := both(t, "petrel", 165, 600, 1, change, "full-throttle", "hot-restart")
		w, _, where := differences(t, fitted, all)
		opens := 0
		for i := range all.n {
			if opened(all.got[1][i].jump, "management") || opened(all.got[0][i].jump, "management") {
				opens++
			}
		}
		t.Logf("%.4f V: opens in %d of 600; %v", low, opens, fitted.made())
		assert.Zero(t, w, "%.4f V: %v", low, where)
	}
}

// TestSlowMovedLimits: with the limits moved to the 50, 80, 95, 99 % quantile of what each part uses, at most 0.01 % of the
// decisions that are left to the fit are wrong.
func TestSlowMovedLimits(t *testing.T) {
	n := env("FIT_DRAWS", 2000)
	wrong, left := 0, 0
	for boat, current := range map[string]float64{"petrel": 165, "bracken": 240} {
		for _, name := range []string{"full-throttle", "crash-stop", "hot-day", "hot-restart", "two-hour-outing"} {
			_, all := both(t, boat, current, n, 1, nil, name)
			a := all.trials[0]
			for p := range a.parts {
				values := make([]float64, n)
				for i, r := range all.got[0] {
					values[i] = r.values[a.used(p)]
				}
				ordered := slices.Sorted(slices.Values(values))
				if ordered[n-1]-ordered[0] < 1e-6 {
					continue
				}
				for _, share := range []float64{0.5, 0.8, 0.95, 0.99} {
					limit := threshold{response: a.used(p), at: ordered[int(share*float64(n-1))]}
					f := &fit{inputs: len(all.list), thresholds: func([]*answer) []threshold { return []threshold{limit} }}
					got := make([]*answer, n)
					// One surface from the first runs, as of a study whose first batch is all it takes.
					for i := range firstRuns(f.inputs) {
						got[i] = all.got[0][i]
						f.rows, f.answers = append(f.rows, all.points[i]), append(f.answers, got[i])
					}
					f.decided = f.thresholds(nil)
					f.refit()
					var rest []int
					for i := range got {
						if got[i] == nil {
							rest = append(rest, i)
						}
					}
					unsure, _ := f.unsure(all.points, rest)
					fitted := f.values(all.points, got, []int{limit.response})
					for _, i := range rest {
						if slices.Contains(unsure, i) {
							continue
						}
						left++
						if limit.passes(fitted.At(i, 0)) != limit.passes(values[i]) {
							wrong++
						}
					}
				}
			}
		}
	}
	t.Logf("%d of %d decisions left to the fit are wrong", wrong, left)
	require.Positive(t, left)
	assert.LessOrEqual(t, float64(wrong), 1e-4*float64(left))
}

// TestSlowOrderOverSeeds: over ten seeds two unknowns whose intervals do not overlap never change places, and totals add up to one or
// more.
func TestSlowOrderOverSeeds(t *testing.T) {
	for _, boat := range []string{"petrel", "bracken"} {
		b, s, trials := given(t, boat, "hot-restart")
		var odds []Odds
		for seed := range uint64(10) {
			o, err := FindOdds(t.Context(), b, s, trials, OddsOptions{Draws: 600, Seed: seed})
			require.NoError(t, err)
			require.NotEmpty(t, o.Unknowns, o.Withheld)
			sum := 0.0
			for _, u := range o.Unknowns {
				sum += u.Total
			}
			assert.GreaterOrEqual(t, sum, 1-1e-9)
			odds = append(odds, o)
			t.Logf("%s seed %d: %s %.3f ± %.3f, %s %.3f ± %.3f; %v", boat, seed, o.Unknowns[0].Key, o.Unknowns[0].Total, o.Unknowns[0].TotalError, o.Unknowns[1].Key, o.Unknowns[1].Total, o.Unknowns[1].TotalError, o.Made)
		}
		apart := 0
		for _, o := range odds {
			total := map[string]Indices{}
			for _, u := range o.Unknowns {
				total[u.Key] = u.Indices
			}
			for _, other := range odds {
				for i, u := range other.Unknowns {
					for _, v := range other.Unknowns[i+1:] {
						a, c := total[u.Key], total[v.Key]
						if u.Total-u.TotalError > v.Total+v.TotalError && math.Abs(a.Total-c.Total) > a.TotalError+c.TotalError {
							apart++
							assert.Greater(t, a.Total, c.Total, "%s before %s", u.Key, v.Key)
						}
					}
				}
			}
		}
		assert.Positive(t, apart)
		t.Logf("%s: %d pairs apart", boat, apart)
	}
}

// TestSlowFitFindsWhatNoneOfItsFirstRunsShows is the test of nearly the same name where it takes more and longer runs.
func TestSlowFitFindsWhatNoneOfItsFirstRunsShows(t *testing.T) {
	for _, c := range []rare{
		{"the bank runs empty and its management opens", func(b *boat.Boat, s *settings.Set) {
			b.Battery.Capacity.Tolerance = 0.3 * b.Battery.Capacity.SI
			s.LowVoltage = settings.LowVoltage{Start: 2, End: 1, CutOff: 0, CutOffDelay: 2, FilterTime: 0.2}
		}, `duration = "150 min"
charge = "90 %"
charging = false
[[throttle]]
at = "2 s"
to = "80 %"`},
		{"a derating that the trial expects does not come", nil, `duration = "30 min"
charge = "20 %"
charging = false
expect = ["low-voltage derating"]
[[throttle]]
at = "2 s"
to = "100 %"`},
	} {
		c.isFound(t, 1000)
	}
}
