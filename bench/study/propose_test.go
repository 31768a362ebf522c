package study_test

import (
	"context"
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/benchtest"
	"quaybench/bench/quantity"
	"quaybench/bench/settings"
	"quaybench/bench/study"
	"quaybench/bench/variant"
	"quaybench/bench/verdict"
)

func TestWishesAreReadInTheUsersWords(t *testing.T) {
	for text, unit := range map[string]string{"speed >= 5 kn": "kn", "speed >= 9.3 km/h": "km/h", "endurance ≥ 90 min": "min", "odds >= 95 %": "%"} {
		list, err := study.ParseWishes([]string{text})
		require.NoError(t, err)
		assert.Equal(t, unit, list[0].Unit(), "the answer stands in the unit of the wish")
	}
	list, err := study.ParseWishes([]string{"speed >= 10 km/h", "rise time <= 3 s", "clear", "odds ≥ 95 %"})
	require.NoError(t, err)
	require.Len(t, list, 3)
	assert.InDelta(t, 10/3.6, list[0].Value, 1e-9)
	for text, says := range map[string]string{
		"speed >= 10":       "has no unit",
		"speed <= 10 km/h":  "write speed >= VALUE",
		"speed":             "write speed >= VALUE",
		"luxury >= 3 s":     `"luxury" cannot be wished`,
		"speed 10 km/h":     `write speed >= VALUE, with its unit`,
		"odds >= 120 %":     "is impossible",
		"speed >= 400 km/h": "is impossible",
		"endurance >= 2 km": "endurance",
		"stopping <= -3 m":  "is impossible",
		"rise-time <= 0 s":  "is impossible",
	} {
		_, err := study.ParseWishes([]string{text})
		assert.ErrorContains(t, err, says, text)
		assert.NotContains(t, err.Error(), "\n", "one sentence")
	}
	_, err = study.ParseWishes([]string{"speed >= 10 km/h", "speed >= 12 km/h"})
	assert.ErrorContains(t, err, "two wishes for one thing")
	_, err = study.ParseWishes([]string{"speed >= 10 km/h", "speed <= 8 km/h"})
	assert.ErrorContains(t, err, "contradict each other")
}

// TestOddsThatNoNumberOfDrawsShows are refused before the search.
func TestOddsThatNoNumberOfDrawsShows(t *testing.T) {
	b, s := petrel(t)
	for text, says := range map[string]string{"odds >= 100 %": "no number of draws", "odds >= 99.9 %": "takes 3,688 draws to be shown"} {
		wishes, err := study.ParseWishes([]string{text})
		require.NoError(t, err)
		_, err = study.FindProposal(t.Context(), variant.Of(b, s), wishes, builtin(t, "harbour"), study.ProposeOptions{})
		assert.ErrorContains(t, err, says)
	}
}

// TestProposeIsNeverWorseThanAGrid: for wishes of all kinds drawn at random, against every point of a coarse grid of all settings that
// they turn; what is proposed is clear, within the ratings, and the same again from the same seed.
func TestProposeIsNeverWorseThanAGrid(t *testing.T) {
	benchtest.Computes(t)
	proposeAgainstGrid(t, 1, 29)
}

// wish draws wishes for a boat around what it does now: one to three of different kinds.
func drawWishes(r *rand.Rand, now map[string]float64) (texts []string) {
	around := func(kind, unit string, scale, low, high float64) string {
		sign := ">="
		if kind == "rise-time" || kind == "stopping" {
			sign = "<="
		}
		return fmt.Sprintf("%s %s %.3g %s", kind, sign, now[kind]*scale*(low+(high-low)*r.Float64()), unit)
	}
	all := []func() string{
		func() string { return around("speed", "km/h", 3.6, 0.85, 1.15) },
		func() string { return around("endurance", "h", 1/3600., 0.6, 2) },
		func() string { return around("distance", "km", 1e-3, 0.8, 1.5) },
		func() string { return around("rise-time", "s", 1, 0.3, 1.3) },
		func() string { return around("stopping", "m", 1, 0.6, 1.2) },
		func() string { return fmt.Sprintf("odds >= %d %%", 80+r.IntN(16)) },
	}
	for _, k := range r.Perm(len(all))[:1+r.IntN(3)] {
		texts = append(texts, all[k]())
	}
	return texts
}

