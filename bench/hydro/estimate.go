package hydro

import (
	"fmt"
	"math"
)

// Estimate is a displacement boat nobody has measured: its resistance is guessed from
// what a tape and a slipway scale give. It is a clean yacht's in smooth water: a launch may
// need 0.7 to 4 times that power, and above hull speed it is worse.
type Estimate struct {
	Length       float64 // waterline, m
	Displacement float64 // kg
	Water        Water

	// Wetted surface in m². Zero: 2.6·√(volume·length), Taylor's form for usual hulls
	// (from memory).
	WettedSurface float64

	// Allowance is what skeg, rudder, shaft and a foul bottom add to the friction, as a
	// share: 0.1 to 0.3 is usual (common practice, no source).
	Allowance float64

	// FormFactor k adds to the friction. Zero is right beside the residuary
	// resistance used here, which holds the form drag already.
	FormFactor float64
}

// residuary is the residuary resistance per displacement weight, times 1000, by Froude
// number: the mean of the 22 hulls of the Delft yacht series (Delft Ship Hydromechanics
// Laboratory, in the UCI repository as "Yacht Hydrodynamics"; seen in a stored copy).
// Measured from 0.125 to 0.45; length over the cube root of volume 4.3 to 5.1. Above, the
// coefficient is held (R ~ v²): a guess.
var residuary = []struct{ froude, perThousand float64 }{
	{0.125, 0.11},
	{0.150, 0.26},
	{0.175, 0.49},
	{0.200, 0.79},
	{0.225, 1.23},
	{0.250, 1.84},
	{0.275, 2.68},
	{0.300, 3.85},
	{0.325, 5.35},
	{0.350, 8.12},
	{0.375, 13.21},
	{0.400, 22.02},
	{0.425, 34.90},
	{0.450, 52.11},
}

// Curve returns the estimated resistance: the ITTC-1957 friction line on 0.7 of the
// waterline, as the series was reduced, and the series' mean residuary resistance, which
// grows sixfold from Froude number 0.35 to 0.45. Errors are [*RangeError].
func (e Estimate) Curve() (*Curve, error) {
	volume := e.Displacement / e.Water.Density
	for _, err := range []error{
		within("waterline length in m", e.Length, 1, 60, "a boat"),
		within("displacement in kg", e.Displacement, 10, 1e7, "a boat"),
		within("water density in kg/m³", e.Water.Density, 900, 1100, "water"),
		within("kinematic viscosity in m²/s", e.Water.Viscosity, 0.5e-6, 2e-6, "water"),
		within("length over cube root of volume", e.Length/math.Cbrt(volume), 3.5, 9, "the series has 4.3 to 5.1"),
		within("wetted surface in m²", e.WettedSurface, 0, 5*e.Length*e.Length, "a boat"),
		within("friction allowance", e.Allowance, 0, 2, "a share"),
		within("form factor k", e.FormFactor, 0, 1, "a share"),
	} {
		if err != nil {
			return nil, fmt.Errorf("resistance estimate: %w", err)
		}
	}
	surface := e.WettedSurface
	if surface == 0 {
		surface = 2.6 * math.Sqrt(volume*e.Length)
	}
	force := func(fn, perThousand float64) SpeedForce {
		v := fn * math.Sqrt(Gravity*e.Length)
		cf := frictionCoefficient(0.7 * e.Length * v / e.Water.Viscosity)
		friction := 0.5 * e.Water.Density * v * v * surface * cf * (1 + e.Allowance + e.FormFactor)
		return SpeedForce{Speed: v, Force: friction + perThousand/1000*e.Displacement*Gravity}
	}
	rows := []SpeedForce{force(0.05, 0), force(0.09, 0)}
	for _, r := range residuary {
		rows = append(rows, force(r.froude, r.perThousand))
	}
	last := residuary[len(residuary)-1]
	for _, fn := range []float64{0.50, 0.60} {
		rows = append(rows, force(fn, last.perThousand*fn*fn/(last.froude*last.froude)))
	}
	return newCurve("resistance estimate", rows)
}
