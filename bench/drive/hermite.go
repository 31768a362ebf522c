package drive

import "gonum.org/v1/gonum/interp"

// hermite is a monotone cubic through points (Fritsch and Butland, as gonum fits it), laid out to be looked up fast: the right-hand
// side asks for it each time.
type hermite struct{ knots []knot }

type knot struct{ x, y, slope float64 }

// Fit computes the curve through points in order of x, at least two.
func (h *hermite) Fit(xs, ys []float64) error {
	var f interp.FritschButland
	if err := f.Fit(xs, ys); err != nil {
		return err
	}
	h.knots = nil
	for i, x := range xs {
		h.knots = append(h.knots, knot{x, ys[i], f.PredictDerivative(x)})
	}
	return nil
}

// cell returns the two points that x lies between, its place there from 0 to 1, and their distance; beyond the ends the nearest point, twice.
func (h *hermite) cell(x float64) (a, b *knot, s, width float64) {
	lo, hi := 0, len(h.knots)-1
	switch {
	case !(x > h.knots[lo].x):
		return &h.knots[lo], &h.knots[lo], 0, 1
	case x >= h.knots[hi].x:
		return &h.knots[hi], &h.knots[hi], 0, 1
	}
	for hi-lo > 1 {
		if mid := int(uint(lo+hi) / 2); h.knots[mid].x <= x {
			lo = mid
		} else {
			hi = mid
		}
	}
	a, b = &h.knots[lo], &h.knots[hi]
	width = b.x - a.x
	return a, b, (x - a.x) / width, width
}

// Predict returns the curve at x, level beyond its ends.
func (h *hermite) Predict(x float64) float64 {
	a, b, s, width := h.cell(x)
	if a == b {
		return a.y
	}
	r := 1 - s
	return a.y*(1+2*s)*r*r + b.y*(3-2*s)*s*s + width*s*r*(a.slope*r-b.slope*s)
}

// PredictDerivative returns its slope; at the ends and beyond, that of the end.
func (h *hermite) PredictDerivative(x float64) float64 {
	a, b, s, width := h.cell(x)
	if a == b {
		return a.slope
	}
	r := 1 - s
	return 6*s*r*(b.y-a.y)/width + a.slope*r*(r-2*s) + b.slope*s*(s-2*r)
}
