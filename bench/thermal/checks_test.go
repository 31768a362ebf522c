package thermal_test

import (
	"math"
	"regexp"
	"sort"
	"strconv"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/boat"
	"quaybench/bench/datafile"
	"quaybench/bench/thermal"
	"quaybench/testdata/checks"
	"quaybench/testdata/reference"
)

const zero = 273.15 // 0 °C

func TestChecksConductor(t *testing.T) {
	compute := map[string]func() float64{
		"C-01":  func() float64 { return thermal.Copper().Resistivity * 1e6 },
		"C-02":  func() float64 { return thermal.Copper().Coefficient },
		"C-03":  func() float64 { return 1/thermal.Copper().Coefficient - 20 },
		"C-04a": func() float64 { return thermal.Copper().Ratio(zero + 75) },
		"C-04b": func() float64 { return thermal.Copper().Ratio(zero + 90) },
		"C-04c": func() float64 { return thermal.Copper().Ratio(zero + 155) },
		"C-06":  func() float64 { return 0.03864 * thermal.Material{Coefficient: 0.00392}.Ratio(zero+95) },
		"C-22": func() float64 {
			r, err := thermal.ConductorResistance(50e-6, thermal.Class5, false)
			require.NoError(t, err)
			return thermal.Copper().Resistivity / r * 1e6
		},
	}
	for _, mm2 := range []float64{6, 10, 16, 25, 35, 50, 70, 95, 120} {
		size := strconv.Itoa(int(mm2))
		for id, class := range map[string]thermal.ConductorClass{"C-07-": thermal.Class2, "C-08-": thermal.Class5} {
			compute[id+size] = func() float64 {
				r, err := thermal.ConductorResistance(mm2*1e-6, class, false)
				require.NoError(t, err)
				return r * 1e3
			}
		}
	}
	for _, celsius := range []float64{70, 75, 90} {
		compute["C-09-"+strconv.Itoa(int(celsius))] = func() float64 { return 1 / thermal.Copper().Ratio(zero+celsius) }
	}
	checks.Run(t, "conductor", compute)
}

func TestChecksCable(t *testing.T) {
	gauges := map[string]int{"4/0": -3, "3/0": -2, "2/0": -1, "1/0": 0, "1": 1, "2": 2, "4": 4, "6": 6, "10": 10}
	k := func(m thermal.Material, from, to float64) func() float64 {
		return func() float64 { return m.WithstandConstant(zero+from, zero+to) * 1e-6 }
	}
	fifty := thermal.Cable{Length: 10, Section: 50e-6, Resistance: 0.386e-3, Material: thermal.Copper()}
	loss := func(celsius float64) float64 {
		h := fifty.Loss(100)
		return h.Power * (1 + h.Coefficient*(zero+celsius-h.Reference))
	}
	compute := map[string]func() float64{
		"K-11a": k(thermal.Copper(), 70, 160), "K-12a": k(thermal.Copper(), 70, 160),
		"K-11b": k(thermal.Copper(), 70, 140), "K-12b": k(thermal.Copper(), 70, 140),
		"K-11c": k(thermal.Copper(), 90, 250), "K-12c": k(thermal.Copper(), 90, 250),
		"K-11d": k(thermal.Copper(), 60, 200), "K-12d": k(thermal.Copper(), 60, 200),
		"K-11e": k(thermal.Copper(), 85, 220), "K-12e": k(thermal.Copper(), 85, 220),
		"K-11f": k(thermal.Copper(), 90, 160),
		"K-11g": k(thermal.Copper(), 180, 350),
		"K-11h": k(thermal.Aluminium(), 70, 160),
		"K-11i": k(thermal.Aluminium(), 90, 250),
		"K-13":  func() float64 { return 1e6 * math.Sqrt(0.1/thermal.WithstandTime(2500, 1, 115e6)) },
		"K-18a": func() float64 { return loss(20) / 100 },
		"K-18b": func() float64 { return loss(70) / 100 },
		"K-18c": func() float64 { return loss(20) },
		"K-08": func() float64 {
			return thermal.Cable{Length: 1, Section: 1e-6, Material: thermal.Copper(), Ampacity: 210, Rated: zero + 105, Air: zero + 30}.AmpacityIn(zero + 50)
		},
	}
	for _, celsius := range []float64{60, 75, 80, 90, 105, 125, 200} {
		factor := func() float64 {
			return thermal.Cable{Length: 1, Section: 1e-6, Material: thermal.Copper(), Ampacity: 1, Rated: zero + celsius, Air: zero + 30}.AmpacityIn(zero + 50)
		}
		compute["K-06-"+strconv.Itoa(int(celsius))] = factor
		compute["K-07-"+strconv.Itoa(int(celsius))] = factor
	}
	for _, n := range []int{3, 4, 6, 7, 24, 25} {
		compute["K-05-"+strconv.Itoa(n)] = func() float64 { return bundled(t, n) }
	}
	for _, label := range []string{"4/0", "2", "4", "6", "10"} {
		compute["K-09-"+label] = func() float64 { return thermal.AWGSection(gauges[label]) * 1e6 }
	}
	for _, label := range []string{"4/0", "3/0", "2/0", "1/0", "1", "2", "4", "6"} {
		compute["K-10-"+label] = func() float64 { return thermal.Copper().Resistivity / thermal.AWGSection(gauges[label]) * 304.8 }
	}
	for label, rating := range map[string][2]float64{"10": {40, 60}, "6": {80, 120}, "2": {140, 210}, "4/0": {300, 445}} {
		compute["K-01-"+label] = func() float64 {
			c := thermal.Cable{
				Length: 3, Section: thermal.AWGSection(gauges[label]), Material: thermal.Copper(),
				Ampacity: rating[1], Rated: zero + 105, Air: zero + 30,
			}
			var b thermal.Builder
			c.AddTo(&b, "cable", b.AddBoundary("air"))
			n, err := b.Build()
			require.NoError(t, err)
			out, err := n.Hold([]float64{zero + 30}, []thermal.Heat{c.Loss(rating[0])}, nil, []float64{zero + 30}, nil)
			require.NoError(t, err)
			require.True(t, out.Steady)
			return out.Temperatures[0] - zero
		}
	}
	checks.Run(t, "cable", compute)
}

