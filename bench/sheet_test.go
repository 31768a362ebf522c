package bench

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/benchtest"
	"quaybench/bench/record"
	"quaybench/bench/trial"
)

// TestSheetsHaveNoHoles: whoever fills in all of a sheet leaves no stretch of which a record would say that nobody saw it: of no built-in trial, and of none with holds
// of any length long enough to read in.
func TestSheetsHaveNoHoles(t *testing.T) {
	trials, err := AllTrials()
	require.NoError(t, err)
	rng := rand.New(rand.NewPCG(3, 0))
	for range 300 {
		k := &trial.Trial{Name: "random"}
		at := 20.0
		for range 2 + rng.IntN(30) {
			k.Throttle = append(k.Throttle, trial.Step{At: at, To: rng.Float64(), Over: 3 * rng.Float64()})
			at += 15 + []float64{10, 100, 3000}[rng.IntN(3)]*rng.Float64()
		}
		k.Duration = at
		trials = append(trials, k)
	}
	for _, k := range trials {
		at, _ := readingTimes(k)
		assert.Empty(t, record.Holes(at), "%s of %.0f s: %v", k.Name, k.Duration, at)
		assert.IsIncreasing(t, append([]float64{-1}, at...))
	}
}

// TestBandsOfASheetAreTheBoats: what a sheet lets a reading be, the boat can do: a shaft that idles does not turn faster than when it is driven, a current does not pass the limit that the
// controller keeps, and no band goes to nothing or without its prediction.
func TestBandsOfASheetAreTheBoats(t *testing.T) {
	benchtest.Computes(t)
	trials, err := AllTrials()
	require.NoError(t, err)
	for boat, name := range map[string]string{"petrel": "harbour", "bracken": "lost-cooling"} {
		k := slices.IndexFunc(trials, func(k *trial.Trial) bool { return k.Name == name })
		b, set := benchtest.Boat(t, boat)
		meters := []string{"motor_speed", "motor_current", "battery_current", "boat_speed"}
		s, err := MakeSheet(t.Context(), &Setup{Boat: b, Settings: set}, trials[k], meters)
		require.NoError(t, err)
		idle := 0
		for m := range meters {
			most := 0.0
			for _, r := range s.Rows {
				if !r.Move {
					most = max(most, math.Abs(r.Expected[m].Value))
				}
			}
			for _, r := range s.Rows {
				if r.Move {
					continue
				}
				e := r.Expected[m]
				assert.Less(t, e.Low, e.Value, "%s at %g s: %s", boat, r.At, meters[m])
				assert.Greater(t, e.High, e.Value, "%s at %g s: %s", boat, r.At, meters[m])
				assert.Less(t, e.High, 1.35*most+0.4, "%s at %g s: %s", boat, r.At, meters[m])
				assert.Greater(t, e.Low, -1.35*most-0.4, "%s at %g s: %s", boat, r.At, meters[m])
				switch {
				case meters[m] == "motor_speed" && r.Lever == 0:
					idle++
					assert.Less(t, e.High-e.Low, 0.5*most, "%s at %g s", boat, r.At)
				case meters[m] == "motor_current" && e.Value > 20:
					assert.Less(t, e.High, set.Limits.MotorCurrent+0.02*most+6, "%s at %g s: the limit and the meter", boat, r.At)
					assert.Greater(t, e.Low, -6.0, "%s at %g s: it does not brake under way", boat, r.At)
				}
			}
		}
		assert.NotZero(t, idle)
	}
}

// TestASheetSaysWhatItsBandsLeaveOut: up to half of the drawn boats may have no drive, and the bands are of the others.
func TestASheetSaysWhatItsBandsLeaveOut(t *testing.T) {
	short := &trial.Trial{Name: "short", Duration: 20, Throttle: []trial.Step{{At: 1, To: 0.5, Over: 1}}, Air: 298.15, Water: 288.15, Charge: 0.9, Load: "normal", LoadFactor: 1, CoolingLostFrom: math.Inf(1)}
	for power, misses := range map[string]bool{"2.4 kW ± 1 %": false, "1.6 kW ± 15 %": true} {
		s, err := LoadTexts("boat.toml", benchtest.File(t, "petrel", "boat.toml"), "settings.toml", benchtest.File(t, "petrel", "settings.toml"))
		require.NoError(t, err)
		s, err = s.With([]string{"propeller.measured_power=" + power})
		require.NoError(t, err)
		sheet, err := MakeSheet(t.Context(), s, short, nil)
		require.NoError(t, err)
		assert.Equal(t, misses, sheet.Missing > 0, "%s: %g", power, sheet.Missing)
		assert.Less(t, sheet.Missing, 0.5)
		text, err := sheet.MarshalJSON()
		require.NoError(t, err)
		assert.Contains(t, string(text), fmt.Sprintf(`"boats_left_out_of_bands":%g`, sheet.Missing))
	}
}
