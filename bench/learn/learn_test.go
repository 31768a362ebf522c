package learn

import (
	"errors"
	"math"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/benchtest"
	"quaybench/bench/learn/learntest"
	"quaybench/bench/record"
	"quaybench/bench/trial"
)

// outing returns a record of the reference petrel whose magnets are 2.5 % strong and whose propeller takes 5 % more than its file says.
func outing(t testing.TB, change func(*learntest.Outing)) *Record {
	b, s := petrel(t)
	o := learntest.Outing{Boat: b, Settings: s, Lever: true, Seed: 3, True: map[string]float64{"motor.constant": 0.025, "propeller.measured_power": 0.05}}
	o.Trial = learntest.HalfHour(t)
	asked := *o.Trial
	if change != nil {
		change(&o)
	}
	return &Record{Name: "outing", Run: o.Run(t), Trial: &asked}
}

// few leaves six values in a fit, which makes a test fast; a user's fit has all.
func few(list []Unknown) []Unknown {
	return slices.DeleteFunc(slices.Clone(list), func(u Unknown) bool {
		return !slices.Contains([]string{"motor.constant", "propeller.measured_power", "battery.resistance", "motor.friction_torque", "hull.speed_power", "joint[1].resistance"}, u.Key)
	})
}

func learnFew(t testing.TB, records ...*Record) *Result {
	b, s := petrel(t)
	p, err := newProblem(b, s, records)
	require.NoError(t, err)
	p.values = few(p.values)
	p.size()
	f, err := p.fit(t.Context())
	require.NoError(t, err)
	return p.result(f)
}

func value(t testing.TB, r *Result, key string) *Value {
	i := slices.IndexFunc(r.Values, func(v Value) bool { return v.Key == key })
	require.GreaterOrEqual(t, i, 0, key)
	return &r.Values[i]
}

// TestLearnFromTypedRows: thirty rows that a person read, some of them with gaps, tell magnets and propeller; what they do not reach keeps its tolerance.
func TestLearnFromTypedRows(t *testing.T) {
	benchtest.Computes(t)
	b, s := petrel(t)
	for name, change := range map[string]func(*learntest.Outing){
		"each meter in each row": nil,
		"gaps":                   func(o *learntest.Outing) { o.Gap = func(row int) bool { return row%3 == 1 } },
		"one reading slipped":    func(o *learntest.Outing) { o.Seed = 4 },
	} {
		t.Run(name, func(t *testing.T) {
			rec := outing(t, change)
			if name == "one reading slipped" { // 53.1 V noted as 35.1 V
				v, _ := rec.Run.Trace(record.Voltage)
				v.Values[7] -= 18
			}
			r := learnFew(t, rec)
			if name == "each meter in each row" { // with every value, as a user has it
				var err error
				r, err = Learn(t.Context(), b, s, []*Record{rec})
				require.NoError(t, err)
			}
			for key, share := range map[string]float64{"motor.constant": 1.025, "propeller.measured_power": 1.05} {
				v := value(t, r, key)
				assert.Less(t, v.Low, v.Before*share, key)
				assert.Greater(t, v.High, v.Before*share, key)
				assert.Less(t, v.Width, 0.97, "%s: something is told", key)
			}
			for _, v := range r.Values {
				assert.LessOrEqual(t, v.Low, v.After, v.Key)
				assert.LessOrEqual(t, v.After, v.High, v.Key)
				assert.LessOrEqual(t, v.Width, 1.001, "%s: a record makes nothing less sure", v.Key)
				assert.Equal(t, v.Width <= 0.7, v.Told, v.Key)
			}
			for _, key := range []string{"joint[1].resistance"} {
				v := value(t, r, key)
				assert.False(t, v.Told || v.ALittle(), key)
				assert.InEpsilon(t, v.Before, v.After, 0.1, key)
			}
			assert.False(t, r.Doubtful(), "chance %g", r.Doubt)
			assert.Empty(t, r.Meters)
			assert.Equal(t, "lever", r.Records[0].Driven)
		})
	}
}

// TestWithoutALeverTheCurrentDrives: of a record without a lever the model is driven by the measured motor current, and what the other meters
// showed lies within what is explained.
func TestWithoutALeverTheCurrentDrives(t *testing.T) {
	b, s := petrel(t)
	rec := outing(t, func(o *learntest.Outing) {
		o.Lever, o.Every, o.True = false, 5, nil
		o.Trial.Duration, o.Trial.Throttle = 240, o.Trial.Throttle[:2]
	})
	rec.Trial.Throttle = nil
	p, err := newProblem(b, s, []*Record{rec})
	require.NoError(t, err)
	p.values = few(p.values)
	require.NotNil(t, p.records[0].seen)
	assert.Equal(t, record.MotorCurrent, p.records[0].seen.by())
	l, err := p.linearise(t.Context(), make([]float64, p.size()), nil, false)
	require.NoError(t, err)
	require.Len(t, l.sets[0], 3, "voltage, battery current, boat speed")
	for _, s := range l.sets[0] {
		o := s.overlay(p.records[0])
		assert.Less(t, o.Outside, 0.05, "%s: %.3g at %.0f s", o.Trace, o.Largest, o.At)
	}
}

