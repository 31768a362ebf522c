package report

import (
	"math"
	"strconv"
	"testing"

	"github.com/stretchr/testify/assert"
	"pgregory.net/rapid"
)

func TestTicks(t *testing.T) {
	for _, c := range []struct {
		name string
		got  []string
		want []string
	}{
		{"currents", linearTicks(0, 240, 6).label, []string{"0", "50", "100", "150", "200"}},
		{"cell voltages", linearTicks(2.5, 3.65, 6).label, []string{"2.5", "3.0", "3.5"}},
		{"astern", linearTicks(-100, 100, 5).label, []string{"-100", "-50", "0", "50", "100"}},
		{"half a minute", labels(timeTicks(0, 30, 7)), []string{"0", "5", "10", "15", "20", "25", "30"}},
		{"twenty minutes", labels(timeTicks(0, 1200, 5)), []string{"0", "5", "10", "15", "20"}},
		{"two hours", labels(timeTicks(0, 7200, 5)), []string{"0.0", "0.5", "1.0", "1.5", "2.0"}},
		{"decades", logTicks(10, 10000, 4).label, []string{"10", "100", "1000", "10000"}},
		{"one decade", logTicks(100, 1000, 6).label, []string{"100", "200", "500", "1000"}},
		{"times", logTimeTicks(0.01, 3600).label, []string{"10 ms", "0.1 s", "1 s", "10 s", "1 min", "10 min", "1 h"}},
	} {
		t.Run(c.name, func(t *testing.T) { assert.Equal(t, c.want, c.got) })
	}
}

func labels(t ticks, _ string, _ float64) []string { return t.label }

// TestLinearTicksAreRound: whatever the range, ticks rise by equal steps of 1, 2 or 5 times a power of ten, lie in the range, are
// no more than asked, and each label reads as its value.
func TestLinearTicksAreRound(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		low := rapid.Float64Range(-1e6, 1e6).Draw(t, "low")
		wide := math.Pow(10, rapid.Float64Range(-3, 6).Draw(t, "decades"))
		if wide < 1e-9*math.Abs(low) {
			t.Skip("closer than numbers can tell")
		}
		most := rapid.IntRange(3, 12).Draw(t, "most")
		got := linearTicks(low, low+wide, most)
		assert.LessOrEqual(t, len(got.at), most)
		assert.Len(t, got.label, len(got.at))
		for i, v := range got.at {
			assert.True(t, v >= low-1e-6*wide && v <= low+wide*(1+1e-6), "%v outside", v)
			read, err := strconv.ParseFloat(got.label[i], 64)
			assert.NoError(t, err)
			if i > 0 {
				step := v - got.at[i-1]
				assert.InDelta(t, v, read, step/100, "label %s of %v", got.label[i], v)
				lead := step / math.Pow(10, math.Floor(math.Log10(step)+1e-6))
				assert.True(t, near(lead, 1) || near(lead, 2) || near(lead, 5), "step %v", step)
				assert.NotEqual(t, got.label[i-1], got.label[i])
			}
		}
	})
}

func near(a, b float64) bool { return math.Abs(a-b) < 1e-4 }

// TestTimeTicksFit: whatever the duration, there are two ticks or more, no more than asked, with labels that differ.
func TestTimeTicksFit(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		long := math.Pow(10, rapid.Float64Range(-2, 5.5).Draw(t, "decades"))
		most := rapid.IntRange(4, 10).Draw(t, "most")
		got, unit, scale := timeTicks(0, long, most)
		assert.Contains(t, []string{"s", "min", "h"}, unit)
		assert.GreaterOrEqual(t, len(got.at), 2, "%v s", long)
		assert.LessOrEqual(t, len(got.at), most, "%v s", long)
		for i, v := range got.at {
			read, err := strconv.ParseFloat(got.label[i], 64)
			assert.NoError(t, err)
			assert.InDelta(t, v/scale, read, 1e-6*math.Max(1, v/scale)+long/scale/1000)
			if i > 0 {
				assert.Greater(t, v, got.at[i-1])
			}
		}
	})
}

// TestLogTicksRise: on a logarithmic axis ticks lie in the range and rise.
func TestLogTicksRise(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		low := math.Pow(10, rapid.Float64Range(-4, 4).Draw(t, "low"))
		high := low * math.Pow(10, rapid.Float64Range(0.3, 6).Draw(t, "decades"))
		for _, got := range []ticks{logTicks(low, high, 6), logTimeTicks(low, high)} {
			for i, v := range got.at {
				assert.True(t, v >= low*(1-1e-6) && v <= high*(1+1e-6))
				assert.True(t, i == 0 || v > got.at[i-1])
			}
		}
	})
}
