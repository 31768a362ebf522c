package simulate_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/boat"
	"quaybench/bench/quantity"
	"quaybench/bench/record"
	"quaybench/bench/settings"
	"quaybench/bench/simulate"
	"quaybench/bench/trial"
)

// fullThrottle returns what a quarter of an hour at full lever brings: propeller speed, boat speed and winding at its end.
func fullThrottle(t *testing.T, b *boat.Boat, s settings.Set, change func(*trial.Trial)) (shaft, speed, winding float64, run *record.Run) {
	t.Helper()
	tr, err := trial.Read("full.toml", []byte("name = \"full\"\nduration = \"15 min\"\n[[throttle]]\nat = \"2 s\"\nto = \"100 %\"\nover = \"1 s\"\n"))
	require.NoError(t, err)
	if change != nil {
		change(tr)
	}
	run, err = simulate.Run(t.Context(), b, s, tr, simulate.Options{})
	require.NoError(t, err)
	last := func(name string) float64 {
		tr, ok := run.Trace(name)
		require.True(t, ok, name)
		return tr.Values[len(tr.Values)-1]
	}
	return last(record.MotorSpeed), last(record.BoatSpeed), last("winding"), run
}

// A boat with another propeller keeps the correction that the measured one showed, and runs otherwise: more pitch holds the
// shaft back, and at a given voltage takes more current. That the measured point is void is said.
func TestAnotherPropellerChangesTheResult(t *testing.T) {
	s := setup(t, "petrel")
	fit := func(key, text string) *boat.Boat {
		b, err := s.Boat.With(key, text)
		require.NoError(t, err)
		return b
	}
	volts, err := s.Settings.With("throttle.demand", "voltage")
	require.NoError(t, err)
	volts, err = volts.With("limits.motor_current", "350 A")
	require.NoError(t, err)
	half := func(tr *trial.Trial) { tr.Throttle[0].To = 0.5 }
	shaft, speed, _, run := fullThrottle(t, s.Boat, s.Settings, nil)
	assert.Empty(t, run.Assumed)

	same, _, _, run := fullThrottle(t, fit("propeller.pitch", "0.22 m"), s.Settings, nil)
	assert.InDelta(t, shaft, same, 1e-9, "the same propeller again")
	assert.Empty(t, run.Assumed)

	fine, _, _, _ := fullThrottle(t, fit("propeller.pitch", "0.20 m"), s.Settings, nil)
	coarse, slow, _, run := fullThrottle(t, fit("propeller.pitch", "0.40 m"), s.Settings, nil)
	assert.Greater(t, fine, shaft)
	assert.Less(t, coarse, 0.9*shaft)
	assert.Less(t, slow, speed, "the same torque")
	_, sedate, cool, _ := fullThrottle(t, fit("propeller.pitch", "0.20 m"), volts, half)
	_, fast, hot, _ := fullThrottle(t, fit("propeller.pitch", "0.40 m"), volts, half)
	t.Logf("pitch 0.20, 0.22, 0.40 m at one torque: %.4g, %.4g, %.4g rad/s; pitch 0.20, 0.40 m at one voltage: %.3g, %.3g m/s, winding %.4g, %.4g K", fine, shaft, coarse, sedate, fast, cool, hot)
	assert.Greater(t, hot, cool+5, "the same voltage")
	assert.Greater(t, fast, sedate)
	require.Len(t, run.Assumed, 1)
	assert.Contains(t, run.Assumed[0], "measured point is void")
	assert.Contains(t, run.Assumed[0], "pitch 0.220 m, now 0.400 m")

	wide, _, _, _ := fullThrottle(t, fit("propeller.diameter", "0.34 m"), s.Settings, nil)
	assert.Less(t, wide, shaft, "a larger disc takes more torque")
	four, _, _, _ := fullThrottle(t, fit("propeller.blades", "4"), s.Settings, nil)
	assert.NotEqual(t, shaft, four)

	back, err := fit("propeller.pitch", "0.40 m").With("propeller.pitch", "0.22 m")
	require.NoError(t, err)
	again, _, _, _ := fullThrottle(t, back, s.Settings, nil)
	assert.InDelta(t, shaft, again, 1e-9, "the first propeller is back")
	anew, err := fit("propeller.pitch", "0.26 m").With("propeller.measured_power", "2.6 kW")
	require.NoError(t, err)
	assert.False(t, anew.Propeller.Changed(), "a new point is of the propeller fitted now")
}

