//go:build slow && unix

package holder_test

import (
	"context"
	"fmt"
	"io"
	"os"
	"os/exec"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/holder"
)

// The script's process in these tests is this test binary, started again with HOLDER_CHILD saying what it does.
func TestMain(m *testing.M) {
	if mode := os.Getenv("HOLDER_CHILD"); mode != "" {
		child(mode)
		os.Exit(0)
	}
	os.Exit(m.Run())
}

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
