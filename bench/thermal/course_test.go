package thermal_test

import (
	"errors"
	"fmt"
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"quaybench/bench/thermal"
)

// anyNetwork draws a connected network of a few nodes with one boundary.
func anyNetwork(t *rapid.T, resistanceFactor float64) *thermal.Network {
	var b thermal.Builder
	air := b.AddBoundary("air")
	places := []thermal.Place{air}
	size := rapid.IntRange(1, 6).Draw(t, "nodes")
	logarithm := func(name string) float64 { return math.Exp(rapid.Float64Range(-3, 3).Draw(t, name)) }
	for i := range size {
		node := b.AddNode(fmt.Sprint("node ", i), 100*logarithm("capacity"))
		to := rapid.IntRange(0, len(places)-1).Draw(t, "to")
		b.Connect(node, places[to], resistanceFactor*logarithm("resistance"))
		if extra := rapid.IntRange(0, len(places)-1).Draw(t, "extra"); extra != to {
			b.Connect(node, places[extra], resistanceFactor*logarithm("resistance 2"))
		}
		places = append(places, node)
	}
	n, err := b.Build()
	require.NoError(t, err)
	return n
}

func anyHeat(t *rapid.T, n *thermal.Network) []float64 {
	heat := make([]float64, n.Nodes())
	for i := range heat {
		heat[i] = rapid.Float64Range(0, 500).Draw(t, "heat")
	}
	return heat
}

func TestDoublingResistancesDoublesTheSteadyRise(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := anyNetwork(t, 1)
		heat := anyHeat(t, n)
		air := []float64{rapid.Float64Range(260, 330).Draw(t, "air")}
		half := make([]float64, n.Links())
		for i := range half {
			half[i] = 0.5
		}
		once, err := n.SteadyState(heat, air, nil)
		require.NoError(t, err)
		twice, err := n.SteadyState(heat, air, half)
		require.NoError(t, err)
		for i := range once {
			assert.InEpsilon(t, 1+2*(once[i]-air[0]), 1+twice[i]-air[0], 1e-7)
		}
	})
}

func TestSteadyStateIsWhereDerivativesVanish(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := anyNetwork(t, 1)
		heat := anyHeat(t, n)
		T, err := n.SteadyState(heat, []float64{300}, nil)
		require.NoError(t, err)
		dT := make([]float64, n.Nodes())
		n.Derivatives(T, heat, []float64{300}, nil, dT)
		for i := range dT {
			assert.InDelta(t, 0, dT[i], 1e-7)
		}
	})
}

func TestHotterAirNeverRaisesAMargin(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := anyNetwork(t, 0.05)
		heat := make([]thermal.Heat, n.Nodes())
		limits := make([]float64, n.Nodes())
		for i, q := range anyHeat(t, n) {
			heat[i] = thermal.CopperLoss(q)
			limits[i] = 400
		}
		hold := func(air float64) thermal.Outcome {
			start := make([]float64, n.Nodes())
			for i := range start {
				start[i] = air
			}
			out, err := n.Hold(start, heat, limits, []float64{air}, nil)
			require.NoError(t, err)
			return out
		}
		air := rapid.Float64Range(270, 310).Draw(t, "air")
		cool, hot := hold(air), hold(air+rapid.Float64Range(0.1, 30).Draw(t, "hotter"))
		assert.LessOrEqual(t, hot.TimeToLimit, cool.TimeToLimit*(1+1e-6))
		require.Equal(t, cool.Steady, hot.Steady, "whether resistance runs away does not depend on the air")
		for i := range cool.Temperatures {
			assert.GreaterOrEqual(t, hot.Temperatures[i], cool.Temperatures[i]-1e-6)
		}
	})
}

// A winding alone, resistance rising: C dT/dt = P(1 + α(T−T20)) − (T−Ta)/Rth has a
// steady state while α·P·Rth < 1, and else a time to the limit in closed form.
func TestResistanceRiseClosesALoop(t *testing.T) {
	const capacity, resistance, air, limit = 900.0, 0.5, 293.15, 428.15
	alpha := thermal.Copper().Coefficient
	var b thermal.Builder
	winding := b.AddNode("winding", capacity)
	b.Connect(winding, b.AddBoundary("air"), resistance)
	n, err := b.Build()
	require.NoError(t, err)
	for _, power := range []float64{50, 400, 1 / (alpha * resistance), 600, 2000} {
		t.Run(fmt.Sprint(power, " W"), func(t *testing.T) {
			out, err := n.Hold([]float64{air}, []thermal.Heat{thermal.CopperLoss(power)}, []float64{limit}, []float64{air}, nil)
			require.NoError(t, err)
			gain := alpha * power * resistance
			assert.InEpsilon(t, gain, out.LoopGain, 1e-12)
			rate := (gain - 1) / (resistance * capacity) // of growth, 1/s
			steady := air + power*resistance/(1-gain)
			want := math.Inf(1)
			switch {
			case math.Abs(gain-1) < 1e-9:
				want = (limit - air) * capacity / power
			case gain > 1 || steady > limit:
				want = math.Log1p((limit-air)*capacity*rate/power) / rate
			}
			assert.Equal(t, gain < 1-1e-9, out.Steady)
			if out.Steady {
				assert.InEpsilon(t, steady, out.Temperatures[0], 1e-12)
			} else {
				assert.Nil(t, out.Temperatures)
			}
			if math.IsInf(want, 1) {
				assert.Equal(t, want, out.TimeToLimit)
				assert.Equal(t, -1, out.First)
			} else {
				assert.InEpsilon(t, want, out.TimeToLimit, 1e-9)
				assert.Equal(t, 0, out.First)
			}
		})
	}
}

