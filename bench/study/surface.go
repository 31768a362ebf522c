package study

import (
	"cmp"
	"math"
	"slices"

	"quaybench/bench/boat"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"
)

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

// surface is a fit of second order to several responses at once: constant, a line for each input, squares and products of those that
// matter. The less an input mattered before, the more its terms are doubted, and penalised: so a hundred inputs of which ten matter
// take little more than the runs of ten (adaptive ridge regression; Grandvalet 1998).
type surface struct {
	inputs int
	terms  [][]int   // inputs of each: none, one, or two that are the same for a square
	doubt  []float64 // of each input: what its penalty is multiplied by, 1 for the one that matters most
	by     []*ridge  // of each response: the one that predicts left-out points best
	// Of each response, from the residuals that leave the point itself out:
	spread    []float64 // standard deviation
	explained []float64 // share of the variance, 0..1; 1 for a constant
}

// ridge is a least-squares fit with a penalty.
type ridge struct {
	factors  mat.Cholesky // of the normal equations
	coef     mat.Dense    // terms × responses
	fitted   mat.Dense    // rows × responses
	left     mat.Dense    // residuals that leave the point itself out, by the hat matrix (Cook and Weisberg 1982)
	ordinary float64      // mean leverage of the rows
}

const (
	secondOrder = 30   // squares and products are expected to be smaller, and their penalty is larger
	mostTerms   = 0.6  // of the rows
	mostPaired  = 12   // inputs that make products
	leastPaired = 150  // rows, where there are more inputs than that
	folds       = 5    // parts of few rows that are left out in turn
	enoughRows  = 2    // for each input: with more, leaving out a row by the hat matrix does
	leastWeight = 0.01 // of the input that matters most: what matters less is doubted no more
)

// penalties are tried for each response: as a share of the rows, for all inputs alike or by their doubt.
var penalties = []struct {
	share   float64
	doubted bool
}{{1e-4, false}, {1e-3, true}}

// newSurface fits values (rows × responses). The inputs that matter to what is decided get squares and products where there are too
// few rows for all; a response near its threshold counts most. before, if not nil, was fitted to fewer rows.
func newSurface(rows [][]float64, values *mat.Dense, decided []threshold, before *surface) *surface {
	n, responses := values.Dims()
	clean := mat.DenseCopyOf(values)
	clean.Apply(func(_, _ int, v float64) float64 {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return 0
		}
		return v
	}, clean)
	s := &surface{inputs: len(rows[0]), spread: make([]float64, responses), explained: make([]float64, responses)}
	s.learn(rows, clean, decided, before)
	if n < enoughRows*s.inputs && n >= 2*folds {
		s.leaveOut(rows, clean, decided)
	}
	for j := range responses {
		s.spread[j] = s.by[j].spread(j)
		column := mat.Col(nil, j, clean)
		mean, variance := stat.PopMeanVariance(column, nil)
		s.explained[j] = 1
		if variance > 1e-14*(1+mean*mean) {
			s.explained[j] = max(0, 1-s.spread[j]*s.spread[j]/variance)
		}
	}
	return s
}

// learn chooses terms and doubts by the surface before, nil for one of lines alone, and fits.
func (s *surface) learn(rows [][]float64, values *mat.Dense, decided []threshold, before *surface) {
	n := len(rows)
	if before == nil {
		before = &surface{inputs: s.inputs}
		before.choose(n, make([]float64, s.inputs), 0)
		before.fit(rows, values, 1)
	}
	weight := before.weigh(values, decided)
	s.choose(n, weight, mostPaired)
	s.doubt = make([]float64, s.inputs)
	for k, w := range weight {
		s.doubt[k] = 1 / max(w*w, leastWeight*leastWeight)
	}
	s.fit(rows, values, len(penalties))
}

// leaveOut replaces the residuals by those of surfaces that a fifth of the rows had no part in at all: where rows are few, what an input
// is doubted by follows too closely from the rows themselves, and residuals that leave out one of them are too small.
func (s *surface) leaveOut(rows [][]float64, values *mat.Dense, decided []threshold) {
	_, responses := values.Dims()
	all := upTo(responses)
	for k := range folds {
		var train, test [][]float64
		var kept, out []int
		for i, z := range rows {
			if i%folds == k {
				test, out = append(test, z), append(out, i)
			} else {
				train, kept = append(train, z), append(kept, i)
			}
		}
		of := mat.NewDense(len(kept), responses, nil)
		for i, row := range kept {
			of.SetRow(i, values.RawRowView(row))
		}
		without := &surface{inputs: s.inputs}
		without.learn(train, of, decided, nil)
		told, _ := without.at(test, all)
		for i, row := range out {
			for j := range responses {
				s.by[j].left.Set(row, j, values.At(row, j)-told.At(i, j))
			}
		}
	}
}

