package ode

import "math"

const (
	safety    = 0.9 // of the step the estimate suggests
	minFactor = 1.0 / 6
	maxFactor = 6.0
)

// controller chooses the next step from the weighted error of the last. The
// estimate is of order 3, so the error goes with h⁴. After acceptance it is the
// predictive controller of Gustafsson, which also looks at the error before
// (Hairer and Wanner II, section IV.8). It takes the smaller of the two
// proposals; where the errors fall, as in a decay whose fast parts have died, the
// prediction is trusted half the way beyond.
type controller struct {
	lastH, lastErr float64 // of the last accepted step; zero before the first
	refused        bool    // the last attempt
}

// accept returns the next step after one of size h with error err <= 1.
func (c *controller) accept(h, err float64) float64 {
	err = max(err, 1e-10)
	factor := safety / fourthRoot(err)
	if c.lastH > 0 {
		predicted := safety * h / c.lastH * fourthRoot(c.lastErr/(err*err))
		factor = min(predicted, math.Sqrt(factor*predicted))
	}
	factor = min(max(factor, minFactor), maxFactor)
	if c.refused {
		factor = min(factor, 1)
	}
	c.lastH, c.lastErr, c.refused = h, max(err, 1e-2), false
	return h * factor
}

// refuse returns the next trial after one of size h with error err > 1.
func (c *controller) refuse(h, err float64) float64 {
	factor := max(safety/fourthRoot(err), minFactor)
	if c.refused { // twice running: a kink or a jump; the asymptotic law does not hold
		factor = min(factor, 0.5)
	}
	c.refused = true
	return h * factor
}

// fail returns the next trial where a step could not be computed at all.
func (c *controller) fail(h float64) float64 {
	c.refused = true
	return h * 0.25
}

func fourthRoot(x float64) float64 { return math.Sqrt(math.Sqrt(x)) }

// firstStep guesses from y' and y" = J y' + ∂f/∂t, both in tolerances: with
// the rate r = |y"|/|y'| the fourth derivative is about |y"| r², and the error
// estimate about a hundredth of h⁴ times that. Units agree, unlike in the usual
// recipes. At a turning point, where the rate means nothing, the step in which
// the curvature moves the state by one tolerance is still safe. Where the
// curvature happens to vanish, motion, the largest |y'| over the size of its
// state, bounds the guess. Too bold a guess costs a refused step.
func firstStep(slope, curvature, motion float64) float64 {
	bound := math.Inf(1)
	if motion > 0 {
		bound = 0.25 / motion
	}
	if curvature == 0 {
		return bound
	}
	careful := 1 / math.Sqrt(curvature)
	if slope == 0 {
		return min(careful, bound)
	}
	rate := curvature / slope
	return min(max(careful, 1/fourthRoot(0.01*curvature*rate*rate)), bound)
}
