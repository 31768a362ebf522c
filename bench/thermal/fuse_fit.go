package thermal

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"quaybench/bench/root"
	"slices"
	"strconv"
	"strings"
)

// PointKind says what a fuse does at a point of its curve.
type PointKind int

const (
	Melts   PointKind = iota // its element melts after Time at Current
	Carries                  // it must still be whole after Time at Current
)

// CurvePoint is a point of a time-current curve.
type CurvePoint struct {
	Current float64 // A
	Time    float64 // s; a current carried for ever has +Inf
	Kind    PointKind
}

// i2t returns what melts it, A²s.
func (p CurvePoint) i2t() float64 { return p.Current * p.Current * p.Time }

// Edge says on which side of its points a fitted curve must keep.
type Edge int

const (
	Central Edge = iota // as near to the points as can be
	Earlier             // no later than any point: the fastest edge of a band
	Later               // no earlier than any point: the slowest edge of a band
)

// FuseCurve is what a maker or a standard states of one curve of a fuse.
type FuseCurve struct {
	Rating float64 // A

	// Points in order of rising current; times must fall from each melting point
	// to the next. A published curve may be melting or clearing time, mean or
	// edge of a band: give one curve of one kind here, and a fuse two of them.
	Points []CurvePoint

	// Edge keeps the fit on one side of the melting points.
	Edge Edge

	// PreArcingI2t (A²s) anchors the short end; 0 if not known: then the curve
	// is continued at about constant I²t below its shortest time.
	PreArcingI2t float64

	// LeastMelting is the current (A) that melts the element after an endless
	// time, such as the conventional non-fusing current for a fastest curve. It
	// anchors the long end; 0 if not known: then the curve is continued all but
	// level beyond its longest time. The rating itself is always carried.
	LeastMelting float64

	// Allowed is the largest misfit in current that FitFuse accepts beside what
	// the rounding of the points explains; 0 stands for 0.03.
	Allowed float64
}

// SteepError is a stretch of curve steeper than constant I²t, |d ln I/d ln t|
// above ½: there the shorter pulse would need less energy, which no heated
// element does. First and Second count points from 0.
type SteepError struct {
	First, Second int
	From, To      CurvePoint
	Slope         float64
}

func (e *SteepError) Error() string {
	return fmt.Sprintf("curve: from point %d (%g A, %g s) to point %d (%g A, %g s) the slope |d ln I/d ln t| is %.3f, above the 1/2 of constant I²t, which no fuse element follows: check these two points",
		e.First+1, e.From.Current, e.From.Time, e.Second+1, e.To.Current, e.To.Time, e.Slope)
}

const (
	// firm is the weight of a condition beside the 1 of a point: it then holds
	// to about 1e-6.
	firm = 1e3
	// continued is the weight of what is assumed beyond an end that is not
	// anchored: enough to decide there, too little to move a point.
	continued = 0.1
	// straight is the weight of a straight line, in logarithms, between two
	// points: it only chooses among curves that fit the points alike.
	straight = 0.01
	// longestTest is the longest conventional time (s) of IEC 60269-1. A current
	// carried for longer is carried for ever; the time then says nothing about
	// how slow the element is.
	longestTest = 4 * 3600
)

