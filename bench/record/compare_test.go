package record_test

import (
	"math"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"quaybench/bench/record"
)

// run makes a run of one trace.
func run(name, unit string, points ...[2]float64) *record.Run {
	r := &record.Run{Traces: []record.Trace{{Name: name, Unit: unit}}}
	for _, p := range points {
		r.Time = append(r.Time, p[0])
		r.Traces[0].Values = append(r.Traces[0].Values, p[1])
	}
	return r
}

func TestCompareMeasuresBetweenTheSamplesToo(t *testing.T) {
	flat := run("voltage", "V", [2]float64{0, 48}, [2]float64{10, 48})
	for _, c := range []struct {
		name             string
		b                *record.Run
		largest, at, rms float64
		parted           float64 // from a band of 1 V; NaN: never
	}{
		{"the same", run("voltage", "V", [2]float64{0, 48}, [2]float64{4, 48}, [2]float64{10, 48}), 0, 0, 0, math.NaN()},
		{"an offset below", run("voltage", "mV", [2]float64{0, 46}, [2]float64{10, 46}), -2, 0, 2, 0},
		// A ramp from 0 to 3 V: mean square 3, above 1 V from a third on.
		{"a ramp", run("voltage", "V", [2]float64{0, 48}, [2]float64{10, 51}), 3, 10, math.Sqrt(3), 10.0 / 3},
		// A tent of 2 V in the middle, which the sample of the flat run does not see: mean square 4/3.
		{"a peak between the samples", run("voltage", "V", [2]float64{0, 48}, [2]float64{5, 50}, [2]float64{10, 48}), 2, 5, math.Sqrt(4.0 / 3), 2.5},
		// A jump from 48 to 52 V at 5 s: mean square 8, parted from the jump on.
		{"a jump", run("voltage", "V", [2]float64{0, 48}, [2]float64{5, 48}, [2]float64{5, 52}, [2]float64{10, 52}), 4, 5, math.Sqrt(8), 5},
		{"only the time both cover", run("voltage", "V", [2]float64{-5, 90}, [2]float64{0, 48}, [2]float64{2, 48}, [2]float64{2, 48}), 0, 0, 0, math.NaN()},
		{"an instant in common", run("voltage", "V", [2]float64{10, 50}, [2]float64{12, 90}), 2, 10, 2, 10},
	} {
		t.Run(c.name, func(t *testing.T) {
			ds, err := record.Compare(flat, c.b)
			require.NoError(t, err)
			require.Len(t, ds, 1)
			d := ds[0]
			assert.Equal(t, "voltage", d.Trace)
			assert.Equal(t, "V", d.Unit)
			assert.InDelta(t, c.largest, d.Largest, 1e-12)
			assert.InDelta(t, c.at, d.At, 1e-12)
			assert.InDelta(t, c.rms, d.RMS, 1e-12)
			at, ok := d.Parted(1)
			assert.Equal(t, !math.IsNaN(c.parted), ok)
			if ok {
				assert.InDelta(t, c.parted, at, 1e-12)
			}
			_, ok = d.LeftBand()
			assert.False(t, ok, "there is no band to leave")
		})
	}
}

func TestLeftBandIsWhenAMeasurementLeavesThePrediction(t *testing.T) {
	predicted := run("winding", "°C", [2]float64{0, 300}, [2]float64{10, 320})
	predicted.Traces[0].Low, predicted.Traces[0].High = []float64{299, 315}, []float64{301, 325}
	for _, c := range []struct {
		name string
		end  float64
		at   float64
		ok   bool
	}{
		{"inside", 324, 0, false},
		{"too hot", 335, 1 / (35.0/10 - 24.0/10), true}, // 300 + 3.5 t meets 301 + 2.4 t
		{"too cold", 310, 1 / (16.0/10 - 10.0/10), true},
	} {
		t.Run(c.name, func(t *testing.T) {
			ds, err := record.Compare(predicted, run("winding", "°C", [2]float64{0, 300}, [2]float64{10, c.end}), "winding")
			require.NoError(t, err)
			at, ok := ds[0].LeftBand()
			require.Equal(t, c.ok, ok)
			assert.InDelta(t, c.at, at, 1e-9)
		})
	}
}

func TestCompareRefuses(t *testing.T) {
	a := run("voltage", "V", [2]float64{0, 48}, [2]float64{1, 48})
	for _, c := range []struct {
		name   string
		b      *record.Run
		traces []string
		want   string
	}{
		{"nothing in common", run("speed", "m/s", [2]float64{0, 1}), nil, "no trace in common"},
		{"a trace one lacks", run("voltage", "V", [2]float64{0, 1}), []string{"winding"}, `not both have a trace "winding"`},
		{"another kind", run("voltage", "A", [2]float64{0, 1}, [2]float64{1, 1}), nil, "in V in one and in A in the other"},
		{"another time", run("voltage", "V", [2]float64{5, 1}, [2]float64{6, 1}), nil, "one ends at 1 s, before the other begins at 5 s"},
		{"no sample", run("voltage", "V"), nil, "one of them has no sample"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := record.Compare(a, c.b, c.traces...)
			var wrong *record.CompareError
			require.ErrorAs(t, err, &wrong)
			assert.Contains(t, err.Error(), c.want)
		})
	}
}

