package datafile

import (
	"errors"
	"fmt"
	"math"
	"reflect"
	"strconv"
	"strings"

	"quaybench/bench/quantity"
)

// valueError is what is wrong with the text of one value, with the offset of the
// offending byte in it.
type valueError struct {
	offset int
	text   string
	cause  error
}

func (e *valueError) Error() string { return e.text }
func (e *valueError) Unwrap() error { return e.cause }

// setText sets a field from text, as on the command line, with all checks.
func (f *field) setText(v reflect.Value, s string) error {
	switch f.kind {
	case KindQuantity:
		q, err := f.columns[0].parse(s)
		if err != nil {
			return err
		}
		setQuantity(v, q)
	case KindText:
		if err := f.checkText(s); err != nil {
			return err
		}
		v.SetString(s)
	case KindBoolean:
		if s != "true" && s != "false" {
			return &valueError{text: fmt.Sprintf("true or false is wanted, not %s", quoted(s))}
		}
		v.SetBool(s == "true")
	case KindInteger:
		n, err := strconv.ParseInt(s, 10, 64)
		if err != nil {
			return &valueError{text: fmt.Sprintf("a whole number is wanted, not %s", quoted(s))}
		}
		return f.setInteger(v, n)
	default:
		return &valueError{text: fmt.Sprintf("a %s cannot be set from one text; edit the file", f.kind)}
	}
	return nil
}

// setNumber sets a quantity from its SI value, with all checks.
func (f *field) setNumber(v reflect.Value, si float64) error {
	if f.kind != KindQuantity {
		return &valueError{text: fmt.Sprintf("this is a %s, not a quantity", f.kind)}
	}
	if math.IsNaN(si) || math.IsInf(si, 0) {
		return &valueError{text: fmt.Sprintf("%v is not a number to compute with", si)}
	}
	c := &f.columns[0]
	if reason := c.check(si, c.unit.Format(si, 4)); reason != "" {
		return &valueError{text: reason}
	}
	setQuantity(v, quantity.Exactly(si))
	return nil
}

func setQuantity(v reflect.Value, q quantity.Value) {
	if v.Type() == valueType {
		v.Set(reflect.ValueOf(q))
	} else {
		v.SetFloat(q.SI)
	}
}

// parse reads a quantity and checks its bounds.
func (c *column) parse(s string) (quantity.Value, error) {
	q, err := quantity.Parse(s, c.unit)
	var bad *quantity.Error
	if errors.As(err, &bad) {
		return q, &valueError{offset: bad.Offset, text: bad.Reason, cause: bad}
	}
	if reason := c.check(q.SI, strings.TrimSpace(head(s))); reason != "" {
		return q, &valueError{text: reason}
	}
	return q, c.checkTolerance(q, s)
}

func (f *field) checkText(s string) error {
	if f.one == nil {
		return nil
	}
	for _, allowed := range f.one {
		if s == allowed {
			return nil
		}
	}
	message := fmt.Sprintf("%s is none of %s", quoted(s), strings.Join(f.one, ", "))
	if near := nearest(s, f.one); near != "" {
		message += fmt.Sprintf("; did you mean %s?", quoted(near))
	}
	return &valueError{text: message}
}

func (f *field) setInteger(v reflect.Value, n int64) error {
	switch {
	case f.whole[0] != nil && n < *f.whole[0]:
		return &valueError{text: fmt.Sprintf("%d is below the lowest value allowed, %d", n, *f.whole[0])}
	case f.whole[1] != nil && n > *f.whole[1]:
		return &valueError{text: fmt.Sprintf("%d is above the highest value allowed, %d", n, *f.whole[1])}
	case v.CanInt() && !v.OverflowInt(n):
		v.SetInt(n)
	case v.CanUint() && n >= 0 && !v.OverflowUint(uint64(n)):
		v.SetUint(uint64(n))
	default:
		return &valueError{text: fmt.Sprintf("%d does not fit", n)}
	}
	return nil
}

// getText prints the current value of a field with its unit; "" if it was not given.
func (f *field) getText(v reflect.Value) string {
	switch f.kind {
	case KindQuantity:
		if v.Type() == valueType {
			return v.Interface().(quantity.Value).Text(f.columns[0].text)
		}
		return quantity.Exactly(v.Float()).Text(f.columns[0].text)
	case KindText:
		return v.String()
	case KindBoolean, KindInteger:
		return fmt.Sprint(v.Interface())
	case KindList:
		parts := make([]string, v.Len())
		for i := range parts {
			parts[i] = quantity.Exactly(v.Index(i).Float()).Text(f.columns[0].text)
		}
		return strings.Join(parts, ", ")
	case KindTexts:
		parts := make([]string, v.Len())
		for i := range parts {
			parts[i] = v.Index(i).String()
		}
		return strings.Join(parts, ", ")
	case KindRows:
		rows := make([]string, v.Len())
		for i := range rows {
			cells := make([]string, v.Index(i).Len())
			for j := range cells {
				cells[j] = quantity.Exactly(v.Index(i).Index(j).Float()).Text(f.columns[min(j, len(f.columns)-1)].text)
			}
			rows[i] = strings.Join(cells, " ")
		}
		return strings.Join(rows, ", ")
	}
	return ""
}
