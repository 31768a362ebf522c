package interp

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"reflect"
	"regexp"
	"runtime/debug"
	"strings"
	"sync"
	"time"

	yaegi "github.com/traefik/yaegi/interp"

	"quaybench/repl/check"
	"quaybench/repl/core"
	"quaybench/repl/host"
	"quaybench/repl/symbols"
)

// A Bind gives values that take the place of the library's for one
// evaluation: path, then name. Its functions should end soon after ctx does.
type Bind func(ctx context.Context) map[string]map[string]reflect.Value

// Config is what sessions and scripts run with.
type Config struct {
	// Library that may be imported; nil means symbols.Standard.
	Library *symbols.Library
	// Stdout takes what is printed; nil throws it away.
	Stdout io.Writer
	// Bind may be nil.
	Bind Bind
	// Limits of memory; the zero value means defaultLimits.
	Limits Limits
	// Grace is how long after its context has ended an evaluation may go on,
	// so that it can put things in order; then it is stopped. Zero means
	// DefaultGrace.
	Grace time.Duration
	// Patience is how long an evaluation that was stopped is waited for: a
	// compiled function it called may not look at its context. Then it is left
	// behind, still running. Zero means DefaultPatience.
	Patience time.Duration
}

const (
	// DefaultGrace leaves time for a step test to bring the lever back.
	DefaultGrace = 2 * time.Second
	// DefaultPatience is long enough for a controller that does not answer to
	// be given up by the functions that talk to it.
	DefaultPatience = 15 * time.Second
)

func (c Config) complete() (Config, error) {
	if c.Library == nil {
		lib, err := symbols.Standard()
		if err != nil {
			return c, err
		}
		c.Library = lib
	}
	if c.Stdout == nil {
		c.Stdout = io.Discard
	}
	if c.Limits == (Limits{}) {
		c.Limits = defaultLimits
	}
	if c.Grace == 0 {
		c.Grace = DefaultGrace
	}
	if c.Patience == 0 {
		c.Patience = DefaultPatience
	}
	c.adapters()
	return c, nil
}

// ErrStopped is why an evaluation ended that was told to stop.
var ErrStopped = errors.New("stopped")

// ErrLeftBehind is why an evaluation ended that was told to stop and did not.
var ErrLeftBehind = errors.New("stopped, but a function it called has not come back; it was left behind and may still be at work")

// A run is one program in one fresh interpreter.
type run struct {
	Config
	step *check.Step
	prog *core.Program
	rt   *host.RT
	main func()
	// cancel ends the context that compiled functions see.
	cancel context.CancelFunc
	// lull is how long goroutines may take to end by themselves; cut is set where they were ended.
	lull time.Duration
	cut  bool
	once sync.Once
}

// prepare creates an interpreter and compiles the program in it. cells are the variables of a session.
func prepare(ctx context.Context, c Config, step *check.Step, ts *host.Types, control *host.Control, cells map[string]any) (r *run, err error) {
	ctx, cancel := context.WithCancel(ctx)
	control.Begin(ctx)
	r = &run{Config: c, step: step, cancel: cancel}
	defer func() {
		if p := recover(); p != nil { // of the interpreter's own compiler
			err = r.cannotRun(fmt.Sprint(p))
		}
		if err != nil {
			cancel()
		}
	}()
	if r.prog, err = step.Core(ts); err != nil {
		return r, err
	}
	control.Woken = control.Woken || wakers.MatchString(r.prog.Text)
	r.rt = host.NewRT(ts, c.Stdout, control)
	r.rt.Size = r.size
	if cells != nil {
		r.rt.Cells = cells
	}
	in := yaegi.New(yaegi.Options{
		Stdin:                strings.NewReader(""),
		Stdout:               c.Stdout,
		Stderr:               r.rt.Trace(),
		Args:                 []string{},
		Env:                  []string{},
		SourcecodeFilesystem: noFiles{},
	})
	for _, e := range r.exports(ctx) {
		if err := in.Use(e); err != nil {
			return r, fmt.Errorf("starting the interpreter: %w", err)
		}
	}
	if _, err := in.EvalWithContext(context.Background(), r.prog.Text); err != nil {
		return r, r.cannotRun(err.Error())
	}
	v, err := in.EvalWithContext(context.Background(), core.Entry)
	if err != nil {
		return r, r.cannotRun(err.Error())
	}
	main, ok := v.Interface().(func())
	if !ok {
		return r, r.cannotRun(fmt.Sprintf("%s is a %v", core.Entry, v.Type()))
	}
	r.main = main
	return r, nil
}

