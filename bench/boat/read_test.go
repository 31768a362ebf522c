package boat_test

import (
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/boat"
)

// petrel returns the text of a sound boat file.
func petrel(t *testing.T) string {
	text, err := os.ReadFile("../../testdata/reference/boats/petrel/boat.toml")
	require.NoError(t, err)
	return string(text)
}

// TestBankByItsEnergy: labels state kWh; 16 cells of 3.2 V with 10.24 kWh have 200 A·h.
func TestBankByItsEnergy(t *testing.T) {
	const capacity = `capacity = "200 A·h ± 5 %, data sheet"`
	text := petrel(t)
	require.Contains(t, text, capacity)
	read := func(line string) (*boat.Boat, error) {
		b, _, err := boat.Read("boat.toml", []byte(strings.Replace(text, capacity, line, 1)))
		return b, err
	}
	b, err := read(`energy = "10.24 kWh ± 5 %, data sheet"`)
	require.NoError(t, err)
	assert.InDelta(t, 200*3600, b.Battery.Capacity.SI, 1e-6)
	assert.InDelta(t, 10*3600, b.Battery.Capacity.Tolerance, 1e-6)
	assert.Equal(t, "data sheet", b.Battery.Capacity.Provenance)
	_, err = read(capacity + "\nenergy = \"10 kWh\"")
	assert.ErrorContains(t, err, "capacity and energy contradict each other")
	_, err = read("")
	assert.ErrorContains(t, err, `give capacity, for example "200 A·h", or energy, for example "10 kW·h"`)
}

// TestInchAndPoundAreRead: pitch is often stamped in inches.
func TestInchAndPoundAreRead(t *testing.T) {
	text := petrel(t)
	text = strings.Replace(text, `pitch = "0.22 m`, `pitch = "8.5 in`, 1)
	b, _, err := boat.Read("boat.toml", []byte(text))
	require.NoError(t, err)
	assert.InDelta(t, 0.2159, b.Propeller.Pitch.SI, 1e-12)
}
