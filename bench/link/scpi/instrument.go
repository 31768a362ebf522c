package scpi

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"
	"time"

	"golang.org/x/sync/semaphore"

	"quaybench/bench/link"
	"quaybench/bench/link/port"
	"quaybench/bench/quantity"
)

// Error is a query without a reading.
type Error struct {
	Query string
	Why   string
	// Errors are what the instrument's error queue held after it, oldest first: -113,"Undefined header".
	Errors []string
	silent bool
}

func (e *Error) Error() string {
	text := e.Query + ": " + e.Why
	if len(e.Errors) > 0 {
		text += "; the instrument says " + strings.Join(e.Errors, ", ")
	}
	return text
}

// Is reports silence as link.ErrStale.
func (e *Error) Is(target error) bool { return e.silent && target == link.ErrStale }

// Instrument asks a meter or supply. It is a [link.Instrument]: each Next asks the next query and gives a sample with the one
// channel that it is for.
type Instrument struct {
	format *Format
	port   port.Port
	clock  port.Clock

	closing context.Context // ends with Close
	close   context.CancelFunc
	turn    *semaphore.Weighted // lets one Next at a time ask; not a mutex: it is waited for under a context

	// Below: touched only by whoever has the turn.
	input  []byte // came, and is no whole line yet
	begun  bool
	inStep bool // nothing is outstanding: the next line answers the next query
	next   int
	round  time.Time // when the round of queries began
}

var _ link.Instrument = (*Instrument)(nil)

// NewInstrument asks an instrument at the end of a port, which stays the caller's.
func NewInstrument(f *Format, p port.Port, clock port.Clock) *Instrument {
	closing, stop := context.WithCancel(context.Background())
	return &Instrument{format: f, port: p, clock: clock, closing: closing, close: stop, turn: semaphore.NewWeighted(1)}
}

// Channels returns what is asked for.
func (i *Instrument) Channels() []link.Channel { return i.format.Channels() }

// Close lets every further Next return link.ErrClosed, also one that waits. The port stays open.
func (i *Instrument) Close() error {
	i.close()
	return nil
}

// Next asks the next query; see [link.Instrument].
func (i *Instrument) Next(ctx context.Context) (link.Sample, error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	defer context.AfterFunc(i.closing, cancel)()
	if i.closing.Err() != nil {
		return link.Sample{}, link.ErrClosed
	}
	if err := i.turn.Acquire(ctx, 1); err != nil {
		return link.Sample{}, i.ended(err)
	}
	defer i.turn.Release(1)
	sample, err := i.ask(ctx)
	return sample, i.ended(err)
}

func (i *Instrument) ended(err error) error {
	if err != nil && i.closing.Err() != nil {
		return link.ErrClosed
	}
	return err
}

func (i *Instrument) ask(ctx context.Context) (s link.Sample, err error) {
	if err := i.begin(ctx); err != nil {
		return s, err
	}
	if i.next == 0 {
		if pause := i.format.every - i.clock.Now().Sub(i.round); !i.round.IsZero() && pause > 0 {
			if err := i.clock.Sleep(ctx, pause); err != nil {
				return s, err
			}
		}
		i.round = i.clock.Now()
	}
	n := i.next
	i.next = (n + 1) % len(i.format.queries)
	q := &i.format.queries[n]
	asked := i.clock.Now()
	answer, err := i.exchange(ctx, q.ask)
	if err != nil {
		return s, err
	}
	value, err := q.read(answer)
	if err != nil {
		return s, &Error{Query: q.ask, Why: err.Error()}
	}
	if value < q.Min || value > q.Max {
		return s, &link.ImpossibleError{Channel: i.format.channels[n], Value: value, Min: q.Min, Max: q.Max}
	}
	s = link.Sample{At: i.clock.Now(), Values: make([]float64, len(i.format.queries))}
	s.Times = make([]time.Time, len(s.Values))
	for k := range s.Values {
		s.Values[k] = math.NaN()
	}
	s.Values[n], s.Times[n] = value, asked.Add(s.At.Sub(asked)/2) // somewhere between question and answer
	return s, nil
}

