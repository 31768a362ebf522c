package scaling_test

import (
	"fmt"
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/link/scaling"
)

func TestRead(t *testing.T) {
	inf := math.Inf(1)
	for _, c := range []struct {
		text  scaling.Text
		unit  string
		count float64
		si    float64
		min   float64
		max   float64
	}{
		{scaling.Text{Unit: "A", Scale: "0.5 A"}, "A", 360, 180, -inf, inf},
		{scaling.Text{Unit: "A", Scale: "-5 mA", Min: "-1 A"}, "A", -200, 1, -1, inf},
		{scaling.Text{Unit: "1", Scale: "0.001"}, "1", 955, 0.955, -inf, inf},
		{scaling.Text{Unit: "%", Scale: "0.1 %", Min: "0 %", Max: "100 %"}, "%", 955, 0.955, 0, 1},
		{scaling.Text{Unit: "°C", Scale: "0.1 K"}, "°C", 205, 293.65, -inf, inf}, // 20.5 °C
		{scaling.Text{Unit: "°C", Scale: "1 K", Offset: "-40 °C", Max: "200 °C"}, "°C", 60, 293.15, -inf, 473.15},
		{scaling.Text{Unit: "1/min", Scale: "1 1/min"}, "rpm", 3000, 100 * math.Pi, -inf, inf},
		{scaling.Text{Unit: "rpm", Scale: "10 rpm"}, "rpm", 300, 100 * math.Pi, -inf, inf},
		{scaling.Text{Unit: "V", Scale: "10 mV", Offset: "20 V"}, "V", 2800, 48, -inf, inf},
	} {
		s, ok := scaling.Read(c.text, func(key, format string, args ...any) { t.Errorf(key+": "+format, args...) })
		require.True(t, ok)
		assert.Equal(t, c.unit, s.Unit)
		assert.InDelta(t, c.si, s.SI(c.count), 1e-9)
		assert.InDelta(t, c.count, s.Count(c.si), 1e-9)
		assert.Equal(t, []float64{c.min, c.max}, []float64{s.Min, s.Max})
	}
}

func TestReadSaysWhatIsWrong(t *testing.T) {
	for _, c := range []struct {
		text    scaling.Text
		problem string
	}{
		{scaling.Text{Scale: "1 A"}, "unit: unit is missing"},
		{scaling.Text{Unit: "A"}, `scale: scale is missing; write what one count is, for example scale = "0.1 A"`},
		{scaling.Text{Unit: "°C"}, `scale = "0.1 K"`},
		{scaling.Text{Unit: "amper", Scale: "1 A"}, "unit: "},
		{scaling.Text{Unit: "A", Scale: "1 V"}, "scale: "},
		{scaling.Text{Unit: "A", Scale: "0 A"}, "scale: scale is zero"},
		{scaling.Text{Unit: "A", Scale: "1 A ± 5 %"}, "leave out tolerance"},
		{scaling.Text{Unit: "A", Scale: "1 A, measured"}, "leave out tolerance"},
		{scaling.Text{Unit: "°C", Scale: "1 °C"}, "scale: "},
		{scaling.Text{Unit: "Hz", Scale: "1 Hz"}, "radians or revolutions"},
		{scaling.Text{Unit: "A", Scale: "1 A", Offset: "1"}, "offset: "},
		{scaling.Text{Unit: "A", Scale: "1 A", Min: "1 s"}, "min: "},
		{scaling.Text{Unit: "A", Scale: "1 A", Min: "2 A", Max: "2 A"}, "max: max is not above min"},
	} {
		var said []string
		_, ok := scaling.Read(c.text, func(key, format string, args ...any) { said = append(said, key+": "+fmt.Sprintf(format, args...)) })
		assert.False(t, ok)
		require.Len(t, said, 1)
		assert.Contains(t, said[0], c.problem)
	}
}
