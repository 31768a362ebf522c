package quantity

import "math"

// symbol is one entry of the table of unit symbols.
// The scale is kept as a fraction so that "14 mΩ" is exactly the float64 0.014:
// dividing by 1000 rounds correctly where multiplying by 0.001 need not.
type symbol struct {
	num, den float64
	dim      dimension
	prefixed bool // takes SI prefixes
}

// prefixes are the SI prefixes in use (SI brochure, 9th edition, table 7).
// Hecto, deca and deci are left out: nobody writes them here and "d" and "h" are time units.
var prefixes = map[string][2]float64{
	"p": {1, 1e12}, "n": {1, 1e9}, "µ": {1, 1e6}, "u": {1, 1e6}, "m": {1, 1e3}, "c": {1, 1e2},
	"k": {1e3, 1}, "M": {1e6, 1}, "G": {1e9, 1},
}

// symbols holds the unit symbols. SI and accepted non-SI units follow the SI
// brochure, 9th edition (tables 2, 4 and 8); the knot and nautical mile too (1 nmi = 1852 m).
var symbols = map[string]symbol{
	"1":   {1, 1, dimension{}, false},
	"%":   {1, 100, dimension{}, false},
	"rad": {1, 1, dimension{rad: 1}, true},
	"rev": {2 * math.Pi, 1, dimension{rad: 1}, false},
	"°":   {math.Pi, 180, dimension{rad: 1}, false},
	"deg": {math.Pi, 180, dimension{rad: 1}, false},

	"s":   {1, 1, dimension{s: 1}, true},
	"min": {60, 1, dimension{s: 1}, false},
	"h":   {3600, 1, dimension{s: 1}, false},
	"d":   {86400, 1, dimension{s: 1}, false},
	"Hz":  {1, 1, dimension{s: -1}, true},
	"rpm": {2 * math.Pi, 60, dimension{rad: 1, s: -1}, false},

	"m":    {1, 1, dimension{m: 1}, true},
	"in":   {254, 10000, dimension{m: 1}, false}, // international inch, foot and pound of 1959, exact
	"inch": {254, 10000, dimension{m: 1}, false},
	"ft":   {3048, 10000, dimension{m: 1}, false},
	"lb":   {45359237, 1e8, dimension{kg: 1}, false},

	"nmi": {1852, 1, dimension{m: 1}, false},
	"kn":  {1852, 3600, dimension{m: 1, s: -1}, false},
	"l":   {1, 1000, dimension{m: 3}, true},
	"L":   {1, 1000, dimension{m: 3}, true},

	"g":   {1, 1000, dimension{kg: 1}, true},
	"kg":  {1, 1, dimension{kg: 1}, false},
	"t":   {1000, 1, dimension{kg: 1}, false},
	"N":   {1, 1, dimension{kg: 1, m: 1, s: -2}, true},
	"Nm":  {1, 1, dimension{kg: 1, m: 2, s: -2}, true},
	"Pa":  {1, 1, dimension{kg: 1, m: -1, s: -2}, true},
	"bar": {1e5, 1, dimension{kg: 1, m: -1, s: -2}, true},

	"J":  {1, 1, dimension{kg: 1, m: 2, s: -2}, true},
	"Wh": {3600, 1, dimension{kg: 1, m: 2, s: -2}, true},
	"W":  {1, 1, dimension{kg: 1, m: 2, s: -3}, true},

	"A":   {1, 1, dimension{a: 1}, true},
	"C":   {1, 1, dimension{a: 1, s: 1}, true},
	"Ah":  {3600, 1, dimension{a: 1, s: 1}, true},
	"V":   {1, 1, dimension{kg: 1, m: 2, s: -3, a: -1}, true},
	"Ω":   {1, 1, dimension{kg: 1, m: 2, s: -3, a: -2}, true},
	"ohm": {1, 1, dimension{kg: 1, m: 2, s: -3, a: -2}, true},
	"S":   {1, 1, dimension{kg: -1, m: -2, s: 3, a: 2}, true},
	"F":   {1, 1, dimension{kg: -1, m: -2, s: 4, a: 2}, true},
	"H":   {1, 1, dimension{kg: 1, m: 2, s: -2, a: -2}, true},
	"Wb":  {1, 1, dimension{kg: 1, m: 2, s: -2, a: -1}, true},
	"T":   {1, 1, dimension{kg: 1, s: -2, a: -1}, true},

	"K": {1, 1, dimension{k: 1}, true},
}

// spellings maps the other ways of writing a character to the one in the tables.
var spellings = map[rune]rune{
	'\u03bc': 'µ',      // Greek mu for the micro sign
	'\u2126': '\u03a9', // ohm sign for Greek omega
	'⋅':      '·', '*': '·',
	'º': '°', // ordinal indicator, a common slip for the degree sign
}

// words are whole words often written instead of a symbol.
var words = map[string]string{
	"amp": "A", "amps": "A", "ampere": "A", "amperes": "A", "volt": "V", "volts": "V",
	"ohms": "ohm", "watt": "W", "watts": "W", "sec": "s", "secs": "s", "second": "s", "seconds": "s",
	"minute": "min", "minutes": "min", "mins": "min", "hr": "h", "hrs": "h", "hour": "h", "hours": "h",
	"day": "d", "days": "d", "knot": "kn", "knots": "kn", "kts": "kn", "kt": "kn",
	"degree": "°", "degrees": "°", "percent": "%", "celsius": "°C", "kelvin": "K",
	"metre": "m", "metres": "m", "meter": "m", "meters": "m", "kmh": "km/h", "rps": "rev/s",
	"sqmm": "mm²", "°K": "K", "inches": "in", "foot": "ft", "feet": "ft", "lbs": "lb", "pound": "lb", "pounds": "lb",
}
