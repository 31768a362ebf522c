package ode

// Problem is what to integrate, from where to where, and what to look out for.
type Problem struct {
	System System
	T0, T1 float64   // s; T1 is not before T0
	Y0     []float64 // states at T0; they are not changed

	// Events end the integration where one of them crosses zero.
	Events []Event
	// EventValues, if not nil, looks at all events at once, in place of their
	// Value: worth it where they share work. Continuous in t and y like these.
	EventValues func(t float64, y, values []float64)

	// Calm, if not nil, is asked of a step whether nothing happens inside that its ends do not show, from what the events are at both: they
	// are not looked at inside then.
	Calm func(s *Step, before, after []float64) bool

	// Observe, if not nil, sees every accepted step in order; an error from it
	// ends the integration.
	Observe func(*Step) error
}
