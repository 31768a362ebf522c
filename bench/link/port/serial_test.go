package port

import (
	"context"
	"errors"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// scriptedDevice behaves as library-facts.md says go.bug.st/serial does.
type scriptedDevice struct {
	mu          sync.Mutex
	readTimeout time.Duration
	readErr     error
	writeErr    error
	arrives     []byte
	after       time.Duration // when arrives comes
	blockWrite  chan struct{} // a write waits for this to close
	deaf        bool          // ResetOutputBuffer does not free a blocked write
	flushed     int
	closes      int
	written     []byte
	writesAfter int           // writes after Close: the bug to be guarded
	stolen      chan struct{} // a read waits for this to close, whatever its time-out: another program took what it was woken for
}

func (d *scriptedDevice) SetReadTimeout(t time.Duration) error { d.readTimeout = t; return nil }

func (d *scriptedDevice) Read(p []byte) (int, error) {
	if d.readErr != nil {
		return 0, d.readErr
	}
	if d.stolen != nil {
		<-d.stolen
	}
	if d.arrives != nil && d.after <= d.readTimeout {
		time.Sleep(d.after)
		n := copy(p, d.arrives)
		d.arrives = nil
		return n, nil
	}
	time.Sleep(d.readTimeout)
	d.after -= d.readTimeout
	return 0, nil // a silent line is no error to the library
}

func (d *scriptedDevice) Write(p []byte) (int, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.closes > 0 {
		d.writesAfter++
	}
	if blocked := d.blockWrite; blocked != nil {
		d.mu.Unlock()
		<-blocked
		d.mu.Lock()
		return 1, nil // and the rest of the buffer is still to come
	}
	if d.writeErr != nil {
		return 0, d.writeErr
	}
	d.written = append(d.written, p[0]) // takes one byte at a time
	return 1, nil
}

func (d *scriptedDevice) ResetOutputBuffer() error {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.flushed++
	if d.blockWrite != nil && !d.deaf {
		close(d.blockWrite)
		d.blockWrite = nil
	}
	return nil
}

func (d *scriptedDevice) Close() error {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.closes++
	return nil
}

func onDevice(d *scriptedDevice) *serialPort {
	return newSerialPort(d, Address{Name: "/dev/test", Baud: 9600})
}

func TestSilentDeviceIsATimeoutAfterTheWaitAndNoSooner(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := onDevice(&scriptedDevice{})
		start := time.Now()
		n, err := p.Read(t.Context(), make([]byte, 8), 25*time.Millisecond)
		assert.Zero(t, n)
		assert.ErrorIs(t, err, ErrTimeout)
		assert.Equal(t, 25*time.Millisecond, time.Since(start))
	})
}

func TestReadReturnsAsSoonAsABytesCome(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := onDevice(&scriptedDevice{arrives: []byte{1, 2, 3}, after: 33 * time.Millisecond})
		start := time.Now()
		buf := make([]byte, 8)
		n, err := p.Read(t.Context(), buf, time.Second)
		require.NoError(t, err)
		assert.Equal(t, []byte{1, 2, 3}, buf[:n])
		assert.Equal(t, 33*time.Millisecond, time.Since(start))
	})
}

// TestARobbedReadEnds: another program took the bytes that a read of the library was woken for, and it waits for ever. The line counts
// as silent, a context ends the wait, what comes later is not lost, and Close does not wait for it.
func TestARobbedReadEnds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := &scriptedDevice{stolen: make(chan struct{}), arrives: []byte{1, 2, 3}}
		p, start := onDevice(d), time.Now()
		_, err := p.Read(t.Context(), make([]byte, 8), 25*time.Millisecond)
		require.ErrorIs(t, err, ErrTimeout)
		assert.LessOrEqual(t, time.Since(start), 25*time.Millisecond+3*readGrace)
		ctx, cancel := context.WithTimeout(t.Context(), 7*time.Millisecond)
		defer cancel()
		start = time.Now()
		_, err = p.Read(ctx, make([]byte, 8), time.Hour)
		require.ErrorIs(t, err, context.DeadlineExceeded)
		assert.LessOrEqual(t, time.Since(start), 7*time.Millisecond+readSlice+readGrace)
		close(d.stolen)
		for _, want := range [][]byte{{1, 2}, {3}} {
			buf := make([]byte, 2)
			n, err := p.Read(t.Context(), buf, time.Second)
			require.NoError(t, err)
			assert.Equal(t, want, buf[:n])
		}
		require.NoError(t, p.Close())
		assert.Equal(t, 1, d.closes)
	})
	synctest.Test(t, func(t *testing.T) {
		d := &scriptedDevice{stolen: make(chan struct{})}
		p, start := onDevice(d), time.Now()
		_, err := p.Read(t.Context(), make([]byte, 8), time.Millisecond)
		require.ErrorIs(t, err, ErrTimeout)
		require.NoError(t, p.Close())
		assert.Less(t, time.Since(start), time.Second)
		close(d.stolen)
		time.Sleep(time.Second) // the read ends
	})
}

