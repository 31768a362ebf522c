package simulate_test

import (
	"context"
	"errors"
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/boat"
	"quaybench/bench/drive"
	"quaybench/bench/quantity"
	"quaybench/bench/record"
	"quaybench/bench/settings"
	"quaybench/bench/simulate"
	"quaybench/bench/trial"
	"quaybench/bench/verdict"
)

// ahead is petrel at full throttle from the second second on, changed.
func ahead(t *testing.T, seconds float64, change func(b *boat.Boat, s *settings.Set, tr *trial.Trial)) *record.Run {
	t.Helper()
	s := setup(t, "petrel")
	tr, err := trial.Builtin("full-throttle")
	require.NoError(t, err)
	tr.Duration = seconds
	b, set := *s.Boat, s.Settings
	m := *b.Battery.Management
	b.Battery.Management = &m
	change(&b, &set, tr)
	r, err := simulate.Run(context.Background(), &b, set, tr, simulate.Options{})
	require.NoError(t, err)
	assert.Less(t, math.Abs(r.Energy.Residual), 1e-4*r.Energy.Throughput, "energy balances across whatever opens")
	return r
}

// at reads a trace at an instant.
func at(t *testing.T, r *record.Run, name string, seconds float64) float64 {
	t.Helper()
	tr, ok := r.Trace(name)
	require.True(t, ok, name)
	return r.At(tr, seconds)
}

// find returns the event of a device.
func find(t *testing.T, r *record.Run, device string) record.Event {
	t.Helper()
	for _, e := range r.Events {
		if e.Device == device {
			return e
		}
	}
	require.Fail(t, "no event", "of %s: %+v", device, r.Events)
	return record.Event{}
}

// reaches returns the first instant at which a trace is at a value or above.
func reaches(t *testing.T, r *record.Run, name string, value float64) float64 {
	t.Helper()
	tr, ok := r.Trace(name)
	require.True(t, ok, name)
	for i, v := range tr.Values {
		if v >= value {
			if i == 0 {
				return r.Time[0]
			}
			before := tr.Values[i-1]
			return r.Time[i-1] + (r.Time[i]-r.Time[i-1])*(value-before)/(v-before)
		}
	}
	require.Fail(t, "never", "%s never reaches %g", name, value)
	return 0
}

func amps(x float64) quantity.Value { return quantity.Exactly(x) }

// TestManagementOpensAfterItsDelay: ten seconds after the battery current passed what it bears, and then nothing flows.
func TestManagementOpensAfterItsDelay(t *testing.T) {
	r := ahead(t, 60, func(b *boat.Boat, _ *settings.Set, _ *trial.Trial) { b.Battery.Management.DischargeCurrent = amps(40) })
	e := find(t, r, "management")
	assert.Equal(t, record.Protecting, e.Kind)
	assert.Equal(t, "management opens: battery current above 40 A in discharge", e.What)
	assert.InDelta(t, reaches(t, r, record.BatteryCurrent, 40)+10, e.At, 0.02)
	assert.Positive(t, at(t, r, record.BatteryCurrent, e.At-0.01))
	for _, name := range []string{record.BatteryCurrent, record.MotorCurrent, record.Duty} {
		assert.Zero(t, at(t, r, name, e.At+5), name)
	}
	for _, other := range r.Events {
		assert.False(t, other.Kind == record.Protecting && other.Device != "management", "%+v", other)
		assert.NotEqual(t, "controller cut-off", other.Device, "power is gone: the controller does not cut off as well")
	}
}

// TestManagementBearsAShorterPeak: a current that is back below in time opens nothing.
func TestManagementBearsAShorterPeak(t *testing.T) {
	r := ahead(t, 60, func(b *boat.Boat, _ *settings.Set, tr *trial.Trial) {
		b.Battery.Management.DischargeCurrent = amps(40)
		tr.Throttle = []trial.Step{{At: 2, To: 1}, {At: 10, To: 0.3}, {At: 20, To: 1}, {At: 28, To: 0.3}}
	})
	for _, e := range r.Events {
		assert.NotEqual(t, record.Protecting, e.Kind, "%+v", e)
	}
}

