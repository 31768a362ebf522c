package hydro

import (
	"fmt"
	"math"
	"strings"
)

// RangeError reports that a value lies outside the range in which a relation
// holds, or outside what is physically possible.
type RangeError struct {
	Name      string  // the quantity, as the trade names it; " in " and a unit may follow
	Value     float64 // what was given
	Low, High float64 // the range that is accepted
	Why       string  // where the range comes from
}

func (e *RangeError) Error() string {
	name, unit, _ := strings.Cut(e.Name, " in ")
	show := func(x float64) string { return strings.TrimSpace(fmt.Sprintf("%.4g %s", x, unit)) }
	switch {
	case math.IsNaN(e.Value):
		return fmt.Sprintf("%s is no number (%s)", name, e.Why)
	case e.Value < e.Low:
		return fmt.Sprintf("%s is %s, below %s (%s)", name, show(e.Value), show(e.Low), e.Why)
	}
	return fmt.Sprintf("%s is %s, above %s (%s)", name, show(e.Value), show(e.High), e.Why)
}

// RowError reports which row of a table is bad and why. Rows count from 1.
type RowError struct {
	Table string
	Row   int
	Why   string
}

func (e *RowError) Error() string {
	if e.Row == 0 {
		return fmt.Sprintf("%s: %s", e.Table, e.Why)
	}
	return fmt.Sprintf("%s, row %d: %s", e.Table, e.Row, e.Why)
}

// within returns a RangeError unless low <= value <= high; NaN is never within.
func within(name string, value, low, high float64, why string) error {
	if value >= low && value <= high {
		return nil
	}
	return &RangeError{Name: name, Value: value, Low: low, High: high, Why: why}
}
