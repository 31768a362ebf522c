package linktest

import (
	"bytes"
	"context"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/link/port"
)

// aMoment is how long a byte may take over any line a suite is run on,
// with a busy machine in mind; nothing waits so long where all is well.
const aMoment = 5 * time.Second

// Port is the conformance suite of every [port.Port]: pair gives two fresh
// ends of one line each time.
func Port(t *testing.T, pair func(t *testing.T) (a, b port.Port)) {
	// both runs a check from either end.
	both := func(name string, check func(t *testing.T, near, far port.Port)) {
		t.Run(name, func(t *testing.T) {
			a, b := pair(t)
			check(t, a, b)
		})
		t.Run(name+", other end", func(t *testing.T) {
			a, b := pair(t)
			check(t, b, a)
		})
	}

	both("every byte value passes unchanged", func(t *testing.T, near, far port.Port) {
		var all []byte
		for i := range 256 {
			all = append(all, byte(i), byte(255-i))
		}
		require.NoError(t, near.Write(t.Context(), all))
		assert.Equal(t, all, readSome(t, far, len(all)))
	})

	both("more than any buffer holds passes in order", func(t *testing.T, near, far port.Port) {
		long := bytes.Repeat([]byte("0123456789abcdef\x00\xff\r\n"), 5000)
		sent := make(chan error, 1)
		go func() {
			for part := range slices.Chunk(long, 700) {
				if err := near.Write(t.Context(), part); err != nil {
					sent <- err
					return
				}
			}
			sent <- nil
		}()
		assert.Equal(t, long, readSome(t, far, len(long)))
		require.NoError(t, <-sent)
	})

	both("silence is ErrTimeout", func(t *testing.T, near, _ port.Port) {
		for _, wait := range []time.Duration{-1, 0, 30 * time.Millisecond} {
			n, err := near.Read(t.Context(), make([]byte, 8), wait)
			assert.Zero(t, n)
			assert.ErrorIs(t, err, port.ErrTimeout)
		}
	})

	both("a read with no room reads nothing", func(t *testing.T, near, far port.Port) {
		require.NoError(t, far.Write(t.Context(), []byte("x")))
		n, err := near.Read(t.Context(), nil, 0)
		assert.Zero(t, n)
		assert.NoError(t, err)
		assert.Equal(t, "x", string(readSome(t, near, 1)))
	})

	both("an ended context stops both directions", func(t *testing.T, near, _ port.Port) {
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		_, err := near.Read(ctx, make([]byte, 8), aMoment)
		assert.ErrorIs(t, err, context.Canceled)
		assert.ErrorIs(t, near.Write(ctx, []byte("x")), context.Canceled)
	})

	both("a context that ends later stops a waiting read", func(t *testing.T, near, far port.Port) {
		ctx, cancel := context.WithTimeout(t.Context(), 20*time.Millisecond)
		defer cancel()
		_, err := near.Read(ctx, make([]byte, 8), time.Hour)
		assert.ErrorIs(t, err, context.DeadlineExceeded)
		require.NoError(t, far.Write(t.Context(), []byte("later")))
		assert.Equal(t, "later", string(readSome(t, near, 5)), "and the port is as usable as before")
	})

	both("after Close everything is ErrClosed", func(t *testing.T, near, _ port.Port) {
		require.NoError(t, near.Close())
		require.NoError(t, near.Close())
		_, err := near.Read(t.Context(), make([]byte, 8), time.Second)
		assert.ErrorIs(t, err, port.ErrClosed)
		assert.ErrorIs(t, near.Write(t.Context(), []byte("x")), port.ErrClosed)
	})

	both("Close ends a waiting read", func(t *testing.T, near, _ port.Port) {
		ended := make(chan error, 1)
		go func() {
			_, err := near.Read(t.Context(), make([]byte, 8), time.Hour)
			ended <- err
		}()
		require.NoError(t, near.Close())
		assert.ErrorIs(t, <-ended, port.ErrClosed)
	})
}

// PortLoss is the suite of lines whose one end notices that the other is gone.
func PortLoss(t *testing.T, pair func(t *testing.T) (near, far port.Port)) {
	t.Run("a closed far end is a lost line", func(t *testing.T) {
		near, far := pair(t)
		require.NoError(t, far.Close())
		var lost *port.LostError
		_, err := near.Read(t.Context(), make([]byte, 8), aMoment)
		require.ErrorAs(t, err, &lost)
		assert.Equal(t, "read", lost.Op)
		assert.NotEmpty(t, lost.Name)
	})
	t.Run("what came before is read first", func(t *testing.T) {
		near, far := pair(t)
		require.NoError(t, far.Write(t.Context(), []byte("last words")))
		require.Equal(t, "last", string(readSome(t, near, 4)))
		require.NoError(t, far.Close())
		assert.Equal(t, " words", string(readSome(t, near, 6)))
	})
}

// readSome reads exactly n bytes or fails the test.
func readSome(t *testing.T, p port.Port, n int) []byte {
	t.Helper()
	got := make([]byte, 0, n)
	for len(got) < n {
		m, err := p.Read(t.Context(), got[len(got):n], aMoment)
		require.NoError(t, err, "after %d of %d bytes", len(got), n)
		got = got[:len(got)+m]
	}
	return got
}
