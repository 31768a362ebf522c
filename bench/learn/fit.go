package learn

import (
	"context"
	"errors"
	"math"
	"slices"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/mat"

	"quaybench/bench/learn/leastsquares"
	"quaybench/bench/ode"
)

// noCheck leaves the check of sampled steps out: a fit asks for hundreds of runs of nearly the same boat.
var noCheck = ode.CheckOptions{Every: -1}

const (
	passes  = 6
	settled = 0.15 // of a posterior standard deviation: no further pass where nothing moves by more
	reached = 1e-3 // information about a value, in prior units, below which the records do not reach it
)

// fitted is a mode with its covariance.
type fitted struct {
	*linear
	x      []float64
	cov    *mat.SymDense
	cost   float64 // −2 times the logarithm of the posterior at x, but for a constant
	passes int
	moves  float64 // by which the last pass would still have moved an unknown, in its standard deviations
}

// sum returns the information of all records at the present noise.
func (p *problem) sum(l *linear) *information {
	all := newInformation(p.size())
	for k, r := range p.records {
		x := p.local(r, l.x)
		for _, s := range l.sets[k] {
			part := s.told(x)
			p.addInformation(r, part, all)
		}
	}
	return all
}

// addInformation adds a record's information to that of all.
func (p *problem) addInformation(r *recorded, part, all *information) {
	n := len(p.values)
	place := func(i int) int {
		if i < n {
			return i
		}
		return r.first + i - n
	}
	for a := range part.g {
		all.g[place(a)] += part.g[a]
		for b := a; b < len(part.g); b++ {
			i, j := place(a), place(b)
			all.A.SetSym(i, j, all.A.At(i, j)+part.A.At(a, b))
		}
	}
	all.dd, all.ld = all.dd+part.dd, all.ld+part.ld
}

// screen leaves out the values that no record reaches: their posterior is their prior.
func (p *problem) screen(l *linear) {
	n := len(p.values)
	told := make([]float64, n)
	for k, r := range p.records {
		x := p.local(r, l.x)
		for _, s := range l.sets[k] {
			floats.Add(told, s.reach(x)[:n])
		}
	}
	var keep []int
	var values []Unknown
	for j, u := range p.values {
		if told[j] > reached || p.drifts && wearOf(p.boat, u.Key) != nil {
			keep, values = append(keep, j), append(values, u)
		} else {
			p.quiet = append(p.quiet, u)
		}
	}
	for _, set := range l.sets {
		for _, s := range set {
			var cols [][]float64
			for _, j := range keep {
				cols = append(cols, s.cols[j])
			}
			s.cols = append(cols, s.cols[n:]...)
		}
	}
	var x []float64
	for _, j := range keep {
		x = append(x, l.x[j])
	}
	l.x = append(x, l.x[n:]...)
	p.values = values
	p.size()
}

// fit finds the mode, started from the charge of the bank that fits best, and from the second best where that lies apart.
func (p *problem) fit(ctx context.Context) (*fitted, error) {
	l, err := p.linearise(ctx, make([]float64, p.size()), nil, false)
	if err != nil {
		return nil, err
	}
	p.screen(l)
	p.tune(l)
	full := passes
	if p.drifts {
		full = 1
	}
	starts, err := p.charges(ctx, l)
	if err != nil {
		return nil, err
	}
	var best *fitted
	for i, x := range starts {
		from := l
		if i > 0 || slices.ContainsFunc(x, func(v float64) bool { return v != 0 }) {
			if from, err = p.linearise(ctx, x, l, full < passes); err != nil {
				if i > 0 && ctx.Err() == nil {
					continue
				}
				return nil, err
			}
		}
		f, err := p.search(ctx, from, full)
		if err != nil {
			return nil, err
		}
		if best == nil || f.cost < best.cost {
			best = f
		}
	}
	return best, nil
}

// tune finds the noise of each channel of each record, and returns the information of all at that.
func (p *problem) tune(l *linear) *information {
	all := newInformation(p.size())
	for k, r := range p.records {
		for _, part := range tune(l.sets[k], p.local(r, l.x)) {
			p.addInformation(r, part, all)
		}
	}
	return all
}

// charges lists starts. An open-circuit voltage that bends makes several optima of the charge; which of them fits best shows with the charge held at each
// and all else free.
func (p *problem) charges(ctx context.Context, l *linear) ([][]float64, error) {
	starts := [][]float64{slices.Clone(l.x)}
	var second []float64
	nearest := math.Inf(1)
	for k, r := range p.records {
		if r.seen == nil && !slices.ContainsFunc(r.channels, func(c *channel) bool { return c.white > 0 && c.name == voltageTrace }) {
			continue
		}
		n := len(p.values)
		candidates := []float64{0, -1, 1, -2, 2}
		cost := make([]float64, len(candidates))
		for i, charge := range candidates {
			at := p.local(r, l.x)
			at[n] = charge
			run, err := p.run(ctx, r, at[:n], at[n:])
			p.runs++
			if err != nil {
				if ctx.Err() != nil {
					return nil, context.Cause(ctx)
				}
				cost[i] = math.Inf(1)
				continue
			}
			predicted, err := r.predict(run)
			if err != nil {
				return nil, err
			}
			all := newInformation(len(at))
			for c, s := range l.sets[k] {
				held := *s
				held.error = s.errors(r, r.blocks[c], predicted[c], at, n)
				held.cols = slices.Clone(s.cols)
				held.cols[n] = make([]float64, len(s.at))
				all.add(held.told(at))
			}
			cost[i] = all.likelihood() + charge*charge
		}
		best := 0
		for i := range candidates {
			if cost[i] < cost[best] {
				best = i
			}
		}
		starts[0][r.first] = candidates[best]
		for i := range candidates {
			if math.Abs(candidates[i]-candidates[best]) > 1.5 && cost[i]-cost[best] < min(nearest, 6) {
				nearest = cost[i] - cost[best]
				second = slices.Clone(starts[0])
				second[r.first] = candidates[i]
			}
		}
	}
	if second != nil {
		starts = append(starts, second)
	}
	return starts, nil
}

