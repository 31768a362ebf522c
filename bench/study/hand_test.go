package study_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/boat"
	"quaybench/bench/hydro"
	"quaybench/bench/record"
	"quaybench/bench/simulate"
	"quaybench/bench/study"
	"quaybench/bench/variant"
)

// These tests work out by hand, without the model, what remedies and proposals say. With the cable's heat, the fuse's curve or the
// propeller's torque of the model spoilt they fail; DEVELOPERS.md says by which.

// handShare returns the share of its rise that petrel's motor cable uses in half an hour at full throttle: a heat balance step by step, with
// the loss of a class 5 conductor (Ω per km by IEC 60228) and the cooling that an ampacity in 30 °C means.
func handShare(t *testing.T, run *record.Run, section, perKm, ampacity float64) float64 {
	t.Helper()
	air, ok := run.Trace("compartment air")
	require.True(t, ok)
	amps, ok := run.Trace(record.MotorCurrent)
	require.True(t, ok)
	const length, rated, alpha = 1.6, 90 + 273.15, 0.00393
	loss := func(amps, kelvin float64) float64 {
		return amps * amps * perKm * 1e-3 * length * (1 + alpha*(kelvin-293.15))
	}
	cooling := loss(ampacity, rated) / (rated - (30 + 273.15))
	hot, most := run.At(air, 0), 0.0
	for at := 0.0; at < run.Time[len(run.Time)-1]; at++ {
		hot += (loss(run.At(amps, at), hot) - cooling*(hot-run.At(air, at))) / (section * length * 3.45e6)
		most = max(most, hot)
	}
	return (most - 298.15) / (rated - 298.15)
}

// TestARemedyAgreesWithHandCalculation: the section that is named for a motor cable that is too thin is the first that by hand stays below
// nine tenths, and the share that it is said to use is that by hand.
func TestARemedyAgreesWithHandCalculation(t *testing.T) {
	trials := builtin(t, "full-throttle")
	v, side := spoilt(t, trials, [2]string{"cable[motor cable].section", "16 mm²"})
	list := remedies(t, v, side, trials)
	found := false
	for _, r := range list {
		if r.Of != "motor cable" || r.Key != "cable[motor cable].section" {
			continue
		}
		found = true
		for _, z := range []struct {
			name           string
			section, perKm float64
		}{{"25 mm²", 25e-6, 0.780}, {"35 mm²", 35e-6, 0.554}, {"50 mm²", 50e-6, 0.386}} {
			with, _, err := v.With(r.Key, z.name)
			require.NoError(t, err)
			run, err := simulate.Run(t.Context(), with.Boat, with.Settings, trials[0], simulate.Options{})
			require.NoError(t, err)
			share := handShare(t, run, z.section, z.perKm, with.Boat.Cables[1].Ampacity.SI)
			if z.name == r.To {
				assert.InDelta(t, share, r.Used, 0.02)
				break
			}
			assert.Greater(t, share, 0.9, "%s would do, and %s is named", z.name, r.To)
		}
	}
	assert.True(t, found, "%+v", list)
}

// TestAFuseThatIsNamedSurelyOpens: the fuse that is named for a battery cable surely opens at 1.6 times its rating (IEC 60269-1), which is
// at most 1.45 times what the cable carries (IEC 60364-4-43), and it carries the limit.
func TestAFuseThatIsNamedSurelyOpens(t *testing.T) {
	trials := builtin(t, "harbour")
	v, side := spoilt(t, trials, [2]string{"fuse.rating", "400 A"}, [2]string{"cable[battery cable].short_circuit_temperature", "350 °C"})
	for _, r := range remedies(t, v, side, trials) {
		if r.Of == "rule fuse-against-cable" && r.Key == "fuse.rating" {
			assert.Equal(t, "200 A", r.To, "1.6 × 200 A is below 1.45 × 234 A, 1.6 × 250 A is not")
			return
		}
	}
	t.Error("no fuse is named")
}

// TestAProposalAgreesWithHandCalculation: at the motor current limit that is proposed, the speed that a wish ended at is that at which the
// charts of the B-series and the motor's constant say that this current flows, and the endurance what the battery power then means.
func TestAProposalAgreesWithHandCalculation(t *testing.T) {
	b, s := petrel(t)
	v, _, err := variant.Of(b, s).With("propeller.kind", "B-series")
	require.NoError(t, err)
	wishes, err := study.ParseWishes([]string{"speed >= 9.4 km/h", "endurance >= 2.2 h"})
	require.NoError(t, err)
	p, err := study.FindProposal(t.Context(), v, wishes, builtin(t, "full-throttle", "hot-restart"), study.ProposeOptions{Seed: 1})
	require.NoError(t, err)
	require.True(t, p.Found)
	speed, endurance := p.Ended["speed"], p.Ended["endurance"]
	turns, torque := byChart(t, v.Boat, speed)
	w := 2 * math.Pi * turns
	torque += 0.4 + 0.4 + 0.002*w
	amps := torque / (0.20 * (1 - 0.002*25))
	assert.InEpsilon(t, min(amps, p.Variant.Settings.Limits.MotorCurrent), amps, 0.08, "%v: %v", p.Reasons, p.Ended)
	assert.InEpsilon(t, p.Variant.Settings.Limits.MotorCurrent, amps, 0.08, "%v: %v", p.Reasons, p.Ended)
	watts := torque*w + amps*1 + amps*amps*0.019 + 8 // brushes, winding and cables warm, housekeeping
	kWh := 16 * 3.28 * 200 * 0.9
	assert.InEpsilon(t, kWh/watts*3600, endurance, 0.08, "from full to a tenth of the charge")
}

// byChart returns the turns (1/s) and torque (N·m) of a boat's B-series propeller at a speed (m/s): see choose's test of the same name.
func byChart(t *testing.T, b *boat.Boat, speed float64) (turns, torque float64) {
	t.Helper()
	const rho = 1025
	h, d := &b.Hull, b.Propeller.Diameter.SI
	i := 1
	for i < len(h.SpeedPower)-1 && speed > h.SpeedPower[i][0] {
		i++
	}
	low, high := h.SpeedPower[i-1], h.SpeedPower[i]
	power := low[1] * math.Pow(speed/low[0], math.Log(high[1]/low[1])/math.Log(high[0]/low[0]))
	thrust := power * h.PropulsiveEfficiency.SI / speed / (1 - h.ThrustDeduction.SI)
	advance := speed * (1 - h.Wake.SI)
	p, err := hydro.NewBSeries(hydro.BSeries{Diameter: d, Blades: b.Propeller.Blades, AreaRatio: b.Propeller.AreaRatio.SI, PitchRatio: b.Propeller.Pitch.SI / d})
	require.NoError(t, err)
	a, z := 0.02, 1.5
	for range 60 {
		if j := (a + z) / 2; p.KT(j)/(j*j) > thrust/(rho*advance*advance*d*d) {
			a = j
		} else {
			z = j
		}
	}
	turns = advance / (a * d)
	return turns, p.KQ(a) * rho * turns * turns * math.Pow(d, 5)
}
