package verdict_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/settings"
	"quaybench/bench/verdict"
	"quaybench/testdata/reference"
)

// TestAdviceEnds: from any settings, who does what rules say, one after the other, comes to settings of which no rule says anything more.
func TestAdviceEnds(t *testing.T) {
	for _, name := range []string{"petrel", "bracken"} {
		r := rand.New(rand.NewPCG(20261130, 1))
		for range 60 {
			b, s, err := reference.Boat(name)
			require.NoError(t, err)
			if r.IntN(2) == 0 {
				b.Battery.Management = nil
			}
			for _, p := range settings.Table() {
				if x, ok := s.Number(p.Key); ok && r.IntN(3) == 0 {
					if next, err := s.WithNumber(p.Key, x*math.Exp(1.5*r.NormFloat64())); err == nil {
						s = next
					}
				}
			}
			var done []string
			// advice returns the settings with the first change that a rule asks for.
			advice := func() settings.Set {
				for _, f := range verdict.Static(b, s) {
					if f.Change == nil || f.Level == verdict.Clear {
						continue
					}
					if next, err := s.With(f.Change.Key, f.Change.To); err == nil && next != s {
						done = append(done, f.Change.Key+" from "+f.Change.From+" to "+f.Change.To+" ("+f.Change.Why+")")
						return next
					}
				}
				return s
			}
			for next := advice(); next != s && len(done) < 60; next = advice() {
				s = next
			}
			require.Less(t, len(done), 60, "%s: %v", name, done[max(0, len(done)-4):])
			assert.Equal(t, s, advice())
		}
	}
}