// search goes from a point to the mode near it. After full passes the derivatives stay as they are, but those of what is worn in some record.
func (p *problem) search(ctx context.Context, l *linear, full int) (*fitted, error) {
	f := &fitted{}
	for f.passes = 1; ; f.passes++ {
		x, _, _, err := p.tune(l).solve()
		if err != nil {
			return nil, err
		}
		for k, r := range p.records {
			at, from := p.local(r, x), p.local(r, l.x)
			for _, s := range l.sets[k] {
				s.downweight(at, from)
			}
		}
		x, cov, minus, err := p.sum(l).solve()
		if err != nil {
			return nil, err
		}
		most := 0.0
		for j := range x {
			if p.drifts && p.asideFrom(j) {
				continue
			}
			most = max(most, math.Abs(x[j]-l.x[j])/math.Sqrt(cov.At(j, j)))
		}
		f.linear, f.x, f.cov, f.cost, f.moves = l, x, cov, minus, most
		if f.passes > 1 && most < settled || f.passes == passes {
			return f, nil
		}
		next, err := p.advance(ctx, l, x, f.passes > full)
		if err != nil {
			return nil, err
		}
		if next == l { // no step goes down: this is the mode
			f.x = slices.Clone(l.x)
			return f, nil
		}
		l = next
	}
}

// worn lists the values that differ from record to record.
func (p *problem) worn() []int {
	return p.records[0].worn
}

// asideFrom reports whether an unknown is neither a value nor what one differs by in a record: how late a lever came and what a meter shows need not be settled to see a drift.
func (p *problem) asideFrom(j int) bool {
	for _, r := range p.records {
		if worn := r.first + r.unseen(); j >= worn && j < worn+len(r.worn) {
			return false
		}
	}
	return j >= len(p.values)
}

// cost returns the residuals whose squares a fit makes small, with the noise and the weights of a linearisation: the rows, whitened, then the unknowns themselves,
// since each has the prior N(0, 1).
func (p *problem) cost(ctx context.Context, l *linear) (rows int, residuals func(x, out []float64) error) {
	rows = p.size()
	for _, set := range l.sets {
		for _, s := range set {
			rows += len(s.at)
		}
	}
	return rows, func(x, out []float64) error {
		at := 0
		for i, r := range p.records {
			own := p.local(r, x)
			n := len(p.values)
			run, err := p.run(ctx, r, own[:n], own[n:])
			p.runs++
			if ctx.Err() != nil {
				return context.Cause(ctx)
			}
			var predicted [][]float64
			if err == nil {
				predicted, err = r.predict(run)
			}
			if err != nil { // no boat has these values
				out[0] = math.NaN()
				return nil
			}
			for c, s := range l.sets[i] {
				e := s.errors(r, r.blocks[c], predicted[c], own, n)
				s.filter(e)
				at += copy(out[at:], e)
			}
		}
		copy(out[at:], x)
		return nil
	}
}

// advance goes on by one accepted step of the trust region and returns the problem linearised there, or l itself where no step lowers the
// true cost. there is the mode of the linear problem.
func (p *problem) advance(ctx context.Context, l *linear, there []float64, keep bool) (*linear, error) {
	k := p.size()
	rows, residuals := p.cost(ctx, l)
	if p.drifts { // several records have rows enough to make a factor of the trust region dear, and mostly its first step is the whole one
		was, now := make([]float64, rows), make([]float64, rows)
		if err := residuals(l.x, was); err != nil {
			return nil, err
		}
		for _, share := range []float64{1, 0.5, 0.25, 0.125} {
			x := slices.Clone(l.x)
			for j := range x {
				x[j] += share * (there[j] - x[j])
			}
			if err := residuals(x, now); err != nil {
				return nil, err
			}
			if dot(now, now) < dot(was, was) {
				return p.linearise(ctx, x, l, keep, p.worn()...)
			}
		}
	}
	next := l
	jacobian := func(x []float64, J *mat.Dense) error {
		if !slices.Equal(x, l.x) {
			var err error
			if next, err = p.linearise(ctx, x, l, keep, p.worn()...); err != nil {
				return err
			}
		}
		at := 0
		for i, r := range p.records {
			for _, s := range next.sets[i] {
				cols, _, _ := s.whitened(p.local(r, next.x))
				for j, c := range cols {
					place := j
					if j >= len(p.values) {
						place = r.first + j - len(p.values)
					}
					for q, v := range c {
						J.Set(at+q, place, -v)
					}
				}
				at += len(s.at)
			}
		}
		for j := range k {
			J.Set(at+j, j, 1)
		}
		return nil
	}
	typical := make([]float64, k)
	for j := range typical {
		typical[j] = 1
	}
	_, err := leastsquares.Solve(leastsquares.Problem{Rows: rows, Residuals: residuals, Jacobian: jacobian}, l.x,
		leastsquares.Options{Moved: 0.003, Typical: typical, Steps: 8, Accept: 1, Trust: 1})
	if err != nil && !errors.Is(err, leastsquares.ErrSingular) {
		return nil, err
	}
	return next, nil
}
