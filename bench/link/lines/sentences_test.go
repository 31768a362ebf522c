package lines_test

import (
	"fmt"
	"math"
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
)

const gps = `
title = "GPS (invented)"
speaks = "NMEA 0183"
stale_after = "100 ms"
[[reading]]
name = "speed_over_ground"
unit = "m/s"
error = "± 0.2 m/s"
`

func sentence(body string) []byte {
	return fmt.Appendf(nil, "$%s*%02X\r\n", body, nmea.CheckSum([]byte(body)))
}

// TestSentencesConform holds a GPS at the end of a line against the conformance suite of instruments.
func TestSentencesConform(t *testing.T) {
	format, err := lines.LoadSentences("gps.toml", []byte(gps))
	require.NoError(t, err)
	linktest.Instrument(t, 0.006, func(n int) []float64 { return []float64{float64(n) / 10} }, func(t *testing.T) linktest.Stream {
		near, far := linktest.Pipe()
		t.Cleanup(func() { near.Close(); far.Close() })
		send := func(p []byte) { require.NoError(t, far.Write(t.Context(), p)) }
		send([]byte("34.0,N*12\r\n"))
		logger := lines.NewLogger(format, near, port.WallClock{})
		_, err := logger.Next(t.Context())
		require.ErrorIs(t, err, lines.ErrHalf)
		fixes := 0
		return linktest.Stream{
			Instrument: logger,
			Send: func(values []float64) {
				fixes++
				send(sentence("GPGGA,102030.00,5230.00000,N,01320.00000,E,1,08,0.9,545.4,M,46.9,M,,"))
				send(sentence(fmt.Sprintf("GPRMC,10%02d%02d.00,A,5230.00000,N,01320.00000,E,%.2f,123.4,050624,,,A", fixes/60%60, fixes%60, values[0]*3600/1852)))
			},
			Garble: func() { send([]byte("$GPRMC,102030.00,A,5230.00000,N,01320.00000,E,9.99,123.4,050624,,,A*00\r\n")) },
			Unplug: func() { far.Close() },
		}
	})
}

// TestTwoSpeedsOfOneLine: over ground and through the water are two channels, each new only with its own sentence; a receiver
// without a fix has no reading, which is something new too.
func TestTwoSpeedsOfOneLine(t *testing.T) {
	format, err := lines.LoadSentences("both.toml", []byte(gps+"[[reading]]\nname = \"boat_speed\"\n"))
	require.NoError(t, err)
	assert.Equal(t, link.Meter{Offset: 0.2}, format.Channels()[0].Meter)
	assert.Equal(t, time.Second, format.Channels()[0].Delay)
	p := lines.NewParser(format)
	at := time.Unix(7, 0)
	var got []link.Sample
	p.Feed([]byte("\n"), at, func(link.Sample, error) {})
	for _, body := range []string{"IIVHW,,,,,4.00,N,7.41,K", "GPRMC,102030.00,A,5230.0,N,01320.0,E,5.00,123.4,050624,,,A", "GPVTG,123.4,T,,M,5.00,N,9.26,K,A", "GPRMC,102031.00,V,,,,,,,050624,,,N"} {
		p.Feed(sentence(body), at, func(s link.Sample, err error) {
			require.NoError(t, err)
			got = append(got, s)
		})
	}
	require.Len(t, got, 3, "VTG says the same again")
	for i, want := range []struct {
		channel int
		value   float64
	}{{1, 4 * 1852.0 / 3600}, {0, 5 * 1852.0 / 3600}, {0, math.NaN()}} {
		was, ok := got[i].Time(want.channel)
		assert.True(t, ok)
		assert.Equal(t, at, was)
		_, ok = got[i].Time(1 - want.channel)
		assert.False(t, ok, "the other one is not in it")
		if math.IsNaN(want.value) {
			assert.True(t, math.IsNaN(got[i].Values[want.channel]))
		} else {
			assert.InDelta(t, want.value, got[i].Values[want.channel], 1e-9)
		}
	}
	assert.EqualValues(t, 1, p.Stats().Others)
}

// TestWhyNothingIsRead: the three silent cases are told apart.
func TestWhyNothingIsRead(t *testing.T) {
	format, err := lines.LoadSentences("gps.toml", []byte(gps))
	require.NoError(t, err)
	for text, want := range map[string]string{
		"":                               "nothing came",
		string(sentence("GPGSV,1,1,00")): "lines came of other kinds",
		"\xf0\x0f\xf0\x0f":               "check the baud rate",
		"$GPRMC without an end to it ":   "check the baud rate",
	} {
		synctest.Test(t, func(t *testing.T) {
			near, far := linktest.Pipe()
			logger := lines.NewLogger(format, near, port.WallClock{})
			require.NoError(t, far.Write(t.Context(), []byte("\n")))
			_, err := logger.Next(t.Context())
			require.ErrorIs(t, err, lines.ErrHalf)
			require.NoError(t, far.Write(t.Context(), []byte(text)))
			_, err = logger.Next(t.Context())
			require.ErrorIs(t, err, link.ErrStale, "%q", text)
			assert.ErrorContains(t, err, want, "%q", text)
		})
	}
}

func TestEachMistakeInADescription(t *testing.T) {
	for text, want := range map[string]string{
		"title = \"x\"\nspeaks = \"NMEA 0183\"\n":                                 "reading",
		gps + "[[reading]]\nname = \"speed_over_ground\"\n":                       "comes twice",
		gps + "[[reading]]\nname = \"voltage\"\n":                                 "boat_speed",
		gps + "[[reading]]\nname = \"boat_speed\"\nerror = \"± 1 A\"\n":           "both.toml:",
		gps + "[[column]]\nname = \"boat_speed\"\n":                               "column",
		"title = \"x\"\nspeaks = \"morse\"\n[[reading]]\nname = \"boat_speed\"\n": "NMEA 0183",
	} {
		_, err := lines.LoadSentences("both.toml", []byte(text))
		assert.ErrorContains(t, err, want)
	}
}

// TestAnotherHeaderIsNoReading: the header of the list is passed over when the logger begins anew; another one ends the use of the logger.
func TestAnotherHeaderIsNoReading(t *testing.T) {
	const list = `
title = "logger (invented)"
delimiter = ";"
decimal = "comma"
checksum = "none"
header = "Zeit [s];T Motor [°C];I [A]"
[[column]]
ignore = true
[[column]]
name = "motor_temperature"
unit = "°C"
scale = "1 K"
[[column]]
name = "motor_current"
unit = "A"
scale = "1 A"
`
	f, err := lines.Load("logger.toml", []byte(list))
	require.NoError(t, err)
	p := lines.NewParser(f)
	var got []string
	feed := func(text string) {
		p.Feed([]byte(text), time.Time{}, func(s link.Sample, err error) {
			if err != nil {
				got = append(got, err.Error())
				return
			}
			got = append(got, fmt.Sprintf("%.2f", s.Values))
		})
	}
	feed("\n0,1;25,5;-1,25\r\nZeit [s];T Motor [°C];I [A]\r\n0,2;25,6;1.5\r\n")
	require.Len(t, got, 3)
	assert.Equal(t, "[298.65 -1.25]", got[1])
	assert.Contains(t, got[2], "not a number", "a point is not this logger's decimal")
	assert.EqualValues(t, 1, p.Stats().Others)
	feed("Zeit [s];I [A];T Motor [°C]\r\n")
	require.Len(t, got, 4)
	assert.Contains(t, got[3], "another header")
	p.Feed([]byte("time;I;T\n"), time.Time{}, func(_ link.Sample, err error) { assert.ErrorIs(t, err, link.ErrOther) })
}
