//go:build unix

package main

import (
	"bufio"
	"bytes"
	"context"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/creack/pty"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench"
	"quaybench/bench/link/linksim"
	"quaybench/bench/link/modbus"
	"quaybench/bench/link/port"
	"quaybench/bench/link/regmap"
	"quaybench/bench/settings"
)

// pontoon is a simulated controller on a pseudo-terminal, in this process, with somebody who notes what reaches it. The
// program under test is another process.
type pontoon struct {
	*linksim.Controller
	port string // as --on takes it

	mu       sync.Mutex
	shares   []float64 // throttle commanded, in order
	sets     []string  // settings written, in order
	running  bool      // says so whatever is
	throttle func(share float64)
	setting  func(n int, key string) (refused error) // before the n-th write, from 1
	near     port.Port
	stop     context.CancelFunc
	served   chan error
}

func (p *pontoon) Throttle(share float64) {
	p.mu.Lock()
	p.shares = append(p.shares, share)
	act := p.throttle
	p.mu.Unlock()
	p.Controller.Throttle(share)
	if act != nil {
		act(share)
	}
}

func (p *pontoon) SetSetting(key string, value float64) error {
	p.mu.Lock()
	p.sets = append(p.sets, key)
	n, act := len(p.sets), p.setting
	p.mu.Unlock()
	if act != nil {
		if err := act(n, key); err != nil {
			return err
		}
	}
	return p.Controller.SetSetting(key, value)
}

func (p *pontoon) Running() bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.running || p.Controller.Running()
}

// commanded are the throttle commands so far.
func (p *pontoon) commanded() []float64 {
	p.mu.Lock()
	defer p.mu.Unlock()
	return append([]float64(nil), p.shares...)
}

// petrelMap is the demo boat's register map, with lines changed.
func petrelMap(t *testing.T, change ...string) string {
	t.Helper()
	text, err := demoFiles.ReadFile("demo/petrel/registers.toml")
	require.NoError(t, err)
	return strings.NewReplacer(change...).Replace(string(text))
}

// moor puts petrel's simulated controller on a pseudo-terminal; it holds the file's settings but for those set.
func moor(t *testing.T, set ...string) *pontoon { return moorWith(t, petrelMap(t), set...) }

func moorWith(t *testing.T, registers string, set ...string) *pontoon {
	t.Helper()
	if testing.Short() {
		t.Skip("real time on a real pseudo-terminal; not with -short")
	}
	setup, ok := demoBoat("petrel")
	require.True(t, ok)
	held, err := bench.Propose(setup.Settings, set)
	require.NoError(t, err)
	m, err := regmap.Load("registers.toml", []byte(registers), settings.Fields())
	require.NoError(t, err)
	sim, err := linksim.New(setup.Boat, held, m, port.WallClock{}, linksim.Options{})
	require.NoError(t, err)
	near, far, err := port.Pseudo()
	require.NoError(t, err)
	ctx, stop := context.WithCancel(context.Background())
	p := &pontoon{Controller: sim, port: far + "@115200", near: near, stop: stop, served: make(chan error, 1)}
	go func() {
		p.served <- modbus.NewServer(m.UnitID(), regmap.NewUnit(m, p), modbus.TimingAt(115200), port.WallClock{}).Serve(ctx, near)
	}()
	t.Cleanup(func() {
		p.unplug()
		<-p.served
		assert.NoError(t, sim.Err())
	})
	return p
}

// throttleOn gives a token once a throttle is commanded.
func (p *pontoon) throttleOn(share float64) <-chan bool {
	on := make(chan bool, 1)
	p.mu.Lock()
	defer p.mu.Unlock()
	p.throttle = func(now float64) {
		if now == share {
			select {
			case on <- true:
			default:
			}
		}
	}
	return on
}

// release types release and waits until a throttle is commanded, and some samples longer: real hardware, real time.
func (d *desk) release(p *pontoon, share float64) {
	d.t.Helper()
	on := p.throttleOn(share)
	d.line("release")
	select {
	case <-on:
	case <-time.After(aLot):
		d.t.Fatalf("the throttle never came on:\n%s", d.screen())
	}
	time.Sleep(700 * time.Millisecond)
}

// goesToZero waits for the controller's own command time-out.
func (p *pontoon) goesToZero(t *testing.T) {
	t.Helper()
	for deadline := time.Now().Add(aLot); p.Lever() != 0 && time.Now().Before(deadline); {
		time.Sleep(50 * time.Millisecond)
	}
	assert.Zero(t, p.Lever(), "the controller's own time-out")
}

// unplug takes the line away.
func (p *pontoon) unplug() {
	p.stop()
	_ = p.near.Close()
}

// desk is the program in a terminal of its own.
type desk struct {
	t    *testing.T
	cmd  *exec.Cmd
	keys *os.File // what is typed goes in here, what is shown comes out

	mu    sync.Mutex
	shown strings.Builder
	more  chan struct{} // a token when something came
	eof   bool
}

// sit starts the program in a terminal of 100 columns. home is where its book and journals are.
func sit(t *testing.T, home string, args ...string) *desk { return sitWith(t, home, nil, args...) }

