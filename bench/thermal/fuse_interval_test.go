package thermal_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/thermal"
)

// element is a fuse element as physics has it and a time-current curve does not
// show it: a chain of parts, the first of which melts at a rise of 1, with a
// resistance that grows by alpha up to there. Solved in fine steps, by nothing of
// this package.
type element struct {
	alpha                        float64
	capacity, conductance, share []float64 // from the part that melts outwards
}

func (e element) slope(load float64, T, d []float64) {
	inward := 0.0
	for k := range T {
		next := 0.0
		if k+1 < len(T) {
			next = T[k+1]
		}
		outward := e.conductance[k] * (T[k] - next)
		d[k] = (load*e.share[k]*(1+e.alpha*T[k]) + inward - outward) / e.capacity[k]
		inward = outward
	}
}

// melts returns when the element melts under a history, +Inf if not within it.
func (e element) melts(h thermal.History) float64 {
	n := len(e.capacity)
	quickest := math.Inf(1)
	for k := range n {
		quickest = min(quickest, e.capacity[k]/e.conductance[k])
	}
	T := make([]float64, n)
	a, b, c, d, trial := make([]float64, n), make([]float64, n), make([]float64, n), make([]float64, n), make([]float64, n)
	shifted := func(by float64, slope []float64) []float64 {
		for k := range T {
			trial[k] = T[k] + by*slope[k]
		}
		return trial
	}
	var start float64
	for _, s := range h {
		load := s.Current * s.Current
		for t := 0.0; t < s.Duration; {
			e.slope(load, T, a)
			dt := min(quickest/6, s.Duration-t)
			for k := range a {
				dt = min(dt, 0.01/math.Abs(a[k])) // a hundredth of the rise at most
			}
			e.slope(load, shifted(dt/2, a), b)
			e.slope(load, shifted(dt/2, b), c)
			e.slope(load, shifted(dt, c), d)
			before := T[0]
			for k := range T {
				T[k] += dt / 6 * (a[k] + 2*b[k] + 2*c[k] + d[k])
			}
			if T[0] >= 1 {
				return start + t + dt*(1-before)/(T[0]-before)
			}
			t += dt
			if dt < 1e-13*s.Duration {
				break
			}
		}
		start += s.Duration
	}
	return math.Inf(1)
}

// leastMelting returns the current whose steady state has the first part just at its
// melting rise: carried outwards from there, the rise must come to 0 at the air.
func (e element) leastMelting() float64 {
	low, high := 0.0, 100.0
	for range 60 {
		middle := (low + high) / 2
		load, T, flow := middle*middle, 1.0, 0.0
		for k := 0; k < len(e.capacity) && T > 0; k++ {
			flow += load * e.share[k] * (1 + e.alpha*T)
			T -= flow / e.conductance[k]
		}
		if T > 0 { // that much heat would get away below this rise
			low = middle
		} else {
			high = middle
		}
	}
	return high
}

var elements = map[string]element{
	"one part":         {4.2, []float64{1}, []float64{1}, []float64{1}},
	"neck and strip":   {4.2, []float64{0.02, 1}, []float64{0.5, 0.2}, []float64{0.7, 0.3}},
	"neck, strip, end": {4.2, []float64{0.03, 0.3, 3}, []float64{1, 0.5, 0.2}, []float64{0.6, 0.35, 0.05}},
	"zinc-like":        {2, []float64{0.05, 1}, []float64{0.5, 0.1}, []float64{0.9, 0.1}},
}

// published makes the curve that a maker would measure on the element, and fits it.
func published(t testing.TB, e element) thermal.Fuse {
	least := e.leastMelting()
	c := thermal.FuseCurve{Rating: least / 1.25, LeastMelting: least}
	for _, times := range []float64{1.03, 1.1, 1.2, 1.35, 1.5, 1.75, 2, 2.5, 3, 4, 5, 7, 10, 14, 20} {
		current := times * least
		c.Points = append(c.Points, thermal.CurvePoint{Current: current, Time: e.melts(thermal.History{{Current: current, Duration: 1e4}})})
	}
	m, err := thermal.FitFuse(c)
	require.NoError(t, err)
	require.Less(t, m.Misfit.Worst, 0.005)
	return thermal.Fuse{Fastest: m, Slowest: m} // no spread: what is left is the method's own
}

