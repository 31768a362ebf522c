package main

import (
	"os"
	"regexp"
	"strings"

	"github.com/schollz/progressbar/v3"
	"golang.org/x/term"
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

// width is how wide the terminal is.
func (s *system) width() int {
	if f := terminal(s.Out); f != nil {
		if w, _, ok := f.size(); ok {
			return max(w, 40)
		}
	}
	return plainWidth
}

// tableWidth is how wide a table may be: without bound where the output is no terminal, so that a row stays a line.
func (s *system) tableWidth() int {
	if terminal(s.Out) == nil {
		return 1 << 20
	}
	return s.width()
}

// colour says whether to colour: only on a terminal, and not with NO_COLOR.
func (s *system) colour() bool {
	return terminal(s.Out) != nil && s.Getenv("NO_COLOR") == "" && s.Getenv("TERM") != "dumb"
}

// bar shows how far the work is on a terminal's standard error, and nothing elsewhere.
type bar struct{ p *progressbar.ProgressBar }

func newBar(sys *system, what string) *bar {
	if terminal(sys.Err) == nil || sys.Getenv("TERM") == "dumb" {
		return &bar{}
	}
	return &bar{progressbar.NewOptions(1, progressbar.OptionSetWriter(sys.Err), progressbar.OptionSetDescription(what),
		progressbar.OptionClearOnFinish(), progressbar.OptionSetWidth(30), progressbar.OptionShowCount())}
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

// wrapped breaks text into lines that fit.
func wrapped(text string, width int) string { return hung("", text, width) }

// hung sets text behind a prefix, with all further lines below its beginning. A number stays on a line with its unit.
func hung(prefix, text string, width int) string {
	left := strings.Repeat(" ", visible(prefix))
	line, started := prefix, false
	var lines []string
	for _, word := range glued(strings.Fields(text)) {
		if started && visible(line)+1+visible(word) > width {
			lines = append(lines, line)
			line, started = left, false
		}
		if started {
			line += " "
		}
		line, started = line+word, true
	}
	return strings.Join(append(lines, line), "\n")
}

// glued joins numbers with the short word after them.
func glued(words []string) (out []string) {
	for i, word := range words {
		if i > 0 && number.MatchString(words[i-1]) && visible(word) <= 4 {
			out[len(out)-1] += " " + word
		} else {
			out = append(out, word)
		}
	}
	return out
}

var number = regexp.MustCompile(`^(±|[-+]?[0-9.]+)$`)
