package linktest

import (
	"context"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/link"
	"quaybench/bench/quantity"
)

// Bench is a controller under test with a view behind it.
type Bench struct {
	Controller link.Controller

	// Throttle is the share of full throttle that the hardware behind the
	// controller was told last; nil where Describe gives no throttle.
	Throttle func() float64

	// SetRunning makes the motor count as driven or not; nil where Running is
	// link.ErrUnknown.
	SetRunning func(bool)

	// Tell makes the controller tell something by itself: that it began anew, or reports an emergency; nil where it never does.
	Tell func()
}

// Controller is the conformance suite of every [link.Controller]: fresh makes
// a new one each time, at rest and with its settings in range.
func Controller(t *testing.T, fresh func(t *testing.T) Bench) {
	run := func(name string, check func(t *testing.T, b Bench, d link.Description)) {
		t.Run(name, func(t *testing.T) {
			b := fresh(t)
			check(t, b, b.Controller.Describe())
		})
	}
	run("the description makes sense", describes)
	run("all settings, some and one", readsSettings)
	run("an unknown setting is ErrUnknown", refusesUnknown)
	run("what is written is stored and read back", writesSettings)
	run("a value out of range is a RangeError and changes nothing", refusesRange)
	run("a read-only setting is ErrReadOnly", refusesReadOnly)
	run("while the motor runs settings are ErrRunning", refusesRunning)
	run("telemetry gives every channel", readsTelemetry)
	run("throttle reaches the controller, halt brings it to zero for good", commandsAndHalts)
	run("halt goes ahead when its context has ended", haltsWithoutContext)
	run("zero is the last command of a flood", haltsAFlood)
	run("close halts, and then everything is ErrClosed", closes)
	run("an ended context stops everything but halt", obeysContext)
	run("who is not ready takes nothing but zero", needsReadiness)
	run("news reaches the caller, ends the release, and never comes from halt", tellsNews)
}

func describes(t *testing.T, b Bench, d link.Description) {
	assert.Equal(t, d, b.Controller.Describe(), "the same at every call")
	seen := map[string]bool{}
	for _, s := range d.Settings {
		assert.False(t, seen[s.Key], "setting %s comes twice", s.Key)
		seen[s.Key] = true
		assert.LessOrEqual(t, s.Min, s.Max, s.Key)
		assert.GreaterOrEqual(t, s.Step, 0.0, s.Key)
		if s.Words != nil {
			assert.Equal(t, float64(len(s.Words)-1), s.Max, s.Key)
			continue
		}
		_, err := quantity.ParseUnit(s.Unit)
		assert.NoError(t, err, s.Key)
	}
	seen = map[string]bool{}
	for _, c := range d.Channels {
		assert.False(t, seen[c.Name], "channel %s comes twice", c.Name)
		seen[c.Name] = true
		_, err := quantity.ParseUnit(c.Unit)
		assert.NoError(t, err, c.Name)
	}
	if d.Throttle != nil {
		assert.Positive(t, d.Throttle.CommandTimeout, "without a time-out of its own a controller must not be commanded")
	}
}

func readsSettings(t *testing.T, b Bench, d link.Description) {
	all, err := b.Controller.ReadSettings(t.Context())
	require.NoError(t, err)
	require.Len(t, all, len(d.Settings))
	for _, s := range d.Settings {
		require.Contains(t, all, s.Key)
		one, err := b.Controller.ReadSettings(t.Context(), s.Key)
		require.NoError(t, err)
		assert.Equal(t, map[string]float64{s.Key: all[s.Key]}, one)
		assert.False(t, math.IsNaN(all[s.Key]) || math.IsInf(all[s.Key], 0), s.Key)
	}
	if len(d.Settings) > 1 {
		first, last := d.Settings[0].Key, d.Settings[len(d.Settings)-1].Key
		two, err := b.Controller.ReadSettings(t.Context(), last, first)
		require.NoError(t, err)
		assert.Equal(t, map[string]float64{first: all[first], last: all[last]}, two)
	}
}

