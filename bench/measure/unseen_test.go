package measure_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/benchtest"
	"quaybench/bench/link"
	"quaybench/bench/measure"
	"quaybench/bench/record"
	"quaybench/bench/trial"
)

// levers returns a programme of movements: pairs of an instant, s, and a place, per cent.
func levers(duration float64, moored bool, moves ...float64) *trial.Trial {
	text := fmt.Sprintf("name = \"unseen\"\nduration = \"%g s\"\nmoored = %v\n", duration, moored)
	for i := 0; i < len(moves); i += 2 {
		text += fmt.Sprintf("[[throttle]]\nat = \"%g s\"\nto = \"%g %%\"\nover = \"1 s\"\n", moves[i], moves[i+1])
	}
	p, err := trial.Read("unseen.toml", []byte(text))
	if err != nil {
		panic(err)
	}
	return p
}

// cut returns a result without the rows in (from, to).
func cut(r *measure.Result, from, to float64) *measure.Result {
	c := *r
	c.Samples = slices.DeleteFunc(slices.Clone(r.Samples), func(x measure.Sample) bool { return x.At > from && x.At < to })
	return &c
}

// notCooler asserts that no part that a record judges was hotter in truth, and returns the names of those that it judges.
func notCooler(t *testing.T, all *truth, run *record.Run, from float64, about string) (judged []string) {
	t.Helper()
	for _, part := range run.Parts {
		if part.Unsure != "" || part.Measure != record.Temperature && part.Measure != record.Melting {
			continue
		}
		judged = append(judged, part.Name)
		shown, _, err := run.Peak(part)
		require.NoError(t, err)
		peak := math.Inf(-1)
		for k, x := range all.result.Samples {
			if x.At >= from {
				peak = max(peak, all.parts[part.Name][k])
			}
		}
		allowed := 0.3
		if part.Measure == record.Melting {
			allowed = 0.01
		}
		assert.LessOrEqual(t, peak, shown+allowed, "%s: %s was hotter than the record has it, and is judged", about, part.Name)
	}
	return judged
}

// TestNoPartIsJudgedCoolerThanItWas: whatever the drive did while nobody read the meters, no part is judged that was hotter than the record has it. Before, the
// readings on either side of a hole were joined by a straight line.
func TestNoPartIsJudgedCoolerThanItWas(t *testing.T) {
	cases := []int{0, 1} // of the forty of the slow suite, in one of which a stalled bracken that carries all that can flow has no solution at last
	if testing.Short() {
		cases = cases[:1]
	}
	if thorough {
		cases = nil
		for i := range 40 {
			cases = append(cases, i)
		}
	}
	for _, i := range cases {
		rng := rand.New(rand.NewPCG(1, uint64(i)))
		name := []string{"petrel", "bracken"}[i%2]
		b, s := demo(t, name)
		begin := 120 + 300*rng.Float64()
		long := []float64{70, 300, 1200}[i%3] * (1 + 0.2*rng.Float64())
		quiet := 20 * rng.Float64() // outside the hole nearly nothing, in it full throttle
		all := observe(t, b, s, levers(begin+long+300, i%3 == 0, 2, quiet, begin+2, 100, begin+long-2, quiet))
		sets := []int{0b01111, 0b00110, 0b01010, 0b10010}
		if !thorough {
			sets = []int{sets[0], sets[1+i%3]}
		}
		if !thorough && long > 1000 {
			sets = sets[:1]
		}
		for _, channels := range sets {
			about := fmt.Sprintf("%s %d with %s, hole of %.0f s", name, i, names(channels), long)
			run, err := measure.Complete(t.Context(), b, s, all.program, cut(all.with(channels), begin, begin+long))
			require.NoError(t, err, about)
			notCooler(t, all, run, 0, about)
			require.Len(t, run.Doubts, 1, about)
			assert.Contains(t, run.Doubts[0], "there are no readings", about)
			if long > 1000 {
				for _, part := range run.Parts {
					if slices.Contains([]string{"winding", "commutator", "battery cable", "fuse", "power stage", "rotor speed", "link voltage"}, part.Name) {
						assert.NotEmpty(t, part.Unsure, "%s: %s", about, part.Name)
					}
				}
			}
		}
	}
}

// TestAPauseIsNoHole: rows two minutes apart that a person wrote have no hole, nor has a logger that pauses for less than a minute; nothing is doubted and the
// parts stay as they are.
func TestAPauseIsNoHole(t *testing.T) {
	b, s := demo(t, "petrel")
	all := observe(t, b, s, halfHour(true))
	for _, every := range []float64{1, 30, 120} {
		r := all.with(0b01111)
		next := 0.0
		r.Samples = slices.DeleteFunc(r.Samples, func(x measure.Sample) bool {
			if x.At >= next {
				next = x.At + every
				return false
			}
			return true
		})
		run, err := measure.Complete(t.Context(), b, s, all.program, r)
		require.NoError(t, err)
		assert.Empty(t, run.Doubts, "every %g s", every)
		for _, p := range run.Parts {
			assert.Empty(t, p.Unsure)
		}
	}
}