// begin asks the instrument for its name.
func (i *Instrument) begin(ctx context.Context) error {
	if i.begun {
		return nil
	}
	if err := i.empty(ctx); err != nil {
		return err
	}
	if i.format.remote {
		if err := i.send(ctx, "SYST:REM"); err != nil {
			return err
		}
	}
	i.inStep = true
	name, err := i.exchange(ctx, "*IDN?")
	if err != nil {
		return err
	}
	if strings.HasPrefix(name, "$") || strings.IndexFunc(name, func(r rune) bool { return r < ' ' || r > '~' }) >= 0 {
		return &Error{Query: "*IDN?", Why: fmt.Sprintf("%q is no answer to it: check the baud rate, and which instrument is on this port", shown(name))}
	}
	if !strings.Contains(name, i.format.identity) {
		return &Error{Query: "*IDN?", Why: fmt.Sprintf("it is %q, and %q belongs here: another instrument is on this port", shown(name), i.format.identity)}
	}
	i.begun = true
	return nil
}

// exchange sends a query and gives the line that answers it. What came unasked before it is thrown away, errors with it.
func (i *Instrument) exchange(ctx context.Context, ask string) (string, error) {
	if err := i.gather(ctx, 0); err == nil || len(i.input) > 0 {
		i.inStep = false
	} else if !errors.Is(err, port.ErrTimeout) {
		return "", err
	}
	if !i.inStep {
		if said, err := i.step(ctx); err != nil {
			return "", err
		} else if len(said) > 0 {
			return "", &Error{Query: ask, Why: "it was not asked, since the one before it failed", Errors: said}
		}
	}
	i.inStep = false // whatever ends the wait for the answer
	if err := i.send(ctx, ask); err != nil {
		return "", err
	}
	until := i.clock.Now().Add(i.format.within)
	answer, err := i.line(ctx, until)
	if err == nil && answer == ask { // it echoes what it is sent
		answer, err = i.line(ctx, until)
	}
	if err == nil {
		i.inStep = true
		return answer, nil
	}
	if !errors.Is(err, port.ErrTimeout) {
		return "", err
	}
	why := fmt.Sprintf("no answer within %v", i.format.within)
	if len(i.input) > 0 {
		why = "bytes that make no line of text: check the baud rate"
	}
	said, err := i.step(ctx)
	if err != nil {
		var silent *Error
		if errors.As(err, &silent) {
			return "", &Error{Query: ask, Why: why + ", nor to SYST:ERR?; check that it is on, its plug, its baud rate and its line end; one that is only slow gets longer by answer_within in its file", silent: true}
		}
		return "", err
	}
	return "", &Error{Query: ask, Why: why, Errors: said}
}

// mostErrors is how often the error queue is asked: instruments keep 10 to 20.
const mostErrors = 20

// errorForm is an answer to SYST:ERR?: a number and a text in quotes. No reading looks so.
var errorForm = regexp.MustCompile(`^([+-]?\d{1,5}),\s*"(.*)"$`)

// step empties input and error queue, so that the next line answers the next query. Answers come in order: what comes before
// one to SYST:ERR? is late.
func (i *Instrument) step(ctx context.Context) (said []string, err error) {
	if err := i.empty(ctx); err != nil {
		return nil, err
	}
	for range mostErrors {
		if err := i.send(ctx, "SYST:ERR?"); err != nil {
			return said, err
		}
		until := i.clock.Now().Add(i.format.within)
		var m []string
		var text string
		for m == nil {
			other := text
			if text, err = i.line(ctx, until); errors.Is(err, port.ErrTimeout) {
				why := fmt.Sprintf("no answer within %v", i.format.within)
				if other = cmp.Or(other, string(i.input)); other != "" {
					why += fmt.Sprintf(", and other things come by themselves (%q): check the baud rate, and which instrument is on this port", shown(other))
				}
				return said, &Error{Query: "SYST:ERR?", Why: why, silent: true}
			}
			if err != nil {
				return said, err
			}
			m = errorForm.FindStringSubmatch(text)
		}
		if n, _ := strconv.Atoi(m[1]); n == 0 {
			i.inStep = true
			return said, nil
		}
		said = append(said, shown(m[0]))
	}
	i.inStep = true
	return append(said, fmt.Sprintf("and more: %d were read", mostErrors)), nil
}

