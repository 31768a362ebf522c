package verdict

import (
	"testing"

	"quaybench/bench/boat"
	"quaybench/bench/quantity"
	"quaybench/bench/settings"
	"quaybench/testdata/checks"
	"quaybench/testdata/reference"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func si(x float64) quantity.Value { return quantity.Value{SI: x, Given: true} }

// least finds the smallest x that a rule lets pass, and most the largest.
func least(r Rule, lo, hi float64, with func(x float64) *boat.Boat) float64 {
	for range 100 {
		mid := (lo + hi) / 2
		if len(r.Check(with(mid), settings.Set{})) > 0 {
			lo = mid
		} else {
			hi = mid
		}
	}
	return hi
}

func most(r Rule, lo, hi float64, with func(x float64) *boat.Boat) float64 {
	return -least(r, -hi, -lo, func(x float64) *boat.Boat { return with(-x) })
}

func TestChecksAmpacity(t *testing.T) {
	cable := func(ampacity, celsius float64, engineSpace bool) boat.Cable {
		return boat.Cable{
			Name: "battery cable", Circuit: "battery", Ampacity: si(ampacity), Bundling: si(1), RatedTemperature: si(celsius + 273.15), EngineSpace: engineSpace,
		}
	}
	bank := func(volts, fuse float64, c boat.Cable) *boat.Boat {
		b := &boat.Boat{Cables: []boat.Cable{c}}
		b.Battery.Cells, b.Battery.CellHighest, b.Fuse.Rating = 1000, si(volts/1000), si(fuse)
		return b
	}
	largest := func(volts float64, c boat.Cable) float64 {
		return most(fuseAgainstCable, 1, 1000, func(fuse float64) *boat.Boat { return bank(volts, fuse, c) })
	}
	factor := func(celsius float64) func() float64 {
		c := cable(1, celsius, true)
		return func() float64 { return allowable(&c) }
	}
	checks.Run(t, "ampacity", map[string]func() float64{
		"K-08r": func() float64 { c := cable(210, 105, true); return allowable(&c) },
		"K-02a": func() float64 { return largest(48, cable(210, 105, false)) },
		"K-02b": func() float64 { return largest(48, cable(210, 105, true)) },
		"K-03a": func() float64 { return largest(58.4, cable(210, 105, false)) },
		"K-03b": func() float64 { return largest(58.4, cable(360, 75, true)) },
		"K-03v": func() float64 { // a fuse that only the milder rule lets pass
			return most(fuseAgainstCable, 40, 60, func(volts float64) *boat.Boat { return bank(volts, 300, cable(210, 105, false)) })
		},
		"K-06a": factor(60),
		"K-06b": factor(90),
		"K-06c": factor(125),
		"K-07a": factor(60),
		"K-07b": factor(105),
		"K-07c": factor(70),
	})
}

func TestChecksPrecharge(t *testing.T) {
	with := func(volts, farads, ohms, seconds, joules float64) *boat.Boat {
		b := &boat.Boat{Precharge: &boat.Precharge{Resistance: si(ohms), Time: si(seconds), PulseEnergy: si(joules)}}
		b.Battery.Cells, b.Battery.CellHighest, b.Stage.Capacitance = 1, si(volts), si(farads)
		return b
	}
	shortest := func(volts, farads, ohms float64) float64 {
		return least(precharge, 0, 100*farads*ohms, func(s float64) *boat.Boat { return with(volts, farads, ohms, s, 1e9) })
	}
	energy := func(volts, farads, ohms float64) float64 {
		return least(precharge, 0, 1e4, func(j float64) *boat.Boat { return with(volts, farads, ohms, 1e9, j) })
	}
	checks.Run(t, "precharge", map[string]func() float64{
		"R-02":  func() float64 { return shortest(51, 10e-3, 100) / (10e-3 * 100) },
		"R-03":  func() float64 { return energy(51, 10e-3, 100) / (10e-3 * 51 * 51 / 2) },
		"R-03b": func() float64 { return energy(51, 10e-3, 10) / (10e-3 * 51 * 51 / 2) },
		"R-04e": func() float64 { return energy(51, 10e-3, 100) },
		"R-06t": func() float64 { return 1000 * shortest(800, 1000e-6, 47) },
		"R-06e": func() float64 { return energy(800, 1000e-6, 47) },
		"R-07": func() float64 {
			b := &boat.Boat{Joints: []boat.Joint{{Circuit: "battery", Resistance: si(1e-3)}}}
			b.Battery.Cells, b.Battery.CellHighest, b.Battery.Resistance = 16, si(3.2), si(7e-3)
			b.Fuse.Resistance, b.Contactor.Resistance = si(0.5e-3), si(0.5e-3)
			b.Cables = []boat.Cable{{Circuit: "battery", Resistance: si(3e-3)}}
			return Prospective(b)
		},
	})
}

// TestChecksPrechargeCircuit compares the rule's closed forms with testdata/reference/circuits/precharge.cir.
func TestChecksPrechargeCircuit(t *testing.T) {
	c, err := reference.ReadCircuit("precharge")
	require.NoError(t, err)
	for i, row := range c.Cases {
		with := func(seconds, joules float64) *boat.Boat {
			b := &boat.Boat{Precharge: &boat.Precharge{Resistance: si(row["resistance"]), Time: si(seconds), PulseEnergy: si(joules)}}
			b.Battery.Cells, b.Battery.CellHighest, b.Stage.Capacitance = 1, si(row["volts"]), si(row["c"])
			return b
		}
		shortest := least(precharge, 0, 100, func(s float64) *boat.Boat { return with(s, 1e9) })
		energy := least(precharge, 0, 1e4, func(j float64) *boat.Boat { return with(1e9, j) })
		t.Logf("case %d: 95 %% after %.4f s, circuit %.4f; %.3f J, circuit %.3f", i+1, shortest, row["t95"], energy, row["energy"])
		assert.InEpsilon(t, row["t95"], shortest, 0.005, "time to 95 %%, case %d: the rule takes the trade's three time constants", i+1)
		assert.InEpsilon(t, row["energy"], energy, 0.002, "energy in the resistor, case %d", i+1)
	}
	if reference.Live {
		t.Run("live", c.CheckLive)
	}
}
