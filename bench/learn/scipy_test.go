package learn

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/mat"

	"quaybench/bench/benchtest"
	"quaybench/bench/learn/leastsquares"
	"quaybench/testdata/reference"
)

// fits is what testdata/reference/learn/fit.py prints: the boat's own residuals minimised by SciPy's least_squares and by lmfit.
type fits struct {
	SciPy    oneFit   `json:"scipy"`
	LMFit    oneFit   `json:"lmfit"`
	Versions []string `json:"versions"`
}

type oneFit struct {
	X    []float64 `json:"x"`
	SD   []float64 `json:"sd"`
	Cost float64   `json:"cost"`
}

// central is the step of the difference quotients on both sides, in prior units.
const central = 0.05

// fromTheBoat returns the residuals of thirty typed rows of the reference petrel over six of its values, the charge and the meters' errors, 15 unknowns in all.
func fromTheBoat(t *testing.T) (rows, unknowns int, residuals func(x, r []float64) error) {
	b, s := petrel(t)
	p, err := newProblem(b, s, []*Record{outing(t, nil)})
	require.NoError(t, err)
	p.values = few(p.values)
	l, err := p.linearise(t.Context(), make([]float64, p.size()), nil, false)
	require.NoError(t, err)
	p.tune(l)
	rows, residuals = p.cost(context.Background(), l)
	return rows, p.size(), residuals
}

// minimise is our own minimiser on the same residuals, with the same difference quotients.
func minimise(t *testing.T, rows, k int, residuals func(x, r []float64) error) oneFit {
	jacobian := func(x []float64, J *mat.Dense) error {
		up, down, at := make([]float64, rows), make([]float64, rows), append([]float64(nil), x...)
		for j := range x {
			at[j] = x[j] + central
			if err := residuals(at, up); err != nil {
				return err
			}
			at[j] = x[j] - central
			if err := residuals(at, down); err != nil {
				return err
			}
			at[j] = x[j]
			for i := range up {
				J.Set(i, j, (up[i]-down[i])/(2*central))
			}
		}
		return nil
	}
	ones := make([]float64, k)
	for i := range ones {
		ones[i] = 1
	}
	found, err := leastsquares.Solve(leastsquares.Problem{Rows: rows, Residuals: residuals, Jacobian: jacobian}, make([]float64, k), leastsquares.Options{Moved: 1e-5, Typical: ones})
	require.NoError(t, err)
	out := oneFit{X: found.X, Cost: found.Cost}
	for j := range k {
		out.SD = append(out.SD, math.Sqrt(found.Cov.At(j, j)))
	}
	return out
}

// TestChecksFitAgainstSciPy: on the boat's own residuals our minimiser ends where SciPy's least_squares and lmfit's leastsq end. The slow suite runs both live
// on residuals that this process computes; the plain run compares with what they found then. Rewrite with -tags slow -update-reference.
func TestChecksFitAgainstSciPy(t *testing.T) {
	benchtest.Computes(t)
	dir, err := reference.Dir()
	require.NoError(t, err)
	golden := filepath.Join(dir, "learn", "golden", "fit.json")
	rows, k, residuals := fromTheBoat(t)
	ours := minimise(t, rows, k, residuals)
	var want fits
	if text, err := os.ReadFile(golden); err == nil || !*reference.Update {
		require.NoError(t, err)
		require.NoError(t, json.Unmarshal(text, &want))
	}
	if reference.Live {
		live := fitLive(t, rows, k, residuals)
		if *reference.Update {
			text, err := json.Marshal(live)
			require.NoError(t, err)
			require.NoError(t, os.WriteFile(golden, append(text, '\n'), 0o644))
			want = live
		}
		near(t, "SciPy, live against golden", want.SciPy, live.SciPy)
		near(t, "lmfit, live against golden", want.LMFit, live.LMFit)
	}
	near(t, "SciPy", want.SciPy, ours)
	near(t, "lmfit", want.LMFit, ours)
}

// near compares two fits: estimates to a twentieth of their standard deviation (a fit is settled within 0.15; the residuals are a simulation whose steps move with the
// model), standard deviations to 1 %, cost to a part in ten thousand.
func near(t *testing.T, name string, want, got oneFit) {
	t.Helper()
	require.Len(t, got.X, len(want.X), name)
	worst := 0.0
	for j := range want.X {
		worst = max(worst, math.Abs(got.X[j]-want.X[j])/want.SD[j])
		assert.InDelta(t, want.X[j], got.X[j], 0.05*want.SD[j], "%s: unknown %d", name, j)
		assert.InEpsilon(t, want.SD[j], got.SD[j], 0.01, "%s: standard deviation %d", name, j)
	}
	assert.InEpsilon(t, want.Cost, got.Cost, 1e-4, name)
	t.Logf("%-28s %d unknowns, largest difference %.2g standard deviations, cost %.6f and %.6f", name, len(want.X), worst, want.Cost, got.Cost)
}

// fitLive serves residuals to fit.py.
func fitLive(t *testing.T, rows, k int, residuals func(x, r []float64) error) (out fits) {
	run := reference.PythonTalk(t, "learn", "fit.py", "lmfit")
	to, err := run.StdinPipe()
	require.NoError(t, err)
	from, err := run.StdoutPipe()
	require.NoError(t, err)
	run.Stderr = os.Stderr
	require.NoError(t, run.Start())
	say := func(v any) {
		text, err := json.Marshal(v)
		require.NoError(t, err)
		_, err = fmt.Fprintf(to, "%s\n", text)
		require.NoError(t, err)
	}
	say(map[string]any{"start": make([]float64, k), "step": central})
	lines := bufio.NewScanner(from)
	lines.Buffer(nil, 1<<20)
	for lines.Scan() {
		var ask struct {
			X []float64 `json:"x"`
		}
		require.NoError(t, json.Unmarshal(lines.Bytes(), &ask))
		if ask.X == nil {
			require.NoError(t, json.Unmarshal(lines.Bytes(), &out))
			break
		}
		r := make([]float64, rows)
		require.NoError(t, residuals(ask.X, r))
		say(map[string]any{"r": r})
	}
	require.NoError(t, run.Wait())
	return out
}
