package ode_test

import (
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"quaybench/bench/ode"
)

var update = flag.Bool("update", false, "write testdata/work.json anew")

// work is what one solution cost.
type work struct{ Steps, Rejected, Evaluations, Factorisations int }

// TestWork compares the work of every problem with what was recorded: a change
// that makes it more than two per cent dearer fails.
func TestWork(t *testing.T) {
	got := map[string]work{}
	note := func(name string, tol float64, s ode.Statistics) {
		got[fmt.Sprintf("%s at %g", name, tol)] = work{s.Steps, s.Rejected, s.Evaluations, s.Factorisations}
	}
	var in ode.Integrator
	for _, tol := range []float64{1e-4, 1e-6, 1e-8} {
		for _, p := range problems {
			r, err := in.Solve(context.Background(), ode.Problem{System: p, T0: p.t0, T1: p.t1, Y0: p.y0}, p.options(tol))
			require.NoError(t, err)
			note(p.name, tol, r.Statistics)
		}
		o := &outing{}
		_, st, err := o.run(&in, o, outingEvents(), outingTolerance(tol), nil)
		require.NoError(t, err)
		note("outing, two hours", tol, st)
	}

	path := filepath.Join("testdata", "work.json")
	if *update {
		text, err := json.MarshalIndent(got, "", "\t")
		require.NoError(t, err)
		require.NoError(t, os.WriteFile(path, append(text, '\n'), 0o644))
	}
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	want := map[string]work{}
	require.NoError(t, json.Unmarshal(text, &want))
	require.Len(t, got, len(want))
	for name, w := range want {
		g := got[name]
		dearer := func(got, want int) bool { return float64(got) > 1.02*float64(want)+2 }
		require.False(t, dearer(g.Steps, w.Steps) || dearer(g.Evaluations, w.Evaluations) || dearer(g.Factorisations, w.Factorisations),
			"%s: %+v now, %+v recorded (record with -update if meant)", name, g, w)
		require.NotZero(t, g.Steps)
	}
}
