package measure_test

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/link"
	"quaybench/bench/link/lines"
	"quaybench/bench/link/linktest"
	"quaybench/bench/link/nmea"
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

// An instrument whose own clock stands still while its lines keep coming hangs: nothing of it is fresh. One whose lines tell no time looks as
// if it measured, and is named. What is shown in whole seconds may stand for one.
func TestJoinFindsOutWhoHangs(t *testing.T) {
	const withClock = columns + "[[column]]\nclock = true\n"
	f, err := lines.Load("columns.toml", []byte(strings.Replace(withClock, "300 ms", "1 min", 1)))
	require.NoError(t, err)
	gps := lines.Sentences(link.SpeedOverGround)
	sealed := func(body string) string { return fmt.Sprintf("$%s*%02X\r\n", body, nmea.CheckSum([]byte(body))) }
	plain := func(clock func(n int) string) func(int) string {
		return func(n int) string { return "123.5;40;" + clock(n) + "\n" }
	}
	vtg := sealed("GPVTG,,T,,M,0.1,N,0.2,K,A")
	gga := func(n int) string {
		return sealed(fmt.Sprintf("GPGGA,1020%02d,5230.0,N,01320.0,E,1,08,0.9,5.4,M,46.9,M,,", n))
	}
	zda := func(n int) string { return sealed(fmt.Sprintf("GPZDA,1020%02d,05,06,2024,00,00", n)) }
	for _, c := range []struct {
		name   string
		format *lines.Format
		send   func(n int) string // every 100 ms
		hangs  bool
		named  bool
	}{
		{"moves", f, plain(func(n int) string { return fmt.Sprintf("%.1f", float64(n)/10) }), false, false},
		{"moves once a second", f, plain(func(n int) string { return fmt.Sprintf("10:20:%02d", n/10) }), false, false},
		{"stands", f, plain(func(n int) string { return fmt.Sprintf("%.1f", min(float64(n)/10, 3)) }), true, false},
		{"shows whole seconds, and stands", f, plain(func(n int) string { return fmt.Sprintf("30.11.2026 10:20:%02d", min(n/10, 3)) }), true, false},
		{"shows minutes", f, plain(func(n int) string { return "10:20" }), false, false},
		{"a GPS with VTG alone", gps, func(int) string { return vtg }, false, true},
		{"a log", lines.Sentences(link.BoatSpeed), func(n int) string { return gga(n/10) + sealed("IIVHW,,T,,M,0.1,N,0.2,K") }, false, true},
		{"a GPS with VTG and GGA", gps, func(n int) string { return gga(n/10) + vtg }, false, false},
		{"a GPS with VTG and GGA that hangs", gps, func(n int) string { return gga(min(n/10, 3)) + vtg }, true, false},
		{"a GPS with VTG, and the time once", gps, func(n int) string {
			if n == 1 {
				return zda(0)
			}
			return vtg
		}, false, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				near, far := linktest.Pipe()
				j := measure.Join(nil, port.WallClock{}, measure.Beside{Instrument: c.format.Open(near, port.WallClock{}), Name: "beside", Stale: 2 * time.Second})
				_ = far.Write(t.Context(), []byte("\n"))
				var stale error
				at := 0
				for ; at < 100 && stale == nil; at++ {
					_ = far.Write(t.Context(), []byte(c.send(at)))
					time.Sleep(100 * time.Millisecond)
					if at > 2 {
						_, stale = j.ReadTelemetry(t.Context())
					}
				}
				assert.Equal(t, c.named, slices.Equal(measure.Clockless(j), []string{"beside"}))
				if c.hangs {
					require.ErrorIs(t, stale, link.ErrStale)
					require.ErrorIs(t, stale, link.ErrHangs)
					assert.InDelta(t, 55, at, 6, "2 s after it stands, and the second that it may show")
				} else {
					assert.NoError(t, stale)
				}
				require.NoError(t, j.Close())
				_ = far.Close()
				synctest.Wait()
			})
		})
	}
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