// FitFuse fits a heat network to a time-current curve: log-spaced time constants,
// shares a_k ≥ 0 by linear least squares with rows scaled by (I/In)², so that
// short times weigh as much as long ones. Points that must be carried are
// inequalities. The ends are anchored by
//
//	Σ a_k = (In/least melting current)²    Σ a_k/τ_k = In²/(pre-arcing I²t)
//
// The fitted curve falls monotonically by its form. Misfit is judged in current.
//
// A published figure may be off by half a unit of its last digit, and is taken to have two
// significant digits at least: 1500 A stands for 1450 A to 1550 A. What such roundings
// explain is no contradiction, and the fit may miss points by them; an edge keeps to
// its side of the points as they are written.
//
// Errors are *CurveError, *SteepError, or a *MisfitError with the model beside it.
func FitFuse(c FuseCurve) (m FuseModel, err error) {
	melts, err := c.check()
	if err != nil {
		return FuseModel{}, err
	}
	// Where what is assumed beyond an end pulls the curve off its points it counts for less: a curve of the first order, say,
	// that is given for short times only.
	nearest := FuseModel{Misfit: Misfit{Worst: math.Inf(1)}}
	for _, c := range c.anchored(melts) {
		for _, assumed := range []float64{1, 0.1, 0.01, 1e-3} {
			m, err := c.fit(melts, assumed)
			if !errors.As(err, new(*MisfitError)) {
				return m, err
			}
			if m.Misfit.Worst < nearest.Misfit.Worst {
				nearest = m
			}
		}
	}
	if allowed := c.allowed() + c.rounded(melts); !(nearest.Misfit.Worst <= allowed) {
		return nearest, &MisfitError{nearest.Misfit, allowed}
	}
	return nearest, nil
}

// aside moves a fitted curve as a whole to the side of its melting points that its edge asks for, where the fit left it on the other,
// and notes how far the points are off. One that would then melt below the rating, which it must carry, is made faster instead.
func (c FuseCurve) aside(m *FuseModel) {
	each := func() (out []float64, wrong float64) {
		for _, p := range c.Points {
			off := m.MeltCurrent(p.Time)/p.Current - 1
			if p.Kind == Carries {
				off = min(0, off) // to melt later than it must carry is right
			} else if c.Edge == Later && off < wrong || c.Edge == Earlier && off > wrong {
				wrong = off
			}
			out = append(out, off)
		}
		return out, wrong
	}
	off, wrong := each()
	for range 3 {
		scale := (1 + wrong) * (1 + wrong)
		if math.Abs(wrong) <= 1e-6 {
			break
		}
		larger := scale*m.Element.Steady() < 1
		for i := range m.Element {
			if larger {
				m.Element[i].Resistance *= scale
			} else {
				m.Element[i].TimeConstant /= scale
			}
		}
		off, wrong = each()
	}
	m.Misfit = newMisfit(off)
}

// allowed returns the misfit that FitFuse accepts beside what rounding explains.
func (c FuseCurve) allowed() float64 { return cmp.Or(c.Allowed, 0.03) }

// anchored lists the curve with its anchors as they are written, then as far off as their rounding and that of the points may put
// them. The least melting current goes down only, to the side on which a fuse opens; for the slowest curve that is the wrong one.
func (c FuseCurve) anchored(melts []int) (out []FuseCurve) {
	low := c.Points[melts[0]].Current
	leasts := []float64{c.LeastMelting}
	if c.LeastMelting > 0 && c.Edge != Later {
		leasts = append(leasts, max(c.Rating, c.LeastMelting*(1-Rounding(c.LeastMelting/c.Rating)-Rounding(low))))
		if c.LeastMelting >= low { // only rounding put it there
			leasts[0] = max(c.Rating, 0.995*low)
		}
	}
	i2ts := []float64{c.PreArcingI2t}
	if c.PreArcingI2t > 0 {
		apart := 0.0
		for _, i := range melts {
			apart = max(apart, c.parted(i))
		}
		for _, off := range []float64{-0.5, -1, 1} {
			i2ts = append(i2ts, c.PreArcingI2t*(1+off*apart))
		}
	}
	for _, least := range leasts {
		for _, i2t := range i2ts {
			c.LeastMelting, c.PreArcingI2t = least, i2t
			out = append(out, c)
		}
	}
	return out
}

// frugal returns the melting point with the least I²t.
func (c FuseCurve) frugal(melts []int) int {
	return slices.MinFunc(melts, func(a, b int) int { return cmp.Compare(c.Points[a].i2t(), c.Points[b].i2t()) })
}

