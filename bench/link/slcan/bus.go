package slcan

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"quaybench/bench/link/port"
)

// Bus is a CAN bus behind a serial adapter. It is for one goroutine, and never closes the port.
type Bus struct {
	port   port.Port
	clock  port.Clock
	split  splitter
	ready  []event
	stats  Stats
	open   bool
	torn   bool      // a line that we wrote may have been cut
	last   time.Time // when something last came in
	empty  time.Time // what is read from now on came after that
	behind bool      // so much waited that the system may hold more, older, than it hands over at once
	span   span      // of the frame handed over last
}

// span bounds when a frame came in.
type span struct{ since, at time.Time }

// backlog is how many bytes at once say that nobody read for a while. A terminal's buffer holds 4 KB; what comes beyond waits
// behind it, and shows a moment after the buffer looked empty.
const backlog = 2048

// Stats counts what a bus saw.
type Stats struct {
	Frames  int // heard
	Sent    int
	Bad     int // lines that are none: cut, noise
	Refused int // BEL of the adapter
	Lost    int // times the adapter told that it lost frames or saw errors
}

// event is a line of the adapter.
type event struct {
	frame *Frame
	line  string // where it is no frame; "" is an empty line, the adapter's yes
	bell  bool
	span  span
}

// answerWait is how long an adapter may take for a command; an adapter for USB holds bytes up to 16 ms (common practice, no
// source).
const answerWait = 200 * time.Millisecond

// write writes a line. One that was cut before is ended first: else it would swallow this one, which may be zero.
func (b *Bus) write(ctx context.Context, line []byte) error {
	if b.torn {
		line = append([]byte("\r"), line...)
	}
	err := b.port.Write(ctx, line)
	b.torn = err != nil
	return err
}

// New returns the bus of a port at which an adapter hangs; see [Bus.Open].
func New(p port.Port, clock port.Clock) *Bus { return &Bus{port: p, clock: clock} }

// Stats returns the counts so far.
func (b *Bus) Stats() Stats { return b.stats }

// Heard returns when something last came in.
func (b *Bus) Heard() time.Time { return b.last }

// Span bounds when the frame that [Bus.Receive] gave last came in: after since, and up to at. The two lie apart where nobody
// read for a while, or where this process was stopped: then at is only when it was found.
func (b *Bus) Span() (since, at time.Time) { return b.span.since, b.span.at }

// Behind reports whether frames may still wait that came long ago.
func (b *Bus) Behind() bool { return b.behind }

// Answered notes that the answer of a node came to a request sent at an instant: whatever is read from now on came
// after that, since a line keeps its order.
func (b *Bus) Answered(sent time.Time) {
	if b.behind || sent.After(b.empty) {
		b.empty, b.behind = sent, false
	}
}

// Open opens the bus for sending, at a rate. Unless alone, it first listens only, for up to wait, and goes on only where it
// heard a valid frame; else the error is a [*SilenceError], and nothing was sent. alone is a person's word that only the
// controller meant hangs on the bus.
//
// The adapter's other settings (time stamps, automatic answers) stay as they are: some keep them for good.
func (b *Bus) Open(ctx context.Context, rate Rate, wait time.Duration, alone bool) error {
	if err := b.reset(ctx, rate); err != nil {
		return err
	}
	var heard []event
	if !alone {
		var err error
		if heard, err = b.listen(ctx, rate, wait); err != nil {
			return err
		}
		if _, err := b.command(ctx, "C"); err != nil {
			return err
		}
	}
	ok, err := b.command(ctx, "O")
	if errors.Is(err, port.ErrTimeout) {
		return ErrNoAdapter
	}
	if err != nil || !ok {
		return errors.Join(err, refusal(ok || err != nil, "the adapter does not open the bus"))
	}
	b.ready = append(heard, b.ready...) // who commands the bus is to be noticed
	b.open = true
	return nil
}

func refusal(ok bool, text string) error {
	if ok {
		return nil
	}
	return errors.New(text)
}

// reset closes the adapter's bus, whatever state it is in, and sets the rate.
func (b *Bus) reset(ctx context.Context, rate Rate) error {
	if err := b.port.Write(ctx, []byte("\r\r")); err != nil { // ends what somebody before may have begun
		return err
	}
	if err := b.drain(ctx, 50*time.Millisecond); err != nil {
		return err
	}
	b.ready = nil
	_, err := b.command(ctx, "C") // BEL where it is closed already
	if errors.Is(err, port.ErrTimeout) {
		return ErrNoAdapter
	}
	if err != nil {
		return err
	}
	ok, err := b.command(ctx, rate.command)
	if errors.Is(err, port.ErrTimeout) {
		return ErrNoAdapter
	}
	return errors.Join(err, refusal(ok || err != nil, fmt.Sprintf("the adapter does not take the bit rate %s", rate.Name)))
}

