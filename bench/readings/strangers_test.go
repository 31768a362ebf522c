package readings

import (
	"encoding/json"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/link"
	"quaybench/bench/record"
)

// TestStrangersFiles reads ten files in ten habits that were written, with what a right reader makes of them (want.json, by make.py), by somebody who had not
// seen the reader. Eight are read as they are. Of two the question that is asked is the right one, since their "Current" may be the motor's; with the answer
// they are read right.
func TestStrangersFiles(t *testing.T) {
	const folder = "testdata/strangers/"
	text, err := os.ReadFile(folder + "want.json")
	require.NoError(t, err)
	var want map[string]map[string]any
	require.NoError(t, json.Unmarshal(text, &want))
	require.Len(t, want, 10)
	channels := map[string]string{
		"lever": record.Lever, "battery_voltage": record.Voltage, "battery_current": record.BatteryCurrent, "motor_current": record.MotorCurrent, "motor_speed": record.MotorSpeed,
		"boat_speed": record.BoatSpeed, "controller_temperature": link.TraceName(link.StageTemperature), "motor_temperature": link.TraceName(link.MotorTemperature),
	}
	for name, w := range want {
		t.Run(name, func(t *testing.T) {
			text, err := os.ReadFile(folder + name)
			require.NoError(t, err)
			var answer *Columns
			if strings.HasPrefix(name, "05") || strings.HasPrefix(name, "06") {
				_, err := Read(name, text, nil, 0)
				require.ErrorContains(t, err, `"Current`)
				require.ErrorContains(t, err, "is it battery_current or motor_current?")
				header := map[bool]string{true: "Current", false: "Current (A)"}[name[1] == '5']
				answer, err = ReadColumns("answer.toml", []byte("[[column]]\nheader = \""+header+"\"\nis = \"battery_current\"\nunit = \"A\"\n"))
				require.NoError(t, err)
			}
			u, err := Read(name, text, answer, 0)
			require.NoError(t, err)
			assert.InDelta(t, w["rows"], u.Rows, 0)
			for i, at := range w["t"].([]any) {
				assert.InDelta(t, at, u.Run.Time[i], 1e-6, "row %d", i)
			}
			for key, list := range w {
				if key == "rows" || key == "t" || key == "note" {
					continue
				}
				trace := channels[key]
				if key == "motor_temperature" && strings.HasPrefix(name, "08") { // by infrared: of the housing
					trace = "motor housing"
				}
				if key == "boat_speed" && slices.ContainsFunc(u.Columns, func(c Sense) bool { return c.Is == link.SpeedOverGround }) { // a telephone's, or a GPS's
					trace = record.OverGround
				}
				tr, ok := u.Run.Trace(trace)
				if !assert.True(t, ok, "%s is missing", key) {
					continue
				}
				for i, v := range list.([]any) {
					if v == nil {
						assert.NotEqual(t, tr.Values[i], tr.Values[i], "%s, row %d: not read", key, i) // NaN
						continue
					}
					assert.InDelta(t, v, tr.Values[i], 0.006, "%s, row %d", key, i)
				}
			}
		})
	}
}