// rk4 marches a network with temperature-dependent heat in fine steps: the slow
// and simple way, to hold the exact course against.
func rk4(n *thermal.Network, T []float64, heat []thermal.Heat, boundary []float64, dt, until float64, reached func(T []float64) bool) (t float64) {
	size := len(T)
	q := make([]float64, size)
	slope := func(T, d []float64) {
		for i, h := range heat {
			q[i] = h.Power * (1 + h.Coefficient*(T[i]-h.Reference))
		}
		n.Derivatives(T, q, boundary, nil, d)
	}
	k := [4][]float64{make([]float64, size), make([]float64, size), make([]float64, size), make([]float64, size)}
	trial := make([]float64, size)
	for ; t < until; t += dt {
		slope(T, k[0])
		for stage, part := range []float64{0.5, 0.5, 1} {
			for i := range T {
				trial[i] = T[i] + part*dt*k[stage][i]
			}
			slope(trial, k[stage+1])
		}
		for i := range T {
			T[i] += dt / 6 * (k[0][i] + 2*k[1][i] + 2*k[2][i] + k[3][i])
		}
		if reached != nil && reached(T) {
			return t + dt
		}
	}
	return t
}

func TestCourseAgreesWithFineSteps(t *testing.T) {
	n, _ := motor(t)
	for _, power := range []float64{300, 1500} { // settles; runs away
		heat := []thermal.Heat{thermal.CopperLoss(power), {Power: 30}}
		start := []float64{330, 300}
		c, err := n.Course(start, heat, []float64{300}, nil)
		require.NoError(t, err)
		T := append([]float64(nil), start...)
		end := rk4(n, T, heat, []float64{300}, 0.5, 3000, nil)
		for i, got := range c.At(end, nil) {
			assert.InDelta(t, T[i], got, 1e-5)
		}
		if power == 1500 {
			_, steady := c.Steady()
			assert.False(t, steady, "α·P·Rth = 0.00393 · 1500 · 0.35 is above 1")
			T = append([]float64(nil), start...)
			crossed := rk4(n, T, heat, []float64{300}, 0.05, 1e5, func(T []float64) bool { return T[0] >= 428 })
			assert.InDelta(t, crossed, c.FirstAbove(0, 428), 0.06)
		}
	}
}

func TestNoWayOutForHeatIsSaid(t *testing.T) {
	n, toAir := motor(t)
	lost := []float64{1, 1}
	lost[toAir] = 0
	_, err := n.SteadyState([]float64{1, 0}, []float64{300}, lost)
	var floating *thermal.FloatingError
	require.ErrorAs(t, err, &floating)
	assert.Equal(t, "winding", floating.Node)

	out, err := n.Hold([]float64{300, 300}, []thermal.Heat{{Power: 100}, {}}, []float64{400, math.Inf(1)}, []float64{300}, lost)
	require.NoError(t, err)
	assert.False(t, out.Steady)
	assert.Equal(t, math.Inf(1), out.LoopGain)
	assert.Equal(t, 0, out.First)
	assert.Less(t, out.TimeToLimit, (900.0+6000)*100/100, "no slower than with all capacity at one temperature")
}

// FuzzHold asks for figures of any size: an error or an outcome, never a panic or an
// endless search.
func FuzzHold(f *testing.F) {
	f.Add(900.0, 6000.0, 0.1, 0.25, 500.0, 0.00393, 300.0, 400.0, 1.0)
	f.Add(1e-300, 1e300, 1e-300, 1e300, 1e200, 1e-200, 0.0, 1e300, 0.0)
	f.Fuzz(func(t *testing.T, c1, c2, r1, r2, power, alpha, air, limit, scale float64) {
		var b thermal.Builder
		first, second := b.AddNode("first", c1), b.AddNode("second", c2)
		b.Connect(first, second, r1)
		b.Connect(second, b.AddBoundary("air"), r2)
		n, err := b.Build()
		var bad *thermal.BuildError
		if errors.As(err, &bad) {
			return
		}
		require.NoError(t, err)
		heat := []thermal.Heat{{Power: power, Coefficient: alpha, Reference: 293.15}, {}}
		out, err := n.Hold([]float64{air, air}, heat, []float64{limit, limit}, []float64{air}, []float64{1, scale})
		if err == nil {
			assert.Equal(t, out.Steady, out.Temperatures != nil)
			assert.GreaterOrEqual(t, out.TimeToLimit, 0.0)
		}
		if ladder, err := n.Impedance(0, []float64{1, scale}); err == nil {
			_, _ = ladder.Cauer()
			ladder.TimeTo(power, limit)
		}
	})
}
