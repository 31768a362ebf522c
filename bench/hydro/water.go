package hydro

import "math"

// Water is what a hull and a propeller move in.
type Water struct {
	Density   float64 // kg/m³
	Viscosity float64 // kinematic, m²/s
}

// SeaWater returns sea water at 15 °C (ITTC fresh and sea water properties; viscosity and density seen on secondary pages). At 5 °C the
// viscosity is about a third higher, the density nearly the same.
func SeaWater() Water { return Water{Density: 1025, Viscosity: 1.189e-6} }

// Gravity is the standard acceleration of free fall in m/s².
const Gravity = 9.80665

// FroudeNumber returns v/√(g·L).
func FroudeNumber(v, length float64) float64 { return v / math.Sqrt(Gravity*length) }

// HullSpeed returns the speed in m/s of the deep-water wave as long as the hull,
// √(g·L/2π): Froude number 0.399, or 1.34·√(L in ft) knots. Near it the resistance of a
// displacement hull climbs steeply.
func HullSpeed(length float64) float64 { return math.Sqrt(Gravity * length / (2 * math.Pi)) }

// frictionCoefficient returns the ITTC-1957 model-ship correlation line
// CF = 0.075/(log10 Rn − 2)². It holds for Rn above about 1e5.
func frictionCoefficient(reynolds float64) float64 {
	d := math.Log10(reynolds) - 2
	return 0.075 / (d * d)
}
