package holder_test

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/holder"
	"quaybench/bench/link"
	"quaybench/bench/link/port"
	"quaybench/bench/measure"
	"quaybench/bench/record"
)

const programme = `
name = "asked for by a script"
duration = "60 s"
moored = true
[[throttle]]
at = "0.1 s"
to = "40 %"
`

// lever is a controller that is a note of what was commanded.
type lever struct {
	mu     sync.Mutex
	shares []float64
	halted bool
}

func (l *lever) Describe() link.Description {
	return link.Description{Channels: []link.Channel{{Name: link.MotorCurrent, Unit: "A"}}, Throttle: &link.Throttle{CommandTimeout: 400 * time.Millisecond}}
}
func (l *lever) ReadSettings(context.Context, ...string) (map[string]float64, error) { return nil, nil }
func (l *lever) WriteSetting(context.Context, string, float64) (float64, error) {
	return 0, link.ErrReadOnly
}
func (l *lever) Running(context.Context) (bool, error) { return false, nil }
func (l *lever) ReadTelemetry(context.Context) (link.Sample, error) {
	return link.Sample{At: time.Now(), Values: []float64{1}}, nil
}
func (l *lever) CommandThrottle(_ context.Context, share float64) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.shares = append(l.shares, share)
	return nil
}
func (l *lever) Halt(context.Context) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.shares, l.halted = append(l.shares, 0), true
	return nil
}
func (l *lever) MakeReady(context.Context) error { return nil }
func (l *lever) AtRest(context.Context) error    { return nil }
func (l *lever) Lock(context.Context) error      { return nil }
func (l *lever) Close() error                    { return nil }

// runner runs programmes on a fresh lever each; all they commanded is noted.
type runner struct {
	mu     sync.Mutex
	levers []*lever
	begun  chan struct{} // told of each programme; may be nil
}

func (r *runner) run(ctx context.Context, ask holder.Ask) (*holder.Answer, error) {
	l := &lever{}
	r.mu.Lock()
	r.levers = append(r.levers, l)
	r.mu.Unlock()
	if r.begun != nil {
		r.begun <- struct{}{}
	}
	got, err := measure.Run(ctx, l, ask.Trial, measure.Options{Rate: ask.Rate, Commands: true, Clock: port.WallClock{}, Lag: 10 * time.Second})
	if err != nil {
		return nil, err
	}
	run := &record.Run{Boat: "petrel", Trial: ask.Trial.Name, Traces: []record.Trace{{Name: record.MotorCurrent, Unit: "A"}}}
	for _, s := range got.Samples {
		run.Time = append(run.Time, s.At)
		run.Traces[0].Values = append(run.Traces[0].Values, s.Values[0])
	}
	return &holder.Answer{Record: run, Stop: got.Stop}, nil
}

// TestHolderStops: the end of the holder's own context, as by Ctrl-C, ends the programme too.
func TestHolderStops(t *testing.T) { synctest.Test(t, holderStops) }

func holderStops(t *testing.T) {
	from, theirs := io.Pipe()
	read, to := io.Pipe()
	ctx, cancel := context.WithCancel(t.Context())
	r := &runner{begun: make(chan struct{}, 1)}
	c := holder.Connect(read, theirs)
	ended := make(chan error, 1)
	go func() { ended <- holder.Serve(ctx, from, to, r.run, holder.Options{}) }()
	answered := make(chan error, 1)
	go func() {
		answer, err := c.Run(t.Context(), holder.Ask{Programme: programme, Rate: 50})
		if err == nil { // it came through before the pipe was closed: then it is of a stopped programme
			assert.NotEqual(t, measure.Finished, answer.Stop.Reason)
			err = errors.New("the holder is gone after its answer")
		}
		answered <- err
	}()
	<-r.begun
	cancel()
	assert.ErrorIs(t, <-ended, context.Canceled)
	assert.Zero(t, r.levers[0].shares[len(r.levers[0].shares)-1])
	_ = to.Close()
	assert.ErrorContains(t, <-answered, "the holder is gone")
	_ = theirs.Close()
}

