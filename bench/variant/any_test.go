package variant_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/benchtest"
	"quaybench/bench/datafile"
	"quaybench/bench/variant"
	"quaybench/bench/verdict"
)

// TestAnyValueIsTakenOrRefused: what is no number of a boat (a kind, a table, yes or no), with texts of every kind, makes a boat that rules
// judge, or an error; and a boat as it was read has no contradiction. The slow suite takes the numbers too.
func TestAnyValueIsTakenOrRefused(t *testing.T) {
	takenOrRefused(t, func(f datafile.Field) bool { return f.Kind != datafile.KindQuantity })
}

func takenOrRefused(t *testing.T, asked func(f datafile.Field) bool) {
	for _, name := range []string{"petrel", "bracken", "petrel-refit"} {
		b, s := benchtest.Boat(t, name)
		v := variant.Of(b, s)
		require.NoError(t, v.Problems(), name)
		taken, refused := 0, 0
		for _, f := range v.Keys() {
			if f.Kind == datafile.KindGroup || !asked(f) {
				continue
			}
			texts := append([]string{"", "true", "false", "0", "1", "3", "-1", "gibberish", "[]", `[["0 A", "1 s"]]`}, f.One...)
			for _, x := range []string{"0", "0.001", "1", "1000", "-1"} {
				texts = append(texts, x+" "+f.Unit)
			}
			for _, text := range texts {
				require.NotPanics(t, func() {
					next, _, err := v.With(f.Key, text)
					if err == nil {
						err = next.Problems()
					}
					if err == nil {
						verdict.Static(next.Boat, next.Settings)
						taken++
						return
					}
					assert.NotEmpty(t, err.Error())
					assert.NotContains(t, err.Error(), "\n", "one sentence: %s=%s", f.Key, text)
					refused++
				}, "%s: %s=%s", name, f.Key, text)
			}
		}
		t.Logf("%s: %d values taken, %d refused", name, taken, refused)
		assert.Greater(t, taken, 20)
		assert.Greater(t, refused, 300)
	}
}

// TestAKindBringsItsNeeds: what a boat file needs of a kind, a changed kind needs as well.
func TestAKindBringsItsNeeds(t *testing.T) {
	v := petrel(t)
	next, _, err := v.With("motor.kind", "series-wound")
	require.NoError(t, err)
	assert.ErrorContains(t, next.Problems(), "needs magnetisation")
	next, _, err = v.With("propeller.kind", "open water")
	require.NoError(t, err)
	assert.ErrorContains(t, next.Problems(), "needs open_water")

	b, s := benchtest.Boat(t, "bracken") // whose file has the points of a curve
	next, notes, err := variant.Of(b, s).With("fuse.class", "gG")
	require.NoError(t, err)
	assert.NoError(t, next.Problems())
	assert.Contains(t, strings.Join(notes, "; "), "the curves of the class hold")
	f := &next.Boat.Fuse
	assert.False(t, f.Carries.Given || f.Melts.Given || len(f.Fastest)+len(f.Slowest) > 0, "the class brings its own curves")
}
