package measure

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"sync"
	"time"

	"quaybench/bench/link"
	"quaybench/bench/link/port"
	"quaybench/bench/quantity"
)

// Beside is an instrument that stands beside a controller.
type Beside struct {
	link.Instrument
	Name  string        // what the record calls it; "": the instrument
	Stale time.Duration // age of the oldest reading that counts; 0: only its own word that nothing comes
}

// Join joins the readings of instruments to a controller's telemetry, on one time base. Where several measure the same,
// the instrument named first is believed, and the controller last. Without a controller (nil) there are only the
// instruments' readings, and no throttle. Close stops listening, and closes controller and instruments.
func Join(c link.Controller, clock port.Clock, beside ...Beside) link.Controller {
	if c == nil {
		c = absent{clock}
	}
	ctx, stop := context.WithCancel(context.Background())
	j := &joined{Controller: c, clock: clock, stop: stop}
	measured := func(list []link.Channel, name string) bool {
		return slices.ContainsFunc(list, func(c link.Channel) bool { return c.Name == name })
	}
	var own []link.Channel
	for _, b := range beside {
		h := &heard{Beside: b, first: make(chan struct{})}
		for _, ch := range b.Channels() {
			ch.Source = b.name()
			h.at = append(h.at, -1)
			if !measured(own, ch.Name) {
				h.at[len(h.at)-1] = len(own)
				own = append(own, ch)
			}
		}
		j.heard = append(j.heard, h)
	}
	for k, ch := range c.Describe().Channels {
		if !measured(own, ch.Name) {
			j.kept = append(j.kept, k)
			j.channels = append(j.channels, ch)
		}
	}
	for _, h := range j.heard {
		for k := range h.at {
			if h.at[k] >= 0 {
				h.at[k] += len(j.kept)
			}
		}
	}
	j.channels = append(j.channels, own...)
	j.newest = make([]reading, len(j.channels))
	for _, h := range j.heard {
		j.ended.Go(func() { j.listen(ctx, h) })
	}
	return j
}

// name returns what messages and the record call the instrument.
func (b *Beside) name() string { return cmp.Or(b.Name, "the instrument") }

type joined struct {
	link.Controller
	clock    port.Clock
	kept     []int // of the controller's channels: they come first
	channels []link.Channel
	stop     context.CancelFunc
	ended    sync.WaitGroup

	mu     sync.Mutex
	heard  []*heard
	newest []reading          // of the instruments' channels
	judge  func(lineOf) error // of every line; nil: no test runs
	alarm  func(error)        // told of its first error
}

// heard is an instrument, and what was heard of it.
type heard struct {
	Beside
	at    []int // place of each of its channels among all; −1: another's is believed
	since time.Time
	lines Lines
	clock bool          // its lines tell a time of its own
	err   error         // instead of its newest readings
	first chan struct{} // closed when all of its channels were heard of, or it has begun to fail
	begun bool          // first is closed
}

// reading is the newest of one channel.
type reading struct {
	value     float64
	came, was time.Time
	moved     time.Time // as that of a sample
}

// lineOf is what one line of an instrument says, among all channels.
type lineOf struct {
	at     time.Time
	values []float64
	fresh  []bool // which of them the line has
	from   string
}

// Lines counts what an instrument sent.
type Lines struct {
	From      string
	Good, Bad int64
	None      int64  // of the good ones: that say that there is no reading
	Why       string // what was wrong with the newest bad one
}

// listen reads what an instrument sends, as it comes.
func (j *joined) listen(ctx context.Context, h *heard) {
	for {
		s, err := h.Next(ctx)
		j.mu.Lock()
		over := j.take(ctx, h, s, err)
		j.mu.Unlock()
		if over {
			return
		}
	}
}