// cannotRun explains a fault of the interpreter's own compiler: what was checked compiles.
func (r *run) cannotRun(text string) error {
	text, _, _ = strings.Cut(text, "\n")
	e := &check.Error{Msg: "the interpreter can't run this, though it is right, which is a fault of the tool and should be reported: " + text, Instead: "write it in a simpler way"}
	if r.prog != nil && len(r.prog.Functions) > 0 {
		e.Pos = r.step.Place(int(r.prog.Functions[0].Pos))
	}
	return e
}

// call runs the entry function until it ends, is stopped or goes beyond a limit.
func (r *run) call(ctx context.Context, stop <-chan struct{}) error {
	failed := make(chan error, 1)
	fail := func(err error) {
		select {
		case failed <- err:
		default:
		}
	}
	r.rt.Failed = func(value any) { fail(r.panicError(value, true)) }
	r.rt.Exceeded = func(what string) { fail(&LimitError{What: what}) }
	finished := make(chan error, 1)
	go func() {
		var err error
		defer func() { finished <- err }() // also where the text of a panic is stopped
		defer func() {
			if p := recover(); p != nil {
				err = r.panicError(p, false)
			}
		}()
		r.main()
	}()

	watch := time.NewTicker(watchEvery)
	defer watch.Stop()
	guard := newGuard(r.Limits)
	soft := ctx.Done()
	var grace, patience <-chan time.Time
	var cause error
	halt := func(why error) {
		if cause == nil {
			cause = why
			r.halt()
			patience = time.After(r.Patience)
		}
	}
	for {
		select {
		case err := <-finished:
			if !r.endGoroutines() {
				return ErrLeftBehind
			}
			if cause != nil {
				// What had been used is garbage now.
				if errors.As(cause, new(*LimitError)) {
					debug.FreeOSMemory()
				}
				return cause
			}
			return err
		case <-soft:
			soft = nil
			t := time.NewTimer(r.Grace)
			defer t.Stop()
			grace = t.C
		case <-grace:
			halt(stopped(ctx))
		case <-r.rt.Enough:
			halt(stopped(ctx))
		case <-patience:
			return ErrLeftBehind
		case <-stop:
			stop = nil
			halt(ErrStopped)
		case err := <-failed:
			halt(err)
		case <-watch.C:
			if err := guard.check(); err != nil {
				halt(err)
			} else if r.rt.Deadlocked() {
				halt(&LimitError{What: "all goroutines are asleep - deadlock! Each waits, and nothing is left that could wake one"})
			}
		}
	}
}

// wakers are names of what may wake a program that does nothing but wait.
var wakers = regexp.MustCompile(`\btime\.(After|AfterFunc|NewTimer|NewTicker|Tick)\b|\bcontext\.|\.(With)?Context\b`)

// halt stops whatever runs in the interpreter, and tells compiled functions.
func (r *run) halt() {
	r.once.Do(func() {
		r.cancel()
		r.rt.Stop()
	})
}

// endGoroutines ends what the entry function left running, as the end of main
// does, and makes the interpreter's functions usable again. It is false if
// something does not end.
func (r *run) endGoroutines() bool {
	r.rt.End()
	r.cut = r.rt.StopTimers()
	if r.rt.Goroutines() {
		done := make(chan struct{})
		go func() { r.rt.Wait(); close(done) }()
		if r.lull > 0 {
			select {
			case <-done:
			case <-time.After(r.lull):
				r.cut = true
			}
		}
		r.halt()
		select {
		case <-done:
		case <-time.After(r.Patience):
			return false
		}
	}
	return true
}

// stopped returns the error of an evaluation whose context ended.
func stopped(ctx context.Context) error {
	if cause := context.Cause(ctx); cause != nil && !errors.Is(cause, context.Canceled) {
		return fmt.Errorf("%w: %w", ErrStopped, cause)
	}
	return ErrStopped
}

// noFiles is a file system without files: an interpreter looks there for
// packages it does not know.
type noFiles struct{}

func (noFiles) Open(name string) (fs.File, error) {
	return nil, &fs.PathError{Op: "open", Path: name, Err: fs.ErrNotExist}
}