// bundled returns the factor that the boat file's key states for a number of conductors.
func bundled(t *testing.T, conductors int) float64 {
	for _, f := range datafile.Fields(boat.Boat{}) {
		if f.Key != "cable[].bundling" {
			continue
		}
		factor := 1.0
		for _, m := range regexp.MustCompile(`(\d+) % from (\d+)`).FindAllStringSubmatch(f.Doc, -1) {
			if from, err := strconv.Atoi(m[2]); err == nil && conductors >= from {
				percent, err := strconv.ParseFloat(m[1], 64)
				require.NoError(t, err)
				factor = percent / 100
			}
		}
		return factor
	}
	require.FailNow(t, "no key for bundled cables")
	return 0
}

func TestChecksFuse(t *testing.T) {
	fuse := func(class string, rating float64) thermal.Fuse {
		c, err := thermal.Class(class)
		require.NoError(t, err)
		f, err := c.Fuse(rating)
		require.NoError(t, err)
		return f
	}
	i2t := func(m thermal.FuseModel) float64 { i := m.MeltCurrent(0.01); return i * i * 0.01 }
	compute := map[string]func() float64{
		"F-02c": func() float64 {
			return fuse("gG", 100).Slowest.MeltCurrent(0.1) / fuse("gG", 160).Fastest.MeltCurrent(0.1)
		},
		"F-08-110": func() float64 { return fuse("blade", 100).Fastest.LeastMeltingCurrent() },
	}
	for rating, hours := range map[float64]float64{32: 1, 63: 1, 100: 2, 250: 3, 500: 4} {
		f := fuse("gG", rating)
		size := strconv.Itoa(int(rating))
		compute["F-01-"+size+"a"] = func() float64 { return f.Fastest.MeltCurrent(10) }
		compute["F-01-"+size+"b"] = func() float64 { return f.Slowest.MeltCurrent(5) }
		compute["F-01-"+size+"c"] = func() float64 { return f.Fastest.MeltCurrent(0.1) }
		compute["F-01-"+size+"d"] = func() float64 { return f.Slowest.MeltCurrent(0.1) }
		compute["F-02-"+size+"a"] = func() float64 { return i2t(f.Fastest) }
		compute["F-02-"+size+"b"] = func() float64 { return i2t(f.Slowest) }
		compute["F-03-"+size+"a"] = func() float64 { return f.Fastest.LeastMeltingCurrent() / rating }
		compute["F-03-"+size+"b"] = func() float64 { return f.Slowest.MeltCurrent(3600*hours) / rating }
	}
	for percent, times := range map[int][2]float64{135: {0.75, 600}, 160: {0.25, 50}, 200: {0.15, 5}, 350: {0.04, 0.5}} {
		f := fuse("blade", 100)
		compute["F-08-"+strconv.Itoa(percent)+"a"] = func() float64 { return f.Fastest.MeltCurrent(times[0]) }
		compute["F-08-"+strconv.Itoa(percent)+"b"] = func() float64 { return f.Slowest.MeltCurrent(times[1]) }
	}
	checks.Run(t, "fuse", compute)
}