// A stop counts for the programme that it names, while that runs: one for another, or one that comes too late, changes
// nothing.
func TestAStopIsForTheProgrammeItNames(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		from, theirs := io.Pipe()
		read, to := io.Pipe()
		ended := make(chan error, 1)
		r := &runner{}
		go func() { ended <- holder.Serve(t.Context(), from, to, r.run, holder.Options{}) }()
		short := strings.Replace(programme, "60 s", "0.3 s", 1)
		fmt.Fprintf(theirs, "{\"ask\": {\"id\": 1, \"programme\": %q}}\n{\"stop\": 7}\n", short)
		answer, err := bufio.NewReader(read).ReadString('\n')
		require.NoError(t, err)
		assert.Contains(t, answer, fmt.Sprintf(`"reason":%d,`, measure.Finished))
		fmt.Fprintf(theirs, "{\"stop\": 1}\n") // it has ended
		_ = theirs.Close()
		assert.NoError(t, <-ended)
	})
}

// A script calls a programme off once, and then waits for its record.
func TestAScriptCallsOffOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		from, theirs := io.Pipe()
		read, to := io.Pipe()
		c := holder.Connect(read, theirs)
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		answered := make(chan error, 1)
		go func() {
			_, err := c.Run(ctx, holder.Ask{Programme: programme})
			answered <- err
		}()
		lines := bufio.NewScanner(from)
		for stops, beats := 0, 0; beats < 3 && lines.Scan(); {
			switch line := lines.Text(); {
			case strings.Contains(line, `"ask"`):
				cancel()
			case strings.Contains(line, `"stop"`):
				stops++
				require.Equal(t, 1, stops)
			case stops > 0:
				beats++
			}
		}
		go func() { _, _ = io.Copy(io.Discard, from) }()
		fmt.Fprintln(to, `{"id": 1, "refused": "it was called off"}`)
		assert.ErrorContains(t, <-answered, "it was called off")
		_ = to.Close()
		_ = theirs.Close()
	})
}

// A programme lasts as long as it was asked for where its script is heard all the while, ten times a second, and the script learns how
// it ended. A reply that does not say so is none.
func TestAProgrammeRunsToItsEnd(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		from, theirs := io.Pipe()
		read, to := io.Pipe()
		c := holder.Connect(read, theirs)
		ended := make(chan error, 1)
		go func() { ended <- holder.Serve(t.Context(), from, to, (&runner{}).run, holder.Options{}) }()
		answer, err := c.Run(t.Context(), holder.Ask{Programme: programme, Rate: 20})
		require.NoError(t, err)
		assert.Equal(t, measure.Finished, answer.Stop.Reason)
		assert.InDelta(t, 60, answer.Stop.At, 0.1)
		assert.True(t, answer.Stop.Zero)
		assert.InDelta(t, 1200, len(answer.Record.Time), 5)
		_ = theirs.Close()
		require.NoError(t, <-ended)
		_ = to.Close()
	})
	synctest.Test(t, func(t *testing.T) {
		from, theirs := io.Pipe()
		read, to := io.Pipe()
		c := holder.Connect(read, theirs)
		go func() {
			lines := bufio.NewScanner(from)
			lines.Scan()
			fmt.Fprintln(to, `{"id": 1}`)
			_, _ = io.Copy(io.Discard, from)
		}()
		_, err := c.Run(t.Context(), holder.Ask{Programme: programme})
		assert.ErrorContains(t, err, "does not say how the programme ended")
		_ = theirs.Close()
		_ = to.Close()
	})
}

// TestOneProgrammeAtATime: a second ask while one runs is refused, and the first goes on.
func TestOneProgrammeAtATime(t *testing.T) { synctest.Test(t, oneProgrammeAtATime) }

