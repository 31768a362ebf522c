package hydro

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/interp"
)

// SpeedPower is a measured steady point: the power that holds a speed.
type SpeedPower struct {
	Speed float64 // m/s through the water, above zero
	Power float64 // W, where it was measured: shaft or battery
}

// NewSpeedPower returns the resistance behind measured speed-power points, by rising
// speed, one at the least. The efficiency is effective power R·v over measured power:
// about 0.5 from shaft power, 0.4 from battery power on small boats (common practice,
// no source); it is the weakest number here.
//
// P/v³ is interpolated monotonically, so a boat on the cubic law stays on it. Below the
// first point it is held; above the last it goes on rising as it did there, and never
// falls. Errors are [*RowError] and [*RangeError].
func NewSpeedPower(points []SpeedPower, efficiency float64) (*Curve, error) {
	if err := within("efficiency from measured power to R·v", efficiency, 0.05, 1, "a propulsion chain"); err != nil {
		return nil, fmt.Errorf("speed-power points: %w", err)
	}
	rows := make([]SpeedForce, len(points))
	for i, p := range points {
		rows[i] = SpeedForce{Speed: p.Speed, Force: efficiency * p.Power / p.Speed}
	}
	return newCurve("speed-power points", rows)
}

// SpeedForce is a row of a resistance table: the force at a speed.
type SpeedForce struct {
	Speed float64 // m/s through the water, above zero
	Force float64 // N
}

// NewResistanceTable returns the resistance of a table by rising speed, one row at the
// least, interpolated as [NewSpeedPower] does (R/v² in place of P/v³).
func NewResistanceTable(rows []SpeedForce) (*Curve, error) {
	return newCurve("resistance table", rows)
}

// Curve is a resistance interpolated from a table. It implements [Resistance].
type Curve struct {
	coefficient interp.FritschButland // R/v², kg/m
	first, last float64               // speeds
	atFirst     float64
	atLast      float64
	exponent    float64 // of R/v² above the last speed
}

// Force implements [Resistance]. It allocates nothing.
func (c *Curve) Force(v float64) float64 { return c.at(math.Abs(v)) * v * math.Abs(v) }

// at returns R/v² at speed v, zero or more.
func (c *Curve) at(v float64) float64 {
	switch {
	case v <= c.first:
		return c.atFirst
	case v <= c.last:
		return c.coefficient.Predict(v)
	default:
		return c.atLast * math.Pow(v/c.last, c.exponent)
	}
}

// Range returns the speeds in m/s between which the curve rests on its table.
func (c *Curve) Range() (low, high float64) { return c.first, c.last }

func newCurve(table string, rows []SpeedForce) (*Curve, error) {
	if len(rows) < 1 {
		return nil, &RowError{Table: table, Why: "it is empty; give one row at the least"}
	}
	// The node at zero speed makes the curve leave the held part without a kink.
	v, k := []float64{0}, []float64{0}
	for i, r := range rows {
		why := ""
		switch {
		case !finite(r.Speed, r.Force):
			why = "a value is not a finite number, or the speed is zero"
		case r.Speed < 0.01 || r.Speed > 50:
			why = fmt.Sprintf("%g m/s is no speed of a boat: 0.01 to 50 m/s are read", r.Speed)
		case i > 0 && r.Speed-rows[i-1].Speed < 1e-6:
			why = fmt.Sprintf("speed %g m/s does not rise above the row before (%g)", r.Speed, rows[i-1].Speed)
		case r.Force < 1e-6 || r.Force > 1e9:
			why = fmt.Sprintf("%g N at %g m/s: power or force must be above zero", r.Force, r.Speed)
		}
		if why != "" {
			return nil, &RowError{Table: table, Row: i + 1, Why: why}
		}
		v, k = append(v, r.Speed), append(k, r.Force/(r.Speed*r.Speed))
	}
	k[0] = k[1]
	last := len(v) - 1
	c := &Curve{first: v[1], last: v[last], atFirst: k[1], atLast: k[last]}
	if err := c.coefficient.Fit(v, k); err != nil {
		return nil, &RowError{Table: table, Why: err.Error()}
	}
	// 3 is about the steepest a displacement hull gets over a wide range; a planing
	// hull's falling R/v² is not carried beyond what was measured.
	slope := c.coefficient.PredictDerivative(c.last) * c.last / c.atLast
	c.exponent = math.Min(math.Max(slope, 0), 3)
	return c, nil
}
