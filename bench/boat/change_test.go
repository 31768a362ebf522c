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

// TestAChangeThatAFileWouldNotTakeIsTold: a value set beside one that it contradicts, or that would not be used beside it, is refused in
// the words of the file's reader.
func TestAChangeThatAFileWouldNotTakeIsTold(t *testing.T) {
	for _, c := range []struct{ boat, key, value, says string }{
		{"petrel", "fuse.carries", "2", "fuse.carries: a fuse of a class has the curves of the class"},
		{"petrel", "fuse.melts", "1.6", "fuse.melts: a fuse of a class"},
		{"petrel", "fuse.melting_i2t", "100 A²·s", "fuse.melting_i2t: a fuse of a class"},
		{"petrel", "propeller.measured_torque", "40 N·m", "propeller.measured_torque: measured_torque and measured_power say the same"},
		{"petrel", "battery.cell_lowest", "3.7 V", "battery.cell_lowest: the lowest cell voltage, 3.7 V, is not below the highest, 3.65 V"},
		{"petrel", "cable[0].rated_temperature", "25 °C", "cable[battery cable].rated_temperature: is not above ampacity_at"},
		{"bracken", "motor.constant", "0.5 V·s/rad", "motor.constant: a series-wound motor has no constant"},
		{"petrel", "motor.kind", "series-wound", "motor: a series-wound motor needs magnetisation"},
		{"bracken", "fuse.carries", "1.3", ""},
		{"petrel", "battery.energy", "5 kW·h", ""},
		{"petrel", "propeller.pitch", "0.25 m", ""},
	} {
		b, _ := benchtest.Boat(t, c.boat)
		require.NoError(t, b.Contradiction(), c.boat)
		changed, err := b.With(c.key, c.value)
		require.NoError(t, err, c.key)
		if err := changed.Contradiction(); c.says == "" {
			assert.NoError(t, err, c.key)
		} else {
			assert.ErrorContains(t, err, c.says)
		}
	}
}

// TestAChangeIsRefusedByThePartsName: a person writes cable[motor cable].section, and is answered in the same words.
func TestAChangeIsRefusedByThePartsName(t *testing.T) {
	b, _ := benchtest.Boat(t, "petrel")
	key, err := b.Resolved("cable[motor cable].section")
	require.NoError(t, err)
	for value, says := range map[string]string{
		"-3 mm²": "cable[motor cable].section: -3 mm² is too low", "9": "cable[motor cable].section: 9 has no unit",
	} {
		_, err := b.With(key, value)
		assert.ErrorContains(t, err, says)
	}
	_, err = b.WithNumber(key, -1)
	assert.ErrorContains(t, err, "cable[motor cable].section: ")
	_, err = b.With("motor.constant", "-1 V/(rad/s)")
	assert.ErrorContains(t, err, "motor.constant: ")
}

// TestAFileWithAClassTakesNoCurveBeside: it would not be used.
func TestAFileWithAClassTakesNoCurveBeside(t *testing.T) {
	text := string(benchtest.File(t, "petrel", "boat.toml"))
	for _, line := range []string{`carries = "1.3"`, `melts = "1.6"`, `melting_i2t = "3000 A²·s"`, `slowest = [["300 A", "100 s"], ["900 A", "1 s"]]`} {
		_, _, err := boat.Read("boat.toml", []byte(strings.Replace(text, `class = "gG"`, "class = \"gG\"\n"+line, 1)))
		assert.ErrorContains(t, err, "a fuse of a class has the curves of the class, and this would not be used: leave it out", line)
	}
}

// without returns a demo boat read from its file without some lines.
func without(t *testing.T, name string, lines ...string) (*boat.Boat, error) {
	text := string(benchtest.File(t, name, "boat.toml"))
	for _, l := range lines {
		require.Contains(t, text, l+"\n")
		text = strings.Replace(text, l+"\n", "", 1)
	}
	b, _, err := boat.Read("boat.toml", []byte(text))
	return b, err
}

// TestWhatHasNoLimitIsNamed: a part without a limit in the file was left out of every table, and the boat was clear without a word of it.
func TestWhatHasNoLimitIsNamed(t *testing.T) {
	petrel, err := without(t, "petrel")
	require.NoError(t, err)
	assert.Empty(t, petrel.Unlimited())
	for line, key := range map[string]string{
		`magnet_limit = "120 °C, data sheet"`: "motor.magnet_limit", `demagnetising_current = "700 A, data sheet"`: "motor.demagnetising_current",
		`cell_lowest = "2.5 V, data sheet"`: "battery.cell_lowest", `cell_highest = "3.65 V, data sheet"`: "battery.cell_highest",
	} {
		b, err := without(t, "petrel", line)
		require.NoError(t, err)
		require.Len(t, b.Unlimited(), 1)
		assert.Contains(t, b.Unlimited()[0], "("+key+")")
	}
	bracken, err := without(t, "bracken", `cell_lowest = "1.65 V, data sheet"`)
	require.NoError(t, err)
	assert.Equal(t, []string{"no trial judges these, since the boat file gives them no limit: the lowest cell voltage (battery.cell_lowest)"}, bracken.Unlimited(), "no magnets, and nothing charges it")
}

// TestAPermanentMagnetMotorHasMagnets: whoever left the line out had a motor whose magnets no heat weakens, and a cooler link capacitor for it.
func TestAPermanentMagnetMotorHasMagnets(t *testing.T) {
	petrel, err := without(t, "petrel", `magnets = "ferrite"`)
	require.NoError(t, err)
	assert.Equal(t, "ferrite", petrel.Motor.MagnetMaterial())
	petrel.Motor.Kind = "permanent-magnet brushless"
	assert.Equal(t, "NdFeB", petrel.Motor.MagnetMaterial())
	bracken, err := without(t, "bracken")
	require.NoError(t, err)
	assert.Equal(t, "none", bracken.Motor.MagnetMaterial())

	text := strings.Replace(string(benchtest.File(t, "petrel", "boat.toml")), `magnets = "ferrite"`, `magnets = "none"`, 1)
	_, _, err = boat.Read("boat.toml", []byte(text))
	assert.ErrorContains(t, err, "a permanent-magnet brushed motor has magnets")
}
