package scpi_test

import (
	"context"
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"quaybench/bench/link"
	"quaybench/bench/link/linktest"
	"quaybench/bench/link/port"
	"quaybench/bench/link/scpi"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

const supply = `
title = "bench supply (invented)"
speaks = "SCPI"
identity = "PS-60"
answer_within = "100 ms"
every = "0 s"
[[query]]
ask = "MEAS:VOLT?"
name = "voltage"
unit = "V"
scale = "1 V"
min = "0 V"
max = "100 V"
error = "± 0.1 % ± 20 mV"
`

const current = `
[[query]]
ask = "MEAS:CURR?"
name = "battery_current"
unit = "A"
scale = "1 mA"
`

func format(t testing.TB, text string) *scpi.Format {
	t.Helper()
	f, err := scpi.Load("supply.toml", []byte(text))
	require.NoError(t, err)
	return f
}

// box answers lines as a function does, "" by silence, and keeps what it was sent.
type box struct {
	mu     sync.Mutex
	heard  []string
	answer func(ask string) string
}

func (b *box) serve(ctx context.Context, p port.Port) {
	input := ""
	buffer := make([]byte, 256)
	for {
		n, err := p.Read(ctx, buffer, time.Hour)
		if err != nil {
			return
		}
		input += string(buffer[:n])
		for {
			line, rest, ok := strings.Cut(input, "\n")
			if !ok {
				break
			}
			input = rest
			b.mu.Lock()
			b.heard = append(b.heard, strings.TrimSuffix(line, "\r"))
			text := b.answer(strings.TrimSuffix(line, "\r"))
			b.mu.Unlock()
			if text != "" {
				_ = p.Write(ctx, []byte(text))
			}
		}
	}
}

// asked returns what the box heard so far.
func (b *box) asked() []string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return slices.Clone(b.heard)
}

// connect puts an instrument at the near end and a box at the far end.
func connect(t *testing.T, f *scpi.Format, answer func(ask string) string) (*scpi.Instrument, *box, func()) {
	near, far := linktest.Pipe()
	b := &box{answer: answer}
	ctx, stop := context.WithCancel(t.Context())
	done := make(chan bool)
	go func() { defer close(done); b.serve(ctx, far) }()
	i := scpi.NewInstrument(f, near, port.WallClock{})
	return i, b, func() {
		stop()
		<-done
		_ = i.Close()
	}
}

// TestInstrumentConforms: see linktest.Instrument.
func TestInstrumentConforms(t *testing.T) {
	f := format(t, supply)
	linktest.Instrument(t, 1e-9, func(n int) []float64 { return []float64{float64(n) / 8} }, func(t *testing.T) linktest.Stream {
		near, far := linktest.Pipe()
		var waiting []string
		b := &box{}
		b.answer = func(ask string) string {
			switch {
			case ask == "*IDN?":
				return "Yard,PS-60 (invented),0,1.0\n"
			case len(waiting) == 0:
				return ""
			case ask == "SYST:ERR?":
				return "0,\"No error\"\r\n"
			}
			text := waiting[0]
			waiting = waiting[1:]
			return text
		}
		go b.serve(t.Context(), far)
		i := scpi.NewInstrument(f, near, port.WallClock{})
		t.Cleanup(func() { near.Close(); far.Close() })
		say := func(text string) {
			b.mu.Lock()
			defer b.mu.Unlock()
			waiting = append(waiting, text)
		}
		return linktest.Stream{
			Instrument: i,
			Send:       func(values []float64) { say(fmt.Sprintf("%+.8E\n", values[0])) },
			Garble:     func() { say("\xff\x13garbled\n") },
			Unplug:     func() { far.Close() },
		}
	})
}

// vectors returns the rows of testdata/can/vectors.csv about SCPI, each with its source.
func vectors(t testing.TB) map[string][]string {
	file, err := os.Open("../../../testdata/can/vectors.csv")
	require.NoError(t, err)
	defer file.Close()
	all, err := csv.NewReader(file).ReadAll()
	require.NoError(t, err)
	rows := map[string][]string{}
	for _, r := range all {
		if r[1] == "scpi" {
			rows[r[0]] = r
		}
	}
	require.Len(t, rows, 9)
	return rows
}

