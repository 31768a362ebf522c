package main

import (
	"os"
	"strings"

	"github.com/schollz/progressbar/v3"
	"golang.org/x/term"
)

// width is how wide the terminal is; 100 where the output is none.
func (s *system) width() int {
	if f, ok := s.Out.(*os.File); ok {
		if w, _, err := term.GetSize(int(f.Fd())); err == nil && w > 20 {
			return w
		}
	}
	return 100
}

// colour says whether to colour: only on a terminal, and not with NO_COLOR.
func (s *system) colour() bool {
	f, ok := s.Out.(*os.File)
	return ok && term.IsTerminal(int(f.Fd())) && s.Getenv("NO_COLOR") == "" && s.Getenv("TERM") != "dumb"
}

// bar shows progress on a terminal's standard error, and nothing elsewhere.
type bar struct{ p *progressbar.ProgressBar }

func newBar(sys *system, what string) *bar {
	f, ok := sys.Err.(*os.File)
	if !ok || !term.IsTerminal(int(f.Fd())) {
		return &bar{}
	}
	return &bar{progressbar.NewOptions(1, progressbar.OptionSetWriter(f), progressbar.OptionSetDescription(what),
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
func wrapped(text string, width int) string {
	var lines []string
	line := ""
	for _, word := range strings.Fields(text) {
		switch {
		case line == "":
			line = word
		case len([]rune(line))+1+len([]rune(word)) > width:
			lines = append(lines, line)
			line = word
		default:
			line += " " + word
		}
	}
	return strings.Join(append(lines, line), "\n")
}

// terminal says whether the output is one.
func (s *system) terminal() bool {
	f, ok := s.Out.(*os.File)
	return ok && term.IsTerminal(int(f.Fd()))
}
