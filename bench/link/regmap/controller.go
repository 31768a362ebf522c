package regmap

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"sync"
	"time"

	"golang.org/x/sync/semaphore"

	"quaybench/bench/link"
	"quaybench/bench/link/modbus"
	"quaybench/bench/link/port"
)

// Controller is a [link.Controller] behind a Modbus master. The zero value is
// not usable; see [NewController].
type Controller struct {
	m      *Map
	master *modbus.Master
	clock  port.Clock
	places []place // of the readings
	blocks []block // that read them all

	// turn lets one operation at a time talk to the unit, as some take several
	// requests. Not a mutex: it is waited for under a context.
	turn *semaphore.Weighted

	mu        sync.Mutex
	interrupt context.CancelCauseFunc // ends the running operation
	halted    bool                    // no throttle any more
	halting   int                     // halts that wait for the turn
	closed    bool

	// Below: touched only by whoever has the turn.
	commanded bool      // throttle was commanded and not halted since
	toward    int       // the direction last confirmed: 1, −1, 0 for neutral or unknown
	unlocked  bool      // an unlock sequence was begun and not yet locked
	fresh     time.Time // since when no more than a command time-out went by without a reading or a command
}

var _ link.Controller = (*Controller)(nil)

// NewController makes a controller of a unit that answers to the map.
func NewController(m *Map, master *modbus.Master, clock port.Clock) *Controller {
	c := &Controller{m: m, master: master, clock: clock, turn: semaphore.NewWeighted(1), fresh: clock.Now()}
	for _, r := range m.readings {
		c.places = append(c.places, r.place)
	}
	c.blocks = blocks(c.places)
	return c
}

// Describe says what the map has.
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
		c.interrupt(nil)
		c.interrupt = nil
		c.mu.Unlock()
		c.turn.Release(1)
		return err
	}, nil
}

// ReadSettings reads settings; see [link.Controller].
func (c *Controller) ReadSettings(ctx context.Context, keys ...string) (map[string]float64, error) {
	var wanted []setting
	for _, key := range keys {
		s, err := c.find(key)
		if err != nil {
			return nil, err
		}
		wanted = append(wanted, s)
	}
	if len(keys) == 0 {
		wanted = c.m.settings
	}
	op, end, err := c.begin(ctx)
	if err != nil {
		return nil, err
	}
	values, err := c.readSettings(op, wanted)
	return values, end(err)
}

// refused names what a unit refused to give: of several in one request the first that it refuses alone.
func (c *Controller) refused(ctx context.Context, err error, places []place, name func(i int) string) error {
	if !errors.As(err, new(*modbus.Exception)) {
		return err
	}
	for i, p := range places {
		if _, alone := read(ctx, c.master, c.m.unit, p); errors.As(alone, new(*modbus.Exception)) {
			return &link.SettingError{Key: name(i), Err: hinted(alone, p)}
		}
	}
	return err
}

// hinted adds to a refused address how manuals number registers.
func hinted(err error, p place) error {
	if !errors.Is(err, modbus.IllegalDataAddress) {
		return err
	}
	hint := "addresses in the map count from 0, so where the manual counts from 1 each is one lower"
	first := map[modbus.Table]int{modbus.Coils: 1, modbus.DiscreteInputs: 10001, modbus.InputRegisters: 30001, modbus.HoldingRegisters: 40001}[p.table]
	if p.address >= first && first > 1 {
		hint = fmt.Sprintf("a manual's %d is address %d in the map: leave out the leading digit, and count from 0", p.address, p.address-first)
	}
	return fmt.Errorf("%w at %v; %s", err, p, hint)
}

func (c *Controller) find(key string) (setting, error) {
	i := slices.IndexFunc(c.m.settings, func(s setting) bool { return s.Key == key })
	if i < 0 {
		return setting{}, &link.SettingError{Key: key, Err: link.ErrUnknown}
	}
	return c.m.settings[i], nil
}

