package study_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/benchtest"
	"quaybench/bench/simulate"
	"quaybench/bench/study"
	"quaybench/bench/trial"
	"quaybench/bench/variant"
	"quaybench/bench/verdict"
)

// spoilt is petrel with values changed, judged in trials.
func spoilt(t testing.TB, trials []*trial.Trial, set ...[2]string) (variant.Variant, *verdict.Side) {
	t.Helper()
	b, s := petrel(t)
	v := variant.Of(b, s)
	for _, k := range set {
		var err error
		v, _, err = v.With(k[0], k[1])
		require.NoError(t, err, k[0])
	}
	return v, judged(t, v, trials)
}

func judged(t testing.TB, v variant.Variant, trials []*trial.Trial) *verdict.Side {
	t.Helper()
	list, err := study.RunVariants(t.Context(), []variant.Variant{v}, trials, simulate.Options{}, nil)
	require.NoError(t, err)
	side := verdict.Join(verdict.Static(v.Boat, v.Settings), list[0])
	return &side
}

// TestARemedyMakesNoOtherTrialHard: with a heat sink that is far too small a lower limit keeps it cool in the outing, and lets an empty bank
// heat it for longer.
func TestARemedyMakesNoOtherTrialHard(t *testing.T) {
	b, s := benchtest.Boat(t, "bracken")
	v, _, err := variant.Of(b, s).With("stage.sink_resistance", "1.5 K/W")
	require.NoError(t, err)
	trials := builtin(t, "full-throttle", "hot-day", "low-battery", "two-hour-outing")
	assert.NotEmpty(t, remedies(t, v, judged(t, v, trials), trials))
}

// remedies finds them, and holds what each says against the boat with it: the part is clear in every trial, no device opens that did
// not before, and what is said to be next is the boat's verdict.
func remedies(t testing.TB, v variant.Variant, side *verdict.Side, trials []*trial.Trial) []study.Remedy {
	t.Helper()
	list, err := study.FindRemedies(t.Context(), v, side, trials)
	require.NoError(t, err)
	for _, r := range list {
		changed, _, err := v.With(r.Key, r.To)
		require.NoError(t, err, r.Key)
		after := judged(t, changed, trials)
		assert.Equal(t, after.Level, r.Then, "%+v", r)
		assert.Equal(t, after.Level == verdict.Clear, r.Next == "", "%+v", r)
		for i := range after.Trials {
			for _, p := range after.Trials[i].Parts {
				if p.Name == r.Of {
					assert.Equal(t, verdict.Clear, p.Level, "%s by %s %s in %s", r.Of, r.Key, r.To, after.Trials[i].Name)
				}
			}
		}
		for _, f := range after.Findings {
			assert.False(t, "rule "+f.Rule == r.Of && f.Level > verdict.Clear, "%s by %s %s: %s", r.Of, r.Key, r.To, f.Text)
		}
	}
	return list
}

// TestEachRemedyMakesItsPartClear: for each kind of part that is made hot, the kind of change that is bought for it is among them, and a
// setting beside it.
func TestEachRemedyMakesItsPartClear(t *testing.T) {
	for _, c := range []struct {
		name, of, key string
		trials        []string
		setting       bool
		set           [][2]string
	}{
		{"a cable too thin", "motor cable", "cable[motor cable].section", []string{"hot-restart"}, true, [][2]string{{"cable[motor cable].section", "25 mm²"}}},
		{"a propeller too coarse", "commutator", "propeller.pitch", []string{"full-throttle", "hot-restart"}, true, [][2]string{{"motor.constant", "0.28 V·s/rad"}, {"limits.motor_current", "184 A"}, {"limits.battery_current", "160 A"}}},
		{"a heat sink too small", "heat sink", "stage.sink_resistance", []string{"hot-restart"}, true, [][2]string{{"stage.sink_resistance", "1.5 K/W"}, {"stage.sink_limit", "75 °C"}}},
		{"a motor without air", "motor housing", "motor.housing_to_air", []string{"two-hour-outing"}, true, [][2]string{{"motor.housing_to_air", "0.35 K/W"}}},
		{"a bad crimp", "motor terminal", "joint[motor terminal].resistance", []string{"hot-restart"}, true, [][2]string{{"joint[motor terminal].resistance", "0.6 mΩ"}}},
		{"a compartment without vents", "compartment air", "compartment.thermal_resistance", []string{"two-hour-outing"}, true, [][2]string{{"compartment.thermal_resistance", "0.06 K/W"}, {"compartment.limit", "41 °C"}}},
		{"a contactor too small", "rule contactor-carries", "contactor.current", []string{"harbour"}, true, [][2]string{{"contactor.current", "100 A"}}},
		{"a fuse too large", "rule fuse-against-cable", "fuse.rating", []string{"harbour"}, false, [][2]string{{"fuse.rating", "250 A"}}},
		{"a fuse too large for its cable", "rule fuse-against-cable", "cable[battery cable].section", []string{"harbour"}, false, [][2]string{{"fuse.rating", "250 A"}}},
		{"management that opens", "management", "limits.battery_current", []string{"full-throttle"}, true, [][2]string{{"battery.management.discharge_current", "60 A"}}},
	} {
		t.Run(c.name, func(t *testing.T) {
			trials := builtin(t, c.trials...)
			v, side := spoilt(t, trials, c.set...)
			require.NotEqual(t, verdict.Clear, side.Level)
			found, setting := false, false
			list := remedies(t, v, side, trials)
			for _, r := range list {
				found = found || r.Of == c.of && r.Key == c.key
				setting = setting || r.Of == c.of && r.Setting
			}
			assert.True(t, found, "%+v", list)
			assert.Equal(t, c.setting, setting, "%+v", list)
		})
	}
}

// TestADeadDriveIsNoRemedy: where management opens the motor stays cool, and that makes no part clear.
func TestADeadDriveIsNoRemedy(t *testing.T) {
	benchtest.Computes(t)
	trials := builtin(t, "full-throttle", "hot-restart")
	v, side := spoilt(t, trials, [2]string{"limits.motor_current", "170 A"}, [2]string{"battery.management.discharge_current", "110 A"}, [2]string{"limits.battery_current", "105 A"})
	for _, r := range remedies(t, v, side, trials) {
		assert.NotContains(t, r.Next, "management", "%+v", r)
	}
}
