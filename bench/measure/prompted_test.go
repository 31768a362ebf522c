package measure_test

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/link"
	"quaybench/bench/measure"
	"quaybench/bench/record"
)

// reader is a person at the panel who takes their time.
type reader struct {
	takes  time.Duration
	values [][]float64
	fails  error
	asked  []time.Duration // since the start
	start  time.Time
}

func (r *reader) Readings(context.Context, []link.Channel) ([]float64, bool, error) {
	r.asked = append(r.asked, time.Since(r.start))
	time.Sleep(r.takes) // the bubble's clock: no real time passes
	if len(r.values) == 0 {
		return nil, false, r.fails
	}
	v := r.values[0]
	r.values = r.values[1:]
	return v, true, nil
}

var meters = []link.Channel{{Name: link.BatteryCurrent, Unit: "A"}, {Name: link.MotorCurrent, Unit: "A"}}

// A person is told in time, asked at rest and at the end of each hold, and the programme waits for slow answers.
func TestPrompted(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		start := time.Now()
		who := &reader{takes: 10 * time.Second, start: start, values: [][]float64{{0.5, 0}, {12, 40}, {0.5, 0}}}
		var told []string
		got, err := measure.Prompted(t.Context(), who, meters, steps(t), measure.Options{Tell: func(text string) {
			told = append(told, fmt.Sprintf("%4.1f s  %s", time.Since(start).Seconds(), text))
		}})
		require.NoError(t, err)
		assert.Equal(t, measure.Finished, got.Stop.Reason, got.Stop.Text)
		// The programme: 40 % from 1 s, neutral from 6 s, end at 12 s. Each answer takes 10 s.
		assert.Equal(t, []string{
			"10.0 s  NOW: lever to 40 % ahead",
			"12.5 s  read the meters now; if no readings come within 302 s, the test stops",
			"22.5 s  this hold lasted 8 s longer than planned; it is judged as it was",
			"22.5 s  NOW: lever to neutral",
			"35.5 s  The programme has ended. Lever to neutral.",
		}, told)
		assert.Equal(t, []time.Duration{0, 12500 * time.Millisecond, 25500 * time.Millisecond}, who.asked)
		require.NotNil(t, got.Performed)
		assert.Equal(t, 10.0, got.Performed.Throttle[0].At)
		assert.Equal(t, 22.5, got.Performed.Throttle[1].At)
		assert.InDelta(t, 35.5, got.Performed.Duration, 1e-9)
	})
}

// A reading stands for its whole hold: a fuse, a joint or a winding was heated all that time.
func TestPromptedHolds(t *testing.T) {
	y := petrel(t)
	synctest.Test(t, func(t *testing.T) {
		who := &reader{start: time.Now(), values: [][]float64{{0, 0}, {60, 140}, {0, 0}}}
		program := steps(t)
		program.Duration, program.Throttle[1].At = 400, 300
		got, err := measure.Prompted(t.Context(), who, meters, program, measure.Options{})
		require.NoError(t, err)
		run, err := measure.Complete(t.Context(), y.boat, y.settings, got.Performed, &got)
		require.NoError(t, err)
		winding, ok := run.Trace("winding")
		require.True(t, ok)
		// 140 A for 294 s: at least the copper loss, 140² · 14 mΩ = 274 W, less what the housing takes. The same current
		// read as a ramp from 0 A would bring a third of the heat.
		held := winding.Values[1]
		got.Performed = nil
		for i := range got.Samples {
			got.Samples[i].Since = got.Samples[i].At
		}
		ramped, err := measure.Complete(t.Context(), y.boat, y.settings, program, &got)
		require.NoError(t, err)
		as, _ := ramped.Trace("winding")
		assert.Greater(t, held-298.15, 1.8*(as.Values[1]-298.15))
		assert.Greater(t, held, 303.0)
	})
}

// The stop rules are said aloud, with neutral as the last word.
func TestPromptedStops(t *testing.T) {
	bounds := []measure.Bound{{Channel: link.MotorCurrent, Low: -50, High: 50, Why: "invented limit of this test"}}
	for _, c := range []struct {
		name   string
		who    reader
		watch  func(channel int, at, value float64) string
		reason measure.Reason
		said   string
	}{
		{"a limit", reader{values: [][]float64{{0, 0}, {12, 60}}}, nil, measure.Limit, "motor current is 60 A: invented limit of this test"},
		{"the band, twice in a row", reader{values: [][]float64{{0, 0}, {12, 40}, {12, 40}}}, func(channel int, _, value float64) string {
			return map[bool]string{true: "too much"}[channel == 1 && value > 30]
		}, measure.Strayed, "too much"},
		{"the person", reader{values: [][]float64{{0, 0}}}, nil, measure.Cancelled, "the person at the panel stopped it"},
		{"no answer", reader{values: [][]float64{{0, 0}}, fails: errors.New("end of the input")}, nil, measure.Stale, "no readings: end of the input"},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				var last string
				got, err := measure.Prompted(t.Context(), &c.who, meters, steps(t), measure.Options{Bounds: bounds, Watch: c.watch, Tell: func(text string) { last = text }})
				require.NoError(t, err)
				assert.Equal(t, c.reason, got.Stop.Reason)
				assert.Equal(t, "STOP, lever to neutral now! "+c.said, last)
			})
		})
	}
	t.Run("called off", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			ctx, cancel := context.WithTimeout(t.Context(), 3*time.Second)
			defer cancel()
			got, err := measure.Prompted(ctx, &reader{values: [][]float64{{0, 0}, {0, 0}}}, meters, steps(t), measure.Options{})
			require.NoError(t, err)
			assert.Equal(t, measure.Cancelled, got.Stop.Reason)
			assert.InDelta(t, 3, got.Stop.At, 1e-9)
		})
	})
}

