package slcan

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"quaybench/bench/link/port"
)

// Node is what hangs on the bus behind a simulated adapter.
type Node interface {
	// Take hears a frame, and gives what the node sends then.
	Take(f Frame) []Frame
	// Tick gives what the node sends by itself up to now.
	Tick() []Frame
}

// Adapter is a simulated serial CAN adapter. Like hardware it queues a bounded count of lines for its host and drops the rest,
// and nothing on its bus ever waits for the host. It is for one goroutine.
type Adapter struct {
	node  Node
	clock port.Clock
	// Mishap changes what the host gets to see of a frame of the bus; nil: nothing.
	Mishap func(f Frame) []Delivery
	// Sent changes what of a frame that the host sends gets onto the bus; nil: nothing. A line in its place is the adapter's word
	// for it.
	Sent func(f Frame) []Delivery
	// Silent leaves out the adapter's word for each frame it was given.
	Silent bool
	// Plain does without listening only, and without the letter z.
	Plain bool
	// Flagless does without the letter F, so that nothing tells of frames that it lost.
	Flagless bool
	// Rate is that of the bus: at any other the adapter sees only errors. Zero: it suits whatever rate the host sets.
	Rate Rate

	split  splitter
	rate   bool // was set
	set    string
	open   bool
	listen bool
	auto   bool // z for a frame sent
	flags  byte
	out    []byte
	late   []late
	slow   []late // to the bus
	gone   bool
}

// late is a frame that comes later.
type late struct {
	at time.Time
	d  Delivery
}

// Delivery is what comes of a frame on its way to the host.
type Delivery struct {
	Frame Frame
	Line  string        // instead of the frame, as it stands
	After time.Duration // late by so much
	Flags byte          // what the adapter notes of it
	Drop  bool          // it does not come
	Gone  bool          // the adapter is unplugged
}

// ErrUnplugged reports that the adapter is gone by a mishap.
var ErrUnplugged = errors.New("the simulated adapter is unplugged")

// The bits of the flags.
const (
	flagReceiveFull  = 1 << 0
	flagTransmitFull = 1 << 1
	flagOverrun      = 1 << 3
	flagBusError     = 1 << 7
)

// queue is how many bytes wait for the host at most: 512 lines of full frames.
const queue = 512 * 26

// NewAdapter returns an adapter with a node behind it.
func NewAdapter(node Node, clock port.Clock) *Adapter { return &Adapter{node: node, clock: clock} }

// Unplugged reports whether a mishap took the adapter away.
func (a *Adapter) Unplugged() bool { return a.gone }

// Host reads bytes of the host and returns what it answers.
func (a *Adapter) Host(data []byte) []byte {
	a.split.feed(data, func(line []byte, end byte, cut bool) {
		if end == '\r' {
			a.command(line, cut)
		}
	})
	return a.take()
}

// Tick returns what came from the bus by itself.
func (a *Adapter) Tick() []byte {
	for len(a.late) > 0 && !a.clock.Now().Before(a.late[0].at) {
		d := a.late[0].d
		a.late = a.late[1:]
		a.deliver(d)
	}
	for len(a.slow) > 0 && !a.clock.Now().Before(a.slow[0].at) {
		f := a.slow[0].d.Frame
		a.slow = a.slow[1:]
		a.bus(a.node.Take(f))
	}
	a.bus(a.node.Tick())
	return a.take()
}

func (a *Adapter) take() []byte {
	out := a.out
	a.out = nil
	return out
}

func (a *Adapter) say(text string) {
	if len(a.out)+len(text) > queue {
		a.flags |= flagReceiveFull | flagOverrun
		return
	}
	a.out = append(a.out, text...)
}

func (a *Adapter) command(line []byte, cut bool) {
	yes := func(ok bool) {
		if ok {
			a.say("\r")
		} else {
			a.say("\a")
		}
	}
	if len(line) == 0 {
		yes(true)
		return
	}
	switch letter := line[0]; {
	case cut:
		yes(false)
	case letter == 'S' && len(line) == 2 && line[1] >= '0' && line[1] <= '8':
		if !a.open {
			a.rate, a.set = true, string(line)
		}
		yes(!a.open)
	case letter == 'O' || letter == 'L' && !a.Plain:
		ok := a.rate && !a.open
		if ok {
			a.open, a.listen = true, letter == 'L'
		}
		yes(ok)
	case letter == 'C':
		yes(a.open)
		a.open, a.slow = false, nil // what it has not sent yet is dropped, as by some
	case letter == 'V':
		a.say("V1013\r")
	case letter == 'N':
		a.say("NA123\r")
	case letter == 'F':
		if !a.open || a.Flagless {
			yes(false)
			return
		}
		a.say(fmt.Sprintf("F%02X\r", a.flags))
		a.flags = 0
	case letter == 'X' && len(line) == 2:
		a.auto = line[1] == '1'
		yes(true)
	case letter == 't', letter == 'T', letter == 'r', letter == 'R':
		f, ok := parseFrame(line)
		if !ok || !a.open || a.listen {
			yes(false)
			return
		}
		a.send(f)
	default:
		yes(false)
	}
}