func refusesUnknown(t *testing.T, b Bench, d link.Description) {
	var about *link.SettingError
	for _, keys := range [][]string{{"no.such.setting"}, {d.Settings[0].Key, "no.such.setting"}} {
		values, err := b.Controller.ReadSettings(t.Context(), keys...)
		assert.Nil(t, values)
		require.ErrorIs(t, err, link.ErrUnknown)
		require.ErrorAs(t, err, &about)
		assert.Equal(t, "no.such.setting", about.Key)
	}
	_, err := b.Controller.WriteSetting(t.Context(), "no.such.setting", 1)
	assert.ErrorIs(t, err, link.ErrUnknown)
}

func writesSettings(t *testing.T, b Bench, d link.Description) {
	for _, s := range writable(d) {
		values := []float64{s.Max, s.Min, s.Min + 0.37*(s.Max-s.Min)}
		if s.Words != nil {
			values = values[:0]
			for i := range s.Words {
				values = append(values, float64(i))
			}
		}
		for _, value := range values {
			stored, err := b.Controller.WriteSetting(t.Context(), s.Key, value)
			require.NoError(t, err)
			dust := 1e-6 * max(math.Abs(s.Min), math.Abs(s.Max))
			assert.InDelta(t, value, stored, s.Step/2+dust, "%s: no more than rounded", s.Key)
			got, err := b.Controller.ReadSettings(t.Context(), s.Key)
			require.NoError(t, err)
			assert.Equal(t, stored, got[s.Key], s.Key)

			again, err := b.Controller.WriteSetting(t.Context(), s.Key, stored)
			require.NoError(t, err, "%s: what is stored can be written", s.Key)
			assert.Equal(t, stored, again, s.Key)
		}
	}
}

func writable(d link.Description) (list []link.Setting) {
	for _, s := range d.Settings {
		if !s.ReadOnly {
			list = append(list, s)
		}
	}
	return list
}

func refusesRange(t *testing.T, b Bench, d link.Description) {
	before, err := b.Controller.ReadSettings(t.Context())
	require.NoError(t, err)
	for _, s := range writable(d) {
		width := max(s.Max-s.Min, 1)
		bad := []float64{s.Max + 0.01*width + s.Step, s.Min - 0.01*width - s.Step, math.NaN(), math.Inf(1), math.Inf(-1), 1e300}
		if s.Words != nil {
			bad = append(bad, 0.5)
		}
		for _, value := range bad {
			_, err := b.Controller.WriteSetting(t.Context(), s.Key, value)
			var outside *link.RangeError
			require.ErrorAs(t, err, &outside, "%s = %g", s.Key, value)
			assert.Equal(t, s.Max, outside.Max)
			var about *link.SettingError
			require.ErrorAs(t, err, &about)
			assert.Equal(t, s.Key, about.Key)
		}
	}
	unchanged(t, b, before)
}

func unchanged(t *testing.T, b Bench, before map[string]float64) {
	t.Helper()
	after, err := b.Controller.ReadSettings(t.Context())
	require.NoError(t, err)
	assert.Equal(t, before, after)
}

func refusesReadOnly(t *testing.T, b Bench, d link.Description) {
	before, err := b.Controller.ReadSettings(t.Context())
	require.NoError(t, err)
	for _, s := range d.Settings {
		if s.ReadOnly {
			_, err := b.Controller.WriteSetting(t.Context(), s.Key, s.Min)
			assert.ErrorIs(t, err, link.ErrReadOnly, s.Key)
		}
	}
	unchanged(t, b, before)
}

func refusesRunning(t *testing.T, b Bench, d link.Description) {
	if b.SetRunning == nil {
		_, err := b.Controller.Running(t.Context())
		assert.ErrorIs(t, err, link.ErrUnknown)
		assert.Empty(t, writable(d), "nothing may be written where nobody can tell whether the motor runs")
		return
	}
	before, err := b.Controller.ReadSettings(t.Context())
	require.NoError(t, err)
	for _, runs := range []bool{true, false, true} {
		b.SetRunning(runs)
		got, err := b.Controller.Running(t.Context())
		require.NoError(t, err)
		assert.Equal(t, runs, got)
	}
	for _, s := range writable(d) {
		_, err := b.Controller.WriteSetting(t.Context(), s.Key, s.Min)
		assert.ErrorIs(t, err, link.ErrRunning, s.Key)
	}
	unchanged(t, b, before)
}

