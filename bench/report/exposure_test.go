package report

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"quaybench/bench/benchtest"
	"quaybench/bench/boat"
	"quaybench/bench/drive"
	"quaybench/bench/thermal"
)

// TestExposureOfAPulse: a pulse of current I that lasts T has the rms I over every stretch up to T, and I·√(T/w) over a longer
// stretch w: the definition of the root mean square.
func TestExposureOfAPulse(t *testing.T) {
	time := []float64{0, 10, 10.0001, 12, 12.0001, 100}
	current := []float64{0, 0, 200, 200, 0, 0}
	length, rms := exposure(time, current)
	require.NotEmpty(t, length)
	assert.InDelta(t, 100, length[len(length)-1], 1e-9, "the last stretch is the whole run")
	for i, w := range length {
		want := 200.0
		if w > 2 {
			want = 200 * math.Sqrt(2/w)
		}
		assert.InEpsilon(t, want, rms[i], 2e-3, "over %v s", w)
	}
}

// TestExposure: of a constant current every stretch has that current; the curve never rises with the length, never exceeds the
// highest current, and its end is the rms of the run by the trapezoid of a million slices.
func TestExposure(t *testing.T) {
	_, rms := exposure([]float64{0, 1, 7}, []float64{-80, -80, -80})
	for _, i := range rms {
		assert.InDelta(t, 80, i, 1e-9)
	}
	empty, _ := exposure([]float64{1}, []float64{1})
	assert.Empty(t, empty)
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(2, 40).Draw(t, "samples")
		gaps := rapid.SliceOfN(rapid.Float64Range(0.01, 30), n, n).Draw(t, "gaps")
		current := rapid.SliceOfN(rapid.Float64Range(-300, 300), n, n).Draw(t, "current")
		time := make([]float64, n)
		highest := math.Abs(current[0])
		for i := 1; i < n; i++ {
			time[i] = time[i-1] + gaps[i]
			highest = max(highest, math.Abs(current[i]))
		}
		length, rms := exposure(time, current)
		for i := range rms {
			assert.LessOrEqual(t, rms[i], highest*(1+1e-9))
			assert.True(t, i == 0 || rms[i] <= rms[i-1] && length[i] > length[i-1])
		}
		square := 0.0
		for i := 1; i < n; i++ {
			const slices = 1000
			for k := range slices {
				a := current[i-1] + (current[i]-current[i-1])*(float64(k)+0.5)/slices
				square += a * a * (time[i] - time[i-1]) / slices
			}
		}
		whole := math.Sqrt(square / time[n-1])
		assert.InDelta(t, whole, rms[len(rms)-1], 1e-5*highest)
	})
}

func BenchmarkExposure(b *testing.B) {
	n := 2 * 3600 * 20 // two hours at 20 samples a second
	time, current := make([]float64, n), make([]float64, n)
	for i := range time {
		time[i], current[i] = float64(i)/20, 100*math.Sin(float64(i)/300)
	}
	for b.Loop() {
		exposure(time, current)
	}
}

func petrel(t testing.TB) *boat.Boat {
	t.Helper()
	b, _ := benchtest.Boat(t, "petrel")
	return b
}

// TestCableTime holds the closed form of a cable's heating against its equation integrated in small steps,
// and against the ampacity itself: the current that just brings it to its rated temperature.
func TestCableTime(t *testing.T) {
	b := petrel(t)
	for i := range b.Cables {
		c := &b.Cables[i]
		k, err := drive.CableHeat(c)
		require.NoError(t, err)
		rise := c.RatedTemperature.SI - c.AmpacityAt.SI
		assert.Equal(t, math.Inf(1), cableTime(k, 0.999*c.Ampacity.SI*c.Bundling.SI, rise, c.AmpacityAt.SI), "below its ampacity for ever")
		assert.Less(t, cableTime(k, 1.001*c.Ampacity.SI*c.Bundling.SI, rise, c.AmpacityAt.SI), 24*3600.0)
		for _, times := range []float64{1.1, 1.5, 3, 10} {
			amps := times * c.Ampacity.SI
			want := heatingTime(amps*amps*k.Ohms, k.Capacity, k.Resistance, c.AmpacityAt.SI, c.RatedTemperature.SI)
			assert.InEpsilon(t, want, cableTime(k, amps, rise, c.AmpacityAt.SI), 1e-6, "%s at %.0f A", c.Name, amps)
		}
	}
}

// heatingTime integrates C·dT/dt = P(T) − (T − air)/R from the air's temperature, by the classical Runge-Kutta method in steps of a
// thousandth of R·C, until T is reached. P is the loss at 20 °C, W.
func heatingTime(loss, capacity, resistance, air, until float64) float64 {
	copper := thermal.Copper()
	slope := func(T float64) float64 { return (loss*copper.Ratio(T) - (T-air)/resistance) / capacity }
	h := resistance * capacity / 1000
	for t, T := 0.0, air; ; t += h {
		k1 := slope(T)
		k2 := slope(T + h/2*k1)
		k3 := slope(T + h/2*k2)
		k4 := slope(T + h*k3)
		next := T + h/6*(k1+2*k2+2*k3+k4)
		if next < until {
			T = next
			continue
		}
		if h < 1e-9*resistance*capacity {
			return t
		}
		h, t = h/10, t-h/10 // this step again, in tenths
	}
}
