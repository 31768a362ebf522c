package learn

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"

	"quaybench/bench/quantity"
)

// row holds what all records together say of the changes of the values that wear, one for each value in each record, linear around a mode. A change is counted in usual ones
// (wear.usual). Everything else, and what moved already, is integrated out.
type row struct {
	p     *problem
	days  []float64
	value []int // that wear, as indices into the problem's values

	S *mat.SymDense // information about the changes, value by value in each record
	s []float64
	x []float64 // mode of what is integrated out
	C *mat.SymDense

	sets [][]*series // with the noise found while all that wears is free
	free [][]float64 // change of each value in each record to first order, each value being alone
	most float64     // tests asked, as independent ones
}

func (w *row) records() int { return len(w.days) }

// at returns the place of a value's change in a record.
func (w *row) at(j, record int) int { return record*len(w.value) + j }

// place returns the place of a value among those that wear.
func (w *row) place(key string) int {
	return slices.IndexFunc(w.value, func(v int) bool { return w.p.values[v].Key == key })
}

func (w *row) wear(j int) *wear { return wearOf(w.p.boat, w.p.values[w.value[j]].Key) }

// row finds what the records say of changes. The noise of each channel is found with all changes free, so that a change that no fit has is not taken for noise.
func (p *problem) row(f *fitted, days []float64) (*row, error) {
	w := &row{p: p, days: days}
	for j, u := range p.values {
		if wearOf(p.boat, u.Key) != nil {
			w.value = append(w.value, j)
		}
	}
	n, base, m := len(p.values), p.size(), len(w.value)
	place := func(r *recorded, k, i int) int {
		switch {
		case i < n:
			return i
		case i < n+r.own():
			return r.first + i - n
		}
		return base + w.at(i-n-r.own(), k)
	}
	var whole *information
	add := func(k int, part *information) {
		r := p.records[k]
		for a := range part.g {
			i := place(r, k, a)
			whole.g[i] += part.g[a]
			for b := a; b < len(part.g); b++ {
				j := place(r, k, b)
				whole.A.SetSym(i, j, whole.A.At(i, j)+part.A.At(a, b))
			}
		}
	}
	from := make([][]float64, len(p.records))
	for k, r := range p.records {
		x := p.local(r, f.linear.x)
		var sets []*series
		for _, s := range f.sets[k] {
			more := *s
			more.cols, more.robust = slices.Clone(s.cols), slices.Clone(s.robust)
			for _, j := range w.value {
				u, d := &p.values[j], 0.0
				if i := slices.Index(r.worn, j); i >= 0 {
					d = x[n+r.unseen()+i]
				}
				slope := wearOf(p.boat, u.Key).slope(u, x[j], d)
				col := make([]float64, len(s.at))
				for i, v := range s.cols[j] {
					col[i] = v * slope
				}
				more.cols = append(more.cols, col)
			}
			sets = append(sets, &more)
		}
		w.sets, from[k] = append(w.sets, sets), append(x, make([]float64, m)...)
	}
	for range 2 { // rows that the fit took for outliers may be what changed
		whole = newInformation(base + m*len(p.records))
		for k := range p.records {
			for _, part := range tune(w.sets[k], from[k]) {
				add(k, part)
			}
		}
		all, _, _, err := whole.solve()
		if err != nil {
			return nil, err
		}
		for k, r := range p.records {
			at := p.local(r, all)
			for j := range m {
				at = append(at, all[base+w.at(j, k)])
			}
			for _, s := range w.sets[k] {
				s.downweight(at, from[k])
			}
		}
	}
	whole = newInformation(base + m*len(p.records))
	for k := range p.records {
		for _, s := range w.sets[k] {
			add(k, s.told(from[k]))
		}
	}
	return w, w.reduce(whole, base)
}

