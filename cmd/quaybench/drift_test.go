package main

import (
	"encoding/json"
	"fmt"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/benchtest"
	"quaybench/bench/learn/learntest"
	"quaybench/bench/record"
)

// TestDrift: a propeller that gets heavier from outing to outing moves beyond chance; with two records there is no date, and one is no drift.
func TestDrift(t *testing.T) {
	benchtest.Computes(t)
	folder, run := learningBook(t)
	outing := outingOf(t)
	t.Chdir(folder)
	var files []string
	for i, more := range []float64{0, 0.25, 0.5} {
		o := outing
		o.Seed, o.Clock = uint64(20+i), fmt.Sprintf("2026-0%d-01T10:00:00Z", 5+i)
		o.True = map[string]float64{"propeller.measured_power": more}
		o.Trial = learntest.HalfHour(t)
		o.Trial.Duration, o.Trial.Throttle = 500, o.Trial.Throttle[:3]
		o.Lever, o.Every, o.Traces = true, 2, []string{record.Voltage, record.BatteryCurrent, record.MotorCurrent, record.MotorSpeed, record.BoatSpeed}
		files = append(files, keepText(t, folder, fmt.Sprintf("outing%d.csv", i), o.Text(t)))
	}
	code, _, stderr := run("drift", "petrel", files[0])
	assert.Equal(t, exitInput, code)
	assert.Contains(t, unwrapped(stderr), "two records of the boat")
	code, stdout, stderr := run("drift", "petrel", files[0], files[1], files[2], "--json", "--report", "drift.html")
	require.Zero(t, code, stderr)
	var out struct {
		Records []struct{ Name string }
		Values  []struct {
			Key    string
			Moved  bool
			Values []float64
			Pace   *float64 `json:"pace_a_day"`
		}
	}
	require.NoError(t, json.Unmarshal([]byte(stdout), &out))
	assert.Len(t, out.Records, 3)
	moved := map[string]bool{}
	for _, v := range out.Values {
		moved[v.Key] = v.Moved
		if v.Key == "propeller.measured_power" {
			require.NotNil(t, v.Pace)
			assert.Greater(t, *v.Pace, 0.0)
			assert.Less(t, v.Values[0], v.Values[2])
		}
	}
	assert.True(t, moved["propeller.measured_power"], "%v", moved)
	assert.False(t, moved["motor.constant"] && moved["battery.resistance"], "what did not move is not told to")
	assert.FileExists(t, "drift.html")
}