func upTo(n int) []int {
	out := make([]int, n)
	for i := range out {
		out[i] = i
	}
	return out
}

// basis sets the terms at a point.
func (s *surface) basis(z, x []float64) {
	for k, of := range s.terms {
		switch {
		case len(of) == 0:
			x[k] = 1
		case len(of) == 1:
			x[k] = z[of[0]]
		case of[0] == of[1]:
			x[k] = (z[of[0]]*z[of[0]] - 1) / math.Sqrt2
		default:
			x[k] = z[of[0]] * z[of[1]]
		}
	}
}

func (s *surface) matrix(points [][]float64) *mat.Dense {
	X := mat.NewDense(len(points), len(s.terms), nil)
	for i, z := range points {
		s.basis(z, X.RawRowView(i))
	}
	return X
}

// weigh returns how much each input matters, 0 to 1 for the one that matters most to what is decided; what lies far from its threshold
// counts less.
func (s *surface) weigh(values *mat.Dense, decided []threshold) []float64 {
	weight := make([]float64, s.inputs)
	for _, t := range decided {
		j := t.response
		low, high := math.Inf(1), math.Inf(-1)
		for _, v := range mat.Col(nil, j, values) {
			low, high = min(low, v-t.at), max(high, v-t.at)
		}
		if high-low < 1e-9 {
			continue
		}
		part := make([]float64, s.inputs) // of the variance
		for k, of := range s.terms {
			for i, input := range of {
				if i == 0 || input != of[0] {
					part[input] += s.by[j].coef.At(k, j) * s.by[j].coef.At(k, j)
				}
			}
		}
		off := max(0, max(low, -high)) / (high - low) // how many spreads away from its threshold
		most := math.Sqrt(slices.Max(part))
		if most == 0 {
			continue
		}
		for k := range weight {
			weight[k] = max(weight[k], math.Sqrt(part[k])/most/(1+off*off))
		}
	}
	if most := slices.Max(weight); most > 0 {
		floats.Scale(1/most, weight)
	}
	return weight
}

// choose sets the terms: a line for each input, squares and products of those that matter most, as far as n rows carry them.
func (s *surface) choose(n int, weight []float64, paired int) {
	order := upTo(s.inputs)
	s.terms = [][]int{nil}
	for _, k := range order {
		s.terms = append(s.terms, []int{k})
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(weight[b], weight[a]) })
	room := int(mostTerms*float64(n)) - len(s.terms)
	squares := s.inputs
	if room < squares {
		if squares = max(0, room*2/3); paired == 0 {
			squares = 0 // nobody knows yet which
		}
	}
	for _, k := range order[:squares] {
		s.terms = append(s.terms, []int{k, k})
	}
	room -= squares
	for k := 1; k < min(paired, s.inputs) && (n >= leastPaired || s.inputs <= mostPaired); k++ {
		if room -= k; room < 0 {
			break
		}
		for i := range k {
			s.terms = append(s.terms, []int{order[i], order[k]})
		}
	}
}

// fit fits the terms with each of the first so many penalties, and keeps for each response what predicts left-out points best.
func (s *surface) fit(rows [][]float64, values *mat.Dense, tried int) {
	n, responses := values.Dims()
	X := s.matrix(rows)
	var normal mat.SymDense
	normal.SymOuterK(1, X.T())
	var right mat.Dense
	right.Mul(X.T(), values)
	s.by = make([]*ridge, responses)
	best := make([]float64, responses)
	for _, penalty := range penalties[:tried] {
		A := mat.NewSymDense(len(s.terms), nil)
		A.CopySym(&normal)
		for k, of := range s.terms {
			w := penalty.share * float64(n)
			switch {
			case len(of) == 0:
				continue
			case len(of) == 2:
				w *= secondOrder
			}
			if penalty.doubted {
				w *= math.Sqrt(s.doubt[of[0]] * s.doubt[of[len(of)-1]])
			}
			A.SetSym(k, k, A.At(k, k)+w)
		}
		r := new(ridge)
		if !r.factors.Factorize(A) || r.factors.SolveTo(&r.coef, &right) != nil {
			continue
		}
		r.fitted.Mul(X, &r.coef)
		r.left.Sub(values, &r.fitted)
		for i, h := range r.leverages(X) {
			floats.Scale(1/max(1-h, 1e-6), r.left.RawRowView(i))
			r.ordinary += h / float64(n)
		}
		for j := range responses {
			if e := r.spread(j); s.by[j] == nil || e < best[j] {
				s.by[j], best[j] = r, e
			}
		}
	}
}