// scripted is a controller that is asked in turn; what it answers is a function's.
type scripted struct {
	link.Controller
	channels []link.Channel
	read     func(n int) (link.Sample, error)
	n        int
	shares   []string // what was commanded, and when
	start    time.Time
}

func (s *scripted) Describe() link.Description {
	return link.Description{Channels: s.channels, Throttle: &link.Throttle{Astern: true, CommandTimeout: 400 * time.Millisecond}}
}
func (s *scripted) Running(context.Context) (bool, error) { return false, nil }
func (s *scripted) CommandThrottle(_ context.Context, share float64) error {
	s.shares = append(s.shares, fmt.Sprintf("%.2f s %.2f", time.Since(s.start).Seconds(), share))
	return nil
}
func (s *scripted) Halt(ctx context.Context) error { return s.CommandThrottle(ctx, 0) }
func (s *scripted) ReadTelemetry(context.Context) (link.Sample, error) {
	s.n++
	time.Sleep(2 * time.Millisecond)
	if s.read != nil {
		return s.read(s.n)
	}
	return link.Sample{At: time.Now(), Values: make([]float64, len(s.channels))}, nil
}

// A reply out of step takes the sample before it with it: that one may have been another's.
func TestOutOfStepDiscardsTheSampleBefore(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := &scripted{channels: meters, start: time.Now(), read: func(n int) (link.Sample, error) {
			if n == 32 { // the first is before the start
				return link.Sample{}, fmt.Errorf("unit 17: %w", link.ErrOutOfStep)
			}
			return link.Sample{At: time.Now(), Values: []float64{1, float64(n)}}, nil
		}}
		got, err := measure.Run(t.Context(), c, steps(t), measure.Options{Commands: true})
		require.NoError(t, err)
		assert.Equal(t, measure.LineLost, got.Stop.Reason)
		require.Len(t, got.Samples, 29)
		assert.Equal(t, 30.0, got.Samples[28].Values[1])
		require.Len(t, got.Discarded, 1)
		assert.InDelta(t, 29*0.05, got.Discarded[0], 0.003)
		assert.True(t, got.Stop.Zero)
	})
}

// The controller hears the lever at once where it moves, and otherwise often enough not to forget it, however slowly
// samples are taken.
func TestThrottleIsRepeatedBetweenSamples(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := &scripted{channels: meters, start: time.Now()}
		got, err := measure.Run(t.Context(), c, steps(t), measure.Options{Commands: true, Rate: 1})
		require.NoError(t, err)
		assert.Equal(t, measure.Finished, got.Stop.Reason, got.Stop.Text)
		assert.Len(t, got.Samples, 13)
		last := 0.0
		for _, line := range c.shares {
			var at, share float64
			_, err := fmt.Sscanf(line, "%f s %f", &at, &share)
			require.NoError(t, err)
			assert.LessOrEqual(t, at-last, 0.105, "a quarter of the time-out")
			last = at
		}
		text := strings.Join(c.shares, "\n")
		assert.Contains(t, text, "1.00 s 0.40")
		assert.Contains(t, text, "6.00 s 0.00")
		assert.Contains(t, c.shares[len(c.shares)-1], " 0.00")
	})
}

// A line that is too slow for the rate is told, with the rate that can be had.
func TestTooSlowALine(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := &scripted{channels: meters, start: time.Now(), read: func(int) (link.Sample, error) {
			time.Sleep(18 * time.Millisecond)
			return link.Sample{At: time.Now(), Values: []float64{0, 0}}, nil
		}}
		got, err := measure.Run(t.Context(), c, steps(t), measure.Options{Commands: true, Rate: 100})
		require.NoError(t, err)
		assert.Equal(t, measure.Late, got.Stop.Reason)
		assert.Contains(t, got.Stop.Text, "a sample takes 20.0 ms on this line, so no more than 50 Hz can be had")
		assert.True(t, got.Stop.Zero)
	})
}

// What was not measured makes no claim: a motor current alone shows neither speed nor losses, and so no temperature.
func TestPartsOfAnUnmeasuredCurrentAreLeftOut(t *testing.T) {
	y := petrel(t)
	got := measure.Result{Channels: []link.Channel{{Name: link.MotorCurrent, Unit: "A"}}}
	for i := range 20 {
		got.Samples = append(got.Samples, measure.Sample{At: float64(i), Since: float64(i), Values: []float64{100}})
	}
	run, err := measure.Complete(t.Context(), y.boat, y.settings, steps(t), &got)
	require.NoError(t, err)
	for name, want := range map[string]bool{"power stage": true, "winding": false, "motor cable": false, "fuse": false, "battery cable": false, "battery": false, "rotor speed": false, "lowest cell": false} {
		_, ok := run.Trace(name)
		assert.Equal(t, want, ok, name)
		assert.Equal(t, !want, slices.Contains(run.LeftOut, name), name)
	}
	current, ok := run.Trace(record.MotorCurrent)
	require.True(t, ok)
	assert.False(t, math.IsNaN(current.Values[0]))
	got.Channels = []link.Channel{{Name: link.Voltage, Unit: "V"}}
	_, err = measure.Complete(t.Context(), y.boat, y.settings, steps(t), &got)
	assert.ErrorContains(t, err, "neither motor current nor battery current was measured")
}
