package hydro

import (
	"fmt"
	"math"
)

// Hull is a boat in straight-ahead motion (surge).
type Hull struct {
	Resistance Resistance // through the water
	Mass       float64    // kg, as it floats
	AddedMass  float64    // kg of water that moves with it; see [AddedMassFraction]

	Wake            float64 // wake fraction w: va = (1−w)·v
	ThrustDeduction float64 // t: the hull feels (1−t)·T

	Windage Windage
}

// Resistance is the water's force on the hull at speed v through it, in N: odd in v,
// positive (against the motion) ahead.
type Resistance interface {
	Force(v float64) float64
}

// Check returns a [*RangeError] for the first value no boat has.
func (h Hull) Check() error {
	if h.Resistance == nil {
		return fmt.Errorf("hull: no resistance given")
	}
	for _, err := range []error{
		within("mass in kg", h.Mass, 1, 1e8, "a boat"),
		within("added mass in kg", h.AddedMass, 0, h.Mass, "it is below the mass in surge"),
		within("wake fraction", h.Wake, -0.2, 0.6, "-0.05 to 0.4 is usual"),
		within("thrust deduction", h.ThrustDeduction, 0, 0.5, "0 to 0.3 is usual"),
	} {
		if err != nil {
			return fmt.Errorf("hull: %w", err)
		}
	}
	return nil
}

// Inertia returns mass and added mass in kg.
func (h Hull) Inertia() float64 { return h.Mass + h.AddedMass }

// AdvanceSpeed returns the propeller's speed of advance in m/s at boat speed v. The
// same wake is used astern, where it is in truth smaller.
func (h Hull) AdvanceSpeed(v float64) float64 { return (1 - h.Wake) * v }

// NetForce returns the force in N that accelerates [Hull.Inertia] at speed v through
// the water, with the propeller's thrust and the apparent head wind in m/s.
func (h Hull) NetForce(v, thrust, headWind float64) float64 {
	return (1-h.ThrustDeduction)*thrust - h.Resistance.Force(v) - h.Windage.force(headWind)
}

// ThrustNeeded returns the propeller thrust in N that holds speed v in still air.
func (h Hull) ThrustNeeded(v float64) float64 {
	return (h.Resistance.Force(v) + h.Windage.force(v)) / (1 - h.ThrustDeduction)
}

// Windage is the part of the boat the wind sees. The zero value catches no wind.
type Windage struct {
	Area float64 // frontal, m²
	Drag float64 // coefficient; about 0.8 to 1.0 for a cabin boat (common practice, no source)
}

// force returns the air's force in N at apparent head wind u (m/s), odd in u.
func (w Windage) force(u float64) float64 { return airDensity / 2 * w.Drag * w.Area * u * math.Abs(u) }

// AddedMassFraction returns the surge added mass as a plain share of the mass: 0.05 to
// 0.15 is usual. For one ship form a measurement gives 0.076 (Yasukawa and Yoshimura
// 2015, KVLCC2) and Söding's formula 0.121: take ±50 %.
func AddedMassFraction(mass, fraction float64) float64 { return mass * fraction }