// leverages returns those of rows, in terms.
func (r *ridge) leverages(X *mat.Dense) []float64 {
	n, terms := X.Dims()
	var half mat.Dense
	var L mat.TriDense
	r.factors.LTo(&L)
	if half.Solve(&L, X.T()) != nil {
		panic("study: a factorised matrix that does not solve")
	}
	out := make([]float64, n)
	for k := range terms {
		for i, v := range half.RawRowView(k) {
			out[i] += v * v
		}
	}
	return out
}

// spread returns the standard deviation of a response's left-out residuals.
func (r *ridge) spread(response int) float64 {
	left := mat.Col(nil, response, &r.left)
	return math.Sqrt(floats.Dot(left, left) / float64(len(left)))
}

// at returns responses at points (points × responses), and how many times as wide as usual the band of each is there: far from the rows a fit knows less.
func (s *surface) at(points [][]float64, responses []int) (values, wider *mat.Dense) {
	values, wider = mat.NewDense(max(1, len(points)), max(1, len(responses)), nil), mat.NewDense(max(1, len(points)), max(1, len(responses)), nil)
	if len(points) == 0 || len(responses) == 0 {
		return values, wider
	}
	X := s.matrix(points)
	done := map[*ridge]bool{}
	for _, j := range responses {
		r := s.by[j]
		if done[r] {
			continue
		}
		done[r] = true
		var mine []int
		for c, k := range responses {
			if s.by[k] == r {
				mine = append(mine, c)
			}
		}
		coef := mat.NewDense(len(s.terms), len(mine), nil)
		for i, c := range mine {
			coef.SetCol(i, mat.Col(nil, responses[c], &r.coef))
		}
		var some mat.Dense
		some.Mul(X, coef)
		for i, h := range r.leverages(X) {
			w := max(1, math.Sqrt((1+h)*(1-r.ordinary)))
			for k, c := range mine {
				values.Set(i, c, some.At(i, k))
				wider.Set(i, c, w)
			}
		}
	}
	return values, wider
}

// bands holds how close to a threshold a response's value may lie before the surface no longer decides on which side it is. It comes
// from the left-out residuals of the rows with the nearest values, since a surface is not equally good everywhere.
type bands struct {
	values  []float64 // of the rows, ascending
	of      []float64 // of each stretch of neighbours
	stretch int
}

const neighbours = 200

func (s *surface) bands(response int) bands {
	r := s.by[response]
	fitted := mat.Col(nil, response, &r.fitted)
	order := upTo(len(fitted))
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(fitted[a], fitted[b]) })
	b := bands{stretch: min(neighbours, len(order))}
	left := make([]float64, len(order))
	for i, k := range order {
		b.values, left[i] = append(b.values, fitted[k]), math.Abs(r.left.At(k, response))
	}
	for i := range len(order) - b.stretch + 1 {
		part := left[i : i+b.stretch]
		b.of = append(b.of, max(4*math.Sqrt(floats.Dot(part, part)/float64(b.stretch)), 1.5*slices.Max(part), 1e-9))
	}
	return b
}

// at returns the band about a value: twice as wide where no row has one like it, since nothing there shows how far the surface is off.
func (b *bands) at(v float64) float64 {
	i, _ := slices.BinarySearch(b.values, v)
	band := b.of[max(0, min(i-b.stretch/2, len(b.of)-1))]
	if i == 0 || i == len(b.values) {
		band *= 2
	}
	return band
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
	r := s.by[response]
	var inverse mat.SymDense
	if r.factors.InverseTo(&inverse) != nil {
		return out, false
	}
	// uncertain is the variance of a share, alone and in all, from the errors of the coefficients.
	uncertain := make([][2]float64, s.inputs)
	whole := 0.0
	for k, of := range s.terms {
		if len(of) == 0 {
			continue
		}
		a, e := r.coef.At(k, response), s.spread[response]*math.Sqrt(inverse.At(k, k))
		variance, alone := lineVariance, true
		if len(of) == 2 {
			if alone = of[0] == of[1]; alone {
				variance, of = squareVariance, of[:1]
			} else {
				variance = lineVariance * lineVariance
			}
		}
		off := (4*a*a*e*e + 2*e*e*e*e) * variance * variance
		whole += a * a * variance
		for _, input := range of {
			out[input].Total += a * a * variance
			uncertain[input][1] += off
			if alone {
				out[input].First += a * a * variance
				uncertain[input][0] += off
			}
		}
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
