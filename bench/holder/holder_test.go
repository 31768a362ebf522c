//go:build unix

package holder_test

import (
	"context"
	"fmt"
	"io"
	"os"
	"os/exec"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/holder"
	"quaybench/bench/link"
	"quaybench/bench/link/port"
	"quaybench/bench/measure"
	"quaybench/bench/record"
)

// The script's process in these tests is this test binary, started again with HOLDER_CHILD saying what it does.
func TestMain(m *testing.M) {
	if mode := os.Getenv("HOLDER_CHILD"); mode != "" {
		child(mode)
		os.Exit(0)
	}
	os.Exit(m.Run())
}

const programme = `
name = "asked for by a script"
duration = "60 s"
moored = true
[[throttle]]
at = "0.1 s"
to = "40 %"
`

// child is a script's process.
func child(mode string) {
	fail := func(err error) {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	c := holder.Connect(os.Stdin, os.Stdout)
	ask := holder.Ask{Boat: "b0a7", Programme: programme, Rate: 50}
	short := ask
	short.Programme = strings.Replace(programme, "60 s", "0.5 s", 1)
	ctx := context.Background()
	run := func() error { _, err := c.Run(ctx, ask); return err }
	after := func(act func()) {
		go func() {
			time.Sleep(500 * time.Millisecond) // a process of its own, in real time
			act()
		}()
	}
	switch mode {
	case "good":
		_ = c.Say("hello")
		for range 2 {
			a, err := c.Run(ctx, short)
			if err != nil {
				fail(err)
			}
			_ = c.Say(fmt.Sprintf("%v after %d samples, zero %v", a.Stop.Reason, len(a.Record.Time), a.Stop.Zero))
		}
	case "called off":
		ctx, cancel := context.WithTimeout(ctx, 500*time.Millisecond)
		defer cancel()
		a, err := c.Run(ctx, ask)
		if err != nil {
			fail(err)
		}
		_ = c.Say(fmt.Sprintf("%v, zero %v", a.Stop.Reason, a.Stop.Zero))
	case "bad programme":
		ask.Programme = "duration = 7"
		_, err := c.Run(ctx, ask)
		_ = c.Say(fmt.Sprint(err))
	case "exits":
		after(func() { os.Exit(0) })
		fail(run())
	case "killed":
		after(func() { _ = syscall.Kill(os.Getpid(), syscall.SIGKILL) })
		fail(run())
	case "hangs":
		after(func() { _ = syscall.Kill(os.Getpid(), syscall.SIGSTOP) })
		fail(run())
	case "closes the pipe":
		after(func() { _ = os.Stdout.Close() })
		fail(run())
	case "floods":
		after(func() {
			for {
				_ = c.Say("")
			}
		})
		fail(run())
	case "garbage":
		after(func() { fmt.Println("panic: runtime error") })
		fail(run())
	case "line without end":
		after(func() {
			for {
				_, _ = io.WriteString(os.Stdout, strings.Repeat("x", 1<<16))
			}
		})
		fail(run())
	case "asks for more":
		after(func() { fmt.Println(`{"release": true}`) })
		fail(run())
	case "lifts a limit":
		after(func() { fmt.Println(`{"ask": {"id": 9, "programme": "", "limits": {"motor_current": 1e9}}}`) })
		fail(run())
	case "panics":
		after(func() { panic("script") })
		fail(run())
	}
}

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
func (l *lever) Close() error { return nil }

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

// served starts this binary as a script's process, and serves it.
func served(t *testing.T, mode string, o holder.Options) (r *runner, said []string, err error) {
	t.Helper()
	self, err := os.Executable()
	require.NoError(t, err)
	cmd := exec.Command(self)
	cmd.Env = append(os.Environ(), "HOLDER_CHILD="+mode)
	to, err := cmd.StdinPipe()
	require.NoError(t, err)
	from, err := cmd.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, cmd.Start())
	r = &runner{}
	o.Say = func(text string) {
		if text != "" {
			said = append(said, text)
		}
	}
	err = holder.Serve(t.Context(), from, to, r.run, o)
	_ = cmd.Process.Kill()
	_ = cmd.Wait()
	return r, said, err
}

// TestProcesses: whatever a script's process does, the throttle was on and zero is the last command, and the holder says
// what was wrong.
func TestProcesses(t *testing.T) {
	for _, c := range []struct {
		mode string
		want error
	}{
		{"exits", holder.ErrGone},
		{"killed", holder.ErrGone},
		{"panics", holder.ErrGone},
		{"hangs", holder.ErrSilent},
		{"closes the pipe", holder.ErrGone},
		{"floods", holder.ErrFlood},
		{"garbage", holder.ErrNoise},
		{"line without end", holder.ErrNoise},
		{"asks for more", holder.ErrNoise},
		{"lifts a limit", holder.ErrNoise},
	} {
		t.Run(c.mode, func(t *testing.T) {
			t.Parallel()
			r, _, err := served(t, c.mode, holder.Options{})
			assert.ErrorIs(t, err, c.want)
			require.Len(t, r.levers, 1)
			l := r.levers[0]
			assert.True(t, l.halted)
			assert.Contains(t, l.shares, 0.4)
			assert.Zero(t, l.shares[len(l.shares)-1])
		})
	}
}

// TestGoodProcess: two programmes one after the other, each with its record; what the script says is shown.
func TestGoodProcess(t *testing.T) {
	r, said, err := served(t, "good", holder.Options{})
	require.NoError(t, err)
	require.Len(t, r.levers, 2)
	assert.Equal(t, []string{"hello", "finished after 26 samples, zero true", "finished after 26 samples, zero true"}, said)
}

func TestScriptCallsItOff(t *testing.T) {
	r, said, err := served(t, "called off", holder.Options{})
	require.NoError(t, err)
	assert.Equal(t, []string{"stopped by hand, zero true"}, said)
	assert.Zero(t, r.levers[0].shares[len(r.levers[0].shares)-1])
}

func TestBadProgrammeIsRefused(t *testing.T) {
	r, said, err := served(t, "bad programme", holder.Options{})
	require.NoError(t, err)
	assert.Empty(t, r.levers)
	require.Len(t, said, 1)
	assert.Contains(t, said[0], "refused: programme:1:")
}

// TestTooLong: a script that runs too long is called off.
func TestTooLong(t *testing.T) {
	r, _, err := served(t, "killed", holder.Options{Longest: 300 * time.Millisecond})
	assert.ErrorIs(t, err, holder.ErrTooLong)
	if len(r.levers) > 0 { // the process had begun
		assert.Zero(t, r.levers[0].shares[len(r.levers[0].shares)-1])
	}
}

// TestHolderStops: the end of the holder's own context, as by Ctrl-C, ends the programme too.
func TestHolderStops(t *testing.T) {
	from, theirs := io.Pipe()
	read, to := io.Pipe()
	ctx, cancel := context.WithCancel(t.Context())
	r := &runner{begun: make(chan struct{}, 1)}
	c := holder.Connect(read, theirs)
	ended := make(chan error, 1)
	go func() { ended <- holder.Serve(ctx, from, to, r.run, holder.Options{}) }()
	answered := make(chan error, 1)
	go func() {
		_, err := c.Run(t.Context(), holder.Ask{Programme: programme, Rate: 50})
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

// TestOneProgrammeAtATime: a second ask while one runs is refused, and the first goes on.
func TestOneProgrammeAtATime(t *testing.T) {
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
