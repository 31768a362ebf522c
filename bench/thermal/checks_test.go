package thermal

import (
	"math"
	"testing"

	"quaybench/testdata/checks"

	"github.com/stretchr/testify/require"
)

// zero finds where a falling f passes zero.
func zero(f func(float64) float64, lo, hi float64) float64 {
	for range 200 {
		mid := (lo + hi) / 2
		if f(mid) > 0 {
			lo = mid
		} else {
			hi = mid
		}
	}
	return (lo + hi) / 2
}

const mm2 = 1e-6

func TestChecksConductor(t *testing.T) {
	const foot = 0.3048
	perKilometre := func(section float64, class ConductorClass) func() float64 {
		return func() float64 {
			ohms, err := ConductorResistance(section*mm2, class, false)
			require.NoError(t, err)
			return 1000 * ohms
		}
	}
	area := func(gauge int) func() float64 { return func() float64 { return AWGSection(gauge) / mm2 } }
	thousandFeet := func(gauge int) func() float64 { return func() float64 { return AWGResistance(gauge) * 1000 * foot } }
	checks.Run(t, "conductor", map[string]func() float64{
		"C-01":  func() float64 { return Copper.Resistivity / mm2 },
		"C-07a": perKilometre(16, Class2),
		"C-07b": perKilometre(70, Class2),
		"C-08a": perKilometre(16, Class5),
		"C-08b": perKilometre(50, Class5),
		"C-08c": perKilometre(95, Class5),
		"C-22":  func() float64 { return Copper.Resistivity / (perKilometre(50, Class5)() / 1000) / mm2 },
		"C-23":  func() float64 { return TemperatureByResistance(Celsius20, 100.0/80, 235) - zeroCelsius },
		"K-09a": area(-3),
		"K-09b": area(2),
		"K-09c": area(10),
		"K-10a": thousandFeet(-3),
		"K-10b": thousandFeet(2),
		"K-10c": thousandFeet(6),
		"K-18": func() float64 {
			c := Cable{Length: 10, Resistance: perKilometre(50, Class5)() / 1000, Material: Copper}
			loss := c.Loss(100)
			return loss.Power * (1 + loss.Coefficient*(zeroCelsius+70-loss.Reference)) / 100
		},
		"K-07": func() float64 {
			return Cable{Ampacity: 100, Rated: zeroCelsius + 90, Air: zeroCelsius + 30}.AmpacityIn(zeroCelsius + 50)
		},
		"K-05": func() float64 { return BundlingFactor(5) },
	})
}

func TestChecksAdiabatic(t *testing.T) {
	k := func(from, to float64) func() float64 {
		return func() float64 { return Copper.WithstandConstant(zeroCelsius+from, zeroCelsius+to) * mm2 }
	}
	section := func() float64 { return WithstandSection(2500, 0.1, 115/mm2) }
	checks.Run(t, "adiabatic", map[string]func() float64{
		"K-11a": k(70, 160),
		"K-11b": k(70, 140),
		"K-11c": k(90, 250),
		"K-11d": k(60, 200),
		"K-11e": k(85, 220),
		"K-12":  k(70, 160),
		"K-13":  func() float64 { return section() / mm2 },
		"K-14":  func() float64 { return Copper.AdiabaticTemperature(2500, section(), 0.1, zeroCelsius+70) - zeroCelsius },
		"K-15": func() float64 {
			const circularMil = math.Pi / 4 * 25.4e-6 * 25.4e-6
			return OnderdonkCurrent(2581*circularMil, 5, zeroCelsius+25)
		},
		"K-17": func() float64 { return PreeceCurrent(0.0524 * 0.0254) },
		"K-19": func() float64 {
			return zero(func(d float64) float64 { return 100 - PreeceCurrent(d*0.0254) }, 0.001, 1)
		},
	})
}

