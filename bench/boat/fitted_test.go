package boat_test

import (
	"regexp"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/boat"
	"quaybench/bench/quantity"
)

// TestWhatIsLeftOutFollows: figures that makers seldom print may be left out. They follow from the boat's others, come near what the
// demo launch states, count as left out, and are known worse than what is stated.
func TestWhatIsLeftOutFollows(t *testing.T) {
	text := petrel(t)
	whole, _, err := boat.Read("boat.toml", []byte(text))
	require.NoError(t, err)
	for _, c := range []struct {
		table, key string
		of         func(*boat.Boat) quantity.Value
	}{
		{"battery", "heat_capacity", func(b *boat.Boat) quantity.Value { return b.Battery.HeatCapacity }},
		{"battery.management", "charge_current", func(b *boat.Boat) quantity.Value { return b.Battery.Management.ChargeCurrent }},
		{"battery.management", "cell_high", func(b *boat.Boat) quantity.Value { return b.Battery.Management.CellHigh }},
		{"contactor", "break_current", func(b *boat.Boat) quantity.Value { return b.Contactor.BreakCurrent }},
		{"contactor", "make_current", func(b *boat.Boat) quantity.Value { return b.Contactor.MakeCurrent }},
		{"stage", "switching_frequency", func(b *boat.Boat) quantity.Value { return b.Stage.SwitchingFrequency }},
		{"stage", "switch_resistance", func(b *boat.Boat) quantity.Value { return b.Stage.SwitchResistance }},
		{"stage", "sink_heat_capacity", func(b *boat.Boat) quantity.Value { return b.Stage.SinkHeatCapacity }},
		{"stage", "capacitance", func(b *boat.Boat) quantity.Value { return b.Stage.Capacitance }},
		{"motor", "inductance", func(b *boat.Boat) quantity.Value { return b.Motor.Inductance }},
		{"motor", "inertia", func(b *boat.Boat) quantity.Value { return b.Motor.Inertia }},
		{"hull", "waterline_length", func(b *boat.Boat) quantity.Value { return b.Hull.WaterlineLength }},
	} {
		in := regexp.MustCompile(`(?ms)^\[` + regexp.QuoteMeta(c.table) + `\]\n.*?^` + c.key + ` = [^\n]*\n`)
		place := in.FindStringIndex(text)
		require.NotNil(t, place, c.key)
		line := regexp.MustCompile(`(?m)^` + c.key + ` = [^\n]*\n\z`).FindStringIndex(text[place[0]:place[1]])
		b, source, err := boat.Read("boat.toml", []byte(text[:place[0]+line[0]]+text[place[1]:]))
		require.NoError(t, err, c.key)
		key := c.table + "." + c.key
		stated, fitted := c.of(whole), c.of(b)
		require.True(t, fitted.Given, key)
		assert.InEpsilon(t, stated.SI, fitted.SI, 1.3, "%s: %v for %v", key, fitted.SI, stated.SI)
		assert.GreaterOrEqual(t, fitted.SI, stated.SI/3, key) // a contactor is taken to make no more than it carries
		assert.Equal(t, boat.LeftOut, b.Origin(key, fitted))
		assert.Contains(t, source.LeftOut(), key, "it is counted")
		if s := b.Spread(key, fitted); s.Law != boat.Exact {
			assert.Greater(t, s.Share(), 0.19, key)
		}
	}
}
