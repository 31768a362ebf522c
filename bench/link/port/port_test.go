package port_test

import (
	"context"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"quaybench/bench/link/linktest"
	"quaybench/bench/link/port"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func pipe(t *testing.T) (near, far port.Port) {
	near, far = linktest.Pipe()
	closeBoth(t, near, far)
	return near, far
}

func closeBoth(t *testing.T, a, b port.Port) {
	t.Cleanup(func() {
		assert.NoError(t, a.Close())
		assert.NoError(t, b.Close())
	})
}

func TestPipe(t *testing.T) {
	linktest.Port(t, pipe)
	linktest.PortLoss(t, pipe)
}

func TestOpenSaysWhichPortAndWhatToDo(t *testing.T) {
	_, err := port.Open(port.Address{Name: "/dev/no-such-port", Baud: 9600, DataBits: 8, Parity: port.None, StopBits: 1})
	require.ErrorContains(t, err, "/dev/no-such-port@9600,8N1")
}

func TestPipeSilenceLastsAsLongAsAsked(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		near, far := linktest.Pipe()
		start := time.Now()
		_, err := near.Read(t.Context(), make([]byte, 1), time.Minute)
		assert.ErrorIs(t, err, port.ErrTimeout)
		assert.Equal(t, time.Minute, time.Since(start))

		go func() {
			time.Sleep(time.Second)
			_ = far.Write(t.Context(), []byte{7})
		}()
		start = time.Now()
		n, err := near.Read(t.Context(), make([]byte, 1), time.Minute)
		require.NoError(t, err)
		assert.Equal(t, 1, n)
		assert.Equal(t, time.Second, time.Since(start))
	})
}

func TestWallClockSleep(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var clock port.Clock = port.WallClock{}
		start := clock.Now()
		require.NoError(t, clock.Sleep(t.Context(), time.Minute))
		assert.Equal(t, time.Minute, clock.Now().Sub(start))

		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		assert.ErrorIs(t, clock.Sleep(ctx, time.Minute), context.DeadlineExceeded)
		assert.ErrorIs(t, clock.Sleep(ctx, 0), context.DeadlineExceeded)
		assert.Equal(t, time.Minute+time.Second, clock.Now().Sub(start))
	})
}
