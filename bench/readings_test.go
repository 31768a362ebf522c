package bench_test

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench"
	"quaybench/bench/readings"
	"quaybench/bench/record"
	"quaybench/bench/simulate"
	"quaybench/bench/trial"
	"quaybench/bench/verdict"
)

// halfHourMoored is half an hour of full throttle, held fast.
const halfHourMoored = "name = \"half hour\"\nduration = \"30 min\"\nmoored = true\n[[throttle]]\nat = \"2 s\"\nto = \"100 %\"\n"

// wrote returns what a logger with four meters writes of a boat's half hour, a row each 5 s, and what somebody reads on the motor's housing, if anything, by its true
// temperature in °C each five minutes.
func wrote(t *testing.T, s *bench.Setup, held *trial.Trial, from float64, unread func(at float64) bool, housing func(at, truth float64) float64) ([]byte, *record.Run) {
	t.Helper()
	run, err := simulate.Run(t.Context(), s.Boat, s.Settings, held, simulate.Options{})
	require.NoError(t, err)
	var text strings.Builder
	text.WriteString("time [s],lever [%],voltage [V],battery current [A],motor current [A],motor speed [rad/s],motor housing (infrared) [°C]\n")
	for at := from; at <= held.Duration; at += 5 {
		if unread != nil && unread(at) {
			continue
		}
		value := func(name string) float64 {
			tr, ok := run.Trace(name)
			require.True(t, ok, name)
			return run.At(tr, at)
		}
		spot := ""
		if housing != nil && math.Mod(at, 300) == 0 {
			spot = fmt.Sprintf("%.4g", housing(at, value("motor housing")-273.15))
		}
		fmt.Fprintf(&text, "%g,%g,%.5g,%.5g,%.5g,%.5g,%s\n", at, 100*held.Lever(at)(at), value(record.Voltage), value(record.BatteryCurrent), value(record.MotorCurrent), value(record.MotorSpeed), spot)
	}
	return []byte(text.String()), run
}

func takeIn(t *testing.T, s *bench.Setup, held *trial.Trial, text []byte) *bench.Logged {
	t.Helper()
	u, err := readings.Read("log.csv", text, nil, 0)
	require.NoError(t, err)
	l, err := bench.JudgeReadings(t.Context(), s, []*readings.Understood{u}, held)
	require.NoError(t, err)
	require.Empty(t, l.NotInferred)
	return l
}

func partOf(t *testing.T, v *verdict.Trial, name string) verdict.Part {
	t.Helper()
	i := slices.IndexFunc(v.Parts, func(p verdict.Part) bool { return p.Name == name })
	require.GreaterOrEqual(t, i, 0, name)
	return v.Parts[i]
}

// TestReadingsTellWhatTheyTakeForGranted: a record of readings has bands and assumptions like a step test's, and comes to JSON with all of it, gaps too.
func TestReadingsTellWhatTheyTakeForGranted(t *testing.T) {
	s := drawnFew(t, "petrel")
	held, err := trial.Read("held.toml", []byte(halfHourMoored))
	require.NoError(t, err)
	text, truth := wrote(t, s, held, 0, nil, nil)
	l := takeIn(t, s, held, text)
	assert.Equal(t, verdict.Clear, l.Verdict.Level, "%q", l.Verdict.Unjudged)
	assert.Contains(t, l.Run.Assumed, "cooling is as the boat file has it")
	winding, ok := l.Run.Trace("winding")
	require.True(t, ok)
	was, _ := truth.Trace("winding")
	last := len(winding.Values) - 1
	assert.InDelta(t, was.Values[len(was.Values)-1], winding.Values[last], 0.2)
	assert.Less(t, winding.Low[last], winding.Values[last]-1)
	assert.Greater(t, winding.High[last], winding.Values[last]+1)

	text, _ = wrote(t, s, held, 0, func(at float64) bool { return at > 60 && at < 1740 }, nil)
	l = takeIn(t, s, held, text)
	assert.Equal(t, verdict.NotJudged, l.Verdict.Level)
	for _, name := range []string{"winding", "commutator", "motor cable", "battery", "fuse", "power stage", "rotor speed"} {
		assert.Equal(t, verdict.NotJudged, partOf(t, &l.Verdict, name).Level, name)
	}
	assert.Contains(t, strings.Join(l.Verdict.Unjudged, "\n"), "from 60 s to 29 min there are no readings (28 min)")
	i := slices.IndexFunc(l.Run.Events, func(e record.Event) bool { return e.Device == "readings" })
	require.GreaterOrEqual(t, i, 0)
	assert.Equal(t, []float64{60, 1740}, []float64{l.Run.Events[i].At, l.Run.Events[i].Until})

	out, err := json.Marshal(l)
	require.NoError(t, err)
	var back struct {
		Verdict string
		Assumed []string
		Trial   struct {
			NotJudged []string `json:"not_judged"`
			Parts     []struct {
				Part, Verdict string
				Why           string `json:"not_judged_because"`
			}
		}
	}
	require.NoError(t, json.Unmarshal(out, &back))
	assert.Equal(t, "not judged", back.Verdict)
	assert.NotEmpty(t, back.Assumed)
	assert.NotEmpty(t, back.Trial.NotJudged)
	assert.Equal(t, "not known from 60 s on, since nobody saw what went on", back.Trial.Parts[0].Why)
}