// What stands outside the compartment begins at the temperature of what surrounds it; a cable may have one of its own.
func TestPartsBeginAtTheTemperatureAroundThem(t *testing.T) {
	s := setup(t, "petrel")
	b := *s.Boat
	b.Cables = append([]boat.Cable(nil), b.Cables...)
	b.Cables[1].Place, b.Motor.Cooling, b.Stage.Cooling, b.Battery.Place = "air", "water", "water", "air"
	_, _, _, run := fullThrottle(t, &b, s.Settings, func(tr *trial.Trial) {
		tr.Air, tr.Water, tr.Compartment = 300, 285, quantity.Exactly(320)
		tr.Start.Cable = []trial.CableStart{{Name: "battery lug", Temperature: 350}}
	})
	for name, want := range map[string]float64{
		"battery cable": 320, "motor cable": 300, "battery lug": 350, "contactor": 320, "battery": 300, "heat sink": 285,
		"motor housing": 285, "winding": 285, "compartment air": 320, "link capacitor": 320,
	} {
		tr, ok := run.Trace(name)
		require.True(t, ok, name)
		assert.InDelta(t, want, tr.Values[0], 1e-9, name)
	}
	tr, err := trial.Read("t.toml", []byte("name = \"t\"\nduration = \"1 s\"\n[[throttle]]\nat = \"0 s\"\nto = \"100 %\"\n[[start.cable]]\nname = \"motr cable\"\ntemperature = \"60 °C\"\n"))
	require.NoError(t, err)
	_, err = simulate.Run(t.Context(), s.Boat, s.Settings, tr, simulate.Options{})
	assert.ErrorContains(t, err, `start.cable: the boat has no "motr cable"; it has battery cable, motor cable, battery lug`)
}

// Heat of the brushes that leaves through their holders warms the housing and not the commutator; weaker magnets cost
// torque; thin water unloads the propeller.
func TestKeysOfMotorAndWaterAct(t *testing.T) {
	s := setup(t, "petrel")
	last := func(run *record.Run, name string) float64 {
		tr, ok := run.Trace(name)
		require.True(t, ok, name)
		return tr.Values[len(tr.Values)-1]
	}
	_, _, _, plain := fullThrottle(t, s.Boat, s.Settings, nil)
	half, err := s.Boat.With("motor.brush_heat_share", "50 %")
	require.NoError(t, err)
	_, _, _, run := fullThrottle(t, half, s.Settings, nil)
	assert.Less(t, last(run, "commutator"), last(plain, "commutator")-3)
	assert.Greater(t, last(run, "motor housing"), last(plain, "motor housing")-0.5)
	weak, err := s.Boat.With("motor.magnet_per_kelvin", "-0.5 %/K")
	require.NoError(t, err)
	_, _, warm, _ := fullThrottle(t, s.Boat, s.Settings, nil)
	_, _, warmer, _ := fullThrottle(t, weak, s.Settings, nil)
	assert.NotEqual(t, warm, warmer)
	refit := setup(t, "petrel-refit") // a propeller known by its shape: a measured one was measured in the trial's water
	shaft, _, _, _ := fullThrottle(t, refit.Boat, refit.Settings, nil)
	thin, _, _, _ := fullThrottle(t, refit.Boat, refit.Settings, func(tr *trial.Trial) { tr.WaterDensity = 950 })
	assert.Greater(t, thin, shaft+0.5)
}