// TestPublishedAnswers: overload, infinity and no number are no reading; other numbers are, in whatever form.
func TestPublishedAnswers(t *testing.T) {
	rows := vectors(t)
	for answer, want := range map[string]float64{
		rows["V-C2"][3]: 51.234, rows["V-C3"][3]: math.NaN(), rows["V-C4"][3]: math.NaN(), rows["V-C5"][3]: math.NaN(),
		"9.90000E+37": math.NaN(), "+9.91000000E+37": math.NaN(), "-9.9E+37": math.NaN(), "9.899E37": math.Inf(1),
		"51.234": 51.234, "+51.234": 51.234, " 5.1234e1 \r": 51.234, ".51234E2": 51.234, "-0": 0, "101": math.Inf(1), "-1": math.Inf(1),
		"51.234 V": -1, "OVERLOAD": -1, "nan": -1, "": -2, "1,2": -1, "0x10": -1, "1e999": -1, "--5": -1, "5 1": -1,
	} {
		synctest.Test(t, func(t *testing.T) {
			i, _, done := connect(t, format(t, supply), func(ask string) string {
				switch ask {
				case "*IDN?":
					return rows["V-C1"][3] + " PS-60\n"
				case "SYST:ERR?":
					return rows["V-C8"][3] + "\n"
				}
				return answer + "\n"
			})
			defer done()
			s, err := i.Next(t.Context())
			var impossible *link.ImpossibleError
			switch {
			case math.IsInf(want, 1):
				assert.ErrorAs(t, err, &impossible, answer)
			case want < 0:
				var wrong *scpi.Error
				assert.ErrorAs(t, err, &wrong, answer)
				assert.NotErrorIs(t, err, link.ErrStale)
			case math.IsNaN(want):
				require.NoError(t, err, answer)
				assert.True(t, math.IsNaN(s.Values[0]), answer)
				_, ok := s.Time(0)
				assert.True(t, ok, "that there is none is something new")
			default:
				require.NoError(t, err, answer)
				assert.InDelta(t, want, s.Values[0], 1e-9, answer)
			}
		})
	}
}

// TestTwoQueries: each sample has the one channel that was asked for, between question and answer; milliampere are what the file says.
func TestTwoQueries(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		i, b, done := connect(t, format(t, strings.Replace(supply, `every = "0 s"`, "every = \"1 s\"\nremote = true", 1)+current), func(ask string) string {
			time.Sleep(20 * time.Millisecond)
			return map[string]string{"*IDN?": "Yard,PS-60,0,1\n", "MEAS:VOLT?": "48.5\n", "MEAS:CURR?": "1250\n"}[ask]
		})
		defer done()
		begun := time.Now()
		for n := range 4 {
			before := time.Now()
			s, err := i.Next(t.Context())
			require.NoError(t, err)
			was, ok := s.Time(n % 2)
			require.True(t, ok)
			if n > 0 {
				assert.Equal(t, 10*time.Millisecond, s.At.Sub(was))
			}
			_, ok = s.Time(1 - n%2)
			assert.False(t, ok)
			assert.InDelta(t, []float64{48.5, 1.25}[n%2], s.Values[n%2], 1e-12)
			if n == 2 {
				assert.Greater(t, time.Since(before), 900*time.Millisecond, "rounds are a second apart")
			}
		}
		assert.Less(t, time.Since(begun), 1400*time.Millisecond)
		assert.Equal(t, []string{"SYST:REM", "*IDN?", "MEAS:VOLT?", "MEAS:CURR?", "MEAS:VOLT?", "MEAS:CURR?"}, b.asked())
	})
}

// TestEcho: an instrument that sends back what it is sent is read all the same.
func TestEcho(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		i, _, done := connect(t, format(t, supply+current), func(ask string) string {
			return ask + "\r\n" + map[string]string{"*IDN?": "Yard,PS-60,0,1\r\n", "MEAS:VOLT?": "48.5\r\n", "MEAS:CURR?": "1250\r\n", "SYST:ERR?": "0,\"No error\"\r\n"}[ask]
		})
		defer done()
		for n := range 6 {
			s, err := i.Next(t.Context())
			require.NoError(t, err)
			assert.InDelta(t, []float64{48.5, 1.25}[n%2], s.Values[n%2], 1e-12)
		}
	})
}

// TestASlowMeter: one that takes longer for a round than a hard limit may wait for a reading still reads right.
func TestASlowMeter(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		i, _, done := connect(t, format(t, strings.Replace(supply, `answer_within = "100 ms"`, `answer_within = "2 s"`, 1)+current), func(ask string) string {
			time.Sleep(1200 * time.Millisecond)
			return map[string]string{"*IDN?": "Yard,PS-60,0,1\n", "MEAS:VOLT?": "48.5\n", "MEAS:CURR?": "1250\n"}[ask]
		})
		defer done()
		for n := range 4 {
			s, err := i.Next(t.Context())
			require.NoError(t, err)
			was, _ := s.Time(n % 2)
			assert.Equal(t, 600*time.Millisecond, s.At.Sub(was), "between question and answer")
		}
	})
}