func sitWith(t *testing.T, home string, change func(*exec.Cmd), args ...string) *desk {
	t.Helper()
	if testing.Short() && args[0] == "step" {
		t.Skip("a step test keeps real time, which the race detector, run with -short, does not")
	}
	cmd := command(t, args...)
	cmd.Env = append(cmd.Env, "XDG_DATA_HOME="+home, "QUAYBENCH_AUTHOR=yard hand", "NO_COLOR=1")
	if change != nil {
		change(cmd)
	}
	d := &desk{t: t, cmd: cmd, more: make(chan struct{}, 1)}
	keys, tty, err := pty.Open()
	require.NoError(t, err)
	require.NoError(t, pty.Setsize(keys, &pty.Winsize{Rows: 40, Cols: 100}))
	cmd.Stdin = tty
	if cmd.Stdout == nil {
		cmd.Stdout = tty
	}
	cmd.Stderr = tty
	cmd.SysProcAttr = &syscall.SysProcAttr{Setsid: true, Setctty: true}
	require.NoError(t, cmd.Start())
	require.NoError(t, tty.Close())
	d.keys = keys
	go d.watch()
	t.Cleanup(func() {
		_ = cmd.Process.Kill()
		keys.Close()
	})
	return d
}

func (d *desk) watch() {
	in := bufio.NewReader(d.keys)
	for {
		b := make([]byte, 4096)
		n, err := in.Read(b)
		d.mu.Lock()
		d.shown.Write(b[:n])
		d.eof = err != nil
		d.mu.Unlock()
		select {
		case d.more <- struct{}{}:
		default:
		}
		if err != nil {
			return
		}
	}
}

// screen is all that was shown, as plain lines.
func (d *desk) screen() string {
	d.mu.Lock()
	defer d.mu.Unlock()
	return strings.ReplaceAll(d.shown.String(), "\r\n", "\n")
}

// inRealTime has a test that keeps real time run in a process of its own, and again, three times at most, where only the
// machine kept it waiting: then a step test stops by its own rules. It is true in that process.
func inRealTime(t *testing.T) bool {
	t.Helper()
	if testing.Short() {
		t.Skip("it keeps real time, which the race detector, run with -short, does not")
	}
	if os.Getenv("QUAYBENCH_REAL_TIME") == t.Name() {
		return true
	}
	for attempt := 1; ; attempt++ {
		cmd := exec.CommandContext(t.Context(), os.Args[0], "-test.run=^"+t.Name()+"$", "-test.timeout=4m", "-test.parallel=4")
		cmd.Env = append(os.Environ(), "QUAYBENCH_REAL_TIME="+t.Name())
		out, err := cmd.CombinedOutput()
		late := bytes.Contains(out, []byte("the pacing fell behind")) || bytes.Contains(out, []byte("no reply: check power"))
		switch {
		case err == nil:
			return false
		case late && attempt < 3:
			t.Logf("attempt %d: the machine kept it waiting", attempt)
		default:
			t.Errorf("%v\n%s", err, out)
			return false
		}
	}
}

// aLot is how long anything may take on a busy machine; nothing waits so long where all is well.
const aLot = 90 * time.Second

// await waits until a text is shown.
func (d *desk) await(text string) {
	d.t.Helper()
	d.until(func() bool { return strings.Contains(d.screen(), text) }, "it never showed "+text)
}

func (d *desk) until(so func() bool, otherwise string) {
	d.t.Helper()
	deadline := time.After(aLot)
	for !so() {
		d.mu.Lock()
		over := d.eof
		d.mu.Unlock()
		select {
		case <-d.more:
		case <-time.After(20 * time.Millisecond):
			if over && !so() {
				d.t.Fatalf("%s:\n%s", otherwise, d.screen())
			}
		case <-deadline:
			d.t.Fatalf("%s in %v:\n%s", otherwise, aLot, d.screen())
		}
	}
}

// line types a line.
func (d *desk) line(text string) { d.t.Helper(); d.press(text + "\n") }

// press presses keys.
func (d *desk) press(keys string) {
	d.t.Helper()
	_, err := io.WriteString(d.keys, keys)
	require.NoError(d.t, err)
}

// ended waits for the program's end and checks its exit code; −1 is a signal.
func (d *desk) ended(code int) string {
	d.t.Helper()
	done := make(chan error, 1)
	go func() { done <- d.cmd.Wait() }()
	select {
	case <-done:
	case <-time.After(aLot):
		d.t.Fatalf("it does not end:\n%s", d.screen())
	}
	d.until(func() bool { d.mu.Lock(); defer d.mu.Unlock(); return d.eof }, "the terminal stays open")
	screen := d.screen()
	assert.Equal(d.t, code, d.cmd.ProcessState.ExitCode(), screen)
	assert.NotContains(d.t, screen, "goroutine ", "a panic reached the user")
	return screen
}

// piped runs the program without a terminal.
func piped(t *testing.T, home, stdin string, args ...string) (code int, stdout, stderr string) {
	t.Helper()
	cmd := command(t, args...)
	cmd.Env = append(cmd.Env, "XDG_DATA_HOME="+home, "QUAYBENCH_AUTHOR=yard hand")
	var out, err strings.Builder
	cmd.Stdin, cmd.Stdout, cmd.Stderr = strings.NewReader(stdin), &out, &err
	_ = cmd.Run()
	return cmd.ProcessState.ExitCode(), out.String(), err.String()
}

// fileOf writes a file into a folder of its own.
func fileOf(t *testing.T, name, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	require.NoError(t, os.WriteFile(path, []byte(text), 0o644))
	return path
}