// parted returns how far the stated I²t and that of a point may lie apart by their rounding, as a share.
func (c FuseCurve) parted(point int) float64 {
	p := c.Points[point]
	return Rounding(c.PreArcingI2t) + 2*Rounding(p.Current) + Rounding(p.Time)
}

// fit fits a curve that is in order, with the assumptions beyond its ends and between its points weighed by a
// factor.
func (c FuseCurve) fit(melts []int, assumed float64) (FuseModel, error) {
	continued, straight := assumed*continued, assumed*straight
	slowest, fastest := c.Points[melts[0]], c.Points[melts[len(melts)-1]]
	m := FuseModel{Rating: c.Rating, Shortest: fastest.Time, Longest: slowest.Time}
	from, to := fastest.Time, 3*slowest.Time
	if c.PreArcingI2t > 0 {
		// An element that went no further than the first point would have the time
		// constant I²t/I² of it; a share of the heat may stay in something smaller.
		m.Shortest, from = 0, c.PreArcingI2t/(fastest.Current*fastest.Current)/10
	}
	knots := make([]CurvePoint, 0, len(melts)+1)
	if p := c.Points[0]; p.Kind == Carries && p.Time > slowest.Time {
		p.Time = min(p.Time, max(longestTest, 2*slowest.Time))
		knots = append(knots, p)
		to = max(to, 3*p.Time)
	}
	if c.LeastMelting > 0 {
		m.Longest, to = math.Inf(1), max(to, 30*slowest.Time)
	}
	taus := logSpaced(from, to, 3)
	if assumed < 1 { // the element may be slower than the times its curve is given for
		taus = logSpaced(from/10, 30*to, 6)
		if tau := c.firstOrder(slowest, fastest); tau > 0 && !math.IsInf(tau, 1) {
			taus = append(taus, tau)
			slices.Sort(taus)
		}
	}
	f := fuseRows{rating: c.Rating, taus: taus, slack: len(taus)}
	i2t := min(c.PreArcingI2t, c.Points[c.frugal(melts)].i2t()) // more than a point's own by rounding only

	for _, p := range c.Points {
		switch response := stepResponse(taus, p.Time); {
		case p.Kind == Carries:
			f.atMost(p.Current, response)
		case c.Edge == Earlier:
			f.edge(p.Current, response, -1)
		case c.Edge == Later:
			f.edge(p.Current, response, +1)
		default:
			f.equal(1, p.Current, response)
		}
		if p.Kind == Melts {
			knots = append(knots, p)
		}
	}
	for i := 1; i < len(knots); i++ {
		for _, part := range []float64{0.25, 0.5, 0.75} {
			current := knots[i-1].Current * math.Pow(knots[i].Current/knots[i-1].Current, part)
			time := knots[i-1].Time * math.Pow(knots[i].Time/knots[i-1].Time, part)
			f.equal(straight, current, stepResponse(taus, time))
		}
	}

	rates := make([]float64, len(taus))
	for k, tau := range taus {
		rates[k] = 1 / tau
	}
	if c.PreArcingI2t > 0 {
		f.equal(firm, math.Sqrt(i2t), rates)
	} else {
		f.equal(continued, fastest.Current*math.Sqrt(fastest.Time), rates)
	}
	forever := stepResponse(taus, math.Inf(1))
	f.atMost(c.Rating, forever)
	if c.LeastMelting > 0 {
		f.equal(firm, c.LeastMelting, forever)
	} else {
		f.equal(continued, slowest.Current, forever)
	}

	shares, err := f.solve(f.slack)
	if err != nil {
		return FuseModel{}, &CurveError{-1, err.Error()}
	}
	m.Element = ladderOf(shares, taus)
	if len(m.Element) == 0 {
		return FuseModel{}, &CurveError{-1, "no element fits it: check the rating and the points"}
	}
	c.aside(&m)
	if !(m.Misfit.Worst <= c.allowed()) {
		return m, &MisfitError{m.Misfit, c.allowed()}
	}
	return m, nil
}

