package main

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"time"

	"github.com/rogpeppe/go-internal/diff"

	"quaybench/repl"
	"quaybench/repl/check"
	"quaybench/repl/child"
)

// compiler compiles a script and compares what it does with what it did interpreted. Compiled, nothing holds it back.
type compiler struct {
	*script
	gotool, version string // the Go toolchain
	module          string // folder of the tool's source, against which the script is compiled
}

// mostPrinted is what a compiled script may print, in bytes.
const mostPrinted = 64 << 20

// findCompiler finds a Go toolchain and the tool's source: that around the script, or around the present folder.
func (s *script) findCompiler(ctx context.Context) (*compiler, error) {
	gotool, err := exec.LookPath("go")
	if err != nil {
		return nil, errors.New("no Go toolchain here to compile the script with: install Go, or leave out --compare")
	}
	c := &compiler{script: s, gotool: gotool}
	for _, dir := range []string{filepath.Dir(s.file), "."} {
		c.module = dir
		list, err := c.tool(ctx, "list", "-m", "-f", "{{.Path}}\t{{.Dir}}\t{{.GoVersion}}")
		if err != nil {
			continue
		}
		for line := range strings.Lines(list) {
			if words := strings.Split(strings.TrimSpace(line), "\t"); len(words) == 3 && words[0] == "quaybench" {
				c.module = words[1]
				if c.version, err = c.tool(ctx, "env", "GOVERSION"); err == nil {
					c.version = strings.TrimSpace(c.version)
				}
				return c, err
			}
		}
	}
	return nil, errors.New("the source of quaybench is not here, against which a script compiles: run this in its folder, or leave out --compare")
}

// tool runs the Go toolchain in the folder of the module. It fetches nothing.
func (c *compiler) tool(ctx context.Context, args ...string) (string, error) {
	cmd := exec.CommandContext(ctx, c.gotool, args...)
	cmd.Dir, cmd.WaitDelay = c.module, time.Second
	cmd.Env = append(os.Environ(), "GOPROXY=off", "GOTOOLCHAIN=local")
	var wrong strings.Builder
	cmd.Stderr = &wrong
	out, err := cmd.Output()
	if err != nil {
		err = errors.New(cmp.Or(strings.TrimSpace(wrong.String()), err.Error()))
	}
	return string(out), err
}

// trust asks the person whether the script may run without walls.
func (c *compiler) trust(ctx context.Context, given bool) error {
	if given {
		return nil
	}
	keys := newKeyboard(c.sys)
	if !keys.person() {
		return input(errors.New("compiled, a script reaches every file, program and network that you do: say that you trust it by --i-trust-this-script, or at a terminal"))
	}
	c.sys.say("Compiled, this script reaches every file, program and network that you do.")
	return keys.confirm(ctx, "trust", "if you know what is in it and it may")
}

// compare runs the script compiled, and reports what it did otherwise than interpreted: printed is what it printed, ended how it ended.
func (c *compiler) compare(ctx context.Context, printed string, ended error) error {
	var script *child.Error
	if ended != nil && !(errors.As(ended, &script) && (script.Reason == child.Failed || script.Reason == child.Blank)) {
		return ended // by somebody else's doing
	}
	dir, err := os.MkdirTemp("", "quaybench-compiled-")
	if err != nil {
		return fmt.Errorf("compiling the script: %w", err)
	}
	defer os.RemoveAll(dir)
	program := filepath.Join(dir, "script")
	build := []string{"build", "-o", program}
	for _, name := range append([]check.Source{{Name: c.file}}, c.more...) {
		full, err := filepath.Abs(name.Name)
		if err != nil {
			return err
		}
		build = append(build, full)
	}
	if terminal(c.sys.Err) != nil {
		c.sys.say("compiling it with " + c.version)
	}
	if _, err := c.tool(ctx, build...); err != nil {
		if ctx.Err() != nil {
			return stopError{ctx.Err()}
		}
		return fmt.Errorf("the script does not compile with %s: %w", c.version, err)
	}
	boat, err := c.boatFolder(dir)
	if err != nil {
		return err
	}
	out, end, err := c.runProgram(ctx, program, boat)
	if err != nil {
		return err
	}
	before := ""
	if script != nil {
		before = script.Text
	}
	var differs strings.Builder
	differs.Write(diff.Diff("interpreted", []byte(printed), "compiled", []byte(out)))
	if a, b := ending(before), ending(end); a != b && !(strings.HasPrefix(a, "with: panic: ") && strings.HasPrefix(b, a)) { // without the numbers of an index
		fmt.Fprintf(&differs, "interpreted it ended %s\ncompiled it ended %s\n", cmp.Or(a, "well"), cmp.Or(b, "well"))
	}
	if differs.Len() > 0 {
		return fmt.Errorf("the script does not do the same compiled by %s against %s; times, random numbers and the order of a map differ from run to run\n%s", c.version, c.module, strings.TrimRight(differs.String(), "\n"))
	}
	c.sys.say(fmt.Sprintf("compiled by %s it prints the same", c.version))
	return ended
}

// boatFolder returns what the compiled script is given as its boat: a demo boat has to lie in files.
func (c *compiler) boatFolder(dir string) (string, error) {
	if isPath(c.boat) {
		return c.boat, nil
	}
	if book, err := bookDir(c.sys); err == nil && hasBoat(book, c.boat) {
		return filepath.Join(book, c.boat), nil
	}
	demo, err := fs.Sub(demoBook(), c.boat)
	if err != nil {
		return "", err
	}
	dir = filepath.Join(dir, c.boat)
	return dir, os.CopyFS(dir, demo)
}

// runProgram runs the compiled script and returns what it prints, and what it says where it fails.
func (c *compiler) runProgram(ctx context.Context, program, boat string) (out, end string, err error) {
	limited, cancel := context.WithTimeoutCause(ctx, c.longest, fmt.Errorf("compiled, the script took longer than %v", c.longest))
	defer cancel()
	limited, enough := context.WithCancelCause(limited)
	defer enough(nil)
	cmd := exec.CommandContext(limited, program, append([]string{boat}, c.args...)...)
	cmd.WaitDelay = time.Second
	var printed bounded
	printed.full = func() { enough(fmt.Errorf("compiled, the script printed more than %d MB", mostPrinted>>20)) }
	var wrong strings.Builder
	cmd.Stdout, cmd.Stderr = &printed, &wrong
	err = cmd.Run()
	switch exit := new(exec.ExitError); {
	case ctx.Err() != nil:
		return "", "", stopError{ctx.Err()}
	case limited.Err() != nil:
		return "", "", context.Cause(limited)
	case errors.As(err, &exit):
		return repl.Shown(printed.String()), cmp.Or(repl.Shown(strings.TrimSpace(wrong.String())), exit.Error()), nil
	}
	return repl.Shown(printed.String()), "", err
}

// bounded takes what a program prints, up to a limit.
type bounded struct {
	bytes.Buffer
	full func()
}

func (b *bounded) Write(p []byte) (int, error) {
	if b.Len()+len(p) > mostPrinted {
		b.full()
	}
	return b.Buffer.Write(p)
}

// ending returns in one line how a script ended: "" well, a panic without its places.
func ending(text string) string {
	if text == "" {
		return ""
	}
	if _, panicked, ok := strings.Cut(text, "panic: "); ok {
		text = "panic: " + strings.TrimPrefix(panicked, "runtime error: ")
	}
	text, _, _ = strings.Cut(text, "\n")
	return "with: " + strings.TrimSpace(text)
}
