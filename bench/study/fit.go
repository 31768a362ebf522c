package study

import (
	"cmp"
	"context"
	"math"
	"slices"

	"quaybench/bench/boat"
	"quaybench/bench/record"
	"quaybench/bench/simulate"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"
)

// A study asks a fit, and the fit asks for runs. Unknowns go in as normal scores; what comes out for each is a list of responses of
// a run: the share of its limit that each part uses, how near each device came, what the run gains. A surface of second order is
// fitted to the runs that exist. Points where it can't tell on which side of a threshold they lie are simulated, nearest first,
// and it is fitted again. Where a run's verdict changes by a jump every point is simulated.

// answer is what one run says.
type answer struct {
	failed error
	values []float64 // responses; NaN: this run has none
	jump   string    // what changes a verdict by a jump: devices that opened, stops, protection that did not come
	parts  []record.Part
	nears  []simulate.Near
}

// threshold is a value of a response at which something is decided.
type threshold struct {
	response int
	at       float64
	below    bool // it counts as passed below
	forbid   bool // what passes, jumps: no fit may decide that
}

const (
	firstBatch = 100 // runs that the first surface is fitted to, at least
	batch      = 120 // runs asked for between two surfaces: fixed, so that the answer depends on no number of cores
	fewPoints  = 200 // so few are all simulated
	mostShare  = 0.6 // of the points: where so many are simulated, the rest is as well
)

// fit answers for the points of one trial.
type fit struct {
	inputs     int
	thresholds func(answers []*answer) []threshold // what is to be decided, as far as the answers show it
	runs       func(ctx context.Context, points []int) ([]*answer, error)

	rows    [][]float64 // scores of what was simulated
	answers []*answer
	surface *surface
	whole   bool // every point was simulated
	decided []threshold
	nearest []float64 // per threshold decided: by how many bands the nearest point that was left to the surface lies off

	// pick, if not nil, chooses which of the unsure points to simulate next; none: they need not be known. off is by how many bands
	// each point lies beyond its nearest threshold (negative: short of it), NaN for one that was simulated.
	pick func(unsure []int, off []float64) []int
}

// firstRuns returns the number of points to simulate before the first surface.
func firstRuns(inputs int) int { return max(firstBatch, leastRuns(inputs)) }

// leastRuns returns the number that carries a surface at all: lines in every input, and squares of a few.
func leastRuns(inputs int) int { return max(50, inputs*11/5) }

// settle simulates points until the surface decides all others. got has the answer of each point that was simulated.
func (f *fit) settle(ctx context.Context, points [][]float64, got []*answer) error {
	ask := func(which []int) error {
		answers, err := f.runs(ctx, which)
		for i, a := range answers {
			if a != nil {
				got[which[i]] = a
				f.rows, f.answers = append(f.rows, points[which[i]]), append(f.answers, a)
			}
		}
		return err
	}
	left := func() (out []int) {
		for i := range got {
			if got[i] == nil {
				out = append(out, i)
			}
		}
		return out
	}
	if rest := left(); len(f.answers) == 0 {
		if err := ask(rest[:min(len(rest), firstRuns(f.inputs))]); err != nil {
			return err
		}
	}
	for {
		rest := left()
		f.decided = f.thresholds(f.answers)
		if len(rest) == 0 {
			return nil
		}
		if f.whole = f.whole || f.jumps() || len(points) >= fewPoints && float64(len(points)-len(rest)) > mostShare*float64(len(points)); f.whole {
			return ask(rest)
		}
		f.refit()
		unsure, off := f.unsure(points, rest)
		next := unsure[:min(len(unsure), batch)]
		if f.pick != nil {
			next = f.pick(unsure, off)
		}
		if len(next) == 0 {
			return nil
		}
		if err := ask(next); err != nil {
			return err
		}
	}
}

// jumps reports whether a fit can't stand for the runs: one of them failed, or they differ in what acted.
func (f *fit) jumps() bool {
	for _, a := range f.answers {
		if a.failed != nil || a.jump != f.answers[0].jump {
			return true
		}
	}
	return false
}

// refit fits the surface to all answers.
func (f *fit) refit() {
	rows, answers := f.rows, f.answers
	values := mat.NewDense(len(rows), len(answers[0].values), nil)
	for i, a := range answers {
		values.SetRow(i, a.values)
	}
	var matter []int
	for _, t := range f.decided {
		matter = append(matter, t.response)
	}
	f.surface = newSurface(rows, values, f.decided, matter)
}