func readsTelemetry(t *testing.T, b Bench, d link.Description) {
	var last time.Time
	for range 3 {
		sample, err := b.Controller.ReadTelemetry(t.Context())
		require.NoError(t, err)
		require.Len(t, sample.Values, len(d.Channels))
		for i, value := range sample.Values {
			assert.False(t, math.IsNaN(value) || math.IsInf(value, 0), d.Channels[i].Name)
		}
		assert.False(t, sample.At.Before(last), "time goes on")
		last = sample.At
	}
}

func commandsAndHalts(t *testing.T, b Bench, d link.Description) {
	c := b.Controller
	if d.Throttle == nil {
		assert.ErrorIs(t, c.CommandThrottle(t.Context(), 0), link.ErrNoThrottle)
		assert.NoError(t, c.Halt(t.Context()))
		return
	}
	ready(t, b)
	shares := []float64{0, 0.25, 1, 0.5}
	outside := []float64{1.01, -1.01, math.NaN(), math.Inf(1)}
	if d.Throttle.Astern {
		shares = append(shares, -0.25, -1, 0.75)
	} else {
		outside = append(outside, -0.01)
	}
	for _, share := range shares {
		require.NoError(t, c.CommandThrottle(t.Context(), share))
		assert.InDelta(t, share, b.Throttle(), 0.01)
	}
	for _, share := range outside {
		var wrong *link.RangeError
		assert.ErrorAs(t, c.CommandThrottle(t.Context(), share), &wrong)
		assert.InDelta(t, shares[len(shares)-1], b.Throttle(), 0.01, "the last good command stands")
	}
	for range 2 {
		require.NoError(t, c.Halt(t.Context()))
		assert.Zero(t, b.Throttle())
		assert.ErrorIs(t, c.CommandThrottle(t.Context(), 0.5), link.ErrHalted)
		assert.ErrorIs(t, c.CommandThrottle(t.Context(), 0), link.ErrHalted)
		assert.Zero(t, b.Throttle())
	}
	_, err := c.ReadTelemetry(t.Context())
	assert.NoError(t, err, "one may look at a halted controller")
	_, err = c.ReadSettings(t.Context())
	assert.NoError(t, err)
}

func haltsWithoutContext(t *testing.T, b Bench, d link.Description) {
	if d.Throttle == nil {
		return // covered: Halt does nothing
	}
	ready(t, b)
	require.NoError(t, b.Controller.CommandThrottle(t.Context(), 0.5))
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	require.NoError(t, b.Controller.Halt(ctx))
	assert.Zero(t, b.Throttle())
}

func haltsAFlood(t *testing.T, b Bench, d link.Description) {
	if d.Throttle == nil {
		return
	}
	ready(t, b)
	const flooders = 4
	started, ended := make(chan bool, flooders), make(chan error, flooders)
	for range flooders {
		go func() {
			err := b.Controller.CommandThrottle(t.Context(), 0.5)
			started <- true
			for err == nil {
				err = b.Controller.CommandThrottle(t.Context(), 0.5)
			}
			ended <- err
		}()
	}
	<-started
	require.NoError(t, b.Controller.Halt(t.Context()))
	for range flooders {
		assert.ErrorIs(t, <-ended, link.ErrHalted)
	}
	assert.Zero(t, b.Throttle())
}

