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
	"quaybench/bench/trial"
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
			j := measure.Join(nil, port.WallClock{}, measure.Beside{Instrument: i})
			p := steps(t)
			p.Duration = 2
			got, err := measure.Run(ctx, j, p, measure.Options{Bounds: []measure.Bound{{Channel: link.MotorCurrent, Low: -400, High: 400, Why: "too much"}}})
			require.NoError(t, err)
			last := got.Samples[len(got.Samples)-1]
			if spike {
				assert.Equal(t, measure.Limit, got.Stop.Reason, got.Stop.Text)
				assert.Contains(t, got.Stop.Text, "motor current is 450 A: too much (in one line of the instrument)")
				assert.InDelta(t, 1.012, got.Stop.At, 0.01)
				assert.Equal(t, 450.0, last.Values[0])
			} else {
				assert.Equal(t, measure.Finished, got.Stop.Reason, got.Stop.Text)
				assert.InDelta(t, 4, got.Lines[0].Bad, 1)
				assert.Greater(t, got.Lines[0].Good, int64(1900))
				assert.Contains(t, got.Lines[0].Why, "rubbish")
			}
			stop()
			<-quiet
			unplug()
			require.NoError(t, j.Close())
			synctest.Wait()
		})
	}
}

// And in the proof before the test: the controller's own readings may miss there what the logger sees for 3 ms.
func TestEveryLineIsJudgedInTheProof(t *testing.T) {
	y := petrel(t)
	plan := y.plan(t)
	for _, at := range []int{20, 1500} { // ms: at rest, and at the smallest command that shows
		synctest.Test(t, func(t *testing.T) {
			i, send, unplug := logger(t)
			ctx, stop := context.WithCancel(t.Context())
			defer stop()
			quiet := make(chan bool)
			var struck time.Time
			go func() {
				defer close(quiet)
				for ms := 0; ctx.Err() == nil; ms++ {
					amps := 10
					if ms == at {
						amps, struck = 450, time.Now()
					}
					send(fmt.Sprintf("%d;21\n", amps))
					time.Sleep(time.Millisecond)
				}
			}()
			c, sim := y.connect(t, ctx)
			plan := *plan
			plan.Beside = measure.Join(c, port.WallClock{}, measure.Beside{Instrument: i})
			plan.BesideBounds = []measure.Bound{{Channel: link.MotorCurrent, Low: -400, High: 400, Why: "too much"}}
			_, err := measure.ProveTimeout(ctx, c, port.WallClock{}, &plan)
			assert.ErrorContains(t, err, "motor current is 450 A: too much (in one line of the instrument)")
			ended := time.Now()
			require.NoError(t, port.WallClock{}.Sleep(ctx, 2*time.Second))
			assert.Zero(t, sim.Lever())
			stop()
			<-quiet
			assert.Less(t, ended.Sub(struck), 400*time.Millisecond, "halted, and the settings compared")
			unplug()
			_ = plan.Beside.Close()
			synctest.Wait()
		})
	}
}

// slowReader is a person who takes long over one reading.
type slowReader struct {
	n, at int
	takes time.Duration
	then  time.Duration // and over the next
}

func (s *slowReader) Readings(ctx context.Context, channels []link.Channel) ([]float64, bool, error) {
	s.n++
	takes := map[int]time.Duration{s.at: s.takes, s.at + 1: s.then}[s.n]
	if err := (port.WallClock{}).Sleep(ctx, takes); err != nil {
		return nil, false, err
	}
	return make([]float64, len(channels)), true, nil
}

// A prompted hold that lasts longer than planned is told and recorded as it was; it ends when the parts can bear no more, and
// after five minutes in any case.
func TestPromptedHoldHasAnEnd(t *testing.T) {
	channels := []link.Channel{{Name: link.MotorCurrent, Unit: "A"}}
	bears := func(s float64) func(*trial.Trial, float64, float64) (float64, string) {
		return func(performed *trial.Trial, planned, latest float64) (float64, string) {
			assert.Equal(t, 0.4, performed.Throttle[len(performed.Throttle)-1].To)
			assert.InDelta(t, 6, planned, 0.1)
			assert.InDelta(t, 306, latest, 0.1)
			return planned + s, "the winding comes close"
		}
	}
	for _, c := range []struct {
		at       int
		takes    time.Duration
		patience func(performed *trial.Trial, planned, latest float64) (float64, string)
		want     measure.Reason
		told     string
		stopped  float64
	}{
		{2, 20 * time.Second, nil, measure.Finished, "if no readings come within 302 s, the test stops\nthis hold lasted 18 s longer than planned", 0},
		{2, 10 * time.Minute, nil, measure.Unanswered, "STOP, lever to neutral now! the hold lasts 300 s longer than planned\n", 306},
		{2, 10 * time.Minute, bears(10), measure.Unanswered, "if no readings come within 12 s, the test stops: the winding comes close\nSTOP, lever to neutral now! the hold lasts 10 s longer than planned: the winding comes close\n", 16},
		{2, 10 * time.Second, bears(10), measure.Finished, "this hold lasted 8 s longer", 0},
		{2, 10 * time.Minute, bears(-10), measure.Unanswered, "STOP, lever to neutral now! this hold must not go on: the winding comes close\n", 1},
		{1, 10 * time.Minute, nil, measure.Finished, "lever to 40 % ahead", 0}, // at rest nothing heats
		{3, 10 * time.Minute, nil, measure.Finished, "lever to neutral", 0},
	} {
		synctest.Test(t, func(t *testing.T) {
			told := ""
			got, err := measure.Prompted(t.Context(), &slowReader{at: c.at, takes: c.takes}, channels, steps(t), measure.Options{Tell: func(text string) { told += text + "\n" }, Patience: c.patience})
			require.NoError(t, err)
			assert.Equal(t, c.want, got.Stop.Reason, got.Stop.Text)
			assert.Contains(t, told, c.told)
			if c.want == measure.Unanswered {
				assert.InDelta(t, c.stopped, got.Stop.At, 0.1)
			}
		})
	}
}

