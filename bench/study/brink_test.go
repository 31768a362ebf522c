package study

import (
	"context"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/benchtest"
	"quaybench/bench/boat"
	"quaybench/bench/settings"
	"quaybench/bench/trial"
)

// rare is a trial in which something begins in a few draws that no share of a limit tells beforehand.
type rare struct {
	name   string
	change func(*boat.Boat, *settings.Set)
	trial  string
}

// TestFitFindsWhatNoneOfItsFirstRunsShows: something begins in a few of many draws, the last ones, that no share of a limit tells beforehand: see
// drive.Brink.
func TestFitFindsWhatNoneOfItsFirstRunsShows(t *testing.T) {
	benchtest.Computes(t)
	for _, c := range []rare{
		{"braking charges a bank that is still cold", nil, `duration = "650 s"
air = "-3 °C"
start.battery = "-0.5 °C"
[[throttle]]
at = "2 s"
to = "100 %"
[[throttle]]
at = "600 s"
to = "-100 %"`},
		{"the motor stands still", func(b *boat.Boat, s *settings.Set) {
			b.Shaft.SealFriction.SI, b.Shaft.SealFriction.Tolerance = 4, 3.6
			s.Stall.Time = 0
		}, `duration = "20 s"
[[throttle]]
at = "2 s"
to = "45 %"`},
	} {
		c.isFound(t, 400)
	}
}

// isFound lets a fit settle so many draws of which the rare ones are the last.
func (c rare) isFound(t *testing.T, n int) {
	b, s, _ := given(t, "petrel")
	if c.change != nil {
		c.change(b, &s)
	}
	k, err := trial.Read("rare.toml", []byte("name = \"rare\"\n"+c.trial))
	require.NoError(t, err)
	unknown, err := tolerated(b)
	require.NoError(t, err)
	all := newDraws(b, unknown, s, []*trial.Trial{k}, notOver, n, 1)
	all.everyRun, all.finished = true, newCounter(nil, 0)
	require.NoError(t, all.settle(t.Context()))
	var usual, rare []int
	for i, r := range all.got[0] {
		if all.trials[0].good(r) {
			usual = append(usual, i)
		} else {
			rare = append(rare, i)
		}
	}
	require.NotEmpty(t, rare, c.name)
	require.Less(t, len(rare), 10, c.name)
	order := append(usual, rare...)
	points, got := make([][]float64, all.n), make([]*answer, all.n)
	for i, k := range order {
		points[i] = all.points[k]
	}
	a := &asked{trial: k, goal: notOver}
	f := &fit{inputs: len(unknown), thresholds: a.thresholds, runs: func(_ context.Context, which []int) (out []*answer, _ error) {
		for _, i := range which {
			out = append(out, all.got[0][order[i]])
		}
		return out, nil
	}}
	require.NoError(t, f.settle(t.Context(), points, got))
	for i := len(usual); i < all.n; i++ {
		assert.NotNil(t, got[i], "%s: one of %d draws is left to the fit, which took %d runs", c.name, len(rare), len(f.answers))
	}
}