// TestTwoRecordsTellMoreThanOne, in whatever order; one of a boat that has changed in between does not agree.
func TestTwoRecordsTellMoreThanOne(t *testing.T) {
	first, second := outing(t, nil), outing(t, func(o *learntest.Outing) { o.Seed = 8 })
	one, both, swapped := learnFew(t, first), learnFew(t, first, second), learnFew(t, second, first)
	for _, key := range []string{"motor.constant", "propeller.measured_power"} {
		assert.Less(t, value(t, both, key).Width, value(t, one, key).Width, key)
	}
	for i, v := range both.Values {
		assert.InDelta(t, v.After, swapped.Values[i].After, 0.02*math.Abs(v.High-v.Low)+1e-12, v.Key)
	}
	assert.Greater(t, Agreement(one, both), 0.01, "two records of one boat agree")
	mixed := learnFew(t, first, outing(t, func(o *learntest.Outing) {
		o.Seed, o.True = 9, map[string]float64{"motor.constant": -0.12, "propeller.measured_power": -0.35}
	}))
	assert.Less(t, Agreement(one, mixed), 0.01, "a record with another propeller does not agree")
}

// TestUselessRecords: a record that nothing can be held against is an error that says so.
func TestUselessRecords(t *testing.T) {
	b, s := petrel(t)
	rec := outing(t, func(o *learntest.Outing) { o.Lever, o.Traces = false, []string{record.Voltage} })
	rec.Trial.Throttle = nil
	_, err := Learn(t.Context(), b, s, []*Record{rec})
	require.ErrorAs(t, err, new(*UselessError))
	assert.ErrorContains(t, err, "neither a lever nor a current")
	_, err = Compare(t.Context(), b, s, rec)
	assert.True(t, errors.As(err, new(*UselessError)))
}

// TestLeverSteps: movements are found again in samples of a lever, at 10 Hz as lines and in typed rows as steps half-way.
func TestLeverSteps(t *testing.T) {
	asked := halfHour()
	var at, lever []float64
	for i := range 18000 {
		x := float64(i) / 10
		at, lever = append(at, x), append(lever, asked.Lever(x)(x))
	}
	steps, _ := leverSteps(at, lever)
	found := &trial.Trial{Duration: 1800, Throttle: steps}
	for x := 0.0; x < 1799; x += 0.7 {
		assert.InDelta(t, asked.Lever(x)(x), found.Lever(x)(x), 0.03, "at %g s", x)
	}
	assert.LessOrEqual(t, len(found.Throttle), 2*len(asked.Throttle)+1)
	steps, edges := leverSteps([]float64{0, 60, 120, 180}, []float64{0, 0, 0.5, 0.2})
	assert.Equal(t, []trial.Step{{At: 90, To: 0.5}, {At: 150, To: 0.2}}, steps)
	assert.Equal(t, []edge{{60, 60}, {120, 60}}, edges)
	steps, _ = leverSteps(nil, nil)
	assert.Nil(t, steps)
}

// TestCompareNamesTheCause: a cooling that failed on the way is named first and parts beyond what is explained; a right boat names nothing.
func TestCompareNamesTheCause(t *testing.T) {
	benchtest.Computes(t)
	b, s := petrel(t)
	tenth := func(o *learntest.Outing) {
		o.Every, o.True = 0.5, nil
		o.Traces = []string{record.Voltage, record.BatteryCurrent, record.MotorCurrent, record.MotorSpeed, "heat sink"}
	}
	right, err := Compare(t.Context(), b, s, outing(t, tenth))
	require.NoError(t, err)
	assert.False(t, right.Suspects[0].Named(), "%+v", right.Suspects[0])
	assert.False(t, right.Doubtful())
	assert.Empty(t, right.Meters)
	for _, c := range right.Channels {
		assert.Less(t, c.Outside, 0.02, c.Trace)
	}
	blocked, err := Compare(t.Context(), b, s, outing(t, func(o *learntest.Outing) {
		tenth(o)
		lost := *o.Trial
		lost.CoolingLostFrom = 700
		o.Trial = &lost
	}))
	require.NoError(t, err)
	assert.True(t, blocked.Suspects[0].Named())
	assert.Equal(t, coolingBlocked, blocked.Suspects[0].Cause)
}

