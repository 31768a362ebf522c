package linksim

import (
	"context"
	"sync"
	"time"

	"quaybench/bench/link/canopen"
	"quaybench/bench/link/modbus"
	"quaybench/bench/link/objmap"
	"quaybench/bench/link/port"
	"quaybench/bench/link/regmap"
	"quaybench/bench/link/slcan"
)

// Virtual is a clock that jumps instead of waiting: a sleep is over at once, and later by its length. It is for one line
// of action, such as a test on a simulated controller that need not take its time.
type Virtual struct {
	mu  sync.Mutex
	now time.Time
}

// NewVirtual starts a virtual clock.
func NewVirtual(start time.Time) *Virtual { return &Virtual{now: start} }

// Now returns the virtual time.
func (v *Virtual) Now() time.Time {
	v.mu.Lock()
	defer v.mu.Unlock()
	return v.now
}

// Sleep moves the time on by d.
func (v *Virtual) Sleep(ctx context.Context, d time.Duration) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	if d > 0 {
		v.mu.Lock()
		v.now = v.now.Add(d)
		v.mu.Unlock()
	}
	return nil
}

// Loopback returns a line at whose far end the controller answers at once, frame for frame. Waiting in vain moves the virtual
// clock on.
func (c *Controller) Loopback(m *regmap.Map, timing modbus.Timing, clock *Virtual) port.Port {
	server := modbus.NewServer(m.UnitID(), regmap.NewUnit(m, c), timing, clock)
	return &loopback{answer: server.Answer, tick: func() []byte { return nil }, gone: func() bool { return false }, clock: clock, character: timing.Character}
}

// CANLoopback returns a line at whose far end a serial CAN adapter hangs.
func CANLoopback(a *slcan.Adapter, clock *Virtual) port.Port {
	return &loopback{answer: a.Host, tick: a.Tick, gone: a.Unplugged, clock: clock, character: time.Second / 11520}
}

// Adapter returns a simulated serial CAN adapter with the controller behind it as the node of an object map.
func (c *Controller) Adapter(m *objmap.Map, clock port.Clock) *slcan.Adapter {
	a := slcan.NewAdapter(objmap.NewNode(m, c, clock, canopen.Acts), clock)
	a.Rate = m.Rate()
	return a
}

type loopback struct {
	answer    func(request []byte) []byte
	tick      func() []byte // what comes by itself
	gone      func() bool
	clock     *Virtual
	character time.Duration
	reply     []byte
	closed    bool
}

// glance is how often a wait looks for what comes by itself.
const glance = 10 * time.Millisecond

func (l *loopback) Read(ctx context.Context, p []byte, wait time.Duration) (int, error) {
	for {
		switch l.reply = append(l.reply, l.tick()...); {
		case l.closed:
			return 0, port.ErrClosed
		case l.gone():
			return 0, lost("read")
		case ctx.Err() != nil:
			return 0, ctx.Err()
		case len(l.reply) > 0:
			n := copy(p, l.reply)
			l.reply = l.reply[n:]
			_ = l.clock.Sleep(ctx, time.Duration(n)*l.character)
			return n, nil
		case wait <= 0:
			return 0, port.ErrTimeout
		}
		step := min(wait, glance)
		_ = l.clock.Sleep(ctx, step)
		wait -= step
	}
}

func (l *loopback) Write(ctx context.Context, p []byte) error {
	if l.closed {
		return port.ErrClosed
	}
	if l.gone() {
		return lost("write")
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	_ = l.clock.Sleep(ctx, time.Duration(len(p))*l.character)
	l.reply = append(l.reply, l.answer(p)...)
	return nil
}

func (l *loopback) Close() error {
	l.closed = true
	return nil
}

func lost(op string) error {
	return &port.LostError{Name: "the loopback", Op: op, Err: slcan.ErrUnplugged}
}
