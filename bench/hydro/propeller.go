package hydro

import "math"

// Propeller gives the loads of a propeller at shaft speed n (rev/s, either
// sign), speed of advance va (m/s, either sign) and water density rho (kg/m³):
// thrust in N (ahead positive) and shaft torque in N·m (see the package comment
// for signs). Finite input gives finite output, also at n = 0 and va = 0.
type Propeller interface {
	Loads(n, va, rho float64) (thrust, torque float64)
}

// Screw is a fixed-pitch propeller known in all four quadrants. Make it with
// [NewOpenWater], [NewBSeries] or [NewMeasured].
type Screw struct {
	diameter float64 // m
	ahead    characteristic
	jLow     float64 // advance coefficients between which ahead is used
	jHigh    float64
	all      periodic // C_T*, C_Q* over the hydrodynamic pitch angle
}

// characteristic is an open-water diagram: KT and KQ over the advance
// coefficient J = va/(n·D) for ahead way and ahead rotation.
type characteristic interface {
	KT(j float64) float64
	KQ(j float64) float64
}

// Loads implements [Propeller]. It allocates nothing.
//
// The relation is T = ½ρ·Vr²·(π/4)D²·C_T*(β) and Q = ½ρ·Vr²·(π/4)D³·C_Q*(β)
// with Vr² = va² + (0.7π·n·D)² and β = atan2(va, 0.7π·n·D), the form in which
// four-quadrant tests are published (van Lammeren, van Manen and Oosterveld 1969).
func (s *Screw) Loads(n, va, rho float64) (thrust, torque float64) {
	u := 0.7 * math.Pi * n * s.diameter
	ct, cq := s.all.at(math.Atan2(va, u))
	q := math.Pi / 8 * rho * (va*va + u*u) * s.diameter * s.diameter
	return q * ct, q * s.diameter * cq
}

// KT returns the thrust coefficient T/(ρn²D⁴) at advance coefficient j, ahead
// rotation: the open-water source inside its range of advance ratios, else the estimate.
func (s *Screw) KT(j float64) float64 {
	if j >= s.jLow && j <= s.jHigh {
		return s.ahead.KT(j)
	}
	ct, _ := s.all.at(pitchAngle(j))
	return ct * starToK(j)
}

// KQ returns the torque coefficient Q/(ρn²D⁵) at advance coefficient j, as [Screw.KT].
func (s *Screw) KQ(j float64) float64 {
	if j >= s.jLow && j <= s.jHigh {
		return s.ahead.KQ(j)
	}
	_, cq := s.all.at(pitchAngle(j))
	return cq * starToK(j)
}

// pitchAngle returns β for ahead rotation at advance coefficient j.
func pitchAngle(j float64) float64 { return math.Atan2(j, 0.7*math.Pi) }

// starToK returns KT/C_T*, and KQ/C_Q*, at advance coefficient j.
func starToK(j float64) float64 { return math.Pi / 8 * (j*j + 0.49*math.Pi*math.Pi) }
