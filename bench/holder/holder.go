package holder

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"quaybench/bench/trial"
)

// Runner runs a programme for a script. It decides whether it does: an error refuses. The context ends when the script's
// process is gone or out of order; zero must then be the last command.
type Runner func(ctx context.Context, ask Ask) (*Answer, error)

// Options of a holder.
type Options struct {
	Silence time.Duration     // that a script's process may keep while a programme runs; 0: 1 s, ten heartbeats
	Longest time.Duration     // that a script may take in all; 0: 4 h
	Say     func(text string) // shows what a script says; nil: nobody is there
	// Paper takes a paper that the script hands over; nil: nobody wants one.
	Paper func(name string, content []byte) error
}

// Why a holder called a programme off. Each comes as the error of Serve.
var (
	ErrGone    = errors.New("the script's process is gone")
	ErrSilent  = errors.New("the script's process is not heard any more")
	ErrFlood   = errors.New("the script's process floods the line")
	ErrNoise   = errors.New("the script's process talks nonsense")
	ErrTooLong = errors.New("the script runs too long")
)

// flood is how many messages may come in a second while a programme runs: beats are ten.
const flood = 200

// patience is how long a script's process may take to read a piece of an answer.
const patience = 5 * time.Second

// Serve answers a script's process until it ends its side of the pipe. Its error says what was wrong with it; nil after an
// end with nothing running. The caller ends the process then. It leaves one goroutine that reads from, until that is
// closed.
func Serve(ctx context.Context, from io.Reader, to io.Writer, run Runner, o Options) error {
	if o.Silence == 0 {
		o.Silence = time.Second
	}
	if o.Longest == 0 {
		o.Longest = 4 * time.Hour
	}
	if o.Say == nil {
		o.Say = func(string) {}
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	h := &holder{ctx: ctx, to: to, run: run, o: o, papers: map[string][]byte{}, heard: make(chan heard), done: make(chan done, 1)}
	go h.listen(from)
	err := h.serve()
	if h.off != nil { // whatever happened, the programme ends in zero before this returns
		h.off(err)
		<-h.done
	}
	return err
}

// holder is one script's process, served.
type holder struct {
	ctx   context.Context
	to    io.Writer
	run   Runner
	o     Options
	heard chan heard
	done  chan done

	// Below: touched by serve only.
	off     context.CancelCauseFunc // calls the running programme off; nil: none runs
	running int                     // its id
	count   int                     // of messages in this second
	papers  map[string][]byte       // begun
}

// mostPaper is far above what a report takes, in bytes.
const mostPaper = 64 << 20

type heard struct {
	message
	err error
}

type done struct {
	reply reply
	err   error
}

// listen reads messages until something is wrong.
func (h *holder) listen(from io.Reader) {
	lines := bufio.NewScanner(from)
	lines.Buffer(make([]byte, 0, 64<<10), maxAsk)
	tell := func(m heard) bool {
		select {
		case h.heard <- m:
			return m.err == nil
		case <-h.ctx.Done():
			return false
		}
	}
	for lines.Scan() {
		m, err := parse(lines.Bytes())
		if err != nil {
			err = fmt.Errorf("%w: %w", ErrNoise, err)
		}
		if !tell(heard{m, err}) {
			return
		}
	}
	err := ErrGone
	if bad := lines.Err(); errors.Is(bad, bufio.ErrTooLong) {
		err = fmt.Errorf("%w: a line without end", ErrNoise)
	}
	tell(heard{err: err})
}

// serve answers the script's messages until one ends it.
func (h *holder) serve() error {
	silence := time.NewTimer(h.o.Silence)
	silence.Stop()
	longest := time.NewTimer(h.o.Longest)
	second := time.NewTicker(time.Second)
	defer silence.Stop()
	defer longest.Stop()
	defer second.Stop()
	for {
		select {
		case m := <-h.heard:
			if m.err != nil {
				if h.off == nil && errors.Is(m.err, ErrGone) {
					return nil
				}
				return m.err
			}
			if h.off != nil {
				silence.Reset(h.o.Silence)
				if h.count++; h.count > flood {
					return ErrFlood
				}
			}
			if err := h.take(m.message); err != nil {
				return err
			}
			if m.Ask != nil && h.off != nil {
				silence.Reset(h.o.Silence)
			}
		case d := <-h.done:
			h.off(nil)
			h.off = nil
			silence.Stop()
			if d.err != nil {
				return d.err
			}
			if err := h.answer(d.reply); err != nil {
				return err
			}
		case <-silence.C:
			return ErrSilent
		case <-longest.C:
			return fmt.Errorf("%w: more than %v", ErrTooLong, h.o.Longest)
		case <-second.C:
			h.count = 0
		case <-h.ctx.Done():
			return context.Cause(h.ctx)
		}
	}
}

// take does what a message says.
func (h *holder) take(m message) error {
	switch {
	case m.Say != nil:
		h.o.Say(*m.Say)
	case m.Page != nil:
		p := m.Page
		h.papers[p.Paper] = append(h.papers[p.Paper], p.Content...)
		switch {
		case h.o.Paper == nil:
			return fmt.Errorf("%w: a paper that nobody asked for", ErrNoise)
		case len(h.papers[p.Paper]) > mostPaper || len(h.papers) > 2:
			return fmt.Errorf("%w: too much paper", ErrNoise)
		case p.Last:
			content := h.papers[p.Paper]
			delete(h.papers, p.Paper)
			return h.o.Paper(p.Paper, content)
		}
	case m.Stop != 0:
		if h.off != nil && m.Stop == h.running {
			h.off(errors.New("the script called it off"))
		}
	case m.Ask != nil:
		return h.begin(*m.Ask)
	}
	return nil
}

// begin runs a programme, or says why not.
func (h *holder) begin(ask Ask) error {
	refuse := func(why string) error { return h.answer(reply{ID: ask.ID, Refused: why}) }
	if h.off != nil {
		return refuse("another programme runs")
	}
	t, err := trial.Read("programme", []byte(ask.Programme))
	if err != nil {
		return refuse(err.Error())
	}
	ask.Trial = t
	ctx, off := context.WithCancelCause(h.ctx)
	h.off, h.running, h.count = off, ask.ID, 0
	go func() {
		a, err := h.run(ctx, ask)
		if err != nil {
			h.done <- done{reply: reply{ID: ask.ID, Refused: err.Error()}}
			return
		}
		r, err := pack(ask.ID, a)
		if size := len(r.Record) + len(r.Predicted); size > maxReply/2 { // half: what quoting adds
			r = reply{ID: ask.ID, Refused: fmt.Sprintf("the programme was run, but its record of %d samples is too large for a script: shorten the programme or lower the rate", len(a.Record.Time))}
		}
		h.done <- done{r, err}
	}()
	return nil
}

// answer writes a reply, but does not wait for ever for a process that does not read.
func (h *holder) answer(r reply) error {
	taken := &progress{to: h.to, took: make(chan struct{}, 1)}
	written := make(chan error, 1)
	go func() { written <- write(taken, r) }()
	timer := time.NewTimer(patience)
	defer timer.Stop()
	for {
		select {
		case err := <-written:
			if err != nil {
				return fmt.Errorf("%w: %w", ErrGone, err)
			}
			return nil
		case <-taken.took:
			timer.Reset(patience)
		case <-timer.C:
			return fmt.Errorf("%w: it does not read its answer", ErrSilent)
		}
	}
}

// progress writes piece by piece, and tells that a piece was taken.
type progress struct {
	to   io.Writer
	took chan struct{}
}

func (p *progress) Write(b []byte) (n int, err error) {
	const piece = 64 << 10
	for n < len(b) && err == nil {
		var m int
		m, err = p.to.Write(b[n:min(len(b), n+piece)])
		n += m
		select {
		case p.took <- struct{}{}:
		default:
		}
	}
	return n, err
}