// A reading stands until it came, for the parts heat until then; the band it is held against is that of the programme as
// planned, however long the person took before.
func TestPromptedReadingsOfALongHold(t *testing.T) {
	channels := []link.Channel{{Name: link.MotorCurrent, Unit: "A"}}
	synctest.Test(t, func(t *testing.T) {
		var held []float64
		got, err := measure.Prompted(t.Context(), &slowReader{at: 1, takes: time.Minute, then: time.Minute}, channels, steps(t), measure.Options{Watch: func(_ int, at, _ float64) string {
			held = append(held, at)
			return ""
		}})
		require.NoError(t, err)
		require.Len(t, got.Samples, 3)
		assert.InDeltaSlice(t, []float64{0, 3.5, 9}, held, 1e-9) // of the programme: 40 % from 1 s, neutral from 6 s, end at 12 s
		hold := got.Samples[1]
		assert.InDelta(t, 60, hold.Since, 1e-9)
		assert.InDelta(t, 60+2.5+60, hold.At, 1e-9)
		assert.Equal(t, 0.4, hold.Lever)
	})
}

// An instrument of which no line can be used, or that sends none, is told in a quarter of a minute, whatever its column list says.
func TestUselessLoggerIsTold(t *testing.T) {
	for _, c := range []struct{ line, want string }{
		{"rubbish\n", "none of the 1"}, {"", "no line came in 15.0 s"},
	} {
		synctest.Test(t, func(t *testing.T) {
			i, send, unplug := logger(t)
			ctx, stop := context.WithCancel(t.Context())
			quiet := make(chan bool)
			go func() {
				defer close(quiet)
				for ctx.Err() == nil {
					if c.line != "" {
						send(c.line)
					}
					time.Sleep(100 * time.Millisecond)
				}
			}()
			if c.line == "" { // its own patience is longer
				i = silent{i}
			}
			j := measure.Join(nil, port.WallClock{}, measure.Beside{Instrument: i})
			begun := time.Now()
			got, err := measure.Run(t.Context(), j, steps(t), measure.Options{Stale: time.Second})
			require.NoError(t, err)
			assert.Equal(t, measure.NotReady, got.Stop.Reason)
			assert.Contains(t, got.Stop.Text, c.want)
			assert.Less(t, time.Since(begun), 16*time.Second)
			stop()
			<-quiet
			unplug()
			require.NoError(t, j.Close())
			synctest.Wait()
		})
	}
}

// silent is an instrument that hears nothing and waits on.
type silent struct{ link.Instrument }

func (silent) Next(ctx context.Context) (link.Sample, error) {
	<-ctx.Done()
	return link.Sample{}, ctx.Err()
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
func (coastingMotor) MakeReady(context.Context) error                { return link.ErrNoThrottle }
func (coastingMotor) AtRest(context.Context) error                   { return nil }
func (coastingMotor) Lock(context.Context) error                     { return nil }
func (coastingMotor) Halt(context.Context) error                     { return nil }
func (coastingMotor) Close() error                                   { return nil }

// TestTheReasonOfABadLineIsTheNewest: a reading that cannot be is counted with its reason as rubbish is, and a line that is good
// again takes neither back.
func TestTheReasonOfABadLineIsTheNewest(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		i, send, unplug := logger(t)
		ctx, stop := context.WithCancel(t.Context())
		defer stop()
		quiet := make(chan bool)
		go func() {
			defer close(quiet)
			send("\n")
			for ms := 0; ctx.Err() == nil; ms++ {
				switch ms {
				case 300:
					send("rubbish\n")
				case 403: // between two ticks
					send("900;21\n")
				default:
					send("10;21\n")
				}
				time.Sleep(time.Millisecond)
			}
		}()
		j := measure.Join(nil, port.WallClock{}, measure.Beside{Instrument: i})
		p := steps(t)
		p.Duration = 1
		got, err := measure.Run(ctx, j, p, measure.Options{})
		require.NoError(t, err)
		assert.Equal(t, measure.Finished, got.Stop.Reason, got.Stop.Text)
		assert.GreaterOrEqual(t, got.Lines[0].Bad, int64(2))
		assert.Contains(t, got.Lines[0].Why, "900")
		stop()
		<-quiet
		unplug()
		require.NoError(t, j.Close())
		synctest.Wait()
	})
}

// TestASilentLoggerIsNamed: a logger that sends no more ends the test as a stale reading, not as a lost line.
func TestASilentLoggerIsNamed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		i, send, unplug := logger(t)
		quiet := make(chan bool)
		go func() {
			defer close(quiet)
			send("\n")
			for range 500 {
				send("10;21\n")
				time.Sleep(time.Millisecond)
			}
		}()
		j := measure.Join(nil, port.WallClock{}, measure.Beside{Instrument: i})
		got, err := measure.Run(t.Context(), j, steps(t), measure.Options{Stale: 10 * time.Second}) // so that the logger says it first
		require.NoError(t, err)
		assert.Equal(t, measure.Stale, got.Stop.Reason, got.Stop.Text)
		assert.Contains(t, got.Stop.Text, "no line for 300 ms")
		<-quiet
		unplug()
		require.NoError(t, j.Close())
		synctest.Wait()
	})
}