func TestChecksInsulation(t *testing.T) {
	class := func(letter string) thermal.InsulationClass {
		c, err := thermal.Insulation(letter)
		require.NoError(t, err)
		return c
	}
	a := class("A").Temperature
	compute := map[string]func() float64{
		"T-10a": func() float64 { return thermal.AgeingRate(zero+125, a, thermal.Halving) },
		"T-10b": func() float64 {
			return 10 / thermal.LifeUsed([]float64{0, 1}, []float64{zero + 125, zero + 125}, a, thermal.Halving)
		},
	}
	for _, letter := range []string{"Y", "A", "E", "B", "F", "H", "N"} {
		compute["T-08-"+letter] = func() float64 { return class(letter).Temperature - zero }
	}
	for _, letter := range []string{"A", "E", "B", "F", "H"} {
		compute["T-09-"+letter] = func() float64 { return class(letter).Rise }
	}
	checks.Run(t, "insulation", compute)
}

func TestChecksLadder(t *testing.T) {
	body := thermal.Foster{{Resistance: 1, TimeConstant: 600}}
	short := thermal.Foster{{Resistance: 1, TimeConstant: 1200}}
	// chain is the heat that brings the first node of a chain to limit, and the
	// temperatures then.
	chain := func(limit, air float64, resistances ...float64) (heat float64, T []float64) {
		var b thermal.Builder
		last := b.AddBoundary("air")
		for i := len(resistances) - 1; i >= 0; i-- {
			node := b.AddNode("node", 1)
			b.Connect(node, last, resistances[i])
			last = node
		}
		n, err := b.Build()
		require.NoError(t, err)
		q := make([]float64, n.Nodes())
		q[last.Index()] = 1
		T, err = n.SteadyState(q, []float64{0}, nil)
		require.NoError(t, err)
		heat = (limit - air) / T[last.Index()]
		for i := range T {
			T[i] = air + heat*T[i]
		}
		return heat, T
	}
	p16foster, err := p16.Foster()
	require.NoError(t, err)
	printed := thermal.Foster{{0.545218012, 0.587685861}, {0.034975383, 0.062807937}, {0.019806605, 0.019506203}}
	compute := map[string]func() float64{
		"T-03": func() float64 {
			half := sort.Search(1e6, func(k int) bool {
				x := []float64{1}
				body.Advance(0, 1e-3*float64(k), x)
				return x[0] <= 0.5
			})
			return 1e-3 * float64(half)
		},
		"T-13":  func() float64 { return thermal.History{{200, 10}, {50, 50}}.RMS() },
		"P-11a": func() float64 { q, _ := chain(150, 25, 0.4, 0.1, 0.5); return q },
		"P-11b": func() float64 { _, T := chain(150, 25, 0.4, 0.1, 0.5); return T[1] },
		"P-12":  func() float64 { q, _ := chain(120, 45, 0.1, 0.08); return q },
		"P-13":  func() float64 { q, _ := chain(175, 25, 7.5, 1, 5); return q },
		"P-18": func() float64 {
			f, err := thermal.Cauer{{0.1, 0.3}, {0.5, 0.8}, {1.2, 2.0}}.Foster()
			require.NoError(t, err)
			c, err := f.Cauer()
			require.NoError(t, err)
			return c[1].Resistance
		},
		"N-01": func() float64 {
			c, err := oneBody(t, 100).Course([]float64{zero + 20}, []thermal.Heat{thermal.CopperLoss(100)}, []float64{zero + 20}, nil)
			require.NoError(t, err)
			T, ok := c.Steady()
			require.True(t, ok)
			return T[0] - zero - 20
		},
		"P-16-R": p16foster.Steady,
		"P-16-C": p16foster.Initial,
	}
	for _, overload := range []float64{1.2, 1.5, 2, 3, 6} {
		compute["T-01-"+strconv.FormatFloat(overload, 'g', -1, 64)] = func() float64 {
			return body.TimeTo(overload*overload, 1.05*1.05)
		}
	}
	for _, minutes := range []float64{5, 10, 30} {
		id := "T-14-" + strconv.Itoa(int(minutes))
		compute[id+"a"] = func() float64 { return short.Steady() / short.Impedance(60*minutes) }
		compute[id+"b"] = func() float64 { return math.Sqrt(short.Steady() / short.Impedance(60*minutes)) }
	}
	for k := range 3 {
		id := "P-16-" + strconv.Itoa(k+1)
		compute[id+"R"] = func() float64 { return p16foster[k].Resistance }
		compute[id+"t"] = func() float64 { return p16foster[k].TimeConstant }
		compute[id+"back"] = func() float64 {
			c, err := printed.Cauer()
			require.NoError(t, err)
			return c[k].Resistance
		}
	}
	checks.Run(t, "ladder", compute)
}

