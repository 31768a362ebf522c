package measure

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"

	"quaybench/bench/link"
	"quaybench/bench/link/port"
)

// Join makes an instrument's readings part of a controller's telemetry. Where both measure the same, the instrument is
// believed. Without a controller (nil) there are only the instrument's readings, and no throttle. Close stops listening
// to the instrument, and closes controller and instrument.
func Join(c link.Controller, i link.Instrument, clock port.Clock) link.Controller {
	if c == nil {
		c = absent{clock}
	}
	ctx, stop := context.WithCancel(context.Background())
	j := &joined{Controller: c, instrument: i, own: i.Channels(), stop: stop, first: make(chan struct{}), ended: make(chan struct{})}
	d := c.Describe()
	for k, ch := range d.Channels {
		if !slices.ContainsFunc(j.own, func(o link.Channel) bool { return o.Name == ch.Name }) {
			j.kept = append(j.kept, k)
		}
	}
	go j.listen(ctx)
	return j
}

type joined struct {
	link.Controller
	instrument link.Instrument
	own        []link.Channel
	kept       []int // of the controller's channels
	stop       context.CancelFunc
	ended      chan struct{}

	mu     sync.Mutex
	judge  func(link.Sample) error // of every line; nil: no test runs
	alarm  func(error)             // told of its first error
	lines  Lines
	newest link.Sample
	err    error // instead of newest
	heard  bool
	first  chan struct{} // closed when something was heard
}

// listen takes what the instrument sends, as it comes.
func (j *joined) listen(ctx context.Context) {
	defer close(j.ended)
	for {
		s, err := j.instrument.Next(ctx)
		var lost *port.LostError
		var impossible *link.ImpossibleError
		gone := ctx.Err() != nil || errors.As(err, &lost) || errors.Is(err, link.ErrClosed)
		if err != nil && !gone && !errors.Is(err, link.ErrStale) && !errors.As(err, &impossible) {
			j.mu.Lock()
			j.lines.Bad++
			j.lines.Why = err.Error()
			j.mu.Unlock()
			continue // one bad line; if they all are, they are missing
		}
		j.mu.Lock()
		switch {
		case impossible != nil:
			j.lines.Bad++
			j.lines.Why = err.Error()
		case err == nil:
			j.lines.Good++
			if j.judge != nil {
				if wrong := j.judge(s); wrong != nil {
					j.judge = nil
					j.alarm(wrong)
				}
			}
		}
		j.newest, j.err = s, err
		if !j.heard {
			j.heard = true
			close(j.first)
		}
		j.mu.Unlock()
		if gone {
			return
		}
	}
}

// Lines counts what an instrument sent.
type Lines struct {
	Good, Bad int64
	Why       string // what was wrong with the newest bad one
}

// watch has every line judged from now on, as it comes; alarm is told of the first that is wrong. nil ends it. It returns
// what was counted since the last watch.
func (j *joined) watch(judge func(link.Sample) error, alarm func(error)) (since Lines) {
	j.mu.Lock()
	defer j.mu.Unlock()
	since, j.lines = j.lines, Lines{}
	j.judge, j.alarm = judge, alarm
	return since
}

// channels are those of each line.
func (j *joined) lineChannels() []link.Channel { return j.own }

func (j *joined) Describe() link.Description {
	d := j.Controller.Describe()
	var channels []link.Channel
	for _, k := range j.kept {
		channels = append(channels, d.Channels[k])
	}
	d.Channels = append(channels, j.own...)
	return d
}

func (j *joined) ReadTelemetry(ctx context.Context) (link.Sample, error) {
	s, err := j.Controller.ReadTelemetry(ctx)
	if err != nil {
		return link.Sample{}, err
	}
	select {
	case <-j.first:
	case <-ctx.Done():
		return link.Sample{}, ctx.Err()
	}
	j.mu.Lock()
	defer j.mu.Unlock()
	if j.err != nil {
		return link.Sample{}, fmt.Errorf("instrument: %w", j.err)
	}
	both := link.Sample{At: s.At}
	if j.newest.At.Before(both.At) {
		both.At = j.newest.At // as old as the older
	}
	for _, k := range j.kept {
		both.Values = append(both.Values, s.Values[k])
	}
	both.Values = append(both.Values, j.newest.Values...)
	return both, nil
}

func (j *joined) Close() error {
	j.stop()
	<-j.ended
	return errors.Join(j.Controller.Close(), j.instrument.Close())
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

func (absent) CommandThrottle(context.Context, float64) error { return link.ErrNoThrottle }

func (absent) AtRest(context.Context) error { return nil }

func (absent) Lock(context.Context) error { return nil }

func (absent) Halt(context.Context) error { return nil }

func (absent) Close() error { return nil }
