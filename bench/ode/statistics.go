package ode

// Statistics counts the work of one call; sum a chain of calls with Add.
type Statistics struct {
	Steps          int // accepted
	Rejected       int // tried and refused
	Evaluations    int // of Derivatives, those for difference quotients and checks included
	Jacobians      int
	Factorisations int
	Pivoted        int // factorisations that had to leave the sparse order for pivoting
	EventChecks    int // evaluations of event functions

	Checked int          // steps repeated with two half steps
	Suspect int          // of these, how many disagreed beyond the limit
	Worst   Disagreement // the largest disagreement seen
}

// Disagreement is how far a step and its repetition with two half steps lay apart.
type Disagreement struct {
	Ratio float64 // largest difference over all states, in tolerances
	State int     // where
	T, H  float64 // start and size of the step, s
}

// Add adds the work of a further call.
func (s *Statistics) Add(o Statistics) {
	s.Steps += o.Steps
	s.Rejected += o.Rejected
	s.Evaluations += o.Evaluations
	s.Jacobians += o.Jacobians
	s.Factorisations += o.Factorisations
	s.Pivoted += o.Pivoted
	s.EventChecks += o.EventChecks
	s.Checked += o.Checked
	s.Suspect += o.Suspect
	if o.Worst.Ratio > s.Worst.Ratio {
		s.Worst = o.Worst
	}
}
