package ode_test

import (
	"context"
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"testing"

	"github.com/stretchr/testify/require"

	"quaybench/bench/ode"
)

// TestOutingAgainstSciPy compares with testdata/outing.csv: the same equations
// written in Python, solved by SciPy's Radau at rtol 1e-12 (testdata/outing.py).
func TestOutingAgainstSciPy(t *testing.T) {
	file, err := os.Open("testdata/outing.csv")
	require.NoError(t, err)
	defer file.Close()
	table := csv.NewReader(file)
	table.Comment = '#'
	rows, err := table.ReadAll()
	require.NoError(t, err)
	require.Len(t, rows, 4)

	for _, tol := range []float64{1e-4, 1e-6, 1e-8} {
		o := &outing{air: 293}
		opts := outingTolerance(tol)
		var in ode.Integrator
		now, y := 0.0, outingStart()
		var worst, kelvin float64 // in tolerances; of the temperatures
		for corner, row := range rows {
			o.throttle = outingThrottle(corner)
			end, err := strconv.ParseFloat(row[0], 64)
			require.NoError(t, err)
			r, err := in.Solve(context.Background(), ode.Problem{System: o, T0: now, T1: end, Y0: y}, opts)
			require.NoError(t, err)
			now, y = r.T, r.Y
			for k := range y {
				want, err := strconv.ParseFloat(row[k+1], 64)
				require.NoError(t, err)
				gap := math.Abs(y[k] - want)
				worst = math.Max(worst, gap/(opts.AbsTol[k]+tol*math.Abs(want)))
				if k >= 8 {
					kelvin = math.Max(kelvin, gap)
				}
			}
		}
		t.Logf("tolerance %g: %.3g tolerances, %.3g K", tol, worst, kelvin)
		require.Less(t, worst, 1.0, "tolerance %g", tol)
	}
}

// TestAgainstYardstick compares the outing's first seconds, electrical
// transients included, with the simplest method there is at a step far below
// every time constant: classical Runge-Kutta.
func TestAgainstYardstick(t *testing.T) {
	const end, h = 5.0, 1e-4
	o := &outing{air: 293, throttle: 0.9}
	want := rungeKutta4(o, 0, end, h, outingStart())
	tol := 1e-7
	opts := outingTolerance(tol)
	r, err := ode.Solve(context.Background(), ode.Problem{System: o, T1: end, Y0: outingStart()}, opts)
	require.NoError(t, err)
	for k := range want {
		require.InDelta(t, want[k], r.Y[k], opts.AbsTol[k]+tol*math.Abs(want[k]), "state %d", k)
	}
}

// rungeKutta4 integrates by the classical method with a fixed step.
func rungeKutta4(sys ode.System, t0, t1, h float64, y []float64) []float64 {
	n := len(y)
	k1, k2, k3, k4, z := make([]float64, n), make([]float64, n), make([]float64, n), make([]float64, n), make([]float64, n)
	move := func(k []float64, by float64) []float64 {
		for i := range z {
			z[i] = y[i] + by*k[i]
		}
		return z
	}
	steps := int(math.Round((t1 - t0) / h))
	for s := range steps {
		t := t0 + float64(s)*h
		sys.Derivatives(t, y, k1)
		sys.Derivatives(t+h/2, move(k1, h/2), k2)
		sys.Derivatives(t+h/2, move(k2, h/2), k3)
		sys.Derivatives(t+h, move(k3, h), k4)
		for i := range y {
			y[i] += h / 6 * (k1[i] + 2*k2[i] + 2*k3[i] + k4[i])
		}
	}
	return y
}
