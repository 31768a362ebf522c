package host

import (
	"fmt"
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

// A plainError is one whose text the runtime does not begin with its name.
type plainError string

func (e plainError) Error() string { return string(e) }
func (e plainError) RuntimeError() {}

// A conversionError is a type assertion that does not hold.
type conversionError string

func (e conversionError) Error() string { return string(e) }
func (e conversionError) RuntimeError() {}

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

// Bounds panics where a slice from lo to hi, up to limit, does not fit what has the length n and the capacity c. A bound that is
// not given is −1.
func Bounds(lo, hi, limit, n, c int, text bool) {
	word := "capacity"
	if text {
		word, c = "length", n
	}
	switch {
	case limit >= 0 && limit > c:
		panic(runtimeError(fmt.Sprintf("slice bounds out of range [::%d] with %s %d", limit, word, c)))
	case limit >= 0 && hi > limit:
		panic(runtimeError(fmt.Sprintf("slice bounds out of range [:%d:%d]", hi, limit)))
	case limit >= 0 && lo > hi:
		panic(runtimeError(fmt.Sprintf("slice bounds out of range [%d:%d:]", lo, hi)))
	case hi > c:
		panic(runtimeError(fmt.Sprintf("slice bounds out of range [:%d] with %s %d", hi, word, c)))
	case hi >= 0 && lo > hi:
		panic(runtimeError(fmt.Sprintf("slice bounds out of range [%d:%d]", lo, hi)))
	case hi < 0 && lo > n:
		panic(runtimeError(fmt.Sprintf("slice bounds out of range [%d:%d]", lo, n)))
	}
}

// Shift panics where a value is shifted by less than nothing.
func Shift(n int64) {
	if n < 0 {
		panic(runtimeError("negative shift amount"))
	}
}

// Negative panics for a bound below zero.
func Negative(i int, last bool) {
	if i < 0 {
		if last {
			panic(runtimeError(fmt.Sprintf("slice bounds out of range [:%d]", i)))
		}
		panic(runtimeError(fmt.Sprintf("slice bounds out of range [%d:]", i)))
	}
}

// Panicking is what a deferred call may recover.
type Panicking struct {
	value any
	calls []Call
	on    bool
}

// Recover is the builtin recover, called by a function that a deferred call of p runs.
func Recover(p *Panicking) any {
	if p == nil || !p.on {
		return nil
	}
	p.on = false
	return p.value
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
			return runtimeError(w.to)
		}
	}
	return v
}

// wordings turns what reflection, by which the interpreter works, ran into to words of Go.
var wordings = []struct {
	from *regexp.Regexp
	to   string
}{
	{regexp.MustCompile(`^reflect: (slice|array|string) index out of range|^reflect: array index`), "index out of range"},
	{regexp.MustCompile(`^reflect\.Value\.Slice3?: `), "slice bounds out of range"},
	{regexp.MustCompile(`^reflect\.MakeSlice`), "makeslice: len out of range"},
	{regexp.MustCompile(`^reflect\.MakeChan`), "makechan: size out of range"},
	{regexp.MustCompile(`^reflect`), string(nilError)},
	{regexp.MustCompile(`^runtime error: invalid memory address`), string(nilError)},
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
