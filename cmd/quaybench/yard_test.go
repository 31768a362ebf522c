package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench"
	"quaybench/bench/link/linksim"
	"quaybench/bench/link/linktest"
	"quaybench/bench/link/modbus"
	"quaybench/bench/link/port"
	"quaybench/bench/link/regmap"
	"quaybench/bench/settings"
	"quaybench/repl/child"
)

// yard is where the command line is tried on hardware: a folder for book and journals, and lines to controllers and loggers.
// In the plain run all of it is in this process and in a bubble of testing/synctest, whose clock stands still while anything
// computes: a minute's test runs in a moment, and a busy machine changes nothing. The slow suite has a second kind, with
// processes, pseudo-terminals and real time.
type yard struct {
	t       *testing.T
	home    string
	columns string                               // as COLUMNS says; "": nothing
	lines   map[string]func() (port.Port, error) // to what is plugged in, by the port's name

	script *heldScript // that was started last
	users  func(name string) []string

	// moor plugs in petrel's simulated controller. It holds the file's settings but for those set.
	moor func(registers string, set ...string) *pontoon
	// sit starts the program at a terminal of 100 columns.
	sit func(args ...string) *desk
	// run runs the program to its end without a terminal.
	run func(stdin string, args ...string) (code int, stdout, stderr string)
	// plug plugs in what is at the far end of a line; unplug takes it away.
	plug func(far func(ctx context.Context, p port.Port)) (name string, unplug func())
}

// inBubble runs a test in a yard in virtual time.
func inBubble(t *testing.T, test func(y *yard)) {
	t.Helper()
	home := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		y := &yard{t: t, home: home, lines: map[string]func() (port.Port, error){}}
		y.moor, y.sit, y.plug = y.moorInMemory, y.sitInMemory, y.plugInMemory
		y.run = func(stdin string, args ...string) (int, string, string) {
			var out, err strings.Builder
			sys := y.system()
			sys.In, sys.Out, sys.Err = strings.NewReader(stdin), &out, &err
			code := run(t.Context(), args, sys)
			return code, out.String(), err.String()
		}
		test(y)
	})
}

// eachInBubble runs one test per case, each in a yard of its own.
func eachInBubble[C any](t *testing.T, cases []C, name func(C) string, test func(y *yard, c C)) {
	for _, c := range cases {
		t.Run(name(c), func(t *testing.T) {
			t.Parallel()
			inBubble(t, func(y *yard) { test(y, c) })
		})
	}
}

// fewDraws are the boats behind a band where a test is about something else than the band: each command asks for 40 to 200, which the
// slow suite runs, as processes do (TestScriptsInProcesses, TestAllExamples).
const fewDraws = 8

// system returns what the program has around it in a yard in memory.
func (y *yard) system() system {
	env := map[string]string{"COLUMNS": y.columns, "XDG_DATA_HOME": y.home, "QUAYBENCH_AUTHOR": "yard hand", "NO_COLOR": "1", "TERM": "xterm"}
	return system{
		In: strings.NewReader(""), Out: io.Discard, Err: io.Discard,
		Getenv: func(key string) string { return env[key] },
		Draws:  fewDraws,
		Clock:  port.WallClock{}, // inside the bubble: the bubble's
		Open: func(a port.Address) (port.Port, error) {
			open, ok := y.lines[a.Name]
			if !ok {
				return nil, fmt.Errorf("open %s: nothing is plugged in", a)
			}
			return open()
		},
		Guard:     func() func() { return func() {} },
		Users:     y.users,
		RunScript: y.runScript,
	}
}

// plugInMemory returns a line that may be opened again and again; its far end is served each time.
func (y *yard) plugInMemory(far func(ctx context.Context, p port.Port)) (name string, unplug func()) {
	name = fmt.Sprintf("/dev/ttyUSB%d", len(y.lines))
	ctx, stop := context.WithCancel(y.t.Context())
	var open []port.Port
	var served sync.WaitGroup
	y.lines[name] = func() (port.Port, error) {
		if ctx.Err() != nil {
			return nil, fmt.Errorf("open %s: it was unplugged", name)
		}
		near, end := linktest.Pipe()
		open = append(open, end)
		served.Go(func() { far(ctx, end) })
		return near, nil
	}
	unplug = func() {
		stop()
		for _, p := range open {
			_ = p.Close()
		}
	}
	y.t.Cleanup(func() {
		unplug()
		served.Wait()
	})
	return name, unplug
}

