package hydro

import (
	"math"
	"testing"

	"quaybench/bench/root"
	"quaybench/testdata/checks"

	"github.com/stretchr/testify/require"
)

func TestChecksPropeller(t *testing.T) {
	b470 := BSeries{Diameter: 1, Blades: 4, AreaRatio: 0.70, PitchRatio: 1}
	b455 := BSeries{Diameter: 0.35, Blades: 4, AreaRatio: 0.55, PitchRatio: 1}
	screw := func(b BSeries) *Screw {
		s, err := NewBSeries(b)
		require.NoError(t, err)
		return s
	}
	reynolds := func(coefficient func(*Screw) float64) float64 {
		at := b455
		at.Reynolds = 2e7
		return coefficient(screw(at)) - coefficient(screw(b455))
	}
	ship := func() (b BSeries, j, kt float64) { // its pitch follows from the printed thrust
		const n, va, d = 1.6594, 9.538, 8.0
		b = BSeries{Diameter: d, Blades: 4, AreaRatio: 0.7393}
		j, kt = va/(n*d), 2172750/(1025*n*n*math.Pow(d, 4))
		b.PitchRatio = root.Zero(0.5, 1.4, func(pitch float64) float64 {
			b.PitchRatio = pitch
			return screw(b).KT(j) - kt
		})
		return b, j, kt
	}
	measured, err := NewMeasured(Measured{Diameter: 0.3, ShaftSpeed: 20, Power: 2400, AdvanceSpeed: 2.1, Density: 1025})
	require.NoError(t, err)
	shaftPower := func(n, va float64) float64 {
		_, torque := measured.Loads(n, va, 1025)
		return 2 * math.Pi * n * torque
	}
	checks.Run(t, "propeller", map[string]func() float64{
		"B-09":  func() float64 { return screw(b470).KT(0.5) },
		"B-09q": func() float64 { return screw(b470).KQ(0.5) },
		"B-06t": func() float64 { return screw(b455).KT(0.6) },
		"B-06q": func() float64 { return screw(b455).KQ(0.6) },
		"B-04t": func() float64 { return reynolds(func(s *Screw) float64 { return s.KT(0.6) }) },
		"B-04q": func() float64 { return reynolds(func(s *Screw) float64 { return s.KQ(0.6) }) },
		"B-10q": func() float64 { b, j, _ := ship(); return screw(b).KQ(j) },
		"B-10e": func() float64 { b, j, _ := ship(); return screw(b).efficiency(j) },
		"B-14t": func() float64 { thrust, _ := screw(b455).Loads(15, 3.15, 1025); return thrust },
		"B-14q": func() float64 { _, torque := screw(b455).Loads(15, 3.15, 1025); return torque },
		"B-15":  func() float64 { return 100 * shaftPower(16, 0.8*2.1) / shaftPower(20, 2.1) },
		"B-16": func() float64 {
			s := screw(b470)
			return math.Pow(s.KT(0), 1.5) / (2 * math.Pi * s.KQ(0) * math.Sqrt(math.Pi/2))
		},
		"B-17": func() float64 {
			return root.Zero(1, 1e4, func(thrust float64) float64 { return idealPower(thrust, 0, 0.35, 1025) - 5000 })
		},
	})
}

func TestChecksHull(t *testing.T) {
	const foot, knot = 0.3048, 1852.0 / 3600
	coast := func() (way, time float64) {
		r, err := NewResistanceTable([]SpeedForce{{1, 60}, {2, 240}, {3, 540}})
		require.NoError(t, err)
		h := Hull{Resistance: r, Mass: 1500, AddedMass: 75}
		fall := func(v float64) float64 { return -h.NetForce(v, 0, v) / h.Inertia() }
		const steps = 4000 // Simpson over speed: dt = dv/fall, dx = v·dt
		dv := 2.0 / steps
		for i := 0; i <= steps; i++ {
			v := 1 + float64(i)*dv
			weight := dv / 3 * []float64{2, 4}[i%2]
			if i == 0 || i == steps {
				weight = dv / 3
			}
			time += weight / fall(v)
			way += weight * v / fall(v)
		}
		return way, time
	}
	checks.Run(t, "hull", map[string]func() float64{
		"H-01a": func() float64 { return frictionCoefficient(1e6) },
		"H-01b": func() float64 { return frictionCoefficient(1e7) },
		"H-01c": func() float64 { return frictionCoefficient(1e9) },
		"H-02":  func() float64 { return SeaWater().Viscosity },
		"H-08":  func() float64 { return HullSpeed(20*foot) / knot },
		"H-09":  func() float64 { return FroudeNumber(HullSpeed(7), 7) },
		"H-12x": func() float64 { way, _ := coast(); return way },
		"H-12t": func() float64 { _, time := coast(); return time },
		"H-13": func() float64 {
			e := Estimate{Length: 7, Displacement: 2600, Water: SeaWater(), Allowance: 0.3}
			c, err := e.Curve()
			require.NoError(t, err)
			v := 0.35 * math.Sqrt(Gravity*e.Length)
			surface := 2.6 * math.Sqrt(e.Displacement/e.Water.Density*e.Length)
			friction := 1.3 * 0.5 * e.Water.Density * v * v * surface * frictionCoefficient(0.7*e.Length*v/e.Water.Viscosity)
			return 1000 * (c.Force(v) - friction) / (e.Displacement * Gravity)
		},
		"H-15": func() float64 {
			r, err := NewResistanceTable([]SpeedForce{{12.86, 1793260}})
			require.NoError(t, err)
			return Hull{Resistance: r, ThrustDeduction: 0.1747}.ThrustNeeded(12.86) / 1000
		},
	})
}
