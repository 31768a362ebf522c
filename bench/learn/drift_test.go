package learn

import (
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/benchtest"
	"quaybench/bench/boat"
	"quaybench/bench/datafile"
	"quaybench/bench/drive"
	"quaybench/bench/learn/learntest"
	"quaybench/bench/record"
	"quaybench/bench/trial"
)

// studOuting is half an hour with a thermometer on the switch stud, whose resistance has grown by a share.
func studOuting(t testing.TB, seed uint64, more float64) *Record {
	return outing(t, func(o *learntest.Outing) {
		o.Seed, o.Every, o.True = seed, 30, map[string]float64{"joint[1].resistance": more}
		o.Traces = []string{record.Voltage, record.BatteryCurrent, record.MotorCurrent, record.BoatSpeed, "switch stud"}
	})
}

// driftFew leaves a few values in the fit, which makes a test fast; a user's has all.
func driftFew(t testing.TB, days []float64, records ...*Record) (*Drifting, error) {
	b, s := petrel(t)
	return drifting(t.Context(), b, s, records, days, func(u Unknown) bool { return len(few([]Unknown{u})) > 0 })
}

// TestDriftNamesAJointThatGrew: fourfold in three records is far beyond its own interval, so it is told, with its size, its pace and when it gets too hot; two records tell it too, and no date.
func TestDriftNamesAJointThatGrew(t *testing.T) {
	benchtest.Computes(t)
	records := []*Record{studOuting(t, 41, 0), studOuting(t, 42, 1.5), studOuting(t, 43, 3)}
	d, err := driftFew(t, []float64{0, 90, 180}, records...)
	require.NoError(t, err)
	assert.Equal(t, []int{0, 1, 2}, d.Used)
	joint := &d.Tracks[0]
	require.Equal(t, "joint[1].resistance", joint.Key)
	assert.Equal(t, jointUp+"switch stud", joint.Cause)
	assert.True(t, joint.Moved)
	assert.Less(t, joint.Chance, 1e-6)
	for i, want := range []float64{1, 2.5, 4} {
		assert.InEpsilon(t, want*0.12e-3, joint.Value[i], 0.1, "record %d", i)
	}
	assert.Less(t, joint.High[0], joint.Low[2])
	assert.Less(t, joint.ChangeLow, 0.36e-3)
	assert.Greater(t, joint.ChangeHigh, 0.36e-3)
	assert.Greater(t, joint.PaceLow, 0.0)
	for _, other := range d.Tracks[1:] {
		assert.False(t, other.Moved, "%s %v", other.Key, other.Value)
	}
	hot, err := trial.Builtin("full-throttle")
	require.NoError(t, err)
	require.NoError(t, d.FindReach(t.Context(), joint, []*trial.Trial{hot}))
	require.NotNil(t, joint.Reach)
	assert.Equal(t, "switch stud", joint.Reach.Part)
	assert.Greater(t, joint.Reach.Value, joint.Value[2])
	assert.Greater(t, joint.Reach.Early, 180.0)
	assert.Greater(t, joint.Reach.Late, joint.Reach.Early)

	two, err := driftFew(t, []float64{0, 180}, records[0], records[2])
	require.NoError(t, err)
	assert.Equal(t, "joint[1].resistance", two.Tracks[0].Key)
	assert.True(t, two.Tracks[0].Moved)
	assert.True(t, math.IsNaN(two.Tracks[0].Pace), "two records have no pace")
	require.NoError(t, two.FindReach(t.Context(), &two.Tracks[0], []*trial.Trial{hot}))
	assert.Nil(t, two.Tracks[0].Reach)
	_, err = driftFew(t, []float64{0}, records[0])
	assert.ErrorIs(t, err, ErrFewRecords)
}

// TestNothingDriftsInABoatThatStaysAsItIs, whatever its meters show.
func TestNothingDriftsInABoatThatStaysAsItIs(t *testing.T) {
	benchtest.Computes(t)
	d, err := driftFew(t, []float64{0, 90, 180}, studOuting(t, 51, 0.3), studOuting(t, 52, 0.3), studOuting(t, 53, 0.3))
	require.NoError(t, err)
	require.NotEmpty(t, d.Tracks)
	for _, k := range d.Tracks {
		assert.False(t, k.Moved, "%s %v, chance %g", k.Key, k.Value, k.Chance)
	}
}

