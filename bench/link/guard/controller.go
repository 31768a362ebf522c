package guard

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"golang.org/x/sync/semaphore"

	"quaybench/bench/link"
	"quaybench/bench/link/port"
)

// Controller is a [link.Controller] over a store. The zero value is not usable; see [NewController].
type Controller struct {
	m      *Map
	store  Store
	clock  port.Clock
	places []Place // of the readings

	// turn lets one operation at a time talk to the unit, as some take several
	// requests. Not a mutex: it is waited for under a context.
	turn *semaphore.Weighted

	mu        sync.Mutex
	interrupt context.CancelCauseFunc // ends the running operation
	halted    bool                    // no throttle any more
	halting   int                     // halts that wait for the turn
	closed    bool
	void      error // news after which no throttle passes

	// Below: touched only by whoever has the turn.
	commanded bool      // throttle was commanded and not halted since
	toward    int       // the direction last confirmed: 1, −1, 0 for neutral or unknown
	unlocked  bool      // an unlock sequence was begun and not yet locked
	fresh     time.Time // since when no more than a command time-out went by without a reading or a command
}

var _ link.Controller = (*Controller)(nil)

// NewController returns the controller of a unit that answers to the map.
func NewController(m *Map, store Store, clock port.Clock) *Controller {
	c := &Controller{m: m, store: store, clock: clock, turn: semaphore.NewWeighted(1), fresh: clock.Now()}
	for _, r := range m.Readings {
		c.places = append(c.places, r.Place)
	}
	return c
}

// Describe returns what the map has.
func (c *Controller) Describe() link.Description { return c.m.Describe() }

