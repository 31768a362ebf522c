package learn

import (
	"cmp"
	"context"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"

	"quaybench/bench/drive"
	"quaybench/bench/trial"
)

// Track is one value over several records.
type Track struct {
	Key, Unit string
	Factor    bool // on a table
	Day       []float64
	// Value is what the value was in each record, were it the only one that moved; SI. Low and High are its 95 % interval within the row of records: what they share, as the level
	// of all of them, is left out.
	Value, Low, High []float64
	// Chance is the probability that a value which stayed as it is differs so much from record to record, all values asked counted. Moved: it is below 0.01, and
	// no other value that moved explains it.
	Chance float64
	Moved  bool
	// Like lists the values that the records can't tell from this one: any of them may have moved in its place.
	Like []string
	// Pace is how fast it moves, SI a day, with its 95 % interval; NaN with fewer than three records, or all of one day.
	Pace, PaceLow, PaceHigh float64
	// Reach is where a value that moves at this pace ends, nil where it leads nowhere for sure.
	Reach *Reach

	unknown  Unknown
	mover    mover
	explains float64 // the fall of the sum of squares where it moves
}

// Reach is the first part whose limit a value reaches on its way, all else being as it is.
type Reach struct {
	Part, Trial string
	Value       float64 // of what moves, SI
	// Early and Late are when, as days from the first record on, at 95 %. Late is infinite where nobody can tell; 0 both: the limit is passed already.
	Early, Late float64
}

const (
	byChance     = 0.01
	fewest       = 3 // records from which there is a pace
	quickestDays = 1.0 / 24
	// free is the standard deviation of what a value may differ by from record to record, in those of the file's tolerance: as good as unknown.
	free = 30.0
	// vague is a difference between records, in the same unit, that may be known so badly that the value counts as not asked.
	vague = 10.0
	// alikeShare is the share of what the best value explains above which another explains the same, the model being bent on so long a way.
	alikeShare = 0.9
	// Century is the longest way into the future that is looked, days.
	Century = 36525.0
)

// row is what the records tell together: of each its information about the values, its own unknowns integrated out.
type row struct {
	all    []Unknown
	linear [][]float64 // point around which each record is linear
	A      []*mat.SymDense
	g      [][]float64
}

// newRow joins results of one record each.
func newRow(results []*Result) (*row, error) {
	p := results[0].problem
	w := &row{all: drive.Unknowns(p.boat)}
	for _, r := range results {
		A, g, err := r.problem.aboutValues(r.fit)
		if err != nil {
			return nil, err
		}
		place := map[string]int{}
		for i, u := range r.problem.values {
			place[u.Key] = i
		}
		whole, right, at := mat.NewSymDense(len(w.all), nil), make([]float64, len(w.all)), make([]float64, len(w.all))
		for i, u := range w.all {
			a, ok := place[u.Key]
			if !ok {
				continue
			}
			right[i], at[i] = g[a], r.fit.linear.x[a]
			for j := i; j < len(w.all); j++ {
				if b, ok := place[w.all[j].Key]; ok {
					whole.SetSym(i, j, A.At(a, b))
				}
			}
		}
		w.A, w.g, w.linear = append(w.A, whole), append(w.g, right), append(w.linear, at)
	}
	return w, nil
}

// aboutValues returns the information of a fit about the values alone.
func (p *problem) aboutValues(f *fitted) (*mat.SymDense, []float64, error) {
	all := p.sum(f.linear)
	n, k := len(p.values), len(all.g)
	own := mat.NewSymDense(k-n, nil)
	cross := mat.NewDense(k-n, n, nil)
	for a := n; a < k; a++ {
		for b := a; b < k; b++ {
			own.SetSym(a-n, b-n, all.A.At(a, b))
		}
		own.SetSym(a-n, a-n, own.At(a-n, a-n)+1)
		for j := range n {
			cross.Set(a-n, j, all.A.At(a, j))
		}
	}
	var chol mat.Cholesky
	if !chol.Factorize(own) {
		return nil, nil, errSingular
	}
	var X mat.Dense // own⁻¹ cross
	if err := chol.SolveTo(&X, cross); err != nil {
		return nil, nil, errSingular
	}
	A, g := mat.NewSymDense(n, nil), make([]float64, n)
	for i := range n {
		g[i] = all.g[i]
		for a := range k - n {
			g[i] -= X.At(a, i) * all.g[n+a]
		}
		for j := i; j < n; j++ {
			v := all.A.At(i, j)
			for a := range k - n {
				v -= X.At(a, i) * cross.At(a, j)
			}
			A.SetSym(i, j, v)
		}
	}
	return A, g, nil
}

// mover is a value that may differ from record to record: what it is in the first record that tells of it, the file's tolerance holds for; what it is in the others is free.
type mover struct {
	value int   // index into all
	in    []int // records, the first of them that tells of it first
}

