package bench_test

import (
	"encoding/json"
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench"
	"quaybench/bench/benchtest"
	"quaybench/bench/link"
	"quaybench/bench/study"
	"quaybench/bench/trial"
	"quaybench/bench/verdict"
)

// changed returns a demo boat with changes made to its file.
func changed(t *testing.T, boat string, pairs ...string) *bench.Setup {
	t.Helper()
	text := string(benchtest.File(t, boat, "boat.toml"))
	for i := 0; i < len(pairs); i += 2 {
		require.Contains(t, text, pairs[i])
		text = strings.Replace(text, pairs[i], pairs[i+1], 1)
	}
	s, err := bench.LoadTexts("boat.toml", []byte(text), "settings.toml", benchtest.File(t, boat, "settings.toml"))
	require.NoError(t, err)
	return s
}

// TestMarginsHaveBands: a margin says how sure it is, in its worst trial, on the screen and in JSON; what is known worse has a wider
// band, and the verdict is that of the boat as written.
func TestMarginsHaveBands(t *testing.T) {
	trials := builtin(t, "full-throttle")
	band := func(s *bench.Setup, part string) (half float64, level verdict.Level, text string) {
		tried, err := bench.Try(t.Context(), s, bench.TryOptions{Trials: trials, NoChange: true, Bands: true})
		require.NoError(t, err)
		require.NotNil(t, tried.Bands)
		out, err := json.Marshal(tried)
		require.NoError(t, err)
		for _, p := range tried.Present.Trials[0].Parts {
			if p.Name == part {
				return p.Band, tried.Level(), string(out)
			}
		}
		return math.NaN(), 0, ""
	}
	const drop = `brush_drop = "1.0 V ± 20 %, estimated"`
	as, level, text := band(changed(t, "petrel"), "commutator")
	assert.Greater(t, as, 1.0)
	assert.Regexp(t, `"margin_band":[0-9]`, text)
	wide, same, _ := band(changed(t, "petrel", drop, `brush_drop = "1.0 V ± 60 %, estimated"`), "commutator")
	assert.Greater(t, wide, 1.3*as, "what is known worse")
	assert.Equal(t, level, same, "clear, close and over are of the boat as written")
	sure, _, _ := band(changed(t, "petrel", drop, `brush_drop = "1.0 V, measured"`), "commutator")
	assert.Less(t, sure, as, "what is measured is known better")
	tried, err := bench.Try(t.Context(), setup(t, "petrel"), bench.TryOptions{Trials: trials, NoChange: true})
	require.NoError(t, err)
	out, err := json.Marshal(tried)
	require.NoError(t, err)
	assert.NotRegexp(t, `"margin_band":[0-9]`, string(out), "no band was asked for")
}

// TestWhatToMeasureFirst: the value that moves the tightest margin most stands first, measuring it gains most of what it can gain, and
// once it is measured it moves the margin less.
func TestWhatToMeasureFirst(t *testing.T) {
	benchtest.Computes(t)
	o := bench.ValuesOptions{Trials: builtin(t, "full-throttle")}
	const path = `brush_to_housing = "0.30 K/W ± 25 %, estimated"`
	r, err := bench.FindValues(t.Context(), changed(t, "petrel", path, `brush_to_housing = "0.30 K/W ± 90 %, estimated"`), o)
	require.NoError(t, err)
	require.NotEmpty(t, r.Values, r.Withheld)
	sum := 0.0
	for i, v := range r.Values {
		sum += v.Share
		if i > 0 {
			assert.LessOrEqual(t, v.Share, r.Values[i-1].Share)
		}
		assert.LessOrEqual(t, v.Gains, r.Half)
		assert.GreaterOrEqual(t, v.Gains, 0.0)
	}
	assert.GreaterOrEqual(t, sum, 1-1e-9)
	assert.NotEmpty(t, r.Values[0].Measure)
	out, err := json.Marshal(r)
	require.NoError(t, err)
	assert.Contains(t, string(out), `"gains":`)
}