// TestWhatChangesAtOnceHasNoDate: a joint that came loose between two of four records is told as that; it has no pace, so no date. The other way round somebody tightened it.
func TestWhatChangesAtOnceHasNoDate(t *testing.T) {
	days := []float64{0, 60, 120, 180}
	records := []*Record{studOuting(t, 61, 0), studOuting(t, 62, 0), studOuting(t, 63, 3), studOuting(t, 64, 3)}
	for _, mended := range []bool{false, true} {
		if mended {
			slices.Reverse(records)
		}
		d, err := driftFew(t, days, records...)
		require.NoError(t, err)
		joint := &d.Tracks[0]
		require.Equal(t, "joint[1].resistance", joint.Key)
		require.True(t, joint.Moved)
		assert.Equal(t, 2, joint.Step)
		assert.True(t, math.IsNaN(joint.Pace))
		assert.Equal(t, mended, joint.Cause == "")
		assert.Equal(t, mended, joint.ChangeHigh < 0)
		assert.False(t, joint.Returned)
	}
	back, err := driftFew(t, days[:3], records[2], records[0], records[3]) // as found, loose, tightened
	require.NoError(t, err)
	require.True(t, back.Tracks[0].Moved)
	assert.True(t, back.Tracks[0].Returned)
	assert.Equal(t, 1, back.Tracks[0].Furthest)
	assert.Equal(t, jointUp+"switch stud", back.Tracks[0].Cause)
}

// TestDriftLeavesOutARecordThatDoesNotFit, and names it: its voltmeter showed what no boat does. What cannot be simulated goes too.
func TestDriftLeavesOutARecordThatDoesNotFit(t *testing.T) {
	records := []*Record{studOuting(t, 71, 0), studOuting(t, 72, 0), studOuting(t, 73, 0)}
	records[1].Name = "june.csv"
	v, _ := records[1].Run.Trace(record.Voltage)
	for i := range v.Values {
		v.Values[i] += 8 * math.Sin(2*math.Pi*float64(i)/40)
	}
	d, err := driftFew(t, []float64{0, 30, 60}, records...)
	require.NoError(t, err)
	assert.Equal(t, []int{0, 2}, d.Used)
	require.Len(t, d.LeftOut, 1)
	assert.Regexp(t, `^june\.csv: it does not fit, whatever is worn: its voltage at the controller strays \d`, d.LeftOut[0])
	for _, k := range d.Tracks {
		assert.False(t, k.Moved, k.Key)
	}
}

// TestWhatWears: of the reference boat's values those that age are asked, and none that nothing wears.
func TestWhatWears(t *testing.T) {
	b, _ := petrel(t)
	var asked []string
	rows := map[*wear]bool{}
	for _, u := range drive.Unknowns(drive.Filled(b)) {
		if w := wearOf(b, u.Key); w != nil {
			asked, rows[w] = append(asked, u.Key), true
			for _, d := range []float64{-1, 0.5, 1.5} {
				assert.InEpsilon(t, u.Spread.At(0.4)*math.Exp(w.size()*d), u.Spread.At(w.worn(&u, 0.4, d)), 1e-9, u.Key)
			}
		}
	}
	assert.Equal(t, []string{
		"battery.capacity", "battery.resistance", "cable[0].resistance", "cable[1].resistance", "joint[0].resistance", "joint[1].resistance", "joint[2].resistance", "contactor.resistance",
		"stage.sink_resistance", "motor.constant", "motor.brush_drop", "motor.friction_torque", "motor.housing_to_air", "shaft.seal_friction", "propeller.measured_power",
		"compartment.thermal_resistance", "hull.speed_power",
	}, asked)
	assert.Equal(t, jointUp+"motor terminal", wearOf(b, "joint[2].resistance").name(b, "joint[2].resistance"))
	assert.Equal(t, "crimp or cable corroded: battery cable", wearOf(b, "cable[0].resistance").name(b, "cable[0].resistance"))
	screw := *b
	assert.Nil(t, wearOf(&screw, "propeller.pitch"))
	screw.Propeller.Kind = "B-series"
	assert.NotNil(t, wearOf(&screw, "propeller.pitch"))
	known := map[string]bool{}
	for _, f := range datafile.Fields(boat.Boat{}) {
		known[strings.ReplaceAll(f.Key, "[]", "")] = true
	}
	for i := range wears {
		assert.True(t, known[wears[i].key], wears[i].key)
	}
}

// TestTheSizeOfACauseIsAgainstTheFile: of a joint that grew fourfold, where the fit has taken a part of that, compare still says three times more.
func TestTheSizeOfACauseIsAgainstTheFile(t *testing.T) {
	b, s := petrel(t)
	c, err := Compare(t.Context(), b, s, outing(t, func(o *learntest.Outing) {
		o.Seed, o.Every, o.True = 44, 10, map[string]float64{"joint[1].resistance": 3}
		o.Traces = []string{record.Voltage, record.BatteryCurrent, record.MotorCurrent, record.BoatSpeed, "switch stud"}
	}))
	require.NoError(t, err)
	require.Equal(t, jointUp+"switch stud", c.Suspects[0].Cause)
	assert.True(t, c.Suspects[0].Named())
	assert.InDelta(t, 3, c.Suspects[0].Size, 1)
}