// TestUnknownQuery: silence, then what the error queue says; the next query is asked when it is empty.
func TestUnknownQuery(t *testing.T) {
	rows := vectors(t)
	synctest.Test(t, func(t *testing.T) {
		queue := []string{rows["V-C7"][3], rows["V-C9"][3]}
		i, b, done := connect(t, format(t, supply+current), func(ask string) string {
			switch ask {
			case "*IDN?":
				return "Yard,PS-60,0,1\n"
			case "MEAS:CURR?":
				return "1250\n"
			case "SYST:ERR?":
				if len(queue) == 0 {
					return "+0,\"No error\"\n"
				}
				first := queue[0]
				queue = queue[1:]
				return first + "\n"
			}
			return ""
		})
		defer done()
		_, err := i.Next(t.Context())
		assert.EqualError(t, err, `MEAS:VOLT?: no answer within 100ms; the instrument says -113,"Undefined header", -350,"Queue overflow"`)
		s, err := i.Next(t.Context())
		require.NoError(t, err)
		assert.InDelta(t, 1.25, s.Values[1], 1e-12)
		assert.Equal(t, []string{"*IDN?", "MEAS:VOLT?", "SYST:ERR?", "SYST:ERR?", "SYST:ERR?", "MEAS:CURR?"}, b.asked())
	})
}

// TestALateAnswerIsNotTheNextOnes: a voltage that comes after its time-out is not taken for the current.
func TestALateAnswerIsNotTheNextOnes(t *testing.T) {
	for _, late := range []time.Duration{110 * time.Millisecond, 155 * time.Millisecond, 300 * time.Millisecond, 900 * time.Millisecond} {
		synctest.Test(t, func(t *testing.T) {
			slow := true
			i, _, done := connect(t, format(t, supply+current), func(ask string) string {
				switch ask {
				case "*IDN?":
					return "Yard,PS-60,0,1\n"
				case "MEAS:CURR?":
					return "1250\n"
				case "SYST:ERR?":
					return "0,\"No error\"\n"
				}
				if slow {
					slow = false
					time.Sleep(late) // it answers one thing after the other
				}
				return "48.5\n"
			})
			defer done()
			got := [2]int{}
			for range 12 {
				s, err := i.Next(t.Context())
				if err != nil {
					continue
				}
				for k, want := range []float64{48.5, 1.25} {
					if _, ok := s.Time(k); ok {
						assert.InDelta(t, want, s.Values[k], 1e-12, "late by %v", late)
						got[k]++
					}
				}
			}
			assert.Greater(t, got[0], 2, "late by %v", late)
			assert.Greater(t, got[1], 2, "late by %v", late)
		})
	}
}

// TestWhoIsThere: another instrument, a stream of sentences, noise and silence are refused before anything is measured.
func TestWhoIsThere(t *testing.T) {
	for name, c := range map[string]struct{ idn, want string }{
		"another": {"Yard,DMM-4,0,1\n", `it is "Yard,DMM-4,0,1", and "PS-60" belongs here`},
		"a GPS":   {"$GPGSV,1,1,00*79\r\n", "which instrument is on this port"},
		"noise":   {"\xf0\x0f\xf0\n", "check the baud rate"},
		"no end":  {"\xf0\x0f\xf0", "check the baud rate"},
		"silence": {"", "no answer within 100ms, nor to SYST:ERR?"},
	} {
		synctest.Test(t, func(t *testing.T) {
			i, b, done := connect(t, format(t, supply), func(ask string) string { return map[string]string{"*IDN?": c.idn}[ask] })
			defer done()
			for range 2 {
				_, err := i.Next(t.Context())
				assert.ErrorContains(t, err, c.want, name)
			}
			assert.NotContains(t, b.asked(), "MEAS:VOLT?", name)
		})
	}
}

