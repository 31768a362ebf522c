package choose

import (
	"math"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"

	"quaybench/bench/boat"
	"quaybench/bench/drive"
	"quaybench/bench/hydro"
	"quaybench/bench/quantity"
	"quaybench/bench/thermal"
	"quaybench/bench/variant"
	"quaybench/testdata/checks"
)

// smallest returns the thinnest gauge of 33 CFR 183.425 table 5 that may carry a current.
func smallest(amps, celsius float64) float64 {
	for _, g := range thermal.Gauges() {
		if a, ok := thermal.AllowableAmperage(g, celsius+273.15); ok && a >= amps {
			return float64(g)
		}
	}
	return math.NaN()
}

func allowed(gauge int, celsius float64) func() float64 {
	return func() float64 { a, _ := thermal.AllowableAmperage(gauge, celsius+273.15); return a }
}

func least(amps, celsius float64) func() float64 {
	return func() float64 { return smallest(amps, celsius) }
}

// screw is a propeller of the B-series at a thrust (N) and a speed of advance (m/s), in sea water of 1025 kg/m³.
type screw struct{ pitch, diameter, j, kt, kq, revs, torque, efficiency float64 }

// at works out the B-series propeller that gives the thrust; ok is false where its thrust ends before.
func at(t *testing.T, diameter float64, blades int, area, pitch, thrust, advance float64) (s screw, ok bool) {
	const rho = 1025
	p, err := hydro.NewBSeries(hydro.BSeries{Diameter: diameter, Blades: blades, AreaRatio: area, PitchRatio: pitch})
	if err != nil {
		t.Fatal(err)
	}
	low, high := 0.05, 1.6
	for range 60 { // KT/J² falls with J
		if j := (low + high) / 2; p.KT(j)/(j*j) > thrust/(rho*advance*advance*diameter*diameter) {
			low = j
		} else {
			high = j
		}
	}
	s = screw{pitch: pitch, diameter: diameter, j: low, kt: p.KT(low), kq: p.KQ(low), revs: advance / (low * diameter)}
	s.torque = s.kq * rho * s.revs * s.revs * math.Pow(diameter, 5)
	s.efficiency = s.j * s.kt / (2 * math.Pi * s.kq)
	return s, s.kt > 0 && s.kq > 0
}

// best returns the pitch of highest efficiency, of those that take at most a torque (N·m).
func best(t *testing.T, diameter float64, blades int, area, thrust, advance, torque float64) (out screw) {
	low, high := 0.5, 1.4
	for _, step := range []float64{0.05, 0.01, 0.002} {
		for pitch := low; pitch <= high; pitch += step {
			if s, ok := at(t, diameter, blades, area, pitch, thrust, advance); ok && s.torque <= torque && s.efficiency > out.efficiency {
				out = s
			}
		}
		low, high = max(0.5, out.pitch-step), min(1.4, out.pitch+step)
	}
	return out
}

// mayCarry returns the current (A) at which a cable that carries 100 A in air of one temperature reaches its rated one in air of another, by
// the heat that the model gives it.
func mayCarry(t *testing.T, rated, ampacityAt, air float64) float64 {
	c := &boat.Cable{Name: "any", Circuit: "motor", Section: quantity.Exactly(16e-6), Length: quantity.Exactly(2), ConductorClass: 5,
		RatedTemperature: quantity.Exactly(273.15 + rated), Ampacity: quantity.Exactly(100), AmpacityAt: quantity.Exactly(273.15 + ampacityAt), Bundling: quantity.Exactly(1)}
	h, err := drive.CableHeat(c)
	if err != nil {
		t.Fatal(err)
	}
	return math.Sqrt((rated - air) / (h.Resistance * h.Ohms * thermal.Copper().Ratio(273.15+rated)))
}

