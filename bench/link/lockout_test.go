package link_test

import (
	"context"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/link"
)

// lever is a controller of which only the throttle matters.
type lever struct {
	link.Controller
	shares []float64
}

func (l *lever) CommandThrottle(_ context.Context, share float64) error {
	l.shares = append(l.shares, share)
	return nil
}

func (l *lever) Halt(ctx context.Context) error { return l.CommandThrottle(ctx, 0) }

// TestLockOut: only zero passes before the release, and only zero after the halt, for good.
func TestLockOut(t *testing.T) {
	ctx := t.Context()
	behind := &lever{}
	c, release := link.LockOut(behind)
	assert.ErrorIs(t, c.CommandThrottle(ctx, 0.1), link.ErrLockedOut)
	require.NoError(t, c.CommandThrottle(ctx, 0))
	release()
	require.NoError(t, c.CommandThrottle(ctx, 0.1))
	require.NoError(t, c.Halt(ctx))
	assert.ErrorIs(t, c.CommandThrottle(ctx, 0.1), link.ErrLockedOut)
	release()
	assert.ErrorIs(t, c.CommandThrottle(ctx, -0.1), link.ErrLockedOut, "released once, for one test")
	require.NoError(t, c.CommandThrottle(ctx, 0))
	assert.Equal(t, []float64{0, 0.1, 0, 0}, behind.shares)
}
