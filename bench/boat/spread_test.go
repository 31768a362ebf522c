package boat_test

import (
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/boat"
	"quaybench/bench/quantity"
)

// TestSpreadByKindAndOrigin: what states no tolerance takes one by where it comes from and what it is; limits and ratings are exact.
func TestSpreadByKindAndOrigin(t *testing.T) {
	value := func(si float64, origin string) quantity.Value {
		return quantity.Value{SI: si, Given: true, Provenance: origin}
	}
	for _, c := range []struct {
		key   string
		value quantity.Value
		half  float64 // share of the value; kelvins; points
		law   boat.Law
	}{
		{"motor.resistance", value(0.014, quantity.Measured), 0.05, boat.Normal},
		{"motor.resistance", value(0.014, quantity.DataSheet), 0.1, boat.Normal},
		{"motor.resistance", value(0.014, quantity.Estimated), 0.2, boat.Normal},
		{"motor.resistance", value(0.014, quantity.Example), 0.2, boat.Normal},
		{"joint[2].resistance", value(1e-4, quantity.Measured), 0.2, boat.Normal},
		{"joint[2].resistance", value(1e-4, quantity.Estimated), 0.6, boat.LogNormal},
		{"stage.sink_limit", value(363.15, quantity.Estimated), 0, boat.Exact},
		{"battery.management.cell_low", value(2.6, quantity.DataSheet), 0, boat.Exact},
		{"shaft.gear_ratio", value(2, quantity.Estimated), 0, boat.Exact},
		{"fuse.rating", value(160, quantity.Estimated), 0, boat.Exact},
		{"motor.friction_torque", value(0, quantity.Estimated), 0, boat.Exact},
		{"hull.wake", value(0.3, quantity.Estimated), 0.06, boat.Normal},
		{"shaft.gear_efficiency", value(1, quantity.Estimated), 0.03, boat.Bounded},
		{"no.such_key", value(1, quantity.Estimated), 0, boat.Exact},
	} {
		s := new(boat.Boat).Spread(c.key, c.value)
		scale := c.value.SI
		if strings.HasPrefix(c.key, "hull") || strings.HasSuffix(c.key, "efficiency") {
			scale = 1
		}
		assert.Equal(t, c.law, s.Law, "%s, %s", c.key, c.value.Provenance)
		assert.InDelta(t, c.half*scale, s.Half, 1e-12, "%s, %s", c.key, c.value.Provenance)
		assert.False(t, s.Stated)
	}
	s := new(boat.Boat).Spread("motor.resistance", quantity.Value{SI: 0.014, Tolerance: 0.001, Given: true, Provenance: quantity.Measured})
	assert.True(t, s.Stated)
	assert.Equal(t, 0.001, s.Half, "a stated tolerance holds")
}

// TestSpreadKeepsItsPromises: the value as written is the middle, two standard deviations are the half-width where no bound is near,
// values rise with the score, stay inside, and come back as the same score.
func TestSpreadKeepsItsPromises(t *testing.T) {
	b, _, err := boat.Read("boat.toml", []byte(petrel(t)))
	require.NoError(t, err)
	for _, key := range []string{"motor.resistance", "joint[0].resistance", "hull.wake", "hull.added_mass", "shaft.gear_efficiency", "stage.lost_cooling_factor", "battery.peukert", "motor.standstill_phase_factor", "motor.magnet_per_kelvin"} {
		for _, tolerance := range []float64{0, 0.01, 0.19, 0.21, 0.5, 1} {
			for _, at := range []float64{0.02, 0.5, 0.97, 1, 1.3} {
				if key == "motor.magnet_per_kelvin" {
					at *= -0.01
				}
				v := quantity.Value{SI: at, Given: true, Tolerance: tolerance * math.Abs(at)}
				s := b.Spread(key, v)
				if at < s.Low || at > s.High {
					continue // no file says so
				}
				require.InDelta(t, at, s.At(0), 1e-15, key)
				if s.Law == boat.Exact {
					continue
				}
				last := math.Inf(-1)
				for z := -boat.Cut; z <= boat.Cut; z += 0.125 {
					x := s.At(z)
					require.True(t, x >= s.Low && x <= s.High, "%s: %v of %+v", key, x, s)
					if at > 0 {
						require.GreaterOrEqual(t, x, last, "%s: %+v at %v", key, s, z)
						last = x
						require.True(t, x > 0 || s.Law == boat.Bounded || key == "hull.wake", "%s: %v", key, x)
					}
					if back := s.Score(x); !math.IsInf(back, 0) && x != s.Value {
						require.InDelta(t, z, back, 1e-6, "%s: %+v", key, s)
					}
				}
				if s.Law == boat.Normal {
					require.InDelta(t, at+v.Tolerance+b2(s, v), s.At(2), 1e-12, key)
				}
				if s.Law == boat.LogNormal {
					require.InDelta(t, math.Abs(at)+s.Half, math.Abs(s.At(2)), 1e-12, key)
					require.InDelta(t, at*at, s.At(2)*s.At(-2), 1e-12, key)
				}
			}
		}
	}
}