// anyHistory draws steps of current, pauses among them, each a part of what would
// melt the cold element, and at last a current that does melt it.
func anyHistory(r *rand.Rand, f thermal.Fuse) thermal.History {
	least := f.Fastest.LeastMeltingCurrent()
	var h thermal.History
	for range 1 + r.IntN(5) {
		current := least * math.Exp(3*r.Float64()-0.8)
		if r.IntN(4) == 0 {
			current = 0
		}
		time := f.Fastest.MeltTime(current).Time
		if math.IsInf(time, 1) {
			time = f.Fastest.Longest * math.Exp(-8*r.Float64())
			if math.IsInf(time, 1) {
				time = 10 * math.Exp(-8*r.Float64())
			}
		}
		h = append(h, thermal.CurrentSegment{Current: current, Duration: time * math.Exp(4*r.Float64()-3.5)})
	}
	return append(h, thermal.CurrentSegment{Current: least * (1.2 + 3*r.Float64()), Duration: 1e4})
}

func TestIntervalHoldsAnElementWhoseResistanceRises(t *testing.T) {
	for name, e := range elements {
		t.Run(name, func(t *testing.T) {
			f := published(t, e)
			r := rand.New(rand.NewPCG(11, uint64(len(name))))
			var plainEarly, plainLate, widest float64
			for range 60 {
				h := anyHistory(r, f)
				truth := e.melts(h)
				got := f.MeltInterval(h)
				require.LessOrEqual(t, got.Early.Time, truth*1.001, "%v", h)
				require.GreaterOrEqual(t, got.Late.Time, truth*0.999, "%v", h)
				widest = max(widest, got.Late.Time/got.Early.Time)
				plain := superposed(f.Fastest, h)
				plainEarly, plainLate = max(plainEarly, truth/plain), max(plainLate, plain/truth)
			}
			t.Logf("plain superposition: early by up to a factor %.3g, late by up to %.3g; widest interval a factor %.3g",
				plainEarly, plainLate, widest)
		})
	}
}

// superposed is plain superposition of the model, in fine steps.
func superposed(m thermal.FuseModel, h thermal.History) float64 {
	x := make([]float64, m.States())
	var start float64
	for _, s := range h {
		t := 0.0
		for dt := 1e-7; t < s.Duration; dt = max(dt, 1e-3*t) {
			step := min(dt, s.Duration-t)
			m.Advance(s.Current, step, x)
			t += step
			if m.Molten(x) >= 1 {
				return start + t
			}
			if step < dt {
				break
			}
		}
		start += s.Duration
	}
	return math.Inf(1)
}

func TestWarmStartIsWhereSuperpositionErrsEarly(t *testing.T) {
	// A minute just below the least melting current, then a jump.
	e := elements["neck and strip"]
	f := published(t, e)
	least := f.Fastest.LeastMeltingCurrent()
	h := thermal.History{{Current: 0.97 * least, Duration: 60}, {Current: 1.1 * least, Duration: 1e4}}
	truth, got := e.melts(h)-60, f.MeltInterval(h)
	assert.Less(t, superposed(f.Fastest, h)-60, 0.7*truth)
	assert.Less(t, got.Early.Time-60, truth)
	assert.Greater(t, got.Late.Time-60, truth)
}

