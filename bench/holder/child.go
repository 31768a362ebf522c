package holder

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"sync"
	"time"
	"unicode/utf8"
)

// Child is the end of the pipes in the script's process. One programme at a time.
type Child struct {
	mu      sync.Mutex // of to
	to      io.Writer
	replies chan reply
	turn    chan struct{} // holds one token while no programme runs
	gone    chan struct{} // closed when the holder's side is
	why     error
	last    int
}

// beatEvery is how often a script's process says that it is still there.
const beatEvery = 100 * time.Millisecond

// Connect returns the script's end of the pipes. It leaves one goroutine that reads from, until that is closed.
func Connect(from io.Reader, to io.Writer) *Child {
	c := &Child{to: to, replies: make(chan reply, 1), turn: make(chan struct{}, 1), gone: make(chan struct{})}
	c.turn <- struct{}{}
	go c.listen(from)
	return c
}

func (c *Child) listen(from io.Reader) {
	defer close(c.gone)
	lines := bufio.NewScanner(from)
	lines.Buffer(make([]byte, 0, 64<<10), maxReply)
	for lines.Scan() {
		var r reply
		if err := json.Unmarshal(lines.Bytes(), &r); err != nil {
			c.why = fmt.Errorf("the holder's answer cannot be read: %w", err)
			return
		}
		select {
		case c.replies <- r:
		default: // nobody asked
		}
	}
	if c.why = lines.Err(); c.why == nil {
		c.why = errors.New("the holder is gone")
	}
}

func (c *Child) send(m message) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if err := write(c.to, m); err != nil {
		return fmt.Errorf("the holder is gone: %w", err)
	}
	return nil
}

// Say shows a text to the person at the terminal.
func (c *Child) Say(text string) error { return c.send(message{Say: &text}) }

// Write is Say for what is printed.
func (c *Child) Write(p []byte) (n int, err error) {
	const most = 64 << 10 // far below what a message may be, once quoted
	for n < len(p) {
		part := p[n:min(len(p), n+most)]
		if n+len(part) < len(p) { // not between the bytes of a character
			for k := len(part); k > len(part)-utf8.UTFMax; k-- {
				if utf8.RuneStart(p[n+k]) {
					part = part[:k]
					break
				}
			}
		}
		if err := c.Say(string(part)); err != nil {
			return n, err
		}
		n += len(part)
	}
	return n, nil
}

// Paper hands a paper over.
func (c *Child) Paper(name string, content []byte) error {
	const most = 256 << 10
	for {
		n := min(len(content), most)
		if err := c.send(message{Page: &Page{name, content[:n], n == len(content)}}); err != nil {
			return err
		}
		if content = content[n:]; len(content) == 0 {
			return nil
		}
	}
}

// Run asks for a programme and waits for what comes of it, saying meanwhile that this process is still here. The end of
// ctx calls the programme off; the record up to then still comes back. The error is a *RefusedError, or says that the
// holder is gone.
func (c *Child) Run(ctx context.Context, ask Ask) (*Answer, error) {
	select {
	case <-c.turn:
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	defer func() { c.turn <- struct{}{} }()
	c.last++
	ask.ID = c.last
	if err := c.send(message{Ask: &ask}); err != nil {
		return nil, err
	}
	beats := time.NewTicker(beatEvery)
	defer beats.Stop()
	over := ctx.Done()
	for {
		var err error
		select {
		case r := <-c.replies:
			if r.ID == ask.ID {
				return unpack(&r)
			}
		case <-beats.C:
			err = c.send(message{Beat: ask.ID})
		case <-over:
			over = nil
			err = c.send(message{Stop: ask.ID})
		case <-c.gone:
			err = c.why
		}
		if err != nil {
			return nil, err
		}
	}
}