// mover returns what may move of a value; ok is false where fewer than two records say anything of it.
func (w *row) mover(j int) (m mover, ok bool) {
	m.value = j
	for r, A := range w.A {
		if A.At(j, j) > reached {
			m.in = append(m.in, r)
		}
	}
	return m, len(m.in) > 1
}

// solve finds the values that all records share, and by what those that move differ from the first: x has the values, then the differences, mover by mover.
func (w *row) solve(moving []mover) (x []float64, cov *mat.SymDense, err error) {
	n := len(w.all)
	type difference struct{ value, record int }
	var more []difference
	for _, m := range moving {
		for _, r := range m.in[1:] {
			more = append(more, difference{m.value, r})
		}
	}
	whole := newInformation(n + len(more))
	for r := range w.A {
		for i := range n {
			whole.g[i] += w.g[r][i]
			for j := i; j < n; j++ {
				whole.A.SetSym(i, j, whole.A.At(i, j)+w.A[r].At(i, j))
			}
		}
	}
	for a, d := range more {
		whole.g[n+a] = w.g[d.record][d.value]
		for i := range n {
			whole.A.SetSym(i, n+a, w.A[d.record].At(i, d.value))
		}
		for b := a; b < len(more); b++ {
			if more[b].record == d.record {
				whole.A.SetSym(n+a, n+b, w.A[d.record].At(d.value, more[b].value))
			}
		}
		whole.A.SetSym(n+a, n+a, whole.A.At(n+a, n+a)-1+1/(free*free)) // solve adds the prior 1 to each
	}
	x, cov, _, err = whole.solve()
	return x, cov, err
}

// track follows the last of moving, the others moving too. It is nil where fewer than two records say enough of the value, or no boat could have what it would have to be.
func (w *row) track(days []float64, moving ...mover) (*Track, error) {
	m := moving[len(moving)-1]
	before := len(w.all)
	for _, k := range moving[:len(moving)-1] {
		before += len(k.in) - 1
	}
	for {
		x, cov, err := w.solve(moving)
		if err != nil {
			return nil, err
		}
		records := len(m.in)
		// delta are the differences from the first record, which has none; sigma is their covariance.
		delta, sigma := make([]float64, records), mat.NewSymDense(records, nil)
		for a := 1; a < records; a++ {
			delta[a] = x[before+a-1]
			for b := a; b < records; b++ {
				sigma.SetSym(a, b, wider*wider*cov.At(before+a-1, before+b-1))
			}
		}
		// spread is the variance of what one record differs by from the mean of all.
		spread := func(r int) (v float64) {
			weight := func(q int) float64 {
				if q == r {
					return 1 - 1/float64(records)
				}
				return -1 / float64(records)
			}
			for a := range records {
				for b := range records {
					v += weight(a) * weight(b) * sigma.At(a, b)
				}
			}
			return v
		}
		worst, most := -1, vague*vague
		for a := range records {
			if v := spread(a); v > most {
				worst, most = a, v
			}
		}
		if worst >= 0 { // a record that says too little blurs the others
			m.in = slices.Delete(slices.Clone(m.in), worst, worst+1)
			moving = append(slices.Clone(moving[:len(moving)-1]), m)
			if len(m.in) < 2 {
				return nil, nil
			}
			continue
		}
		return w.trackOf(m, days, x, cov, delta, sigma, spread), nil
	}
}

