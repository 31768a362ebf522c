// Package learntest gives tests records to learn from: what noisy meters show of a simulated boat whose values are not quite those of its file.
package learntest

import (
	"bytes"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"quaybench/bench/boat"
	"quaybench/bench/datafile"
	"quaybench/bench/record"
	"quaybench/bench/settings"
	"quaybench/bench/simulate"
	"quaybench/bench/trial"
)

// Outing says what was measured on an invented outing.
type Outing struct {
	Boat     *boat.Boat
	Settings settings.Set
	Trial    *trial.Trial       // nil: HalfHour
	True     map[string]float64 // what the true boat has more of each value of its file, as a share: "motor.constant": 0.05
	Change   func(*boat.Boat)   // what else is different about it; nil: nothing
	Every    float64            // s between rows; 0: 60
	Traces   []string           // of the record; nil: voltage, both currents, boat speed
	Lever    bool               // is in the record
	Gap      func(row int) bool // a row in which only the first trace was read; nil: none
	Meters   map[string]*record.Meter
	Clock    string // when it began
	Seed     uint64
}

// HalfHour is half an hour with ten movements of the lever.
func HalfHour(t testing.TB) *trial.Trial {
	t.Helper()
	text := "name = \"half-hour\"\nduration = \"1800 s\"\n"
	for _, s := range [][3]string{{"2", "35", "3"}, {"150", "60", "3"}, {"390", "80", "3"}, {"630", "100", "3"}, {"780", "50", "3"}, {"1020", "90", "3"}, {"1290", "0", "2"}, {"1380", "70", "3"}, {"1620", "40", "3"}, {"1740", "0", "2"}} {
		text += "[[throttle]]\nat = \"" + s[0] + " s\"\nto = \"" + s[1] + " %\"\nover = \"" + s[2] + " s\"\n"
	}
	out, err := trial.Read("half-hour", []byte(text))
	require.NoError(t, err)
	return out
}

// noise is the standard deviation of one reading, SI.
var noise = map[string]float64{record.Voltage: 0.05, record.BatteryCurrent: 0.8, record.MotorCurrent: 1, record.MotorSpeed: 0.8, record.BoatSpeed: 0.03}

// Run returns the outing's record.
func (o Outing) Run(t testing.TB) *record.Run {
	t.Helper()
	if o.Trial == nil {
		o.Trial = HalfHour(t)
	}
	if o.Every == 0 {
		o.Every = 60
	}
	if o.Traces == nil {
		o.Traces = []string{record.Voltage, record.BatteryCurrent, record.MotorCurrent, record.BoatSpeed}
	}
	truth := *o.Boat
	for key, share := range o.True {
		now, ok := datafile.Number(&truth, key)
		require.True(t, ok, key)
		require.NoError(t, datafile.SetNumber(&truth, key, now*(1+share)))
	}
	if o.Change != nil {
		o.Change(&truth)
	}
	var at []float64
	for x := o.Every / 2; x < o.Trial.Duration-o.Every/4; x += o.Every {
		at = append(at, x)
	}
	run, err := simulate.Run(t.Context(), &truth, o.Settings, o.Trial, simulate.Options{At: at})
	require.NoError(t, err)
	rng := rand.New(rand.NewPCG(o.Seed, 16))
	out := &record.Run{Boat: o.Boat.Name, Trial: o.Trial.Name, Time: at}
	out.Provenance = record.Provenance{Source: "controller on /dev/ttyUSB0 (invented)", Program: string(trial.Write(o.Trial)), Clock: o.Clock}
	if o.Lever {
		lever := record.Trace{Name: record.Lever, Unit: "%"}
		for _, x := range at {
			lever.Values = append(lever.Values, o.Trial.Lever(x)(x))
		}
		out.Traces = append(out.Traces, lever)
	}
	for i, name := range o.Traces {
		tr, ok := run.Trace(name)
		require.True(t, ok, name)
		sd, ok := noise[name]
		if !ok {
			sd = 0.5 // a thermometer, K
		}
		shown := record.Trace{Name: name, Unit: tr.Unit, Gaps: o.Gap != nil && i > 0, Meter: o.Meters[name]}
		for k, x := range at {
			v := run.At(tr, x) + sd*rng.NormFloat64()
			if shown.Gaps && o.Gap(k) {
				v = math.NaN()
			}
			shown.Values = append(shown.Values, v)
		}
		out.Traces = append(out.Traces, shown)
	}
	return out
}

// Text returns the outing's record as a file.
func (o Outing) Text(t testing.TB) []byte {
	t.Helper()
	var text bytes.Buffer
	require.NoError(t, record.Write(&text, o.Run(t)))
	return text.Bytes()
}
