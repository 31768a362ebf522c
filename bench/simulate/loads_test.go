package simulate_test

import (
	"context"
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/record"
	"quaybench/bench/simulate"
	"quaybench/bench/trial"
	"quaybench/bench/verdict"
)

// part finds the judgement of a part.
func part(t *testing.T, r *record.Run, name string) verdict.Part {
	t.Helper()
	v, err := verdict.Judge(r)
	require.NoError(t, err)
	for _, p := range v.Parts {
		if p.Name == name {
			return p
		}
	}
	require.Fail(t, "no part "+name)
	return verdict.Part{}
}

// TestASeriesMotorRunsAwayDry: with the propeller out of the water nothing holds a series-wound motor. It goes far beyond
// the speed it has in the water, until its own friction and what is left of its field hold it; a motor with magnets stays below the
// speed at which it induces the battery's voltage.
func TestASeriesMotorRunsAwayDry(t *testing.T) {
	for _, name := range boats {
		r, err := builtin(t, name, "dry-running", simulate.Options{})
		require.NoError(t, err)
		speed := part(t, r, "rotor speed")
		b := setup(t, name).Boat
		volts, _ := r.Trace(record.Voltage)
		t.Logf("%s: %.0f of %.0f rad/s at %.1f s", name, speed.Peak, speed.Limit, speed.At)
		if b.Motor.Kind != "series-wound" {
			assert.Less(t, speed.Peak, r.At(volts, 29)/(b.Motor.Constant.SI*0.9), "%s: no faster than its magnets allow, 10 %% weaker when hot", name)
			continue
		}
		assert.Greater(t, speed.Used, 0.75, "near what the rotor bears")
		full, err := builtin(t, name, "full-throttle", simulate.Options{})
		require.NoError(t, err)
		wet, _ := full.Trace(record.MotorSpeed)
		assert.Greater(t, speed.Peak, 1.5*full.At(wet, 60))
		// At the end it is nearly steady: the current there makes just the torque that friction takes, V = e + R·i + brushes.
		amps, _ := r.Trace(record.MotorCurrent)
		i, w := r.At(amps, 29.9), func() float64 { tr, _ := r.Trace(record.MotorSpeed); return r.At(tr, 29.9) }()
		need := r.At(volts, 29.9) - b.Motor.BrushDrop.SI - i*b.Motor.Resistance.SI
		induced := 0.0
		for k, row := range b.Motor.Magnetisation[1:] {
			if before := b.Motor.Magnetisation[k]; i >= before[0] && i <= row[0] {
				induced = w * (before[1] + (row[1]-before[1])*(i-before[0])/(row[0]-before[0]))
			}
		}
		assert.InEpsilon(t, need, induced, 0.1, "%s: %g A at %g rad/s", name, i, w)
	}
}

// TestAHotMotorHasLessTimeLeft: started again hot, the winding is hotter at every instant than after a start from cold, and
// the difference fades with the motor's own time constants.
func TestAHotMotorHasLessTimeLeft(t *testing.T) {
	for _, name := range boats {
		run := func(hot bool) *record.Run {
			s := setup(t, name)
			tr, err := trial.Builtin("hot-restart")
			require.NoError(t, err)
			if !hot {
				tr.Start = trial.Start{}
			}
			tr.Duration = 600
			r, err := simulate.Run(context.Background(), s.Boat, s.Settings, tr, simulate.Options{})
			require.NoError(t, err)
			return r
		}
		hot, cold := run(true), run(false)
		a, _ := hot.Trace("winding")
		b, _ := cold.Trace("winding")
		last := math.Inf(1)
		for _, at := range []float64{1, 30, 120, 300, 600} {
			ahead := hot.At(a, at) - cold.At(b, at)
			assert.Positive(t, ahead, "%s at %g s", name, at)
			assert.Less(t, ahead, last+1e-6, "%s at %g s: the start fades", name, at)
			last = ahead
		}
	}
}

// TestClosingOnAnEmptyCapacitorIsJudged by what the contactor may close on; with pre-charge there is nothing to judge.
func TestClosingOnAnEmptyCapacitorIsJudged(t *testing.T) {
	s := setup(t, "petrel")
	tr, err := trial.Builtin("full-throttle")
	require.NoError(t, err)
	tr.PrechargeSkipped, tr.Duration = true, 1
	r, err := simulate.Run(context.Background(), s.Boat, s.Settings, tr, simulate.Options{})
	require.NoError(t, err)
	p := part(t, r, "contactor closing")
	assert.Equal(t, verdict.Over, p.Level)
	assert.Equal(t, s.Boat.Contactor.MakeCurrent.SI, p.Limit)
	assert.Less(t, p.At, 0.01, "at once")
	// An RLC circuit from rest: the first peak lies below V/R.
	b := s.Boat
	assert.Less(t, p.Peak, 60/(b.Battery.Resistance.SI+b.Stage.CapacitorESR.SI))
	assert.Greater(t, p.Peak, 1000.0)

	tr.PrechargeSkipped = false
	r, err = simulate.Run(context.Background(), s.Boat, s.Settings, tr, simulate.Options{})
	require.NoError(t, err)
	for _, p := range r.Parts {
		assert.NotEqual(t, "contactor closing", p.Name)
	}
}