// firstOrder returns the time constant (s) of the element of a single stage that melts at both ends of the curve, or at the fast
// end and at last at the least melting current; 0 where there is none.
func (c FuseCurve) firstOrder(slowest, fastest CurvePoint) float64 {
	if c.LeastMelting > 0 {
		r := c.LeastMelting / fastest.Current
		return -fastest.Time / math.Log1p(-r*r)
	}
	r := fastest.Current / slowest.Current
	tooFast := func(logTau float64) bool {
		tau := math.Exp(logTau)
		return math.Expm1(-slowest.Time/tau)/math.Expm1(-fastest.Time/tau) < r*r
	}
	low, high := math.Log(fastest.Time/100), math.Log(slowest.Time*100)
	if slowest == fastest || tooFast(high) || !tooFast(low) {
		return 0
	}
	return math.Exp(root.Change(low, high, 0, func(x float64) bool { return !tooFast(x) }))
}

// fuseRows builds the equations (current/rating)² · Σ a_k·values_k = 1.
type fuseRows struct {
	system
	rating float64
	taus   []float64
	slack  int // number of unknowns so far: the shares, then one per inequality
}

func (f *fuseRows) equal(weight, current float64, values []float64) {
	f.add(weight, f.scaled(current, values), 1)
}

func (f *fuseRows) atMost(current float64, values []float64) {
	f.addAtMost(firm, f.scaled(current, values), 1, f.slack)
	f.slack++
}

// edge keeps the row below 1 (side +1: melts later) or above it (−1), and close.
func (f *fuseRows) edge(current float64, values []float64, side float64) {
	row := make([]float64, f.slack+1)
	copy(row, f.scaled(current, values))
	row[f.slack] = side
	f.add(firm, row, 1)
	distance := make([]float64, f.slack+1)
	distance[f.slack] = 1
	f.add(1, distance, 0)
	f.slack++
}

func (f *fuseRows) scaled(current float64, values []float64) []float64 {
	r := current / f.rating
	row := make([]float64, len(values))
	for k, v := range values {
		row[k] = r * r * v
	}
	return row
}

// check returns the indices of the melting points, by rising current.
func (c FuseCurve) check() ([]int, error) {
	if !positive(c.Rating) {
		return nil, &CurveError{-1, fmt.Sprintf("the rating must be above 0 A, got %g A", c.Rating)}
	}
	var melts []int
	for i, p := range c.Points {
		switch {
		case p.Kind != Melts && p.Kind != Carries:
			return nil, &CurveError{i, "it must either melt or carry"}
		case !positive(p.Current) || !(p.Time > 0) || p.Kind == Melts && math.IsInf(p.Time, 1):
			return nil, &CurveError{i, fmt.Sprintf("current and time must be numbers above zero, got %g A and %g s", p.Current, p.Time)}
		case i > 0 && p.Current < c.Points[i-1].Current:
			return nil, &CurveError{i, fmt.Sprintf("%g A comes after %g A: put the points in order of rising current", p.Current, c.Points[i-1].Current)}
		}
		if p.Kind == Carries {
			continue
		}
		if len(melts) > 0 {
			if err := follows(c.Points, melts[len(melts)-1], i); err != nil {
				return nil, err
			}
		}
		melts = append(melts, i)
	}
	if len(melts) == 0 {
		return nil, &CurveError{-1, "it has no melting point"}
	}
	for i, p := range c.Points {
		for _, k := range melts {
			if m := c.Points[k]; p.Kind == Carries && m.Current <= p.Current && m.Time <= p.Time {
				return nil, &CurveError{i, fmt.Sprintf("it must carry %g A for %g s, but by point %d %g A melts it in %g s", p.Current, p.Time, k+1, m.Current, m.Time)}
			}
		}
	}
	return melts, c.checkAnchors(melts[0], melts[len(melts)-1])
}

