package thermal_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"quaybench/bench/thermal"
)

// The ladder of check P-16.
var p16 = thermal.Cauer{{0.1, 0.4}, {0.2, 0.5}, {0.3, 0.6}}

func TestCauerAndFosterConvertBothWays(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := make(thermal.Cauer, rapid.IntRange(1, 8).Draw(t, "steps"))
		for i := range c {
			c[i].Resistance = math.Exp(rapid.Float64Range(-2, 2).Draw(t, "R"))
			c[i].Capacity = math.Exp(rapid.Float64Range(-2, 2).Draw(t, "C"))
		}
		f, err := c.Foster()
		require.NoError(t, err)
		var total float64
		for _, s := range c {
			total += s.Resistance
		}
		assert.InEpsilon(t, total, f.Steady(), 1e-9, "all resistance is in the stages")
		assert.InEpsilon(t, 1/c[0].Capacity, f.Initial(), 1e-9, "at first only the heated node warms")

		// Far steps hide behind near ones, so a ladder comes back to fewer digits than
		// its impedance does.
		back, err := f.Cauer()
		require.NoError(t, err)
		again, err := back.Foster()
		require.NoError(t, err)
		for _, time := range []float64{1e-3, 1e-2, 0.1, 1, 10, 100, 1000} {
			assert.InEpsilon(t, f.Impedance(time), again.Impedance(time), 1e-8)
		}
	})
}

func TestP16LadderComesBackExactly(t *testing.T) {
	f, err := p16.Foster()
	require.NoError(t, err)
	back, err := f.Cauer()
	require.NoError(t, err)
	require.Len(t, back, len(p16))
	for i := range back {
		assert.InEpsilon(t, p16[i].Resistance, back[i].Resistance, 1e-10)
		assert.InEpsilon(t, p16[i].Capacity, back[i].Capacity, 1e-10)
	}
}

func TestFosterWithEqualTimeConstantsIsMerged(t *testing.T) {
	c, err := thermal.Foster{{1, 5}, {2, 5}, {0.5, 1}}.Cauer()
	require.NoError(t, err)
	require.Len(t, c, 2)
	_, err = thermal.Foster{{1, 5}, {-2, 3}}.Cauer()
	var bad *thermal.LadderError
	require.ErrorAs(t, err, &bad)
	assert.Equal(t, 1, bad.Index)
}

// A ladder joined to a heat sink: the chain of resistances adds up, and the stages
// seen from the junction are those of the whole.
func TestLadderOnAHeatSink(t *testing.T) {
	var b thermal.Builder
	sink := b.AddNode("heat sink", 250)
	b.Connect(sink, b.AddBoundary("air"), 0.8)
	junction := p16.AddTo(&b, "junction", sink)
	n, err := b.Build()
	require.NoError(t, err)
	f, err := n.Impedance(junction.Index(), nil)
	require.NoError(t, err)
	assert.InEpsilon(t, 0.6+0.8, f.Steady(), 1e-12)
	assert.Equal(t, "junction 3", n.NodeName(junction.Index()+2))
}

func TestStatesOfALadderFollowItsImpedance(t *testing.T) {
	f, err := p16.Foster()
	require.NoError(t, err)
	x, dx := make([]float64, len(f)), make([]float64, len(f))
	f.Advance(20, 0.3, x)
	assert.InEpsilon(t, 20*f.Impedance(0.3), x[0]+x[1]+x[2], 1e-12)
	const h = 1e-6
	f.Derivatives(20, x, dx)
	assert.InEpsilon(t, 20*(f.Impedance(0.3+h)-f.Impedance(0.3-h))/(2*h), dx[0]+dx[1]+dx[2], 1e-6)
	assert.InEpsilon(t, 0.3, f.TimeTo(20, 20*f.Impedance(0.3)), 1e-12)
	assert.Equal(t, math.Inf(1), f.TimeTo(20, 20*f.Steady()))
}

// Pulses one by one, against the closed form of the train.
func TestPulseTrainIsTheSumOfItsPulses(t *testing.T) {
	f, err := p16.Foster()
	require.NoError(t, err)
	train := thermal.PulseTrain{Power: 100, Width: 0.03, Period: 0.2}
	x := make([]float64, len(f))
	sum := func() float64 { return x[0] + x[1] + x[2] }
	for n := 1; n <= 60; n++ {
		f.Advance(train.Power, train.Width, x)
		high := sum()
		f.Advance(0, train.Period-train.Width, x)
		wantHigh, wantLow := f.Rise(train, n)
		assert.InEpsilon(t, high, wantHigh, 1e-11)
		assert.InEpsilon(t, sum(), wantLow, 1e-11)
	}
	high, low := f.Rise(train, 0)
	steadyHigh, steadyLow := f.Rise(train, 1000)
	assert.InEpsilon(t, steadyHigh, high, 1e-12)
	assert.InEpsilon(t, steadyLow, low, 1e-12)
	mean := train.Power * f.Steady() * train.Width / train.Period
	assert.True(t, low < mean && mean < high, "the mean rise lies between")

	always, _ := f.Rise(thermal.PulseTrain{Power: 100, Width: 0.2, Period: 0.2}, 0)
	assert.InEpsilon(t, 100*f.Steady(), always, 1e-12, "no pause is a steady load")
}
