package lines_test

import (
	"fmt"
	"math"
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

// TestAClockThatTellsOfOldReadings: what a logger says whose readings grow old while its lines keep coming, and what one says that is as it should be.
// after is when it goes wrong.
func TestAClockThatTellsOfOldReadings(t *testing.T) {
	const after = 10.0
	since := func(s float64) float64 { return max(s-after, 0) }
	seconds := func(s float64) string { return fmt.Sprintf("%.3f", s) }
	ofDay := func(s float64) string { return time.Unix(0, 0).UTC().Add(time.Duration(s * 1e9)).Format("15:04:05.00") }
	const second = `unit = "s"`
	for _, c := range []struct {
		name, unit string
		shows      func(s float64) string
		old        bool
	}{
		{"as it should be", second, seconds, false},
		{"stands still", second, func(s float64) string { return seconds(min(s, after)) }, true},
		{"sends its last 0.3 s over and over", second, func(s float64) string { return seconds(min(s, after) + math.Mod(since(s), 0.3)) }, true},
		{"sends its last 7 s over and over", second, func(s float64) string { return seconds(min(s, after) + math.Mod(since(s), 7)) }, true},
		{"and the same with a count of lines", "", func(s float64) string {
			return fmt.Sprintf("%.0f", 20*(min(s, after)+math.Mod(since(s), 0.3)))
		}, true},
		{"is sent ever later", second, func(s float64) string { return seconds(s - since(s)/3) }, true},
		{"runs 3 % slow", second, func(s float64) string { return seconds(0.97 * s) }, false},
		{"runs twice as fast", second, func(s float64) string { return seconds(2 * s) }, false},
		{"is set forward by hours once it has a fix, and then stands still", second, func(s float64) string {
			if s < 5 {
				return seconds(s)
			}
			return seconds(9000 + min(s, after))
		}, true},
		{"restarts once", second, func(s float64) string { return seconds(s - min(since(s)*1e6, after)) }, false},
		{"goes through midnight", "", func(s float64) string { return ofDay(86400 - after + s) }, false},
		{"of day, sent ever later", "", func(s float64) string { return ofDay(40000 + s - since(s)/3) }, true},
		{"counts lines that are rare", "", func(s float64) string { return fmt.Sprintf("%.0f", math.Floor(s*3)) }, false},
		{"is missing in two lines of three", second, func(s float64) string {
			if int(math.Round(20*s))%3 > 0 {
				return ""
			}
			return seconds(s)
		}, false},
		{"is missing in every other line, and stands still", second, func(s float64) string {
			if int(math.Round(20*s))%2 > 0 {
				return ""
			}
			return seconds(min(s, after))
		}, true},
		{"is missing", second, func(s float64) string {
			if s > after {
				return ""
			}
			return seconds(s)
		}, true},
	} {
		f, err := lines.Load("clock.toml", []byte(strings.Replace(clocked, "UNIT", c.unit, 1)))
		require.NoError(t, err)
		p, begun, oldest := lines.NewParser(f), time.Unix(1000, 0), time.Duration(0)
		p.Feed([]byte("\n"), begun, func(link.Sample, error) {})
		for n := range 20 * 60 {
			at := begun.Add(time.Duration(n) * 50 * time.Millisecond)
			p.Feed([]byte(c.shows(at.Sub(begun).Seconds())+";51.9\n"), at, func(s link.Sample, err error) {
				require.NoError(t, err)
				if old := s.At.Sub(s.Moved); old > oldest {
					oldest = old
					if c.old {
						assert.Greater(t, at.Sub(begun).Seconds(), after-0.1, c.name)
					}
				}
			})
		}
		assert.Equal(t, c.old, oldest > f.StaleAfter(), "%s: what it sends is up to %v old", c.name, oldest)
	}
}

// TestAReceiverThatSendsOldSentences again and again, or ever later, hangs, and one that learns of leap seconds does not.
func TestAReceiverThatSendsOldSentences(t *testing.T) {
	for name, c := range map[string]struct {
		shows func(s int) int
		old   bool
	}{
		"as it should be":   {func(s int) int { return s }, false},
		"stands still":      {func(s int) int { return min(s, 20) }, true},
		"its last 3 s over": {func(s int) int { return min(s, 20) + max(s-20, 0)%3 }, true},
		"ever later":        {func(s int) int { return s/2 + 1 }, true},
		"learns of 18 leap seconds": {func(s int) int {
			if s < 20 {
				return s + 18
			}
			return s
		}, false},
	} {
		p, begun, oldest := lines.NewParser(lines.Sentences(link.SpeedOverGround)), time.Unix(1000, 0), time.Duration(0)
		p.Feed([]byte("\n"), begun, func(link.Sample, error) {})
		last := begun
		for s := range 90 {
			body := fmt.Sprintf("GPRMC,10%02d%02d.00,A,5400.0,N,01000.0,E,5.0,90.0,301126,,", c.shows(s)/60, c.shows(s)%60)
			sum := byte(0)
			for i := range len(body) {
				sum ^= body[i]
			}
			p.Feed(fmt.Appendf(nil, "$%s*%02X\r\n", body, sum), begun.Add(time.Duration(s)*time.Second), func(s link.Sample, err error) {
				require.NoError(t, err)
				oldest, last = max(oldest, s.At.Sub(s.Moved)), s.At
			})
		}
		oldest = max(oldest, begun.Add(90*time.Second).Sub(last)) // what it says again is passed over
		assert.Equal(t, c.old, oldest > 5*time.Second, "%s: %v", name, oldest)
	}
}
