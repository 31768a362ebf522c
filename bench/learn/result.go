package learn

import (
	"context"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"

	"quaybench/bench/boat"
	"quaybench/bench/drive"
	"quaybench/bench/quantity"
	"quaybench/bench/settings"
)

// Value is one value of the boat file, before and after.
type Value struct {
	Key     string
	Unit    string
	Factor  bool   // on the columns of a table
	Table   string // its key
	Columns []int  // from 0

	Before, BeforeLow, BeforeHigh float64 // SI, with the file's 95 % interval
	After, Low, High              float64 // SI, 95 %

	Width float64 // standard deviation after over before, in the coordinate of the prior
	Told  bool    // the records tell it: Width is at most 0.7
	Shift float64 // by how many standard deviations of the file's tolerance it moved
}

const (
	toldWidth   = 0.7 // standard deviation after over before up to which a record tells a value
	littleWidth = 0.9 // up to which it says a little
	// wider multiplies the standard deviation of what a record tells: the noise's size and time are taken as found, not integrated over. In the
	// coverage runs errors were 1.05 to 1.17 of the standard deviation without it.
	wider = 1.1
	two   = 1.96 // standard deviations on either side of a 95 % interval
)

// ALittle reports whether the records say something of a value, and not enough.
func (v *Value) ALittle() bool { return !v.Told && v.Width <= littleWidth }

// Pair is two values that the records tell only together.
type Pair struct {
	A, B        string
	Correlation float64
}

// Used is one record of a fit.
type Used struct {
	Name, Hash string
	Readings   int
	Channels   []string
	Driven     string  // by what: "lever" or a current
	Charge     float64 // at its start, 0..1
	ChargeSD   float64
	Notes      []string // what of it is not used or not known, in sentences
}

// Result is what records tell.
type Result struct {
	Values  []Value // in the order of the boat file
	Pairs   []Pair  // most strongly joined first
	Records []Used
	// Doubt is the probability of a boat as far from its file as this one, were the file's tolerances right; below 0.005 the model or a tolerance is wrong.
	Doubt float64
	// Suspects are causes that may explain what the values leave over, in the records together, the strongest first. What is told allows for one that is suspicious, named or not.
	Suspects []Suspect
	Meters   []string // that cannot have shown what they did, in sentences
	Runs     int      // simulations it took

	problem *problem
	fit     *fitted
}

// doubtful is the probability below which a boat is too far from its file: 1.3 % of right campaigns of the prototype fell below it.
const doubtful = 0.005

// Doubtful reports whether the values found lie further from the file than its tolerances explain.
func (r *Result) Doubtful() bool { return r.Doubt < doubtful }

// DoubtSentence is said where the records are doubtful, of one record or of several.
func DoubtSentence(records int, doubt float64) string {
	these := "these records"
	if records == 1 {
		these = "this record"
	}
	chance := "below 0.1 %" // no tail of a distribution is known further
	if doubt >= 0.001 {
		chance = quantity.Sentence("%.1f %%", 100*doubt)
	}
	return quantity.Sentence("Taken all together, the readings of %s lie further from the boat file than its tolerances explain (chance %s): a value of the file is wrong, or something of the boat is not as the model has it.", these, chance)
}

// Learn finds the values of a boat that its records tell. Errors are *UselessError for a record that nothing can be learned from, those of the
// simulation, and the context's.
func Learn(ctx context.Context, b *boat.Boat, s settings.Set, records []*Record) (*Result, error) {
	p, err := newProblem(b, s, records)
	if err != nil {
		return nil, err
	}
	f, err := p.fit(ctx)
	if err != nil {
		return nil, err
	}
	suspects, allowing, err := p.blame(ctx, f)
	if err != nil {
		return nil, err
	}
	out := p.result(allowing)
	out.Suspects, out.Doubt, out.Meters = suspects, p.doubt(f), p.badMeters(f, suspects, func(int) bool { return true })
	return out, nil
}

// newProblem returns the fit of several records, each with readings of its own.
func newProblem(b *boat.Boat, s settings.Set, records []*Record) (*problem, error) {
	filled := drive.Filled(b) // else a learned resistance would silently move a heat path
	p := &problem{boat: filled, settings: s, values: drive.Unknowns(filled)}
	for i, rec := range records {
		if err := repeated(rec, records[:i]); err != nil {
			return nil, err
		}
		r, err := prepare(rec, filled, s)
		if err != nil {
			return nil, err
		}
		p.records = append(p.records, r)
	}
	p.size()
	return p, nil
}