// unsure lists the points on whose side of a threshold the surface is not sure, the nearest to one first, and returns by how many
// bands each lies beyond a threshold.
func (f *fit) unsure(points [][]float64, rest []int) (out []int, off []float64) {
	columns, some := make([]int, len(f.decided)), make([][]float64, len(rest))
	for i, t := range f.decided {
		columns[i] = t.response
	}
	for i, k := range rest {
		some[i] = points[k]
	}
	values, wider := f.surface.at(some, columns)
	f.nearest = make([]float64, len(f.decided))
	for c := range f.nearest {
		f.nearest[c] = math.Inf(1)
	}
	near := make([]float64, len(points))
	off = make([]float64, len(points))
	for i := range off {
		off[i] = math.NaN()
	}
	for i, k := range rest {
		near[k], off[k] = math.Inf(1), math.Inf(-1)
		for c, t := range f.decided {
			beyond := values.At(i, c) - t.at
			if t.below {
				beyond = -beyond
			}
			beyond /= f.surface.band[t.response] * wider[i]
			off[k] = max(off[k], beyond)
			f.nearest[c] = min(f.nearest[c], math.Abs(beyond))
			if t.forbid {
				beyond = min(beyond, 0)
			}
			near[k] = min(near[k], math.Abs(beyond))
		}
		if near[k] < 1 {
			out = append(out, k)
		}
	}
	slices.SortStableFunc(out, func(a, b int) int { return cmp.Compare(near[a], near[b]) })
	return out, off
}

// closest returns the band of the share that came nearest to its limit of all that the surface decided about, and by how many bands
// it stayed off; +Inf where the surface decided nothing.
func (f *fit) closest() (band, off float64) {
	off = math.Inf(1)
	if f.surface == nil {
		return 0, off
	}
	for c, t := range f.decided {
		if c < len(f.nearest) && !t.forbid && !t.below && f.nearest[c] < off {
			band, off = f.surface.band[t.response], f.nearest[c]
		}
	}
	return band, off
}

// values returns the responses named at every point: of the run where there is one, else of the surface.
func (f *fit) values(points [][]float64, got []*answer, responses []int) *mat.Dense {
	out := mat.NewDense(len(points), max(1, len(responses)), nil)
	var rest []int
	var some [][]float64
	for i, a := range got {
		if a == nil {
			rest, some = append(rest, i), append(some, points[i])
			continue
		}
		for c, r := range responses {
			v := math.NaN()
			if a.failed == nil {
				v = a.values[r]
			}
			out.Set(i, c, v)
		}
	}
	if len(rest) == 0 || len(responses) == 0 {
		return out
	}
	values, _ := f.surface.at(some, responses)
	for i, k := range rest {
		for c := range responses {
			out.Set(k, c, values.At(i, c))
		}
	}
	return out
}

// cut is where the distribution of an unknown is cut off, in standard deviations.
const cut = boat.Cut

var (
	cutAt = distuv.UnitNormal.CDF(-cut)
	// Variances of a score and of a square's term: a normal distribution cut off at three has a little less than one.
	lineVariance, squareVariance = func() (line, square float64) {
		density, whole := distuv.UnitNormal.Prob(cut), 1-2*cutAt
		line = 1 - 2*cut*density/whole
		fourth := 3 - 2*(cut*cut*cut+3*cut)*density/whole
		return line, (fourth - line*line) / 2
	}()
)

// score returns the normal score of a probability 0..1 under the distribution of an unknown.
func score(u float64) float64 { return distuv.UnitNormal.Quantile(cutAt + u*(1-2*cutAt)) }

// surface is a fit of second order to several responses at once: constant, a line for each input, squares and products of
// those that matter.
type surface struct {
	inputs  int
	squares []int
	pairs   [][2]int

	coef *mat.Dense // terms × responses
	// Of each response, from the residuals that leave the point itself out (by the hat matrix; Cook and Weisberg 1982):
	spread, worst []float64 // standard deviation, largest
	band          []float64 // within which a value is not told from a threshold
	explained     []float64 // share of the variance, 0..1; 1 for a constant
	error         *mat.Dense
	lever         mat.Cholesky // of the normal equations at the usual penalty
	ordinary      float64      // mean leverage of the rows
}

// penalties are tried for each response; second-order terms are expected to be smaller and get more.
var penalties = [...]float64{1e-6, 1e-4, 1e-3, 1e-2}

const (
	secondOrder  = 30
	usualPenalty = 1e-4
	mostTerms    = 0.6 // of the rows
	mostPaired   = 12  // inputs that make products
	leastPaired  = 150 // rows
)

