package scaling

import (
	"fmt"
	"math"
	"strings"

	"quaybench/bench/link"
	"quaybench/bench/quantity"
)

// ReadMeter reads the error of an instrument whose readings are in a unit: "± 2 % ± 3 A", a share of the reading, an offset, or
// both. Empty text is zero: nobody said.
func ReadMeter(text, unit string) (m link.Meter, err error) {
	text = strings.NewReplacer("+/-", "±", "+-", "±").Replace(strings.TrimSpace(text))
	for part := range strings.SplitSeq(text, "±") {
		part = strings.Trim(part, " ,")
		if part == "" {
			continue
		}
		if strings.HasSuffix(part, "%") {
			v, err := quantity.Parse(part, quantity.MustUnit("%"))
			if err != nil || v.SI < 0 {
				return m, fmt.Errorf("%q is no share; write for example \"± 2 %% ± 3 A\"", part)
			}
			m.Gain += v.SI
			continue
		}
		if unit == "°C" || unit == "°F" {
			unit = "K"
		}
		u, err := quantity.ParseUnit(unit)
		if err != nil || unit == "" {
			return m, fmt.Errorf("an error of %q needs the column's unit", part)
		}
		v, err := quantity.Parse(part, u)
		if err != nil {
			return m, err
		}
		m.Offset += math.Abs(v.SI)
	}
	return m, nil
}
