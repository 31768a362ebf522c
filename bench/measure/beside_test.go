package measure_test

import (
	"context"
	"errors"
	"math"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/link"
	"quaybench/bench/link/port"
	"quaybench/bench/measure"
	"quaybench/bench/record"
)

// meter is an instrument that tells of an instant what a function has there, again and again, until it freezes.
type meter struct {
	channels []link.Channel
	every    time.Duration
	begun    time.Time
	freezes  time.Duration // 0: never
	late     time.Duration // so long after the instant it tells of it
	reads    func(s float64) []float64
}

func (m *meter) Channels() []link.Channel { return m.channels }

func (m *meter) Next(ctx context.Context) (link.Sample, error) {
	if m.freezes > 0 && time.Since(m.begun) > m.freezes {
		<-ctx.Done()
		return link.Sample{}, ctx.Err()
	}
	if err := (port.WallClock{}).Sleep(ctx, m.every); err != nil {
		return link.Sample{}, err
	}
	now := time.Now()
	return link.Sample{At: now, Values: m.reads(now.Add(-m.late).Sub(m.begun).Seconds())}, nil
}

func (m *meter) Close() error { return nil }

func channel(name, unit string) link.Channel { return link.Channel{Name: name, Unit: unit} }

func beside(m *meter, name string) measure.Beside {
	return measure.Beside{Instrument: m, Name: name, Stale: 2 * time.Second}
}

// TestTwoInstrumentsOneOfWhichFreezes: what the frozen one showed last is not believed for ever, whatever the other one sends; the
// test ends by its name.
func TestTwoInstrumentsOneOfWhichFreezes(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		start := time.Now()
		clamp := &meter{channels: []link.Channel{channel(link.MotorCurrent, "A")}, every: 20 * time.Millisecond, begun: start, reads: func(float64) []float64 { return []float64{10} }}
		volts := &meter{channels: []link.Channel{channel(link.Voltage, "V")}, every: 100 * time.Millisecond, begun: start, freezes: 3 * time.Second, reads: func(float64) []float64 { return []float64{50} }}
		j := measure.Join(nil, port.WallClock{}, beside(clamp, "clamp meter"), beside(volts, "voltmeter"))
		got, err := measure.Run(t.Context(), j, steps(t), measure.Options{})
		require.NoError(t, err)
		assert.Equal(t, measure.Stale, got.Stop.Reason, got.Stop.Text)
		assert.Contains(t, got.Stop.Text, "voltmeter: no new readings: none of voltage for 2")
		assert.InDelta(t, 5, got.Stop.At, 0.3)
		require.NoError(t, j.Close())
		synctest.Wait()
	})
}

// TestReadingsStandWhereTheyWereSo: a speed that rises by 1 m/s each second, told once a second and 0.7 s late, stands in the
// record at the instants at which it was so, with gaps between, and with its source and its error. The first instrument that has a channel is believed.
func TestReadingsStandWhereTheyWereSo(t *testing.T) {
	y := petrel(t)
	synctest.Test(t, func(t *testing.T) {
		start := time.Now()
		ramp := func(s float64) []float64 { return []float64{s} }
		speed := channel(link.BoatSpeed, "m/s")
		speed.Delay, speed.Meter = 700*time.Millisecond, link.Meter{Offset: 0.1, Gain: 0.01}
		log := &meter{channels: []link.Channel{speed}, every: time.Second, late: 700 * time.Millisecond, begun: start, reads: ramp}
		clamp := &meter{channels: []link.Channel{channel(link.MotorCurrent, "A"), channel(link.BoatSpeed, "m/s")}, every: 10 * time.Millisecond, begun: start, reads: func(float64) []float64 { return []float64{10, -99} }}
		j := measure.Join(nil, port.WallClock{}, beside(log, "log"), beside(clamp, "clamp meter"))
		p := steps(t)
		p.Duration = 6
		got, err := measure.Run(t.Context(), j, p, measure.Options{})
		require.NoError(t, err)
		require.Equal(t, measure.Finished, got.Stop.Reason, got.Stop.Text)
		require.NoError(t, j.Close())
		r, err := measure.Complete(t.Context(), y.boat, y.settings, p, &got)
		require.NoError(t, err)

		tr, ok := r.Trace(record.BoatSpeed)
		require.True(t, ok)
		assert.Equal(t, "log", tr.Source)
		assert.Equal(t, &record.Meter{Offset: 0.1, Gain: 0.01}, tr.Meter)
		assert.True(t, tr.Gaps)
		read := 0
		begun := got.Start.Sub(start).Seconds()
		for k, v := range tr.Values {
			if k > 0 && !math.IsNaN(v) { // the first row has the newest from before it, when all was at rest
				read++
				assert.InDelta(t, begun+r.Time[k], v, 0.06, "at %g s", r.Time[k])
			}
		}
		assert.InDelta(t, 6, read, 1, "no reading is counted twice")
		amps, _ := r.Trace(record.MotorCurrent)
		assert.False(t, amps.Gaps, "a fast instrument has one in every row")
		assert.Equal(t, "clamp meter", amps.Source)
	})
}

