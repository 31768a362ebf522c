package hydro

import "math"

// idealPower returns the least shaft power in W that gives thrust t (N) at speed of
// advance va (m/s) on an open disc of diameter d (m): T·(va/2 + √(va²/4 + T/(2ρA))),
// the actuator disc of momentum theory (Rankine, Froude). At va = 0 it inverts to the
// ideal static thrust (2ρA·P²)^(1/3). A ducted propeller may need up to √2 less.
func idealPower(t, va, d, rho float64) float64 {
	disc := math.Pi / 4 * d * d
	return t * (va/2 + math.Sqrt(va*va/4+t/(2*rho*disc)))
}
