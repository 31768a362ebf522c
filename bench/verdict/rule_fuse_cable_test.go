package verdict

import (
	"math"
	"sort"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/boat"
	"quaybench/bench/quantity"
	"quaybench/bench/settings"
	"quaybench/bench/thermal"
	"quaybench/testdata/reference"
)

func petrelsFuse(t *testing.T) (*boat.Boat, settings.Set) {
	t.Helper()
	b, s, err := reference.Boat("petrel")
	require.NoError(t, err)
	return b, s
}

// overload and shorted are the findings of the two halves of the rule.
func overload(b *boat.Boat, s settings.Set) bool { return says(b, s, "from overload") }
func shorted(b *boat.Boat, s settings.Set) bool  { return says(b, s, "in a short circuit") }

func says(b *boat.Boat, s settings.Set, text string) bool {
	for _, f := range fuseAgainstCable.Check(b, s) {
		if f.Level == Over && strings.Contains(f.Text, text) {
			return true
		}
	}
	return false
}

// TestFuseAgainstCableForLong: a gG fuse of 160 A surely opens under 1.6 times its rating within two hours (IEC
// 60269-1), so the cable must carry 256 A / 1.45 where it lies: 215 A of a cable that an engine space cuts to 82 %.
func TestFuseAgainstCableForLong(t *testing.T) {
	b, s := petrelsFuse(t)
	require.False(t, overload(b, s), "petrel's own cable")
	const least = 1.6 * 160 / 1.45 / 0.82
	at := least * 0.9 * float64(sort.Search(10000, func(k int) bool {
		b.Cables[0].Ampacity = quantity.Exactly(least * 0.9 * (1 + float64(k)/10000*0.3))
		return !overload(b, s)
	})) / 10000
	assert.InEpsilon(t, least, least*0.9+at*0.3, 0.005)
}

// TestFuseAgainstCableUpTo5Seconds: the least section that is protected is S = √(I²t)/k for the current with the most I²t of
// the slowest curve, with k of the published table: 100 A·√s/mm² for PVC of 90 °C, 143 for XLPE (IEC 60364-5-54).
func TestFuseAgainstCableUpTo5Seconds(t *testing.T) {
	for _, c := range []struct {
		name  string
		bears quantity.Value
		k     float64
	}{
		{"PVC, which is assumed", quantity.Value{}, 100},
		{"XLPE", quantity.Exactly(273.15 + 250), 143},
	} {
		t.Run(c.name, func(t *testing.T) {
			b, s := petrelsFuse(t)
			b.Fuse.ArcingTime = quantity.Exactly(0)
			cable := &b.Cables[0]
			cable.ShortCircuitTemperature, cable.Resistance = c.bears, quantity.Exactly(1.2e-3) // so that the short-circuit current stays
			require.False(t, shorted(b, s), "petrel's own section")
			g := guards(b, s, "battery")[0]
			var most float64
			for I := g.slowest.MeltCurrent(5); I < Prospective(b); I *= 1.001 {
				most = max(most, I*I*g.slowest.MeltTime(I).Time)
			}
			least := 1e-6 * math.Sqrt(most) / c.k
			for _, share := range []float64{0.98, 1.02} {
				cable.Section = quantity.Exactly(share * least)
				assert.Equal(t, share < 1, shorted(b, s), "%.2f of %.1f mm²", share, 1e6*least)
			}
		})
	}
}

// TestCableGetsAsHot: what the cable reaches is that of a node integrated in small steps, and of a conductor that loses no
// heat in the first moments (IEC 60364-4-43).
func TestCableGetsAsHot(t *testing.T) {
	b, s := petrelsFuse(t)
	g := guards(b, s, "battery")[0]
	for _, c := range []struct{ amps, seconds float64 }{{417, 300}, {256, 7200}, {184, 7200}, {900, 5}} {
		T, dt := g.cable.RatedTemperature.SI, c.seconds/20000
		for range 20000 {
			heat := c.amps * c.amps * g.heat.Ohms * (1 + 0.00393*(T-293.15))
			T += (heat - (T-g.air)/g.heat.Resistance) / g.heat.Capacity * dt
		}
		assert.InDelta(t, T, g.reaches(c.amps, c.seconds), 0.1, "%g A for %g s", c.amps, c.seconds)
	}
	assert.InDelta(t, g.cable.RatedTemperature.SI, g.reaches(g.carries, 1e5), 1.0, "what it carries for ever keeps it at its rating")
	adiabatic := g.reaches(3000, 0.5)
	k := thermal.Copper().WithstandConstant(g.cable.RatedTemperature.SI, adiabatic)
	assert.InEpsilon(t, 0.5, thermal.WithstandTime(3000, g.cable.Section.SI, k), 0.15, "the resistance of the file is a little above pure copper's")
}