func (w *row) trackOf(m mover, days, x []float64, cov *mat.SymDense, delta []float64, sigma *mat.SymDense, spread func(r int) float64) *Track {
	u := w.all[m.value]
	t := &Track{Key: u.Key, Unit: u.Unit, Pace: math.NaN(), PaceLow: math.NaN(), PaceHigh: math.NaN(), unknown: u, mover: m}
	_, _, t.Factor = u.Table()
	var scale []float64 // SI per score
	level := wider * wider * cov.At(m.value, m.value)
	for a, r := range m.in {
		z0 := w.linear[r][m.value]
		slope := (u.Spread.At(z0+0.01) - u.Spread.At(z0-0.01)) / 0.02
		v := u.Spread.At(z0) + slope*(x[m.value]+delta[a]-z0)
		half, whole := math.Abs(slope)*two*math.Sqrt(spread(a)), math.Abs(slope)*two*math.Sqrt(level+sigma.At(a, a))
		if u.Spread.Value*(v+math.Copysign(whole, u.Spread.Value)) < 0 || v+whole < u.Spread.Low || v-whole > u.Spread.High {
			return nil
		}
		t.Day, t.Value = append(t.Day, days[r]), append(t.Value, v)
		t.Low, t.High = append(t.Low, v-half), append(t.High, v+half)
		scale = append(scale, slope)
	}
	records := len(delta)
	later := mat.NewSymDense(records-1, nil)
	for a := 1; a < records; a++ {
		for b := a; b < records; b++ {
			later.SetSym(a-1, b-1, sigma.At(a, b))
		}
	}
	var chol mat.Cholesky
	if !chol.Factorize(later) {
		return nil
	}
	sum := func(a, b []float64) float64 { // under the covariance (Aitken 1935)
		var solved mat.VecDense
		_ = chol.SolveVecTo(&solved, mat.NewVecDense(records-1, b)) // it was factorised
		return mat.Dot(mat.NewVecDense(records-1, a), &solved)
	}
	y := delta[1:]
	t.explains = sum(y, y)
	t.Chance = distuv.ChiSquared{K: float64(records - 1)}.Survival(t.explains)
	days0, span := t.Day[0], 0.0
	since := make([]float64, records-1)
	for i := range since {
		since[i] = t.Day[i+1] - days0
		span = max(span, math.Abs(since[i]))
	}
	if records < fewest || span < quickestDays {
		return t
	}
	information := sum(since, since)
	pace := sum(since, y) / information
	sd := 1 / math.Sqrt(information)
	// What grows from record to record is less likely by chance than what differs; both were asked.
	t.Chance = min(1, 2*min(t.Chance, 2*distuv.UnitNormal.Survival(math.Abs(pace)/sd)))
	if over := (t.explains - pace*pace*information) / float64(records-2); over > 1 { // they do not lie along a line
		sd *= math.Sqrt(over)
	}
	k := mean(scale)
	t.Pace = k * pace
	t.PaceLow, t.PaceHigh = t.Pace-math.Abs(k)*two*sd, t.Pace+math.Abs(k)*two*sd
	return t
}

