package host

import (
	"context"
	"fmt"
	"io"
	"reflect"
	"regexp"
	"runtime"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"time"
	"unicode/utf8"
)

// An RT is what one program of the core runs with.
type RT struct {
	Types *Types
	Out   io.Writer
	// Cells are pointers to the variables of a session.
	Cells map[string]any
	// Size lets a length pass that memory has room for, in elements of a number of bytes; it panics for others.
	Size func(n, each int) int
	// Failed is called with the value of a panic that ended a goroutine.
	Failed func(value any)
	// Exceeded is called with what the program has too much of; the program is then stopped.
	Exceeded func(what string)

	*Control
	goroutines sync.WaitGroup
	alive      atomic.Int64 // goroutines
	asleep     atomic.Int64 // goroutines, and the main flow, that wait for another
	unwinding  atomic.Int64 // panics whose deferred calls run
	started    atomic.Bool
	over       chan struct{} // closed by End
	trace      trace
	stopsMu    sync.Mutex
	stops      []func() bool // of timers
}

// NewRT returns what a program needs; nothing runs yet.
func NewRT(ts *Types, out io.Writer, c *Control) *RT {
	return &RT{over: make(chan struct{}), Types: ts, Out: out, Control: c, Cells: map[string]any{}, Size: func(n, _ int) int { return n }, Failed: func(any) {}, Exceeded: func(string) {}}
}

// A Control stops what runs. The programs of a session share one: an input may call functions that an earlier one made.
type Control struct {
	// Enough asks for the program to be stopped now, because its context has ended and it does nothing but wait.
	Enough chan struct{}

	// Woken is set where something beside the program may end a wait of its: a timer, a context.
	Woken bool

	flags   []*bool // what programs read at each jump back
	stopped atomic.Bool
	mu      sync.Mutex
	halt    chan struct{}
	ctx     context.Context
}

// NewControl returns a control of which nothing is stopped.
func NewControl() *Control { return &Control{Enough: make(chan struct{}), halt: make(chan struct{})} }

// Another returns a control in place of one whose program goes on though it was stopped.
func (c *Control) Another() *Control {
	next := NewControl()
	next.Woken = c.Woken
	return next
}

// Begin readies a stopped control for another program, one that runs under ctx.
func (c *Control) Begin(ctx context.Context) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.ctx = ctx
	if c.stopped.Load() {
		c.stopped.Store(false)
		c.setFlags(false)
		c.halt = make(chan struct{})
	}
}

// Stop makes the program end at its next jump back, call or wait.
func (c *Control) Stop() {
	c.mu.Lock()
	defer c.mu.Unlock()
	if !c.stopped.Load() {
		c.stopped.Store(true)
		c.setFlags(true)
		close(c.halt)
	}
}

// stopBy sets the variable that a program reads to know that it is to stop.
func (c *Control) stopBy(flag *bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	*flag = c.stopped.Load()
	c.flags = append(c.flags, flag)
}

func (c *Control) setFlags(stop bool) {
	for _, f := range c.flags {
		*f = stop
	}
}

// Stopped reports whether Stop was called.
func (c *Control) Stopped() bool { return c.stopped.Load() }

// Halted is closed by Stop.
func (c *Control) Halted() <-chan struct{} {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.halt
}

// Context returns that of the program that runs.
func (c *Control) Context() context.Context {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.ctx
}

// Halt ends the goroutine of a program that was stopped. A panic would do so too, but the interpreter takes long for each
// call that a panic leaves, and others may recover it.
func (c *Control) Halt() {
	if c.Stopped() {
		runtime.Goexit()
	}
}

// Goroutines reports whether the program started any; Wait waits for their end.
func (rt *RT) Goroutines() bool { return rt.started.Load() }

// Wait waits until all goroutines of the program have ended.
func (rt *RT) Wait() { rt.goroutines.Wait() }

// End keeps the program from beginning anything more: it is over.
func (rt *RT) End() { close(rt.over) }

func (rt *RT) ended() bool {
	select {
	case <-rt.over:
		return true
	default:
		return false
	}
}

// The system ends a process that has too many goroutines before the watch on memory gets its turn among them, and a panic within
// panics takes the longer the more there are.
const mostGoroutines, mostPanics = 10_000, 250

// one counts one more, or ends the program if that is too many.
func (rt *RT) one(count *atomic.Int64, most int64, what string) {
	if count.Add(1) > most {
		rt.Exceeded(fmt.Sprintf("more than %d %s", most, what))
		<-rt.Halted()
		rt.Halt()
	}
}