func TestChecksFuse(t *testing.T) {
	fuse := func(class string, rating float64) Fuse {
		c, err := Class(class)
		require.NoError(t, err)
		f, err := c.Fuse(rating)
		require.NoError(t, err)
		return f
	}
	gG, blade := fuse("gG", 100), fuse("blade", 30)
	i2t := func(m FuseModel) float64 { return math.Pow(m.MeltCurrent(0.01), 2) * 0.01 }
	checks.Run(t, "fuse", map[string]func() float64{
		"F-01a": func() float64 { return gG.Fastest.MeltCurrent(10) },
		"F-01b": func() float64 { return gG.Slowest.MeltCurrent(5) },
		"F-01c": func() float64 { return gG.Fastest.MeltCurrent(0.1) },
		"F-01d": func() float64 { return gG.Slowest.MeltCurrent(0.1) },
		"F-01e": func() float64 { return fuse("gG", 250).Slowest.MeltCurrent(5) },
		"F-02a": func() float64 { return i2t(gG.Fastest) },
		"F-02b": func() float64 { return i2t(gG.Slowest) },
		"F-02c": func() float64 { return gG.Slowest.MeltCurrent(0.1) / fuse("gG", 160).Fastest.MeltCurrent(0.1) },
		"F-03a": func() float64 { return gG.Fastest.LeastMeltingCurrent() },
		"F-03b": func() float64 { return gG.Slowest.MeltCurrent(2 * 3600) },
		"F-08a": func() float64 { return blade.Fastest.MeltTime(60).Time },
		"F-08b": func() float64 { return blade.Slowest.MeltTime(60).Time },
		"F-08c": func() float64 { return blade.Slowest.MeltTime(105).Time },
		"F-08d": func() float64 { return blade.Fastest.LeastMeltingCurrent() },
	})
}

// body is a one-node network: time constant tau (s), 1 K/W.
func body(t *testing.T, tau float64) *Network {
	t.Helper()
	var b Builder
	b.Connect(b.AddNode("body", tau), b.AddBoundary("air"), 1)
	n, err := b.Build()
	require.NoError(t, err)
	return n
}

// reach is when a body of time constant tau reaches a rise (K) under constant power (W), from a rise.
func reach(t *testing.T, tau, from, power, rise float64) float64 {
	t.Helper()
	c, err := body(t, tau).Course([]float64{from}, []Heat{{Power: power}}, []float64{0}, nil)
	require.NoError(t, err)
	return c.FirstAbove(0, rise)
}

func TestChecksOverload(t *testing.T) {
	square := func(x float64) float64 { return x * x }
	trip := func(current, before float64) func() float64 {
		return func() float64 { return reach(t, 600, square(before), square(current), square(1.05)) }
	}
	relay := func(current, before float64) func() float64 {
		return func() float64 { return reach(t, 283, square(before), square(current), square(1.125)) }
	}
	checks.Run(t, "overload", map[string]func() float64{
		"T-01a": trip(1.2, 0),
		"T-01b": trip(1.5, 0),
		"T-01c": trip(2, 0),
		"T-01d": trip(3, 0),
		"T-01e": trip(6, 0),
		"T-02a": trip(2, 0.8),
		"T-02b": trip(1.2, 1),
		"T-03":  func() float64 { return reach(t, 600, -1, 0, -0.5) },
		"T-06":  relay(7.2, 0),
		"T-07a": relay(1.5, 1),
		"T-07b": relay(1.2, 1.05),
		"T-15":  func() float64 { return reach(t, 3, 0, 80, 0.95*120-40) },
	})
}

func TestChecksDuty(t *testing.T) {
	history := History{{200, 10}, {50, 50}}
	overload := func(seconds float64) func() float64 {
		return func() float64 { return 1 / Foster{{1, 20 * 60}}.Impedance(seconds) }
	}
	// loss of a motor at p times its rated load, constant loss alpha over copper loss, 1 at the rated load
	loss := func(p, alpha float64) float64 { return (alpha + p*p) / (alpha + 1) }
	intermittent := func(p float64) float64 { // highest rise at last, rated load for ever being 1
		n := body(t, 100)
		T := []float64{0}
		highest := 0.0
		for range 100 {
			run, err := n.Course(T, []Heat{{Power: loss(p, 0.4)}}, []float64{0}, nil)
			require.NoError(t, err)
			highest = run.At(15, nil)[0]
			rest, err := n.Course([]float64{highest}, []Heat{{}}, []float64{0}, []float64{100.0 / 150})
			require.NoError(t, err)
			T = rest.At(30, nil)
		}
		return highest
	}
	checks.Run(t, "duty", map[string]func() float64{
		"T-13": func() float64 { return history.RMS() },
		"T-13h": func() float64 {
			f := Foster{{1, 3600}}
			high, low := f.Rise(PulseTrain{Power: 200*200 - 50*50, Width: 10, Period: 60}, 0)
			return (50*50 + (high+low)/2) / (history.RMS() * history.RMS())
		},
		"T-14a": overload(5 * 60),
		"T-14b": overload(10 * 60),
		"T-14c": overload(30 * 60),
		"T-16": func() float64 {
			return zero(func(p float64) float64 { return 1 - loss(p, 0.5)*Foster{{1, 1.5}}.Impedance(2) }, 0.5, 5)
		},
		"T-17": func() float64 { return zero(func(p float64) float64 { return 1 - intermittent(p) }, 0.5, 5) },
	})
}

