//go:build unix

// Package linetest puts a person of a test at a pseudo-terminal: types, and waits for what is to be seen. It waits for
// text, never for time, so a busy machine only makes it slower.
package linetest

import (
	"os"
	"os/exec"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/creack/pty"
	"github.com/stretchr/testify/require"
)

// Keys that a person presses.
const (
	CtrlA, CtrlC, CtrlD, CtrlR, CtrlZ = "\x01", "\x03", "\x04", "\x12", "\x1a"
	Enter, Tab, Up                    = "\r", "\t", "\x1b[A"
	PasteBegin, PasteEnd              = "\x1b[200~", "\x1b[201~"
)

// patience is long against anything but a program that hangs.
const patience = time.Minute

// A Person sits at the terminal of a program.
type Person struct {
	t   testing.TB
	tty *os.File
	cmd *exec.Cmd

	mu    sync.Mutex
	seen  strings.Builder
	more  chan struct{}
	ended bool
	from  int
}

// Sit starts a program at a terminal of that many columns. Where there are no pseudo-terminals the test is skipped.
func Sit(t testing.TB, cmd *exec.Cmd, columns uint16) *Person {
	t.Helper()
	tty, err := pty.StartWithSize(cmd, &pty.Winsize{Rows: 24, Cols: columns})
	if err != nil {
		t.Skipf("no pseudo-terminal here: %v", err)
	}
	p := &Person{t: t, tty: tty, cmd: cmd, more: make(chan struct{}, 1)}
	go func() {
		b := make([]byte, 4096)
		for {
			n, err := tty.Read(b)
			p.mu.Lock()
			p.seen.Write(b[:n])
			p.ended = err != nil
			p.mu.Unlock()
			select {
			case p.more <- struct{}{}:
			default:
			}
			if err != nil {
				return
			}
		}
	}()
	t.Cleanup(func() {
		_ = cmd.Process.Kill() // it may have ended by itself
		_ = cmd.Wait()
		tty.Close()
	})
	return p
}

// Types sends keys.
func (p *Person) Types(keys string) {
	p.t.Helper()
	_, err := p.tty.WriteString(keys)
	require.NoError(p.t, err)
}

// Sees waits for text that comes after what was seen before.
func (p *Person) Sees(text string) {
	p.t.Helper()
	deadline := time.After(patience)
	for {
		p.mu.Lock()
		rest, ended := p.seen.String()[p.from:], p.ended
		if i := strings.Index(rest, text); i >= 0 {
			p.from += i + len(text)
			p.mu.Unlock()
			return
		}
		p.mu.Unlock()
		if ended {
			p.t.Fatalf("%q does not come; the program has ended after %q", text, rest)
		}
		select {
		case <-p.more:
		case <-deadline:
			p.t.Fatalf("%q does not come; there is %q", text, rest)
		}
	}
}

// Gets waits for an answer and the prompt after it. What is typed before that goes to the terminal, not to the editor.
func (p *Person) Gets(text string) {
	p.t.Helper()
	p.Sees(text)
	p.Sees("> ")
}

// Resizes sets the terminal's width.
func (p *Person) Resizes(columns uint16) {
	p.t.Helper()
	require.NoError(p.t, pty.Setsize(p.tty, &pty.Winsize{Rows: 24, Cols: columns}))
}

// Leaves waits for the program to end and gives its exit code.
func (p *Person) Leaves() int {
	p.t.Helper()
	deadline := time.AfterFunc(patience, func() { _ = p.cmd.Process.Kill() })
	defer deadline.Stop()
	_ = p.cmd.Wait() // the exit code says it
	return p.cmd.ProcessState.ExitCode()
}

// Screen is all that has come so far.
func (p *Person) Screen() string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.seen.String()
}

// Mark returns a place on the screen: Since gives what has come after it.
func (p *Person) Mark() int { return len(p.Screen()) }

// Since returns the text that has come after a mark, without the terminal's escapes.
func (p *Person) Since(mark int) string {
	return strings.ReplaceAll(escapes.ReplaceAllString(p.Screen()[mark:], ""), "\r\n", "\n")
}

var escapes = regexp.MustCompile(`\x1b\[[0-9;?]*[A-Za-z]`)
