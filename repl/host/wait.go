package host

import (
	"bytes"
	"context"
	"reflect"
	"runtime"
	"sync"
	"time"
)

// Compiled functions that wait, or that start goroutines and timers, in forms that end with the program that called them.

// wait runs what may wait for ever in a goroutine of its own, and halts the program where that is stopped meanwhile: what waits
// is left behind then.
func (rt *RT) wait(f func()) {
	done := make(chan struct{})
	go func() {
		defer close(done)
		f()
	}()
	rt.receive(done)
}

func (rt *RT) waitGroup(wg *sync.WaitGroup) { rt.wait(wg.Wait) }
func (rt *RT) waitCond(c *sync.Cond)        { rt.wait(c.Wait) }

func (rt *RT) lock(m *sync.Mutex) {
	if !m.TryLock() {
		rt.wait(m.Lock)
	}
}

func (rt *RT) lockWrite(m *sync.RWMutex) {
	if !m.TryLock() {
		rt.wait(m.Lock)
	}
}

func (rt *RT) lockRead(m *sync.RWMutex) {
	if !m.TryRLock() {
		rt.wait(m.RLock)
	}
}

// Deadlocked reports whether every goroutine of the program waits for another of it, so that none ever goes on. What the counts say
// holds only if none of them is about to run, which the runtime knows.
func (rt *RT) Deadlocked() bool {
	const most = 200 // goroutines, whose stacks are read
	all := rt.alive.Load() + 1
	if rt.Woken || rt.asleep.Load() != all || all > most {
		return false
	}
	stacks := make([]byte, 4<<20)
	stacks = stacks[:runtime.Stack(stacks, true)]
	waiting := int64(0)
	for stack := range bytes.SplitSeq(stacks, []byte("\n\n")) {
		_, state, _ := bytes.Cut(stack, []byte("["))
		switch {
		case bytes.Contains(stack, []byte("host.(*RT).selectCase(")):
			if !bytes.HasPrefix(state, []byte("select")) {
				return false
			}
			waiting++
		case bytes.Contains(stack, []byte("host.(*RT).wait.")) && bytes.HasPrefix(state, []byte("run")): // runnable, or running
			return false
		}
	}
	return waiting == all && rt.alive.Load()+1 == all
}

// goGroup is the method Go of a WaitGroup.
func (rt *RT) goGroup(wg *sync.WaitGroup, f func()) {
	wg.Add(1)
	rt.start(func(*Panicking) {
		defer wg.Done()
		f()
	})
}

// Instead returns the core's name of the function that stands for a method of a compiled type; "" where none does.
func Instead(method string) string { return instead[method] }

var instead = map[string]string{
	"(*sync.WaitGroup).Wait": "host.WaitGroup", "(*sync.WaitGroup).Go": "host.GoGroup", "(*sync.Cond).Wait": "host.WaitCond",
	"(*sync.Mutex).Lock": "host.Lock", "(*sync.RWMutex).Lock": "host.LockWrite", "(*sync.RWMutex).RLock": "host.LockRead",
	"(*encoding/json.Encoder).Encode": "host.JSONEncode", "(*encoding/json.Decoder).Decode": "host.JSONDecode",
}

// toStop keeps what stops a call to come.
func (rt *RT) toStop(stop func() bool) {
	rt.stopsMu.Lock()
	defer rt.stopsMu.Unlock()
	rt.stops = append(rt.stops, stop)
}

// StopTimers stops the calls to come, and reports whether there were any.
func (rt *RT) StopTimers() (any bool) {
	rt.stopsMu.Lock()
	defer rt.stopsMu.Unlock()
	for _, stop := range rt.stops {
		any = stop() || any
	}
	return any
}

// Timers returns functions of packages time and context that call a function of the script later. What they call is a goroutine of the
// program, and none after its end.
func (rt *RT) Timers() map[string]map[string]reflect.Value {
	later := func(f func()) func() {
		rt.started.Store(true)
		return func() {
			if !rt.ended() {
				rt.start(func(*Panicking) { f() })
			}
		}
	}
	return map[string]map[string]reflect.Value{
		"time": {"AfterFunc": reflect.ValueOf(func(d time.Duration, f func()) *time.Timer {
			t := time.AfterFunc(d, later(f))
			rt.toStop(t.Stop)
			return t
		})},
		"context": {"AfterFunc": reflect.ValueOf(func(ctx context.Context, f func()) func() bool {
			stop := context.AfterFunc(ctx, later(f))
			rt.toStop(stop)
			return stop
		})},
	}
}
