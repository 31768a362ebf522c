package datafile

import (
	"fmt"
	"math"
	"strings"

	"quaybench/bench/quantity"
)

// reach is the range of sizes in which a kind of quantity is read at all, whatever the key. It is far wider than any boat
// needs, and keeps out slips of the exponent, with which nothing can be computed. The least holds where zero is refused.
type reach struct{ least, most float64 }

// reaches lists the least and the largest value that is read for each kind of quantity, SI, by the name of the kind.
var reaches = map[string]reach{
	"ratio":                   {1e-9, 1e6},
	"angle":                   {1e-9, 1e6},
	"time":                    {1e-12, 3.6e8}, // 100,000 h
	"rate":                    {1e-9, 1e9},
	"angular speed":           {1e-6, 1e6 * 2 * math.Pi / 60},
	"length":                  {1e-6, 1e6},
	"area":                    {1e-12, 1e6},
	"volume":                  {1e-12, 1e6},
	"speed":                   {1e-6, 100},
	"mass":                    {1e-6, 1e7},
	"density":                 {1e-3, 1e5},
	"force":                   {1e-6, 1e8},
	"torque":                  {1e-9, 1e7},
	"moment of inertia":       {1e-12, 1e7},
	"energy":                  {1e-9, 1e12},
	"power":                   {1e-6, 1e8},
	"viscous friction":        {1e-12, 1e6},
	"current":                 {1e-9, 1e6},
	"charge":                  {1e-3, 3.6e9}, // 1,000,000 A·h
	"melting integral":        {1e-6, 1e12},
	"voltage":                 {1e-9, 1e5},
	"resistance":              {1e-9, 1e9},
	"inductance":              {1e-12, 1e3},
	"capacitance":             {1e-15, 1e4},
	"motor constant":          {1e-9, 1e3},
	"temperature difference":  {1e-6, 1e4},
	"temperature coefficient": {1e-9, 10},
	"thermal resistance":      {1e-9, 1e6},
	"heat capacity":           {1e-6, 1e10},
	"temperature":             {0, 3273.15}, // 3,000 °C
}

// anyReach holds for kinds without a line of their own.
var anyReach = reach{1e-15, 1e12}

func reachOf(u quantity.Unit) (kind string, r reach) {
	kind = u.Name()
	if r, ok := reaches[kind]; ok {
		return kind, r
	}
	return kind, anyReach
}

// beyond returns what is wrong with the size of an SI value, or "".
func (c *column) beyond(si float64, written string) string {
	kind, r := reachOf(c.unit)
	switch size := math.Abs(si); {
	case size > r.most:
		return fmt.Sprintf("%s is too large: the largest %s that is read is %s", written, kind, quantity.Exactly(r.most).Text(c.text))
	case size < r.least && c.above != nil && *c.above == 0: // where zero may stand, anything near it may
		return fmt.Sprintf("%s is too small: the smallest %s that is read is %s", written, kind, quantity.Exactly(r.least).Text(c.text))
	}
	return ""
}

// mostTemperatureTolerance is the widest tolerance of a temperature, K.
const mostTemperatureTolerance = 100

// widest returns the widest tolerance (SI) that can mean anything for a value, and in words why no wider one can. A tolerance
// is a half-width of a 95 % interval: that of a value which cannot be negative ends at zero, that of a share at both its
// bounds.
func (c *column) widest(v quantity.Value) (most float64, text string) {
	kind, r := reachOf(c.unit)
	most, text = r.most, "no "+kind+" has more"
	if kind == "temperature" {
		most, text = mostTemperatureTolerance, "a temperature that is less known is not known"
	}
	low, high := c.min, c.max
	if low == nil {
		low = c.above
	}
	if high == nil {
		high = c.below
	}
	if low != nil && high != nil && *high-*low < most {
		most, text = *high-*low, "the value lies between its bounds"
	}
	if low != nil && *low >= 0 && kind != "temperature" && v.SI > 0 && v.SI < most {
		return v.SI, "the value cannot be below zero"
	}
	return most, text
}

// checkTolerance returns what is wrong with the tolerance of a value, at its place in the text, or nil.
func (c *column) checkTolerance(v quantity.Value, text string) error {
	most, why := c.widest(v)
	if v.Tolerance <= most*(1+1e-9) {
		return nil
	}
	kind, _ := reachOf(c.unit)
	bound := "± "
	switch {
	case kind == "temperature":
		bound += quantity.Exactly(most).Text("K")
	case kind != "ratio" && most == v.SI:
		bound += "100 %"
	default:
		bound += quantity.Exactly(most).Text(c.text)
	}
	at := len(head(text))
	return &valueError{offset: at, text: fmt.Sprintf("the tolerance is too wide: at most %s, since %s", bound, why)}
}

// head returns the value and unit of a quantity's text, without tolerance and provenance.
func head(s string) string {
	for _, stop := range []string{"±", "+/", "+-", ","} {
		s, _, _ = strings.Cut(s, stop)
	}
	return s
}
