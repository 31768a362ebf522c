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

// WithstandSection returns the least section (m²) that stands a current (A) for t
// seconds, k in A·√s/m². Valid to about 5 s, while no heat is lost.
func WithstandSection(current, t, k float64) float64 { return current * math.Sqrt(t) / k }

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

// Loss returns the heat of the cable at fixed current (A).
func (c Cable) Loss(current float64) Heat {
	return Heat{
		Power:       current * current * c.perMetre() * c.Length,
		Coefficient: c.Material.Coefficient,
		Reference:   Celsius20,
	}
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

// AmpacityIn returns the current (A) that holds the cable at its rated temperature in
// air of another temperature (K).
func (c Cable) AmpacityIn(air float64) float64 {
	ampacity := c.Ampacity
	if c.Bundling > 0 {
		ampacity *= c.Bundling
	}
	return ampacity * headroomFactor(c.Rated, c.Air, air)
}

// AddTo adds the cable to a network as one node named name, joined to air, and
// returns the node. A cable whose figures make no node is a *BuildError.
func (c Cable) AddTo(b *Builder, name string, air Place) Place {
	for _, f := range []struct {
		what  string
		value float64
	}{
		{"length must be above 0 m", c.Length},
		{"section must be above 0 m²", c.Section},
		{"ampacity must be above 0 A", c.Ampacity},
		{"rated temperature must be above the air of its ampacity", c.Rated - c.Air},
		{"the material must have a resistivity", c.Material.Resistivity},
	} {
		if !positive(f.value) {
			b.fail(&BuildError{name, f.what, f.value})
			return b.AddNode(name, 1)
		}
	}
	node := b.AddNode(name, c.Capacity())
	b.Connect(node, air, c.ThermalResistance())
	return node
}

// BundlingFactor returns the factor on ampacity for a number of current-carrying
// conductors in one bundle or conduit: 33 CFR 183.425 table 5 note 2 (from
// memory), which 183.435 asks for at 50 V and above.
func BundlingFactor(conductors int) float64 {
	switch {
	case conductors >= 25:
		return 0.50
	case conductors >= 7:
		return 0.60
	case conductors >= 4:
		return 0.70
	}
	return 1
}
