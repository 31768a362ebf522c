package lines_test

import (
	"context"
	"fmt"
	"math"
	"os"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"quaybench/bench/link"
	"quaybench/bench/link/lines"
	"quaybench/bench/link/linktest"
	"quaybench/bench/link/port"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func loggerFormat(t testing.TB) *lines.Format {
	data, err := os.ReadFile("testdata/logger.toml")
	require.NoError(t, err)
	f, err := lines.Load("logger.toml", data)
	require.NoError(t, err)
	return f
}

// line returns what the logger sends for SI values in the order of its channels.
func line(values []float64) []byte {
	body := fmt.Sprintf("%.0f;%.3f;%.0f;x;%.0f;%.0f", values[0]*1000, values[1], values[2]*10, values[3]*30/math.Pi, (values[4]-273.15)*10)
	var sum byte
	for i := range len(body) {
		sum ^= body[i]
	}
	return fmt.Appendf(nil, "%s*%02X\r\n", body, sum)
}

func values(n int) []float64 {
	return []float64{float64(n) / 10, 48 + float64(n)/8, float64(n) - 10, float64(100*n) * math.Pi / 30, 293.15 + float64(n)}
}

func TestLoggerConforms(t *testing.T) {
	conforms(t, func(*testing.T) (near, far port.Port) { return linktest.Pipe() })
}

// conforms holds a logger at the end of a line against the conformance suite.
func conforms(t *testing.T, open func(t *testing.T) (near, far port.Port)) {
	format := loggerFormat(t)
	linktest.Instrument(t, 1e-9, values, func(t *testing.T) linktest.Stream {
		near, far := open(t)
		t.Cleanup(func() { near.Close(); far.Close() })
		send := func(p []byte) { require.NoError(t, far.Write(t.Context(), p)) }
		send([]byte("joined in the middle\n"))
		logger := lines.NewLogger(format, near, port.WallClock{})
		_, err := logger.Next(t.Context())
		require.ErrorIs(t, err, lines.ErrHalf)
		return linktest.Stream{
			Instrument: logger,
			Send:       func(values []float64) { send(line(values)) },
			Garble:     func() { send([]byte("\xff\x00\x13garbled\n")) },
			Unplug:     func() { far.Close() },
		}
	})
}

func TestChannels(t *testing.T) {
	f := loggerFormat(t)
	assert.Equal(t, "bench logger (invented)", f.Title())
	var channels []string
	for _, c := range f.Channels() {
		channels = append(channels, c.Name+" in "+c.Unit)
	}
	assert.Equal(t, []string{"time in s", "voltage in V", "battery_current in A", "motor_speed in rpm", "motor_temperature in °C"}, channels)
}

// A pause inside a line, as adapters make it, is none; a longer one cuts it.
func TestPauseInsideALine(t *testing.T) {
	for pause, whole := range map[time.Duration]bool{20 * time.Millisecond: true, 60 * time.Millisecond: false} {
		synctest.Test(t, func(t *testing.T) {
			near, far := linktest.Pipe()
			logger := lines.NewLogger(loggerFormat(t), near, port.WallClock{})
			go func() {
				text := append([]byte("\n"), line(values(1))...)
				_ = far.Write(t.Context(), text[:9])
				time.Sleep(pause)
				_ = far.Write(t.Context(), text[9:])
			}()
			_, err := logger.Next(t.Context())
			require.ErrorIs(t, err, lines.ErrHalf) // joined
			sample, err := logger.Next(t.Context())
			if whole {
				require.NoError(t, err)
				assert.InDeltaSlice(t, values(1), sample.Values, 1e-9)
				return
			}
			require.ErrorIs(t, err, lines.ErrHalf)
			stats, err := logger.Stats(t.Context())
			require.NoError(t, err)
			assert.EqualValues(t, 2, stats.Half)
		})
	}
}

// A stream at the wrong baud rate has bytes, but never a line end.
func TestNoiseWithoutEndIsStale(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		near, far := linktest.Pipe()
		ctx, stop := context.WithCancel(t.Context())
		defer stop()
		go func() {
			for (port.WallClock{}).Sleep(ctx, time.Millisecond) == nil {
				_ = far.Write(ctx, []byte{0xF0, 0x0F})
			}
		}()
		start := time.Now()
		_, err := lines.NewLogger(loggerFormat(t), near, port.WallClock{}).Next(t.Context())
		require.ErrorIs(t, err, link.ErrStale)
		assert.InDelta(t, 0.1, time.Since(start).Seconds(), 0.002)
		assert.ErrorContains(t, err, "no line for 100 ms")
	})
}

// lineRate is what 1 Mbaud carries: 10 bits a byte (8N1).
const lineRate = 100_000.0 // bytes/s

// BenchmarkParser is the parser alone. times_line_rate is how many times faster
// than 1 Mbaud it is.
func BenchmarkParser(b *testing.B) {
	text := []byte("\n")
	for n := range 100 {
		text = append(text, line(values(n%40))...)
	}
	p := lines.NewParser(loggerFormat(b))
	samples, now := 0, time.Now()
	b.SetBytes(int64(len(text)))
	b.ReportAllocs()
	for b.Loop() {
		p.Feed(text, now, func(_ link.Sample, err error) {
			if err == nil {
				samples++
			}
		})
	}
	if bad := p.Stats().Bad(); bad != 1 || samples != b.N*100 {
		b.Fatalf("%d bad lines, %d samples of %d", bad, samples, b.N*100)
	}
	b.ReportMetric(float64(samples)/b.Elapsed().Seconds(), "lines/s")
	b.ReportMetric(float64(len(text)*b.N)/b.Elapsed().Seconds()/lineRate, "times_line_rate")
}

// BenchmarkLogger is the whole way over a pseudo-terminal, as fast as it goes;
// it fails if a line is lost.
func BenchmarkLogger(b *testing.B) {
	far, name, err := port.Pseudo()
	require.NoError(b, err)
	defer far.Close()
	near, err := port.Open(port.Address{Name: name, Baud: 1_000_000, DataBits: 8, Parity: port.None, StopBits: 1})
	require.NoError(b, err)
	defer near.Close()
	logger := lines.NewLogger(loggerFormat(b), near, port.WallClock{})
	defer logger.Close()
	block := []byte{}
	for n := range 20 {
		block = append(block, line(values(n))...)
	}
	ctx, stop := context.WithCancel(b.Context())
	sent := make(chan bool)
	go func() {
		defer close(sent)
		if far.Write(ctx, []byte("\n")) != nil {
			return
		}
		for far.Write(ctx, block) == nil {
		}
	}()
	_, err = logger.Next(ctx)
	require.ErrorIs(b, err, lines.ErrHalf)
	bytes, next := 0, 0
	for b.Loop() {
		sample, err := logger.Next(ctx)
		if err != nil {
			b.Fatal(err)
		}
		if got, want := sample.Values[0], float64(next%20)/10; math.Abs(got-want) > 1e-9 {
			b.Fatalf("line %d lost: got %g, want %g", next, got, want)
		}
		next++
		bytes += len(block) / 20
	}
	b.ReportMetric(float64(next)/b.Elapsed().Seconds(), "lines/s")
	b.ReportMetric(float64(bytes)/b.Elapsed().Seconds()/lineRate, "times_line_rate")
	stop()
	<-sent
}