// TestNoStudyWhileExamplesAreLeft: the library refuses as the command line does, and an option lifts it.
func TestNoStudyWhileExamplesAreLeft(t *testing.T) {
	benchtest.Computes(t)
	s := heron(t, bench.ShortTemplate, nil, nil)
	one := builtin(t, "locked-shaft")
	for name, ask := range map[string]func(examples bool) error{
		"highest": func(e bool) error {
			_, err := bench.FindHighest(t.Context(), s, "limits.motor_current", one, study.HighestOptions{Examples: e, Grid: 3, Exact: 0.5})
			return err
		},
		"front": func(e bool) error {
			_, err := bench.FindFront(t.Context(), s, [2]string{"limits.battery_current", "limits.motor_current"}, one, study.HighestOptions{Examples: e, Grid: 3, Exact: 0.5})
			return err
		},
		"envelope": func(e bool) error {
			_, err := bench.FindEnvelope(t.Context(), s, study.EnvelopeOptions{Examples: e, Currents: []float64{100}, Longest: 20})
			return err
		},
		"odds": func(e bool) error {
			_, err := bench.FindOdds(t.Context(), s, one, study.OddsOptions{Examples: e, Draws: 4, Quick: true})
			return err
		},
		"values": func(e bool) error {
			_, err := bench.FindValues(t.Context(), s, bench.ValuesOptions{Examples: e, Trials: one})
			return err
		},
	} {
		var examples *bench.ExamplesError
		assert.ErrorAs(t, ask(false), &examples, name)
		assert.NoError(t, ask(true), name)
	}
}

// TestStairsAreJudgedFirst: on the way to a limit that is over the steps say so before anything runs, and a step that never reaches
// its setting says that it does not test it.
func TestStairsAreJudgedFirst(t *testing.T) {
	benchtest.Computes(t)
	s := drawnFew(t, "petrel")
	plan := func(assignment string, steps int, meters ...link.Channel) *bench.Planned {
		p, err := bench.Plan(t.Context(), s, assignment, bench.PlanOptions{Steps: steps, Hold: 20, Moored: true, Meters: meters})
		require.NoError(t, err)
		return p
	}
	p := plan("limits.motor_current = 240 A", 2)
	require.Len(t, p.Steps, 2)
	assert.False(t, p.Planned())
	assert.Equal(t, verdict.Over, p.Level())
	assert.Equal(t, verdict.Over, p.Target().Side.Level)
	assert.Empty(t, p.Steps[0].Untested)
	assert.NotEmpty(t, p.Target().Because())
	part, _, ok := p.Target().Side.Tightest()
	require.True(t, ok)
	assert.Positive(t, part.Band, "the target's margins have their bands")
	for _, assignment := range []string{"limits.battery_current = 150 A", "derating.stage_start = 80 °C", "limits.astern_current = 135 A"} {
		p := plan(assignment, 1)
		want := !strings.HasPrefix(assignment, "limits.astern_current") // its programme goes astern
		assert.Equal(t, want, p.Steps[0].Untested != "", assignment)
	}

	// A clear one has in each step what the meters read, with the current of its own limit.
	p = plan("limits.motor_current = 150 A", 2, link.Channel{Name: "motor_current"})
	require.True(t, p.Planned())
	for i, want := range []float64{145, 150} {
		r := p.Steps[i].Readings
		require.Len(t, r, 1)
		assert.InDelta(t, want, r[0].Predicted, 0.01*want)
		assert.Less(t, r[0].Low, want)
		assert.Greater(t, r[0].High, want)
	}
}

