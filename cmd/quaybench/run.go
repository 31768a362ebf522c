package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime/debug"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"quaybench/repl"
)

// childCommand is the hidden command that a script's own process runs.
const childCommand = "script-process"

// Limits of a script's process.
const (
	scriptMemory = 2 << 30   // bytes
	scriptStack  = 256 << 20 // bytes
)

func runCommand(sys *system) *cobra.Command {
	var longest string
	cmd := &cobra.Command{
		Use:   "run SCRIPT [BOAT] [ARGUMENTS]",
		Short: "run a script, interpreted, in a process of its own",
		Long: `Runs a script: a folder with main.go, or a .go file. It reaches the tool's packages and a named part of the standard library, no files, network, processes
or environment, and runs in a process of its own with limits on memory and time.`,
		Example: "  quaybench run scripts/staircase petrel\n  quaybench run my-script.go ./petrel/boat.toml --longest \"10 min\"",
		Args:    arguments(1, 100, "SCRIPT"),
		RunE: func(cmd *cobra.Command, args []string) error {
			file, err := scriptFile(args[0])
			if err != nil {
				return input(err)
			}
			seconds, err := parseQuantity("--longest", longest, "s")
			if err != nil {
				return err
			}
			if len(args) == 1 {
				args = append(args, "petrel")
			}
			book, _ := cmd.Flags().GetString("book") // the environment goes along by itself
			return runChild(cmd.Context(), sys, file, book, args[1:], time.Duration(seconds*float64(time.Second)))
		},
	}
	cmd.Flags().StringVar(&longest, "longest", "30 min", "how long the script may run, with its unit")
	return cmd
}

// scriptFile is the file of a script given as a folder or as a file.
func scriptFile(name string) (string, error) {
	info, err := os.Stat(name)
	if err != nil {
		return "", fmt.Errorf("no script %s: give a folder with main.go, or a .go file", name)
	}
	if info.IsDir() {
		name = filepath.Join(name, "main.go")
		if _, err := os.Stat(name); err != nil {
			return "", fmt.Errorf("there is no %s", name)
		}
	}
	return name, nil
}

// runChild runs a script in a process of its own and says in a word what ended it.
func runChild(ctx context.Context, sys *system, file, book string, args []string, longest time.Duration) error {
	self, err := os.Executable()
	if err != nil {
		return fmt.Errorf("the script's process cannot be started: %w", err)
	}
	ctx, cancel := context.WithTimeout(ctx, longest)
	defer cancel()
	own := []string{childCommand, "--", file}
	if book != "" {
		own = append([]string{"--book", book}, own...)
	}
	child := exec.CommandContext(ctx, self, append(own, args...)...)
	child.Cancel = func() error { return child.Process.Signal(os.Interrupt) } // it ends in order; if not, it is killed
	child.WaitDelay = 3 * time.Second
	child.Stdout = sys.Out
	said := &tail{}
	child.Stderr = said
	if err := child.Start(); err != nil {
		return fmt.Errorf("the script's process cannot be started: %w", err)
	}
	stop := make(chan struct{})
	tooBig := watchMemory(child.Process, stop)
	err = child.Wait()
	close(stop)
	big := <-tooBig
	switch {
	case big:
		return input(fmt.Errorf("the script took more than %d MiB of memory and was ended", scriptMemory>>20))
	case errors.Is(ctx.Err(), context.DeadlineExceeded):
		return input(fmt.Errorf("the script ran for more than %s and was ended", longest))
	case ctx.Err() != nil:
		return ctx.Err()
	case err == nil:
		return nil
	}
	text := said.String()
	switch {
	case strings.Contains(text, "stack overflow"), strings.Contains(text, "goroutine stack exceeds"):
		return input(errors.New("the script calls itself without end and was ended"))
	case strings.Contains(text, "out of memory"):
		return input(fmt.Errorf("the script took more than %d MiB of memory and was ended", scriptMemory>>20))
	case panicked.MatchString(text):
		return input(fmt.Errorf("the script panicked: %s", panicked.FindStringSubmatch(text)[1]))
	}
	text = strings.TrimSpace(text)
	if text == "" {
		return fmt.Errorf("the script's process ended: %w", err)
	}
	return input(errors.New(strings.TrimPrefix(text, "quaybench: ")))
}

var panicked = regexp.MustCompile(`(?m)^panic: (.*)$`)

// tail keeps the last of what a process says.
type tail struct{ bytes.Buffer }

func (t *tail) Write(p []byte) (int, error) {
	const most = 64 << 10
	if t.Len() > most {
		return len(p), nil // what comes first says why
	}
	return t.Buffer.Write(p)
}

// watchMemory ends a process that takes too much memory, where the system tells how much it takes.
func watchMemory(p *os.Process, stop <-chan struct{}) <-chan bool {
	done := make(chan bool, 1)
	go func() {
		tick := time.NewTicker(100 * time.Millisecond)
		defer tick.Stop()
		for {
			select {
			case <-stop:
				done <- false
				return
			case <-tick.C:
				if resident(p.Pid) > scriptMemory {
					_ = p.Kill()
					<-stop
					done <- true
					return
				}
			}
		}
	}()
	return done
}

// resident is the memory a process holds, bytes; 0 where the system does not tell. The process itself has a limit too.
func resident(pid int) int64 {
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/statm", pid))
	if err != nil {
		return 0
	}
	fields := strings.Fields(string(text))
	if len(fields) < 2 {
		return 0
	}
	pages, _ := strconv.ParseInt(fields[1], 10, 64)
	return pages * int64(os.Getpagesize())
}

// childProcess is the process that a script runs in.
func childProcess(sys *system) *cobra.Command {
	return &cobra.Command{
		Use: childCommand, Hidden: true, Args: cobra.MinimumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			debug.SetMaxStack(scriptStack)
			debug.SetMemoryLimit(scriptMemory * 3 / 4)
			source, err := os.ReadFile(args[0])
			if err != nil {
				return input(fmt.Errorf("the script cannot be read: %w", err))
			}
			host := scriptHost(cmd, sys)
			host.Args = args[1:]
			host.Save = nil // a script saves nothing
			return input(repl.RunScript(cmd.Context(), args[0], source, host, io.Writer(sys.Out)))
		},
	}
}
