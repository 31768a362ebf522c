package verdict

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"quaybench/bench/drive"
	"quaybench/bench/settings"
	"quaybench/testdata/reference"
)

// TestBoostHeatsACableAsItsEquationHasIt: the hottest of boost over and over is what small steps of the cable's heat balance come to,
// and no slower or smaller way of spending the boost makes it hotter.
func TestBoostHeatsACableAsItsEquationHasIt(t *testing.T) {
	b, s, err := reference.Boat("petrel")
	require.NoError(t, err)
	rapid.Check(t, func(t *rapid.T) {
		c := &b.Cables[rapid.IntRange(0, len(b.Cables)-1).Draw(t, "cable")]
		l, ok := lay(c)
		require.True(t, ok)
		s.Limits.MotorCurrent = rapid.Float64Range(20, 180).Draw(t, "limit")
		s.Boost = settings.Boost{
			Current: s.Limits.MotorCurrent * rapid.Float64Range(1.05, 2.5).Draw(t, "boost"),
			Time:    rapid.Float64Range(1, 600).Draw(t, "time"), Rest: rapid.Float64Range(1, 1200).Draw(t, "rest"),
		}
		course, ok := boosting(s)
		require.True(t, ok)
		most := l.hottest(course)
		if math.IsInf(most, 1) || most > 2000 {
			return
		}
		// spent at a smaller current, by the controller's own rule
		over := func(amps float64) float64 { return amps*amps - s.Limits.MotorCurrent*s.Limits.MotorCurrent }
		slow := course
		slow.boost = s.Limits.MotorCurrent + rapid.Float64Range(0.05, 1).Draw(t, "share")*(s.Boost.Current-s.Limits.MotorCurrent)
		slow.on = s.Boost.Time * over(s.Boost.Current) / over(slow.boost)
		require.LessOrEqual(t, l.hottest(slow), most+1e-6)
		require.InDelta(t, most, stepped(l, course), 0.02+0.002*(most-l.air))
	})
}

// stepped returns the highest temperature of a cable in the last of many cycles, by small steps of its heat balance.
func stepped(l laid, c cycle) (most float64) {
	T := l.air
	slowest := l.heat.Capacity * l.heat.Resistance
	cycles := int(math.Ceil(60*slowest/(c.on+c.off))) + 2
	for n := range cycles {
		for _, part := range []struct{ amps, seconds float64 }{{c.boost, c.on}, {c.lasting, c.off}} {
			steps := int(math.Ceil(part.seconds/(slowest/400))) + 4
			dt := part.seconds / float64(steps)
			rate := func(T float64) float64 {
				return (part.amps*part.amps*l.heat.Ohms*(1+0.00393*(T-293.15)) - (T-l.air)/l.heat.Resistance) / l.heat.Capacity
			}
			for range steps {
				middle := T + dt/2*rate(T)
				T += dt * rate(middle)
				if n == cycles-1 {
					most = max(most, T)
				}
			}
		}
	}
	return most
}

// TestASteadyCurrentOfWhatItCarriesHoldsTheRatedTemperature: what a cable may carry for ever where it lies brings it to its rated
// temperature there, bundled, in an engine space, known by its ampacity or by its thermal resistance.
func TestASteadyCurrentOfWhatItCarriesHoldsTheRatedTemperature(t *testing.T) {
	b, _, err := reference.Boat("petrel")
	require.NoError(t, err)
	for _, engine := range []bool{false, true} {
		for _, byResistance := range []bool{false, true} {
			c := b.Cables[1]
			c.EngineSpace, c.Bundling.SI = engine, 0.7
			if byResistance {
				k, err := drive.CableHeat(&c)
				require.NoError(t, err)
				c.ThermalResistance, c.ThermalResistance.SI, c.Ampacity.Given = c.Ampacity, k.Resistance, false
			}
			l, ok := lay(&c)
			require.True(t, ok)
			assert.InDelta(t, c.RatedTemperature.SI, l.hottest(cycle{l.carries, l.carries, 5, 3}), 1e-6)
			assert.InDelta(t, c.RatedTemperature.SI, l.reaches(l.carries, 1e4), 1e-6)
		}
	}
}
