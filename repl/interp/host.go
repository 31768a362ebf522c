package interp

import (
	"bytes"
	"cmp"
	"context"
	"fmt"
	"io"
	"reflect"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	yaegi "github.com/traefik/yaegi/interp"

	"quaybench/repl/check"
)

// The host is what the program written by package check finds under
// check.HostName, and what some functions of the library are replaced by.
type host struct {
	out   io.Writer
	ctx   context.Context // what compiled functions watch
	trace *trace
	limit Limits

	// enough asks for the script to be stopped now, because its context has
	// ended and it does nothing but wait; halted is closed when it is.
	enough, halted chan struct{}

	started    atomic.Bool // some goroutine was
	goroutines sync.WaitGroup
	failed     func(any) // called with the value of a goroutine's panic
}

// exports gives the host's functions.
func (h *host) exports() yaegi.Exports {
	own := map[string]reflect.Value{
		"Size":     reflect.ValueOf(h.size),
		"Clear":    reflect.ValueOf(func(x any) { reflect.ValueOf(x).Clear() }),
		"Panic":    reflect.ValueOf(func(x any) { panic(x) }),
		"NewFrame": reflect.ValueOf(func() *frame { return &frame{trace: h.trace} }),
		"Go":       reflect.ValueOf(h.start),
		"True":     reflect.ValueOf(func() bool { return true }),
		"False":    reflect.ValueOf(func() bool { return false }),
	}
	minMax[int](own)
	minMax[int8](own)
	minMax[int16](own)
	minMax[int32](own)
	minMax[int64](own)
	minMax[uint](own)
	minMax[uint8](own)
	minMax[uint16](own)
	minMax[uint32](own)
	minMax[uint64](own)
	minMax[uintptr](own)
	minMax[float32](own)
	minMax[float64](own)
	minMax[string](own)
	return yaegi.Exports{
		check.HostName + "/./" + check.HostName: own,
		"fmt/./fmt": {
			"Print":   reflect.ValueOf(func(a ...any) (int, error) { return fmt.Fprint(h.out, a...) }),
			"Printf":  reflect.ValueOf(func(f string, a ...any) (int, error) { return fmt.Fprintf(h.out, f, a...) }),
			"Println": reflect.ValueOf(func(a ...any) (int, error) { return fmt.Fprintln(h.out, a...) }),
		},
		"time/./time": {
			"Sleep": reflect.ValueOf(h.sleep),
		},
		"strings/./strings": {
			"Repeat": reflect.ValueOf(func(s string, n int) string { return strings.Repeat(s, h.size(n, len(s))) }),
		},
		"bytes/./bytes": {
			"Repeat": reflect.ValueOf(func(b []byte, n int) []byte { return bytes.Repeat(b, h.size(n, len(b))) }),
		},
	}
}

func minMax[T cmp.Ordered](own map[string]reflect.Value) {
	name := reflect.TypeFor[T]().String()
	own["Min_"+name] = reflect.ValueOf(func(x T, xs ...T) T {
		for _, y := range xs {
			x = min(x, y)
		}
		return x
	})
	own["Max_"+name] = reflect.ValueOf(func(x T, xs ...T) T {
		for _, y := range xs {
			x = max(x, y)
		}
		return x
	})
}

// size lets a size through that fits the memory limit: a wrong one would end
// the process where it is asked for, before any watch can see it.
func (h *host) size(n, each int) int {
	if n > 0 && each > 0 && uint64(n) > h.limit.Memory/uint64(each) {
		panic(fmt.Errorf("%d elements of %d bytes are more than the limit of %s", n, each, bytesText(h.limit.Memory)))
	}
	return n
}

// sleep waits until the time is over. A script whose context ends meanwhile is
// stopped there: it must not go on as if it had waited.
func (h *host) sleep(d time.Duration) {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return
	case <-h.ctx.Done():
	}
	select {
	case h.enough <- struct{}{}:
	case <-h.halted:
	}
	<-h.halted
}

// start runs f in a goroutine of its own and reports its panic.
func (h *host) start(f func()) {
	h.started.Store(true)
	h.goroutines.Go(func() {
		defer func() {
			if r := recover(); r != nil {
				h.failed(r)
			}
		}()
		f()
	})
}

// A frame holds the deferred calls of one call of a function, and runs them as
// Go does.
type frame struct {
	trace     *trace
	deferred  []func()
	panicking bool
	value     any
	lines     []string // of the trace, while the deferred calls run
}

// Defer adds a call.
func (f *frame) Defer(call func()) { f.deferred = append(f.deferred, call) }

// Run runs the body of the function and then what it deferred, last first.
func (f *frame) Run(body func()) {
	f.guard(body)
	for len(f.deferred) > 0 {
		last := len(f.deferred) - 1
		call := f.deferred[last]
		f.deferred = f.deferred[:last]
		f.guard(call)
	}
	if f.panicking {
		f.trace.set(f.lines)
		panic(f.value)
	}
}

// guard runs f; a panic is kept.
func (f *frame) guard(call func()) {
	defer func() {
		if r := recover(); r != nil {
			f.panicking, f.value = true, panicValue(r)
			f.lines = f.trace.take()
		}
	}()
	call()
}

// Recover is recover() in a deferred call.
func (f *frame) Recover() any {
	if !f.panicking {
		return nil
	}
	v := f.value
	f.panicking, f.value, f.lines = false, nil, nil
	return v
}

// A trace collects what the interpreter writes when a panic leaves a script's
// function: one line each, innermost first.
type trace struct {
	mu    sync.Mutex
	lines []string
}

func (t *trace) Write(p []byte) (int, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	const most = 1000
	for line := range strings.Lines(string(p)) {
		if len(t.lines) < most {
			t.lines = append(t.lines, strings.TrimSpace(line))
		}
	}
	return len(p), nil
}

func (t *trace) take() []string {
	t.mu.Lock()
	defer t.mu.Unlock()
	lines := t.lines
	t.lines = nil
	return lines
}

func (t *trace) set(lines []string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.lines = lines
}
