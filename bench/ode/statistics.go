package ode

// Statistics counts the work of one call; sum a chain of calls with Add.
type Statistics struct {
	Steps          int // accepted
	Rejected       int // tried and refused
	Evaluations    int // of Derivatives, those for difference quotients and checks included
	Jacobians      int
	Factorisations int
	EventChecks    int // evaluations of event functions

	Checked int          // steps repeated with two half steps
	Suspect int          // of these, how many disagreed beyond the limit
	Worst   Disagreement // the largest disagreement seen at the end of a step
}

// Disagreement is how far a step and its repetition with two half steps lie
// apart, in tolerances, taking the worst state each time.
type Disagreement struct {
	End    float64 // at the end of the step
	Middle float64 // in its middle, or at an event, where the dense output (an order lower) answers
	State  int     // the worst at the end
	T, H   float64 // start and size of the step, s
}

// Add adds the work of a further call.
func (s *Statistics) Add(o Statistics) {
	s.Steps += o.Steps
	s.Rejected += o.Rejected
	s.Evaluations += o.Evaluations
	s.Jacobians += o.Jacobians
	s.Factorisations += o.Factorisations
	s.EventChecks += o.EventChecks
	s.Checked += o.Checked
	s.Suspect += o.Suspect
	if o.Worst.End > s.Worst.End {
		s.Worst = o.Worst
	}
}