// oneBody returns a network of one node: time constant tau (s), 1 K/W.
func oneBody(t *testing.T, tau float64) *thermal.Network {
	t.Helper()
	var b thermal.Builder
	b.Connect(b.AddNode("body", tau), b.AddBoundary("air"), 1)
	n, err := b.Build()
	require.NoError(t, err)
	return n
}

func TestChecksOverload(t *testing.T) {
	square := func(x float64) float64 { return x * x }
	// reach is when a body reaches a rise (K) under constant power (W), from a rise.
	reach := func(tau, from, power, rise float64) float64 {
		c, err := oneBody(t, tau).Course([]float64{from}, []thermal.Heat{{Power: power}}, []float64{0}, nil)
		require.NoError(t, err)
		return c.FirstAbove(0, rise)
	}
	trip := func(current, before float64) func() float64 {
		return func() float64 { return reach(600, square(before), square(current), square(1.05)) }
	}
	relay := func(current, before float64) func() float64 {
		return func() float64 { return reach(283, square(before), square(current), square(1.125)) }
	}
	checks.Run(t, "overload", map[string]func() float64{
		"T-02a": trip(2, 0.8),
		"T-02b": trip(1.2, 1),
		"T-06":  relay(7.2, 0),
		"T-07a": relay(1.5, 1),
		"T-07b": relay(1.2, 1.05),
		"T-15":  func() float64 { return reach(3, 0, 80, 0.95*120-40) },
	})
}

func TestChecksDuty(t *testing.T) {
	// loss of a motor at p times its rated load, with constant loss alpha over copper loss; 1 at the rated load
	loss := func(p, alpha float64) float64 { return (alpha + p*p) / (alpha + 1) }
	permissible := func(rise func(p float64) float64) float64 { // the overload that just reaches the rated rise
		lo, hi := 0.5, 5.0
		for range 100 {
			if mid := (lo + hi) / 2; rise(mid) < 1 {
				lo = mid
			} else {
				hi = mid
			}
		}
		return lo
	}
	intermittent := func(p float64) (highest float64) {
		n := oneBody(t, 100)
		T := []float64{0}
		for range 100 {
			run, err := n.Course(T, []thermal.Heat{{Power: loss(p, 0.4)}}, []float64{0}, nil)
			require.NoError(t, err)
			highest = run.At(15, nil)[0]
			rest, err := n.Course([]float64{highest}, []thermal.Heat{{}}, []float64{0}, []float64{100.0 / 150})
			require.NoError(t, err)
			T = rest.At(30, nil)
		}
		return highest
	}
	checks.Run(t, "duty", map[string]func() float64{
		"T-13h": func() float64 {
			rms := thermal.History{{Current: 200, Duration: 10}, {Current: 50, Duration: 50}}.RMS()
			high, low := thermal.Foster{{Resistance: 1, TimeConstant: 3600}}.Rise(thermal.PulseTrain{Power: 200*200 - 50*50, Width: 10, Period: 60}, 0)
			return (50*50 + (high+low)/2) / (rms * rms)
		},
		"T-16": func() float64 {
			return permissible(func(p float64) float64 {
				return loss(p, 0.5) * thermal.Foster{{Resistance: 1, TimeConstant: 1.5}}.Impedance(2)
			})
		},
		"T-17": func() float64 { return permissible(intermittent) },
	})
}