// TestManagementOpensOnVoltageAndHeat takes its other reasons.
func TestManagementOpensOnVoltageAndHeat(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(b *boat.Boat, s *settings.Set, tr *trial.Trial)
		what   string
	}{
		{"a cell too low", func(b *boat.Boat, _ *settings.Set, _ *trial.Trial) { b.Battery.Management.CellLow = amps(3.3) }, "management opens: cell voltage below 3.3 V"},
		{"a battery too hot", func(b *boat.Boat, _ *settings.Set, tr *trial.Trial) {
			tr.Start.Battery = quantity.Exactly(333.14)
			b.Battery.ThermalResistance = quantity.Exactly(1e3)
		}, "management opens: battery too hot"},
		{"too much charge", hardBraking, "management opens: battery current above 5 A in charge"},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := ahead(t, 60, c.change)
			assert.Equal(t, c.what, find(t, r, "management").What)
		})
	}
}

// hardBraking throws the lever from full ahead to full astern with ramps that let the motor brake at once, into a
// battery whose management does not bear it.
func hardBraking(b *boat.Boat, s *settings.Set, tr *trial.Trial) {
	b.Battery.Management.ChargeCurrent, b.Battery.Management.ChargeDelay = amps(5), quantity.Exactly(0.05)
	s.Ramp.Reversal, s.Ramp.Rise = 0.05, 0.05
	tr.Throttle = []trial.Step{{At: 2, To: 1}, {At: 40, To: -1}}
}

// TestOpeningChargesTheLinkCapacitor: what the inductances hold, and while braking what is on its way to the battery until
// the current loop lets go, has only the capacitor to go to: V² = V0² + 2·E/C. The peak stands in the trace that the link
// voltage is judged by.
func TestOpeningChargesTheLinkCapacitor(t *testing.T) {
	var b boat.Boat
	var path, motor float64 // H, of the two circuits
	with := func(change func(*boat.Boat, *settings.Set, *trial.Trial)) func(*boat.Boat, *settings.Set, *trial.Trial) {
		return func(x *boat.Boat, s *settings.Set, tr *trial.Trial) {
			change(x, s, tr)
			b = *x
			path, motor = 0.7e-6*b.Cables[0].Length.SI, b.Motor.Inductance.SI+0.7e-6*b.Cables[1].Length.SI
		}
	}
	opens := func(r *record.Run) (e record.Event, peak, volts, battery, current float64) {
		e = find(t, r, "management")
		for _, p := range r.Parts {
			if p.Name == "link voltage" {
				tr, _ := r.Trace(p.Trace)
				for i, at := range r.Time {
					if at == e.At {
						peak = max(peak, tr.Values[i])
					}
				}
			}
		}
		before := e.At - 1e-6
		return e, peak, at(t, r, record.Voltage, before), at(t, r, record.BatteryCurrent, before), at(t, r, record.MotorCurrent, before)
	}
	_, peak, volts, battery, _ := opens(ahead(t, 60, with(func(b *boat.Boat, _ *settings.Set, _ *trial.Trial) {
		b.Battery.Management.DischargeCurrent = amps(40)
	})))
	assert.Positive(t, battery)
	assert.InDelta(t, math.Sqrt(volts*volts+path*battery*battery/b.Stage.Capacitance.SI)-volts, peak-volts, 1e-3, "driving")

	e, peak, volts, battery, current := opens(ahead(t, 60, with(hardBraking)))
	assert.Greater(t, e.At, 40.0)
	assert.Less(t, battery, -5.0, "it opens while charge flows")
	energy := path*battery*battery/2 + motor*current*current/2 - battery*volts*b.Stage.CurrentLoopTime.SI
	least := math.Sqrt(volts*volts+2*energy/b.Stage.Capacitance.SI) - volts
	assert.Greater(t, peak-volts, least, "braking: what heats by i² falls twice as fast, so a little more")
	assert.Less(t, peak-volts, 1.1*least, "braking")
	assert.Greater(t, peak-volts, 0.1)
}

