package control

import "math"

// Switch is a discrete change of the law: it acts when Margin, a function of what is seen and of the state, rises through zero.
type Switch struct {
	Name   string
	Event  string // what a person is told when it acts; "" for bookkeeping
	Armed  func(m Mode) bool
	Margin func(in Measured, x []float64) float64
	Act    func(x []float64, m *Mode)
}

// Switches lists the law's discrete changes. The slice is fixed for a law; which of them can act follows from the mode.
func (l *Law) Switches() []Switch {
	s := &l.Settings
	neutral := func(in Measured) float64 { return s.Throttle.Deadband + 1e-6 - math.Abs(in.Lever) }
	stalling := func(in Measured) float64 {
		current := math.Abs(in.MotorCurrent)/(s.Stall.Current*s.Limits.MotorCurrent+1e-9) - 1
		still := 1 - math.Abs(in.Speed)/(s.Stall.Speed+1e-9)
		return min(current, still)
	}
	return []Switch{
		{
			Name:   "neutral start interlock",
			Armed:  func(m Mode) bool { return !m.Released },
			Margin: func(in Measured, _ []float64) float64 { return neutral(in) },
			Act:    func(_ []float64, m *Mode) { m.Released = true },
		},
		{
			Name: "boost", Event: "boost is used up",
			Armed:  func(m Mode) bool { return l.boostOver > 0 && !m.Resting },
			Margin: func(_ Measured, x []float64) float64 { return -x[BoostLeft] },
			Act:    func(x []float64, m *Mode) { m.Resting, x[BoostLeft] = true, 0 },
		},
		{
			Name: "boost", Event: "boost is full again",
			Armed:  func(m Mode) bool { return m.Resting },
			Margin: func(_ Measured, x []float64) float64 { return x[BoostLeft] - 0.998 },
			Act:    func(_ []float64, m *Mode) { m.Resting = false },
		},
		{
			Name:   "stall timer",
			Armed:  func(m Mode) bool { return s.Stall.Time > 0 && !m.Stalling && !m.Stalled },
			Margin: func(in Measured, _ []float64) float64 { return stalling(in) },
			Act:    func(x []float64, m *Mode) { m.Stalling, x[StallTime] = true, 0 },
		},
		{
			Name:   "stall timer",
			Armed:  func(m Mode) bool { return m.Stalling },
			Margin: func(in Measured, _ []float64) float64 { return -0.05 - stalling(in) }, // a little hysteresis, or it chatters
			Act:    func(x []float64, m *Mode) { m.Stalling, x[StallTime] = false, 0 },
		},
		{
			Name: "stall timer", Event: "stall timer stops the motor",
			Armed:  func(m Mode) bool { return m.Stalling && !m.Stalled },
			Margin: func(_ Measured, x []float64) float64 { return x[StallTime] - s.Stall.Time },
			Act:    func(x []float64, m *Mode) { m.Stalled, m.Stalling, x[StallTime] = true, false, 0 },
		},
		{
			Name:   "stall timer",
			Armed:  func(m Mode) bool { return m.Stalled },
			Margin: func(in Measured, _ []float64) float64 { return neutral(in) },
			Act:    func(_ []float64, m *Mode) { m.Stalled = false },
		},
		{
			Name:   "controller cut-off",
			Armed:  func(m Mode) bool { return !m.Low && !m.CutOff },
			Margin: func(_ Measured, x []float64) float64 { return s.LowVoltage.CutOff - x[Voltage] },
			Act:    func(x []float64, m *Mode) { m.Low, x[LowTime] = true, 0 },
		},
		{
			Name:   "controller cut-off",
			Armed:  func(m Mode) bool { return m.Low },
			Margin: func(_ Measured, x []float64) float64 { return x[Voltage] - s.LowVoltage.CutOff - 0.02 }, // hysteresis
			Act:    func(x []float64, m *Mode) { m.Low, x[LowTime] = false, 0 },
		},
		{
			Name: "controller cut-off", Event: "controller cuts off at low voltage",
			Armed:  func(m Mode) bool { return m.Low && !m.CutOff },
			Margin: func(_ Measured, x []float64) float64 { return x[LowTime] - s.LowVoltage.CutOffDelay },
			Act:    func(x []float64, m *Mode) { m.CutOff, m.Low, x[LowTime] = true, false, 0 },
		},
		{
			Name:   "controller cut-off",
			Armed:  func(m Mode) bool { return m.CutOff },
			Margin: func(in Measured, x []float64) float64 { return min(neutral(in), x[Voltage]-s.LowVoltage.Start) },
			Act:    func(_ []float64, m *Mode) { m.CutOff = false },
		},
	}
}

// Settle applies every switch whose margin is already passed, until none is left, and returns the events to tell.
// A sampled controller calls it after each sample; the simulator at each start.
func Settle(switches []Switch, in Measured, x []float64, m *Mode) (events []Switch) {
	for range switches {
		acted := false
		for i := range switches {
			sw := &switches[i]
			if sw.Armed(*m) && sw.Margin(in, x) >= 0 {
				sw.Act(x, m)
				acted = true
				if sw.Event != "" {
					events = append(events, *sw)
				}
			}
		}
		if !acted {
			break
		}
	}
	return events
}
