package settings

import "fmt"

// Crossing is a derating whose end does not lie beyond its start: instead of falling little by little the limit would fall
// at once, come back as soon as the cause is gone, and so on without end.
type Crossing struct {
	Group string // "stage", "motor", "low_voltage" or "high_voltage"
	Text  string
	Key   string  // the setting that mends it
	Value float64 // to what, SI
	Why   string
}

// Crossings lists the deratings of the set that are crossed. The start moves, never the end: the end is where a part is hurt
// or the bank is empty, and so the change goes to the safe side.
func (s Set) Crossings() (out []Crossing) {
	d, low, high := s.Derating, s.LowVoltage, s.HighVoltage
	hot := func(group string, field *float64, end float64) {
		if start := *field; start >= end {
			out = append(out, Crossing{
				Group: group, Key: s.Key(field), Value: end - 10, Why: "10 K below the end",
				Text: fmt.Sprintf("%s derating ends at %.0f °C, not above its start at %.0f °C: the limit would fall at once", group, end-273.15, start-273.15),
			})
		}
	}
	hot("stage", &s.Derating.StageStart, d.StageEnd)
	if d.MotorSensor != "none" {
		hot("motor", &s.Derating.MotorStart, d.MotorEnd)
	}
	if low.Start <= low.End {
		out = append(out, Crossing{
			Group: "low_voltage", Key: s.Key(&s.LowVoltage.Start), Value: 1.05 * low.End, Why: "5 % above the end",
			Text: fmt.Sprintf("low-voltage derating ends at %.1f V, not below its start at %.1f V", low.End, low.Start),
		})
	}
	if s.Limits.BrakingCurrent > 0 && high.End > 0 && high.Start >= high.End {
		out = append(out, Crossing{
			Group: "high_voltage", Key: s.Key(&s.HighVoltage.Start), Value: 0.97 * high.End, Why: "3 % below the end",
			Text: fmt.Sprintf("high-voltage derating ends at %.1f V, not above its start at %.1f V", high.End, high.Start),
		})
	}
	return out
}