// TestCompareIsOddAndSampledAnyway: swapping the runs turns the sign and nothing else, and samples added on the straight
// lines between samples change nothing.
func TestCompareIsOddAndSampledAnyway(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		draw := func(name string) *record.Run {
			at := 0.0
			var points [][2]float64
			for range rapid.IntRange(2, 6).Draw(t, name+" samples") {
				points = append(points, [2]float64{at, rapid.Float64Range(-100, 100).Draw(t, name)})
				at += rapid.SampledFrom([]float64{0, 0.5, 1, 3}).Draw(t, name+" step")
			}
			points = append(points, [2]float64{at + 1, 0})
			return run("x", "A", points...)
		}
		a, b := draw("a"), draw("b")
		there, err := record.Compare(a, b)
		require.NoError(t, err)
		back, err := record.Compare(b, a)
		require.NoError(t, err)
		require.InDelta(t, math.Abs(there[0].Largest), math.Abs(back[0].Largest), 1e-9)
		require.InDelta(t, there[0].RMS, back[0].RMS, 1e-9)
		band := rapid.Float64Range(0, 100).Draw(t, "band")
		at, ok := there[0].Parted(band)
		at2, ok2 := back[0].Parted(band)
		require.Equal(t, ok, ok2)
		require.InDelta(t, at, at2, 1e-9)
		require.Equal(t, math.Abs(there[0].Largest) > band, ok)

		finer := &record.Run{Traces: []record.Trace{{Name: "x", Unit: "A"}}}
		add := func(t, v float64) {
			finer.Time, finer.Traces[0].Values = append(finer.Time, t), append(finer.Traces[0].Values, v)
		}
		for i := range a.Time {
			if i > 0 {
				add((a.Time[i-1]+a.Time[i])/2, (a.Traces[0].Values[i-1]+a.Traces[0].Values[i])/2)
			}
			add(a.Time[i], a.Traces[0].Values[i])
		}
		again, err := record.Compare(finer, b)
		require.NoError(t, err)
		require.InDelta(t, there[0].RMS, again[0].RMS, 1e-9)
		require.InDelta(t, math.Abs(there[0].Largest), math.Abs(again[0].Largest), 1e-9)
	})
}

// TestNothingIsKnownBetweenTheSamplesOfAMeasurement: a person reads a meter once a hold, and a computer that slept read nothing.
func TestNothingIsKnownBetweenTheSamplesOfAMeasurement(t *testing.T) {
	predicted := run("motor current", "A", [2]float64{0, 0}, [2]float64{5, 0}, [2]float64{5, 140}, [2]float64{60, 140}, [2]float64{60, 0}, [2]float64{70, 0})
	tr := &predicted.Traces[0]
	tr.Low, tr.High = slices.Clone(tr.Values), slices.Clone(tr.Values)
	for i := range tr.Values {
		tr.Low[i], tr.High[i] = tr.Values[i]-10, tr.Values[i]+10
	}
	for _, c := range []struct {
		name        string
		measured    *record.Run
		largest, at float64
		rms         float64
		left        float64 // NaN: never
	}{
		{"one reading a hold", run("motor current", "A", [2]float64{0, 0}, [2]float64{55, 143}, [2]float64{65, 4}), 4, 65, math.Sqrt((9 + 16) / 3.0), math.NaN()},
		{"one of them outside", run("motor current", "A", [2]float64{0, 0}, [2]float64{55, 155}, [2]float64{65, 0}), 15, 55, math.Sqrt(225 / 3.0), 55},
		{"a sample at a jump", run("motor current", "A", [2]float64{0, 0}, [2]float64{5, 140}, [2]float64{65, 0}), 0, 0, 0, math.NaN()},
		{"samples outside the time both cover", run("motor current", "A", [2]float64{-5, 70}, [2]float64{10, 140}, [2]float64{90, 70}), 0, 10, 0, math.NaN()},
	} {
		t.Run(c.name, func(t *testing.T) {
			ds, err := record.CompareSamples(predicted, c.measured)
			require.NoError(t, err)
			assert.InDelta(t, c.largest, ds[0].Largest, 1e-12)
			assert.InDelta(t, c.at, ds[0].At, 1e-12)
			assert.InDelta(t, c.rms, ds[0].RMS, 1e-12)
			at, left := ds[0].LeftBand()
			assert.Equal(t, !math.IsNaN(c.left), left)
			if left {
				assert.InDelta(t, c.left, at, 1e-12)
			}
		})
	}
	_, err := record.CompareSamples(predicted, run("motor current", "A", [2]float64{-1, 0}, [2]float64{100, 0}))
	require.ErrorContains(t, err, "no sample within the time of the other")
}
