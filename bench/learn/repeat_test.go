package learn

import (
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// TestOneMeasurementCountsOnce: readings that were kept twice under two names and dates would halve the chance of what they show.
func TestOneMeasurementCountsOnce(t *testing.T) {
	first, second := studOuting(t, 41, 0), studOuting(t, 42, 0)
	run := *first.Run
	run.Provenance.Clock = "2026-06-01T10:00:00Z"
	again := &Record{Name: "typed again", Hash: "another", Run: &run, Trial: first.Trial}
	require.True(t, again.Repeats(first))
	require.False(t, second.Repeats(first), "another day's readings differ")

	b, s := petrel(t)
	_, err := Learn(t.Context(), b, s, []*Record{first, again})
	assert.EqualError(t, err, "typed again: it holds the same readings as "+first.Name+", which count once: leave one of the two out")

	d, err := driftFew(t, []float64{0, 90, 180}, first, again, second)
	require.NoError(t, err)
	assert.Equal(t, []int{0, 2}, d.Used)
	assert.Equal(t, []string{"typed again: it holds the same readings as " + first.Name + ", which count once: leave one of the two out"}, d.LeftOut)

	run.Traces = slices.Clone(run.Traces)
	run.Traces[2].Values = slices.Clone(run.Traces[2].Values)
	run.Traces[2].Values[5]++
	assert.False(t, again.Repeats(first), "one reading differs")
}
