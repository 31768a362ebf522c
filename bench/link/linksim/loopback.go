package linksim

import (
	"context"
	"sync"
	"time"

	"quaybench/bench/link/modbus"
	"quaybench/bench/link/port"
	"quaybench/bench/link/regmap"
)

// Virtual is a clock that jumps instead of waiting: a sleep is over at once, and later by its length. It is for one line
// of action, such as a test on a simulated controller that need not take its time.
type Virtual struct {
	mu  sync.Mutex
	now time.Time
}

// NewVirtual starts a virtual clock.
func NewVirtual(start time.Time) *Virtual { return &Virtual{now: start} }

// Now is the virtual time.
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

// Loopback is a line at whose far end the controller answers at once, frame for frame. Waiting in vain moves the virtual
// clock on.
func (c *Controller) Loopback(m *regmap.Map, timing modbus.Timing, clock *Virtual) port.Port {
	return &loopback{server: modbus.NewServer(m.UnitID(), regmap.NewUnit(m, c), timing, clock), clock: clock, timing: timing}
}

type loopback struct {
	server *modbus.Server
	clock  *Virtual
	timing modbus.Timing
	reply  []byte
	closed bool
}

func (l *loopback) Read(ctx context.Context, p []byte, wait time.Duration) (int, error) {
	switch {
	case l.closed:
		return 0, port.ErrClosed
	case ctx.Err() != nil:
		return 0, ctx.Err()
	case len(l.reply) == 0:
		_ = l.clock.Sleep(ctx, wait)
		return 0, port.ErrTimeout
	}
	n := copy(p, l.reply)
	l.reply = l.reply[n:]
	_ = l.clock.Sleep(ctx, time.Duration(n)*l.timing.Character)
	return n, nil
}

func (l *loopback) Write(ctx context.Context, p []byte) error {
	if l.closed {
		return port.ErrClosed
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	_ = l.clock.Sleep(ctx, time.Duration(len(p))*l.timing.Character)
	l.reply = append(l.reply, l.server.Answer(p)...)
	return nil
}

func (l *loopback) Close() error {
	l.closed = true
	return nil
}
