package thermal

import (
	"math"
)

// WithstandConstant returns k of S = I·√t/k in A·√s/m² (1e6 times the A·√s/mm² of the
// tables): the short-time withstand of a conductor heated without loss of heat
// from one temperature to another (K). IEC 60364-5-54 annex A.
func (m Material) WithstandConstant(from, to float64) float64 {
	zero := zeroCelsius - m.ZeroPoint
	perKelvin := m.Volumetric * (Celsius20 - zero) / m.Resistivity
	return math.Sqrt(perKelvin * math.Log((to-zero)/(from-zero)))
}

// WithstandTime returns how long (s) a section (m²) stands a current (A).
func WithstandTime(current, section, k float64) float64 {
	r := k * section / current
	return r * r
}

// Cable is one conductor run, known by its ampacity: the current that holds it at
// its rated temperature in the reference air. Its heat is given off in proportion
// to the rise; radiation and draught make the true rise a little less than
// proportional above the rated one.
type Cable struct {
	Length     float64 // m of conductor, out and back
	Section    float64 // m²
	Resistance float64 // Ω/m at 20 °C; 0 stands for the material over the section
	Material   Material
	Ampacity   float64 // A
	Rated      float64 // K of the conductor at its ampacity
	Air        float64 // K of the air the ampacity holds for

	// Bundling is a factor on the ampacity for other conductors beside it; 0
	// stands for 1.
	Bundling float64
}

func (c Cable) perMetre() float64 {
	if c.Resistance > 0 {
		return c.Resistance
	}
	return c.Material.Resistivity / c.Section
}

// ThermalResistance returns the resistance (K/W) of the whole length to the air by its
// ampacity, I²·R(rated)·Rth = rated − air.
func (c Cable) ThermalResistance() float64 {
	ampacity := c.Ampacity
	if c.Bundling > 0 {
		ampacity *= c.Bundling
	}
	loss := ampacity * ampacity * c.perMetre() * c.Length * c.Material.Ratio(c.Rated)
	return (c.Rated - c.Air) / loss
}

// Capacity returns the heat capacity (J/K) of the conductor alone; insulation only
// slows it further.
func (c Cable) Capacity() float64 { return c.Material.Volumetric * c.Section * c.Length }
