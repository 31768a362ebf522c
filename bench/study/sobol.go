package study

import (
	"context"
	"math"
	"sort"
)

// Indices are the Sobol indices of one input: the share of the output's variance it explains alone, and together with
// all its interactions.
type Indices struct {
	First, Total float64
}

// Sobol estimates the Sobol indices of f over the d-dimensional unit cube from n·(d + 2) evaluations: first-order by
// Saltelli 2010, total by Jansen 1999. f must be safe for several goroutines. The same seed gives the same answer on
// any number of cores. Inputs of a constant f have indices 0.
func Sobol(ctx context.Context, d, n int, seed uint64, f func(ctx context.Context, u []float64) (float64, error), progress func(done, all int)) ([]Indices, error) {
	p := points(n, 2*d, seed)
	values := make([]float64, n*(d+2))
	finished := newCounter(progress, len(values))
	err := each(ctx, len(values), func(ctx context.Context, job int) error {
		i, k := job/(d+2), job%(d+2) // k = 0: A, 1: B, else A with column k − 2 from B
		row := p.RawRowView(i)
		u := make([]float64, d)
		copy(u, row[:d])
		switch {
		case k == 1:
			copy(u, row[d:])
		case k > 1:
			u[k-2] = row[d+k-2]
		}
		y, err := f(ctx, u)
		values[job] = y
		finished.add()
		return err
	})
	if err != nil {
		return nil, err
	}
	var mean, square float64
	for i := range n {
		for k := range 2 {
			y := values[i*(d+2)+k]
			mean += y
			square += y * y
		}
	}
	mean /= float64(2 * n)
	variance := square/float64(2*n) - mean*mean
	out := make([]Indices, d)
	if variance <= 1e-14*(1+mean*mean) {
		return out, nil
	}
	for k := range d {
		var first, total float64
		for i := range n {
			row := values[i*(d+2) : (i+1)*(d+2)]
			a, b, ab := row[0], row[1], row[2+k]
			first += (b - mean) * (ab - a)
			total += (a - ab) * (a - ab)
		}
		out[k] = Indices{First: first / float64(n) / variance, Total: total / float64(2*n) / variance}
	}
	return out, nil
}

// byTotal sorts unknowns by what they explain.
func byTotal(list []Unknown) {
	sort.SliceStable(list, func(i, j int) bool {
		return list[i].Total > list[j].Total && !math.IsNaN(list[i].Total)
	})
}