func oneProgrammeAtATime(t *testing.T) {
	from, theirs := io.Pipe()
	read, to := io.Pipe()
	go func() {
		short := strings.Replace(programme, "60 s", "0.3 s", 1)
		fmt.Fprintf(theirs, "{\"ask\": {\"id\": 1, \"programme\": %q}}\n{\"ask\": {\"id\": 2, \"programme\": %q}}\n", short, short)
	}()
	r := &runner{}
	go func() {
		text := make([]byte, 1<<20)
		n := 0
		for strings.Count(string(text[:n]), "\n") < 2 {
			m, err := read.Read(text[n:])
			if err != nil {
				break
			}
			n += m
		}
		lines := strings.Split(string(text[:n]), "\n")
		assert.Equal(t, `{"id":2,"refused":"another programme runs"}`, lines[0])
		assert.Contains(t, lines[1], `{"id":1,`)
		assert.Contains(t, lines[1], `"zero":true`)
		_ = theirs.Close()
	}()
	require.NoError(t, holder.Serve(t.Context(), from, to, r.run, holder.Options{}))
	assert.Len(t, r.levers, 1)
}

// A paper comes in pieces and arrives whole; one that nobody asked for ends the script.
func TestPapers(t *testing.T) {
	content := []byte(strings.Repeat("paper ", 200_000))
	for _, wanted := range []bool{true, false} {
		got := map[string]string{}
		o := holder.Options{}
		if wanted {
			o.Paper = func(name string, content []byte) error { got[name] += string(content); return nil }
		}
		from, script := io.Pipe()
		back, answers := io.Pipe()
		ended := make(chan error, 1)
		go func() {
			ended <- holder.Serve(t.Context(), from, answers, nil, o)
			_ = from.Close()
			_ = answers.Close()
		}()
		c := holder.Connect(back, script)
		first, second := c.Paper("report", content), c.Paper("plot", nil)
		_ = script.Close()
		err := <-ended
		if !wanted {
			assert.ErrorIs(t, err, holder.ErrNoise)
			continue
		}
		require.NoError(t, errors.Join(first, second, err))
		assert.Equal(t, map[string]string{"report": string(content), "plot": ""}, got)
	}
}

// TestWhatAScriptSays reaches whom it is for, and is dropped where nobody is there; the script goes on either way.
func TestWhatAScriptSays(t *testing.T) {
	for _, heard := range []bool{true, false} {
		var said []string
		o := holder.Options{}
		if heard {
			o.Say = func(text string) { said = append(said, text) }
		}
		from, script := io.Pipe()
		_, answers := io.Pipe()
		ended := make(chan error, 1)
		go func() { ended <- holder.Serve(t.Context(), from, answers, nil, o) }()
		_, err := io.WriteString(script, "{\"say\": \"one\"}\n{\"say\": \"two\"}\n")
		require.NoError(t, err)
		_ = script.Close()
		require.NoError(t, <-ended)
		if heard {
			assert.Equal(t, []string{"one", "two"}, said)
		}
	}
}

// TestNoiseEndsTheProgrammeThatRuns at once, in zero, and not at its own end.
func TestNoiseEndsTheProgrammeThatRuns(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		from, theirs := io.Pipe()
		read, to := io.Pipe()
		go func() { _, _ = io.Copy(io.Discard, read) }()
		r := &runner{begun: make(chan struct{}, 1)}
		begun := time.Now()
		ended := make(chan error, 1)
		go func() { ended <- holder.Serve(t.Context(), from, to, r.run, holder.Options{}) }()
		fmt.Fprintf(theirs, "{\"ask\": {\"id\": 1, \"programme\": %q}}\n", programme)
		<-r.begun
		fmt.Fprintln(theirs, "what?")
		assert.ErrorIs(t, <-ended, holder.ErrNoise)
		assert.Less(t, time.Since(begun), 5*time.Second, "the programme lasts 60 s")
		assert.True(t, r.levers[0].halted)
		_ = from.Close()
		_ = to.Close()
	})
}
