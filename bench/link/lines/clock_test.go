package lines_test

import (
	"fmt"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/link"
	"quaybench/bench/link/lines"
	"quaybench/bench/link/linktest"
	"quaybench/bench/link/port"
)

const clocked = `
title = "logger with a clock (invented)"
delimiter = ";"
checksum = "none"
stale_after = "500 ms"
[[column]]
clock = true
UNIT
[[column]]
name = "voltage"
unit = "V"
scale = "1 V"
`

// TestHowLongAClockMayShowTheSame: what its last digit counts.
func TestHowLongAClockMayShowTheSame(t *testing.T) {
	for _, c := range []struct {
		unit, shows string
		step        time.Duration
	}{
		{"", "12", time.Second}, {"", "12.5", 100 * time.Millisecond}, {`unit = "ms"`, "12", time.Millisecond}, {`unit = "h"`, "12.5", 6 * time.Minute},
		{"", "10:20", time.Minute}, {"", "10:20:30", time.Second}, {"", "10:20:30.25", 10 * time.Millisecond}, {"", "10:20:30,250", time.Millisecond},
		{"", "30.11.2026 10:20:30", time.Second}, {"", "2026-11-30T10:20:30.5", 100 * time.Millisecond},
	} {
		f, err := lines.Load("clock.toml", []byte(strings.Replace(clocked, "UNIT", c.unit, 1)))
		require.NoError(t, err)
		p, begun := lines.NewParser(f), time.Unix(1000, 0)
		p.Feed([]byte("\n"), begun, func(link.Sample, error) {})
		for _, at := range []time.Duration{0, c.step / 2, c.step, 3 * c.step} {
			p.Feed([]byte(c.shows+";51.9\n"), begun.Add(at), func(s link.Sample, err error) {
				require.NoError(t, err)
				assert.Equal(t, min(at, c.step), s.Moved.Sub(begun), "%s %s after %v", c.shows, c.unit, at)
			})
		}
	}
}

// TestAClockIsNoReading: what a column list may say of one.
func TestAClockIsNoReading(t *testing.T) {
	for text, want := range map[string]string{
		`unit = "V"`: "is no time", `name = "time"`: "name of a column that is a clock", `max = "1 s"`: "max of a column that is a clock",
		`ignore = true`: "clock of a column that is ignored", "[[column]]\nclock = true": "there is a clock already",
	} {
		_, err := lines.Load("clock.toml", []byte(strings.Replace(clocked, "UNIT", text, 1)))
		assert.ErrorContains(t, err, want, text)
	}
}

// TestALoggerWhoseClockStandsIsStale: for as long as its file says that no line may come, and each stream of a format by itself.
func TestALoggerWhoseClockStandsIsStale(t *testing.T) {
	f, err := lines.Load("clock.toml", []byte(strings.Replace(clocked, "UNIT", `unit = "s"`, 1)))
	require.NoError(t, err)
	for range 2 {
		synctest.Test(t, func(t *testing.T) {
			near, far := linktest.Pipe()
			l := lines.NewLogger(f, near, port.WallClock{})
			_ = far.Write(t.Context(), []byte("\n"))
			_, err := l.Next(t.Context())
			require.ErrorIs(t, err, lines.ErrHalf)
			next := func(text string) error {
				time.Sleep(100 * time.Millisecond)
				_ = far.Write(t.Context(), []byte(text+";51.9\n"))
				_, err := l.Next(t.Context())
				return err
			}
			for n := range 5 {
				require.NoError(t, next(fmt.Sprintf("0.%d", n+1)))
			}
			for range 5 {
				require.NoError(t, next("0.5"))
			}
			err = next("0.5")
			require.ErrorIs(t, err, link.ErrStale)
			require.ErrorIs(t, err, link.ErrHangs)
			require.NoError(t, next("0.6"), "it lives again")
			require.NoError(t, l.Close())
		})
	}
}
