package measure_test

import (
	"context"
	"errors"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/link"
	"quaybench/bench/link/lines"
	"quaybench/bench/link/linktest"
	"quaybench/bench/link/port"
	"quaybench/bench/measure"
)

const columns = `
title = "bench logger (invented)"
delimiter = ";"
checksum = "none"
stale_after = "300 ms"
[[column]]
name = "motor_current"
unit = "A"
scale = "1 A"
min = "-500 A"
max = "500 A"
[[column]]
name = "lug_temperature"
unit = "°C"
scale = "1 K"
offset = "0 °C"
min = "-40 °C"
max = "250 °C"
`

// logger sends text as a logger does; the function gives the other end.
func logger(t *testing.T) (i link.Instrument, send func(text string), unplug func()) {
	t.Helper()
	f, err := lines.Load("columns.toml", []byte(columns))
	require.NoError(t, err)
	near, far := linktest.Pipe()
	return lines.NewLogger(f, near, port.WallClock{}), func(text string) { _ = far.Write(t.Context(), []byte(text)) }, func() { _ = far.Close() }
}

// Together with a controller: what both measure is believed of the instrument, the rest is added; what is wrong with the
// instrument is an error of the reading.
func TestJoin(t *testing.T) {
	y := petrel(t)
	synctest.Test(t, func(t *testing.T) {
		ctx, cut := context.WithCancel(context.Background())
		defer cut()
		c, _ := y.connect(t, ctx)
		i, send, unplug := logger(t)
		j := measure.Join(c, port.WallClock{}, measure.Beside{Instrument: i})
		var names []string
		for _, ch := range j.Describe().Channels {
			names = append(names, ch.Name)
		}
		require.Equal(t, []string{"voltage", "battery_current", "motor_speed", "stage_temperature", "motor_current", "lug_temperature"}, names)

		send("\n123.5;40\n")
		got, err := j.ReadTelemetry(ctx)
		require.NoError(t, err)
		assert.InDelta(t, 53.36, got.Values[0], 0.1, "the controller's voltage")
		assert.Equal(t, []float64{123.5, 313.15}, got.Values[4:])

		time.Sleep(100 * time.Millisecond)
		got, err = j.ReadTelemetry(ctx)
		require.NoError(t, err)
		was, ok := got.Time(4)
		assert.True(t, ok)
		assert.GreaterOrEqual(t, time.Since(was), 100*time.Millisecond, "each value is as old as it is")
		assert.Less(t, time.Since(got.At), 50*time.Millisecond)

		send("what?;\n124;41\n")
		time.Sleep(time.Millisecond)
		got, err = j.ReadTelemetry(ctx)
		require.NoError(t, err, "one bad line is passed over")
		assert.Equal(t, 124.0, got.Values[4])

		send("900;41\n")
		time.Sleep(time.Millisecond)
		_, err = j.ReadTelemetry(ctx)
		var impossible *link.ImpossibleError
		require.ErrorAs(t, err, &impossible)

		time.Sleep(time.Second)
		_, err = j.ReadTelemetry(ctx)
		require.ErrorIs(t, err, link.ErrStale)

		unplug()
		time.Sleep(time.Second)
		_, err = j.ReadTelemetry(ctx)
		var lost *port.LostError
		require.True(t, errors.As(err, &lost), "%v", err)
		require.NoError(t, j.Close())
		cut()
		synctest.Wait()
	})
}

// Without a controller there is nothing to command and nothing to set.
func TestJoinWithoutController(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx := t.Context()
		i, send, _ := logger(t)
		j := measure.Join(nil, port.WallClock{}, measure.Beside{Instrument: i})
		assert.Len(t, j.Describe().Channels, 2)
		assert.ErrorIs(t, j.CommandThrottle(ctx, 0.1), link.ErrNoThrottle)
		_, err := j.Running(ctx)
		assert.ErrorIs(t, err, link.ErrUnknown)
		waiting, cancel := context.WithTimeout(ctx, 100*time.Millisecond)
		defer cancel()
		_, err = j.ReadTelemetry(waiting)
		assert.ErrorIs(t, err, context.DeadlineExceeded, "nothing was heard yet")
		send("\n1;20\n")
		got, err := j.ReadTelemetry(ctx)
		require.NoError(t, err)
		assert.Equal(t, 1.0, got.Values[0])
		require.NoError(t, j.Close())
		synctest.Wait()
	})
}
