package linktest

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/link"
	"quaybench/bench/quantity"
)

// Stream is an instrument under test with the hardware in front of it.
type Stream struct {
	Instrument link.Instrument
	// Send lets the hardware send one sample of SI values, in the order of the
	// channels.
	Send func(values []float64)
	// Garble lets it send something unreadable.
	Garble func()
	// Unplug takes the line away; nil if that can't be.
	Unplug func()
}

// Instrument is the conformance suite of every [link.Instrument]: fresh makes
// a new one each time; values gives SI values for its channels, different for
// each n, that it can pass on to within tolerance.
func Instrument(t *testing.T, tolerance float64, values func(n int) []float64, fresh func(t *testing.T) Stream) {
	run := func(name string, check func(t *testing.T, s Stream)) {
		t.Run(name, func(t *testing.T) { check(t, fresh(t)) })
	}
	next := func(t *testing.T, s Stream, n int) link.Sample {
		t.Helper()
		sample, err := s.Instrument.Next(t.Context())
		require.NoError(t, err)
		require.InDeltaSlice(t, values(n), sample.Values, tolerance)
		return sample
	}

	run("the channels make sense", func(t *testing.T, s Stream) {
		channels := s.Instrument.Channels()
		require.Len(t, values(0), len(channels))
		assert.Equal(t, channels, s.Instrument.Channels(), "the same at every call")
		seen := map[string]bool{}
		for _, c := range channels {
			assert.False(t, seen[c.Name], "channel %s comes twice", c.Name)
			seen[c.Name] = true
			_, err := quantity.ParseUnit(c.Unit)
			assert.NoError(t, err, c.Name)
		}
	})
	run("samples come in order, one by one or many at once", func(t *testing.T, s Stream) {
		var last time.Time
		for n := 0; n < 5; n++ {
			s.Send(values(n))
			sample := next(t, s, n)
			assert.False(t, sample.At.Before(last), "time goes on")
			last = sample.At
		}
		for n := range 20 {
			s.Send(values(n))
		}
		kept := make([]link.Sample, 20)
		for n := range kept {
			kept[n] = next(t, s, n)
		}
		for n, sample := range kept {
			assert.InDeltaSlice(t, values(n), sample.Values, tolerance, "a sample is the caller's to keep")
		}
	})
	run("what can't be read is an error once, and the stream goes on", func(t *testing.T, s Stream) {
		s.Send(values(0))
		next(t, s, 0)
		s.Garble()
		s.Send(values(1))
		s.Send(values(2))
		failures := 0
		for {
			sample, err := s.Instrument.Next(t.Context())
			if err == nil {
				require.InDeltaSlice(t, values(1), sample.Values, tolerance)
				break
			}
			assert.NotErrorIs(t, err, link.ErrStale)
			assert.Nil(t, sample.Values)
			failures++
			require.Less(t, failures, 10)
		}
		assert.Positive(t, failures)
		next(t, s, 2)
	})
	run("silence is ErrStale, and later samples still come", func(t *testing.T, s Stream) {
		s.Send(values(0))
		next(t, s, 0)
		for range 2 {
			_, err := s.Instrument.Next(t.Context())
			require.ErrorIs(t, err, link.ErrStale)
		}
		s.Send(values(1))
		next(t, s, 1)
	})
	run("an ended context stops a wait, and later samples still come", func(t *testing.T, s Stream) {
		ctx, cancel := context.WithTimeout(t.Context(), 5*time.Millisecond)
		defer cancel()
		_, err := s.Instrument.Next(ctx)
		require.ErrorIs(t, err, context.DeadlineExceeded)
		s.Send(values(1))
		_, err = s.Instrument.Next(ctx)
		require.ErrorIs(t, err, context.DeadlineExceeded)
		next(t, s, 1)
	})
	run("close ends a wait, and then everything is ErrClosed", func(t *testing.T, s Stream) {
		ended := make(chan error, 1)
		go func() {
			_, err := s.Instrument.Next(t.Context())
			ended <- err
		}()
		require.NoError(t, s.Instrument.Close())
		require.NoError(t, s.Instrument.Close(), "a second time does nothing")
		require.ErrorIs(t, <-ended, link.ErrClosed)
		s.Send(values(0))
		_, err := s.Instrument.Next(t.Context())
		require.ErrorIs(t, err, link.ErrClosed)
	})
	run("a line that is gone says so", func(t *testing.T, s Stream) {
		if s.Unplug == nil {
			return
		}
		s.Unplug()
		_, err := s.Instrument.Next(t.Context())
		require.Error(t, err)
		require.NotErrorIs(t, err, link.ErrStale)
		require.NotErrorIs(t, err, link.ErrClosed)
	})
}