func proposeAgainstGrid(t *testing.T, n int, seed uint64) {
	const draws = 100
	r := rand.New(rand.NewPCG(17, seed))
	kinds, sets := map[string]int{}, 0
	for i := range n {
		name := []string{"petrel", "bracken"}[i%2]
		b, s := benchtest.Boat(t, name)
		trials := builtin(t, "full-throttle", "hot-restart", "crash-stop")
		v := variant.Of(b, s)
		now, err := study.MeasureWishes(t.Context(), v)
		require.NoError(t, err)
		texts := drawWishes(r, now)
		wishes, err := study.ParseWishes(texts)
		require.NoError(t, err)
		o := study.ProposeOptions{Seed: 1, Draws: draws}
		p, err := study.FindProposal(t.Context(), v, wishes, trials, o)
		require.NoError(t, err)
		require.True(t, p.Found, "%s %v", name, texts)
		assert.True(t, isClear(t, p.Variant.Boat, p.Variant.Settings, trials), "%s %v", name, texts)
		assert.LessOrEqual(t, p.Variant.Settings.Limits.MotorCurrent, b.Stage.Current.SI)
		assert.LessOrEqual(t, p.Variant.Settings.Limits.BatteryCurrent, min(b.Fuse.Rating.SI, b.Contactor.Current.SI))
		ours := study.SumMissed(wishes, p.Ended, p.OddsLow)
		assert.Equal(t, ours == 0, p.Met)
		looked, worse := 0, 0
		grid(t.Context(), s, b.Stage.Current.SI, b.Fuse.Rating.SI, strings.Join(texts, " "), func(set settings.Set) {
			ended, err := study.MeasureWishes(t.Context(), variant.Of(b, set))
			if err != nil {
				return
			}
			looked++
			if study.SumMissed(wishes, ended, 1) > ours-1e-3 || !isClear(t, b, set, trials) {
				return
			}
			low := 1.0
			if strings.Contains(strings.Join(texts, " "), "odds") {
				odds, err := study.FindOdds(t.Context(), b, set, trials, study.OddsOptions{Draws: draws, Seed: 1, Quick: true, EveryRun: true})
				require.NoError(t, err)
				low = 1 - odds.Over.High
			}
			if missed := study.SumMissed(wishes, ended, low); missed < ours-1e-3 {
				worse++
				t.Errorf("%s %v: %+v %+v miss by %.4f, ours by %.4f: %v", name, texts, set.Limits, set.Ramp, missed, ours, p.Reasons)
			}
		})
		t.Logf("%s %v: ours misses by %.4f with %d simulations, the grid has %d sets, %d of them better", name, texts, ours, p.Runs, looked, worse)
		for _, w := range wishes {
			kinds[w.Kind]++
		}
		sets += looked
	}
	t.Logf("seed %d: %d wishes against %d sets, by kind %v", seed, n, sets, kinds)
}

// grid visits every set of a coarse grid of the settings that wishes turn.
func grid(ctx context.Context, s settings.Set, stage, fuse float64, wishes string, visit func(settings.Set)) {
	axis := func(field func(*settings.Set) *float64, values ...float64) func([]settings.Set) []settings.Set {
		return func(list []settings.Set) (out []settings.Set) {
			for _, set := range list {
				for _, x := range append(values, *field(&s)) {
					next := set
					*field(&next) = x
					out = append(out, next)
				}
			}
			return out
		}
	}
	list := []settings.Set{s}
	now := s.Limits.MotorCurrent
	list = axis(func(s *settings.Set) *float64 { return &s.Limits.MotorCurrent }, 0.45*now, 0.65*now, 0.8*now, 0.9*now, 1.05*now, 1.1*now, 1.25*now, stage)(list)
	list = axis(func(s *settings.Set) *float64 { return &s.Limits.BatteryCurrent }, 0.35*fuse, 0.55*fuse, fuse)(list)
	if strings.Contains(wishes, "rise-time") {
		list = axis(func(s *settings.Set) *float64 { return &s.Ramp.Rise }, 0.3, 1, 2, 4)(list)
	}
	if strings.Contains(wishes, "stopping") {
		list = axis(func(s *settings.Set) *float64 { return &s.Limits.AsternCurrent }, 0.6*now, now, 1.3*now)(list)
		list = axis(func(s *settings.Set) *float64 { return &s.Ramp.Reversal }, 0.3, 3)(list)
		list = axis(func(s *settings.Set) *float64 { return &s.Ramp.Fall }, 0.1)(list)
	}
	for _, set := range list {
		if ctx.Err() == nil {
			visit(set)
		}
	}
}