// reduce integrates out the first unknowns, and the scatter from outing to outing.
func (w *row) reduce(whole *information, base int) error {
	first := newInformation(base)
	for i := range base {
		first.g[i] = whole.g[i]
		for j := i; j < base; j++ {
			first.A.SetSym(i, j, whole.A.At(i, j))
		}
	}
	var err error
	if w.x, w.C, _, err = first.solve(); err != nil {
		return err
	}
	m := len(whole.g) - base
	cross := mat.NewDense(base, m, nil)
	w.S, w.s = mat.NewSymDense(m, nil), make([]float64, m)
	for a := range m {
		for i := range base {
			cross.Set(i, a, whole.A.At(i, base+a))
		}
		w.s[a] = whole.g[base+a] - dot(mat.Col(nil, a, cross), w.x)
	}
	var half, used mat.Dense
	half.Mul(w.C, cross)
	used.Mul(cross.T(), &half)
	for a := range m {
		for b := a; b < m; b++ {
			w.S.SetSym(a, b, whole.A.At(base+a, base+b)-used.At(a, b))
		}
	}
	prior := map[int]float64{}
	for r := range w.records() {
		for j := range w.value {
			prior[w.at(j, r)] = w.scatter(j)
		}
	}
	if w.S, w.s, err = freed(w.S, w.s, prior); err != nil {
		return err
	}
	for j := range w.value {
		x, _, err := w.changes(j, w.S, w.s)
		if err != nil {
			return err
		}
		w.free = append(w.free, x)
	}
	w.most = w.asked()
	return nil
}

// scatter returns by how much a value differs from outing to outing though nothing wears, a standard deviation.
func (w *row) scatter(j int) float64 {
	k := w.wear(j)
	return math.Abs(math.Log1p(k.scatter) / k.size())
}

// freed returns an information in which some unknowns are also free to move otherwise, by a standard deviation each, that integrated out.
func freed(S *mat.SymDense, s []float64, sd map[int]float64) (*mat.SymDense, []float64, error) {
	var list []int
	for i := range sd {
		list = append(list, i)
	}
	if len(list) == 0 {
		return S, s, nil
	}
	slices.Sort(list)
	n, k := len(s), len(list)
	inner, cross, right := mat.NewSymDense(k, nil), mat.NewDense(k, n, nil), mat.NewVecDense(k, nil)
	for a, i := range list {
		right.SetVec(a, s[i])
		for b := a; b < k; b++ {
			inner.SetSym(a, b, S.At(i, list[b]))
		}
		inner.SetSym(a, a, inner.At(a, a)+1/(sd[i]*sd[i]))
		for j := range n {
			cross.Set(a, j, S.At(i, j))
		}
	}
	var chol mat.Cholesky
	var solved, used mat.Dense
	var at mat.VecDense
	if !chol.Factorize(inner) || chol.SolveTo(&solved, cross) != nil || chol.SolveVecTo(&at, right) != nil {
		return nil, nil, errSingular
	}
	used.Mul(cross.T(), &solved)
	out, rest := mat.NewSymDense(n, nil), slices.Clone(s)
	for i := range n {
		rest[i] -= mat.Dot(cross.ColView(i), &at)
		for j := i; j < n; j++ {
			out.SetSym(i, j, S.At(i, j)-used.At(i, j))
		}
	}
	return out, rest, nil
}

// changes returns by what a value differs in each record from what all share, and the covariance of that, under an information.
func (w *row) changes(j int, S *mat.SymDense, s []float64) (x []float64, cov *mat.SymDense, err error) {
	k := w.records()
	some := newInformation(k)
	for a := range k {
		some.g[a] = s[w.at(j, a)]
		for b := a; b < k; b++ {
			some.A.SetSym(a, b, S.At(w.at(j, a), w.at(j, b)))
		}
	}
	x, cov, _, err = some.solve()
	return x, cov, err
}

// way is one way in which a value may change over the records: by day, or from one record on.
type way struct {
	j     int // of those that wear
	shape []float64
}