// TestHighestSaysHowSureItsMarginIs: at the highest clear value the tightest part has a margin with a band, which grows with what is
// not known; an envelope's times have a range, which holds the time of the boat as written and reaches beyond what it alone bears.
func TestHighestSaysHowSureItsMarginIs(t *testing.T) {
	const drop = `brush_drop = "1.0 V ± 20 %, estimated"`
	trials := builtin(t, "hot-restart")
	find := func(s *bench.Setup) *study.Tightest {
		h, err := bench.FindHighest(t.Context(), s, "limits.motor_current", trials, study.HighestOptions{Bands: true, Grid: 9, Exact: 0.02})
		require.NoError(t, err)
		require.NotNil(t, h.Tightest)
		out, err := json.Marshal(h)
		require.NoError(t, err)
		assert.Regexp(t, `"tightest":\{"draws":80,"half":[0-9.]+,"margin":[0-9.]+,"over":[0-9.]+,"part":"commutator"`, string(out))
		return h.Tightest
	}
	as, wide := find(changed(t, "petrel")), find(changed(t, "petrel", drop, `brush_drop = "1.0 V ± 60 %, estimated"`))
	assert.Equal(t, "commutator", as.Part)
	assert.Equal(t, "hot-restart", as.Trial)
	assert.Greater(t, as.Half, 5.0)
	assert.Greater(t, wide.Half, 1.3*as.Half)
	assert.Greater(t, wide.Over, as.Over)

	e, err := bench.FindEnvelope(t.Context(), setup(t, "petrel"), study.EnvelopeOptions{Currents: []float64{100, 167, 213}, Bands: true})
	require.NoError(t, err)
	cool, edge, hot := e.Points[0], e.Points[1], e.Points[2]
	assert.True(t, math.IsInf(cool.Low, 1), "every boat bears it")
	assert.True(t, math.IsInf(edge.Time, 1))
	assert.Less(t, edge.Low, 3600.0, "this boat bears it for an hour, some boats like it do not")
	assert.Less(t, hot.Low, hot.Time)
	assert.Greater(t, hot.High, hot.Time)
}

// TestOddsAskWhereAPartIsWorst: by default odds ran four trials, and said "anything over 0 %" of a boat whose motor housing was close in the two-hour outing, where 12 of 100 drawn boats were over;
// then it ran those in which something is close as well, and said so of a rotor that is clear when the propeller comes out of the water, with a band beyond its limit.
func TestOddsAskWhereAPartIsWorst(t *testing.T) {
	odds := func(s *bench.Setup, draws int, trials ...*trial.Trial) *bench.OddsResult {
		r, err := bench.FindOdds(t.Context(), s, trials, study.OddsOptions{Draws: draws, Quick: true, Seed: 1})
		require.NoError(t, err)
		return r
	}
	r := odds(setup(t, "petrel"), 4)
	assert.Subset(t, r.Trials, bench.OddsTrials())
	assert.Contains(t, r.Trials, "low-battery", "its lowest cell uses 75 % of its limit there")
	assert.NotContains(t, r.Trials, "locked-shaft", "the magnets use 20 % of theirs there")

	s := changed(t, "petrel", `speed_limit = "3500 1/min`, `speed_limit = "2850 1/min`, `constant = "0.20 V·s/rad ± 5 %`, `constant = "0.20 V·s/rad ± 15 %`)
	rotor := func(r *bench.OddsResult) (over float64) {
		for _, p := range r.Parts {
			if p.Part == "rotor speed" {
				return p.Over.Value
			}
		}
		return math.NaN()
	}
	byDefault, there := rotor(odds(s, 200)), rotor(odds(s, 200, builtin(t, "dry-running")...))
	assert.Greater(t, there, 0.02)
	assert.InDelta(t, there, byDefault, 0.01)
}

// TestATrialThatCannotBeSimulatedHidesNone: low-battery chatters here; odds asked it in place of two-hour-outing, which is over, and refused.
func TestATrialThatCannotBeSimulatedHidesNone(t *testing.T) {
	s, err := setup(t, "petrel").With([]string{"limits.motor_current=200 A", "low_voltage.start=45 V", "low_voltage.end=45.05 V"})
	require.NoError(t, err)
	r, err := bench.FindOdds(t.Context(), s, nil, study.OddsOptions{Draws: 4, Quick: true})
	require.NoError(t, err)
	assert.ElementsMatch(t, append(bench.OddsTrials(), "dry-running", "lost-cooling", "two-hour-outing"), r.Trials)
	assert.ElementsMatch(t, []string{"dry-running", "lost-cooling", "two-hour-outing"}, r.Added)
	require.Len(t, r.NotAsked, 1, "and it is named")
	assert.Contains(t, r.NotAsked[0], "low-battery")
}
