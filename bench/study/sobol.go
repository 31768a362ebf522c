package study

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"sort"
)

// Indices are the Sobol indices of one input: the share of the output's variance it explains alone, and together with
// all its interactions. Each error is half of the 95 % interval, by the bootstrap over the base points.
type Indices struct {
	First, FirstError float64
	Total, TotalError float64
}

// Sobol estimates the Sobol indices of f over the d-dimensional unit cube from n·(d + 2) evaluations: first-order by
// Saltelli 2010, total by Jansen 1999. f must be safe for several goroutines. The same seed gives the same answer on any number of cores. Inputs
// of a constant f have indices 0.
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
	rows := make([][]float64, n)
	for i := range rows {
		rows[i] = values[i*(d+2) : (i+1)*(d+2)]
	}
	out := indices(rows, d)
	const resamples = 200
	r := rand.New(rand.NewPCG(seed, 0x2545f4914f6cdd1d))
	first, total := make([][]float64, d), make([][]float64, d)
	drawn := make([][]float64, n)
	for range resamples {
		for i := range drawn {
			drawn[i] = rows[r.IntN(n)]
		}
		for k, x := range indices(drawn, d) {
			first[k], total[k] = append(first[k], x.First), append(total[k], x.Total)
		}
	}
	half := func(values []float64) float64 { return (quantile(values, 0.975) - quantile(values, 0.025)) / 2 }
	for k := range out {
		out[k].FirstError, out[k].TotalError = half(first[k]), half(total[k])
	}
	return out, nil
}

// indices from rows of f at A, at B, and at A with one column from B.
func indices(rows [][]float64, d int) []Indices {
	var mean, square float64
	for _, row := range rows {
		for _, y := range row[:2] {
			mean += y
			square += y * y
		}
	}
	n := float64(len(rows))
	mean /= 2 * n
	variance := square/(2*n) - mean*mean
	out := make([]Indices, d)
	if variance <= 1e-14*(1+mean*mean) {
		return out
	}
	for k := range out {
		var first, total float64
		for _, row := range rows {
			a, b, ab := row[0], row[1], row[2+k]
			first += (b - mean) * (ab - a)
			total += (a - ab) * (a - ab)
		}
		out[k] = Indices{First: first / n / variance, Total: total / (2 * n) / variance}
	}
	return out
}

// Shown is an index, or another share from 0 to 1, with its error: "62 ± 9 %".
func Shown(share, error float64) string {
	return fmt.Sprintf("%.0f ± %.0f %%", 100*min(max(share, 0), 1), math.Ceil(100*error))
}

// byTotal sorts unknowns by what they explain.
func byTotal(list []Unknown) {
	sort.SliceStable(list, func(i, j int) bool {
		return list[i].Total > list[j].Total && !math.IsNaN(list[i].Total)
	})
}