// TestABabbler: what sends by itself, without end, is told from a meter that is off.
func TestABabbler(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		near, far := linktest.Pipe()
		ctx, stop := context.WithCancel(t.Context())
		go func() {
			for ctx.Err() == nil {
				_ = far.Write(ctx, []byte(strings.Repeat("0.1,0.2,0.3\n", 700)))
				time.Sleep(10 * time.Millisecond)
			}
		}()
		i := scpi.NewInstrument(format(t, supply), near, port.WallClock{})
		_, err := i.Next(ctx)
		assert.EqualError(t, err, `SYST:ERR?: no answer within 100ms, and other things come by themselves ("0.1,0.2,0.3"): check the baud rate, and which instrument is on this port`)
		stop()
		time.Sleep(time.Second)
	})
}

// TestOnlyQueries: nothing that sets or acts can stand in a file.
func TestOnlyQueries(t *testing.T) {
	for _, ask := range []string{"VOLT 12", "OUTP ON", "MEAS:VOLT?;OUTP ON", "*RST", "*TST?", "*CAL?", "CAL:ALL?", "DIAG:TEST?", "TEST:ALL?", "SYST:ERR?", "OUTP?", "INIT?", "MEAS:VOLT", "?", "MEAS:VOLT? 1;*RST", "MEAS:VOLT?\\nOUTP ON", "VOLT 12?", "MEAS VOLT?"} {
		_, err := scpi.Load("supply.toml", []byte(strings.Replace(supply, "MEAS:VOLT?", ask, 1)))
		assert.ErrorContains(t, err, "supply.toml:", ask)
	}
	for _, ask := range []string{"MEAS:VOLT:DC? 10,0.001", "FETC?", ":READ?", "MEASure:CURRent:DC? (@101)", "meas:volt?", "R1?"} {
		_, err := scpi.Load("supply.toml", []byte(strings.Replace(supply, "MEAS:VOLT?", ask, 1)))
		assert.NoError(t, err, ask)
	}
}

// TestServer: the simulated meter knows long and short forms, keeps its errors, and does not answer what it does not know.
func TestServer(t *testing.T) {
	s := &scpi.Server{Identity: "Yard,DMM (invented),0,1", Readings: map[string]func() float64{
		"MEASure[:SCALar]:VOLTage[:DC]?": func() float64 { return 51.234 },
		"MEASure[:SCALar]:CURRent[:DC]?": func() float64 { return math.Inf(1) },
	}}
	for _, c := range []struct{ ask, want string }{
		{"*IDN?", "Yard,DMM (invented),0,1"}, {"MEAS:VOLT?", "+5.123400E+01"}, {"MEASURE:SCALAR:VOLTAGE:DC?", "+5.123400E+01"}, {":meas:volt:dc? 10", "+5.123400E+01"},
		{"MEAS:CURR?", "+9.900000E+37"}, {"MEAS:VOLT", ""}, {"MEASU:VOLT?", ""}, {"VOLT?", ""}, {"MEAS:VOLT:AC?", ""},
		{"SYST:ERR?", `-113,"Undefined header"`}, {"SYSTEM:ERROR:NEXT?", `-113,"Undefined header"`}, {"syst:err?", `-113,"Undefined header"`}, {"SYST:ERR?", `-113,"Undefined header"`}, {"SYST:ERR?", `0,"No error"`},
		{"*IDN?;MEAS:VOLT?", "Yard,DMM (invented),0,1;+5.123400E+01"}, {"SYST:REM", ""}, {"SYST:ERR?", `0,"No error"`},
	} {
		assert.Equal(t, c.want, s.Answer(c.ask), c.ask)
	}
}

func FuzzAnswer(f *testing.F) {
	for _, r := range vectors(f) {
		f.Add(r[3])
	}
	for _, text := range []string{"", "1", "9.9E37", "-,-", "1,2,3", "\xff", "48.5 V", "1e400", strings.Repeat("9", 500)} {
		f.Add(text)
	}
	form := format(f, strings.Replace(supply, `ask =`, "field = 1\nask =", 1))
	f.Fuzz(func(t *testing.T, answer string) {
		v, err := scpi.Read(form, 0, answer)
		if err == nil && (math.IsInf(v, 0) || v >= 9.9e37) {
			t.Fatalf("%q: %g", answer, v)
		}
	})
}

func FuzzLoad(f *testing.F) {
	f.Add([]byte(supply + current))
	f.Add([]byte("speaks = \"SCPI\"\n[[query]]\nask = \"*RST\"\n"))
	f.Fuzz(func(t *testing.T, text []byte) {
		form, err := scpi.Load("supply.toml", text)
		if err == nil && len(form.Channels()) == 0 {
			t.Fatalf("%q: an instrument without readings", text)
		}
	})
}