// asked returns how many independent values those of some tracks count for: what moves one mostly moves its like as well (the effective number of tests of Galwey 2009,
// from the correlations of what each would show of a steady drift).
func (w *row) asked(tracks []*Track, days []float64) float64 {
	var list []int
	for _, t := range tracks {
		list = append(list, t.mover.value)
	}
	if len(list) < 2 {
		return float64(len(list))
	}
	n, middle := len(w.all), mean(days)
	total := mat.NewSymDense(n, nil)
	for i := range n {
		total.SetSym(i, i, 1)
	}
	trend := mat.NewDense(n, len(list), nil) // of each value against all
	own := mat.NewSymDense(len(list), nil)
	for r, A := range w.A {
		total.AddSym(total, A)
		d := days[r] - middle
		if d == 0 {
			d = 1e-3
		}
		for b, j := range list {
			for i := range n {
				trend.Set(i, b, trend.At(i, b)+d*A.At(i, j))
			}
			for a := range b + 1 {
				own.SetSym(a, b, own.At(a, b)+d*d*A.At(list[a], j))
			}
		}
	}
	var chol mat.Cholesky
	var solved, taken mat.Dense
	if !chol.Factorize(total) || chol.SolveTo(&solved, trend) != nil {
		return float64(len(list))
	}
	taken.Mul(trend.T(), &solved)
	R := mat.NewSymDense(len(list), nil)
	left := func(a, b int) float64 { return own.At(a, b) - taken.At(a, b) }
	for a := range list {
		for b := a; b < len(list); b++ {
			if v := left(a, a) * left(b, b); v > 0 {
				R.SetSym(a, b, left(a, b)/math.Sqrt(v))
			}
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

// Tracks returns how values moved over records, those that moved beyond chance first. results are of one record each, in order of their days. Each value is asked alone, all
// others being the same in all records; meters and weather are each record's own. Of several values that explain the same the one that explains it best is said to have
// moved, and the others are like it.
func Tracks(results []*Result, days []float64) (list []Track, err error) {
	if len(results) < 2 {
		return nil, nil
	}
	w, err := newRow(results)
	if err != nil {
		return nil, err
	}
	var tracks []*Track
	for j := range w.all {
		m, ok := w.mover(j)
		if !ok {
			continue
		}
		t, err := w.track(days, m)
		if err != nil {
			return nil, err
		}
		if t != nil {
			tracks = append(tracks, t)
		}
	}
	asked := w.asked(tracks, days)
	for _, t := range tracks {
		t.Chance = min(1, t.Chance*asked)
	}
	byOdds := func(a, b *Track) int {
		return cmp.Or(cmp.Compare(a.Chance, b.Chance), cmp.Compare(b.explains, a.explains))
	}
	slices.SortStableFunc(tracks, byOdds)
	// explained reports whether a value still moves beyond chance where others move too, and by which chance.
	explained := func(t *Track, others ...mover) (bool, float64, error) {
		beside, err := w.track(days, append(slices.Clone(others), t.mover)...)
		if err != nil || beside == nil {
			return true, 1, err
		}
		chance := min(1, asked*beside.Chance)
		return chance >= byChance, chance, nil
	}
	// One after the other the value that explains most is taken for moving; who is then explained is like it, unless he would not explain it.
	var moving []mover
	for open := slices.Clone(tracks); len(open) > 0 && open[0].Chance < byChance; {
		best := open[0]
		best.Moved = true
		before := moving
		moving = append(slices.Clone(moving), best.mover)
		list = append(list, *best)
		var still []*Track
		for _, t := range open[1:] {
			if t.Chance >= byChance {
				continue
			}
			done, chance, err := explained(t, moving...)
			if err != nil {
				return nil, err
			}
			if !done {
				t.Chance = chance
				still = append(still, t)
				continue
			}
			same, _, err := explained(best, append(slices.Clone(before), t.mover)...)
			if err != nil {
				return nil, err
			}
			if t.Chance = chance; same || t.explains > alikeShare*best.explains {
				last := &list[len(list)-1]
				last.Like = append(last.Like, t.Key)
			}
		}
		slices.SortStableFunc(still, byOdds)
		open = still
	}
	for _, t := range tracks {
		if !t.Moved {
			list = append(list, *t)
		}
	}
	return list, nil
}

// FindReach looks in some trials where a value that moved ends at its pace, the boat being as the first of the records has it otherwise. It leaves Reach nil where the pace is not sure, or nothing
// comes to its limit in a century.
func (t *Track) FindReach(ctx context.Context, first *Result, trials []*trial.Trial) error {
	if !t.Moved || math.IsNaN(t.Pace) || t.PaceLow*t.PaceHigh <= 0 {
		return nil
	}
	p := first.problem
	all := append(slices.Clone(p.values), p.quiet...)
	z := make([]float64, len(all))
	for i := range p.values {
		z[i] = max(-3, min(3, first.fit.x[i]))
	}
	j := slices.IndexFunc(all, func(u Unknown) bool { return u.Key == t.Key })
	if j < 0 {
		return nil
	}
	plain := slices.DeleteFunc(slices.Clone(trials), func(t *trial.Trial) bool { return len(t.Expect) > 0 })
	// worst returns the least margin with the value at v; ok is false where no boat has it.
	worst := func(v float64) (margin float64, part, in string, ok bool, err error) {
		if z[j] = t.unknown.Spread.Score(v); math.IsInf(z[j], 0) || math.IsNaN(z[j]) {
			return 0, "", "", false, nil
		}
		b := drive.Place(p.boat, all, z)
		list, _, err := runs(ctx, b, p.settings, plain)
		if err != nil {
			return 0, "", "", false, err
		}
		margin = math.Inf(1)
		for i, run := range list {
			if run == nil {
				return 0, "", "", false, nil
			}
			for name, m := range margins(run) {
				if m < margin || m == margin && name < part {
					margin, part, in = m, name, plain[i].Name
				}
			}
		}
		return margin, part, in, true, nil
	}
	n := len(t.Day) - 1
	now, longest := t.Value[n], Century*max(math.Abs(t.PaceLow), math.Abs(t.PaceHigh))
	towards := math.Copysign(1, t.Pace)
	margin, part, in, ok, err := worst(now)
	switch {
	case err != nil || !ok:
		return err
	case margin < 0:
		t.Reach = &Reach{Part: part, Trial: in, Value: now}
		return nil
	}
	near, far := 0.0, max(math.Abs(t.High[n]-t.Low[n]), 0.01*math.Abs(now))
	for {
		far = min(far, longest)
		if margin, part, in, ok, err = worst(now + towards*far); err != nil || !ok {
			return err
		}
		if margin < 0 {
			break
		}
		if far == longest {
			return nil
		}
		near, far = far, 2*far
	}
	for far-near > 0.01*far {
		middle := (near + far) / 2
		m, its, its2, ok, err := worst(now + towards*middle)
		switch {
		case err != nil:
			return err
		case ok && m >= 0:
			near = middle
		default:
			far = middle
			if ok {
				part, in = its, its2
			}
		}
	}
	slow, fast := math.Abs(t.PaceLow), math.Abs(t.PaceHigh)
	if slow > fast {
		slow, fast = fast, slow
	}
	half := (t.High[n] - t.Low[n]) / 2
	t.Reach = &Reach{Part: part, Trial: in, Value: now + towards*far, Early: t.Day[n] + max(0, far-half)/fast, Late: t.Day[n] + (far+half)/slow}
	if t.Reach.Early > Century {
		t.Reach = nil
	} else if t.Reach.Late > Century {
		t.Reach.Late = math.Inf(1)
	}
	return nil
}
