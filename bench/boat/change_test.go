package boat_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/benchtest"
	"quaybench/bench/boat"
)

// TestAnEditOfThePropellerIsNoticed: who edits a propeller in the file, beside a measured point of another one, is told so; where
// the file does not say what the point was measured with, that assumption is named.
func TestAnEditOfThePropellerIsNoticed(t *testing.T) {
	petrel := string(benchtest.File(t, "petrel", "boat.toml"))
	read := func(pairs ...string) *boat.Boat {
		text := petrel
		for i := 0; i < len(pairs); i += 2 {
			require.Contains(t, text, pairs[i])
			text = strings.Replace(text, pairs[i], pairs[i+1], 1)
		}
		b, _, err := boat.Read("boat.toml", []byte(text))
		require.NoError(t, err)
		return b
	}
	assert.Empty(t, read().Estimates(), "as measured")
	assert.Empty(t, read(`"0.22 m, measured"`, `"220 mm"`).Estimates(), "the same in another unit")

	for edit, says := range map[string]string{
		"\npitch = \"0.22 m":    "pitch 0.220 m, now 0.400 m",
		"\ndiameter = \"0.30 m": "diameter 0.300 m, now 0.400 m",
	} {
		key, _, _ := strings.Cut(edit, `"`)
		changed := read(edit, key+`"0.40 m`)
		assert.True(t, changed.Propeller.Changed(), edit)
		require.Len(t, changed.Estimates(), 1)
		assert.Contains(t, changed.Estimates()[0], says)
	}
	assert.Contains(t, read("\nblades = 3", "\nblades = 4").Estimates()[0], "3 blades, now 4")

	silent := read("measured_pitch = \"0.22 m, measured\"\n", "", "measured_blades = 3\n", "")
	require.Len(t, silent.Estimates(), 1)
	assert.Contains(t, silent.Estimates()[0], "does not give measured_pitch, measured_blades")
	anew, err := silent.With("propeller.measured_power", "2.5 kW")
	require.NoError(t, err)
	assert.Empty(t, anew.Estimates(), "a point set now is of the propeller fitted now")

	_, _, err = boat.Read("boat.toml", []byte(strings.Replace(petrel, "\npitch = \"0.22 m, measured\"", "", 1)))
	assert.ErrorContains(t, err, "needs pitch of the propeller fitted now")
}
