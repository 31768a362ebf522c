package measure_test

import (
	"context"
	"fmt"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/link"
	"quaybench/bench/link/port"
	"quaybench/bench/measure"
)

// Every line of a fast logger is held against the hard limits, not only the one at the tick: 450 A for 3 ms stop the test,
// and stand in the record. Lines that could not be used are counted.
func TestEveryLineIsJudged(t *testing.T) {
	for _, spike := range []bool{false, true} {
		synctest.Test(t, func(t *testing.T) {
			i, send, unplug := logger(t)
			ctx, stop := context.WithCancel(t.Context())
			defer stop()
			quiet := make(chan bool)
			go func() {
				defer close(quiet)
				send("\n")
				for ms := 0; ctx.Err() == nil; ms++ {
					amps := 10
					if spike && ms >= 1012 && ms < 1015 {
						amps = 450
					}
					switch {
					case ms%500 == 7:
						send("rubbish\n")
					default:
						send(fmt.Sprintf("%d;21\n", amps))
					}
					time.Sleep(time.Millisecond)
				}
			}()
			j := measure.Join(nil, i, port.WallClock{})
			p := steps(t)
			p.Duration = 2
			got, err := measure.Run(ctx, j, p, measure.Options{Bounds: []measure.Bound{{Channel: link.MotorCurrent, Low: -400, High: 400, Why: "too much"}}})
			require.NoError(t, err)
			last := got.Samples[len(got.Samples)-1]
			if spike {
				assert.Equal(t, measure.Limit, got.Stop.Reason, got.Stop.Text)
				assert.Contains(t, got.Stop.Text, "motor_current is 450.0 A: too much (in one line of the instrument)")
				assert.InDelta(t, 1.012, got.Stop.At, 0.01)
				assert.Equal(t, 450.0, last.Values[0])
			} else {
				assert.Equal(t, measure.Finished, got.Stop.Reason, got.Stop.Text)
				assert.InDelta(t, 4, got.Lines.Bad, 1)
				assert.Greater(t, got.Lines.Good, int64(1900))
				assert.Contains(t, got.Lines.Why, "rubbish")
			}
			stop()
			<-quiet
			unplug()
			require.NoError(t, j.Close())
			synctest.Wait()
		})
	}
}

// slowReader is a person who takes long over one reading.
type slowReader struct {
	n, at int
	takes time.Duration
}

func (s *slowReader) Readings(ctx context.Context, channels []link.Channel) ([]float64, bool, error) {
	if s.n++; s.n == s.at {
		if err := (port.WallClock{}).Sleep(ctx, s.takes); err != nil {
			return nil, false, err
		}
	}
	return make([]float64, len(channels)), true, nil
}

// A prompted hold that lasts longer than planned is told and recorded as it was; it does not last without end.
func TestPromptedHoldHasAnEnd(t *testing.T) {
	channels := []link.Channel{{Name: link.MotorCurrent, Unit: "A"}}
	for _, c := range []struct {
		at    int
		takes time.Duration
		want  measure.Reason
		told  string
	}{
		{2, 20 * time.Second, measure.Finished, "this hold lasted 18 s longer than planned"},
		{2, 10 * time.Minute, measure.Late, "STOP, lever to neutral now! the hold lasts 30 s longer than planned"},
		{1, 10 * time.Minute, measure.Finished, "lever to 40 % ahead"}, // at rest nothing heats
		{3, 10 * time.Minute, measure.Finished, "lever to neutral"},
	} {
		synctest.Test(t, func(t *testing.T) {
			told := ""
			got, err := measure.Prompted(t.Context(), &slowReader{at: c.at, takes: c.takes}, channels, steps(t), measure.Options{Tell: func(text string) { told += text + "\n" }})
			require.NoError(t, err)
			assert.Equal(t, c.want, got.Stop.Reason, got.Stop.Text)
			assert.Contains(t, told, c.told)
			if c.want == measure.Late {
				assert.Less(t, got.Stop.At, 45.0)
			}
		})
	}
}

// A shaft that still coasts is waited for, but not for ever.
func TestCoastingShaftIsWaitedFor(t *testing.T) {
	for _, c := range []struct {
		turns time.Duration
		want  measure.Reason
	}{{4 * time.Second, measure.Finished}, {time.Hour, measure.NotReady}} {
		synctest.Test(t, func(t *testing.T) {
			p := steps(t)
			p.Duration = 2
			start := time.Now()
			got, err := measure.Run(t.Context(), coastingMotor{start.Add(c.turns)}, p, measure.Options{})
			require.NoError(t, err)
			assert.Equal(t, c.want, got.Stop.Reason, got.Stop.Text)
			assert.Less(t, time.Since(start), 20*time.Second)
		})
	}
}

// coastingMotor turns until an instant.
type coastingMotor struct{ until time.Time }

func (coastingMotor) Describe() link.Description {
	return link.Description{Channels: []link.Channel{{Name: link.MotorCurrent, Unit: "A"}}}
}
func (m coastingMotor) Running(context.Context) (bool, error) { return time.Now().Before(m.until), nil }
func (coastingMotor) ReadTelemetry(context.Context) (link.Sample, error) {
	return link.Sample{At: time.Now(), Values: []float64{0}}, nil
}
func (coastingMotor) ReadSettings(context.Context, ...string) (map[string]float64, error) {
	return nil, nil
}
func (coastingMotor) WriteSetting(context.Context, string, float64) (float64, error) {
	return 0, link.ErrReadOnly
}
func (coastingMotor) CommandThrottle(context.Context, float64) error { return link.ErrNoThrottle }
func (coastingMotor) AtRest(context.Context) error                   { return nil }
func (coastingMotor) Lock(context.Context) error                     { return nil }
func (coastingMotor) Halt(context.Context) error                     { return nil }
func (coastingMotor) Close() error                                   { return nil }
