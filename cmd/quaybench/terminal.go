package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"strconv"
	"strings"
	"unicode/utf8"

	"github.com/schollz/progressbar/v3"
	"golang.org/x/term"

	"quaybench/bench/layout"
	"quaybench/bench/report"
	"quaybench/repl"
)

// screen is a terminal.
type screen interface {
	size() (columns, rows int, ok bool)
}

// file is a terminal that the system has as a file.
type file struct{ *os.File }

func (f file) size() (columns, rows int, ok bool) {
	columns, rows, err := term.GetSize(int(f.Fd()))
	return columns, rows, err == nil && columns > 0 && rows > 0
}

// terminal returns the terminal at an end of the command line, nil where it is none.
func terminal(end any) screen {
	if o, ok := end.(*output); ok {
		end = o.Writer
	}
	switch end := end.(type) {
	case screen:
		return end
	case *os.File:
		if term.IsTerminal(int(end.Fd())) {
			return file{end}
		}
	}
	return nil
}

// plainWidth is how wide running text is set where the output is no terminal.
const plainWidth = 100

// columns returns how wide an end of the command line is: a terminal's own width, and elsewhere what COLUMNS asks for, as people
// have it who read through a pager. ok is false where neither says.
func (s *system) columns(end any) (width int, ok bool) {
	if f := terminal(end); f != nil {
		width, _, ok = f.size()
	} else if n, err := strconv.Atoi(s.Getenv("COLUMNS")); err == nil && n > 0 {
		width, ok = n, true
	}
	return max(width, 40), ok
}

// width returns how wide running text is set.
func (s *system) width() int {
	if w, ok := s.columns(s.Out); ok {
		return w
	}
	return plainWidth
}

// tableWidth returns how wide a table may be: without bound where nothing says how wide the output is, so that a row stays a line.
func (s *system) tableWidth() int {
	if w, ok := s.columns(s.Out); ok {
		return w
	}
	if terminal(s.Out) != nil {
		return plainWidth
	}
	return 1 << 20
}

// colour reports whether to colour: only on a terminal, and not with NO_COLOR.
func (s *system) colour() bool {
	return terminal(s.Out) != nil && s.Getenv("NO_COLOR") == "" && s.Getenv("TERM") != "dumb"
}

// say prints something beside the result to standard error: in lines that fit a terminal, and unbroken elsewhere. That a
// context was canceled is said in words.
func (s *system) say(text string) {
	text = strings.ReplaceAll(repl.Shown(text), context.Canceled.Error(), stopError{}.Error())
	width := 1 << 20
	if w, ok := s.columns(s.Err); ok {
		width = w
	}
	setLines(s.Err, text, width)
}

// tell prints sentences of the result, each line of the text broken where it is too wide.
func (s *system) tell(format string, args ...any) {
	setLines(s.Out, strings.TrimSuffix(fmt.Sprintf(format, args...), "\n"), s.width())
}

// setLines writes lines that fit; what a broken line goes on with stands below its beginning.
func setLines(w io.Writer, text string, width int) {
	for line := range strings.SplitSeq(text, "\n") {
		if utf8.RuneCountInString(line) > width {
			rest := strings.TrimLeft(line, " ")
			line = hung(line[:len(line)-len(rest)], rest, width)
		}
		fmt.Fprintln(w, line)
	}
}

// bar shows how far the work is on a terminal's standard error, and nothing elsewhere.
type bar struct{ p *progressbar.ProgressBar }

func newBar(sys *system, what string) *bar {
	if terminal(sys.Err) == nil || sys.Getenv("TERM") == "dumb" {
		return &bar{}
	}
	const counts = 40 // columns of percentage, count and times beside the bar
	width := 30
	if w, ok := sys.columns(sys.Err); ok {
		width = min(width, max(1, w-counts-utf8.RuneCountInString(what)))
	}
	return &bar{progressbar.NewOptions(1, progressbar.OptionSetWriter(sys.Err), progressbar.OptionSetDescription(what),
		progressbar.OptionClearOnFinish(), progressbar.OptionSetWidth(width), progressbar.OptionShowCount())}
}

func (b *bar) show(done, all int) {
	if b.p == nil {
		return
	}
	b.p.ChangeMax(all)
	_ = b.p.Set(done)
}

func (b *bar) done() {
	if b.p != nil {
		_ = b.p.Clear()
	}
}

// screen returns how results are set on this terminal.
func (s *system) screen() report.Screen {
	return report.Screen{Width: s.width(), Table: s.tableWidth(), Colour: s.colour()}
}

// wrapped returns text in lines that fit.
func wrapped(text string, width int) string { return layout.Wrap(text, width) }

// hung sets text behind a prefix, with all further lines below its beginning.
func hung(prefix, text string, width int) string { return layout.Hang(prefix, text, width) }