// roundedDigits is how many significant digits the figures of a curve are taken to have at least.
const roundedDigits = 2

// rounded returns how far in current a curve may miss its points by their rounding and that of the least melting current alone, as a
// share: one point may lie too low by its rounding, and its neighbour, which an edge must keep to as well, too high; the fit, which is of
// least squares and not of the least miss, takes as much again. A share in time is half of it in current, or less.
func (c FuseCurve) rounded(melts []int) (most float64) {
	for _, i := range melts {
		p := c.Points[i]
		most = max(most, Rounding(p.Current)+Rounding(p.Time)/2)
	}
	if c.LeastMelting > 0 {
		most = max(most, Rounding(c.LeastMelting/c.Rating)+Rounding(c.Points[melts[0]].Current))
	}
	return 3 * most
}

// Rounding returns how far a published figure may be off by its rounding, as a share: half a unit of its
// last digit, of which it is taken to have two at least.
func Rounding(x float64) float64 {
	written := strconv.FormatFloat(x, 'e', 5, 64) // a unit may have been converted: what comes after is noise
	mantissa, exponent, _ := strings.Cut(written, "e")
	digits := max(roundedDigits, len(strings.TrimRight(mantissa, "0"))-1)
	size, err := strconv.Atoi(exponent)
	if err != nil || x <= 0 {
		return 0
	}
	return 0.5 * math.Pow10(size-digits+1) / x
}

// follows checks one melting point after the one before it.
func follows(points []CurvePoint, before, i int) error {
	last, p := points[before], points[i]
	switch {
	case p.Current == last.Current:
		return &CurveError{i, fmt.Sprintf("a second melting time at %g A: split the band into a fastest and a slowest curve", p.Current)}
	case p.Time >= last.Time:
		return &CurveError{i, fmt.Sprintf("the curve must fall: %g A melts in %g s, but %g A already in %g s", p.Current, p.Time, last.Current, last.Time)}
	}
	current, time := math.Log(p.Current/last.Current), math.Log(last.Time/p.Time)
	slope := current / time
	current -= Rounding(p.Current) + Rounding(last.Current)
	time += Rounding(p.Time) + Rounding(last.Time)
	if current > 0.5*(1+1e-3)*time {
		return &SteepError{before, i, last, p, slope}
	}
	return nil
}

func (c FuseCurve) checkAnchors(slowest, fastest int) error {
	low, high := c.Points[slowest], c.Points[fastest]
	highI2t := high.i2t()
	switch {
	case low.Current <= c.Rating:
		return &CurveError{slowest, fmt.Sprintf("it melts at %g A, not above the rating of %g A", low.Current, c.Rating)}
	case !(c.PreArcingI2t >= 0) || math.IsInf(c.PreArcingI2t, 1):
		return &CurveError{-1, fmt.Sprintf("the pre-arcing I²t must be above 0 A²s, got %g A²s", c.PreArcingI2t)}
	case c.PreArcingI2t > highI2t*(1.001+c.parted(fastest)):
		return &CurveError{fastest, fmt.Sprintf("it melts with %.4g A²s, less than the pre-arcing I²t of %g A²s", highI2t, c.PreArcingI2t)}
	case c.LeastMelting != 0 && !(c.LeastMelting >= c.Rating):
		return &CurveError{-1, fmt.Sprintf("the least melting current must not be below the rating of %g A, got %g A", c.Rating, c.LeastMelting)}
	case c.LeastMelting*(1-Rounding(c.LeastMelting/c.Rating)) >= low.Current*(1.001+Rounding(low.Current)):
		return &CurveError{slowest, fmt.Sprintf("it melts at %g A, not above the least melting current of %g A", low.Current, c.LeastMelting)}
	case !(c.Allowed >= 0):
		return &CurveError{-1, fmt.Sprintf("the misfit allowed must not be negative, got %g", c.Allowed)}
	}
	return nil
}
