package modbus

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"time"

	"golang.org/x/sync/semaphore"

	"quaybench/bench/link/port"
)

// Master asks slaves. It is safe for several goroutines: they take turns. It
// never closes the port.
//
// Every method returns the context's error, a port's error, a [*RequestError]
// before anything was sent, a [*ReplyError], or the unit's [*Exception]. There
// is no broadcast: nobody would confirm it.
type Master struct {
	turn  *semaphore.Weighted
	line  line
	stats Stats

	// A reply that comes too late looks like the reply to the next request of
	// the same shape: the protocol has nothing to tell them apart. So after an
	// exchange that failed, a read first listens until late replies are over.
	// A write does not wait, since its confirmation repeats what was written,
	// and since it may be the one that stops a motor.
	lateUntil time.Time

	// A reply that comes twice, the second time after the next request went
	// out, can be believed once. What gives it away is the true reply, which
	// then comes unasked: a frame that is not the last one again.
	lastReply []byte // nil after a failure
	outOfStep bool
}

// Stats counts what a master saw.
type Stats struct {
	Requests   int // sent
	Replies    int // that did as asked
	Refusals   int // exceptions
	Failures   int // everything else
	StaleBytes int // thrown away before a request
}

// Heard returns when the last byte of the last reply came in. It waits for a running exchange.
func (m *Master) Heard(ctx context.Context) (time.Time, error) {
	if err := m.turn.Acquire(ctx, 1); err != nil {
		return time.Time{}, err
	}
	defer m.turn.Release(1)
	return m.line.last, nil
}

// NewMaster returns a master that asks over p.
func NewMaster(p port.Port, timing Timing, clock port.Clock) *Master {
	return &Master{turn: semaphore.NewWeighted(1), line: line{port: p, timing: timing, clock: clock}}
}

// Stats returns the counts so far. It waits for a running exchange.
func (m *Master) Stats(ctx context.Context) (Stats, error) {
	if err := m.turn.Acquire(ctx, 1); err != nil {
		return Stats{}, err
	}
	defer m.turn.Release(1)
	return m.stats, nil
}

// ReadBits reads count coils or discrete inputs, as function says
// ([ReadCoils], [ReadDiscrete]).
func (m *Master) ReadBits(ctx context.Context, unit byte, function Function, address uint16, count int) ([]bool, error) {
	reply, err := m.read(ctx, unit, request{function: function, address: address, count: count}, ReadCoils, ReadDiscrete)
	if err != nil {
		return nil, err
	}
	return unpackBits(reply, count), nil
}

// ReadRegisters reads count holding or input registers, as function says
// ([ReadHolding], [ReadInput]).
func (m *Master) ReadRegisters(ctx context.Context, unit byte, function Function, address uint16, count int) ([]uint16, error) {
	reply, err := m.read(ctx, unit, request{function: function, address: address, count: count}, ReadHolding, ReadInput)
	if err != nil {
		return nil, err
	}
	return unpackRegisters(reply), nil
}

// WriteCoil writes one coil.
func (m *Master) WriteCoil(ctx context.Context, unit byte, address uint16, on bool) error {
	return m.write(ctx, unit, request{function: WriteCoil, address: address, count: 1, bits: []bool{on}})
}

// WriteRegister writes one holding register.
func (m *Master) WriteRegister(ctx context.Context, unit byte, address, value uint16) error {
	return m.write(ctx, unit, request{function: WriteRegister, address: address, count: 1, registers: []uint16{value}})
}

// WriteRegisterIf is WriteRegister, but asks still just before the request goes out; its error calls the write off.
func (m *Master) WriteRegisterIf(ctx context.Context, unit byte, address, value uint16, still func() error) error {
	return m.write(ctx, unit, request{function: WriteRegister, address: address, count: 1, registers: []uint16{value}, still: still})
}

// WriteCoils writes adjacent coils in one request.
func (m *Master) WriteCoils(ctx context.Context, unit byte, address uint16, on []bool) error {
	return m.write(ctx, unit, request{function: WriteCoils, address: address, count: len(on), bits: on})
}

// WriteRegisters writes adjacent holding registers in one request.
func (m *Master) WriteRegisters(ctx context.Context, unit byte, address uint16, values []uint16) error {
	return m.write(ctx, unit, request{function: WriteRegisters, address: address, count: len(values), registers: values})
}

