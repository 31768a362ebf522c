package linktest

import (
	"bytes"
	"context"
	"errors"
	"sync"
	"time"

	"quaybench/bench/link/fault"
	"quaybench/bench/link/modbus"
	"quaybench/bench/link/port"
)

// Misbehave wraps the master's end of a line. At each request, when is asked whether the fault
// strikes; it gets the number of the request, from 1. Wrapped again, faults
// add up.
func Misbehave(p port.Port, clock port.Clock, f fault.Fault, when func(number int, request []byte) bool) port.Port {
	return &misbehaving{Port: p, clock: clock, fault: f, when: when}
}

// Always is for faults that strike every time.
func Always(int, []byte) bool { return true }

type misbehaving struct {
	port.Port
	clock port.Clock
	fault fault.Fault
	when  func(int, []byte) bool

	mu        sync.Mutex
	number    int
	request   []byte // whose reply is to be changed, or nil
	queue     []arrival
	unplugged bool
}

// arrival is a piece with the time it comes.
type arrival struct {
	fault.Piece
	at time.Time
}

func (m *misbehaving) Write(ctx context.Context, p []byte) error {
	out, err := m.strike(p)
	if err != nil || len(out) == 0 {
		return err
	}
	return m.Port.Write(ctx, out)
}

// strike counts a request and gives what of it goes out.
func (m *misbehaving) strike(p []byte) (out []byte, err error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for _, piece := range m.queue {
		if piece.Unplug && !piece.at.After(m.clock.Now()) {
			m.unplugged = true
		}
	}
	if m.unplugged {
		return nil, lost("write")
	}
	m.number++
	m.request = nil
	if !m.when(m.number, p) {
		return p, nil
	}
	if m.fault.Reply != nil {
		m.request = bytes.Clone(p)
	}
	if m.fault.Request != nil {
		p = m.fault.Request(bytes.Clone(p))
	}
	return p, nil
}

func (m *misbehaving) Read(ctx context.Context, p []byte, wait time.Duration) (int, error) {
	for {
		n, next, err := m.take(p)
		if n > 0 || err != nil {
			return n, err
		}
		if next > 0 {
			if err := m.clock.Sleep(ctx, min(next, wait)); err != nil {
				return 0, err
			}
			if next > wait {
				return 0, port.ErrTimeout
			}
			wait -= next
			continue
		}
		request := m.pending()
		if request == nil {
			return m.Port.Read(ctx, p, wait)
		}
		reply, err := m.gather(ctx, wait)
		if err != nil {
			return 0, err
		}
		m.put(m.fault.Reply(request, reply))
	}
}

// take returns what has arrived of the queue, or how long it is until the next part does.
func (m *misbehaving) take(p []byte) (n int, next time.Duration, err error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.unplugged {
		return 0, 0, lost("read")
	}
	if len(m.queue) == 0 {
		return 0, 0, nil
	}
	first := &m.queue[0]
	if next = first.at.Sub(m.clock.Now()); next > 0 {
		return 0, next, nil
	}
	if first.Unplug {
		m.unplugged = true
		return 0, 0, lost("read")
	}
	n = copy(p, first.Bytes)
	if first.Bytes = first.Bytes[n:]; len(first.Bytes) == 0 {
		m.queue = m.queue[1:]
	}
	return n, 0, nil
}

func (m *misbehaving) pending() (request []byte) {
	m.mu.Lock()
	defer m.mu.Unlock()
	request, m.request = m.request, nil
	return request
}

func (m *misbehaving) put(pieces []fault.Piece) {
	m.mu.Lock()
	defer m.mu.Unlock()
	at := m.clock.Now()
	for _, p := range pieces {
		at = at.Add(p.After)
		if len(p.Bytes) > 0 || p.Unplug {
			m.queue = append(m.queue, arrival{p, at})
		}
	}
}

// gather collects a whole reply.
func (m *misbehaving) gather(ctx context.Context, wait time.Duration) (reply []byte, err error) {
	buffer := make([]byte, 256)
	for {
		n, err := m.Port.Read(ctx, buffer, wait)
		if errors.Is(err, port.ErrTimeout) && len(reply) > 0 {
			return reply, nil
		}
		if err != nil {
			return nil, err
		}
		reply = append(reply, buffer[:n]...)
		if _, err := modbus.ParseFrame(reply); err == nil {
			return reply, nil
		}
	}
}

func lost(op string) error {
	return &port.LostError{Name: "misbehaving line", Op: op, Err: errors.New("no such device")}
}