// TestAShaftThatTurnsDryTellsItsFriction: a coast-down with the propeller off is learned from, lever at neutral and all.
func TestAShaftThatTurnsDryTellsItsFriction(t *testing.T) {
	b, s := petrel(t)
	program, err := trial.Read("dry", []byte("name = \"dry\"\nduration = \"20 s\"\nmoored = true\nload = \"dry\"\n[[throttle]]\nat = \"1 s\"\nto = \"12 %\"\nover = \"0.5 s\"\n[[throttle]]\nat = \"6 s\"\nto = \"0 %\"\nover = \"0.1 s\"\n"))
	require.NoError(t, err)
	asked := *program
	o := learntest.Outing{Boat: b, Settings: s, Trial: program, True: map[string]float64{"motor.friction_torque": 0.3}, Every: 0.1, Lever: true, Seed: 5}
	o.Traces = []string{record.Voltage, record.BatteryCurrent, record.MotorCurrent, record.MotorSpeed}
	r := learnFew(t, &Record{Name: "coast-down", Run: o.Run(t), Trial: &asked})
	v := value(t, r, "motor.friction_torque")
	assert.True(t, v.Told, "width %.2f", v.Width)
	assert.Less(t, v.Low, 1.3*v.Before)
	assert.Greater(t, v.High, 1.3*v.Before)
	assert.Greater(t, v.After, 1.05*v.Before)
}

// TestAShaftThatIdlesIsNoFasterThanADrivenOne: how fast the shaft windmills no derivative tells, so a fit takes nothing from it; what is shown of it stays within what a shaft does.
func TestAShaftThatIdlesIsNoFasterThanADrivenOne(t *testing.T) {
	benchtest.Computes(t)
	b, s := petrel(t)
	rec := outing(t, func(o *learntest.Outing) {
		o.Traces = []string{record.Voltage, record.BatteryCurrent, record.MotorSpeed}
	})
	c, err := Compare(t.Context(), b, s, rec)
	require.NoError(t, err)
	i := slices.IndexFunc(c.Channels, func(o Overlay) bool { return o.Trace == record.MotorSpeed })
	require.GreaterOrEqual(t, i, 0)
	o := c.Channels[i]
	fastest, idle := slices.Max(o.Model), 0
	for k, at := range o.Time {
		if rec.Trial.Lever(at)(at) == 0 {
			idle++
		}
		assert.Less(t, o.Half[k], 2.5*fastest, "at %g s", at)
	}
	assert.NotZero(t, idle)
}

// TestAMeterThatIsWrongIsNamed: values bend to a shunt of the wrong size, a display that hangs and a speed in another unit, and are told as if they were sure; so the meter is named, and no other.
func TestAMeterThatIsWrongIsNamed(t *testing.T) {
	benchtest.Computes(t)
	b, s := petrel(t)
	for name, c := range map[string]struct {
		trace    string
		shown    func(first, v float64) float64
		compared bool // compare, which knows one step from the file, sees it too and names no cause for it
	}{
		"a shunt of the wrong size": {record.BatteryCurrent, func(_, v float64) float64 { return 1.25 * v }, false},
		"a display that hangs":      {record.BoatSpeed, func(first, _ float64) float64 { return first }, true},
		"km/h taken for m/s":        {record.BoatSpeed, func(_, v float64) float64 { return 3.6 * v }, true},
		"as it is":                  {record.BoatSpeed, func(_, v float64) float64 { return v }, true},
	} {
		rec := outing(t, func(o *learntest.Outing) {
			o.Every, o.True = 15, nil
			o.Traces = []string{record.Voltage, record.BatteryCurrent, record.MotorCurrent, record.MotorSpeed, record.BoatSpeed}
		})
		tr, _ := rec.Run.Trace(c.trace)
		first := tr.Values[0]
		for i, v := range tr.Values {
			tr.Values[i] = c.shown(first, v)
		}
		r := learnFew(t, rec)
		found := map[string][]string{"learn": r.problem.badMeters(r.fit, nil, func(int) bool { return true })}
		if c.compared {
			k, err := Compare(t.Context(), b, s, rec)
			require.NoError(t, err)
			found["compare"] = k.Meters
		}
		for who, meters := range found {
			if name == "as it is" {
				assert.Empty(t, meters, who)
				continue
			}
			if assert.Len(t, meters, 1, "%s, %s", who, name) {
				assert.Contains(t, meters[0], "The readings of "+c.trace, "%s, %s", who, name)
			}
		}
	}
}