func (m *Master) read(ctx context.Context, unit byte, r request, allowed ...Function) ([]byte, error) {
	if r.function != allowed[0] && r.function != allowed[1] {
		panic(fmt.Sprintf("modbus: %v does not read this", r.function))
	}
	var values []byte
	err := m.exchange(ctx, unit, r, func(reply []byte) error {
		if int(reply[0]) != len(reply)-1 {
			return ErrLength
		}
		values = reply[1:]
		return nil
	})
	return values, err
}

func (m *Master) write(ctx context.Context, unit byte, r request) error {
	return m.exchange(ctx, unit, r, func(reply []byte) error {
		if !bytes.Equal(reply, r.data()[:4]) {
			return ErrEcho
		}
		return nil
	})
}

// exchange sends r and hands accept the data of a reply of the right length.
func (m *Master) exchange(ctx context.Context, unit byte, r request, accept func(reply []byte) error) error {
	if err := r.check(unit); err != nil {
		return err
	}
	if err := m.turn.Acquire(ctx, 1); err != nil {
		return err
	}
	defer m.turn.Release(1)
	asked := Frame{Unit: unit, Function: r.function, Data: r.data()}
	reply, err := m.converse(ctx, asked, r.still, r.replyLength(), accept)
	var refusal *Exception
	m.lastReply = reply
	switch {
	case err == nil:
		m.stats.Replies++
	case errors.As(err, &refusal):
		m.stats.Refusals++
	default:
		m.stats.Failures++
		m.lateUntil = m.line.clock.Now().Add(m.line.timing.patience())
	}
	return err
}

// patience returns how long a reply may keep its master waiting.
func (t Timing) patience() time.Duration { return t.Turnaround + t.HandOver }

// converse sends a request and gives the bytes of an accepted reply.
func (m *Master) converse(ctx context.Context, asked Frame, still func() error, length int, accept func(reply []byte) error) ([]byte, error) {
	if err := m.settle(ctx, asked); err != nil {
		return nil, err
	}
	l := &m.line
	idle := l.clock.Now().Sub(l.last)
	if still != nil {
		if err := still(); err != nil {
			return nil, err
		}
	}
	if err := l.send(ctx, asked); err != nil {
		return nil, err
	}
	m.stats.Requests++
	own := time.Duration(minFrame+len(asked.Data)) * l.timing.Character
	// No sample is held up by t3.5: a frame sent twice shows before the next request. But a reply that is the last one again,
	// soon after it, may be a late copy, with the true one behind it.
	other := func(frame []byte) bool {
		return m.lastReply != nil && (idle > 2*l.timing.Between || !bytes.Equal(frame, m.lastReply))
	}
	raw, err := l.receive(ctx, own+l.timing.patience(), other, func(got []byte) int { return replyLength(length, got) })
	if err != nil {
		return nil, err
	}
	reply, err := judgeReply(asked, length, raw)
	if err == nil {
		err = accept(reply.Data)
	}
	var refusal *Exception
	if err != nil && !errors.As(err, &refusal) {
		return nil, wrongReply(asked, raw, err)
	}
	return raw, err
}

// settle waits until the line is ready for a request.
func (m *Master) settle(ctx context.Context, asked Frame) error {
	now := m.line.clock.Now()
	until, latest := now, now.Add(m.line.timing.patience())
	reads := asked.Function.reads()
	if reads && m.lateUntil.After(now) {
		until, latest = m.lateUntil, m.lateUntil.Add(m.line.timing.patience())
	}
	if !reads {
		latest = now.Add(m.line.timing.pause())
	}
	stale, count, ok, err := m.line.quiet(ctx, until, latest)
	m.stats.StaleBytes += count
	if _, wreck := ParseFrame(stale); wreck == nil && m.lastReply != nil && !bytes.Equal(stale, m.lastReply) {
		m.outOfStep = true
	}
	if err != nil || !reads {
		// On a line that never falls silent a write goes out all the same: it
		// may be the one that stops a motor, and the unit checks its sum.
		return err
	}
	if m.outOfStep {
		m.outOfStep = false
		return wrongReply(asked, stale, ErrOutOfStep)
	}
	if !ok {
		return wrongReply(asked, stale, ErrNoise)
	}
	return nil
}

func (f Function) reads() bool { return f <= ReadInput }