// TestAChannelThatStopsIsAHole: readings of the battery current end on the way while others go on. Where speed tells it nothing is lost; where nothing does it is no
// more than the motor current, and voltages are not judged.
func TestAChannelThatStopsIsAHole(t *testing.T) {
	b, s := demo(t, "petrel")
	all := observe(t, b, s, halfHour(true))
	gone := func(channels int) *record.Run {
		r := all.with(channels)
		i := slices.IndexFunc(r.Channels, func(c link.Channel) bool { return c.Name == link.BatteryCurrent })
		for k := range r.Samples {
			if r.Samples[k].At > 300 {
				r.Samples[k].Values[i] = math.NaN()
			}
		}
		run, err := measure.Complete(t.Context(), b, s, all.program, r)
		require.NoError(t, err)
		return run
	}
	run := gone(0b01110)
	assert.Empty(t, run.Doubts, "motor current and speed tell it")
	notCooler(t, all, run, 0, "with speed")
	run = gone(0b00110)
	require.Len(t, run.Doubts, 1)
	assert.Contains(t, run.Doubts[0], "no readings of battery current")
	notCooler(t, all, run, 0, "without speed")
	for _, p := range run.Parts {
		if p.Name == "lowest cell" || p.Name == "rotor speed" {
			assert.NotEmpty(t, p.Unsure, p.Name)
		}
	}
}

// TestARecordThatBeginsUnderLoad: what was before the first row nobody saw. Parts are judged only where they stay clear from as hot as the first row's currents for
// ever make them, which the record says. Before, they began as cool as the air.
func TestARecordThatBeginsUnderLoad(t *testing.T) {
	benchtest.Computes(t)
	for _, c := range []struct {
		boat  string
		lever float64
	}{{"petrel", 100}, {"petrel", 60}, {"bracken", 100}, {"bracken", 50}} {
		b, s := demo(t, c.boat)
		all := observe(t, b, s, levers(2400, true, 2, c.lever))
		for _, channels := range []int{0b01111, 0b00110, 0b10010} {
			about := fmt.Sprintf("%s at %g %% with %s", c.boat, c.lever, names(channels))
			run, err := measure.Complete(t.Context(), b, s, all.program, cut(all.with(channels), -1, 1500))
			require.NoError(t, err)
			notCooler(t, all, run, 1500, about)
			assert.True(t, slices.ContainsFunc(run.Assumed, func(text string) bool { return strings.HasPrefix(text, "the record begins under load") }), "%s: %q", about, run.Assumed)
		}
	}
}

// TestAWarmDriveAtRest: the first row shows no current, and a thermometer shows that the drive has run: what has none is no cooler than it was.
func TestAWarmDriveAtRest(t *testing.T) {
	b, s := demo(t, "petrel")
	s.Derating.MotorSensor = "housing"
	all := observe(t, b, s, levers(2700, true, 2, 100, 1800, 0, 1900, 100))
	const channels = 0b00101111 | 1<<6 // sink and motor
	run, err := measure.Complete(t.Context(), b, s, all.program, cut(all.with(channels), -1, 1850))
	require.NoError(t, err)
	notCooler(t, all, run, 1850, "warm")
	assert.True(t, slices.ContainsFunc(run.Assumed, func(text string) bool { return strings.Contains(text, "when the record begins") }), "%q", run.Assumed)

	run, err = measure.Complete(t.Context(), b, s, all.program, all.with(channels))
	require.NoError(t, err)
	assert.False(t, slices.ContainsFunc(run.Assumed, func(text string) bool { return strings.Contains(text, "when the record begins") }), "a cold start: %q", run.Assumed)
	assert.Empty(t, run.LeftOut)
}

// TestThinnedKeepsHoles: a thinned result has the holes of the one it was thinned from, and no mean of readings on both sides of one.
func TestThinnedKeepsHoles(t *testing.T) {
	r := &measure.Result{Channels: followed[2:3]}
	for i := range 4000 {
		at := float64(i)
		if i >= 2005 {
			at += 600
		}
		r.Samples = append(r.Samples, measure.Sample{At: at, Due: at, Since: at, Values: []float64{50}})
	}
	thin := r.Thinned(100)
	assert.LessOrEqual(t, len(thin.Samples), 102)
	for _, x := range thin.Samples {
		assert.False(t, x.At > 2004 && x.At < 2605, "a mean at %g s, where nobody read anything", x.At)
	}
	b, s := demo(t, "petrel")
	run, err := measure.Complete(t.Context(), b, s, halfHour(true), thin)
	require.NoError(t, err)
	require.NotEmpty(t, run.Doubts)
	assert.Contains(t, run.Doubts[0], "from 33 min to 43 min")
}
