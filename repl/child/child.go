// Package child runs scripts in a process of their own, so that endless
// recursion, endless memory or a panic nobody can catch ends that process and
// nothing else, with one clear sentence.
//
// The process is the same program, started again with an argument only this
// package uses: its main function calls [Main] before anything else. The job
// comes over the child's standard input, and what the caller answers to the
// child after it. When that input ends, because the caller wants the script to
// stop or because the caller itself is gone, the child's context ends.
package child

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"strings"
	"sync"
	"sync/atomic"
	"time"
)

// A Job is a script to run.
type Job struct {
	// Name of the script, for messages.
	Name   string
	Source string
	Args   []string
	// Data is for the function given to Main; this package does not look at it.
	Data   []byte
	Limits Limits
}

// Limits of a child. A zero field means that of defaultLimits.
type Limits struct {
	// Memory in bytes that the script's values may take, and Stack in bytes
	// that its calls may take. The function given to Main should watch both
	// (interp.Config does). Behind it stand limits of the system and of Go's
	// runtime that are somewhat larger.
	Memory, Stack uint64
	// CPU is the processor time and Wall the time on the clock. A script that
	// runs a step test may wait for minutes and compute for seconds.
	CPU, Wall time.Duration
	// Grace is how long the child may take to end once it is told to stop.
	// Then it is killed.
	Grace time.Duration
}

// defaultLimits are generous for what one script of the tool does.
var defaultLimits = Limits{
	Memory: 2 << 30,
	Stack:  256 << 20,
	CPU:    30 * time.Minute,
	Wall:   6 * time.Hour,
	Grace:  20 * time.Second,
}

func (l Limits) complete() Limits {
	if l.Memory == 0 {
		l.Memory = defaultLimits.Memory
	}
	if l.Stack == 0 {
		l.Stack = defaultLimits.Stack
	}
	if l.CPU == 0 {
		l.CPU = defaultLimits.CPU
	}
	if l.Wall == 0 {
		l.Wall = defaultLimits.Wall
	}
	if l.Grace == 0 {
		l.Grace = defaultLimits.Grace
	}
	return l
}

// A Reason is why a script did not end well.
type Reason string

// Reasons.
const (
	Failed  Reason = "failed"  // an error of the script itself; Text says which
	Blank   Reason = "blank"   // the same, where the error has a method NotJudged: there is no verdict
	Stopped Reason = "stopped" // the caller's context ended
	Memory  Reason = "memory"
	Stack   Reason = "stack"
	CPU     Reason = "cpu"
	Wall    Reason = "wall"
	Crashed Reason = "crashed" // anything else that ended the process
)

// An Error says in one sentence why a script did not end well.
type Error struct {
	Reason Reason
	Text   string
	// Diagnostic is what the process left behind when it crashed. It is for a
	// bug report, not for a person to read.
	Diagnostic string
	cause      error
}

func (e *Error) Error() string { return e.Text }

// Unwrap returns the cause of the context that stopped the script, if one did.
func (e *Error) Unwrap() error { return e.cause }

// argument marks a process as a child.
const argument = "-run-as-child-of-this-program"

// report is what a child says at its end, on its standard error behind mark.
type report struct {
	Reason Reason `json:",omitempty"`
	Text   string `json:",omitempty"`
}

const mark = "\x00child report: "

var errWall = errors.New("the time is over")

// Run runs a job in a child and waits for its end. The child is spoken with by talk, over the two pipes to it, until it ends
// its side; the context of talk ends with the time the job has. An error of talk ends the child, and is the error of Run unless
// the child had ended before, and said why. Any other error is an *Error, unless the child could not be started.
func Run(ctx context.Context, job Job, talk func(ctx context.Context, from io.Reader, to io.Writer) error) error {
	job.Limits = job.Limits.complete()
	data, err := json.Marshal(job)
	if err != nil {
		return fmt.Errorf("handing the script over: %w", err)
	}
	self, err := os.Executable()
	if err != nil {
		return fmt.Errorf("starting a process for the script: %w", err)
	}
	ctx, cancel := context.WithTimeoutCause(ctx, job.Limits.Wall, errWall)
	defer cancel()
	own, end := context.WithCancel(ctx)
	defer end()

	cmd := exec.CommandContext(own, self, argument)
	cmd.Env = environment()
	var left tail
	cmd.Stderr = &left
	in, err := cmd.StdinPipe()
	if err != nil {
		return fmt.Errorf("starting a process for the script: %w", err)
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		return fmt.Errorf("starting a process for the script: %w", err)
	}
	cmd.Cancel = in.Close // hangs up; if that does not end it, it is killed
	cmd.WaitDelay = job.Limits.Grace
	if err := cmd.Start(); err != nil {
		return fmt.Errorf("starting a process for the script: %w", err)
	}
	// A child that crashes at once does not read its job.
	_, _ = in.Write(append(data, '\n'))
	pipe := &ending{Reader: out}
	wrong := talk(ctx, pipe, in)
	alive := !pipe.ended.Load()
	if wrong != nil {
		kill := time.AfterFunc(lastWords, func() { _ = cmd.Process.Kill() })
		defer kill.Stop()
	}
	end()
	died := explain(ctx, job.Limits, cmd.Wait(), left.String())
	switch {
	case wrong != nil && alive && ctx.Err() != nil:
		return stoppedError(ctx, job.Limits)
	case wrong != nil && (alive || died == nil): // what it died of now is that it was hung up on
		return wrong
	case died != nil:
		return died
	}
	return nil
}

