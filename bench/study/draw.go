package study

import (
	"context"
	"fmt"
	"maps"
	"math"
	"math/rand/v2"
	"slices"

	"quaybench/bench/boat"
	"quaybench/bench/drive"
	"quaybench/bench/record"
	"quaybench/bench/settings"
	"quaybench/bench/simulate"
	"quaybench/bench/trial"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distmv"
	"gonum.org/v1/gonum/stat/distuv"
	"gonum.org/v1/gonum/stat/samplemv"
)

// Distribution says what a tolerance is taken to mean.
const Distribution = "normal, the tolerance half of its 95 % interval, cut off at one and a half of it; by a factor where it is wider than 20 %"

// Usual says what stands for a tolerance that no file states.
const Usual = "what states no tolerance takes one by where it comes from and what it is (common practice, no source)"

// points returns n points of the d-dimensional unit cube, evenly spread: a Halton sequence with Owen's scrambling. The same
// seed gives the same points.
func points(n, d int, seed uint64) *mat.Dense {
	p := mat.NewDense(n, d, nil)
	src := rand.New(rand.NewPCG(seed, 0x9e3779b97f4a7c15))
	samplemv.Halton{Kind: samplemv.Owen, Q: distmv.NewUnitUniform(d, src), Src: src}.Sample(p)
	return p
}

// scores returns points of the unit cube as normal scores.
func scores(cube *mat.Dense) [][]float64 {
	n, d := cube.Dims()
	out := make([][]float64, n)
	for i := range out {
		out[i] = make([]float64, d)
		for k, u := range cube.RawRowView(i) {
			out[i][k] = score(u)
		}
	}
	return out
}

// Draws returns n boats drawn over the tolerances of a boat, the same for the same seed; the boat alone where every value is exact.
func Draws(b *boat.Boat, n int, seed uint64) []*boat.Boat {
	list := drive.Unknowns(b)
	if len(list) == 0 {
		return []*boat.Boat{b}
	}
	out := make([]*boat.Boat, n)
	for i, z := range scores(points(n, len(list), seed)) {
		out[i] = drive.Place(b, list, z)
	}
	return out
}

func sorted(set map[float64]bool) []float64 {
	return slices.Sorted(maps.Keys(set))
}

// AtLeast returns the lower end of the exact 95 % interval of a probability, where a share of n draws had it.
func AtLeast(share float64, n int) float64 {
	low, _ := interval(int(math.Ceil(share*float64(n)-1e-9)), n)
	return low
}

// interval returns the exact (Clopper and Pearson 1934) 95 % interval of a probability from k of n.
func interval(k, n int) (low, high float64) {
	const alpha = 0.05
	low, high = 0, 1
	if k > 0 {
		low = distuv.Beta{Alpha: float64(k), Beta: float64(n - k + 1)}.Quantile(alpha / 2)
	}
	if k < n {
		high = distuv.Beta{Alpha: float64(k + 1), Beta: float64(n - k)}.Quantile(1 - alpha/2)
	}
	return low, high
}

// Simulate runs a trial with each of several boats, on all cores, and returns the runs in the order of the boats. A boat that cannot be
// simulated has no run, and is counted; too many of them are an error, as for FindOdds.
func Simulate(ctx context.Context, boats []*boat.Boat, s settings.Set, t *trial.Trial, progress func(done, all int)) ([]*record.Run, LeftOut, error) {
	runs, failed := make([]*record.Run, len(boats)), make([]error, len(boats))
	finished := newCounter(progress, len(boats))
	err := each(ctx, len(boats), func(ctx context.Context, i int) error {
		run, err := simulate.Run(ctx, boats[i], s, t, simulate.Options{})
		finished.add()
		switch {
		case stopped(err):
			return err
		case err != nil:
			failed[i] = err
			return nil
		}
		runs[i] = run
		return nil
	})
	left, bad := leftOut(failed)
	if err == nil {
		err = bad
	}
	return slices.DeleteFunc(runs, func(r *record.Run) bool { return r == nil }), left, err
}

// Quantiles returns two quantiles of a trace over several runs at an instant, s; both NaN where no run has the trace. A run that ended
// before counts with its last value.
func Quantiles(runs []*record.Run, trace string, t, low, high float64) (l, h float64) {
	var values []float64
	for _, r := range runs {
		if tr, ok := r.Trace(trace); ok && len(r.Time) > 0 {
			values = append(values, r.At(tr, t))
		}
	}
	slices.Sort(values)
	return record.Quantile(values, low), record.Quantile(values, high)
}

// Plural returns a number with its noun, in the plural where the number is not 1: "1 run", "10,000 draws".
func Plural(n int, noun string) string {
	text := fmt.Sprint(n)
	for at := len(text) - 3; at > 0; at -= 3 {
		text = text[:at] + "," + text[at:]
	}
	if n != 1 {
		noun += "s"
	}
	return text + " " + noun
}