// b2 returns the half-width that a value without a stated tolerance takes.
func b2(s boat.Spread, v quantity.Value) float64 {
	if v.Tolerance > 0 {
		return 0
	}
	return s.Half
}

// TestBoatSetsItsOwnTolerances: a [[tolerance]] table changes a kind or a key of one boat; a key counts more than its kind, and a kind
// makes nothing spread that is exact.
func TestBoatSetsItsOwnTolerances(t *testing.T) {
	half := func(tables, key string) float64 {
		b, _, err := boat.Read("boat.toml", []byte(petrel(t)+tables))
		require.NoError(t, err, tables)
		return b.Spread(key, quantity.Value{SI: 1, Given: true, Provenance: quantity.Estimated}).Half
	}
	kind := "\n[[tolerance]]\nof = \"resistance\"\nmeasured = \"1 %\"\nestimated = \"7 %\"\n"
	key := "\n[[tolerance]]\nof = \"joint.resistance\"\nestimated = \"9 %\"\n"
	assert.Equal(t, 0.6, half("", "joint[0].resistance"))
	assert.Equal(t, 0.07, half(kind, "joint[0].resistance"))
	assert.Equal(t, 0.09, half(kind+key, "joint[0].resistance"))
	assert.Equal(t, 0.09, half(key+kind, "joint[0].resistance"))
	assert.Equal(t, 0.07, half(kind+key, "motor.resistance"))
	assert.Zero(t, half("\n[[tolerance]]\nof = \"current\"\nestimated = \"20 %\"\n", "fuse.rating"))
	assert.Equal(t, 0.02, half("\n[[tolerance]]\nof = \"fuse.rating\"\nestimated = \"2 %\"\n", "fuse.rating"))
	assert.Zero(t, half("\n[[tolerance]]\nof = \"motor.resistance\"\nestimated = \"0 %\"\n", "motor.resistance"))
	assert.Equal(t, 4.0, half("\n[[tolerance]]\nof = \"temperature\"\nestimated = \"4 K\"\n", "battery.place_temperature")+4, "an unknown key is exact")

	for tables, want := range map[string]string{
		"\n[[tolerance]]\nof = \"motor.resistnce\"\nestimated = \"5 %\"\n":     `"motor.resistnce" is neither a kind of quantity nor a key`,
		"\n[[tolerance]]\nof = \"joint[0].resistance\"\nestimated = \"5 %\"\n": "a key is written without numbers",
		"\n[[tolerance]]\nof = \"resistance\"\n":                               "states nothing",
		"\n[[tolerance]]\nof = \"resistance\"\nestimated = \"5 K\"\n":          "write for example \"10 %\"",
		"\n[[tolerance]]\nof = \"temperature\"\nestimated = \"5 %\"\n":         "write for example \"3 K\"",
		"\n[[tolerance]]\nof = \"resistance\"\nestimated = \"-5 %\"\n":         "from 0 to 100 %",
		"\n[[tolerance]]\nof = \"resistance\"\nestimated = \"1000 %\"\n":       "from 0 to 100 %",
		"\n[[tolerance]]\nof = \"resistance\"\nestimated = \"\"\n":             "states nothing",
		kind + kind:                              "there is a table for \"resistance\" already",
		"\n[[tolerance]]\nestimated = \"5 %\"\n": "of is missing",
	} {
		_, _, err := boat.Read("boat.toml", []byte(petrel(t)+tables))
		assert.ErrorContains(t, err, want, tables)
	}
}

// TestOriginsOfValues: a word in the value, a word in the comment beside a table, nothing, and what the file leaves out.
func TestOriginsOfValues(t *testing.T) {
	const key = "motor.winding_to_housing"
	b, _, err := boat.Read("boat.toml", []byte(petrel(t)))
	require.NoError(t, err)
	assert.Equal(t, quantity.DataSheet, b.Origin("motor.resistance", b.Motor.Resistance))
	assert.Equal(t, "", b.Origin("stage.capacitor_heat_capacity", b.Stage.CapacitorHeatCapacity), "stated without a word")
	assert.Equal(t, boat.LeftOut, b.Origin(key, b.Motor.WindingToHousing))
	changed, err := b.With(key, "0.06 K/W, measured")
	require.NoError(t, err)
	assert.Equal(t, quantity.Measured, changed.Origin(key, changed.Motor.WindingToHousing))
	changed, err = b.With(key, "0.06 K/W")
	require.NoError(t, err)
	assert.Equal(t, "", changed.Origin(key, changed.Motor.WindingToHousing))
	assert.Equal(t, boat.LeftOut, b.Origin(key, b.Motor.WindingToHousing), "the original stays")
}