func TestChecksNetwork(t *testing.T) {
	// chain is junction, case, sink ... to a boundary, by the resistances between them.
	chain := func(resistances ...float64) *Network {
		var b Builder
		var c Cauer
		for _, r := range resistances {
			c = append(c, CauerStep{r, 1})
		}
		c.AddTo(&b, "junction", b.AddBoundary("air"))
		n, err := b.Build()
		require.NoError(t, err)
		return n
	}
	steady := func(n *Network, power, air float64) []float64 {
		heat := make([]float64, n.Nodes())
		heat[0] = power
		T, err := n.SteadyState(heat, []float64{air}, nil)
		require.NoError(t, err)
		return T
	}
	power := func(n *Network, junction, air float64) float64 {
		return zero(func(p float64) float64 { return junction - steady(n, p, air)[0] }, 0, 1e4)
	}
	rashid := chain(0.4, 0.1, 0.5)
	published := Cauer{{0.1, 0.4}, {0.2, 0.5}, {0.3, 0.6}}
	foster := func(c Cauer) Foster {
		f, err := c.Foster()
		require.NoError(t, err)
		return f
	}
	cauer := func(f Foster) Cauer {
		c, err := f.Cauer()
		require.NoError(t, err)
		return c
	}
	checks.Run(t, "network", map[string]func() float64{
		"P-11p": func() float64 { return power(rashid, 150, 25) },
		"P-11c": func() float64 { return steady(rashid, power(rashid, 150, 25), 25)[1] },
		"P-12":  func() float64 { return power(chain(0.1, 0.08), 120, 45) },
		"P-13":  func() float64 { return power(chain(7.5, 1, 5), 175, 25) },
		"P-16a": func() float64 { return foster(published)[0].Resistance },
		"P-16b": func() float64 { return foster(published)[0].TimeConstant },
		"P-16c": func() float64 { return foster(published)[2].Resistance },
		"P-16d": func() float64 { return foster(published)[2].TimeConstant },
		"P-16e": func() float64 { return foster(published).Initial() },
		"P-17":  func() float64 { return cauer(foster(published))[2].Capacity },
		"P-18":  func() float64 { return cauer(foster(Cauer{{0.1, 0.3}, {0.5, 0.8}, {1.2, 2.0}}))[1].Resistance },
		"N-01": func() float64 {
			c, err := body(t, 100).Course([]float64{Celsius20}, []Heat{CopperLoss(100)}, []float64{Celsius20}, nil)
			require.NoError(t, err)
			T, ok := c.Steady()
			require.True(t, ok)
			return T[0] - Celsius20
		},
	})
}

func TestChecksInsulation(t *testing.T) {
	class := func(letter string) InsulationClass {
		c, err := Insulation(letter)
		require.NoError(t, err)
		return c
	}
	limit := func(letter string) func() float64 {
		return func() float64 { return class(letter).Temperature - zeroCelsius }
	}
	rise := func(letter string) func() float64 { return func() float64 { return class(letter).Rise } }
	checks.Run(t, "insulation", map[string]func() float64{
		"T-08a": limit("A"),
		"T-08e": limit("E"),
		"T-08b": limit("B"),
		"T-08f": limit("F"),
		"T-08h": limit("H"),
		"T-09b": rise("B"),
		"T-09f": rise("F"),
		"T-09h": rise("H"),
		"T-10r": func() float64 { return AgeingRate(zeroCelsius+125, class("A").Temperature, 10) },
		"T-10l": func() float64 { // years at 125 °C that use ten years at the class
			used := LifeUsed([]float64{0, 1}, []float64{zeroCelsius + 125, zeroCelsius + 125}, class("A").Temperature, 10)
			return 10 / used
		},
		"T-11": func() float64 {
			f := class("F").Temperature
			return ArrheniusRate(f+10, f, 0.9)
		},
	})
}
