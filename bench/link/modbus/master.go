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
}

// Stats counts what a master saw.
type Stats struct {
	Requests   int // sent
	Replies    int // that did as asked
	Refusals   int // exceptions
	Failures   int // everything else
	StaleBytes int // thrown away before a request
}

// NewMaster makes a master that asks over p.
func NewMaster(p port.Port, timing Timing, clock port.Clock) *Master {
	return &Master{turn: semaphore.NewWeighted(1), line: line{port: p, timing: timing, clock: clock}}
}

// Stats gives the counts so far. It waits for a running exchange.
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
	err := m.converse(ctx, asked, r.replyLength(), accept)
	var refusal *Exception
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

// patience is how long a reply may keep its master waiting.
func (t Timing) patience() time.Duration { return t.Turnaround + t.HandOver }

func (m *Master) converse(ctx context.Context, asked Frame, length int, accept func(reply []byte) error) error {
	l, fail := &m.line, func(raw []byte, kind error) error {
		return &ReplyError{Unit: asked.Unit, Function: asked.Function, Raw: raw, Err: kind}
	}
	if err := m.settle(ctx, asked); err != nil {
		return err
	}
	if err := l.send(ctx, asked); err != nil {
		return err
	}
	m.stats.Requests++
	own := time.Duration(minFrame+len(asked.Data)) * l.timing.Character
	raw, err := l.receive(ctx, own+l.timing.patience(), func(got []byte) int { return replyLength(length, got) })
	if err != nil {
		return err
	}
	reply, err := judgeReply(asked, length, raw)
	if err != nil {
		return err
	}
	if err := accept(reply.Data); err != nil {
		return fail(raw, err)
	}
	return nil
}

// settle makes the line ready for a request.
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
	stale, ok, err := m.line.quiet(ctx, until, latest)
	m.stats.StaleBytes += stale
	if err == nil && !ok && reads {
		return &ReplyError{Unit: asked.Unit, Function: asked.Function, Err: fmt.Errorf("%w (%d of them before anything was asked)", ErrNoise, stale)}
	}
	// On a line that never falls silent a write goes out all the same: it may
	// be the one that stops a motor, and the unit checks its sum.
	return err
}

func (f Function) reads() bool { return f <= ReadInput }