// TestAContactorThatMustBreakTooMuchIsSaid: management opens it whatever it can break.
func TestAContactorThatMustBreakTooMuchIsSaid(t *testing.T) {
	r := ahead(t, 40, func(b *boat.Boat, _ *settings.Set, _ *trial.Trial) {
		b.Battery.Management.DischargeCurrent, b.Contactor.BreakCurrent = amps(40), amps(30)
	})
	e := find(t, r, "contactor")
	assert.Equal(t, record.Protecting, e.Kind)
	assert.Regexp(t, `^contactor would have to break \d+ A of battery current, more than its 30 A$`, e.What)
	assert.InDelta(t, find(t, r, "management").At, e.At, 1e-9)
}

// TestAFuseOpensWhenItsCurveSays: held at an almost constant battery current, a small fuse may open by its fastest curve, and
// the circuit opens by its slowest one; the event says both, and all that lies between is simulated.
func TestAFuseOpensWhenItsCurveSays(t *testing.T) {
	var fuse boat.Fuse
	r := ahead(t, 3600, func(b *boat.Boat, s *settings.Set, tr *trial.Trial) {
		b.Battery.Management = nil
		b.Fuse.Rating, b.Fuse.CurveAt, b.Fuse.Place = amps(25), quantity.Exactly(tr.Air), "air"
		tr.Expect, tr.EndAfterExpected = []string{"fuse"}, 10
		fuse = b.Fuse
	})
	e := find(t, r, "fuse")
	assert.Equal(t, record.Protecting, e.Kind)
	assert.Equal(t, "fuse may open (battery current)", e.What)
	fastest, slowest, err := drive.FuseCurves(&fuse)
	require.NoError(t, err)
	current := at(t, r, record.BatteryCurrent, e.Latest-0.01)
	rise := reaches(t, r, record.BatteryCurrent, 0.97*current)
	assert.Less(t, e.At, rise+fastest.MeltTime(current).Time, "an element heated on the way melts sooner than a cold one")
	assert.Greater(t, e.At, 0.1*fastest.MeltTime(current).Time)
	arcing := fuse.ArcingTime.SI
	t.Logf("%.1f A from %.2f s on: melts at %.2f s, by %.2f s; a cold slow one bears it for %.2f s", current, rise, e.At, e.Latest, slowest.MeltTime(current).Time)
	assert.GreaterOrEqual(t, e.Latest, 2+slowest.MeltTime(1.01*current).Time+arcing, "the slowest is cold when the lever moves")
	assert.LessOrEqual(t, e.Latest, rise+slowest.MeltTime(0.96*current).Time+arcing, "and has been heated since the current rose")
	assert.Greater(t, current, 75.0, "until then it holds")
	assert.Zero(t, at(t, r, record.BatteryCurrent, e.Latest+1))
	assert.InDelta(t, e.Latest+10, r.Time[len(r.Time)-1], 1e-6, "what a trial expects has come when the slowest has opened")
	j, err := verdict.Judge(r)
	require.NoError(t, err)
	assert.Equal(t, verdict.Clear, j.Level, "it was expected")
}