// TestAThermometerHeldToAPart: a thermometer that reads low, now and then, makes no part cooler than its currents do; one that shows more than its error and they explain is
// believed, and what the same current heats is not judged. Before, the part was judged by the thermometer alone.
func TestAThermometerHeldToAPart(t *testing.T) {
	s := drawnFew(t, "petrel")
	held, err := trial.Read("held.toml", []byte(halfHourMoored))
	require.NoError(t, err)
	text, truth := wrote(t, s, held, 0, nil, func(_, truth float64) float64 { return truth - 20 })
	l := takeIn(t, s, held, text)
	was, _ := truth.Trace("motor housing")
	peak := was.Values[len(was.Values)-1]
	assert.InDelta(t, peak, partOf(t, &l.Verdict, "motor housing").Peak, 0.2)
	assert.Equal(t, verdict.Clear, l.Verdict.Level, "%q", l.Verdict.Unjudged)

	text, _ = wrote(t, s, held, 0, nil, func(at, truth float64) float64 { return truth + 20*at/1800 })
	l = takeIn(t, s, held, text)
	assert.InDelta(t, peak+20, partOf(t, &l.Verdict, "motor housing").Peak, 0.2)
	assert.Equal(t, verdict.NotJudged, partOf(t, &l.Verdict, "winding").Level)
	assert.Equal(t, verdict.Clear, partOf(t, &l.Verdict, "battery cable").Level)
	assert.Contains(t, strings.Join(l.Verdict.Unjudged, "\n"), "a thermometer on the motor housing showed")
}

// TestReadingsThatBeginUnderLoad: the parts begin as hot as the first row's currents make them for ever, which the record says.
func TestReadingsThatBeginUnderLoad(t *testing.T) {
	s := drawnFew(t, "petrel")
	held, err := trial.Read("held.toml", []byte(strings.Replace(halfHourMoored, "100 %", "80 %", 1)))
	require.NoError(t, err)
	text, truth := wrote(t, s, held, 900, nil, nil)
	l := takeIn(t, s, held, text)
	was, _ := truth.Trace("winding")
	winding := partOf(t, &l.Verdict, "winding")
	assert.GreaterOrEqual(t, winding.Peak, was.Values[len(was.Values)-1])
	assert.Equal(t, verdict.Clear, winding.Level)
	assert.True(t, slices.ContainsFunc(l.Run.Assumed, func(a string) bool { return strings.HasPrefix(a, "the record begins under load") }), "%q", l.Run.Assumed)
}

// TestLearnRefusesReadingsThatDenyEachOther: nothing is learned from, and no cause sought in, a record whose channels cannot all be right.
func TestLearnRefusesReadingsThatDenyEachOther(t *testing.T) {
	s := drawnFew(t, "petrel")
	held, err := trial.Read("held.toml", []byte(halfHourMoored))
	require.NoError(t, err)
	text, _ := wrote(t, s, held, 0, nil, nil)
	write := func(l *bench.Logged) []byte {
		var out strings.Builder
		require.NoError(t, record.Write(&out, l.Run))
		return []byte(out.String())
	}
	l := takeIn(t, s, held, text)
	_, err = bench.ReadRecord(s, "log.csv", write(l), nil)
	require.NoError(t, err)
	tr, _ := l.Run.Trace(record.MotorCurrent)
	for i := range tr.Values {
		tr.Values[i] /= 10
	}
	_, err = bench.ReadRecord(s, "log.csv", write(l), nil)
	require.ErrorAs(t, err, new(*bench.RecordError))
	assert.ErrorContains(t, err, "the motor current is shown as a tenth of what it is")
}