// TestNoReadingOfWhatALimitWatches: an overload of the ammeter stops the test; a speed that is not known for a while leaves a gap.
func TestNoReadingOfWhatALimitWatches(t *testing.T) {
	y := petrel(t)
	for _, overload := range []bool{true, false} {
		synctest.Test(t, func(t *testing.T) {
			start := time.Now()
			m := &meter{channels: []link.Channel{channel(link.MotorCurrent, "A"), channel(link.BoatSpeed, "m/s")}, every: 20 * time.Millisecond, begun: start, reads: func(s float64) []float64 {
				out := []float64{10, 1}
				if s > 2 && s < 3 {
					out[map[bool]int{true: 0, false: 1}[overload]] = math.NaN()
				}
				return out
			}}
			j := measure.Join(nil, port.WallClock{}, beside(m, "meter"))
			p := steps(t)
			p.Duration = 5
			got, err := measure.Run(t.Context(), j, p, measure.Options{
				Bounds: []measure.Bound{{Channel: link.MotorCurrent, Low: -400, High: 400, Why: "too much"}},
				Watch:  func(int, float64, float64) string { return "" },
			})
			require.NoError(t, err)
			require.NoError(t, j.Close())
			if overload {
				assert.Equal(t, measure.Limit, got.Stop.Reason, got.Stop.Text)
				assert.Contains(t, got.Stop.Text, "motor current has no reading (overload, or nothing to measure)")
				return
			}
			require.Equal(t, measure.Finished, got.Stop.Reason, got.Stop.Text)
			r, err := measure.Complete(t.Context(), y.boat, y.settings, p, &got)
			require.NoError(t, err)
			tr, _ := r.Trace(record.BoatSpeed)
			assert.True(t, tr.Gaps)
			assert.InDelta(t, 1, r.At(tr, 2.5), 1e-9, "straight across the gap")
			stage, ok := r.Trace("power stage")
			require.True(t, ok)
			for _, v := range stage.Values {
				require.False(t, math.IsNaN(v))
			}
		})
	}
}

// TestAHeldReadingIsWrongOnce: one reading outside the band, held for a second by a slow instrument, is one; two are two.
func TestAHeldReadingIsWrongOnce(t *testing.T) {
	for _, wrong := range []int{1, 2} {
		synctest.Test(t, func(t *testing.T) {
			n := 0
			slow := &meter{channels: []link.Channel{channel(link.BoatSpeed, "m/s")}, every: time.Second, begun: time.Now(), reads: func(float64) []float64 {
				if n++; n > 2 && n <= 2+wrong {
					return []float64{9}
				}
				return []float64{1}
			}}
			fast := &meter{channels: []link.Channel{channel(link.MotorCurrent, "A")}, every: 20 * time.Millisecond, begun: time.Now(), reads: func(float64) []float64 { return []float64{10} }}
			j := measure.Join(nil, port.WallClock{}, beside(fast, "fast"), beside(slow, "slow"))
			p := steps(t)
			p.Duration = 8
			got, err := measure.Run(t.Context(), j, p, measure.Options{Watch: func(channel int, _, v float64) string {
				return map[bool]string{true: "too fast"}[channel == 1 && v > 5]
			}})
			require.NoError(t, err)
			require.NoError(t, j.Close())
			assert.Equal(t, map[int]measure.Reason{1: measure.Finished, 2: measure.Strayed}[wrong], got.Stop.Reason, got.Stop.Text)
		})
	}
}

// TestAnInstrumentThatChangesIsLeft: one that begins to send something else is not believed again, whatever it sends then.
func TestAnInstrumentThatChangesIsLeft(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		fast := &changing{meter{channels: []link.Channel{channel(link.MotorCurrent, "A")}, every: 20 * time.Millisecond, begun: time.Now(), reads: func(float64) []float64 { return []float64{10} }}, 0}
		j := measure.Join(nil, port.WallClock{}, measure.Beside{Instrument: fast, Name: "logger"})
		got, err := measure.Run(t.Context(), j, steps(t), measure.Options{})
		require.NoError(t, err)
		require.NoError(t, j.Close())
		assert.NotEqual(t, measure.Finished, got.Stop.Reason)
		assert.ErrorIs(t, got.Stop.Err, link.ErrOther)
		assert.Contains(t, got.Stop.Text, "logger: ")
	})
}

type changing struct {
	meter
	n int
}

func (c *changing) Next(ctx context.Context) (link.Sample, error) {
	if c.n++; c.n == 50 {
		return link.Sample{}, errors.Join(link.ErrOther, errors.New("another header"))
	}
	return c.meter.Next(ctx)
}

// TestAnInstrumentThatTellsLateIsSuspected: a value that was predicted a while before ends the test, and is told to be late perhaps; a value
// that never was is not.
func TestAnInstrumentThatTellsLateIsSuspected(t *testing.T) {
	level := func(at float64) float64 { return map[bool]float64{true: 10}[at >= 2] }
	for name, c := range map[string]struct {
		reads func(at float64) float64
		late  bool
	}{"late": {func(at float64) float64 { return level(at - 0.8) }, true}, "wrong": {func(at float64) float64 { return 5 }, false}} {
		synctest.Test(t, func(t *testing.T) {
			begun := time.Now()
			m := &meter{channels: []link.Channel{channel(link.MotorCurrent, "A")}, every: 50 * time.Millisecond, begun: begun, reads: func(float64) []float64 { return []float64{c.reads(time.Since(begun).Seconds())} }}
			j := measure.Join(nil, port.WallClock{}, beside(m, "logger"))
			p := steps(t)
			p.Duration = 5
			got, err := measure.Run(t.Context(), j, p, measure.Options{Watch: func(_ int, at, v float64) string {
				return map[bool]string{true: "outside"}[v < level(at)-1 || v > level(at)+1]
			}})
			require.NoError(t, err)
			require.NoError(t, j.Close())
			require.Equal(t, measure.Strayed, got.Stop.Reason, name)
			assert.Equal(t, c.late, strings.Contains(got.Stop.Text, "does logger tell late (then state delay in its file)?"), "%s: %s", name, got.Stop.Text)
		})
	}
}
