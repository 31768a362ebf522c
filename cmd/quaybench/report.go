package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"github.com/google/renameio/v2/maybe"
	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"quaybench/bench"
	"quaybench/bench/report"
	"quaybench/bench/settings"
	"quaybench/profiles"
)

// paperFlags are the flags that put a result on paper.
type paperFlags struct{ report, plot string }

func (f *paperFlags) add(cmd *cobra.Command) {
	cmd.Flags().StringVar(&f.report, "report", "", "write a report with charts to this `FILE`: .html (one file, no network) or .pdf")
	cmd.Flags().StringVar(&f.plot, "plot", "", "write the charts to this `FILE`: .svg or .png")
}

// check refuses, before the work, what could not be written after it.
func (f *paperFlags) check() error {
	for _, k := range []struct {
		flag, name string
		endings    []string
	}{{"--report", f.report, []string{".html", ".pdf"}}, {"--plot", f.plot, []string{".svg", ".png"}}} {
		if k.name == "" {
			continue
		}
		ending := strings.ToLower(filepath.Ext(k.name))
		if ending != k.endings[0] && ending != k.endings[1] {
			return input(fmt.Errorf("%s: the kind of file is told by its ending, %s or %s; %s has neither", k.flag, k.endings[0], k.endings[1], k.name))
		}
		if info, err := os.Stat(k.name); err == nil && info.IsDir() {
			return input(fmt.Errorf("%s: %s is a folder; name a file in it", k.flag, k.name))
		}
		probe, err := os.CreateTemp(filepath.Dir(k.name), ".quaybench-*")
		if err != nil {
			return input(unwrittenPaper(k.flag, k.name, err))
		}
		if err := errors.Join(probe.Close(), os.Remove(probe.Name())); err != nil {
			return input(unwrittenPaper(k.flag, k.name, err))
		}
	}
	return nil
}

func unwrittenPaper(flag, name string, err error) error {
	var path *os.PathError
	if errors.As(err, &path) {
		err = path.Err // the name is the temporary file's
	}
	return fmt.Errorf("%s: %s cannot be written: %w", flag, name, err)
}

// wanted says whether anything is to be put on paper.
func (f *paperFlags) wanted() bool { return f.report != "" || f.plot != "" }

// write puts a result on paper; each file is written whole or not at all. quiet says nothing about it.
func (f *paperFlags) write(ctx context.Context, sys *system, setup *bench.Setup, proposal *settings.Set, result report.Result, quiet bool) error {
	if !f.wanted() {
		return nil
	}
	p := paperOf(setup, proposal, result)
	p.Made.When = sys.Clock.Now()
	fromShelf(ctx, p, sys, setup)
	if sys.called != nil {
		p.Made.Command = commandLine(sys.called)
		p.Made.Extra = append(p.Made.Extra, fileHashes(sys.called)...)
	}
	sheet := p.Sheet()
	put := func(flag, name string, html, other func(io.Writer) error) error {
		if name == "" {
			return nil
		}
		draw := html
		if ending := strings.ToLower(filepath.Ext(name)); ending == ".pdf" || ending == ".png" {
			draw = other
		}
		var out bytes.Buffer
		if err := draw(&out); err != nil {
			return fmt.Errorf("%s: %w", flag, err)
		}
		if err := maybe.WriteFile(name, out.Bytes(), 0o644); err != nil {
			return unwrittenPaper(flag, name, err)
		}
		if !quiet {
			fmt.Fprintln(sys.Out, "wrote", name)
		}
		return nil
	}
	return errors.Join(put("--report", f.report, p.HTML, p.PDF), put("--plot", f.plot, sheet.SVG, sheet.PNG))
}

// commandLine is the command as it was called, in a form that a shell takes again. What names the files of the paper
// itself is left in: it changes no figure.
func commandLine(cmd *cobra.Command) string {
	words := strings.Fields(cmd.CommandPath())
	for _, a := range cmd.Flags().Args() {
		words = append(words, quoted(a))
	}
	cmd.Flags().Visit(func(f *pflag.Flag) {
		values := []string{f.Value.String()}
		if list, ok := f.Value.(pflag.SliceValue); ok {
			values = list.GetSlice()
		}
		for _, v := range values {
			if f.Value.Type() == "bool" {
				words = append(words, "--"+f.Name+strings.TrimSuffix("="+v, "=true"))
				continue
			}
			words = append(words, "--"+f.Name, quoted(v))
		}
	})
	return strings.Join(words, " ")
}

// quoted puts what a shell would take apart between quotes.
func quoted(word string) string {
	if word != "" && strings.IndexFunc(word, func(r rune) bool {
		return !(r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || strings.ContainsRune("-_./=:,@+", r))
	}) < 0 {
		return word
	}
	return "'" + strings.ReplaceAll(word, "'", `'\''`) + "'"
}

// fileHashes identifies the files that flags name: trials, a register map, a logger's columns.
func fileHashes(cmd *cobra.Command) (out [][2]string) {
	for _, flag := range []string{"trial", "script", "map", "columns"} {
		f := cmd.Flag(flag)
		if f == nil || !f.Changed {
			continue
		}
		names := []string{f.Value.String()}
		if list, ok := f.Value.(pflag.SliceValue); ok {
			names = list.GetSlice()
		}
		for _, name := range names {
			if text, err := os.ReadFile(name); err == nil { // else it is built in
				out = append(out, [2]string{name + ", SHA-256", string(profiles.HashOf(text))})
			}
		}
	}
	return out
}

// printedTip is how many digits of a tip are printed: more than anybody can forge by trying.
const printedTip = 32

// fromShelf fills in what the book says of a boat: the version that its files continue, and the one that was approved last or
// why there is none.
func fromShelf(ctx context.Context, p *report.Paper, sys *system, setup *bench.Setup) {
	dir, err := bookDir(sys)
	folder, name := filepath.Split(filepath.Dir(setup.BoatFile))
	if err != nil || filepath.Clean(folder) != filepath.Clean(dir) {
		p.NoApproval = "The boat is not from the book, so there is no approved version to compare with."
		return
	}
	book, err := openBook(sys)
	if err != nil {
		p.NoApproval = "The book cannot be read: " + err.Error()
		return
	}
	list, err := book.List(ctx, name)
	if err != nil {
		p.NoApproval = "The boat's versions cannot be read: " + err.Error()
		return
	}
	if w := list.Working; w.Continues != "" {
		text := "version " + w.Continues.Short()
		if w.BoatChanged || w.SettingsChanged {
			text += ", changed since"
		}
		p.Made.Extra = append(p.Made.Extra, [2]string{"the files in the book are", text})
	}
	for _, tip := range list.Tips {
		p.Made.Extra = append(p.Made.Extra, [2]string{"tip of the book, for profile verify --tip", string(tip[:printedTip])})
	}
	entry, mark := list.Last(profiles.MarkApproval)
	if entry == nil {
		p.NoApproval = "No version of this boat's profile has been approved yet."
		return
	}
	whole, err := book.Show(ctx, name, string(entry.Hash))
	if err != nil {
		p.NoApproval = "The approved version cannot be read: " + err.Error()
		return
	}
	set, _, err := settings.Read(bench.SettingsFile, []byte(whole.Settings))
	if err != nil {
		p.NoApproval = "The approved version's settings cannot be read by today's rules: " + err.Error()
		return
	}
	p.Approved = &report.Approved{
		Settings: set, Version: fmt.Sprintf("v%d (%s)", entry.Number, entry.Hash.Short()), By: mark.Author, When: mark.Time, Despite: mark.Despite,
	}
}
