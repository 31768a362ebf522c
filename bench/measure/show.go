package measure

import "quaybench/bench/quantity"

// show returns a value in the unit of its channel.
func show(si float64, unit string) string {
	if unit == "" {
		unit = "1"
	}
	return quantity.Format(si, unit, 4)
}
