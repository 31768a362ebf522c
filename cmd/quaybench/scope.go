package main

import (
	"cmp"
	"context"
	"fmt"
	"io"
	"math"
	"strings"
	"sync"
	"time"

	"github.com/guptarohit/asciigraph"

	"quaybench/bench"
	"quaybench/bench/link"
	"quaybench/bench/measure"
	"quaybench/bench/quantity"
)

// scope shows a running test: on a terminal a chart of the current with its predicted band, elsewhere a line now and then. It
// draws beside the test, so that a terminal that stands still does not hold the test up; what it cannot show in time it
// leaves out.
type scope struct {
	sys      *system
	channels []link.Channel
	chart    int // the channel that is drawn; −1: none
	band     *bench.PredictedChannel
	pause    float64 // between lines, s
	gone     context.CancelCauseFunc
	work     chan func()
	ended    chan struct{}
	once     sync.Once

	// Below: touched only by what draws.
	time, values, low, high []float64
	last                    float64 // when the last sample shown was due, s
	lines                   int     // of the picture on the screen
	text                    string  // of the newest sample
}

func newScope(sys *system, channels []link.Channel, p *bench.Prediction, pause float64, gone context.CancelCauseFunc) *scope {
	s := &scope{sys: sys, channels: channels, chart: -1, pause: pause, gone: gone, work: make(chan func(), 256), ended: make(chan struct{}), last: math.Inf(-1)}
	for i, c := range channels {
		if k, _ := link.KindOf(c.Name); k.Current == "motor" || s.chart < 0 && k.Current != "" {
			s.chart = i
		}
	}
	for i := range p.Channels {
		if s.chart >= 0 && p.Channels[i].Channel == channels[s.chart].Name {
			s.band = &p.Channels[i]
		}
	}
	go func() {
		defer close(s.ended)
		for act := range s.work {
			act()
		}
	}()
	return s
}

// later queues a drawing, or drops it where too many wait.
func (s *scope) later(act func()) {
	select {
	case s.work <- act:
	default:
	}
}

// end waits for what is still to be drawn, but not for a terminal that stands still.
func (s *scope) end() {
	s.once.Do(func() {
		close(s.work)
		ctx, drawn := context.WithCancel(context.Background())
		go func() {
			<-s.ended
			drawn()
		}()
		_ = s.sys.Clock.Sleep(ctx, time.Second)
	})
}

// print writes to the screen. Where nobody can see the test any more, it is called off.
func (s *scope) print(text string) {
	if _, err := io.WriteString(s.sys.Out, text); err != nil {
		s.gone(fmt.Errorf("nobody can see the test any more: %w", err))
	}
}

// say shows a line of its own, above the picture.
func (s *scope) say(text string) {
	s.later(func() {
		picture := s.erase()
		s.print(wrapped(text, s.sys.width()) + "\n")
		if picture {
			s.draw()
		}
	})
}

// raw shows a text as it is, after what was shown before.
func (s *scope) raw(text string) { s.later(func() { s.print(text) }) }

// sample adds a sample.
func (s *scope) sample(x measure.Sample) {
	s.later(func() { s.take(x) })
}

// mostPoints is how many points of a chart are kept; no terminal is as wide.
const mostPoints = 2000

func (s *scope) take(x measure.Sample) {
	if s.chart >= 0 {
		low, high := math.NaN(), math.NaN()
		if s.band != nil {
			low, high = s.band.At(x.At)
		}
		s.time, s.values = append(s.time, x.At), append(s.values, x.Values[s.chart])
		s.low, s.high = append(s.low, low), append(s.high, high)
		if len(s.time) >= mostPoints {
			for _, series := range []*[]float64{&s.time, &s.values, &s.low, &s.high} {
				*series = everySecond(*series)
			}
		}
	}
	pictures := s.pictures()
	if pause := map[bool]float64{true: 0.2, false: s.pause}[pictures]; x.Due-s.last < pause-1e-9 {
		return
	}
	s.last = x.Due
	parts := []string{fmt.Sprintf("%6.1f s  lever %4.0f %%", x.At, 100*x.Lever)}
	for i, c := range s.channels {
		parts = append(parts, quantity.Spoken(c.Name)+" "+shownReading(x.Values[i], cmp.Or(c.Unit, "1")))
	}
	s.text = strings.Join(parts, "  ")
	if !pictures {
		text := s.text
		if w, ok := s.sys.columns(s.sys.Out); ok {
			text = hung("", strings.TrimLeft(text, " "), w)
		}
		s.print(text + "\n")
		return
	}
	s.erase()
	s.draw()
}

func everySecond(list []float64) (out []float64) {
	for i := 0; i < len(list); i += 2 {
		out = append(out, list[i])
	}
	return out
}

// pictures reports whether the output is a terminal that can be drawn on.
func (s *scope) pictures() bool { return terminal(s.sys.Out) != nil && s.sys.Getenv("TERM") != "dumb" }

// draw draws the picture: the chart, if it fits, and the newest sample below it.
func (s *scope) draw() {
	width, rows := s.sys.width(), 24
	if f := terminal(s.sys.Out); f != nil {
		if _, h, ok := f.size(); ok {
			rows = h
		}
	}
	text := wrapped(s.text, width-1)
	below := strings.Count(text, "\n") + 1
	var b strings.Builder
	if height := min(10, rows-below-5); height >= 3 && len(s.values) > 1 && width >= 40 {
		b.WriteString(s.plot(width, height) + "\n")
	}
	b.WriteString(text + "\n")
	s.lines = strings.Count(b.String(), "\n")
	s.print(b.String())
}

func (s *scope) plot(width, height int) string {
	unit := quantity.MustUnit(cmp.Or(s.channels[s.chart].Unit, "1"))
	show := func(si []float64) (out []float64) {
		for _, x := range si {
			out = append(out, unit.FromSI(x))
		}
		return out
	}
	series := [][]float64{show(s.values)}
	colours := []asciigraph.AnsiColor{asciigraph.Default}
	caption := fmt.Sprintf("%s, %s, over %s", s.channels[s.chart].Name, unit, shownTime(s.time[len(s.time)-1]))
	if s.band != nil {
		series = [][]float64{show(s.low), show(s.high), series[0]}
		colours = []asciigraph.AnsiColor{asciigraph.Gray, asciigraph.Gray, asciigraph.Cyan}
		caption += ", with the predicted band"
	}
	o := []asciigraph.Option{asciigraph.Height(height), asciigraph.Width(width - 14), asciigraph.Caption(caption), asciigraph.Precision(1)}
	if s.sys.colour() {
		o = append(o, asciigraph.SeriesColors(colours...))
	}
	return asciigraph.PlotMany(series, o...)
}

// erase moves back over the picture, and reports whether there was one.
func (s *scope) erase() bool {
	if s.lines == 0 {
		return false
	}
	s.print(fmt.Sprintf("\x1b[%dA\x1b[J", s.lines))
	s.lines = 0
	return true
}