func TestConstantCurrentIsReadOffTheCurves(t *testing.T) {
	fast, err := thermal.FitFuse(demoCurve())
	require.NoError(t, err)
	slow := fast.Derated(1.2)
	f := thermal.Fuse{Fastest: fast, Slowest: slow}
	got := f.MeltInterval(thermal.History{{Current: 500, Duration: 7}, {Current: -500, Duration: 1e4}})
	assert.Equal(t, fast.MeltTime(500), got.Early)
	assert.Equal(t, slow.MeltTime(500), got.Late)
	got = f.MeltInterval(thermal.History{{Current: 500, Duration: 1}})
	assert.Equal(t, math.Inf(1), got.Early.Time, "not within the history")
	assert.Equal(t, math.Inf(1), f.MeltInterval(nil).Late.Time)
}

func TestAWatchSeesThroughRipple(t *testing.T) {
	m, err := thermal.FitFuse(demoCurve())
	require.NoError(t, err)
	f := thermal.Fuse{Fastest: m, Slowest: m}
	watch := f.WatchLate()
	var at float64
	melted := false
	for step := 0; !melted && step < 1e6; step++ {
		at, melted = watch.Observe([]float64{500, 600}[step%2], 0.01)
	}
	require.True(t, melted, "a current that hunts restarts nothing below its lowest value")
	assert.LessOrEqual(t, at, m.MeltTime(500*0.99).Time*1.001)
	assert.Greater(t, at, m.MeltTime(600).Time)

	idle := f.WatchLate()
	assert.Zero(t, testing.AllocsPerRun(100, func() { idle.Observe(200, 0.01) }), "nothing to do below the least melting current")
}

func TestAWatchHoldsOnASlowRamp(t *testing.T) {
	e := elements["neck and strip"]
	f := published(t, e)
	least := f.Fastest.LeastMeltingCurrent()
	var h thermal.History
	for i := range 2000 {
		h = append(h, thermal.CurrentSegment{Current: least * (0.5 + 0.002*float64(i)), Duration: 0.002})
	}
	truth, got := e.melts(h), f.MeltInterval(h)
	assert.Less(t, got.Early.Time, truth)
	assert.Greater(t, got.Late.Time, truth)
	assert.Less(t, got.Late.Time, 1.5*truth, "late, but of use")
}

// anyElementOf draws an element of one to four parts.
func anyElementOf(r *rand.Rand) element {
	e := element{alpha: 0.5 + 4.5*r.Float64()}
	capacity, conductance, total := math.Pow(10, -2*r.Float64()), 1.0, 0.0
	for k := range 1 + r.IntN(4) {
		share := math.Exp(-3 * r.Float64() * float64(k))
		total += share
		e.capacity, e.conductance, e.share = append(e.capacity, capacity), append(e.conductance, conductance), append(e.share, share)
		capacity *= math.Pow(10, 0.3+1.5*r.Float64())
		conductance *= math.Pow(10, -0.8*r.Float64())
	}
	for k := range e.share {
		e.share[k] /= total
	}
	return e
}

// exactly is melts by the course of a network, which is exact and quick: under
// constant current an element whose resistance rises in proportion is linear.
func (e element) exactly(b testing.TB, h thermal.History) float64 {
	var build thermal.Builder
	places := []thermal.Place{}
	for _, c := range e.capacity {
		places = append(places, build.AddNode("part", c))
	}
	places = append(places, build.AddBoundary("air"))
	for k, g := range e.conductance {
		build.Connect(places[k], places[k+1], 1/g)
	}
	n, err := build.Build()
	require.NoError(b, err)
	T, heat := make([]float64, len(e.share)), make([]thermal.Heat, len(e.share))
	var start float64
	for _, s := range h {
		for k, share := range e.share {
			heat[k] = thermal.Heat{Power: s.Current * s.Current * share, Coefficient: e.alpha}
		}
		c, err := n.Course(T, heat, []float64{0}, nil)
		require.NoError(b, err)
		if t := c.FirstAbove(0, 1); t <= s.Duration {
			return start + t
		}
		c.At(s.Duration, T)
		start += s.Duration
	}
	return math.Inf(1)
}

