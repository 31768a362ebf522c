package hydro

import "fmt"

// Condition is what the water does to a propeller for a while. The zero value is a
// clean propeller in solid water.
type Condition struct {
	// Fouling is the extra torque of weed or line round the shaft as a share of the
	// clean bollard torque at the same shaft speed: 0.5 makes the bollard torque 1.5
	// times. It opposes rotation in every quadrant; thrust stays.
	Fouling float64

	// Ventilation is the share of thrust and torque lost to air drawn down, 0 to 1.
	// A fully ventilated propeller loses roughly 0.6 to 0.8 (from memory, no source).
	Ventilation float64

	// Dry is a propeller running in air: the density of air replaces that of water.
	Dry bool
}

// Check returns a [*RangeError] for a value no water gives.
func (c Condition) Check() error {
	for _, err := range []error{
		within("fouling", c.Fouling, 0, 20, "a share of the bollard torque"),
		within("ventilation", c.Ventilation, 0, 1, "a share"),
	} {
		if err != nil {
			return fmt.Errorf("propeller condition: %w", err)
		}
	}
	return nil
}

const airDensity = 1.2 // kg/m³, 20 °C at sea level

// Loads returns the loads of p in condition c, which must pass [Condition.Check]; see
// [Propeller] for the arguments.
// It allocates nothing.
func (c Condition) Loads(p Propeller, n, va, rho float64) (thrust, torque float64) {
	if c.Dry {
		rho = airDensity
	}
	rho *= 1 - c.Ventilation
	thrust, torque = p.Loads(n, va, rho)
	if c.Fouling != 0 {
		_, bollard := p.Loads(n, 0, rho)
		torque += c.Fouling * bollard
	}
	return thrust, torque
}