// take stores what an instrument sent, and reports whether it will say nothing more.
func (j *joined) take(ctx context.Context, h *heard, s link.Sample, err error) (over bool) {
	var lost *port.LostError
	var impossible *link.ImpossibleError
	over = ctx.Err() != nil || errors.As(err, &lost) || errors.Is(err, link.ErrClosed) || errors.Is(err, link.ErrOther)
	bad := err != nil && !over && !errors.Is(err, link.ErrStale)
	if bad {
		h.lines.Bad++
		h.lines.Why = err.Error()
	}
	if !bad || errors.As(err, &impossible) { // one bad line is passed over; if they all are, they are missing
		h.err = err
	}
	if err == nil {
		h.lines.Good++
		j.note(h, s)
	}
	if h.since.IsZero() {
		h.since = j.clock.Now()
	}
	if !h.begun && (h.err != nil || j.complete(h) || h.Stale > 0 && port.Age(h.since, j.clock.Now()) > h.Stale) {
		h.begun = true
		close(h.first)
	}
	return over
}

// complete reports whether each channel of an instrument was heard of.
func (j *joined) complete(h *heard) bool {
	return !slices.ContainsFunc(h.at, func(at int) bool { return at >= 0 && j.newest[at].came.IsZero() })
}

// note stores the readings of a line and judges them.
func (j *joined) note(h *heard, s link.Sample) {
	line := lineOf{at: s.At, values: make([]float64, len(j.channels)), fresh: make([]bool, len(j.channels)), from: h.name()}
	none := false
	h.clock = h.clock || !s.Moved.IsZero()
	for k, at := range h.at {
		was, ok := s.Time(k)
		if at < 0 || !ok {
			continue
		}
		j.newest[at] = reading{value: s.Values[k], came: s.At, was: was.Add(-j.channels[at].Delay), moved: s.Moved}
		line.values[at], line.fresh[at] = s.Values[k], true
		none = none || math.IsNaN(s.Values[k])
	}
	if none {
		h.lines.None++
	}
	if j.judge == nil {
		return
	}
	if wrong := j.judge(line); wrong != nil {
		j.judge = nil
		j.alarm(wrong)
	}
}

// watch has every line judged from now on, as it comes; alarm is told of the first that is wrong. nil ends it. It returns
// what was counted since the last watch.
func (j *joined) watch(judge func(lineOf) error, alarm func(error)) (since []Lines) {
	j.mu.Lock()
	defer j.mu.Unlock()
	for _, h := range j.heard {
		h.lines.From = h.name()
		since = append(since, h.lines)
		h.lines = Lines{}
	}
	j.judge, j.alarm = judge, alarm
	return since
}

// Clockless returns the names of the instruments beside a controller, as [Join] made it, whose lines so far told no time of their own: one
// that hangs and sends its last line for ever looks as one that measures.
func Clockless(c link.Controller) (names []string) {
	j, ok := c.(*joined)
	if !ok {
		return nil
	}
	j.mu.Lock()
	defer j.mu.Unlock()
	for _, h := range j.heard {
		if !h.clock {
			names = append(names, h.name())
		}
	}
	return names
}

func (j *joined) Describe() link.Description {
	d := j.Controller.Describe()
	d.Channels = slices.Clone(j.channels)
	return d
}

// isBeside reports whether a channel is an instrument's.
func (j *joined) isBeside(channel int) bool { return channel >= len(j.kept) }

func (j *joined) ReadTelemetry(ctx context.Context) (link.Sample, error) {
	s, err := j.Controller.ReadTelemetry(ctx)
	if err != nil {
		return link.Sample{}, err
	}
	for _, h := range j.heard {
		if err := j.awaitFirst(ctx, h); err != nil {
			return link.Sample{}, err
		}
	}
	both := link.Sample{At: s.At, Told: s.Told}
	for _, k := range j.kept {
		was, _ := s.Time(k)
		both.Values, both.Times = append(both.Values, s.Values[k]), append(both.Times, was)
	}
	j.mu.Lock()
	defer j.mu.Unlock()
	for _, h := range j.heard {
		if h.err != nil {
			return link.Sample{}, fmt.Errorf("%s: %w", h.name(), h.err)
		}
	}
	for i, r := range j.newest[len(j.kept):] {
		if r.came.IsZero() {
			r.value = math.NaN()
		}
		both.Values, both.Times = append(both.Values, r.value), append(both.Times, r.was)
		if err := j.fresh(len(j.kept)+i, r); err != nil {
			return link.Sample{}, err
		}
	}
	return both, nil
}

