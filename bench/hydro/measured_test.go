package hydro

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// The yard's invented launch: 0.33 m propeller at 900 rev/min takes 2.2 kW at 2.4 m/s.
func launchPropeller() Measured {
	return Measured{Diameter: 0.33, ShaftSpeed: 15, Power: 2200, AdvanceSpeed: 2.4, Density: 1000, Thrust: 520}
}

func TestMeasuredPointIsMet(t *testing.T) {
	m := launchPropeller()
	s, err := NewMeasured(m)
	require.NoError(t, err)
	thrust, torque := s.Loads(m.ShaftSpeed, m.AdvanceSpeed, m.Density)
	assert.InEpsilon(t, m.Thrust, thrust, 1e-4)
	assert.InEpsilon(t, m.Power, 2*math.Pi*m.ShaftSpeed*torque, 1e-4)

	// B-15, the propeller law: at 80 % speed and the same J, 64 % thrust and torque, 51.2 %
	// power. Status: computed.
	t80, q80 := s.Loads(0.8*m.ShaftSpeed, 0.8*m.AdvanceSpeed, m.Density)
	assert.InDelta(t, 0.64, t80/thrust, 1e-12)
	assert.InDelta(t, 0.64, q80/torque, 1e-12)
	assert.InDelta(t, 0.512, 0.8*q80/torque, 1e-12)

	// The bollard takes more torque at the same shaft speed, not less.
	bt, bq := s.Loads(m.ShaftSpeed, 0, m.Density)
	assert.Greater(t, bq, torque)
	assert.Greater(t, bt, thrust)
	assert.Less(t, idealPower(bt, 0, m.Diameter, m.Density), 2*math.Pi*m.ShaftSpeed*bq, "within momentum theory")
}

// Torque and power say the same; a point made from a B-series propeller gives it back.
func TestMeasuredGivesTheSeriesBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := BSeries{
			Diameter:   rapid.Float64Range(0.1, 1).Draw(t, "diameter"),
			Blades:     3,
			AreaRatio:  0.55,
			PitchRatio: rapid.Float64Range(0.55, 1.35).Draw(t, "pitch"),
		}
		form := b.polynomials()
		n := 10.0
		j := form.zeroThrust() * rapid.Float64Range(0, 0.8).Draw(t, "share")
		torque := 1000 * n * n * math.Pow(b.Diameter, 5) * form.KQ(j)
		m := Measured{Diameter: b.Diameter, ShaftSpeed: n, AdvanceSpeed: j * n * b.Diameter, Density: 1000, Torque: torque}
		byTorque, err := NewMeasured(m)
		if err != nil {
			t.Fatal(err)
		}
		m.Power, m.Torque = 2*math.Pi*n*torque, 0
		byPower, err := NewMeasured(m)
		if err != nil {
			t.Fatal(err)
		}
		for _, at := range []float64{0, 0.2, 0.4} {
			if math.Abs(byTorque.KT(at)-form.KT(at)) > 1e-6 || math.Abs(byTorque.KQ(at)-byPower.KQ(at)) > 1e-9 {
				t.Fatalf("J %g: KT %g against %g", at, byTorque.KT(at), form.KT(at))
			}
		}
	})
}

func TestMeasuredRefuses(t *testing.T) {
	for _, c := range []struct {
		name  string
		spoil func(*Measured)
		what  string
	}{
		{"no torque", func(m *Measured) { m.Power = 0 }, "torque or shaft power"},
		{"torque and power", func(m *Measured) { m.Torque = 10 }, "torque or shaft power"},
		{"rev/min for rev/s", func(m *Measured) { m.ShaftSpeed = 900 }, "shaft speed in 1/min"},
		{"shaft still", func(m *Measured) { m.ShaftSpeed = 0 }, "shaft speed in 1/min"},
		{"no density", func(m *Measured) { m.Density = 0 }, "water density in kg/m³"},
		{"NaN", func(m *Measured) { m.Power = math.NaN() }, "shaft power in W"},
		{"too much thrust", func(m *Measured) { m.Thrust = 900 }, "power of the thrust, which is thrust times speed of the water at the propeller, in W"},
		{"more thrust than momentum allows", func(m *Measured) { m.Thrust, m.AdvanceSpeed = 1200, 0 }, "shaft power in W"},
		{"too fast for any pitch", func(m *Measured) { m.AdvanceSpeed, m.Thrust = 9, 100 }, "advance of a turn over the diameter"},
		{"pitch beyond the series", func(m *Measured) { m.PitchRatio = 2 }, "pitch over diameter"},
	} {
		m := launchPropeller()
		c.spoil(&m)
		_, err := NewMeasured(m)
		var out *RangeError
		if assert.ErrorAs(t, err, &out, c.name) {
			assert.Equal(t, c.what, out.Name, c.name)
		}
	}
}

func TestConditions(t *testing.T) {
	s, err := NewMeasured(launchPropeller())
	require.NoError(t, err)
	ct, cq := s.Loads(12, 0, 1000)

	thrust, torque := Condition{}.Loads(s, 12, 0, 1000)
	assert.Equal(t, []float64{ct, cq}, []float64{thrust, torque}, "clean water changes nothing")

	thrust, torque = Condition{Fouling: 0.5}.Loads(s, 12, 0, 1000)
	assert.InDelta(t, 1.5*cq, torque, 1e-9, "weed: half as much again at the bollard")
	assert.InDelta(t, ct, thrust, 1e-9)

	thrust, torque = Condition{Ventilation: 0.7}.Loads(s, 12, 0, 1000)
	assert.InDelta(t, 0.3*ct, thrust, 1e-9)
	assert.InDelta(t, 0.3*cq, torque, 1e-9)

	thrust, torque = Condition{Dry: true}.Loads(s, 12, 0, 1000)
	assert.InDelta(t, 0.0012*ct, thrust, 1e-9, "air is 1/833 of water")
	assert.InDelta(t, 0.0012*cq, torque, 1e-9)
}

func TestConditionRefuses(t *testing.T) {
	require.NoError(t, Condition{Fouling: 0.5, Ventilation: 1}.Check())
	for name, c := range map[string]Condition{
		"fouling":     {Fouling: -0.1},
		"ventilation": {Ventilation: 70}, // per cent for a share
	} {
		var out *RangeError
		if assert.ErrorAs(t, c.Check(), &out, name) {
			assert.Equal(t, name, out.Name)
		}
	}
}

// No condition makes energy either.
func TestConditionsDissipate(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := anyScrew.Draw(t, "screw")
		c := Condition{
			Fouling:     rapid.Float64Range(0, 5).Draw(t, "fouling"),
			Ventilation: rapid.Float64Range(0, 1).Draw(t, "ventilation"),
			Dry:         rapid.Bool().Draw(t, "dry"),
		}
		n := rapid.Float64Range(-20, 20).Draw(t, "n") / s.Diameter()
		va := rapid.Float64Range(-10, 10).Draw(t, "va")
		thrust, torque := c.Loads(s, n, va, 1025)
		if lost := 2*math.Pi*n*torque - thrust*va; lost < -1e-9 {
			t.Fatalf("creates %g W", -lost)
		}
	})
}