// send transmits a frame of the host on the bus.
func (a *Adapter) send(f Frame) {
	word := map[bool]string{false: "\r", true: "z\r"}[a.auto]
	if a.auto && f.Extended {
		word = "Z\r"
	}
	out := []Delivery{{Frame: f}}
	if a.Sent != nil {
		out = a.Sent(f)
	}
	for _, d := range out {
		if d.Line != "" {
			word = d.Line
		}
	}
	if !a.Silent {
		a.say(word)
	}
	for _, d := range out {
		switch {
		case d.Gone:
			a.gone = true
		case d.Drop:
		case d.After > 0:
			a.slow = append(a.slow, late{a.clock.Now().Add(d.After), d})
		case a.misses():
			a.flags |= 0x80 // nobody acknowledges it
		default:
			a.bus(a.node.Take(d.Frame))
		}
	}
}

// bus passes frames of the bus on to the host.
func (a *Adapter) bus(frames []Frame) {
	for _, f := range frames {
		if !a.open {
			continue
		}
		if a.misses() {
			a.flags |= 0x80 // a bus error
			continue
		}
		if a.Mishap == nil {
			a.say(string(f.line()))
			continue
		}
		for _, d := range a.Mishap(f) {
			if d.After > 0 {
				after := d.After
				d.After = 0
				a.late = append(a.late, late{a.clock.Now().Add(after), d})
				continue
			}
			a.deliver(d)
		}
	}
}

// misses reports whether the host has set another rate than the bus's.
func (a *Adapter) misses() bool { return a.Rate.command != "" && a.set != a.Rate.command }

func (a *Adapter) deliver(d Delivery) {
	a.flags |= d.Flags
	switch {
	case d.Gone:
		a.gone = true
	case d.Drop:
	case d.Line != "":
		a.say(d.Line)
	default:
		a.say(string(d.Frame.line()))
	}
}

// Serve plays the adapter at a port until the context ends or the port is lost. beat is how often the node is asked for what
// it sends by itself.
func (a *Adapter) Serve(ctx context.Context, p port.Port, beat time.Duration) error {
	var mu sync.Mutex
	var waiting []byte
	more := make(chan struct{}, 1)
	ctx, stop := context.WithCancelCause(ctx)
	defer stop(nil)
	written := make(chan struct{})
	// The writer alone waits for the host.
	go func() {
		defer close(written)
		for {
			mu.Lock()
			part := waiting[:min(len(waiting), 64)]
			waiting = waiting[len(part):]
			mu.Unlock()
			if len(part) == 0 {
				select {
				case <-more:
					continue
				case <-ctx.Done():
					return
				}
			}
			if err := p.Write(ctx, part); err != nil && !errors.Is(err, port.ErrWriteTimeout) {
				stop(err)
				return
			}
		}
	}()
	defer func() { <-written }()
	defer stop(nil)
	var buffer [4096]byte
	const late = 50 * time.Millisecond // that a program may be, where hardware is not
	for {
		begun := a.clock.Now()
		n, err := p.Read(ctx, buffer[:], beat)
		if node, ok := a.node.(interface{ Overslept(d time.Duration) }); ok {
			if over := a.clock.Now().Sub(begun) - beat; over > late {
				node.Overslept(over)
			}
		}
		if err != nil && !errors.Is(err, port.ErrTimeout) {
			if cause := context.Cause(ctx); cause != nil && ctx.Err() != nil {
				return cause
			}
			return err
		}
		if a.gone {
			return ErrUnplugged
		}
		mu.Lock()
		room := queue - len(waiting)
		out := append(a.Host(buffer[:n]), a.Tick()...)
		if room < len(out) { // the rest is dropped at a line's end, as hardware does
			cut := out[:max(room, 0)]
			for len(cut) > 0 && cut[len(cut)-1] != '\r' && cut[len(cut)-1] != bell {
				cut = cut[:len(cut)-1]
			}
			out = cut
			a.flags |= flagReceiveFull | flagOverrun
		}
		waiting = append(waiting, out...)
		mu.Unlock()
		select {
		case more <- struct{}{}:
		default:
		}
	}
}
