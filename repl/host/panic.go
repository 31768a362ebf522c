package host

import (
	"fmt"
	"math"
	"reflect"
	"regexp"
	"runtime"
	"strings"
	"sync"
	"sync/atomic"
)

// A runtimeError is a fault that Go's runtime would find.
type runtimeError string

func (e runtimeError) Error() string { return "runtime error: " + string(e) }
func (e runtimeError) RuntimeError() {}
func (e runtimeError) typeName() string {
	if strings.Contains(string(e), " out of range [") || strings.HasPrefix(string(e), "cannot convert slice") {
		return "runtime.boundsError"
	}
	return "runtime.errorString"
}

// A plainError is one whose text the runtime does not begin with its name.
type plainError string

func (e plainError) Error() string    { return string(e) }
func (e plainError) RuntimeError()    {}
func (e plainError) typeName() string { return "runtime.plainError" }

// A conversionError is a type assertion that does not hold.
type conversionError string

func (e conversionError) Error() string    { return string(e) }
func (e conversionError) RuntimeError()    {}
func (e conversionError) typeName() string { return "*runtime.TypeAssertionError" }

const nilError = runtimeError("invalid memory address or nil pointer dereference")

// A goPanic is a panic of the script.
type goPanic struct{ value any }

// Panic is the builtin panic.
func Panic(x any) {
	if x == nil {
		panic(goPanic{new(runtime.PanicNilError)})
	}
	panic(goPanic{x})
}

// NilCheck panics where a pointer is nil.
func NilCheck(ok bool) {
	if !ok {
		panic(nilError)
	}
}

// NilReceiver panics where the method of a value is called by a nil pointer in an interface.
func NilReceiver(ok bool, text string) {
	if !ok {
		panic(plainError(text))
	}
}

// RangeState panics where the function that a loop ranges over goes on when the loop is over: state is that of go/ssa's loop, 0
// where the function recovered a panic of the loop's body.
func RangeState(state int) {
	text := "range function continued iteration after function for loop body returned false"
	switch state {
	case 0:
		text = "range function recovered a loop body panic and did not resume panicking"
	case -1:
		text = "range function continued iteration after loop body panic"
	case -2:
		text = "range function continued iteration after whole loop exit"
	}
	panic(runtimeError(text))
}

// IsEmpty reports whether x holds a struct{}.
func IsEmpty(x any) bool {
	_, ok := x.(struct{})
	return ok
}

// Index panics where i is no index of what has n elements.
func Index(i, n int) {
	if i < 0 || i >= n {
		if i < 0 {
			panic(runtimeError(fmt.Sprintf("index out of range [%d]", i)))
		}
		panic(runtimeError(fmt.Sprintf("index out of range [%d] with length %d", i, n)))
	}
}

// Bounds panics where a slice from lo to hi, up to limit, does not fit what has the length n and the capacity c. A limit that is
// not given is the least integer.
func Bounds(lo, hi, limit, n, c int, text bool) {
	word := "capacity"
	if text {
		word, c = "length", n
	}
	wrong := func(format string, args ...any) {
		panic(runtimeError("slice bounds out of range " + fmt.Sprintf(format, args...)))
	}
	if limit != math.MinInt {
		switch {
		case limit < 0:
			wrong("[::%d]", limit)
		case limit > c:
			wrong("[::%d] with %s %d", limit, word, c)
		case hi < 0:
			wrong("[:%d:]", hi)
		case hi > limit:
			wrong("[:%d:%d]", hi, limit)
		case lo < 0:
			wrong("[%d::]", lo)
		case lo > hi:
			wrong("[%d:%d:]", lo, hi)
		}
	}
	switch {
	case hi < 0:
		wrong("[:%d]", hi)
	case hi > c:
		wrong("[:%d] with %s %d", hi, word, c)
	case lo < 0:
		wrong("[%d:]", lo)
	case lo > hi:
		wrong("[%d:%d]", lo, hi)
	}
}

// Shift panics where a value is shifted by less than nothing.
func Shift(n int64) {
	if n < 0 {
		panic(runtimeError("negative shift amount"))
	}
}

// Panicking is what a deferred call may recover.
type Panicking struct {
	value any
	calls []Call
	on    bool
}

// Recover does what the builtin recover does, called by a function that a deferred call of p runs.
func Recover(p *Panicking) any {
	if p == nil || !p.on {
		return nil
	}
	p.on = false
	return p.value
}