// TestWhatOnlyTheSettingsProtect is told even where nothing is found.
func TestWhatOnlyTheSettingsProtect(t *testing.T) {
	b, s := petrelsFuse(t)
	assert.Regexp(t, `^from 18\d A to 256 A of battery current nothing protects the battery cable but the settings \(battery current limit \d+ A\); before a slow fuse of 160 A opens the battery cable can reach \d+ °C, at \d+ A of battery current; it is rated for 90 °C$`, fuseAgainstCable.Note(b, s))
	b.Fuse.Melts, b.Fuse.Carries = quantity.Value{}, quantity.Value{}
	b.Fuse.Rating, b.Fuse.CurveAt, b.Fuse.CurveIs = quantity.Exactly(200), quantity.Exactly(298.15), "melting"
	b.Fuse.Class, b.Fuse.Slowest = "", [][]float64{{640, 110}, {900, 24}, {1250, 6.6}, {2100, 1.1}, {4000, 0.17}}
	b.Fuse.Fastest = [][]float64{{500, 100}, {640, 27}, {900, 6}, {1500, 1.1}, {3000, 0.15}}
	found := fuseAgainstCable.Check(b, s)
	require.NotEmpty(t, found)
	assert.Contains(t, found[0].Text, "its slowest curve ends at 110 s: give fuse.melts")
	b.Fuse.Fastest = nil
	assert.Empty(t, fuseAgainstCable.Note(b, s), "no fuse is known")
}

// TestFuseAndWeakBank: a bank too weak to melt the fuse harms no cable that carries its short-circuit current for ever; one that
// drives more for ever does, and the words hold no infinity.
func TestFuseAndWeakBank(t *testing.T) {
	b, s := petrelsFuse(t)
	b.Battery.Resistance = quantity.Exactly(2) // 29 A in a short circuit
	assert.Empty(t, fuseAgainstCable.Check(b, s))
	b.Battery.Resistance = quantity.Exactly(0.30) // about 195 A: more than the 184 A that the cable carries, too little for the fuse
	found := fuseAgainstCable.Check(b, s)
	require.Len(t, found, 1)
	assert.Contains(t, found[0].Text, "a slow one never opens")
}

// TestACableThatASlowFuseLetsBurnIsNotClear: where both rules of IEC hold and the slowest curve yet lets the insulation pass what it
// bears, nothing but the controller's limit keeps it: close where that limit does, over where it does not.
func TestACableThatASlowFuseLetsBurnIsNotClear(t *testing.T) {
	b, s := petrelsFuse(t)
	cable := &b.Cables[0]
	level := func() Level {
		found := fuseAgainstCable.Check(b, s)
		if len(found) == 0 {
			return Clear
		}
		require.Len(t, found, 1, "the two rules of IEC hold: %v", found)
		assert.Regexp(t, `before a slow fuse of 160 A opens the battery cable can (reach \d+ °C|melt), at \d+ A of battery current; it is rated for \d+ °C, and its insulation bears \d+ °C for up to 5 s`, found[0].Text)
		return found[0].Level
	}
	hottest := guards(b, s, "battery")[0].exposed().kelvin
	bears := func(share float64) quantity.Value { // the share of the rise up to what it bears that it then uses
		return quantity.Exactly(cable.RatedTemperature.SI + (hottest-cable.RatedTemperature.SI)/share)
	}
	for _, c := range []struct {
		share float64
		level Level
	}{{0.7, Clear}, {0.89, Clear}, {0.91, Close}, {0.99, Close}, {1.01, Close}, {1.8, Close}} {
		cable.ShortCircuitTemperature = bears(c.share)
		assert.Equal(t, c.level, level(), "%g of the rise that it bears", c.share)
	}
	cable.ShortCircuitTemperature = bears(1.5)
	from := guards(b, s, "battery")[0].exposed().from
	for _, share := range []float64{0.99, 1.01} {
		s.Limits.BatteryCurrent = from * share
		assert.Equal(t, map[bool]Level{true: Over, false: Close}[share > 1], level(), "limit at %g of the current that passes it", share)
	}

	// The attack's case: 35 mm² of 105 °C, which both rules of IEC let pass, reaches 418 °C.
	b, s = petrelsFuse(t)
	cable = &b.Cables[0]
	cable.Section, cable.RatedTemperature, cable.Ampacity, cable.EngineSpace = quantity.Exactly(35e-6), quantity.Exactly(273.15+105), quantity.Exactly(210), false
	cable.Resistance, cable.ShortCircuitTemperature = quantity.Value{}, quantity.Value{}
	assert.Equal(t, Close, level())
}