// begin waits for the turn and gives a context that Halt interrupts. end must
// be called with the operation's error, and gives the one to return.
func (c *Controller) begin(ctx context.Context) (op context.Context, end func(error) error, err error) {
	if err := c.turn.Acquire(ctx, 1); err != nil {
		return nil, nil, err
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	switch {
	case c.closed:
		err = link.ErrClosed
	case c.halting > 0:
		err = link.ErrHalted // a halt stands in line behind us: let it through
	}
	if err != nil {
		c.turn.Release(1)
		return nil, nil, err
	}
	op, c.interrupt = context.WithCancelCause(ctx)
	return op, func(err error) error {
		if err != nil && errors.Is(context.Cause(op), link.ErrHalted) {
			err = fmt.Errorf("%w (interrupted: %w)", link.ErrHalted, err)
		}
		c.mu.Lock()
		if news := new(link.NewsError); errors.As(err, &news) && c.void == nil {
			c.void = news
		}
		c.interrupt(nil)
		c.interrupt = nil
		c.mu.Unlock()
		c.turn.Release(1)
		return err
	}, nil
}

// ReadSettings reads settings; see [link.Controller].
func (c *Controller) ReadSettings(ctx context.Context, keys ...string) (map[string]float64, error) {
	var wanted []Setting
	for _, key := range keys {
		s, err := c.find(key)
		if err != nil {
			return nil, err
		}
		wanted = append(wanted, s)
	}
	if len(keys) == 0 {
		wanted = c.m.Settings
	}
	op, end, err := c.begin(ctx)
	if err != nil {
		return nil, err
	}
	values, err := c.readSettings(op, wanted)
	return values, end(err)
}

// refused returns an error that names what a unit refused to give: of several in one request the first that it refuses alone.
func (c *Controller) refused(ctx context.Context, err error, places []Place, name func(i int) string) error {
	if len(places) == 0 {
		return err
	}
	if _, refused := c.store.Refusal(err, places[0]); !refused {
		return err
	}
	for i, p := range places {
		_, alone := c.read(ctx, p)
		if explained, refused := c.store.Refusal(alone, p); refused {
			return &link.SettingError{Key: name(i), Err: explained}
		}
	}
	return err
}

// read reads one place.
func (c *Controller) read(ctx context.Context, p Place) (raw uint64, err error) {
	err = c.store.Read(ctx, []Place{p}, func(_ int, got uint64) { raw = got })
	return raw, err
}

func (c *Controller) find(key string) (Setting, error) {
	i := slices.IndexFunc(c.m.Settings, func(s Setting) bool { return s.Key == key })
	if i < 0 {
		return Setting{}, &link.SettingError{Key: key, Err: link.ErrUnknown}
	}
	return c.m.Settings[i], nil
}

func (c *Controller) readSettings(ctx context.Context, wanted []Setting) (map[string]float64, error) {
	var places []Place
	for _, s := range wanted {
		places = append(places, s.Place)
	}
	// Twice: a reply that really belongs to an older request, which a single
	// reading can't tell, then differs.
	held := make([]uint64, len(wanted))
	var differs, bad error
	first := func(i int, raw uint64) { held[i] = raw }
	again := func(i int, raw uint64) {
		if held[i] != raw && differs == nil {
			differs = &link.SettingError{Key: wanted[i].Key, Err: errors.New("read twice, it was not the same: read again")}
		}
	}
	for _, got := range []func(int, uint64){first, again} {
		if err := c.store.Read(ctx, places, got); err != nil {
			return nil, c.refused(ctx, err, places, func(i int) string { return wanted[i].Key })
		}
	}
	values := make(map[string]float64, len(wanted))
	for i, s := range wanted {
		value, ok := s.Decode(held[i])
		if !ok && bad == nil {
			bad = &link.SettingError{Key: s.Key, Err: fmt.Errorf("the controller holds %g, which the %s can't read: compare the map with the manual", s.Kind.Number(held[i]), c.m.Noun)}
		}
		values[s.Key] = value
	}
	if err := cmp.Or(differs, bad); err != nil {
		return nil, err
	}
	return values, nil
}

// WriteSetting writes one setting; see [link.Controller].
func (c *Controller) WriteSetting(ctx context.Context, key string, value float64) (stored float64, err error) {
	s, err := c.find(key)
	if err != nil {
		return 0, err
	}
	fail := func(err error) (float64, error) { return 0, &link.SettingError{Key: key, Err: err} }
	if s.ReadOnly {
		return fail(link.ErrReadOnly)
	}
	raw, ok := s.Encode(value)
	if !ok || !s.Takes(value) {
		return fail(&link.RangeError{Value: value, Min: s.Min, Max: s.Max, Unit: s.Unit})
	}
	op, end, err := c.begin(ctx)
	if err != nil {
		return fail(err)
	}
	stored, err = c.writeSetting(op, s, raw)
	if err = end(err); err != nil {
		return fail(err)
	}
	return stored, nil
}

func (c *Controller) writeSetting(ctx context.Context, s Setting, raw uint64) (stored float64, err error) {
	for range 2 { // see readSettings
		running, err := c.isRunning(ctx)
		if err != nil {
			return 0, fmt.Errorf("ask whether the motor runs: %w", err)
		}
		if running {
			return 0, link.ErrRunning
		}
	}
	err = c.sequence(ctx, c.m.Unlock, "unlock", func() { c.unlocked = true })
	if err == nil {
		if err = c.store.Write(ctx, s.Place, raw, nil); err != nil {
			err, _ = c.store.Refusal(err, s.Place)
		}
	}
	if err = errors.Join(err, c.relock(ctx)); err != nil {
		return 0, err
	}
	got, err := c.read(ctx, s.Place)
	if err != nil {
		return 0, fmt.Errorf("read back: %w", err)
	}
	stored, ok := s.Decode(got)
	if !ok || got != raw {
		wrote, _ := s.Decode(raw)
		return 0, &link.ReadBackError{Wrote: wrote, Got: stored, Unit: s.Unit}
	}
	return stored, nil
}

// sequence writes the steps in order; before is called before the first.
func (c *Controller) sequence(ctx context.Context, steps []Step, name string, before func()) error {
	for i, s := range steps {
		before()
		if err := c.write(ctx, fmt.Sprintf("%s, step %d", name, i+1), s.Place, s.Raw, nil); err != nil {
			return err
		}
	}
	return nil
}

// relock ends what an unlock began. It goes ahead when the operation was
// called off, except by a halt, which locks behind itself.
func (c *Controller) relock(ctx context.Context) error {
	if !c.unlocked || errors.Is(context.Cause(ctx), link.ErrHalted) {
		return nil
	}
	ctx = context.WithoutCancel(ctx)
	err := persist(func() error { return c.sequence(ctx, c.m.Lock, "lock", func() {}) })
	if err == nil {
		c.unlocked = false
	}
	return err
}

// Running reports whether the motor is driven; see [link.Controller].
func (c *Controller) Running(ctx context.Context) (bool, error) {
	op, end, err := c.begin(ctx)
	if err != nil {
		return false, err
	}
	running, err := c.isRunning(op)
	return running, end(err)
}

func (c *Controller) isRunning(ctx context.Context) (bool, error) {
	mark := c.m.Running
	if mark == nil {
		return false, fmt.Errorf("%w: its %s has no [running]", link.ErrUnknown, c.m.Noun)
	}
	raw, err := c.read(ctx, mark.Place)
	if err != nil {
		return false, err
	}
	return mark.Tells(raw), nil
}

// ReadTelemetry reads all channels; see [link.Controller].
func (c *Controller) ReadTelemetry(ctx context.Context) (link.Sample, error) {
	op, end, err := c.begin(ctx)
	if err != nil {
		return link.Sample{}, err
	}
	sample := link.Sample{At: c.clock.Now(), Values: make([]float64, len(c.m.Readings)), Origins: make([]link.Origin, len(c.m.Readings))}
	begun := sample.At
	oldest, earlier := begun, begun // by when it was asked: a reply may have waited in a buffer while this machine slept
	var impossible error
	err = c.store.Measure(op, c.places, func(i int, raw uint64, from link.Origin) {
		r := c.m.Readings[i]
		if from.Since.Before(oldest) {
			oldest = from.Since
		}
		if from.At.Before(earlier) {
			earlier = from.At
		}
		if from.At.After(sample.At) {
			sample.At = from.At
		}
		sample.Origins[i] = from
		value, ok := r.Decode(raw)
		if (!ok || value < r.Min || value > r.Max) && impossible == nil {
			impossible = &link.ImpossibleError{Channel: r.Channel, Value: value, Min: r.Min, Max: r.Max}
		}
		sample.Values[i] = value
	})
	if earlier.Before(begun) { // some came by itself, before: the sample is as old as that
		sample.At = earlier
	}
	if slices.ContainsFunc(sample.Origins, func(o link.Origin) bool { return o.At != sample.At }) {
		for _, o := range sample.Origins {
			sample.Times = append(sample.Times, o.At)
		}
	}
	if err != nil {
		err = c.refused(op, err, c.places, func(i int) string { return c.m.Readings[i].Name })
	} else if impossible == nil {
		c.fresh, sample.Told = oldest, c.store.Told()
	}
	if err = end(errors.Join(err, impossible)); err != nil {
		return link.Sample{}, err
	}
	return sample, nil
}

// CommandThrottle asks for a share of full throttle; see [link.Controller].
func (c *Controller) CommandThrottle(ctx context.Context, share float64) error {
	t := c.m.Throttle
	if t == nil {
		return link.ErrNoThrottle
	}
	lowest := 0.0
	if t.TakesAstern {
		lowest = -1
	}
	if !(share >= lowest && share <= 1) {
		return &link.RangeError{Value: share, Min: lowest, Max: 1, Unit: "%"}
	}
	op, end, err := c.begin(ctx)
	if err != nil {
		return err
	}
	if err := c.barred(); errors.Is(err, link.ErrHalted) || err != nil && share != 0 {
		return end(err)
	}
	return end(c.command(op, share))
}

// barred returns why no throttle passes; nil: nothing bars it.
func (c *Controller) barred() error {
	c.mu.Lock()
	defer c.mu.Unlock()
	switch {
	case c.halted:
		return link.ErrHalted
	case c.void != nil:
		return fmt.Errorf("%w (%w)", link.ErrVoid, c.void)
	}
	return nil
}

// MakeReady brings the controller to where it takes throttle commands; see [link.Controller].
func (c *Controller) MakeReady(ctx context.Context) error {
	if c.m.Throttle == nil {
		return link.ErrNoThrottle
	}
	op, end, err := c.begin(ctx)
	if err != nil {
		return err
	}
	if err := c.barred(); err != nil {
		return end(err)
	}
	c.commanded, c.toward = true, 0
	return end(c.store.MakeReady(op))
}

func (c *Controller) command(ctx context.Context, share float64) error {
	t := c.m.Throttle
	if t.Direction != nil && share != 0 {
		if err := c.turnTo(ctx, share); err != nil {
			return err
		}
	}
	var sent time.Time
	var stale bool
	err := c.writeThrottle(ctx, t.at(share), func() error {
		sent = c.clock.Now()
		stale = port.Age(c.fresh, sent) > t.Timeout
		if stale && share != 0 {
			return link.ErrUnread
		}
		return nil
	})
	if err == nil && !stale {
		c.fresh = sent
	}
	return err
}

// turnTo chooses the direction, at zero throttle.
func (c *Controller) turnTo(ctx context.Context, share float64) error {
	toward, count := 1, c.m.Throttle.Direction.Ahead
	if share < 0 {
		toward, count = -1, c.m.Throttle.Direction.Astern
	}
	if c.toward == toward {
		return nil
	}
	if err := c.writeThrottle(ctx, c.m.Throttle.Zero, nil); err != nil {
		return err
	}
	c.toward = 0 // unknown until confirmed
	if err := c.write(ctx, "the direction", c.m.Throttle.Direction.Place, count, nil); err != nil {
		return err
	}
	c.toward = toward
	return nil
}

// writeThrottle writes a count, unless still says just before it goes out that it must not.
func (c *Controller) writeThrottle(ctx context.Context, count float64, still func() error) error {
	c.commanded = true // even if it fails, it may have arrived
	return c.write(ctx, "the throttle", c.m.Throttle.Place, c.m.Throttle.Kind.Raw(count), still)
}

// write writes to a place of the map. A refusal names what was written, and hints at what may be wrong with its place.
func (c *Controller) write(ctx context.Context, what string, p Place, raw uint64, still func() error) error {
	err := c.store.Write(ctx, p, raw, still)
	if explained, refused := c.store.Refusal(err, p); refused {
		return fmt.Errorf("%s: %w", what, explained)
	}
	return err
}

// AtRest reads the throttle's place; see [link.Controller].
func (c *Controller) AtRest(ctx context.Context) error {
	t := c.m.Throttle
	if t == nil {
		return nil
	}
	op, end, err := c.begin(ctx)
	if err != nil {
		return err
	}
	return end(c.atRest(op, t))
}

func (c *Controller) atRest(ctx context.Context, t *Throttle) error {
	holds := func(p Place, kind Kind, what string, counts ...float64) error {
		raw, err := c.read(ctx, p)
		if _, refused := c.store.Refusal(err, p); refused {
			return nil // it can be written only
		}
		if err != nil {
			return fmt.Errorf("%s at %v cannot be read: %w", what, p, err)
		}
		if count := kind.Number(raw); !slices.Contains(counts, count) {
			return fmt.Errorf("%s at %v holds %g at rest, where its zero is %g: if a test was cut off before, switch the controller off and on. Else: is that a setting's place? Compare the map with the manual", what, p, count, counts[0])
		}
		return nil
	}
	if err := holds(t.Place, t.Kind, "the throttle", t.Zero); err != nil || t.Direction == nil {
		return err
	}
	counts := []float64{float64(t.Direction.Neutral), float64(t.Direction.Ahead)}
	if t.TakesAstern {
		counts = append(counts, float64(t.Direction.Astern))
	}
	return holds(t.Direction.Place, U16, "the direction", counts...)
}

// Lock writes the lock sequence; see [link.Controller].
func (c *Controller) Lock(ctx context.Context) error {
	if len(c.m.Lock) == 0 {
		return nil
	}
	op, end, err := c.begin(ctx)
	if err != nil {
		return err
	}
	c.unlocked = true // by somebody else
	return end(c.relock(op))
}

// attempts is how often zero, neutral and the lock are each tried.
const attempts = 3

// Halt ends all throttle commands of the controller; see [link.Controller].
func (c *Controller) Halt(ctx context.Context) error {
	if c.m.Throttle == nil {
		return nil
	}
	c.mu.Lock()
	if c.closed {
		c.mu.Unlock()
		return link.ErrClosed
	}
	c.halted = true
	c.halting++
	if c.interrupt != nil {
		c.interrupt(link.ErrHalted)
	}
	c.mu.Unlock()

	ctx = context.WithoutCancel(ctx) // the end of ctx may be why we are called
	err := c.turn.Acquire(ctx, 1)
	c.mu.Lock()
	c.halting--
	c.mu.Unlock()
	if err != nil {
		return err
	}
	defer c.turn.Release(1)
	return c.inert(ctx)
}

// inert writes zero, then neutral.
func (c *Controller) inert(ctx context.Context) error {
	t := c.m.Throttle
	held := []Step{{t.Place, t.Kind.Raw(t.Zero)}}
	err := persist(func() error { return c.writeThrottle(ctx, t.Zero, nil) })
	if err != nil {
		err = &link.UnconfirmedError{Timeout: t.Timeout, Why: err}
	}
	if t.Direction != nil {
		c.toward = 0
		held = append(held, Step{t.Direction.Place, t.Direction.Neutral})
		neutral := persist(func() error {
			return c.write(ctx, "the direction", t.Direction.Place, t.Direction.Neutral, nil)
		})
		if neutral != nil {
			err = errors.Join(err, fmt.Errorf("neutral was not confirmed: %w", neutral))
		}
	}
	err = c.store.LetGo(ctx, held, err)
	if err == nil || errors.As(err, new(*link.OtherwiseError)) {
		c.commanded = false
	}
	_ = c.relock(ctx) // no word of it here, where an error means danger: Close tries again and says so
	return err
}

// persist tries until it works, up to attempts times, and gives the last error.
func persist(try func() error) (err error) {
	for range attempts {
		if err = try(); err == nil {
			return nil
		}
	}
	return err
}

// Close halts if anything was commanded; see [link.Controller].
func (c *Controller) Close() error {
	c.mu.Lock()
	if c.closed {
		c.mu.Unlock()
		return nil
	}
	c.halted, c.closed = true, true
	if c.interrupt != nil {
		c.interrupt(link.ErrHalted)
	}
	c.mu.Unlock()

	ctx := context.Background() // nobody may call this off
	if err := c.turn.Acquire(ctx, 1); err != nil {
		return err
	}
	defer c.turn.Release(1)
	var err error
	if c.commanded {
		err = c.inert(ctx)
	}
	return errors.Join(err, c.relock(ctx))
}