// TestMoltenForetellsWhatObserveFinds: the state that a stretch would lead to says no less than taking it, and takes nothing.
func TestMoltenForetellsWhatObserveFinds(t *testing.T) {
	f := published(t, elements["neck, strip, end"])
	r := rand.New(rand.NewPCG(5, 6))
	molten := 0
	for range 300 {
		w, again := f.WatchLate(), f.WatchLate()
		for _, s := range anyHistory(r, f) {
			ahead := w.Molten(s.Current, s.Duration)
			_, melted := w.Observe(s.Current, s.Duration)
			at, same := again.Observe(s.Current, s.Duration)
			require.Equal(t, melted, same, "looking ahead takes nothing (%g s)", at)
			if melted {
				molten++
				require.GreaterOrEqual(t, ahead, 1.0)
				break
			}
		}
	}
	assert.Greater(t, molten, 100)
}

func TestFineStepsAndModesMeltAnElementAlike(t *testing.T) {
	e := elements["neck, strip, end"]
	least := e.leastMelting()
	h := thermal.History{{Current: 4 * least, Duration: 0.1}, {Current: 0, Duration: 0.05}, {Current: 2 * least, Duration: 100}}
	assert.InEpsilon(t, e.exactly(t, h), e.melts(h), 1e-4)
}

// BenchmarkIntervalOverManyElements is where the margins of the interval come from:
//
//	go test ./bench/thermal -run ^$ -bench IntervalOverManyElements -benchtime 80000x
//
// It counts, per million histories over ever new elements, how often the interval
// misses the truth.
func BenchmarkIntervalOverManyElements(b *testing.B) {
	r := rand.New(rand.NewPCG(1, 2))
	var e element
	var f thermal.Fuse
	var early, late, histories float64
	for i := 0; b.Loop(); i++ {
		for i%200 == 0 {
			e = anyElementOf(r)
			least := e.leastMelting()
			c := thermal.FuseCurve{Rating: least / 1.25, LeastMelting: least}
			for _, times := range []float64{1.02, 1.05, 1.1, 1.17, 1.25, 1.37, 1.5, 1.75, 2, 2.5, 3, 4, 5, 6.5, 8, 10, 12, 16, 20} {
				c.Points = append(c.Points, thermal.CurvePoint{Current: times * least, Time: e.exactly(b, thermal.History{{Current: times * least, Duration: math.Inf(1)}})})
			}
			m, err := thermal.FitFuse(c)
			if err == nil && m.Misfit.Worst < 0.01 {
				f = thermal.Fuse{Fastest: m.Derated(1 - m.Misfit.Worst), Slowest: m.Derated(1 + m.Misfit.Worst)}
				break
			}
		}
		h := anyHistory(r, f)
		h[len(h)-1].Duration = math.Inf(1)
		truth := e.exactly(b, h)
		got := f.MeltInterval(h)
		histories++
		if got.Early.Time > truth*1.0001 {
			early++
		}
		if got.Late.Time < truth*0.9999 {
			late++
		}
	}
	b.ReportMetric(1e6*early/histories, "early_misses/million")
	b.ReportMetric(1e6*late/histories, "late_misses/million")
}

func ExampleFuse_MeltInterval() {
	class, err := thermal.Class("gG")
	if err != nil {
		fmt.Println(err)
		return
	}
	fuse, err := class.Fuse(100)
	if err != nil {
		fmt.Println(err)
		return
	}
	held := fuse.MeltInterval(thermal.History{{Current: 300, Duration: 600}})
	fmt.Printf("300 A held: melts between %.2g s and %.2g s\n", held.Early.Time, held.Late.Time)
	surge := fuse.MeltInterval(thermal.History{{Current: 110, Duration: 3600}, {Current: 300, Duration: 600}})
	fmt.Printf("after an hour of 110 A: between %.2g s and %.2g s later\n", surge.Early.Time-3600, surge.Late.Time-3600)
	// Output:
	// 300 A held: melts between 8.8 s and 2.4e+02 s
	// after an hour of 110 A: between 1.4 s and 2.5e+02 s later
}