func TestContextEndsARead(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithTimeout(t.Context(), 15*time.Millisecond)
		defer cancel()
		start := time.Now()
		_, err := onDevice(&scriptedDevice{}).Read(ctx, make([]byte, 1), time.Hour)
		assert.ErrorIs(t, err, context.DeadlineExceeded)
		assert.LessOrEqual(t, time.Since(start), 15*time.Millisecond+readSlice)
	})
}

func TestDeviceErrorsAreALostLine(t *testing.T) {
	gone := errors.New("input/output error")
	p := onDevice(&scriptedDevice{readErr: gone, writeErr: gone})
	var lost *LostError

	_, err := p.Read(t.Context(), make([]byte, 1), time.Second)
	require.ErrorAs(t, err, &lost)
	assert.Equal(t, "read", lost.Op)
	assert.ErrorIs(t, err, gone)

	err = p.Write(t.Context(), []byte{1})
	require.ErrorAs(t, err, &lost)
	assert.Equal(t, "write", lost.Op)
	assert.Contains(t, err.Error(), "/dev/test")
}

func TestWriteSendsAllBytesOfADeviceThatTakesFew(t *testing.T) {
	d := &scriptedDevice{}
	require.NoError(t, onDevice(d).Write(t.Context(), []byte("three")))
	assert.Equal(t, "three", string(d.written))
}

func TestBlockedWriteTimesOutAndIsThrownAway(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := &scriptedDevice{blockWrite: make(chan struct{})}
		p := onDevice(d)
		start := time.Now()
		err := p.Write(t.Context(), make([]byte, 800))
		assert.ErrorIs(t, err, ErrWriteTimeout)
		// 800 characters of 12 bits at 9600 Bd take 1 s by themselves.
		assert.Equal(t, time.Second+writeGrace, time.Since(start))
		assert.Equal(t, 1, d.flushed, "half a command must not go out later")

		require.NoError(t, p.Write(t.Context(), []byte{1}), "the line is usable again")
		assert.Equal(t, []byte{1}, d.written, "and nothing of the old command followed")
	})
}

func TestContextEndsABlockedWrite(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithTimeout(t.Context(), 3*time.Millisecond)
		defer cancel()
		d := &scriptedDevice{blockWrite: make(chan struct{})}
		assert.ErrorIs(t, onDevice(d).Write(ctx, []byte{1}), context.DeadlineExceeded)
		assert.Equal(t, 1, d.flushed)
	})
}

func TestWriteThatNeverReturnsSpoilsThePort(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		release := make(chan struct{})
		d := &scriptedDevice{blockWrite: release, deaf: true}
		p := onDevice(d)
		assert.ErrorIs(t, p.Write(t.Context(), []byte{1, 2, 3}), ErrWriteTimeout)
		start := time.Now()
		assert.ErrorIs(t, p.Write(t.Context(), []byte{2}), ErrWriteTimeout)
		assert.Zero(t, time.Since(start), "a second write must not wait behind the stuck one")
		require.NoError(t, p.Close())
		close(release)
		synctest.Wait()
		assert.Zero(t, d.writesAfter)
	})
}

func TestNothingReachesTheDeviceAfterClose(t *testing.T) {
	d := &scriptedDevice{}
	p := onDevice(d)
	require.NoError(t, p.Close())
	require.NoError(t, p.Close())
	assert.Equal(t, 1, d.closes)
	assert.ErrorIs(t, p.Write(t.Context(), []byte{1}), ErrClosed)
	_, err := p.Read(t.Context(), make([]byte, 1), time.Second)
	assert.ErrorIs(t, err, ErrClosed)
	assert.Zero(t, d.writesAfter)
}

func TestCloseEndsAWaitingRead(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := onDevice(&scriptedDevice{})
		done := make(chan error)
		go func() {
			_, err := p.Read(t.Context(), make([]byte, 1), time.Hour)
			done <- err
		}()
		synctest.Wait()
		go p.Close()
		assert.ErrorIs(t, <-done, ErrClosed)
	})
}
