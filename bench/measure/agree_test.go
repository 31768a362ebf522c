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
	"quaybench/bench/datafile"
	"quaybench/bench/link"
	"quaybench/bench/measure"
	"quaybench/bench/quantity"
)

// scaled returns a result with one of its channels changed.
func scaled(r *measure.Result, channel string, change func(x float64) float64) *measure.Result {
	c := *r
	at := slices.IndexFunc(c.Channels, func(k link.Channel) bool { return k.Name == channel })
	c.Samples = slices.Clone(r.Samples)
	for i := range c.Samples {
		v := slices.Clone(c.Samples[i].Values)
		v[at] = change(v[at])
		c.Samples[i].Values = v
	}
	return &c
}

// TestHonestReadingsAreNotDenied: readings of boats that are off their file by what tolerances allow, by meters that are off by what theirs allow, ahead, astern,
// braking and starting, with any channels and a battery monitor that shows what was a second and a half ago, deny nothing.
func TestHonestReadingsAreNotDenied(t *testing.T) {
	benchtest.Computes(t)
	n := 8
	if thorough {
		n = 200
	}
	for i := range n {
		rng := rand.New(rand.NewPCG(2, uint64(i)))
		file, s := demo(t, []string{"petrel", "bracken"}[i%2])
		b, _ := demo(t, []string{"petrel", "bracken"}[i%2])
		datafile.Walk(b, func(path string, v *quantity.Value) {
			switch {
			case !v.Given || !variedBoat.MatchString(path):
			case strings.HasSuffix(path, "motor.constant"):
				v.SI *= math.Exp(0.05 * rng.NormFloat64())
			default:
				v.SI *= math.Exp(0.15 * rng.NormFloat64())
			}
		})
		program := levers(240, rng.IntN(2) == 0, 2, 100, 60, 100*rng.Float64(), 100, -60*rng.Float64(), 140, 0, 150, 20+60*rng.Float64(), 200, 0)
		all := observe(t, b, s, program)
		off := map[string][2]float64{}
		for name, offset := range map[string]float64{link.Voltage: file.Instruments.Voltage.SI, link.BatteryCurrent: file.Instruments.BatteryCurrent.SI, link.MotorCurrent: file.Instruments.MotorCurrent.SI, link.MotorSpeed: file.Instruments.Speed.SI} {
			off[name] = [2]float64{1 + 0.02*(2*rng.Float64()-1), offset * (2*rng.Float64() - 1)}
		}
		for channels := 1; channels < 1<<electrical; channels++ {
			r := all.with(channels)
			for name, e := range off {
				if slices.ContainsFunc(r.Channels, func(c link.Channel) bool { return c.Name == name }) {
					r = scaled(r, name, func(x float64) float64 { return x*e[0] + e[1] })
				}
			}
			if i%3 == 2 { // a battery monitor that is slow
				at := slices.IndexFunc(r.Channels, func(c link.Channel) bool { return c.Name == link.BatteryCurrent })
				late := slices.Clone(r.Samples)
				for k := range late {
					if at >= 0 && k >= 6 {
						late[k].Values = slices.Clone(late[k].Values)
						late[k].Values[at] = r.Samples[k-6].Values[at]
					}
				}
				c := *r
				c.Samples, r = late, &c
			}
			denied, err := measure.FindContradictions(file, s, program, r)
			require.NoError(t, err)
			assert.Empty(t, denied.Lines(), "%d, %s with %s", i, file.Name, names(channels))
		}
	}
}

// mistake is one that people make with a channel.
type mistake struct {
	name   string
	change func(float64) float64
	means  string // in the words of a suspicion, behind the channel's name
}

var mistakes = []mistake{
	{"a tenth", func(x float64) float64 { return x / 10 }, "is shown as a tenth of what it is"},
	{"ten times", func(x float64) float64 { return x * 10 }, "is shown ten times as large as it is"},
	{"the other way", func(x float64) float64 { return -x }, "is counted the other way round"},
}

// undeniable lists what no other channel shows: a single current is any current that the controller can pass. A voltage the bank alone shows.
func undeniable(channels int, wrong string, m mistake, lever float64) bool {
	has := func(name string) bool {
		return channels>>slices.IndexFunc(followed, func(c link.Channel) bool { return c.Name == name })&1 == 1
	}
	motor, battery, speed, duty := has(link.MotorCurrent), has(link.BatteryCurrent), has(link.MotorSpeed), has(link.Duty)
	alone := func(others ...bool) bool { return !slices.Contains(others, true) }
	current := wrong == link.MotorCurrent || wrong == link.BatteryCurrent
	if current && m.name == "a tenth" && lever < 100 && !(motor && battery) {
		return true // 6 A, with an ammeter that may be 5 A off: the propeller alone does not deny it
	}
	switch wrong {
	case link.MotorCurrent:
		if m.name == "the other way" {
			return alone(speed) // along which way it drives nothing else shows
		}
		return alone(battery, speed, duty)
	case link.BatteryCurrent:
		if m.name == "the other way" {
			return true // the reader turns it round, see package readings
		}
		return alone(motor, speed, duty)
	case link.MotorSpeed:
		if m.name == "the other way" {
			return !motor // a battery current has no direction
		}
		return alone(motor, battery)
	}
	return false
}

