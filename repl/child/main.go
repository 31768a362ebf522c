package child

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"runtime/debug"
	"strings"
	"syscall"

	"quaybench/repl/interp"
)

// Main does nothing in an ordinary process. In one that Run started it reads
// the job, runs it and ends the process; so a program that uses Run calls Main
// first of all. from and to are the pipes to the caller; the context ends when
// the caller hangs up.
func Main(run func(ctx context.Context, job Job, from io.Reader, to io.Writer) error) {
	if len(os.Args) != 2 || os.Args[1] != argument {
		return
	}
	os.Exit(serve(run))
}

func serve(run func(context.Context, Job, io.Reader, io.Writer) error) (code int) {
	// The caller decides what Ctrl-C, Ctrl-\ and a hang-up mean; they reach all processes of the terminal.
	signal.Ignore(os.Interrupt, syscall.SIGHUP, syscall.SIGQUIT)
	in := bufio.NewReader(os.Stdin)
	line, err := in.ReadBytes('\n')
	if err != nil {
		return say(report{Stopped, "the script was stopped before it began"})
	}
	var job Job
	if err := json.Unmarshal(line, &job); err != nil {
		return say(report{Crashed, fmt.Sprintf("the script's process did not understand its job: %v", err)})
	}
	l := job.Limits.complete()
	debug.SetMaxStack(int(2 * l.Stack))
	debug.SetMemoryLimit(int64(l.Memory + l.Memory/4))
	if err := restrict(l); err != nil {
		return say(report{Crashed, fmt.Sprintf("the script's process could not set its limits: %v", err)})
	}
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	from, answers := io.Pipe()
	go func() {
		_, _ = io.Copy(answers, in) // ends when the caller hangs up
		cancel()
		_ = answers.Close()
	}()
	defer func() {
		// A panic of the tool's own; the script's are errors by now.
		if p := recover(); p != nil {
			fmt.Fprintf(os.Stderr, "panic: %v\n%s\n", p, debug.Stack())
			code = 2
		}
	}()
	return say(reportOf(run(ctx, job, from, os.Stdout), l))
}

// reportOf returns how a run ended.
func reportOf(err error, l Limits) report {
	var limit *interp.LimitError
	switch {
	case err == nil:
		return report{}
	case errors.As(err, &limit) && limit.What == "stack":
		return report{Stack, StackText(limit.Limit)}
	case errors.As(err, &limit) && limit.What == "memory":
		return report{Memory, MemoryText(limit.Limit)}
	case errors.As(err, &limit):
		return report{Stack, "the script was " + limit.Error()}
	case errors.Is(err, interp.ErrStopped), errors.Is(err, context.Canceled):
		return report{Stopped, "the script was stopped"}
	}
	reason := Failed
	if blank := new(interface{ NotJudged() }); errors.As(err, blank) {
		reason = Blank
	}
	return report{reason, strings.TrimSpace(err.Error())}
}

// say writes the report and gives the exit code.
func say(r report) int {
	data, err := json.Marshal(r)
	if err != nil {
		data = []byte("{}")
	}
	_, _ = os.Stderr.WriteString(mark + string(data))
	if r.Reason != "" {
		return 1
	}
	return 0
}
