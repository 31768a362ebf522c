package readings

import (
	"bytes"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/link/nmea"
	"quaybench/bench/record"
)

func sentence(body string) string {
	return fmt.Sprintf("$%s*%02X\r\n", body, nmea.CheckSum([]byte(body)))
}

// outing returns what a GPS and a log sent in 20 s over midnight: over ground the boat makes 0.1 kn more each second, through the water half a
// knot less. The fix is lost from the 8th to the 11th second.
func outing() string {
	var b strings.Builder
	b.WriteString("GPS log of petrel (invented)\r\n")
	for s := range 20 {
		t := time.Date(2026, 6, 14, 23, 59, 50+s, 0, time.UTC)
		clock, date := t.Format("150405"), t.Format("020106")
		knots := 4 + 0.1*float64(s)
		b.WriteString(sentence(fmt.Sprintf("GPGGA,%s,5230.0,N,01320.0,E,1,08,0.9,545.4,M,46.9,M,,", clock)))
		if s >= 8 && s <= 11 {
			b.WriteString(sentence(fmt.Sprintf("GPRMC,%s,V,,,,,,,%s,,,N", clock, date)))
		} else {
			b.WriteString(sentence(fmt.Sprintf("GPRMC,%s,A,5230.0,N,01320.0,E,%.2f,123.4,%s,,,A", clock, knots, date)))
			b.WriteString(sentence(fmt.Sprintf("GPVTG,123.4,T,,M,%.2f,N,%.2f,K,A", knots, 1.852*knots)))
		}
		b.WriteString(sentence(fmt.Sprintf("VWVHW,,T,,M,%.1f,N,%.1f,K", knots-0.5, 1.852*(knots-0.5))))
		if s == 5 {
			b.WriteString("$GPRMC,235955,A,5230.0,N,01320.0,E,9.99,123.4,140626,,,A*00\r\n")
		}
	}
	return b.String()
}

// TestKeptSentences: a GPS's own log becomes a record of two speeds, with a gap where there was no fix, over midnight.
func TestKeptSentences(t *testing.T) {
	u, err := Read("gps.nmea", []byte(outing()), nil, 0)
	require.NoError(t, err)
	assert.Equal(t, time.Date(2026, 6, 14, 23, 59, 50, 0, time.UTC), u.Begins.UTC())
	require.Len(t, u.Columns, 2)
	assert.Equal(t, "RMC", u.Columns[0].Header)
	assert.Contains(t, u.Columns[0].Note, "4 sentences say that there is no fix")
	ground, _ := u.Run.Trace(record.OverGround)
	water, _ := u.Run.Trace(record.BoatSpeed)
	require.Len(t, u.Run.Time, 20)
	for i, at := range u.Run.Time {
		assert.InDelta(t, float64(i), at, 1e-9)
		knots := 4 + 0.1*float64(i)
		if i >= 8 && i <= 11 {
			assert.True(t, math.IsNaN(ground.Values[i]), "%d", i)
		} else {
			assert.InDelta(t, knots*1852/3600, ground.Values[i], 1e-9)
		}
		assert.InDelta(t, (knots-0.5)*1852/3600, water.Values[i], 0.03)
	}
	require.Len(t, u.LeftOut, 2, "and the line above")
	assert.Contains(t, u.LeftOut[1].Why, "check sum")
	assert.Equal(t, &record.Meter{Offset: 0.5}, ground.Meter)
	var text bytes.Buffer
	require.NoError(t, record.Write(&text, u.Run), "it can be kept")

	only, err := Read("log.nmea", []byte(strings.ReplaceAll(outing(), "RMC", "XXX")), nil, 0)
	require.NoError(t, err, "the time is that of GGA then")
	_, ok := only.Run.Trace(record.OverGround)
	assert.True(t, ok, "and the speed that of VTG")
	assert.True(t, only.Begins.IsZero(), "and no sentence tells the date")
	_, err = Read("nofix.nmea", []byte(strings.Repeat(sentence("GPRMC,102030,V,,,,,,,050624,,,N"), 50)), nil, 0)
	assert.ErrorContains(t, err, "50 sentences say that there is no fix")
}

// TestRubbish: 10 MB of anything gives one clear error with a line, and no panic.
func TestRubbish(t *testing.T) {
	random := rand.New(rand.NewPCG(18, 18))
	noise := func(of string) []byte {
		out := make([]byte, 10<<20)
		for i := range out {
			out[i] = of[random.IntN(len(of))]
		}
		return out
	}
	valid := []byte(sentence("GPGSV,1,1,00"))
	for name, text := range map[string][]byte{
		"printable": noise("abcdefghijklmnop;,.0123456789 \n$*"),
		"any byte": noise(string(func() (b []byte) {
			for i := range 256 {
				b = append(b, byte(i))
			}
			return b
		}())),
		"numbers":         noise("0123456789;\n"),
		"no line end":     noise("0123456789;"),
		"sentence starts": bytes.Repeat([]byte("$GPRMC,1,A*00\n"), 10<<20/14),
		"no speed":        bytes.Repeat(valid, 10<<20/len(valid)),
	} {
		t.Run(name, func(t *testing.T) {
			_, err := Read("rubbish.csv", text, nil, 0)
			require.Error(t, err)
			assert.Less(t, len(err.Error()), 2000)
			assert.Regexp(t, `rubbish\.csv: .*(line|sentences)`, err)
		})
	}
}
