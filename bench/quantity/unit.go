package quantity

import (
	"fmt"
	"math"
	"strings"
	"unicode"
	"unicode/utf8"
)

// Unit is a parsed unit: its dimension, its scale to SI and, for °C, its zero.
// The zero Unit is the ratio 1.
type Unit struct {
	text     string
	num, den float64 // SI = number · num / den
	dim      dimension
	absolute bool // °C: an absolute temperature, not a difference
	newton   bool // written with N: an energy dimension then means a torque
	minutes  bool // written with min, h or d and no angle: see convertible
}

// zeroCelsius is 0 °C in kelvin (SI brochure, 9th edition, 2.3.1).
const zeroCelsius = 273.15

// String returns the unit as it was written.
func (u Unit) String() string { return u.text }

// ratio reports whether u is the plain number 1.
func (u Unit) ratio() bool { return u.dim == dimension{} && u.num == u.den }

// percent reports whether u is a share in per cent.
func (u Unit) percent() bool { return u.text == "%" }

// toSI converts a number in this unit to SI.
func (u Unit) toSI(x float64) float64 {
	if u.absolute {
		return x + zeroCelsius
	}
	if u.den == 0 { // the zero Unit
		return x
	}
	return x * u.num / u.den
}

// FromSI returns the number that, with this unit behind it, states the SI value si.
func (u Unit) FromSI(si float64) float64 {
	if u.absolute {
		// 328.15 − 273.15 leaves rounding dust in the last bits; nobody states a temperature to a nanokelvin.
		return math.Round((si-zeroCelsius)*1e9) / 1e9
	}
	return u.differenceFromSI(si)
}

// differenceFromSI converts as FromSI does, for a difference, such as a tolerance.
func (u Unit) differenceFromSI(si float64) float64 {
	if u.den == 0 || u.absolute {
		return si
	}
	return si * u.den / u.num
}

// MustUnit returns what ParseUnit does, for units written in the source; it panics on a bad one.
func MustUnit(text string) Unit {
	u, err := ParseUnit(text)
	if err != nil {
		panic(fmt.Sprintf("quantity: unit %q: %v", text, err))
	}
	return u
}

// ParseUnit reads a unit such as "A", "mΩ", "V·s/rad", "kA^2*s", "W/(m/s)^3" or
// "°C". Factors are joined by · or *, at most one / stands outside parentheses,
// exponents are written ², ^2 or 2. "1" is a plain ratio. Errors are *Error with
// the offset in bytes.
func ParseUnit(text string) (Unit, error) {
	if text == "" {
		return Unit{}, &Error{Text: text, Reason: "no unit"}
	}
	switch normal := normalise(text); normal {
	case "°C", "degC":
		return Unit{text: text, num: 1, den: 1, dim: dimension{k: 1}, absolute: true}, nil
	}
	p := unitParser{text: text, rest: text}
	u, err := p.product(0)
	if err == nil && p.rest != "" {
		err = p.fail("%q does not belong in a unit", firstRune(p.rest))
	}
	if err != nil {
		return Unit{}, err
	}
	if !(u.num > 0 && u.den > 0) || math.IsInf(u.num, 0) || math.IsInf(u.den, 0) {
		return Unit{}, &Error{Text: text, Reason: fmt.Sprintf("the exponents in the unit %q are too large", text)}
	}
	u.text = text
	u.minutes = u.minutes && u.dim.rad == 0
	return u, nil
}

// normalise replaces other spellings of the same character.
func normalise(s string) string {
	return strings.Map(func(r rune) rune {
		if other, ok := spellings[r]; ok {
			return other
		}
		return r
	}, s)
}

type unitParser struct{ text, rest string }

func (p *unitParser) fail(format string, args ...any) *Error {
	return &Error{Text: p.text, Offset: len(p.text) - len(p.rest), Reason: fmt.Sprintf(format, args...)}
}

func firstRune(s string) string {
	_, n := utf8.DecodeRuneInString(s)
	return s[:n]
}

// maxNesting bounds the parentheses in a unit.
const maxNesting = 4

// product reads factors joined by · and at most one division.
func (p *unitParser) product(depth int) (Unit, error) {
	u, err := p.factor(depth)
	if err != nil {
		return u, err
	}
	divided := false
	for p.rest != "" {
		operator := normalise(firstRune(p.rest))
		if operator != "·" && operator != "/" {
			break
		}
		if divided {
			return u, p.fail("after / use parentheses to say what is divided by what, for example W/(m·K)")
		}
		p.rest = p.rest[len(firstRune(p.rest)):]
		v, err := p.factor(depth)
		if err != nil {
			return u, err
		}
		times := int8(1)
		if operator == "/" {
			divided, times = true, -1
		}
		if u, err = p.times(u, v, times); err != nil {
			return u, err
		}
	}
	return u, nil
}

// maxExponent bounds exponents so that they stay exact in an int8.
const maxExponent = 9

// times returns u·v^n.
func (p *unitParser) times(u, v Unit, n int8) (Unit, error) {
	up, down := v.num, v.den
	count := n
	if n < 0 {
		up, down, count = v.den, v.num, -n
	}
	for range count {
		u.num *= up
		u.den *= down
	}
	u.dim = u.dim.plus(v.dim, n)
	for _, e := range []int8{u.dim.kg, u.dim.m, u.dim.s, u.dim.a, u.dim.k, u.dim.rad} {
		if e > maxExponent || e < -maxExponent {
			return u, p.fail("the exponents in this unit are too large")
		}
	}
	u.newton = u.newton || v.newton
	u.minutes = u.minutes || v.minutes
	return u, nil
}