// RecoverLater is a deferred call of the builtin itself, in a function that a deferred call of p runs. It recovers p where that
// function returns, but not where it panics in turn: p is over then.
func RecoverLater(p *Panicking) func(*Panicking) {
	return func(newer *Panicking) {
		if newer == nil {
			Recover(p)
		}
	}
}

// Defers are the deferred calls of one function.
type Defers struct {
	rt    *RT
	calls []func(*Panicking)
}

// NewDefers returns an empty list.
func (rt *RT) NewDefers() *Defers { return &Defers{rt: rt} }

// Push defers a call.
func Push(d *Defers, f func(*Panicking)) {
	NilCheck(d != nil)
	d.calls = append(d.calls, f)
}

func (d *Defers) pop() func(*Panicking) {
	last := len(d.calls) - 1
	f := d.calls[last]
	d.calls = d.calls[:last]
	return f
}

// Run runs the deferred calls of a function that returns.
func Run(d *Defers) {
	for len(d.calls) > 0 {
		d.pop()(nil)
	}
}

// Protect runs the body of a function and, where it panics, its deferred calls. It reports whether one of them recovered.
func Protect(d *Defers, body func()) (recovered bool) {
	p := d.try(body)
	if p == nil {
		return false
	}
	defer d.rt.unwinding.Add(-1)
	d.rt.one(&d.rt.unwinding, mostPanics, "panics within panics; does a deferred function call itself without end?")
	for len(d.calls) > 0 {
		call := d.pop()
		if next := d.try(func() { call(p) }); next != nil {
			p = next
		}
	}
	if p.on {
		d.rt.trace.set(p.calls)
		panic(goPanic{p.value})
	}
	return true
}

// try runs f and returns its panic, nil where there is none.
func (d *Defers) try(f func()) (p *Panicking) {
	done := false
	defer func() {
		if done {
			return
		}
		v := recover()
		if v == nil {
			return // the goroutine ends: see Halt
		}
		d.rt.Halt()
		Pending() // what a deferred call left for a function value that it did not reach
		p = &Panicking{value: Value(v), calls: d.rt.trace.take(), on: true}
	}()
	f()
	done = true
	return nil
}

// Value returns the value of a panic as Go would have it.
func Value(v any) any {
	if r, ok := v.(reflect.Value); ok && r.IsValid() && r.CanInterface() {
		v = r.Interface()
	}
	switch p := v.(type) {
	case goPanic:
		return p.value
	case *reflect.ValueError:
		return nilError
	case runtime.Error:
		return v
	}
	text := ""
	switch p := v.(type) {
	case string:
		text = p
	case error:
		text = p.Error()
	}
	for _, w := range wordings {
		if w.from.MatchString(text) {
			return w.to
		}
	}
	return v
}

// wordings turns what reflection, by which the interpreter works, ran into to words of Go.
var wordings = []struct {
	from *regexp.Regexp
	to   error
}{
	{regexp.MustCompile(`^reflect: (slice|array|string) index out of range|^reflect: array index`), runtimeError("index out of range")},
	{regexp.MustCompile(`^reflect\.Value\.Slice3?: `), runtimeError("slice bounds out of range")},
	{regexp.MustCompile(`^reflect\.MakeSlice`), runtimeError("makeslice: len out of range")},
	{regexp.MustCompile(`^reflect\.MakeChan`), plainError("makechan: size out of range")},
	{regexp.MustCompile(`^reflect`), nilError},
	{regexp.MustCompile(`^runtime error: invalid memory address`), nilError},
}

// A deferred call of a function value hands what it may recover to that function by way of its goroutine.
var (
	pending    sync.Map
	anyPending atomic.Int64
)

func goroutine() string {
	var b [40]byte
	return strings.Fields(string(b[:runtime.Stack(b[:], false)]))[1]
}

// SetPending leaves p for the function value that is called next.
func SetPending(p *Panicking) {
	if p == nil || !p.on {
		return
	}
	if _, had := pending.Swap(goroutine(), p); !had {
		anyPending.Add(1)
	}
}

// Pending returns what SetPending left, once.
func Pending() *Panicking {
	if anyPending.Load() == 0 {
		return nil
	}
	p, ok := pending.LoadAndDelete(goroutine())
	if !ok {
		return nil
	}
	anyPending.Add(-1)
	return p.(*Panicking)
}