// newSurface fits values (rows × responses). matter are the responses whose strongest inputs get squares and products where
// there are too few rows for all; of these, what lies nearest to its threshold counts most.
func newSurface(rows [][]float64, values *mat.Dense, near []threshold, matter []int) *surface {
	n, responses := values.Dims()
	d := len(rows[0])
	s := &surface{
		inputs: d, spread: make([]float64, responses), worst: make([]float64, responses), band: make([]float64, responses), explained: make([]float64, responses),
	}
	clean := mat.DenseCopyOf(values)
	clean.Apply(func(_, _ int, v float64) float64 {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return 0
		}
		return v
	}, clean)
	for j := range responses {
		s.spread[j] = math.Inf(1)
	}
	if 1+2*d <= int(mostTerms*float64(n)) {
		s.squares = upTo(d)
	}
	s.coef = mat.NewDense(s.terms(), responses, nil)
	s.error = mat.NewDense(s.terms(), responses, nil)
	s.improve(rows, clean)
	if n >= leastPaired || len(s.squares) < d {
		s.extend(n, clean, near, matter)
		s.improve(rows, clean)
	}
	for j := range responses {
		s.band[j] = max(4*s.spread[j], 1.5*s.worst[j], 1e-9)
		var sum, square float64
		for i := range n {
			sum += clean.At(i, j)
			square += clean.At(i, j) * clean.At(i, j)
		}
		mean := sum / float64(n)
		variance := square/float64(n) - mean*mean
		s.explained[j] = 1
		if variance > 1e-14*(1+mean*mean) {
			s.explained[j] = max(0, 1-s.spread[j]*s.spread[j]/variance)
		}
	}
	return s
}

func upTo(n int) []int {
	out := make([]int, n)
	for i := range out {
		out[i] = i
	}
	return out
}

func (s *surface) terms() int { return 1 + s.inputs + len(s.squares) + len(s.pairs) }

// basis sets the terms at a point.
func (s *surface) basis(z, x []float64) {
	x[0] = 1
	at := 1 + copy(x[1:], z)
	for _, k := range s.squares {
		x[at] = (z[k]*z[k] - 1) / math.Sqrt2
		at++
	}
	for _, p := range s.pairs {
		x[at] = z[p[0]] * z[p[1]]
		at++
	}
}

func (s *surface) matrix(points [][]float64) *mat.Dense {
	X := mat.NewDense(len(points), s.terms(), nil)
	for i, z := range points {
		s.basis(z, X.RawRowView(i))
	}
	return X
}

// extend adds squares and products of the inputs that matter most, as far as the rows carry them.
func (s *surface) extend(n int, values *mat.Dense, near []threshold, matter []int) {
	weight := make([]float64, s.inputs)
	for c, j := range matter {
		t := near[c]
		low, high := math.Inf(1), math.Inf(-1)
		for i := range n {
			v := values.At(i, j) - t.at
			low, high = min(low, v), max(high, v)
		}
		if high-low < 1e-9 {
			continue
		}
		off := max(0, max(low, -high)) / (high - low) // how many spreads away from its threshold
		for k := range weight {
			weight[k] = max(weight[k], math.Abs(s.coef.At(1+k, j))/(high-low)/(1+off*off))
		}
	}
	order := upTo(s.inputs)
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(weight[b], weight[a]) })
	room := int(mostTerms*float64(n)) - 1 - s.inputs
	old := s.coef
	_, responses := old.Dims()
	if len(s.squares) < s.inputs {
		s.squares = slices.Clone(order[:min(s.inputs, max(0, room*2/3))])
	}
	room -= len(s.squares)
	for k := 1; k < min(mostPaired, s.inputs) && n >= leastPaired; k++ {
		if room -= k; room < 0 {
			break
		}
		for i := range k {
			s.pairs = append(s.pairs, [2]int{order[i], order[k]})
		}
	}
	s.coef = mat.NewDense(s.terms(), responses, nil)
	terms, _ := old.Dims()
	s.coef.Slice(0, terms, 0, responses).(*mat.Dense).Copy(old)
	if terms > 1+s.inputs && terms != 1+2*s.inputs {
		panic("study: squares of a surface are all or none before it is extended")
	}
	wider := mat.NewDense(s.terms(), responses, nil)
	wider.Slice(0, terms, 0, responses).(*mat.Dense).Copy(s.error)
	s.error = wider
}

