package instrument_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"regexp"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/link"
	"quaybench/bench/link/instrument"
	"quaybench/bench/link/lines"
	"quaybench/bench/link/linktest"
	"quaybench/bench/link/nmea"
	"quaybench/bench/link/port"
)

const (
	columnList = "title = \"logger\"\nchecksum = \"none\"\n[[column]]\nname = \"voltage\"\nunit = \"V\"\nscale = \"1 V\"\n"
	gps        = "title = \"GPS\"\nspeaks = \"NMEA 0183\"\n[[reading]]\nname = \"speed_over_ground\"\n"
	meter      = "title = \"meter\"\nspeaks = \"SCPI\"\n[[query]]\nask = \"MEAS:VOLT?\"\nname = \"voltage\"\nunit = \"V\"\nscale = \"1 V\"\n"
)

// TestLoad: what a file describes is told by its key speaks.
func TestLoad(t *testing.T) {
	for text, want := range map[string]string{columnList: "voltage", gps: "speed_over_ground", meter: "voltage"} {
		f, err := instrument.Load("x.toml", []byte(text))
		require.NoError(t, err)
		assert.Equal(t, want, f.Channels()[0].Name)
	}
	_, err := instrument.Load("x.toml", []byte(strings.Replace(gps, "NMEA 0183", "morse", 1)))
	assert.ErrorContains(t, err, "x.toml:2:")
	assert.ErrorContains(t, err, "SCPI")
	f, err := instrument.Load("x.toml", nil)
	assert.Error(t, err)
	assert.True(t, f == nil, "no format beside an error")
}

func rubbish(of string) []byte {
	random := rand.New(rand.NewPCG(18, uint64(len(of))))
	out := make([]byte, 10<<20)
	for i := range out {
		out[i] = of[random.IntN(len(of))]
	}
	return out
}

func anyByte() string {
	var b [256]byte
	for i := range b {
		b[i] = byte(i)
	}
	return string(b[:])
}

// TestTenMegabytesOfRubbish: as a description it is an error with its place; on the line each bad line is an error with its number. Neither
// panics or keeps what it cannot use.
func TestTenMegabytesOfRubbish(t *testing.T) {
	kinds := map[string][]byte{
		"any byte": rubbish(anyByte()), "letters": rubbish("abc=[]\"\n#1."), "numbers": rubbish("0123456789.;-\n"), "no line end": rubbish("0123456789,;"),
		"sentence starts": bytes.Repeat([]byte("$GPRMC,1,A*00\n"), 10<<20/14),
	}
	place := regexp.MustCompile(`^rubbish\.toml:\d+:\d+: `)
	for name, text := range kinds {
		for _, head := range map[string][]string{"any byte": {"", "speaks = \"NMEA 0183\"\n"}, "letters": {"speaks = \"SCPI\"\n"}}[name] {
			_, err := instrument.Load("rubbish.toml", append([]byte(head), text...))
			require.Error(t, err, name)
			assert.Regexp(t, place, err.Error(), name)
		}
		for _, list := range []string{columnList, gps} {
			f, err := instrument.Load("x.toml", []byte(list))
			require.NoError(t, err)
			p := lines.NewParser(f.(*lines.Format))
			last := int64(0)
			p.Feed(text, time.Time{}, func(s link.Sample, err error) {
				var line *lines.LineError
				if err == nil {
					return
				}
				if !errors.As(err, &line) || line.Line <= last || len(line.Text) > 80 { // an assertion for each of a million lines takes seconds
					t.Fatalf("%v after line %d", err, last)
				}
				last = line.Line
			})
			s := p.Stats()
			assert.Equal(t, s.Lines, s.Samples+s.Remarks+s.Others+s.Bad(), name)
		}
	}
}

// TestAMeterThatBabbles: an instrument that is asked and sends rubbish without end is an error within moments.
func TestAMeterThatBabbles(t *testing.T) {
	text := rubbish(anyByte())
	synctest.Test(t, func(t *testing.T) {
		near, far := linktest.Pipe()
		ctx, stop := context.WithCancel(t.Context())
		done := make(chan bool)
		go func() {
			defer close(done)
			for rest := text; len(rest) > 1000; rest = rest[1000:] {
				if far.Write(ctx, rest[:1000]) != nil || (port.WallClock{}).Sleep(ctx, 10*time.Millisecond) != nil {
					return
				}
			}
		}()
		f, err := instrument.Load("meter.toml", []byte(meter))
		require.NoError(t, err)
		i := f.Open(near, port.WallClock{})
		for range 5 {
			begun := time.Now()
			_, err := i.Next(t.Context())
			require.Error(t, err)
			assert.Less(t, time.Since(begun), 30*time.Second)
			assert.Less(t, len(err.Error()), 500)
		}
		require.NoError(t, i.Close())
		stop()
		<-done
	})
}

// TestListen: what was heard is told apart.
func TestListen(t *testing.T) {
	sentence := func(body string) string { return fmt.Sprintf("$%s*%02X\r\n", body, nmea.CheckSum([]byte(body))) }
	vhw, gsv := sentence("IIVHW,,,,,4.00,N,7.41,K"), sentence("GPGSV,1,1,00")
	rmc := sentence("GPRMC,102030.00,A,5230.0,N,01320.0,E,5.00,123.4,050624,,,A")
	for text, want := range map[string]string{
		"34,N*12\r\n" + strings.Repeat(rmc+vhw+gsv, 3): "sentences speed_over_ground boat_speed",
		"34,N*12\r\n" + strings.Repeat(vhw, 3):         "sentences boat_speed",
		strings.Repeat(gsv, 5):                         "sentences",
		"1;2\n3;4\n5;6\n":                              "lines",
		"":                                             "nothing came",
		"\xf0\x0f\xf0\x0f\xf0\n":                       "are no text",
		"1;2\n3":                                       "whole lines",
	} {
		synctest.Test(t, func(t *testing.T) {
			near, far := linktest.Pipe()
			require.NoError(t, far.Write(t.Context(), []byte(text)))
			h, err := instrument.Listen(t.Context(), near, port.WallClock{}, 3*time.Second)
			require.NoError(t, err)
			got := "lines"
			if f, _, is := h.Sentences(); is {
				got = "sentences"
				if f != nil {
					for _, c := range f.Channels() {
						got += " " + c.Name
					}
				}
			} else if err := h.Wrong(3 * time.Second); err != nil {
				got = err.Error()
			}
			assert.Contains(t, got, want, "%q", text)
		})
	}
}
