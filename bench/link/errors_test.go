package link_test

import (
	"errors"
	"math"
	"testing"

	"github.com/stretchr/testify/assert"

	"quaybench/bench/link"
)

func TestErrorsSayValueLimitAndUnit(t *testing.T) {
	for _, c := range []struct {
		err  error
		text string
	}{
		{&link.RangeError{Value: 251, Min: 1, Max: 250, Unit: "A"}, "251 A is not from 1 A to 250 A"},
		{&link.RangeError{Value: 3, Min: 0, Max: 1}, "3 is not from 0 to 1"},
		{&link.ReadBackError{Wrote: 353.15, Got: 363.15, Unit: "°C"}, "wrote 80 °C, but the controller now holds 90 °C: read all settings before anything else"},
		{
			&link.ImpossibleError{Channel: link.Channel{Name: "motor_speed", Unit: "rpm"}, Value: 100 * math.Pi, Min: 0, Max: 50 * math.Pi},
			"motor speed reads 3000 rpm, which can't be: it is from 0 rpm to 1500 rpm; check sensor and wiring",
		},
		{&link.TransferError{Change: link.Change{Key: "ramp.rise"}, Err: link.ErrRunning}, "ramp.rise was not written: the motor is running: stop it and put the lever in neutral first; the controller holds again what it held before"},
		{&link.TransferError{Change: link.Change{Key: "ramp.rise"}, Err: link.ErrStale, Still: []link.Change{{Key: "ramp.fall"}, {Key: "ramp.rise"}}}, "ramp.rise was not written: no new readings; not put back: ramp.fall, ramp.rise"},
		{&link.TransferError{Change: link.Change{Key: "ramp.rise"}, Err: link.ErrStale, Unknown: []link.Change{{Key: "ramp.rise"}}}, "ramp.rise was not written: no new readings; nobody knows what it holds now for ramp.rise: read the controller before anything else"},
		{&link.SettingError{Key: "limits.duty", Err: link.ErrReadOnly}, "limits.duty: the map of the controller says read-only"},
	} {
		assert.Equal(t, c.text, c.err.Error())
	}
	for _, odd := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} { // a reading may be any of them
		assert.NotEmpty(t, (&link.ImpossibleError{Channel: link.Channel{Name: "x", Unit: "A"}, Value: odd, Min: math.Inf(-1), Max: 10}).Error())
	}
	assert.True(t, errors.Is(&link.SettingError{Key: "x", Err: link.ErrRunning}, link.ErrRunning))
}