// pontoon is a simulated controller at the end of a line, with somebody who notes what reaches it.
type pontoon struct {
	*linksim.Controller
	port   string // as --on takes it
	unplug func()

	mu       sync.Mutex
	shares   []float64 // throttle commanded, in order
	sets     []string  // settings written, in order
	running  bool      // says so whatever is
	throttle func(share float64)
	setting  func(n int, key string) (refused error) // before the n-th write, from 1
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

// commanded returns the throttle commands so far.
func (p *pontoon) commanded() []float64 {
	p.mu.Lock()
	defer p.mu.Unlock()
	return append([]float64(nil), p.shares...)
}

// on has something done when a throttle is commanded, at each such command.
func (p *pontoon) on(share float64, act func()) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.throttle = func(now float64) {
		if now == share {
			act()
		}
	}
}

// petrelMap returns the demo boat's register map, with lines changed.
func petrelMap(t *testing.T, change ...string) string {
	t.Helper()
	text, err := demoFiles.ReadFile("demo/petrel/registers.toml")
	require.NoError(t, err)
	return strings.NewReplacer(change...).Replace(string(text))
}

// petrel plugs in petrel's controller with petrel's register map.
func (y *yard) petrel(set ...string) *pontoon { return y.moor(petrelMap(y.t), set...) }

// simulated makes petrel's simulated controller and what serves it at the far end of a line.
func (y *yard) simulated(registers string, set []string) (p *pontoon, far func(ctx context.Context, p port.Port)) {
	y.t.Helper()
	setup, ok := demoBoat("petrel")
	require.True(y.t, ok)
	held, err := bench.Assign(setup.Settings, set)
	require.NoError(y.t, err)
	m, err := regmap.Load("registers.toml", []byte(registers), settings.Fields())
	require.NoError(y.t, err)
	sim, err := linksim.New(setup.Boat, held, m.Describe(), port.WallClock{}, linksim.Options{})
	require.NoError(y.t, err)
	p = &pontoon{Controller: sim}
	server := modbus.NewServer(m.UnitID(), regmap.NewUnit(m, p), modbus.TimingAt(115200), port.WallClock{})
	y.t.Cleanup(func() { assert.NoError(y.t, sim.Err()) })
	return p, func(ctx context.Context, end port.Port) { _ = server.Serve(ctx, end) }
}

func (y *yard) moorInMemory(registers string, set ...string) *pontoon {
	y.t.Helper()
	p, far := y.simulated(registers, set)
	name, unplug := y.plug(far)
	p.port, p.unplug = name+"@115200", unplug
	return p
}

// goesToZero waits for the controller's own command time-out.
func (p *pontoon) goesToZero(t *testing.T) {
	t.Helper()
	assert.Eventually(t, func() bool { return p.Lever() == 0 }, aLot, 50*time.Millisecond, "the controller's own time-out")
}

// aLot is how long anything may take; nothing waits so long where all is well.
const aLot = 90 * time.Second

// desk is the program at a terminal, and the person who sits there.
type desk struct {
	t         *testing.T
	press     func(keys string)
	interrupt func() // Ctrl-C
	terminate func()
	hangUp    func()
	pid       func() int // where it is a process
	code      func() int // waits for the end

	mu    sync.Mutex
	shown strings.Builder
	gone  error         // why nothing can be shown any more
	over  bool          // nothing more will be
	more  chan struct{} // a token when something came
}

func newDesk(t *testing.T) *desk { return &desk{t: t, more: make(chan struct{}, 1)} }

// show is the terminal's side.
func (d *desk) show(text []byte, over bool) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.gone != nil {
		return d.gone
	}
	d.shown.Write(text)
	d.over = d.over || over
	select {
	case d.more <- struct{}{}:
	default:
	}
	return nil
}

// screen is all that was shown, as plain lines.
func (d *desk) screen() string {
	d.mu.Lock()
	defer d.mu.Unlock()
	return strings.ReplaceAll(d.shown.String(), "\r\n", "\n")
}

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
		over := d.over
		d.mu.Unlock()
		if over && !so() {
			d.t.Fatalf("%s:\n%s", otherwise, d.screen())
		}
		select {
		case <-d.more:
		case <-deadline:
			d.t.Fatalf("%s in %v:\n%s", otherwise, aLot, d.screen())
		}
	}
}

// line types a line.
func (d *desk) line(text string) { d.press(text + "\n") }

// ended waits for the program's end and checks its exit code; −1 is a signal.
func (d *desk) ended(code int) string {
	d.t.Helper()
	got := d.code()
	screen := d.screen()
	assert.Equal(d.t, code, got, screen)
	assert.NotContains(d.t, screen, "goroutine ", "a panic reached the user")
	return screen
}

// release types release and waits until a throttle is commanded, and some samples longer.
func (d *desk) release(p *pontoon, share float64) {
	d.t.Helper()
	on := make(chan bool, 1)
	p.on(share, func() {
		select {
		case on <- true:
		default:
		}
	})
	d.line("release")
	select {
	case <-on:
	case <-time.After(aLot):
		d.t.Fatalf("the throttle never came on:\n%s", d.screen())
	}
	<-time.After(2 * time.Second)
}

