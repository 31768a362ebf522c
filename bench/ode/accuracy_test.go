package ode_test

import (
	"context"
	"fmt"
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"quaybench/bench/ode"
)

// TestKnownEnds runs every problem with a known end at three tolerances: the
// error must stay within a hundred tolerances (a global error gathers over steps).
func TestKnownEnds(t *testing.T) {
	for _, p := range problems {
		for _, tol := range []float64{1e-4, 1e-6, 1e-8} {
			t.Run(fmt.Sprintf("%s at %g", p.name, tol), func(t *testing.T) {
				var in ode.Integrator
				r, err := in.Integrate(context.Background(), p, p.t0, p.t1, p.y0, nil, p.options(tol), nil)
				require.NoError(t, err)
				require.Equal(t, p.t1, r.T)
				for i := range p.want {
					allowed := 100 * tol * math.Max(math.Abs(p.want[i]), p.scale[i])
					require.InDelta(t, p.want[i], r.Y[i], allowed, "state %d; reference: %s", i, p.source)
				}
				t.Logf("%+v", r.Statistics)
			})
		}
	}
}