// ways lists what is asked of a value.
func (w *row) ways(j int) (list []way) {
	k := w.records()
	if span := w.days[k-1] - w.days[0]; k >= fewest && span > quickestDays {
		t := way{j: j}
		for _, d := range w.days {
			t.shape = append(t.shape, (d-w.days[0])/span)
		}
		list = append(list, t)
	}
	for from := 1; from < k; from++ {
		t := way{j: j, shape: make([]float64, k)}
		for r := from; r < k; r++ {
			t.shape[r] = 1
		}
		list = append(list, t)
	}
	return list
}

// between returns aᵀSb of two ways.
func (w *row) between(a, b way, S *mat.SymDense) (v float64) {
	for r, x := range a.shape {
		for q, y := range b.shape {
			if x != 0 && y != 0 {
				v += x * y * S.At(w.at(a.j, r), w.at(b.j, q))
			}
		}
	}
	return v
}

// score returns how many standard deviations the records speak for a way, less where a change that is usual would not show; ok is false where they can't tell.
func (w *row) score(a way, S *mat.SymDense, s []float64) (score float64, ok bool) {
	V, u := w.between(a, a, S), 0.0
	for r, x := range a.shape {
		u += x * s[w.at(a.j, r)]
	}
	sd := wider * w.wear(a.j).loose / math.Sqrt(V)
	if !(V > 0) || sd > blind {
		return 0, false
	}
	k := Suspect{Size: u / V, SD: sd}
	k.weigh(math.Copysign(1, u)) // what is worn may be mended
	return k.Score, true
}

// best returns the strongest score of a value.
func (w *row) best(j int, S *mat.SymDense, s []float64) (score float64, ok bool) {
	for _, a := range w.ways(j) {
		if v, told := w.score(a, S, s); told {
			score, ok = max(score, v), true
		}
	}
	return score, ok
}

// asked returns how many independent tests those of all values count for (Galwey 2009, from their correlations; from memory).
func (w *row) asked() float64 {
	var list []way
	for j := range w.value {
		for _, a := range w.ways(j) {
			if _, ok := w.score(a, w.S, w.s); ok {
				list = append(list, a)
			}
		}
	}
	if len(list) == 0 {
		return 0
	}
	R := mat.NewSymDense(len(list), nil)
	for a := range list {
		for b := a; b < len(list); b++ {
			R.SetSym(a, b, w.between(list[a], list[b], w.S)/math.Sqrt(w.between(list[a], list[a], w.S)*w.between(list[b], list[b], w.S)))
		}
	}
	var eig mat.EigenSym
	if !eig.Factorize(R, false) {
		return float64(len(list))
	}
	roots, sum := 0.0, 0.0
	for _, v := range eig.Values(nil) {
		if v > 0 {
			roots, sum = roots+math.Sqrt(v), sum+v
		}
	}
	return roots * roots / sum
}

// chance returns the probability of a score in any of the tests.
func (w *row) chance(score float64) float64 {
	return min(1, w.most*2*distuv.UnitNormal.Survival(score))
}

// without returns the information in which some values are free in all records.
func (w *row) without(moving ...int) (*mat.SymDense, []float64, error) {
	sd := map[int]float64{}
	for _, j := range moving {
		for r := range w.records() {
			sd[w.at(j, r)] = 1
		}
	}
	return freed(w.S, w.s, sd)
}

// moved lists what moved beyond chance. One after the other the value that the records speak for most is taken for moving; who speaks no more beside it is like it, unless it would
// still speak beside him.
func (w *row) moved() (list []Track, err error) {
	moving := w.moving()
	for {
		S, s, err := w.without(moving...)
		if err != nil {
			return nil, err
		}
		score, best := 0.0, -1
		others := map[int]float64{}
		for j := range w.value {
			if slices.Contains(moving, j) {
				continue
			}
			if v, ok := w.best(j, S, s); ok && w.chance(v) < byChance {
				others[j] = v
				if v > score {
					score, best = v, j
				}
			}
		}
		if best < 0 {
			return list, nil
		}
		t := w.track(best)
		t.Moved, t.Chance = true, w.chance(score)
		before := slices.Clone(moving)
		moving = append(moving, best)
		for j := range w.value {
			v, ok := others[j]
			if !ok || j == best {
				continue
			}
			beside, right, err := w.without(moving...)
			if err != nil {
				return nil, err
			}
			if left, ok := w.best(j, beside, right); ok && w.chance(left) < byChance {
				continue
			}
			if beside, right, err = w.without(append(before, j)...); err != nil {
				return nil, err
			}
			left, ok := w.best(best, beside, right)
			if !ok || w.chance(left) >= byChance || v*v > alikeShare*score*score {
				t.Like = append(t.Like, w.p.values[w.value[j]].Key)
			}
		}
		list = append(list, t)
	}
}