// TestAFuseThatMayOpenHidesNothing: a fast element may melt in the third of many bursts, a slow one in none.
// Everything else is judged as with a fuse that holds, and no figure counts on the fuse.
func TestAFuseThatMayOpenHidesNothing(t *testing.T) {
	bursts := func(rating float64, seconds float64) *record.Run {
		return ahead(t, seconds, func(b *boat.Boat, s *settings.Set, tr *trial.Trial) {
			b.Battery.Management = nil
			b.Fuse.Rating, b.Fuse.Resistance = amps(rating), quantity.Exactly(1e-3)
			s.Limits.MotorCurrent = 260
			tr.Throttle = nil
			for at := 2.0; at < 1190; at += 40 {
				tr.Throttle = append(tr.Throttle, trial.Step{At: at, To: 1}, trial.Step{At: at + 20, To: 0})
			}
		})
	}
	small, large := bursts(63, 1200), bursts(160, 1200)
	e := find(t, small, "fuse")
	assert.Less(t, e.At, 200.0)
	assert.Equal(t, math.Inf(1), e.Latest, "each burst ends before the slowest has melted")
	for i := range large.Parts {
		p := large.Parts[i]
		if p.Name == "fuse" {
			continue
		}
		holds, _, err := large.Peak(p)
		require.NoError(t, err)
		may, _, err := small.Peak(small.Parts[i])
		require.NoError(t, err)
		assert.InEpsilon(t, 1+holds, 1+may, 1e-3, "%s", p.Name)
	}
	j, err := verdict.Judge(small)
	require.NoError(t, err)
	assert.Equal(t, verdict.Over, j.Level, "it may leave the boat without drive")
	assert.Equal(t, e.At, j.First.At)
	assert.Nil(t, small.Gain.Endurance)
	until := bursts(160, e.At)
	assert.InEpsilon(t, *until.Gain.Distance, *small.Gain.Distance, 1e-3, "how far the boat comes at least")

	small.Expect = []string{"fuse"}
	j, err = verdict.Judge(small)
	require.NoError(t, err)
	assert.Equal(t, []string{"the trial expects the fuse to act; a fast one may, a slow one does not"}, j.Missing)
}

// TestALockedShaftKeepsItsEnergy: what turned becomes heat, and the boat lies still.
func TestALockedShaftKeepsItsEnergy(t *testing.T) {
	r := ahead(t, 30, func(b *boat.Boat, s *settings.Set, tr *trial.Trial) {
		tr.Load, tr.LoadFrom, s.Stall.Time = "locked", 15, 0
	})
	assert.Greater(t, at(t, r, record.MotorSpeed, 14.9), 100.0)
	assert.Zero(t, at(t, r, record.MotorSpeed, 15.1))
	assert.InDelta(t, 140, at(t, r, record.MotorCurrent, 29), 1e-6, "full motor limit at standstill")
	assert.Less(t, at(t, r, record.BatteryCurrent, 29), 12.0, "and almost nothing on the battery meter")
}

// TestATrialEndsSoonAfterTheLastProtectionItExpects: after that nothing new happens.
func TestATrialEndsSoonAfterTheLastProtectionItExpects(t *testing.T) {
	r := ahead(t, 3600, func(b *boat.Boat, s *settings.Set, tr *trial.Trial) {
		tr.Load, tr.Moored, tr.Expect, tr.EndAfterExpected = "locked", true, []string{"stall timer"}, 7
	})
	e := find(t, r, "stall timer")
	assert.InDelta(t, e.At+7, r.Time[len(r.Time)-1], 1e-6)
}

// TestACancelledRunKeepsWhatItReached: a record up to there comes with the error.
func TestACancelledRunKeepsWhatItReached(t *testing.T) {
	s := setup(t, "petrel")
	tr, err := trial.Builtin("two-hour-outing")
	require.NoError(t, err)
	why := errors.New("the helm has had enough")
	ctx, cancel := context.WithCancelCause(context.Background())
	r, err := simulate.Run(&countdown{Context: ctx, left: 40, then: func() { cancel(why) }}, s.Boat, s.Settings, tr, simulate.Options{})
	require.ErrorIs(t, err, why)
	require.NotNil(t, r)
	assert.NotEmpty(t, r.Time)
	assert.Less(t, r.Time[len(r.Time)-1], tr.Duration)
	assert.Positive(t, r.Energy.Throughput)
}

// countdown is a context that ends after it has been asked so many times.
type countdown struct {
	context.Context
	left int
	then func()
}

func (c *countdown) Err() error {
	if c.left--; c.left == 0 {
		c.then()
	}
	return c.Context.Err()
}

