package quantity

import "strings"

// dimension holds the exponents of the base units. The radian is kept although
// it is dimensionless, because an angular speed is not a frequency.
type dimension struct{ kg, m, s, a, k, rad int8 }

func (d dimension) plus(e dimension, times int8) dimension {
	return dimension{d.kg + times*e.kg, d.m + times*e.m, d.s + times*e.s, d.a + times*e.a, d.k + times*e.k, d.rad + times*e.rad}
}

// withoutAngle drops the radian.
func (d dimension) withoutAngle() dimension { d.rad = 0; return d }

// names are the words for dimensions in messages. Where the radian matters
// (an angular speed is not a rate) both forms have a name of their own.
var names = map[dimension]string{
	{}:                                 "ratio",
	{rad: 1}:                           "angle",
	{s: 1}:                             "time",
	{s: -1}:                            "rate",
	{s: -1, rad: 1}:                    "angular speed",
	{s: -2}:                            "change of rate",
	{s: -2, rad: 1}:                    "angular acceleration",
	{m: 1}:                             "length",
	{m: 2}:                             "area",
	{m: 3}:                             "volume",
	{m: 3, s: -1}:                      "flow",
	{m: 1, s: -1}:                      "speed",
	{m: 1, s: -2}:                      "acceleration",
	{m: 2, s: -1}:                      "kinematic viscosity",
	{kg: 1}:                            "mass",
	{kg: 1, m: -3}:                     "density",
	{kg: 1, m: 1, s: -2}:               "force",
	{kg: 1, m: -1, s: -2}:              "pressure",
	{kg: 1, m: 2}:                      "moment of inertia",
	{kg: 1, m: 2, s: -2}:               "energy",
	{kg: 1, m: 2, s: -3}:               "power",
	{kg: 1, m: 2, s: -4}:               "power slope",
	{kg: 1, m: 2, s: -1}:               "viscous friction",
	{a: 1}:                             "current",
	{a: 1, s: -1}:                      "current slope",
	{a: 1, m: -2}:                      "current density",
	{a: 1, s: 1}:                       "charge",
	{a: 2, s: 1}:                       "melting integral",
	{kg: 1, m: 2, s: -3, a: -1}:        "voltage",
	{kg: 1, m: 2, s: -4, a: -1}:        "voltage slope",
	{kg: 1, m: 2, s: -3, a: -1, k: -1}: "voltage per kelvin",
	{kg: 1, m: 2, s: -3, a: -2}:        "resistance",
	{kg: -1, m: -2, s: 3, a: 2}:        "conductance",
	{kg: 1, m: 3, s: -3, a: -2}:        "resistivity",
	{kg: 1, m: 1, s: -3, a: -2}:        "resistance per length",
	{kg: 1, m: 2, s: -2, a: -2}:        "inductance",
	{kg: -1, m: -2, s: 4, a: 2}:        "capacitance",
	{kg: 1, m: 2, s: -2, a: -1}:        "motor constant",
	{kg: -1, m: -2, s: 2, a: 1}:        "speed constant",
	{kg: 1, s: -2, a: -1}:              "flux density",
	{k: 1}:                             "temperature difference",
	{k: -1}:                            "temperature coefficient",
	{k: 1, s: -1}:                      "heating rate",
	{kg: -1, m: -2, s: 3, k: 1}:        "thermal resistance",
	{kg: 1, m: 2, s: -3, k: -1}:        "thermal conductance",
	{kg: 1, m: 2, s: -2, k: -1}:        "heat capacity",
	{m: 2, s: -2, k: -1}:               "specific heat capacity",
}

// Name returns in words what the unit measures: "current", "torque", "quantity in kg/m".
func (u Unit) Name() string {
	if u.absolute {
		return "temperature"
	}
	name, ok := names[u.dim]
	if !ok {
		name, ok = names[u.dim.withoutAngle()]
	}
	switch {
	case name == "energy" && u.newton:
		return "torque" // N·m and J have the same dimension, yet nobody means one by the other
	case ok:
		return name
	}
	return "quantity in " + u.text
}

// withArticle returns a name after "a" or "an".
func withArticle(name string) string {
	if strings.ContainsRune("aeiou", rune(name[0])) {
		return "an " + name
	}
	return "a " + name
}