// ending reports whether a reader has come to its end.
type ending struct {
	io.Reader
	ended atomic.Bool
}

func (e *ending) Read(p []byte) (int, error) {
	n, err := e.Reader.Read(p)
	if err != nil {
		e.ended.Store(true)
	}
	return n, err
}

// lastWords is how long a child that is out of order may take to say what it died of.
const lastWords = time.Second

// environment returns the caller's without the interpreter's own switches, one of
// which starts a program.
func environment() []string {
	var env []string
	for _, e := range os.Environ() {
		if !strings.HasPrefix(e, "YAEGI_") && !strings.HasPrefix(e, "GOTRACEBACK=") {
			env = append(env, e)
		}
	}
	return append(env, "GOTRACEBACK=none")
}

// explain returns one sentence of how a child ended.
func explain(ctx context.Context, l Limits, waited error, left string) *Error {
	if _, text, ok := strings.Cut(left, mark); ok {
		var r report
		if err := json.Unmarshal([]byte(text), &r); err == nil {
			switch {
			case r.Reason == "":
				return nil
			case ctx.Err() != nil && r.Reason == Stopped:
				return stoppedError(ctx, l)
			}
			return &Error{Reason: r.Reason, Text: r.Text}
		}
	}
	if ctx.Err() != nil {
		return stoppedError(ctx, l)
	}
	for _, c := range crashes {
		if strings.Contains(left, c.sign) {
			return &Error{Reason: c.reason, Text: c.text(l), Diagnostic: left}
		}
	}
	text := "the script's process ended without a word"
	var exit *exec.ExitError
	if errors.As(waited, &exit) {
		if exit.SystemTime()+exit.UserTime() >= l.CPU {
			return &Error{Reason: CPU, Text: cpuText(l.CPU), Diagnostic: left}
		}
		text = fmt.Sprintf("the script's process was ended by the system (%s)", exit.ProcessState)
	}
	return &Error{Reason: Crashed, Text: text, Diagnostic: left}
}

func stoppedError(ctx context.Context, l Limits) *Error {
	cause := context.Cause(ctx)
	if errors.Is(cause, errWall) {
		return &Error{Reason: Wall, Text: fmt.Sprintf("the script was stopped: it ran longer than %v", l.Wall)}
	}
	return &Error{Reason: Stopped, Text: "the script was stopped", cause: cause}
}

// crashes are the last words of Go's runtime, and what they mean to a person.
var crashes = []struct {
	sign   string
	reason Reason
	text   func(Limits) string
}{
	{"stack overflow", Stack, func(l Limits) string { return StackText(l.Stack) }},
	{"stack exceeds", Stack, func(l Limits) string { return StackText(l.Stack) }},
	{"out of memory", Memory, func(l Limits) string { return MemoryText(l.Memory) }},
	{"cannot allocate memory", Memory, func(l Limits) string { return MemoryText(l.Memory) }},
	{"SIGXCPU", CPU, func(l Limits) string { return cpuText(l.CPU) }},
	{"all goroutines are asleep", Failed, func(Limits) string {
		return "the script was stopped: each of its goroutines waits for another"
	}},
	{"concurrent map", Failed, func(Limits) string {
		return "the script was stopped: two of its goroutines used a map at the same time"
	}},
	{"panic: ", Crashed, func(Limits) string {
		return "the script was stopped by a fault in the tool itself, which should be reported"
	}},
	{"fatal error: ", Crashed, func(Limits) string {
		return "the script was stopped by a fault in the tool itself, which should be reported"
	}},
}

// StackText and MemoryText say which limit a script went beyond.
func StackText(limit uint64) string {
	return fmt.Sprintf("the script was stopped: calls within calls took more than %d MB; does a function call itself, or start goroutines, without end?", limit>>20)
}

// MemoryText: see StackText.
func MemoryText(limit uint64) string {
	return fmt.Sprintf("the script was stopped: it used more than %d MB of memory", limit>>20)
}

func cpuText(limit time.Duration) string {
	return fmt.Sprintf("the script was stopped: it took more than %v of processor time", limit)
}

// A tail keeps the first and the last of what is written to it.
type tail struct {
	mu          sync.Mutex
	first, last bytes.Buffer
}

const tailSize = 64 << 10

func (t *tail) Write(p []byte) (int, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	n := len(p)
	if room := tailSize - t.first.Len(); room > 0 {
		k := min(room, len(p))
		t.first.Write(p[:k])
		p = p[k:]
	}
	t.last.Write(p)
	if over := t.last.Len() - tailSize; over > 0 {
		t.last.Next(over)
	}
	return n, nil
}

func (t *tail) String() string {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.first.String() + t.last.String()
}
