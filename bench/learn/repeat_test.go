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
	assert.EqualError(t, err, "typed again: it holds the same readings as "+first.Name+", all of them or nearly, which count once: leave one of the two out")

	d, err := driftFew(t, []float64{0, 90, 180}, first, again, second)
	require.NoError(t, err)
	assert.Equal(t, []int{0, 2}, d.Used)
	assert.Equal(t, []string{"typed again: it holds the same readings as " + first.Name + ", all of them or nearly, which count once: leave one of the two out"}, d.LeftOut)

	run.Traces = slices.Clone(run.Traces)
	run.Traces[2].Values = slices.Clone(run.Traces[2].Values)
	run.Traces[2].Values[5]++
	assert.True(t, again.Repeats(first), "a slip was put right")
	run.Time = slices.Clone(run.Time)
	for i := range run.Traces {
		run.Traces[i].Values = slices.Delete(slices.Clone(run.Traces[i].Values), 7, 9)
	}
	run.Time = slices.Delete(run.Time, 7, 9)
	assert.True(t, again.Repeats(first), "and two rows were left out")
	assert.True(t, first.Repeats(again))
	for i := range run.Traces {
		for k := 0; k < len(run.Time); k += 3 {
			run.Traces[i].Values[k] += 0.1
		}
	}
	assert.False(t, again.Repeats(first), "a third of the readings differ")
}

// TestTwoDaysAtRestAreTwo: a boat that lies still for most of both records shows the same zeros on both days.
func TestTwoDaysAtRestAreTwo(t *testing.T) {
	first, second := studOuting(t, 41, 0), studOuting(t, 42, 0)
	for _, r := range []*Record{first, second} {
		for _, tr := range r.Run.Traces {
			for i := range tr.Values[:9*len(tr.Values)/10] {
				tr.Values[i] = 0
			}
		}
	}
	assert.False(t, second.Repeats(first))
	assert.True(t, first.Repeats(first))
}