// TestChecksLadderCircuit compares a ladder under steps of power, as network and as Foster stages, with
// testdata/reference/circuits/ladder.cir.
func TestChecksLadderCircuit(t *testing.T) {
	c, err := reference.ReadCircuit("ladder")
	require.NoError(t, err)
	for _, row := range c.Cases {
		ladder := thermal.Cauer{{row["r1"], 0.1}, {0.12, 1.3}, {0.18, 9}, {0.6, 160}}
		var b thermal.Builder
		ladder.AddTo(&b, "junction", b.AddBoundary("air"))
		n, err := b.Build()
		require.NoError(t, err)
		foster, err := ladder.Foster()
		require.NoError(t, err)
		course := func(T []float64, power float64) *thermal.Course {
			heat := make([]thermal.Heat, n.Nodes())
			heat[0].Power = power
			c, err := n.Course(T, heat, []float64{0}, nil)
			require.NoError(t, err)
			return c
		}
		first := course(make([]float64, 4), 100)
		pause := course(first.At(2, nil), 0)
		last := course(pause.At(3, nil), 40)
		at := func(t float64) []float64 {
			switch {
			case t <= 2:
				return first.At(t, nil)
			case t <= 5:
				return pause.At(t-2, nil)
			}
			return last.At(t-5, nil)
		}
		superposed := func(t float64) float64 {
			step := func(power, from float64) float64 { return power * foster.Impedance(max(0, t-from)) }
			return step(100, 0) + step(-100, 2) + step(40, 5)
		}
		for name, when := range map[string]float64{
			"t_0_01": 0.01, "t_0_1": 0.1, "t_1": 1, "t_2": 2, "t_2_1": 2.1, "t_5": 5, "t_20": 20, "t_100": 100, "t_300": 300,
		} {
			assert.InDelta(t, row[name], at(when)[0], 0.02, "network, rise at %g s", when)
			assert.InDelta(t, row[name], superposed(when), 0.02, "Foster, rise at %g s", when)
		}
		assert.InDelta(t, row["far_300"], at(300)[3], 0.02, "last node")
	}
	if reference.Live {
		t.Run("live", c.CheckLive)
	}
}

// TestChecksFuseElement compares the interval in which a fuse melts with elements whose resistance rises up to melting,
// solved by SciPy (testdata/reference/fuse): the tool knows only points of each element's time-current curve.
func TestChecksFuseElement(t *testing.T) {
	elements, err := reference.FuseElements()
	require.NoError(t, err)
	for k, e := range elements {
		curve := thermal.FuseCurve{Rating: e.Rating, LeastMelting: e.Least}
		for _, p := range e.Points {
			curve.Points = append(curve.Points, thermal.CurvePoint{Current: p[0], Time: p[1]})
		}
		m, err := thermal.FitFuse(curve)
		require.NoError(t, err, "element %d", k+1)
		f := thermal.Fuse{Fastest: m, Slowest: m}
		early, late, width, never := 0, 0, 0.0, 0
		for i, h := range e.Histories {
			var history thermal.History
			for _, s := range h.Segments {
				history = append(history, thermal.CurrentSegment{Current: s[0], Duration: s[1]})
			}
			got := f.MeltInterval(history)
			if !assert.LessOrEqual(t, got.Early.Time, h.Melts*1.0001, "element %d, history %d %v: melts at %g s", k+1, i+1, h.Segments, h.Melts) {
				early++
			}
			if !assert.GreaterOrEqual(t, got.Late.Time, h.Melts*0.9999, "element %d, history %d %v: melts at %g s", k+1, i+1, h.Segments, h.Melts) {
				late++
			}
			if math.IsInf(got.Late.Time, 1) {
				never++
			} else {
				width += math.Log(got.Late.Time / max(got.Early.Time, 1e-6))
			}
		}
		n := len(e.Histories)
		t.Logf("element %d (resistance up to %.3g times): misfit %.2g; of %d histories %d melt before the interval, %d after; latest over earliest %.3g on (geometric) average, no latest in %d",
			k+1, 1+e.Alpha, m.Misfit.Worst, n, early, late, math.Exp(width/float64(n-never)), never)
	}
	if !reference.Live {
		return
	}
	t.Run("live", func(t *testing.T) {
		now, err := reference.ParseFuseElements(reference.Python(t, "fuse", "element.py", "4"))
		require.NoError(t, err)
		require.Len(t, now, len(elements))
		for k := range elements {
			for i, p := range elements[k].Points {
				assert.InEpsilon(t, p[1], now[k].Points[i][1], 1e-4, "element %d, point %d", k+1, i+1)
			}
			require.Len(t, now[k].Histories, 4)
			for i, h := range now[k].Histories {
				assert.InEpsilon(t, elements[k].Histories[i].Melts, h.Melts, 1e-4, "element %d, history %d", k+1, i+1)
			}
		}
	})
}
