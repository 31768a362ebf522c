package interp

import (
	"fmt"
	"runtime"
	"runtime/metrics"
	"time"
)

// Limits of what an evaluation may use beyond what the process had at its
// start. They are looked at every few milliseconds, so they stop what grows;
// a script that must not harm runs in a process of its own (package child).
type Limits struct {
	// Memory in bytes, of values.
	Memory uint64
	// Stack in bytes: how deep calls may go.
	Stack uint64
}

// defaultLimits are those of a session. Go itself ends a process at 1 GB of
// stack; a level of calls takes one or two kilobytes.
var defaultLimits = Limits{Memory: 1 << 30, Stack: 256 << 20}

// watchEvery is short against the time a runaway recursion takes to fill the
// stack (about half a second), and long against the cost of a look (1 µs).
const watchEvery = 10 * time.Millisecond

// A LimitError says which limit an evaluation went beyond.
type LimitError struct {
	What  string // "memory", "stack", or in words
	Limit uint64 // bytes
}

func (e *LimitError) Error() string {
	switch e.What {
	case "stack":
		return fmt.Sprintf("stopped: calls within calls took more than %s; does a function call itself, or start goroutines, without end?", bytesText(e.Limit))
	case "memory":
		return fmt.Sprintf("stopped: more than %s of memory in use", bytesText(e.Limit))
	}
	return "stopped: " + e.What
}

func bytesText(n uint64) string {
	switch {
	case n >= 1<<30 && n%(1<<30) == 0:
		return fmt.Sprintf("%d GB", n>>30)
	case n >= 1<<20:
		return fmt.Sprintf("%d MB", n>>20)
	}
	return fmt.Sprintf("%d bytes", n)
}

type guard struct {
	limits  Limits
	samples []metrics.Sample
	heap    uint64 // at the start
	stack   uint64
}

func newGuard(l Limits) *guard {
	g := &guard{limits: l, samples: []metrics.Sample{
		{Name: "/memory/classes/heap/objects:bytes"},
		{Name: "/memory/classes/heap/stacks:bytes"},
	}}
	g.heap, g.stack = g.read()
	return g
}

func (g *guard) read() (heap, stack uint64) {
	metrics.Read(g.samples)
	return g.samples[0].Value.Uint64(), g.samples[1].Value.Uint64()
}

func (g *guard) check() error {
	heap, stack := g.read()
	if stack > g.stack && stack-g.stack > g.limits.Stack {
		return &LimitError{"stack", g.limits.Stack}
	}
	if heap > g.heap && heap-g.heap > g.limits.Memory {
		// Garbage counts until it is collected.
		runtime.GC()
		if heap, _ = g.read(); heap > g.heap && heap-g.heap > g.limits.Memory {
			return &LimitError{"memory", g.limits.Memory}
		}
	}
	return nil
}