func TestChecks(t *testing.T) {
	const thrust, advance = 1393e3, 8.65
	first := best(t, 7, 4, 0.55, thrust, advance, math.Inf(1))
	second := screw{}
	for d := 7.0; d <= 7.8; d += 0.02 {
		if s := best(t, d, 4, 0.55, thrust, advance, 1667435); s.efficiency > second.efficiency {
			second = s
		}
	}
	chart := func(blades int, area, pitch, j float64) func() float64 {
		return func() float64 {
			p, err := hydro.NewBSeries(hydro.BSeries{Diameter: 1, Blades: blades, AreaRatio: area, PitchRatio: pitch})
			if err != nil {
				t.Fatal(err)
			}
			return p.KT(j)
		}
	}
	inAir := func(air float64) func() float64 { return func() float64 { return mayCarry(t, 70, 40, air) } }
	grows := func(from, to float64) func() float64 {
		return func() float64 { return thermal.AmpacityRatio(from*1e-6, to*1e-6, 273.15+70) }
	}
	millivolts := func(section float64) func() float64 {
		return func() float64 {
			r, err := thermal.ConductorResistance(section*1e-6, thermal.Class2, false)
			if err != nil {
				t.Fatal(err)
			}
			return 1e3 * voltageDrop(1, 2*r*thermal.Copper().Ratio(343.15))
		}
	}
	perMetre, err := thermal.ConductorResistance(50e-6, thermal.Class5, false)
	if err != nil {
		t.Fatal(err)
	}
	joules, watts, seconds := prechargePulse(100, 10e-3, 51, 0.95)
	drop := voltageDrop(100, 10*thermal.Copper().Resistivity) / (0.03 * 48) // m²
	const kgf = 9.80665
	checks.Run(t, "sizing", map[string]func() float64{
		"SZ-01": allowed(2, 105), "SZ-02": allowed(-3, 90), "SZ-03": allowed(10, 60),
		"SZ-04": least(150, 105), "SZ-05": least(200, 90), "SZ-06": least(90, 75), "SZ-07": least(30, 60),
		"SZ-08": func() float64 {
			return 1e6 * math.Sqrt(0.1/thermal.WithstandTime(2500, 1, thermal.Copper().WithstandConstant(343.15, 433.15)))
		},
		"SZ-09": func() float64 { return voltageDrop(100, 10*perMetre) },
		"SZ-10": func() float64 { return voltageDrop(100, 10*perMetre*thermal.Copper().Ratio(343.15)) },
		"SZ-11": func() float64 { return 100 * voltageDrop(100, 10*perMetre) },
		"SZ-12": func() float64 { return 1e6 * drop },
		"SZ-13": func() float64 {
			i := slices.IndexFunc(thermal.Sections(), func(s float64) bool { return s >= drop })
			return 1e6 * thermal.Sections()[i]
		},
		"SZ-14": func() float64 { return joules }, "SZ-15": func() float64 { return watts }, "SZ-16": func() float64 { return seconds },
		"SZ-18": func() float64 {
			sum := 0.0
			for _, e := range variant.SeriesE(12) {
				sum += e
			}
			return sum
		},
		"SZ-19": func() float64 {
			i := slices.IndexFunc(made("gG"), func(r float64) bool { return r > 130 })
			return made("gG")[i]
		},
		"SZ-20": func() float64 {
			c, _ := thermal.Class("gG")
			f, err := c.Fuse(100)
			if err != nil {
				t.Fatal(err)
			}
			return f.Slowest.MeltCurrent(thermal.ConventionalTime(100))
		},
		"SZ-22": func() float64 { return kellerArea(88800*kgf, 4, 5.747, 16470*kgf, 0) },
		"SZ-23": func() float64 {
			low, high := 0.5, 1.4
			for range 60 { // thrust rises with pitch
				mid := (low + high) / 2
				s, err := hydro.NewBSeries(hydro.BSeries{Diameter: 0.35, Blades: 4, AreaRatio: 0.55, PitchRatio: mid})
				if err != nil {
					t.Fatal(err)
				}
				if s.KT(0.6) < 0.224096 {
					low = mid
				} else {
					high = mid
				}
			}
			return low
		},
		"SZ-24": func() float64 { return first.pitch }, "SZ-25": func() float64 { return first.revs }, "SZ-26": func() float64 { return first.j },
		"SZ-27": func() float64 { return first.kt }, "SZ-28": func() float64 { return first.kq }, "SZ-29": func() float64 { return first.torque / 1e3 },
		"SZ-30": func() float64 { return first.efficiency },
		"SZ-31": func() float64 { return second.diameter }, "SZ-32": func() float64 { return second.j }, "SZ-33": func() float64 { return second.efficiency },
		"SZ-34": chart(3, 0.35, 1, 0.6), "SZ-35": chart(3, 0.65, 0.8, 0.4), "SZ-36": chart(3, 0.65, 1, 0.6), "SZ-37": chart(3, 0.65, 1.2, 0.8),
		"SZ-38": chart(5, 0.6, 0.8, 0.4), "SZ-39": chart(5, 0.6, 1, 0.6), "SZ-40": chart(5, 0.9, 1.2, 0.6),
		"SZ-41": inAir(30), "SZ-42": inAir(35), "SZ-43": inAir(45), "SZ-44": inAir(50), "SZ-45": inAir(55),
		"SZ-46": grows(25, 35), "SZ-47": grows(35, 50), "SZ-48": grows(50, 70), "SZ-49": grows(70, 95), "SZ-50": grows(95, 120),
		"SZ-51": func() float64 {
			for _, row := range [][2]float64{{4, 26}, {6, 34}, {10, 46}, {16, 61}} {
				if row[1]*mayCarry(t, 70, 30, 35)/100 >= 32 {
					return row[0]
				}
			}
			return math.NaN()
		},
		"SZ-52": millivolts(10), "SZ-53": millivolts(16), "SZ-54": millivolts(35), "SZ-55": millivolts(50), "SZ-56": millivolts(70),
	})
}

// TestWhatDrawsFromTheLinkHoldsPrechargeDown: by hand, 8 W behind 47 Ω at 57.6 V leave 50.1 V, where (57.6 V − 50.1 V)/47 Ω · 50.1 V = 8.0 W; behind 160 Ω at 44.1 V no voltage gives
// more than 44.1²/(4 · 160) = 3.0 W.
func TestWhatDrawsFromTheLinkHoldsPrechargeDown(t *testing.T) {
	share := chargedUnder(8, 47, 57.6)
	assert.InDelta(t, 50.1/57.6, share, 0.001)
	assert.InDelta(t, 8, share*57.6*(1-share)*57.6/47, 1e-9)
	assert.Zero(t, chargedUnder(8, 160, 44.1))
	assert.InDelta(t, 1, chargedUnder(0, 160, 44.1), 1e-12)
}