// start runs f in a goroutine of its own.
func (rt *RT) start(f func(*Panicking)) {
	rt.started.Store(true)
	rt.one(&rt.alive, mostGoroutines, "goroutines at a time; does it start them without end?")
	rt.goroutines.Go(func() {
		defer rt.alive.Add(-1)
		defer func() {
			if v := recover(); v != nil && !rt.Stopped() {
				rt.Failed(v)
			}
		}()
		f(nil)
	})
}

// cell returns the pointer that holds a session's variable: the one kept, where its type is the same, else fresh.
func (rt *RT) cell(name string, fresh any) any {
	if kept, ok := rt.Cells[name]; ok && reflect.TypeOf(kept) == reflect.TypeOf(fresh) {
		return kept
	}
	rt.Cells[name] = fresh
	return fresh
}

// sizes lets the length and the capacity of a new slice pass.
func (rt *RT) sizes(n, c, each int) (int, int) {
	switch {
	case n < 0:
		panic(runtimeError("makeslice: len out of range"))
	case c < n:
		panic(runtimeError("makeslice: cap out of range"))
	}
	rt.Size(c, each)
	return n, c
}

// A Call is a function of the core and the mark of the place where it was.
type Call struct{ Function, Mark int }

// A trace collects what the interpreter writes when a panic leaves a function: one line each, innermost first.
type trace struct {
	mu    sync.Mutex
	marks []*int
	calls []Call
}

var leaving = regexp.MustCompile(`panic: main\.f(\d+)z?\(`)

const mostCalls = 1000

func (t *trace) Write(p []byte) (int, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if len(t.calls) >= mostCalls {
		return len(p), nil
	}
	for _, m := range leaving.FindAllSubmatch(p, -1) {
		n, _ := strconv.Atoi(string(m[1]))
		c := Call{Function: n}
		if n < len(t.marks) && t.marks[n] != nil {
			c.Mark = *t.marks[n]
		}
		t.calls = append(t.calls, c)
	}
	return len(p), nil
}

func (t *trace) take() []Call {
	t.mu.Lock()
	defer t.mu.Unlock()
	calls := t.calls
	t.calls = nil
	return calls
}

func (t *trace) set(calls []Call) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.calls = calls
}

// Trace returns the writer for what the interpreter says of panics; Calls takes what it has collected.
func (rt *RT) Trace() io.Writer { return &rt.trace }

// Calls returns the functions that the last panic left, innermost first.
func (rt *RT) Calls() []Call { return rt.trace.take() }

// mark sets the variable in which function n notes where it is.
func (rt *RT) mark(n int, at *int) {
	t := &rt.trace
	t.mu.Lock()
	defer t.mu.Unlock()
	for len(t.marks) <= n {
		t.marks = append(t.marks, nil)
	}
	t.marks[n] = at
}

// Values returns the functions and types that the core calls host.
func (rt *RT) Values() map[string]reflect.Value {
	m := map[string]reflect.Value{}
	for name, t := range map[string]any{
		"Any": (*Any)(nil), "Error": (*Error)(nil), "Panicking": (*Panicking)(nil), "Defers": (*Defers)(nil), "Iter": (*Iter)(nil), "Cases": (*Cases)(nil),
	} {
		m[name] = reflect.ValueOf(t)
	}
	for name, f := range map[string]any{
		"StopBy": rt.stopBy, "Halt": rt.Halt, "Cell": rt.cell, "Mark": rt.mark, "Sizes": rt.sizes, "Size": rt.Size,
		"Box": rt.Types.Box, "Adapt": rt.adapt, "Open": Open, "ID": ID, "Val": Val, "Method": rt.Types.Method, "Eq": Eq, "ToError": ToError,
		"Implements": rt.Types.Implements, "AssertPanic": rt.Types.AssertPanic, "Invoke": Invoke,
		"Panic": Panic, "Recover": Recover, "RecoverLater": RecoverLater, "NewDefers": rt.NewDefers, "Push": Push, "Run": Run, "Protect": Protect, "Pending": Pending, "SetPending": SetPending,
		"NilCheck": NilCheck, "NilReceiver": NilReceiver, "RangeState": RangeState, "IsEmpty": IsEmpty, "Shift": Shift, "Index": Index, "Bounds": Bounds,
		"Go": rt.start, "NewCases": NewCases, "RecvFrom": RecvFrom, "SendTo": SendTo, "Select": rt.selectCase, "Shape": rt.Types.shape, "OnceFunc": sync.OnceFunc, "JSONEncode": rt.jsonEncode, "JSONDecode": rt.jsonDecoder, "WaitGroup": rt.waitGroup, "GoGroup": rt.goGroup, "WaitCond": rt.waitCond, "Lock": rt.lock, "LockWrite": rt.lockWrite, "LockRead": rt.lockRead, "Send": rt.send, "Receive": rt.receive,
		"RangeMap": RangeMap, "RangeString": RangeString, "NextMap": NextMap, "NextString": NextString,
		"Chan": chanLen, "Close": closeChan, "SameChan": sameChan, "Clear": clearAll, "Min": minFloat, "Max": maxFloat, "AppendString": appendString, "CopyString": copyString, "ArrayPtr": arrayPointer,
	} {
		m[name] = reflect.ValueOf(f)
	}
	return m
}

