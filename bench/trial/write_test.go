package trial_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"quaybench/bench/trial"
)

// TestWriteBuiltin: every built-in trial comes back as it was.
func TestWriteBuiltin(t *testing.T) {
	for _, name := range trial.Names() {
		want, err := trial.Builtin(name)
		require.NoError(t, err)
		got, err := trial.Read(name+".toml", trial.Write(want))
		require.NoError(t, err, "%s\n%s", name, trial.Write(want))
		assert.Equal(t, want, got, name)
	}
}

// TestWriteAny: whatever numbers and texts a trial holds.
func TestWriteAny(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		base, err := trial.Builtin("harbour")
		require.NoError(t, err)
		want := *base
		want.Name = rapid.StringN(1, 20, 60).Draw(t, "name")
		want.CoolingLostFrom = rapid.SampledFrom([]float64{math.Inf(1), 12.5}).Draw(t, "cooling lost")
		want.Moored = rapid.Bool().Draw(t, "moored")
		want.Throttle = nil
		at := 0.0
		for range rapid.IntRange(1, 6).Draw(t, "steps") {
			at += rapid.Float64Range(1e-6, 100).Draw(t, "at")
			want.Throttle = append(want.Throttle, trial.Step{At: at, To: rapid.Float64Range(-1, 1).Draw(t, "to"), Over: rapid.Float64Range(0, 10).Draw(t, "over")})
		}
		want.Duration = at + 1
		got, err := trial.Read("any.toml", trial.Write(&want))
		require.NoError(t, err, string(trial.Write(&want)))
		assert.Equal(t, want.Name, got.Name)
		assert.Equal(t, want.Throttle, got.Throttle)
		assert.Equal(t, want.Duration, got.Duration)
		assert.Equal(t, want.Moored, got.Moored)
		assert.Equal(t, math.IsInf(want.CoolingLostFrom, 1), got.CoolingLostFrom > 1e6)
	})
}