// factor reads a symbol or a parenthesis, with its exponent.
func (p *unitParser) factor(depth int) (Unit, error) {
	var u Unit
	if strings.HasPrefix(p.rest, "(") {
		if depth == maxNesting {
			return u, p.fail("too many parentheses in a unit")
		}
		p.rest = p.rest[1:]
		var err error
		if u, err = p.product(depth + 1); err != nil {
			return u, err
		}
		if !strings.HasPrefix(p.rest, ")") {
			return u, p.fail("a closing parenthesis is missing in the unit")
		}
		p.rest = p.rest[1:]
	} else if strings.HasPrefix(p.rest, "1") {
		p.rest = p.rest[1:]
		return Unit{num: 1, den: 1}, nil
	} else {
		n := strings.IndexFunc(p.rest, func(r rune) bool { return !unicode.IsLetter(r) && r != '°' && r != 'º' && r != '%' })
		if n < 0 {
			n = len(p.rest)
		}
		if n == 0 && p.rest == "" {
			return u, p.fail("the unit ends too early")
		}
		if n == 0 {
			return u, p.fail("%q does not belong in a unit", firstRune(p.rest))
		}
		var reason string
		if u, reason = lookUp(normalise(p.rest[:n])); reason != "" {
			return u, p.fail("%s", reason)
		}
		p.rest = p.rest[n:]
	}
	n, err := p.exponent()
	if err != nil || n == 1 {
		return u, err
	}
	return p.times(Unit{num: 1, den: 1}, u, n)
}

var superscripts = map[rune]rune{'⁰': '0', '¹': '1', '²': '2', '³': '3', '⁴': '4', '⁵': '5', '⁶': '6', '⁷': '7', '⁸': '8', '⁹': '9', '⁻': '-'}

// exponent reads ², ⁻¹, ^2, ^-1 or 2; without one the exponent is 1.
func (p *unitParser) exponent() (int8, error) {
	caret := strings.HasPrefix(p.rest, "^")
	scan := strings.TrimPrefix(p.rest, "^")
	sign, digits, end := int8(1), "", len(scan)
	for i, r := range scan {
		plain, raised := superscripts[r]
		if !raised {
			plain = r
		}
		if plain == '-' && i == 0 && (caret || raised) { // a bare '-' is no exponent
			sign = -1
		} else if plain >= '0' && plain <= '9' {
			digits += string(plain)
		} else {
			end = i
			break
		}
	}
	if !caret && digits == "" && sign == 1 {
		return 1, nil
	}
	if len(digits) != 1 || digits == "0" {
		return 1, p.fail("an exponent is a single digit from 1 to 9, for example m²")
	}
	p.rest = scan[end:]
	return sign * int8(digits[0]-'0'), nil
}

// lookUp finds one symbol, with or without a prefix. The reason says why there is none.
func lookUp(name string) (u Unit, reason string) {
	if name == "°C" || name == "degC" {
		return u, "°C cannot be part of a larger unit; write K, for example K/W"
	}
	scale, base := [2]float64{1, 1}, name
	found, ok := symbols[name]
	if !ok {
		first := firstRune(name)
		if scale, ok = prefixes[first]; ok {
			base = name[len(first):]
			found, ok = symbols[base]
			ok = ok && found.prefixed
		}
	}
	if !ok {
		reason = fmt.Sprintf("unknown unit %q", name)
		if better := suggestion(name); better != "" {
			reason += "; did you mean " + better + "?"
		}
		return u, reason
	}
	return Unit{
		num: found.num * scale[0], den: found.den * scale[1], dim: found.dim,
		newton:  base == "N" || base == "Nm",
		minutes: base == "min" || base == "h" || base == "d",
	}, ""
}

// suggestion returns a known symbol for an unknown name: a word for it, or the
// same letters in another case (kw for kW), as few of them as can be: between
// milli and mega lies a factor of a thousand million.
func suggestion(name string) string {
	if better, ok := words[strings.ToLower(name)]; ok {
		return better
	}
	best, least := "", 0
	consider := func(candidate string) {
		if !strings.EqualFold(candidate, name) {
			return
		}
		others := 0
		letters := []rune(candidate)
		for i, r := range []rune(name) {
			if letters[i] != r {
				others++
			}
		}
		if best == "" || others < least || others == least && candidate < best {
			best, least = candidate, others
		}
	}
	for base, s := range symbols {
		consider(base)
		if s.prefixed {
			for prefix := range prefixes {
				consider(prefix + base)
			}
		}
	}
	return best
}

// convertible reports whether a quantity in u may stand where want is wanted.
// The radian does not count (V·s/rad and V·s are both motor constants), unless
// that would take a rate for an angular speed, or energy for torque.
func (u Unit) convertible(want Unit) bool {
	if u.dim.withoutAngle() != want.dim.withoutAngle() || u.absolute && !want.absolute {
		return false
	}
	if want.absolute {
		return true
	}
	_, known := names[want.dim.withoutAngle()]
	return !known || u.Name() == want.Name()
}