// improve fits the present terms with each penalty, and keeps for each response what predicts left-out points best.
func (s *surface) improve(rows [][]float64, values *mat.Dense) {
	n, responses := values.Dims()
	X, m := s.matrix(rows), s.terms()
	var normal mat.SymDense
	normal.SymOuterK(1, X.T())
	var right mat.Dense
	right.Mul(X.T(), values)
	for _, penalty := range penalties {
		A := mat.NewSymDense(m, nil)
		A.CopySym(&normal)
		for k := 1; k < m; k++ {
			w := penalty * float64(n)
			if k > s.inputs {
				w *= secondOrder
			}
			A.SetSym(k, k, A.At(k, k)+w)
		}
		var factors mat.Cholesky
		if !factors.Factorize(A) {
			continue
		}
		var coef, hat, fitted mat.Dense
		if factors.SolveTo(&coef, &right) != nil || factors.SolveTo(&hat, X.T()) != nil {
			continue
		}
		fitted.Mul(X, &coef)
		spread, worst := make([]float64, responses), make([]float64, responses)
		mean := 0.0
		for i := range n {
			h := mat.Dot(X.RowView(i), hat.ColView(i))
			mean += h / float64(n)
			for j := range responses {
				e := math.Abs(values.At(i, j)-fitted.At(i, j)) / max(1-h, 1e-6)
				spread[j] += e * e / float64(n)
				worst[j] = max(worst[j], e)
			}
		}
		if penalty == usualPenalty {
			s.lever, s.ordinary = factors, mean
		}
		var inverse mat.SymDense
		if factors.InverseTo(&inverse) != nil {
			continue
		}
		for j := range responses {
			if e := math.Sqrt(spread[j]); e < s.spread[j] {
				s.spread[j], s.worst[j] = e, worst[j]
				for k := range m {
					s.coef.Set(k, j, coef.At(k, j))
					s.error.Set(k, j, e*math.Sqrt(inverse.At(k, k)))
				}
			}
		}
	}
}

// at returns responses at points, and by how much wider than usual the band is there: far from the rows a fit knows less.
func (s *surface) at(points [][]float64, responses []int) (values *mat.Dense, wider []float64) {
	values, wider = new(mat.Dense), make([]float64, len(points))
	if len(points) == 0 || len(responses) == 0 {
		return mat.NewDense(max(1, len(points)), max(1, len(responses)), nil), wider
	}
	coef := mat.NewDense(s.terms(), len(responses), nil)
	for c, j := range responses {
		coef.SetCol(c, mat.Col(nil, j, s.coef))
	}
	X := s.matrix(points)
	values.Mul(X, coef)
	var half mat.Dense
	var L mat.TriDense
	s.lever.LTo(&L)
	if half.Solve(&L, X.T()) != nil {
		panic("study: a factorised matrix that does not solve")
	}
	for i := range points {
		h := 0.0
		for k := range s.terms() {
			v := half.At(k, i)
			h += v * v
		}
		wider[i] = max(1, math.Sqrt((1+h)*(1-s.ordinary)))
	}
	return values, wider
}

// Indices are the Sobol indices of one unknown: the share of the variance that it explains alone, and together with all its
// interactions. Each error is half of the 95 % interval.
type Indices struct {
	First, FirstError float64
	Total, TotalError float64
}

// leastExplained is the share of the variance that a fit must explain, in points that were left out, before it may say where the
// variance comes from.
const leastExplained = 0.9

// indices returns those of a response, from the variances of the terms, which are orthogonal (Sudret 2008); ok is false where the
// fit explains too little. What it does not explain widens each error.
func (s *surface) indices(response int) (out []Indices, ok bool) {
	out = make([]Indices, s.inputs)
	if s.explained[response] < leastExplained {
		return out, false
	}
	// uncertain is the variance of a term's share from the error of its coefficient.
	uncertain := make([][2]float64, s.inputs)
	whole := 0.0
	term := func(at int, variance float64, of ...int) {
		a, e := s.coef.At(at, response), s.error.At(at, response)
		share := a * a * variance
		off := (4*a*a*e*e + 2*e*e*e*e) * variance * variance
		whole += share
		for _, k := range of {
			out[k].Total += share
			uncertain[k][1] += off
			if len(of) == 1 {
				out[k].First += share
				uncertain[k][0] += off
			}
		}
	}
	for k := range s.inputs {
		term(1+k, lineVariance, k)
	}
	for i, k := range s.squares {
		term(1+s.inputs+i, squareVariance, k)
	}
	for i, p := range s.pairs {
		term(1+s.inputs+len(s.squares)+i, lineVariance*lineVariance, p[0], p[1])
	}
	if whole == 0 {
		return out, true
	}
	rest := 1 - s.explained[response]
	for k := range out {
		x := &out[k]
		x.First, x.Total = x.First/whole, x.Total/whole
		x.FirstError = 2*math.Sqrt(uncertain[k][0])/whole + rest
		x.TotalError = 2*math.Sqrt(uncertain[k][1])/whole + rest
	}
	return out, true
}
