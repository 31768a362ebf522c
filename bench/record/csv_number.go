package record

import (
	"errors"
	"fmt"
	"math"
	"math/big"
	"strconv"
	"strings"

	"quaybench/bench/quantity"
)

// scale writes SI values as numbers in a unit and reads them back without loss. Floating-point arithmetic would lose
// the last bit (not every value in kelvin is the sum of 273.15 and a float64), so it reckons with room to spare and
// writes as many digits as it takes.
type scale struct {
	unit         quantity.Unit
	factor, zero *big.Float // SI = number·factor + zero; nil where the unit is SI's own
}

const precision = 192 // bits: 40 digits of a number fit, with room for the arithmetic

func newScale(unit string) (scale, error) {
	u, err := quantity.ParseUnit(unit)
	if err != nil {
		return scale{}, fmt.Errorf("unknown unit %s: %w", shown(unit), err)
	}
	at := func(number string) (float64, error) {
		if unit != "1" {
			number += " " + unit
		}
		v, err := quantity.Parse(number, u)
		return v.SI, err
	}
	zero, err := at("0")
	if err != nil {
		return scale{}, fmt.Errorf("the unit %s will not do: %w", shown(unit), err)
	}
	one, err := at("1")
	if err != nil {
		return scale{}, fmt.Errorf("the unit %s will not do: %w", shown(unit), err)
	}
	s := scale{unit: u}
	if zero != 0 || one != 1 {
		s.factor, s.zero = wide().SetFloat64(one-zero), wide().SetFloat64(zero)
		if zero != 0 { // 273.15 itself, not the float64 nearest to it
			s.zero.SetString(strconv.FormatFloat(zero, 'g', -1, 64))
		}
	}
	return s, nil
}

func wide() *big.Float { return new(big.Float).SetPrec(precision) }

// append appends the number that states si in the unit: the first of four lengths that reads back the same. Only a
// temperature within 1e-20 K of absolute zero is beyond the last.
func (s *scale) append(to []byte, si float64) []byte {
	if s.factor == nil {
		return strconv.AppendFloat(to, si, 'g', -1, 64)
	}
	x := wide().SetFloat64(si)
	x.Quo(x.Sub(x, s.zero), s.factor)
	near, _ := x.Float64()
	var text []byte
	for _, digits := range []int{15, 17, 22, 40} {
		if digits <= 17 {
			text = strconv.AppendFloat(to, near, 'g', digits, 64)
		} else {
			text = x.Append(to, 'g', digits)
		}
		if back, err := s.value(string(text[len(to):])); err == nil && back == si {
			break
		}
	}
	return text
}

// value reads a number in the unit as its SI value.
func (s *scale) value(text string) (float64, error) {
	x, err := strconv.ParseFloat(text, 64)
	exponent := 0
	if i := strings.IndexAny(text, "eE"); i >= 0 {
		exponent = len(text) - i
	}
	switch {
	case strings.TrimSpace(text) == "":
		return 0, errors.New("there is no number here; a record has a value in every column of every row")
	case errors.Is(err, strconv.ErrSyntax), strings.ContainsAny(text, "xX_"):
		return 0, fmt.Errorf("%s is not a number; write it with a decimal point, as in 12.5", shown(text))
	case math.IsNaN(x) || err == nil && math.IsInf(x, 0):
		return 0, fmt.Errorf("%s is not a value a record can hold; leave the row out", shown(text))
	case len(text) > maxNumber, exponent > len("e-1000"): // wide numbers would spend hours on it
		return 0, fmt.Errorf("%s is too long for a number", shown(text))
	}
	if s.factor != nil {
		number := wide()
		if _, _, err := number.Parse(text, 10); err != nil {
			return 0, fmt.Errorf("%s is not a number; write it with a decimal point, as in 12.5", shown(text))
		}
		x, _ = number.Add(number.Mul(number, s.factor), s.zero).Float64()
	}
	if math.IsInf(x, 0) {
		return 0, fmt.Errorf("%s is beyond any number", shown(text))
	}
	return x, nil
}

// quantityText returns a value with its unit, as the comment lines give it.
func quantityText(where string, si float64, unit string) (string, error) {
	s, err := newScale(unit)
	if err != nil {
		return "", &ValueError{where, err.Error()}
	}
	if math.IsNaN(si) || math.IsInf(si, 0) {
		return "", &ValueError{where, fmt.Sprintf("is %g; a record holds numbers only", si)}
	}
	text := string(s.append(nil, si))
	if unit == "1" {
		return text, nil
	}
	return text + " " + unit, nil
}

// quantityValue reads what quantityText wrote; the unit may be another of the same kind.
func quantityValue(text, unit string) (float64, error) {
	number, in, ok := strings.Cut(text, " ")
	if !ok {
		in = "1"
	}
	want, err := newScale(unit)
	if err != nil {
		return 0, err
	}
	s, err := newScale(in)
	if err != nil {
		return 0, err
	}
	if s.unit.Name() != want.unit.Name() {
		return 0, fmt.Errorf("%s is a %s; here a %s belongs, as in \"10 %s\"", shown(text), s.unit.Name(), want.unit.Name(), unit)
	}
	return s.value(number)
}