// TestWrongReadingsAreDenied: a channel that is shown as a tenth, tenfold or the other way round is found wherever another one shows it; where that is the only
// thing wrong, it is among the suspects. No part that it heats is judged then. Before, 14 A of motor current beside 77 A of battery current were judged clear.
func TestWrongReadingsAreDenied(t *testing.T) {
	benchtest.Computes(t)
	apart := 3
	if thorough {
		apart = 1
	}
	for first, c := range []struct {
		boat  string
		lever float64
	}{{"petrel", 100}, {"petrel", 70}, {"bracken", 100}} {
		b, s := demo(t, c.boat)
		program := levers(300, true, 2, c.lever)
		all := observe(t, b, s, program)
		for channels := 1 + first; channels < 1<<electrical; channels += apart { // in the plain run each set for one of the three
			r := all.with(channels)
			for _, ch := range r.Channels {
				if ch.Name == link.Duty {
					continue
				}
				for _, m := range mistakes {
					about := fmt.Sprintf("%s at %g %% with %s: %s %s", c.boat, c.lever, names(channels), ch.Name, m.name)
					wrong := scaled(r, ch.Name, m.change)
					denied, err := measure.FindContradictions(b, s, program, wrong)
					require.NoError(t, err)
					if undeniable(channels, ch.Name, m, c.lever) {
						continue
					}
					if !assert.NotEmpty(t, denied.List, about) {
						continue
					}
					want := "the " + strings.ReplaceAll(ch.Name, "_", " ") + " " + m.means
					found := slices.ContainsFunc(denied.Suspects, func(text string) bool { return strings.HasPrefix(text, want) })
					assert.True(t, found || ch.Name == link.Voltage && m.name == "the other way", "%s: suspects %q", about, denied.Suspects)
				}
			}
		}
	}
}

// TestWrongReadingsAreNotJudged: what rests on readings that deny each other is not judged and shows no value; what a thermometer shows is.
func TestWrongReadingsAreNotJudged(t *testing.T) {
	b, s := demo(t, "petrel")
	program := levers(300, true, 2, 100)
	all := observe(t, b, s, program)
	r := scaled(all.with(0b00101111), link.MotorCurrent, func(x float64) float64 { return x / 10 })
	run, err := measure.Complete(t.Context(), b, s, program, r)
	require.NoError(t, err)
	require.NotEmpty(t, run.Doubts)
	assert.Contains(t, strings.Join(run.Doubts, "\n"), "all readings would fit if the motor current is shown as a tenth of what it is")
	for _, p := range run.Parts {
		tr, _ := run.Trace(p.Trace)
		if p.Name == "heat sink" {
			assert.Empty(t, p.Unsure)
			assert.InDelta(t, all.parts["heat sink"][len(run.Time)-1], tr.Values[len(run.Time)-1], 0.1)
			continue
		}
		assert.Equal(t, "not known, since the readings behind it cannot be right", p.Unsure, p.Name)
		assert.False(t, slices.ContainsFunc(tr.Values, func(v float64) bool { return !math.IsNaN(v) }), p.Name)
	}

	// What a meter shows by itself beyond a limit is over, whatever denies it.
	run, err = measure.Complete(t.Context(), b, s, program, scaled(all.with(0b00101111), link.MotorCurrent, func(x float64) float64 { return x * 4 }))
	require.NoError(t, err)
	require.NotEmpty(t, run.Doubts)
	for _, p := range run.Parts {
		assert.Equal(t, p.Name != "power stage" && p.Name != "heat sink", p.Unsure != "", p.Name)
	}

	swapped := all.with(0b00111)
	for i := range swapped.Samples {
		v := slices.Clone(swapped.Samples[i].Values)
		v[1], v[2] = v[2], v[1]
		swapped.Samples[i].Values = v
	}
	denied, err := measure.FindContradictions(b, s, program, swapped)
	require.NoError(t, err)
	require.NotEmpty(t, denied.Suspects)
	assert.Equal(t, "the columns of motor current and battery current are swapped", denied.Suspects[0])
}
