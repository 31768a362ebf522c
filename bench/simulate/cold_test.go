package simulate_test

import (
	"context"
	"math"
	"os"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/boat"
	"quaybench/bench/quantity"
	"quaybench/bench/record"
	"quaybench/bench/settings"
	"quaybench/bench/simulate"
	"quaybench/bench/trial"
	"quaybench/bench/verdict"
)

// cold runs testdata/cold-crash-stop.toml on petrel, changed, and judges it.
func cold(t *testing.T, change func(b *boat.Boat, s *settings.Set, tr *trial.Trial)) verdict.Trial {
	t.Helper()
	const file = "testdata/cold-crash-stop.toml"
	text, err := os.ReadFile(file)
	require.NoError(t, err)
	tr, err := trial.Read(file, text)
	require.NoError(t, err)
	s := setup(t, "petrel")
	b, set := *s.Boat, s.Settings
	change(&b, &set, tr)
	r, err := simulate.Run(context.Background(), &b, set, tr, simulate.Options{})
	require.NoError(t, err)
	assert.Less(t, math.Abs(r.Energy.Residual), 1e-4*r.Energy.Throughput)
	v, err := verdict.Judge(r)
	require.NoError(t, err)
	return v
}

// charged returns the judgement of the part, if there is one.
func charged(v verdict.Trial) (verdict.Part, bool) {
	for _, p := range v.Parts {
		if p.Name == "charging in the cold" {
			return p, true
		}
	}
	return verdict.Part{}, false
}

// TestBrakingIntoAFrozenBatteryIsOver: lithium cells must not be charged below freezing, and braking charges.
func TestBrakingIntoAFrozenBatteryIsOver(t *testing.T) {
	v := cold(t, func(*boat.Boat, *settings.Set, *trial.Trial) {})
	p, ok := charged(v)
	require.True(t, ok)
	assert.Equal(t, verdict.Over, p.Level)
	assert.Equal(t, verdict.Over, v.Level)
	assert.Greater(t, p.Crossed, 40.0, "when the lever has gone astern, not before")
	volts, _ := v.Run.Trace(record.BatteryCurrent)
	assert.InDelta(t, -v.Run.At(volts, p.At), p.Peak, 0.01, "it is the current that flows back")
	assert.InDelta(t, 2, p.Limit, 1e-9, "200 A·h in a hundred hours count as nothing")

	for name, change := range map[string]func(b *boat.Boat, s *settings.Set, tr *trial.Trial){
		"a warm battery":     func(_ *boat.Boat, _ *settings.Set, tr *trial.Trial) { tr.Start.Battery = quantity.Exactly(278.15) },
		"no braking current": func(_ *boat.Boat, s *settings.Set, _ *trial.Trial) { s.Limits.BrakingCurrent = 0 },
		"cells that bear -10 °C": func(b *boat.Boat, _ *settings.Set, _ *trial.Trial) {
			b.Battery.ChargeLowestTemperature = quantity.Exactly(263.15)
		},
	} {
		p, ok := charged(cold(t, change))
		require.True(t, ok, name)
		assert.Equal(t, verdict.Clear, p.Level, "%s: %+v", name, p)
	}
	_, ok = charged(cold(t, func(b *boat.Boat, _ *settings.Set, _ *trial.Trial) {
		b.Battery.ChargeLowestTemperature = quantity.Value{}
	}))
	assert.False(t, ok, "lead-acid, for one, knows no such limit")
}