func (p *problem) result(f *fitted) *Result {
	r := &Result{problem: p, fit: f, Runs: p.runs, Doubt: p.doubt(f)}
	for _, u := range drive.Unknowns(p.boat) {
		at := u.Spread.At
		v := Value{Key: u.Key, Unit: u.Unit, Before: at(0), BeforeLow: at(-two), BeforeHigh: at(two), After: at(0), Low: at(-two), High: at(two), Width: 1}
		v.Table, v.Columns, v.Factor = u.Table()
		if j := slices.IndexFunc(p.values, func(o Unknown) bool { return o.Key == u.Key }); j >= 0 {
			z, sd := f.x[j], math.Sqrt(f.cov.At(j, j))
			v.Width, v.Shift, v.Told = min(1, sd), z, sd <= toldWidth // no record makes a value less sure
			sd = min(1, wider*sd)
			v.After, v.Low, v.High = at(z), at(z-two*sd), at(z+two*sd)
		}
		if v.Low > v.High { // a log-normal value below zero
			v.BeforeLow, v.BeforeHigh, v.Low, v.High = v.BeforeHigh, v.BeforeLow, v.High, v.Low
		}
		r.Values = append(r.Values, v)
	}
	n := len(p.values)
	for a := range n {
		for b := a + 1; b < n; b++ {
			c := f.cov.At(a, b) / math.Sqrt(f.cov.At(a, a)*f.cov.At(b, b))
			if math.Abs(c) > 0.6 {
				r.Pairs = append(r.Pairs, Pair{p.values[a].Key, p.values[b].Key, c})
			}
		}
	}
	slices.SortStableFunc(r.Pairs, func(a, b Pair) int {
		switch x, y := math.Abs(a.Correlation), math.Abs(b.Correlation); {
		case x > y:
			return -1
		case x < y:
			return 1
		}
		return 0
	})
	for _, rec := range p.records {
		u := Used{Name: rec.Name, Hash: rec.Hash, Driven: "lever", Charge: charge(rec.trial, f.x[rec.first]), ChargeSD: rec.trial.Charge * chargeError / 2 * math.Sqrt(f.cov.At(rec.first, rec.first)), Notes: rec.notes}
		if rec.seen != nil {
			u.Driven = rec.seen.by()
		}
		for _, c := range rec.channels {
			u.Readings += len(c.t)
			u.Channels = append(u.Channels, c.name)
		}
		r.Records = append(r.Records, u)
	}
	return r
}

// Name returns how a value is shown: its key, and whether it is a factor on a table.
func (v *Value) Name() string {
	if v.Factor {
		return v.Key + " (factor)"
	}
	return v.Key
}

// doubt returns the probability of a shift as large as the one found: the values' distance from the file over what was to be expected of it.
func (p *problem) doubt(f *fitted) float64 {
	n := len(p.values)
	if n == 0 {
		return 1
	}
	return survival(n, func(a, b int) float64 {
		v := -f.cov.At(a, b)
		if a == b {
			v++
		}
		return v
	}, f.x[:n])
}

// survival returns the probability of a vector as far from zero as x under a normal law of a covariance; directions in which it hardly spreads
// are left out.
func survival(n int, covariance func(a, b int) float64, x []float64) float64 {
	S := mat.NewSymDense(n, nil)
	for a := range n {
		for b := a; b < n; b++ {
			S.SetSym(a, b, covariance(a, b))
		}
	}
	var eig mat.EigenSym
	if !eig.Factorize(S, true) {
		return 1
	}
	var Q mat.Dense
	eig.VectorsTo(&Q)
	T, freedom := 0.0, 0
	for i, v := range eig.Values(nil) {
		if v > 0.05 {
			u := dot(mat.Col(nil, i, &Q), x)
			T += u * u / v
			freedom++
		}
	}
	if freedom == 0 {
		return 1
	}
	return distuv.ChiSquared{K: float64(freedom)}.Survival(T)
}