func (i *Instrument) send(ctx context.Context, text string) error {
	return i.port.Write(ctx, []byte(text+i.format.end))
}

// quiet is how long a line is silent when nothing more comes.
const quiet = 50 * time.Millisecond

// empty discards what comes until nothing more does.
func (i *Instrument) empty(ctx context.Context) error {
	for until := i.clock.Now().Add(i.format.within); i.clock.Now().Before(until); {
		err := i.gather(ctx, quiet)
		i.input = i.input[:0]
		if errors.Is(err, port.ErrTimeout) {
			return nil
		}
		if err != nil {
			return err
		}
	}
	return nil // it babbles; the answers are told from it by their form
}

// longest is the longest line taken, in bytes.
const longest = 1024

// gather reads what comes within a time.
func (i *Instrument) gather(ctx context.Context, wait time.Duration) error {
	var buffer [longest]byte
	n, err := i.port.Read(ctx, buffer[:], wait)
	i.input = append(i.input, buffer[:n]...)
	if over := len(i.input) - 4*longest; over > 0 {
		i.input = append(i.input[:0], i.input[over:]...)
	}
	return err
}

// line returns the next line.
func (i *Instrument) line(ctx context.Context, until time.Time) (string, error) {
	for {
		if line, rest, ok := bytes.Cut(i.input, []byte("\n")); ok {
			text := strings.TrimSpace(string(line))
			i.input = append(i.input[:0], rest...)
			if text == "" {
				continue
			}
			return text, nil
		}
		wait := until.Sub(i.clock.Now())
		if wait <= 0 {
			return "", port.ErrTimeout
		}
		if err := i.gather(ctx, wait); err != nil {
			return "", err
		}
	}
}

// overload is the smallest number that stands for none.
const overload = 9.9e37

// read reads an answer: NaN for one that says that there is no reading.
func (q *query) read(answer string) (float64, error) {
	for _, r := range answer {
		if r < ' ' || r > '~' {
			return 0, fmt.Errorf("the answer %q is no text: check the baud rate", shown(answer))
		}
	}
	text := answer
	list := strings.Split(answer, ",")
	switch {
	case q.field < 0 && len(list) > 1:
		return 0, fmt.Errorf("the answer %q has %d numbers: write field = 1 for the first of them", shown(answer), len(list))
	case q.field >= len(list):
		return 0, fmt.Errorf("the answer %q has %d numbers, and field %d is asked for", shown(answer), len(list), q.field+1)
	case q.field >= 0:
		text = list[q.field]
	}
	text = strings.TrimSpace(text)
	if strings.Trim(text, "0123456789+-.eE") != "" || text == "" {
		number := strings.TrimRight(text, "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ% ")
		if unit := strings.TrimSpace(text[len(number):]); unit != "" {
			if _, err := quantity.ParseUnit(unit); err == nil && number != "" {
				return 0, fmt.Errorf("the answer %q has a unit of its own: set the instrument to answer in plain numbers", shown(answer))
			}
		}
		return 0, fmt.Errorf("the answer %q is no number", shown(answer))
	}
	v, err := strconv.ParseFloat(text, 64)
	if err != nil {
		return 0, fmt.Errorf("the answer %q is no number", shown(answer))
	}
	if math.Abs(v) >= overload {
		return math.NaN(), nil
	}
	return q.SI(v), nil
}

// shown returns a text as a message has it: short and printable.
func shown(text string) string {
	const most = 60
	text = strings.Map(func(r rune) rune {
		if r < ' ' || r > '~' {
			return '.'
		}
		return r
	}, text)
	if len(text) > most {
		text = text[:most] + "..."
	}
	return text
}