// moving lists the values that differ from record to record in the fit already.
func (w *row) moving() (list []int) {
	for j, v := range w.value {
		if slices.Contains(w.p.worn(), v) {
			list = append(list, j)
		}
	}
	return list
}

// track returns the name of a value that wears.
func (w *row) track(j int) Track {
	u := w.p.values[w.value[j]]
	t := Track{Key: u.Key, Unit: u.Unit, Pace: math.NaN(), PaceLow: math.NaN(), PaceHigh: math.NaN(), unknown: u}
	_, _, t.Factor = u.Table()
	return t
}

// found fills in a value that differs from record to record in the fit.
func (w *row) found(t Track) Track {
	j := w.place(t.Key)
	k := w.records()
	x, cov := make([]float64, k), mat.NewSymDense(k, nil)
	at := make([]int, k)
	for r, rec := range w.p.records {
		at[r] = rec.first + rec.unseen() + slices.Index(rec.worn, w.value[j])
		x[r] = w.x[at[r]]
	}
	for a := range k {
		for b := a; b < k; b++ {
			cov.SetSym(a, b, w.C.At(at[a], at[b]))
		}
		cov.SetSym(a, a, cov.At(a, a)+w.scatter(j)*w.scatter(j))
	}
	for r := range k {
		if math.Abs(x[r]-x[0]) > math.Abs(x[t.Furthest]-x[0]) {
			t.Furthest = r
		}
	}
	if x[t.Furthest] > x[0] {
		t.Cause = w.wear(j).name(w.p.boat, t.Key)
	}
	t.Returned = math.Abs(x[k-1]-x[0]) < math.Abs(x[t.Furthest]-x[0])/2
	w.fill(&t, j, x, cov)
	return t
}

// still lists the values that did not move, each as if it alone had.
func (w *row) still() (list []Track) {
	moving := w.moving()
	for j := range w.value {
		score, ok := w.best(j, w.S, w.s)
		if !ok || slices.Contains(moving, j) {
			continue
		}
		x, cov, err := w.changes(j, w.S, w.s)
		if err != nil {
			continue
		}
		t := w.track(j)
		t.Chance = w.chance(score)
		w.fill(&t, j, x, cov)
		list = append(list, t)
	}
	slices.SortStableFunc(list, func(a, b Track) int { return cmp.Compare(a.Chance, b.Chance) })
	return list
}