// An Iter goes through a map or a string.
type Iter struct {
	m *reflect.MapIter
	s string
	i int
}

// RangeMap begins with a map, RangeString with a string.
func RangeMap(m any) *Iter {
	if m == nil {
		return &Iter{}
	}
	return &Iter{m: reflect.ValueOf(m).MapRange()}
}

// RangeString: see RangeMap.
func RangeString(s string) *Iter { return &Iter{s: s} }

// NextMap returns the next key and value.
func NextMap(it *Iter) (bool, any, any) {
	if it.m == nil || !it.m.Next() {
		return false, nil, nil
	}
	return true, it.m.Key().Interface(), it.m.Value().Interface()
}

// NextString returns the next offset and character.
func NextString(it *Iter) (bool, int, rune) {
	if it.i >= len(it.s) {
		return false, 0, 0
	}
	r, n := utf8.DecodeRuneInString(it.s[it.i:])
	i := it.i
	it.i += n
	return true, i, r
}

// Cases are those of a select statement.
type Cases struct{ list []reflect.SelectCase }

// NewCases returns an empty list; RecvFrom and SendTo add a case.
func NewCases() *Cases { return &Cases{} }

// RecvFrom adds a case that receives.
func RecvFrom(c *Cases, ch any) {
	s := reflect.SelectCase{Dir: reflect.SelectRecv}
	if ch != nil {
		s.Chan = reflect.ValueOf(ch)
	}
	c.list = append(c.list, s)
}

// SendTo adds a case that sends.
func SendTo(c *Cases, ch, v any) {
	s := reflect.SelectCase{Dir: reflect.SelectSend}
	if ch != nil {
		s.Chan = reflect.ValueOf(ch)
		s.Send = reflect.Zero(s.Chan.Type().Elem())
		if v != nil {
			s.Send = reflect.ValueOf(v)
		}
	}
	c.list = append(c.list, s)
}

// selectCase waits for one of the cases; without blocking it returns −1 where none is ready. A program whose context ends
// meanwhile is stopped there, unless what it waits for comes soon.
func (rt *RT) selectCase(c *Cases, blocking bool) (int, bool, any) {
	var i int
	var v reflect.Value
	var ok bool
	if !blocking {
		if i, v, ok = reflect.Select(append(c.list, reflect.SelectCase{Dir: reflect.SelectDefault})); i == len(c.list) {
			return -1, false, nil
		}
	} else {
		ends := []<-chan struct{}{rt.Halted(), rt.Context().Done()}
		for {
			list := c.list
			for _, end := range ends {
				list = append(list, reflect.SelectCase{Dir: reflect.SelectRecv, Chan: reflect.ValueOf(end)})
			}
			rt.asleep.Add(1)
			i, v, ok = reflect.Select(list)
			rt.asleep.Add(-1)
			if i < len(c.list) {
				break
			}
			rt.Halt()
			go rt.enough(soon)
			ends = ends[:1]
		}
	}
	if v.IsValid() {
		return i, ok, v.Interface()
	}
	return i, ok, nil
}

// soon is how long a program that does nothing but wait may go on when its context has ended.
const soon = 300 * time.Millisecond

// enough asks for the program to be stopped after a time, unless it has ended.
func (rt *RT) enough(after time.Duration) {
	halted := rt.Halted()
	select {
	case <-time.After(after):
	case <-halted:
		return
	}
	select {
	case rt.Enough <- struct{}{}:
	case <-halted:
	case <-rt.over:
	}
}

func (rt *RT) send(ch, v any) {
	var c Cases
	SendTo(&c, ch, v)
	rt.selectCase(&c, true)
}

func (rt *RT) receive(ch any) (any, bool) {
	var c Cases
	RecvFrom(&c, ch)
	_, ok, v := rt.selectCase(&c, true)
	return v, ok
}

// chanLen is len or cap of a channel.
func chanLen(ch any, capacity bool) int {
	switch {
	case ch == nil:
		return 0
	case capacity:
		return reflect.ValueOf(ch).Cap()
	}
	return reflect.ValueOf(ch).Len()
}

func closeChan(ch any) {
	if ch == nil || reflect.ValueOf(ch).IsNil() {
		panic(plainError("close of nil channel"))
	}
	reflect.ValueOf(ch).Close()
}