// TestAMotorThatNothingLoadsIsHeldBackByItsVoltage: a series-wound motor out of the water turned too fast at every current, and propose ended with "no set of settings was
// found that is clear" although a lower duty was, as try said. Where a wish is missed then, the boat's own changes are tried with the same settings: that was a panic.
func TestAMotorThatNothingLoadsIsHeldBackByItsVoltage(t *testing.T) {
	benchtest.Computes(t)
	b, s := benchtest.Boat(t, "bracken")
	b.Motor.SpeedLimit = quantity.Exactly(200)
	trials := builtin(t, "full-throttle", "dry-running")
	for _, wish := range []string{"speed >= 3 km/h", "speed >= 15 km/h"} {
		wishes, err := study.ParseWishes([]string{wish})
		require.NoError(t, err)
		p, err := study.FindProposal(t.Context(), variant.Of(b, s), wishes, trials, study.ProposeOptions{})
		require.NoError(t, err)
		require.True(t, p.Found, "%s: %s", wish, p.Blocked)
		assert.True(t, isClear(t, b, p.Variant.Settings, trials))
		assert.Less(t, p.Variant.Settings.Limits.Duty, 0.9)
	}
}

// TestProposeRepeats: the same seed gives the same answer, and a search that is stopped what it has.
func TestProposeRepeats(t *testing.T) {
	benchtest.Computes(t)
	b, s := petrel(t)
	wishes, err := study.ParseWishes([]string{"speed >= 9.5 km/h", "endurance >= 2.5 h"})
	require.NoError(t, err)
	trials := builtin(t, "full-throttle", "hot-restart")
	first, err := study.FindProposal(t.Context(), variant.Of(b, s), wishes, trials, study.ProposeOptions{Seed: 3})
	require.NoError(t, err)
	again, err := study.FindProposal(t.Context(), variant.Of(b, s), wishes, trials, study.ProposeOptions{Seed: 3})
	require.NoError(t, err)
	assert.Equal(t, first.Reasons, again.Reasons)
	assert.Equal(t, first.Ended, again.Ended)
	assert.Equal(t, first.Runs, again.Runs)

	ctx, cancel := context.WithCancel(t.Context())
	_, err = study.FindProposal(ctx, variant.Of(b, s), wishes, trials, study.ProposeOptions{Seed: 3, Progress: func(done, _ int) {
		if done > 40 {
			cancel()
		}
	}})
	assert.ErrorIs(t, err, context.Canceled)
}

// TestWishesThatFight: where two cannot both be met, the front has clear sets on either side and says what one costs in terms of the
// other; where a larger bank would meet both, that is named, and with its settings both are met.
func TestWishesThatFight(t *testing.T) {
	benchtest.Computes(t)
	b, s := petrel(t)
	trials := builtin(t, "full-throttle", "hot-restart")
	wishes, err := study.ParseWishes([]string{"speed >= 10 km/h", "endurance >= 2.6 h"})
	require.NoError(t, err)
	p, err := study.FindProposal(t.Context(), variant.Of(b, s), wishes, trials, study.ProposeOptions{Seed: 1})
	require.NoError(t, err)
	require.False(t, p.Met)
	require.NotEmpty(t, p.Prices)
	assert.Equal(t, "speed", p.Prices[0].More.Kind)
	assert.Equal(t, "endurance", p.Prices[0].Less.Kind)
	assert.Greater(t, p.Prices[0].MoreTo, p.Prices[0].MoreFrom)
	assert.Less(t, p.Prices[0].LessTo, p.Prices[0].LessFrom)
	for i := 1; i < len(p.Front); i++ {
		assert.Greater(t, p.Front[i].At["speed"], p.Front[i-1].At["speed"]-1e-6)
		assert.Less(t, p.Front[i].At["endurance"], p.Front[i-1].At["endurance"]+1e-6)
	}
	require.NotNil(t, p.Change, p.Tried)
	v, _, err := variant.Of(b, s).With(p.Change.Key, p.Change.To)
	require.NoError(t, err)
	for key, text := range p.Change.Settings {
		v, _, err = v.With(key, text)
		require.NoError(t, err)
	}
	ended, err := study.MeasureWishes(t.Context(), v)
	require.NoError(t, err)
	assert.Zero(t, study.SumMissed(wishes, ended, 1))
	assert.True(t, isClear(t, v.Boat, v.Settings, trials))
}

