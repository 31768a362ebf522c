package choose_test

import (
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/benchtest"
	"quaybench/bench/boat"
	"quaybench/bench/choose"
	"quaybench/bench/hydro"
	"quaybench/bench/quantity"
	"quaybench/bench/record"
	"quaybench/bench/simulate"
	"quaybench/bench/trial"
	"quaybench/bench/variant"
)

// These tests work out by hand, without the model, what rows of a choice say. With the cable's heat, the fuse's curve or the propeller's
// torque of the model spoilt they fail; DEVELOPERS.md says by which.

func amount(t *testing.T, text, unit string) float64 {
	t.Helper()
	v, err := quantity.Parse(text, quantity.MustUnit(unit))
	require.NoError(t, err, text)
	return v.SI
}

// TestCableRowsAgreeWithHandCalculation: of each section the share of the rise that it uses after half an hour at full throttle, by a heat
// balance step by step: the loss of IEC 60228's resistance, the cooling that its ampacity means, the heat capacity of its copper.
func TestCableRowsAgreeWithHandCalculation(t *testing.T) {
	b, s := benchtest.Boat(t, "petrel")
	full, err := trial.Builtin("full-throttle")
	require.NoError(t, err)
	run, err := simulate.Run(t.Context(), b, s, full, simulate.Options{})
	require.NoError(t, err)
	air, ok := run.Trace("compartment air")
	require.True(t, ok)
	amps, ok := run.Trace(record.MotorCurrent)
	require.True(t, ok)
	list, err := choose.Find(t.Context(), variant.Of(b, s), "cable", []*trial.Trial{full}, choose.Options{Part: "motor cable"})
	require.NoError(t, err)
	ohms := map[string]float64{"16 mm²": 1.21, "25 mm²": 0.780, "35 mm²": 0.554, "50 mm²": 0.386, "70 mm²": 0.272, "95 mm²": 0.206} // per km
	checked := 0
	for _, z := range list[0].Sizes {
		perKm, ok := ohms[z.Name]
		if !ok {
			continue
		}
		v, _, err := variant.Of(b, s).With("cable[motor cable].section", z.Name)
		require.NoError(t, err)
		bears := v.Boat.Cables[1].Ampacity.SI
		const length, rated, alpha = 1.6, 90 + 273.15, 0.00393
		loss := func(amps, kelvin float64) float64 {
			return amps * amps * perKm * 1e-3 * length * (1 + alpha*(kelvin-293.15))
		}
		cooling := loss(bears, rated) / (rated - (30 + 273.15)) // W/K
		capacity := amount(t, z.Name, "mm²") * length * 3.45e6  // J/K
		hot, most := run.At(air, 0), 0.0
		for at := 0.0; at < full.Duration; at++ {
			hot += (loss(run.At(amps, at), hot) - cooling*(hot-run.At(air, at))) / capacity
			most = max(most, hot)
		}
		require.NotNil(t, z.Used)
		assert.InDelta(t, (most-298.15)/(rated-298.15), *z.Used, 0.02*max(1, *z.Used), z.Name)
		checked++
	}
	assert.Equal(t, 6, checked)
}

// TestFuseRowsAgreeWithTheStandard: a gG fuse surely opens at 1.6 times its rating within its conventional time (IEC 60269-1 table 2), and
// protects a cable that bears 1.45 times its ampacity for that time (IEC 60364-4-43).
func TestFuseRowsAgreeWithTheStandard(t *testing.T) {
	const bears = 0.82 * 285 // A: petrel's battery cable in the engine space
	found := 0
	for _, z := range find(t, "fuse", choose.Options{})[0].Sizes {
		rating, gG := strings.CutSuffix(z.Name, " gG")
		if !gG {
			continue
		}
		amps := amount(t, rating, "A")
		why := strings.Join(z.Why, "; ")
		if overload := 1.6*amps > 1.45*bears; overload || strings.Contains(why, "surely opens") {
			assert.True(t, overload && !z.Fits, "%s: %s", z.Name, why)
			_, after, ok := strings.Cut(why, "surely opens only from ")
			require.True(t, ok, "%s: %s", z.Name, why)
			opens, _, _ := strings.Cut(after, " of battery current")
			assert.InEpsilon(t, 1.6*amps, amount(t, opens, "A"), 0.02, z.Name)
			found++
		}
		if amps < 130 {
			assert.False(t, z.Fits, "%s is below the limit of 130 A", z.Name)
		}
	}
	assert.Equal(t, 3, found, "250, 315 and 400 A")
}

// TestPropellerRowsAgreeWithTheChart: of each propeller, at the speed that its row gives, thrust is the hull's resistance, and turns and
// motor current follow from the charts of the B-series.
func TestPropellerRowsAgreeWithTheChart(t *testing.T) {
	b, s := benchtest.Boat(t, "petrel")
	v, _, err := variant.Of(b, s).With("propeller.kind", "B-series")
	require.NoError(t, err)
	full, err := trial.Builtin("full-throttle")
	require.NoError(t, err)
	list, err := choose.Find(t.Context(), v, "propeller", []*trial.Trial{full}, choose.Options{Speed: 1})
	require.NoError(t, err)
	for _, z := range list[0].Sizes {
		require.GreaterOrEqual(t, len(z.Costs), 4, z.Name)
		mm := strings.Split(strings.TrimSuffix(z.Name, " mm"), " × ")
		diameter, pitch := amount(t, mm[0]+" mm", "m"), amount(t, mm[1]+" mm", "m")
		speed, amps := amount(t, z.Costs[0], "km/h"), amount(t, strings.TrimPrefix(z.Costs[1], "motor "), "A")
		tip := amount(t, strings.TrimPrefix(z.Costs[3], "tip "), "m/s")
		turns, torque := byChart(t, v.Boat, diameter, pitch, speed)
		assert.InEpsilon(t, math.Pi*diameter*turns, tip, 0.02, "%s: tip", z.Name)
		w := 2 * math.Pi * turns // petrel has no gear
		constant := 0.20 * (1 - 0.002*20)
		assert.InEpsilon(t, (torque+0.4+0.4+0.002*w)/constant, amps, 0.08, "%s: motor current", z.Name)
	}
}

// byChart returns the turns (1/s) and the torque (N·m) of a B-series propeller that drives a boat at a speed (m/s).
func byChart(t *testing.T, b *boat.Boat, diameter, pitch, speed float64) (turns, torque float64) {
	t.Helper()
	const rho = 1025
	h := &b.Hull
	i := 1
	for i < len(h.SpeedPower)-1 && speed > h.SpeedPower[i][0] {
		i++
	}
	low, high := h.SpeedPower[i-1], h.SpeedPower[i]
	slope := math.Log(high[1]/low[1]) / math.Log(high[0]/low[0])
	power := low[1] * math.Pow(speed/low[0], slope)
	thrust := power * h.PropulsiveEfficiency.SI / speed / (1 - h.ThrustDeduction.SI)
	advance := speed * (1 - h.Wake.SI)
	p, err := hydro.NewBSeries(hydro.BSeries{Diameter: diameter, Blades: b.Propeller.Blades, AreaRatio: b.Propeller.AreaRatio.SI, PitchRatio: pitch / diameter})
	require.NoError(t, err)
	a, z := 0.02, 1.5
	for range 60 {
		if j := (a + z) / 2; p.KT(j)/(j*j) > thrust/(rho*advance*advance*diameter*diameter) {
			a = j
		} else {
			z = j
		}
	}
	turns = advance / (a * diameter)
	return turns, p.KQ(a) * rho * turns * turns * math.Pow(diameter, 5)
}