// sameChan compares channels, which may be seen as of different directions.
func sameChan(a, b any) bool {
	at := func(x any) uintptr {
		if x == nil {
			return 0
		}
		return reflect.ValueOf(x).Pointer()
	}
	return at(a) == at(b)
}

func clearAll(x any) {
	if x != nil {
		reflect.ValueOf(x).Clear()
	}
}
func minFloat(a, b float64) float64          { return min(a, b) }
func maxFloat(a, b float64) float64          { return max(a, b) }
func appendString(b []byte, s string) []byte { return append(b, s...) }
func copyString(b []byte, s string) int      { return copy(b, s) }

// arrayPointer converts a slice to a pointer to an array of n elements.
func arrayPointer(s any, n int) any {
	v := reflect.ValueOf(s)
	if v.Len() < n {
		panic(runtimeError(fmt.Sprintf("cannot convert slice with length %d to array or pointer to array with length %d", v.Len(), n)))
	}
	return v.Convert(reflect.PointerTo(reflect.ArrayOf(n, v.Type().Elem()))).Interface()
}

// adapt returns a value of the script's as one that has the methods of a compiled interface.
func (rt *RT) adapt(x any, to string) any {
	b, ok := x.(boxer)
	if !ok {
		return x
	}
	switch to {
	case "io.Writer":
		w := boxWriter{b.box()}
		from, isFrom := b.box().optional("io.ReaderFrom").(io.ReaderFrom)
		text, isText := b.box().optional("io.StringWriter").(io.StringWriter)
		switch {
		case isFrom && isText:
			return struct {
				boxWriter
				io.ReaderFrom
				io.StringWriter
			}{w, from, text}
		case isFrom:
			return struct {
				boxWriter
				io.ReaderFrom
			}{w, from}
		case isText:
			return struct {
				boxWriter
				io.StringWriter
			}{w, text}
		}
		return w
	case "io.Reader":
		r := boxReader{b.box()}
		if to, ok := b.box().optional("io.WriterTo").(io.WriterTo); ok {
			return struct {
				boxReader
				io.WriterTo
			}{r, to}
		}
		return r
	case "sort.Interface":
		return boxSort{b.box()}
	case "fmt.Stringer":
		return boxString{b.box()}
	}
	return b.box().wrap(to)
}

var adapters sync.Map // name of a compiled interface to the reflect.Type of the library's adapter for it

// Adapter names the library's adapter for a compiled interface: a struct with the value and a function for each method.
func Adapter(name string, t reflect.Type) { adapters.Store(name, t) }

// optional returns the library's adapter for a compiled interface that compiled code asks a value for, beside what it declares; nil where the
// script's type does not have its method.
func (b Box) optional(to string) any {
	t, ok := adapters.Load(to)
	if !ok {
		return nil
	}
	f := t.(reflect.Type).Field(1)
	m := reflect.TypeOf(b.T.Methods[strings.TrimPrefix(f.Name, "W")])
	if m == nil || m.NumIn() != 1+f.Type.NumIn() || m.NumOut() != f.Type.NumOut() || m.In(1) != f.Type.In(0) || m.Out(0) != f.Type.Out(0) {
		return nil
	}
	return b.wrap(to)
}

// wrap returns the library's adapter for a compiled interface, with the methods of the box.
func (b Box) wrap(to string) any {
	t, ok := adapters.Load(to)
	if !ok {
		return nil
	}
	w := reflect.New(t.(reflect.Type)).Elem()
	w.Field(0).Set(reflect.ValueOf(b.canonical()))
	for i := 1; i < w.NumField(); i++ {
		name := strings.TrimPrefix(w.Type().Field(i).Name, "W")
		m := reflect.ValueOf(b.T.Methods[name])
		if !m.IsValid() {
			continue
		}
		w.Field(i).Set(reflect.MakeFunc(w.Field(i).Type(), func(in []reflect.Value) []reflect.Value {
			all := append([]reflect.Value{reflect.ValueOf(&b.V).Elem()}, in...)
			call := m.Call
			if m.Type().IsVariadic() {
				call = m.CallSlice
			}
			out := call(all)
			for k := range out {
				out[k] = seenAs(out[k], w.Field(i).Type().Out(k))
			}
			return out
		}))
	}
	return w.Interface()
}

// seenAs returns a result as compiled code has it: what the core holds in an any, such as a channel of one direction, in its
// own type.
func seenAs(v reflect.Value, t reflect.Type) reflect.Value {
	if v.Type().AssignableTo(t) {
		return v
	}
	if v.Kind() == reflect.Interface {
		v = v.Elem()
	}
	if !v.IsValid() {
		return reflect.Zero(t)
	}
	return v.Convert(t)
}