// TestNoRuleStaysCloseThatASettingMends: where the settings as they stand break a rule that names a change, what is proposed has it and says
// so, whether or not a wish turns that setting; what no setting mends is told, and is no reason to find nothing.
func TestNoRuleStaysCloseThatASettingMends(t *testing.T) {
	benchtest.Computes(t)
	trials := builtin(t, "full-throttle", "crash-stop")
	wishes, err := study.ParseWishes([]string{"speed >= 9 km/h"})
	require.NoError(t, err)
	for key, text := range map[string]string{"ramp.reversal": "5 s", "limits.astern_current": "250 A", "limits.braking_current": "390 A", "limits.battery_current": "180 A", "stall.time": "0 s"} {
		v, _ := spoilt(t, builtin(t, "harbour"), [2]string{key, text})
		p, err := study.FindProposal(t.Context(), v, wishes, trials, study.ProposeOptions{Seed: 1})
		require.NoError(t, err, key)
		require.True(t, p.Found && p.Met, "%s: %s", key, p.Blocked)
		assert.Empty(t, p.Close, key)
		for _, f := range verdict.Static(p.Variant.Boat, p.Variant.Settings) {
			assert.Equal(t, verdict.Clear, f.Level, "%s: %s", key, f.Text)
		}
		assert.True(t, isClear(t, p.Variant.Boat, p.Variant.Settings, trials), key)
		require.Len(t, p.Reasons, 1, key)
		assert.Equal(t, key, p.Reasons[0].Key)
		assert.Equal(t, v.Get(key), p.Reasons[0].From)
		assert.Equal(t, p.Variant.Get(key), p.Reasons[0].To)
		assert.Contains(t, p.Reasons[0].Why, "without it not clear: ")
	}
	v, _ := spoilt(t, builtin(t, "harbour"), [2]string{"low_voltage.start", "54 V"})
	p, err := study.FindProposal(t.Context(), v, wishes, trials, study.ProposeOptions{Seed: 1})
	require.NoError(t, err)
	require.True(t, p.Found)
	require.Len(t, p.Close, 1)
	assert.Contains(t, p.Close[0], "never at full power")
}

// TestASettingThatNoWishTurnsIsTurned where nothing is clear without it.
func TestASettingThatNoWishTurnsIsTurned(t *testing.T) {
	benchtest.Computes(t)
	v, _ := spoilt(t, builtin(t, "harbour"), [2]string{"stage.current", "150 A"}, [2]string{"limits.astern_current", "145 A"})
	trials := builtin(t, "full-throttle", "crash-stop")
	require.False(t, isClear(t, v.Boat, v.Settings, trials))
	wishes, err := study.ParseWishes([]string{"speed >= 8 km/h"})
	require.NoError(t, err)
	p, err := study.FindProposal(t.Context(), v, wishes, trials, study.ProposeOptions{Seed: 1})
	require.NoError(t, err)
	require.True(t, p.Found, p.Blocked)
	assert.True(t, isClear(t, p.Variant.Boat, p.Variant.Settings, trials))
}

// TestWhatIsNotClearNamesItsPart: where no set of settings is clear there is none, and what stands in the way is named.
func TestWhatIsNotClearNamesItsPart(t *testing.T) {
	benchtest.Computes(t)
	v, _ := spoilt(t, builtin(t, "harbour"), [2]string{"compartment.limit", "24 °C"})
	wishes, err := study.ParseWishes([]string{"speed >= 8 km/h"})
	require.NoError(t, err)
	p, err := study.FindProposal(t.Context(), v, wishes, builtin(t, "full-throttle"), study.ProposeOptions{Seed: 1})
	require.NoError(t, err)
	assert.False(t, p.Found)
	assert.Contains(t, p.Blocked, "compartment")
}