// glass is a terminal in memory.
type glass struct {
	*desk
	columns, rows int
}

func (g glass) Write(p []byte) (int, error) {
	if err := g.show(p, false); err != nil {
		return 0, err
	}
	return len(p), nil
}
func (g glass) size() (columns, rows int, ok bool) { return g.columns, g.rows, true }

// typing is what is typed at a terminal in memory.
type typing struct {
	mu    sync.Mutex
	typed strings.Builder
	over  bool
	more  *sync.Cond
}

func newTyping() *typing {
	k := &typing{}
	k.more = sync.NewCond(&k.mu)
	return k
}

func (k *typing) Read(p []byte) (int, error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	for k.typed.Len() == 0 {
		if k.over {
			return 0, io.EOF
		}
		k.more.Wait()
	}
	text := k.typed.String()
	n := copy(p, text)
	k.typed.Reset()
	k.typed.WriteString(text[n:])
	return n, nil
}

func (k *typing) press(text string) {
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.over {
		return
	}
	k.typed.WriteString(text)
	k.more.Broadcast()
}

func (k *typing) close() {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.over = true
	k.more.Broadcast()
}

func (k *typing) size() (columns, rows int, ok bool) { return 100, 40, true }

func (y *yard) sitInMemory(args ...string) *desk { return y.sitWith(nil, args...) }

// sitWith is sit with what the program has around it changed.
func (y *yard) sitWith(change func(d *desk, sys *system), args ...string) *desk {
	d, k := newDesk(y.t), newTyping()
	ctx, cancel := context.WithCancel(y.t.Context())
	sys := y.system()
	sys.In, sys.Out, sys.Err = k, glass{d, 100, 40}, writer(func(p []byte) error { return d.show(p, false) })
	if change != nil {
		change(d, &sys)
	}
	ended := make(chan struct{})
	code := 0
	go func() {
		defer close(ended)
		code = run(ctx, args, sys)
		_ = d.show(nil, true)
	}()
	d.press, d.interrupt, d.terminate = k.press, cancel, cancel
	d.hangUp = func() {
		d.mu.Lock()
		d.gone = errors.New("input/output error") // as of a terminal that is gone
		d.mu.Unlock()
		cancel()
	}
	d.code = func() int {
		select {
		case <-ended:
		case <-time.After(10 * time.Minute):
			d.t.Fatalf("it does not end:\n%s", d.screen())
		}
		return code
	}
	y.t.Cleanup(func() {
		cancel()
		k.close()
		<-ended
	})
	return d
}

type writer func(p []byte) error

func (w writer) Write(p []byte) (int, error) {
	if err := w(p); err != nil {
		return 0, err
	}
	return len(p), nil
}

// heldScript is a script that runs beside the program, and what may befall it.
type heldScript struct {
	kill func()
	hang func() // it is neither heard nor does it hear
}

// runScript is child.Run without a process: the two ends are joined in memory.
func (y *yard) runScript(ctx context.Context, job child.Job, talk func(ctx context.Context, from io.Reader, to io.Writer) error) error {
	// What it says never waits to be heard: it is said under a lock, and who waits for a lock stops the bubble's clock.
	says := newTyping()
	hears, to := io.Pipe()
	ctx, cancel := context.WithTimeout(ctx, job.Limits.Wall)
	defer cancel()
	own, end := context.WithCancel(ctx)
	hung, over := make(chan bool), make(chan bool)
	ended := make(chan error, 1)
	go func() {
		err := scriptProcess(own, job, hears, writer(func(p []byte) error {
			select {
			case <-hung:
				<-over
			default:
			}
			says.press(string(p))
			return nil
		}))
		says.close()
		ended <- err
	}()
	y.script = &heldScript{
		kill: func() { says.close(); end() },
		hang: func() { close(hung) },
	}
	wrong := talk(ctx, says, to)
	end()
	close(over)
	_ = to.Close()
	says.close()
	err := <-ended
	switch {
	case wrong != nil:
		return wrong
	case err != nil:
		if errors.As(err, new(*bench.ExamplesError)) {
			return &child.Error{Reason: child.Blank, Text: err.Error()}
		}
		return &child.Error{Reason: child.Failed, Text: err.Error()}
	}
	return nil
}

// file writes a file into a folder of its own.
func fileOf(t *testing.T, name, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	require.NoError(t, os.WriteFile(path, []byte(text), 0o644))
	return path
}

// unwrapped returns a screen with its lines joined.
func unwrapped(screen string) string { return strings.Join(strings.Fields(screen), " ") }