// firstLine is how long the first line of an instrument that can be used is waited for.
const firstLine = 15 * time.Second

// awaitFirst waits, bounded, until an instrument was heard.
func (j *joined) awaitFirst(ctx context.Context, h *heard) error {
	for begun := j.clock.Now(); ; {
		select {
		case <-h.first:
			return nil
		default:
		}
		if port.Age(begun, j.clock.Now()) > firstLine {
			break
		}
		if err := j.clock.Sleep(ctx, 5*time.Millisecond); err != nil {
			return err
		}
	}
	j.mu.Lock()
	defer j.mu.Unlock()
	if h.lines.Bad > 0 {
		return fmt.Errorf("%s: %w: none of the %d lines that came in %s could be used; the newest: %s", h.name(), link.ErrStale, h.lines.Bad, quantity.FormatDuration(firstLine), h.lines.Why)
	}
	return fmt.Errorf("%s: %w: no line came in %s; check that it runs, and its baud rate", h.name(), link.ErrStale, quantity.FormatDuration(firstLine))
}

// fresh reports what is too old among the newest readings.
func (j *joined) fresh(channel int, r reading) error {
	h := j.heard[slices.IndexFunc(j.heard, func(h *heard) bool { return slices.Contains(h.at, channel) })]
	came := r.came
	if came.IsZero() {
		came = h.since
	}
	now := j.clock.Now()
	age := port.Age(came, now)
	switch {
	case h.Stale == 0:
		return nil
	case age > h.Stale:
	case !r.moved.IsZero() && port.Age(r.moved, now) > h.Stale:
		return fmt.Errorf("%s: %w: %w (for %s)", h.name(), link.ErrStale, link.ErrHangs, quantity.FormatDuration(port.Age(r.moved, now)))
	default:
		return nil
	}
	why := ""
	if h.lines.Bad > 0 {
		why = fmt.Sprintf("; %d lines could not be used, the newest: %s", h.lines.Bad, h.lines.Why)
	}
	return fmt.Errorf("%s: %w: none of %s for %s%s", h.name(), link.ErrStale, j.channels[channel].Name, quantity.FormatDuration(age), why)
}

func (j *joined) Close() error {
	j.stop()
	j.ended.Wait()
	err := j.Controller.Close()
	for _, h := range j.heard {
		err = errors.Join(err, h.Close())
	}
	return err
}

// absent stands where there is no controller.
type absent struct{ clock port.Clock }

func (absent) Describe() link.Description { return link.Description{Title: "no controller"} }

func (absent) ReadSettings(context.Context, ...string) (map[string]float64, error) {
	return nil, link.ErrUnknown
}

func (absent) WriteSetting(context.Context, string, float64) (float64, error) {
	return 0, link.ErrUnknown
}

func (absent) Running(context.Context) (bool, error) { return false, link.ErrUnknown }

func (a absent) ReadTelemetry(context.Context) (link.Sample, error) {
	return link.Sample{At: a.clock.Now()}, nil
}

func (absent) MakeReady(context.Context) error { return link.ErrNoThrottle }

func (absent) CommandThrottle(context.Context, float64) error { return link.ErrNoThrottle }

func (absent) AtRest(context.Context) error { return nil }

func (absent) Lock(context.Context) error { return nil }

func (absent) Halt(context.Context) error { return nil }

func (absent) Close() error { return nil }