// fill works out the values, the change and the pace from the changes against what all records share, in those that are usual, and their covariance.
func (w *row) fill(t *Track, j int, x []float64, cov *mat.SymDense) {
	k, u := w.records(), &w.p.values[w.value[j]]
	size, level := w.wear(j).size(), u.Spread.At(w.x[w.value[j]])
	wide := wider * w.wear(j).loose
	weighed := func(weight func(r int) float64) float64 { // standard deviation of a sum of the changes
		v := 0.0
		for a := range k {
			for b := range k {
				v += weight(a) * weight(b) * cov.At(a, b)
			}
		}
		return wide * math.Sqrt(max(0, v))
	}
	scale := make([]float64, k) // SI per unit of change
	for r := range k {
		v := level * math.Exp(size*x[r])
		half := math.Abs(size) * two * weighed(func(q int) float64 {
			if q == r {
				return 1 - 1/float64(k)
			}
			return -1 / float64(k)
		})
		scale[r] = v * size
		t.Day, t.Value = append(t.Day, w.days[r]), append(t.Value, v)
		t.Low, t.High = append(t.Low, v*math.Exp(-half)), append(t.High, v*math.Exp(half))
	}
	last := k - 1
	// More or less by so much is so much of a level that is not known exactly either.
	half := two * weighed(func(r int) float64 {
		switch r {
		case 0:
			return -scale[0]
		case last:
			return scale[last]
		}
		return 0
	})
	t.Change = t.Value[last] - t.Value[0]
	t.ChangeLow, t.ChangeHigh = t.Change-half, t.Change+half
	span := w.days[last] - w.days[0]
	if k < fewest || span < quickestDays {
		return
	}
	later := mat.NewSymDense(k-1, nil)
	y, since := make([]float64, k-1), make([]float64, k-1)
	for a := 1; a < k; a++ {
		y[a-1], since[a-1] = t.Value[a]-t.Value[0], w.days[a]-w.days[0]
		for b := a; b < k; b++ {
			later.SetSym(a-1, b-1, wide*wide*(scale[a]*scale[b]*cov.At(a, b)-scale[0]*(scale[a]*cov.At(a, 0)+scale[b]*cov.At(0, b))+scale[0]*scale[0]*cov.At(0, 0)))
		}
	}
	var chol mat.Cholesky
	if !chol.Factorize(later) {
		return
	}
	sum := func(a, b []float64) float64 { // under the covariance (Aitken 1935, from memory)
		var solved mat.VecDense
		_ = chol.SolveVecTo(&solved, mat.NewVecDense(k-1, b)) // it was factorised
		return mat.Dot(mat.NewVecDense(k-1, a), &solved)
	}
	explains := func(shape []float64) float64 { return sum(shape, y) * sum(shape, y) / sum(shape, shape) }
	steady, most := explains(since), 0.0
	for from := range k - 1 {
		shape := make([]float64, k-1)
		for r := from; r < k-1; r++ {
			shape[r] = 1
		}
		if v := explains(shape); v > most {
			if most = v; t.Moved && v > steady+abrupt {
				t.Step = from + 1
			}
		}
	}
	if t.Step > 0 {
		return
	}
	information := sum(since, since)
	t.Pace = sum(since, y) / information
	sd := 1 / math.Sqrt(information)
	if over := (sum(y, y) - steady) / float64(k-2); over > 1 { // they do not lie along a line
		sd *= math.Sqrt(over)
	}
	t.PaceLow, t.PaceHigh = t.Pace-two*sd, t.Pace+two*sd
}

// far returns by how much a series strays, and the share of its rows that are outliers, over the most that is usual.
func (s *series) far() (slow, beside float64) {
	out := 0
	for _, v := range s.robust {
		if v > 1 {
			out++
		}
	}
	if len(s.at) >= LeastRows {
		beside = float64(out) / float64(len(s.at)) / odd
	}
	return s.noise.slow / s.slow / stray, beside
}

// unfit returns the record that fits worst, if one does not fit: a channel of it strays far more than channels do, or much of it are outliers, whatever is worn.
func (w *row) unfit() (worst unfit) {
	most := 1.0
	for k, r := range w.p.records {
		for _, s := range w.sets[k] {
			slow, beside := s.far()
			if slow > most {
				most, worst = slow, unfit{k, fmt.Sprintf("%s: it does not fit, whatever is worn: its %s strays %s from the model, where %s is usual", r.Name, quantity.Spoken(s.name), quantity.Format(s.noise.slow, s.unit, 2), quantity.Format(s.slow, s.unit, 2))}
			}
			if beside > most {
				most, worst = beside, unfit{k, fmt.Sprintf("%s: it does not fit, whatever is worn: %.0f %% of the rows of its %s lie beside the model", r.Name, 100*odd*beside, quantity.Spoken(s.name))}
			}
		}
	}
	return worst
}