// listen opens for listening only, and waits for a frame to be believed. It returns what it heard.
func (b *Bus) listen(ctx context.Context, rate Rate, wait time.Duration) (heard []event, err error) {
	if err := b.hush(ctx, rate); err != nil {
		return nil, err
	}
	begun := b.clock.Now()
	var first *Frame
	same := 0
	for {
		left := wait - b.clock.Now().Sub(begun)
		f, err := b.Receive(ctx, left)
		if errors.Is(err, port.ErrTimeout) || left <= 0 {
			break
		}
		if err != nil {
			return nil, err
		}
		heard = append(heard, event{frame: &f, span: b.span})
		if first == nil {
			first = &f
			continue
		}
		if f.String() != first.String() {
			return heard, nil // two different frames: a bus that lives
		}
		// A frame at full speed takes its own length, 47 bits and the data (ISO 11898-1, without stuff bits), again and again.
		same++
		took := b.clock.Now().Sub(begun)
		own := time.Duration(same*(47+8*len(f.Data))) * time.Second / time.Duration(rate.Bits)
		if same >= 50 && 3*own > took {
			_, _ = b.command(ctx, "C")
			return nil, &SilenceError{Rate: rate, Waited: wait, Again: first}
		}
	}
	if first != nil {
		return heard, nil
	}
	flags, _, err := b.Flags(ctx)
	if err != nil {
		return nil, err
	}
	_, _ = b.command(ctx, "C")
	return nil, &SilenceError{Rate: rate, Waited: wait, Flags: flags}
}

// HeardAt is what listening at one bit rate found.
type HeardAt struct {
	Rate   Rate
	Frames int      // valid ones
	IDs    []uint32 // of the first few that differ
	Flags  byte     // of the adapter: not 0 where it saw errors
}

// tried are the letters of the bit rates that FindRate tries, the usual ones first. S7 is not among them: adapters take it for 800 or for 750
// kbit/s.
var tried = []string{"S5", "S6", "S4", "S8", "S3", "S2", "S1", "S0"}

// FindRate listens only, at one bit rate after the other, for up to wait at each, until two valid frames were heard at one: by their check sums
// none is valid at another rate. It sends nothing, and closes the bus again. tell is told of each rate that was tried; nil: nobody is there. found
// is nil where none was heard at any.
//
// Whether an adapter truly listens only cannot be told from the line, and at a wrong rate one that does not disturbs a live bus: so
// this is for a person's word.
func (b *Bus) FindRate(ctx context.Context, wait time.Duration, tell func(HeardAt)) (found *HeardAt, err error) {
	for _, letter := range tried {
		h := HeardAt{Rate: rates[slices.IndexFunc(rates, func(r Rate) bool { return r.command == letter })]}
		if err := b.listenAt(ctx, &h, wait); err != nil {
			_, _ = b.command(context.WithoutCancel(ctx), "C")
			return nil, err
		}
		if tell != nil {
			tell(h)
		}
		if h.Frames > 0 {
			return &h, nil
		}
	}
	return nil, nil
}

// enoughFrames are how many frames tell a rate beyond doubt.
const enoughFrames = 2

func (b *Bus) listenAt(ctx context.Context, h *HeardAt, wait time.Duration) error {
	if err := b.reset(ctx, h.Rate); err != nil {
		return err
	}
	if err := b.hush(ctx, h.Rate); err != nil {
		return err
	}
	for begun := b.clock.Now(); h.Frames < enoughFrames; {
		left := wait - b.clock.Now().Sub(begun)
		f, err := b.Receive(ctx, left)
		if errors.Is(err, port.ErrTimeout) || left <= 0 {
			break
		}
		if err != nil {
			return err
		}
		if h.Frames++; !slices.Contains(h.IDs, f.ID) {
			h.IDs = append(h.IDs, f.ID)
		}
	}
	var err error
	if h.Flags, _, err = b.Flags(ctx); err != nil {
		return err
	}
	_, err = b.command(ctx, "C")
	return err
}

// hush opens a bus, whose rate is set, for listening only. An answer that came late, or a no to something before, is not yet the
// adapter's word that it cannot: a person who believes that would have it take part in a live bus.
func (b *Bus) hush(ctx context.Context, rate Rate) error {
	for range 3 {
		ok, err := b.command(ctx, "L")
		if ok || err != nil && !errors.Is(err, port.ErrTimeout) {
			return err
		}
		if err := b.reset(ctx, rate); err != nil {
			return err
		}
	}
	return ErrNotListening
}