func closes(t *testing.T, b Bench, d link.Description) {
	c, ctx := b.Controller, t.Context()
	if d.Throttle != nil {
		ready(t, b)
		require.NoError(t, c.CommandThrottle(ctx, 0.5))
	}
	require.NoError(t, c.Close())
	require.NoError(t, c.Close(), "a second time does nothing")
	if d.Throttle != nil {
		assert.Zero(t, b.Throttle(), "close halts")
		assert.ErrorIs(t, c.CommandThrottle(ctx, 0.5), link.ErrClosed)
		assert.ErrorIs(t, c.Halt(ctx), link.ErrClosed)
	}
	_, err := c.ReadSettings(ctx)
	assert.ErrorIs(t, err, link.ErrClosed)
	_, err = c.ReadTelemetry(ctx)
	assert.ErrorIs(t, err, link.ErrClosed)
	_, err = c.Running(ctx)
	assert.ErrorIs(t, err, link.ErrClosed)
	for _, s := range writable(d) {
		_, err = c.WriteSetting(ctx, s.Key, s.Min)
		assert.ErrorIs(t, err, link.ErrClosed)
	}
}

// ready brings a controller to where it takes commands, as its caller does: it was just read then.
func ready(t *testing.T, b Bench) {
	t.Helper()
	require.NoError(t, b.Controller.MakeReady(t.Context()))
	_, err := b.Controller.ReadTelemetry(t.Context())
	require.NoError(t, err)
}

func needsReadiness(t *testing.T, b Bench, d link.Description) {
	if d.Throttle == nil {
		assert.ErrorIs(t, b.Controller.MakeReady(t.Context()), link.ErrNoThrottle)
		return
	}
	c := b.Controller
	if d.Throttle.Ready != "" {
		_, err := c.ReadTelemetry(t.Context())
		require.NoError(t, err)
		assert.NoError(t, c.CommandThrottle(t.Context(), 0))
		assert.ErrorIs(t, c.CommandThrottle(t.Context(), 0.5), link.ErrNotReady)
		assert.Zero(t, b.Throttle())
	}
	for range 2 {
		ready(t, b)
	}
	require.NoError(t, c.CommandThrottle(t.Context(), 0.5))
	assert.InDelta(t, 0.5, b.Throttle(), 0.01)
	require.NoError(t, c.Halt(t.Context()))
	assert.ErrorIs(t, c.MakeReady(t.Context()), link.ErrHalted)
	assert.Zero(t, b.Throttle())
}

func tellsNews(t *testing.T, b Bench, d link.Description) {
	if b.Tell == nil || d.Throttle == nil {
		return
	}
	c, ctx := b.Controller, t.Context()
	ready(t, b)
	require.NoError(t, c.CommandThrottle(ctx, 0.5))
	b.Tell()
	require.ErrorAs(t, c.CommandThrottle(ctx, 0.5), new(*link.NewsError))
	assert.NoError(t, c.CommandThrottle(ctx, 0), "zero passes")
	assert.Zero(t, b.Throttle())
	_, err := c.ReadTelemetry(ctx)
	require.NoError(t, err, "it was told")
	require.ErrorIs(t, c.CommandThrottle(ctx, 0.5), link.ErrVoid)
	require.ErrorIs(t, c.MakeReady(ctx), link.ErrVoid)
	b.Tell()
	require.NoError(t, c.Halt(ctx))
	assert.Zero(t, b.Throttle())
}

func obeysContext(t *testing.T, b Bench, d link.Description) {
	before, err := b.Controller.ReadSettings(t.Context())
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	_, err = b.Controller.ReadSettings(ctx)
	assert.ErrorIs(t, err, context.Canceled)
	_, err = b.Controller.ReadTelemetry(ctx)
	assert.ErrorIs(t, err, context.Canceled)
	for _, s := range writable(d) {
		_, err = b.Controller.WriteSetting(ctx, s.Key, s.Max)
		assert.ErrorIs(t, err, context.Canceled)
	}
	if d.Throttle != nil {
		assert.ErrorIs(t, b.Controller.MakeReady(ctx), context.Canceled)
		assert.ErrorIs(t, b.Controller.CommandThrottle(ctx, 0.5), context.Canceled)
	}
	unchanged(t, b, before)
}