func (c *Controller) readSettings(ctx context.Context, wanted []setting) (map[string]float64, error) {
	var places []place
	for _, s := range wanted {
		places = append(places, s.place)
	}
	// Twice: a reply that really belongs to an older request, which a single
	// reading can't tell, then differs.
	held := make([][]uint16, len(wanted))
	var differs, bad error
	first := func(i int, registers []uint16) { held[i] = registers }
	again := func(i int, registers []uint16) {
		if !slices.Equal(held[i], registers) && differs == nil {
			differs = &link.SettingError{Key: wanted[i].Key, Err: errors.New("read twice, it was not the same: read again")}
		}
	}
	list := blocks(places)
	for _, got := range []func(int, []uint16){first, again} {
		if err := fetch(ctx, c.master, c.m.unit, list, places, got); err != nil {
			return nil, c.refused(ctx, err, places, func(i int) string { return wanted[i].Key })
		}
	}
	values := make(map[string]float64, len(wanted))
	for i, s := range wanted {
		registers := held[i]
		value, ok := s.decode(registers)
		if !ok && bad == nil {
			bad = &link.SettingError{Key: s.Key, Err: fmt.Errorf("the controller holds %g, which the register map can't read: compare the map with the manual", s.count(registers))}
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
	registers, ok := s.encode(value)
	if !ok || !s.takes(value) {
		return fail(&link.RangeError{Value: value, Min: s.Min, Max: s.Max, Unit: s.Unit})
	}
	op, end, err := c.begin(ctx)
	if err != nil {
		return fail(err)
	}
	stored, err = c.writeSetting(op, s, registers)
	if err = end(err); err != nil {
		return fail(err)
	}
	return stored, nil
}

func (c *Controller) writeSetting(ctx context.Context, s setting, registers []uint16) (stored float64, err error) {
	for range 2 { // see readSettings
		running, err := c.isRunning(ctx)
		if err != nil {
			return 0, fmt.Errorf("ask whether the motor runs: %w", err)
		}
		if running {
			return 0, link.ErrRunning
		}
	}
	err = c.sequence(ctx, c.m.unlock, "unlock", func() { c.unlocked = true })
	if err == nil {
		err = write(ctx, c.master, c.m.unit, s.place, registers)
		if err != nil {
			err = hinted(err, s.place)
		}
	}
	if err = errors.Join(err, c.relock(ctx)); err != nil {
		return 0, err
	}
	got, err := read(ctx, c.master, c.m.unit, s.place)
	if err != nil {
		return 0, fmt.Errorf("read back: %w", err)
	}
	stored, ok := s.decode(got)
	if !ok || !slices.Equal(got, registers) {
		wrote, _ := s.decode(registers)
		return 0, &link.ReadBackError{Wrote: wrote, Got: stored, Unit: s.Unit}
	}
	return stored, nil
}

// sequence writes the steps in order; before is called before the first.
func (c *Controller) sequence(ctx context.Context, steps []write1, name string, before func()) error {
	for i, s := range steps {
		before()
		if err := write(ctx, c.master, c.m.unit, s.place, []uint16{s.value}); err != nil {
			return fmt.Errorf("%s, step %d: %w", name, i+1, err)
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
	err := persist(func() error { return c.sequence(ctx, c.m.lock, "lock", func() {}) })
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
	mark := c.m.running
	if mark == nil {
		return false, fmt.Errorf("%w: its register map has no [running]", link.ErrUnknown)
	}
	registers, err := read(ctx, c.master, c.m.unit, mark.place)
	if err != nil {
		return false, err
	}
	return mark.tells(registers[0]), nil
}

// tells reads the mark of a driven motor.
func (r *running) tells(register uint16) bool {
	if r.mask != 0 {
		return (register&r.mask != 0) != r.whenClear
	}
	if r.signed {
		return math.Abs(float64(int16(register))) > r.above
	}
	return float64(register) > r.above
}

// ReadTelemetry reads all channels; see [link.Controller].
func (c *Controller) ReadTelemetry(ctx context.Context) (link.Sample, error) {
	op, end, err := c.begin(ctx)
	if err != nil {
		return link.Sample{}, err
	}
	sample := link.Sample{Values: make([]float64, len(c.m.readings))}
	asked := c.clock.Now() // a reply may have waited in a buffer while this machine slept
	var impossible error
	err = fetch(op, c.master, c.m.unit, c.blocks, c.places, func(i int, registers []uint16) {
		r := c.m.readings[i]
		value, ok := r.decode(registers)
		if (!ok || value < r.Min || value > r.Max) && impossible == nil {
			impossible = &link.ImpossibleError{Channel: r.Channel, Value: value, Min: r.Min, Max: r.Max}
		}
		sample.Values[i] = value
	})
	if err == nil {
		sample.At, err = c.master.Heard(op)
	} else {
		err = c.refused(op, err, c.places, func(i int) string { return c.m.readings[i].Name })
	}
	if err == nil && impossible == nil {
		c.fresh = asked
	}
	if err = end(errors.Join(err, impossible)); err != nil {
		return link.Sample{}, err
	}
	return sample, nil
}

// CommandThrottle asks for a share of full throttle; see [link.Controller].
func (c *Controller) CommandThrottle(ctx context.Context, share float64) error {
	t := c.m.throttle
	if t == nil {
		return link.ErrNoThrottle
	}
	lowest := 0.0
	if t.takesAstern {
		lowest = -1
	}
	if !(share >= lowest && share <= 1) {
		return &link.RangeError{Value: share, Min: lowest, Max: 1, Unit: "%"}
	}
	op, end, err := c.begin(ctx)
	if err != nil {
		return err
	}
	c.mu.Lock()
	halted := c.halted
	c.mu.Unlock()
	if halted {
		return end(link.ErrHalted)
	}
	return end(c.command(op, share))
}

// at gives the count of a share of full throttle.
func (t *throttle) at(share float64) float64 {
	full := t.ahead
	if share < 0 {
		full = t.astern
	}
	return math.Round(t.zero + math.Abs(share)*(full-t.zero))
}

func (c *Controller) command(ctx context.Context, share float64) error {
	t := c.m.throttle
	if t.direction != nil && share != 0 {
		if err := c.turnTo(ctx, share); err != nil {
			return err
		}
	}
	var sent time.Time
	var stale bool
	err := c.writeThrottle(ctx, t.at(share), func() error {
		sent = c.clock.Now()
		stale = port.Age(c.fresh, sent) > t.timeout
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
	toward, count := 1, c.m.throttle.direction.ahead
	if share < 0 {
		toward, count = -1, c.m.throttle.direction.astern
	}
	if c.toward == toward {
		return nil
	}
	if err := c.writeThrottle(ctx, c.m.throttle.zero, nil); err != nil {
		return err
	}
	c.toward = 0 // unknown until confirmed
	if err := write(ctx, c.master, c.m.unit, c.m.throttle.direction.place, []uint16{count}); err != nil {
		return err
	}
	c.toward = toward
	return nil
}

// writeThrottle writes a count, unless still says just before it goes out that it must not.
func (c *Controller) writeThrottle(ctx context.Context, count float64, still func() error) error {
	c.commanded = true // even if it fails, it may have arrived
	return c.master.WriteRegisterIf(ctx, c.m.unit, uint16(c.m.throttle.address), c.m.throttle.hold(count)[0], still)
}

// AtRest reads the throttle's place; see [link.Controller].
func (c *Controller) AtRest(ctx context.Context) error {
	t := c.m.throttle
	if t == nil {
		return nil
	}
	op, end, err := c.begin(ctx)
	if err != nil {
		return err
	}
	return end(c.atRest(op, t))
}

func (c *Controller) atRest(ctx context.Context, t *throttle) error {
	var refused *modbus.Exception
	holds := func(p place, what string, counts ...float64) error {
		registers, err := read(ctx, c.master, c.m.unit, p)
		if errors.As(err, &refused) {
			return nil // it can be written only
		}
		if err != nil {
			return fmt.Errorf("%s at %v cannot be read: %w", what, p, err)
		}
		if count := t.count(registers); !slices.Contains(counts, count) {
			return fmt.Errorf("%s at %v holds %g at rest, where its zero is %g: is it a setting's register? Compare the map with the manual. If a test was cut off before, switch the controller off and on", what, p, count, counts[0])
		}
		return nil
	}
	if err := holds(t.place, "the throttle", t.zero); err != nil || t.direction == nil {
		return err
	}
	counts := []float64{float64(t.direction.neutral), float64(t.direction.ahead)}
	if t.takesAstern {
		counts = append(counts, float64(t.direction.astern))
	}
	return holds(t.direction.place, "the direction", counts...)
}

// Lock writes the lock sequence; see [link.Controller].
func (c *Controller) Lock(ctx context.Context) error {
	if len(c.m.lock) == 0 {
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

// Halt makes the controller inert; see [link.Controller].
func (c *Controller) Halt(ctx context.Context) error {
	if c.m.throttle == nil {
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
	t := c.m.throttle
	zero := persist(func() error { return c.writeThrottle(ctx, t.zero, nil) })
	if zero != nil {
		zero = fmt.Errorf("zero throttle was not confirmed; use the hard-wired stop (the controller's own command time-out is %v): %w", t.timeout, zero)
	}
	var neutral error
	if t.direction != nil {
		c.toward = 0
		neutral = persist(func() error {
			return write(ctx, c.master, c.m.unit, t.direction.place, []uint16{t.direction.neutral})
		})
		if neutral != nil {
			neutral = fmt.Errorf("neutral was not confirmed: %w", neutral)
		}
	}
	if zero == nil && neutral == nil {
		c.commanded = false
	}
	_ = c.relock(ctx) // no word of it here, where an error means danger: Close tries again and says so
	return errors.Join(zero, neutral)
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