// Flags asks the adapter what went wrong since it was last asked: 0 is nothing. Only that is the same for all adapters. known is
// false for an adapter that has no word for it.
func (b *Bus) Flags(ctx context.Context) (flags byte, known bool, err error) {
	if err := b.write(ctx, []byte("F\r")); err != nil {
		return 0, false, err
	}
	// A no that comes first is to a frame sent before, and stays for Receive, unless nothing else comes.
	e, err := b.answer(ctx, func(e event) bool { return len(e.line) == 3 && e.line[0] == 'F' })
	if errors.Is(err, port.ErrTimeout) {
		last := len(b.ready) - 1
		for last >= 0 && !b.ready[last].bell {
			last--
		}
		if last >= 0 {
			b.ready = slices.Delete(b.ready, last, last+1)
		}
		return 0, false, nil
	}
	if err != nil {
		return 0, false, err
	}
	bits, err := strconv.ParseUint(e.line[1:], 16, 8)
	if err != nil {
		return 0, false, nil // a firmware of its own kind
	}
	if bits != 0 {
		b.stats.Lost++
	}
	return byte(bits), true, nil
}

// command sends one command and waits for yes or no: some adapters take no second one meanwhile.
func (b *Bus) command(ctx context.Context, text string) (ok bool, err error) {
	if err := b.write(ctx, []byte(text+"\r")); err != nil {
		return false, err
	}
	e, err := b.answer(ctx, func(e event) bool { return e.frame == nil && (e.bell || e.line == "") })
	return err == nil && !e.bell, err
}

// answer waits for a line of a kind; frames that come meanwhile stay for Receive.
func (b *Bus) answer(ctx context.Context, is func(event) bool) (event, error) {
	until := b.clock.Now().Add(answerWait)
	for i := 0; ; {
		for ; i < len(b.ready); i++ {
			if e := b.ready[i]; e.frame == nil && is(e) {
				b.ready = append(b.ready[:i], b.ready[i+1:]...)
				return e, nil
			}
		}
		if err := b.read(ctx, until.Sub(b.clock.Now())); err != nil {
			return event{}, err
		}
	}
}

// Send hands a frame to the adapter. That it went out, let alone arrived, only an answer from the bus tells.
func (b *Bus) Send(ctx context.Context, f Frame) error {
	if !b.open {
		return ErrClosed
	}
	if err := b.write(ctx, f.line()); err != nil {
		return err
	}
	b.stats.Sent++
	return nil
}

// Receive waits for the next frame, at most for wait; with zero or less it takes what has come. The error is
// [port.ErrTimeout], [ErrRefused] where the adapter did not take a frame sent before, the port's or the context's.
func (b *Bus) Receive(ctx context.Context, wait time.Duration) (Frame, error) {
	until := b.clock.Now().Add(wait)
	for {
		for len(b.ready) > 0 {
			e := b.ready[0]
			b.ready = b.ready[1:]
			switch {
			case e.frame != nil:
				b.span = e.span
				return *e.frame, nil
			case strings.HasPrefix(e.line, "sb"):
				return Frame{}, ErrBusOff
			case e.bell && b.open:
				b.stats.Refused++
				return Frame{}, ErrRefused
			}
		}
		if err := b.read(ctx, until.Sub(b.clock.Now())); err != nil {
			return Frame{}, err
		}
	}
}

// drain discards what comes within a time.
func (b *Bus) drain(ctx context.Context, wait time.Duration) error {
	until := b.clock.Now().Add(wait)
	for {
		err := b.read(ctx, until.Sub(b.clock.Now()))
		if errors.Is(err, port.ErrTimeout) || err == nil && !b.clock.Now().Before(until) {
			return nil
		}
		if err != nil {
			return err
		}
	}
}

// read waits for bytes and makes events of the lines that end in them.
func (b *Bus) read(ctx context.Context, wait time.Duration) error {
	var buffer [4096]byte
	n, err := b.port.Read(ctx, buffer[:], wait)
	if errors.Is(err, port.ErrTimeout) && !b.behind {
		b.empty = b.clock.Now()
	}
	if err != nil {
		return err
	}
	b.last = b.clock.Now()
	b.behind = b.behind || n >= backlog
	b.split.feed(buffer[:n], b.take)
	return nil
}

// take parses a line into an event.
func (b *Bus) take(line []byte, end byte, cut bool) {
	e := event{bell: end == bell, line: string(line), span: span{b.empty, b.last}}
	switch {
	case cut:
		b.stats.Bad++
		return
	case end == bell || len(line) == 0:
	case bytes.IndexByte([]byte("tTrR"), line[0]) >= 0:
		f, ok := parseFrame(line)
		if !ok {
			b.stats.Bad++
			return
		}
		b.stats.Frames++
		e.frame = &f
	case bytes.IndexByte([]byte("zZ"), line[0]) >= 0 && len(line) == 1:
		return // in the queue: nothing to learn from
	case bytes.IndexByte([]byte("FVNse"), line[0]) >= 0:
	default:
		b.stats.Bad++
		return
	}
	b.ready = append(b.ready, e)
}

// Close takes the adapter off the bus, and leaves the port open.
func (b *Bus) Close(ctx context.Context) error {
	if !b.open {
		return nil
	}
	b.open = false
	_, err := b.command(ctx, "C")
	if errors.Is(err, port.ErrTimeout) {
		return nil
	}
	return err
}