// TestAWindingThatRunsAwayIsATimeToItsLimit: a motor that gains more loss by its own heat than it can give away has no
// steady temperature; the verdict says when it passes its limit, and no solver gives up.
func TestAWindingThatRunsAwayIsATimeToItsLimit(t *testing.T) {
	r := ahead(t, 3600, func(b *boat.Boat, s *settings.Set, tr *trial.Trial) {
		b.Motor.WindingToHousing = quantity.Exactly(3) // α·P·R = 0.00393 · 274 W · 3 K/W = 3.2
		s.LowVoltage.Start, s.LowVoltage.End, s.LowVoltage.CutOff = 3, 2, 1
		b.Battery.Management, b.Fuse.Rating = nil, amps(250)
	})
	j, err := verdict.Judge(r)
	require.NoError(t, err)
	assert.Equal(t, verdict.Over, j.Level)
	for _, p := range j.Parts {
		if p.Name == "winding" {
			assert.Greater(t, p.Used, 2.0)
			assert.InDelta(t, reaches(t, r, "winding", p.Limit), p.Crossed, 1e-3)
			assert.Greater(t, p.Crossed, 60.0)
			assert.Less(t, p.Crossed, 1200.0)
			before, after := at(t, r, "winding", 600)-at(t, r, "winding", 500), at(t, r, "winding", 1200)-at(t, r, "winding", 1100)
			assert.Greater(t, after, before, "it heats ever faster")
		}
	}
}

// together lists a trace's values at one instant, in order.
func together(t *testing.T, r *record.Run, name string, seconds float64) (values []float64) {
	t.Helper()
	tr, ok := r.Trace(name)
	require.True(t, ok, name)
	for k, at := range r.Time {
		if at == seconds {
			values = append(values, tr.Values[k])
		}
	}
	return values
}

// TestASpikeLastsNoTime: the voltage of a circuit that opens stands between that before and that after, at one instant, so that
// no chart slopes there.
func TestASpikeLastsNoTime(t *testing.T) {
	r := ahead(t, 200, func(b *boat.Boat, s *settings.Set, tr *trial.Trial) {
		b.Battery.Management = nil
		b.Fuse.Rating, b.Fuse.CurveAt, b.Fuse.Place = amps(25), quantity.Exactly(tr.Air), "air"
	})
	e := find(t, r, "fuse")
	for _, c := range []struct {
		name          string
		at            float64
		before, after float64 // battery current, A
	}{
		{"a fast element melts, a slow one holds", e.At, 80, 80},
		{"the slow one opens", e.Latest, 80, 0},
	} {
		link, voltage := together(t, r, "link voltage", c.at), together(t, r, record.Voltage, c.at)
		current := together(t, r, record.BatteryCurrent, c.at)
		require.Len(t, link, 3, c.name)
		assert.Equal(t, voltage[0], link[0], c.name)
		assert.Greater(t, link[1], link[0], c.name)
		assert.Equal(t, voltage[2], link[2], c.name)
		assert.InDelta(t, c.before, current[0], 20, c.name)
		assert.InDelta(t, c.after, current[2], 20*min(1, c.after), c.name)
	}
}

// TestABankChargedOnIsOver: a source that does not hold back charges full cells on, whose voltage then climbs past what they bear, or
// until the management opens.
func TestABankChargedOnIsOver(t *testing.T) {
	s := setup(t, "petrel")
	b := *s.Boat
	b.Charging = &boat.Charging{Power: quantity.Exactly(5000), CurrentLimit: quantity.Exactly(150), VoltageLimit: quantity.Exactly(200)}
	tr, err := trial.Builtin("full-throttle")
	require.NoError(t, err)
	tr.Duration, tr.Charge, tr.Throttle = 3600, 0.99, []trial.Step{{At: 2, To: 0}}
	r, err := simulate.Run(t.Context(), &b, s.Settings, tr, simulate.Options{})
	require.NoError(t, err)
	v, err := verdict.Judge(r)
	require.NoError(t, err)
	assert.Equal(t, verdict.Over, v.Level)
	assert.Contains(t, find(t, r, "management").What, "cell voltage above")
	b.Charging.VoltageLimit = quantity.Exactly(16 * 3.45)
	r, err = simulate.Run(t.Context(), &b, s.Settings, tr, simulate.Options{})
	require.NoError(t, err)
	tr2, ok := r.Trace(record.Charge)
	require.True(t, ok)
	assert.Less(t, tr2.Values[len(tr2.Values)-1], 1.02, "the source holds back")
}
