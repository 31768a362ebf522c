package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"quaybench/bench"
	"quaybench/bench/datafile"
	"quaybench/bench/report"
	"quaybench/bench/settings"
	"quaybench/bench/verdict"
	"quaybench/profiles"
)

// paperFlags are the flags that put a result on paper.
type paperFlags struct {
	report, plot string
	tables       bool // the results have no charts, so that there is no --plot
	force        forceFlag
	out          io.Writer // the standard output, where a paper goes there
}

func (f *paperFlags) add(cmd *cobra.Command) {
	cmd.Flags().StringVar(&f.report, "report", "", "write a report to this `FILE`: .html (one file, no network) or .pdf; - is the standard output (HTML)")
	if !f.tables {
		cmd.Flags().StringVar(&f.plot, "plot", "", "write the charts to this `FILE`: .svg or .png; - is the standard output (SVG)")
	}
	f.force = forced(cmd)
}

// check refuses, before the work, what could not be written after it, and keeps the standard output free for a paper that goes
// there.
func (f *paperFlags) check(sys *system, asJSON bool) error {
	for _, name := range []string{f.report, f.plot} {
		if name == standardOutput {
			out, err := takeOutput(sys, asJSON)
			if err != nil {
				return err
			}
			f.out = out
		}
	}
	for _, k := range []struct {
		flag, name string
		endings    []string
	}{{"--report", f.report, []string{".html", ".pdf"}}, {"--plot", f.plot, []string{".svg", ".png"}}} {
		if k.name == "" || k.name == standardOutput {
			continue
		}
		ending := strings.ToLower(filepath.Ext(k.name))
		if ending != k.endings[0] && ending != k.endings[1] {
			return input(fmt.Errorf("%s: the kind of file is told by its ending, %s or %s; %s has neither", k.flag, k.endings[0], k.endings[1], k.name))
		}
		if err := readyToWrite(k.flag, k.name, f.force.given()); err != nil {
			return err
		}
	}
	return nil
}

// wanted reports whether anything is to be put on paper.
func (f *paperFlags) wanted() bool { return f.report != "" || f.plot != "" }

// write writes a result's report; each file is written whole or not at all. quiet says nothing about it.
func (f *paperFlags) write(ctx context.Context, sys *system, setup *bench.Setup, proposal *settings.Set, result report.Result, quiet bool) error {
	if !f.wanted() {
		return nil
	}
	p := paperOf(setup, proposal, result)
	complete(ctx, p, sys, setup)
	if sys.called != nil {
		p.Made.Command = commandLine(sys.called)
		p.Made.Extra = append(p.Made.Extra, fileHashes(sys.called)...)
	}
	var wrong []error
	for _, d := range drawings(p, f.report, f.plot) {
		wrong = append(wrong, f.put(sys, d.flag, d.name, d.draw, quiet))
	}
	return errors.Join(wrong...)
}

// complete fills in what only the command line knows.
func complete(ctx context.Context, p *report.Paper, sys *system, setup *bench.Setup) {
	p.Made.When = sys.Clock.Now()
	fromShelf(ctx, p, sys, setup)
}

// A drawing is a paper in the form that its file's ending asks for.
type drawing struct {
	flag, name string
	draw       func(io.Writer) error
}

// drawings returns those of the two flags that are given.
func drawings(p *report.Paper, onReport, onPlot string) (out []drawing) {
	sheet := p.Sheet()
	svg, png := sheet.SVG, sheet.PNG
	if len(sheet.Figures) == 0 {
		none := func(io.Writer) error {
			return errors.New("this result is tables, without a chart: --report writes them")
		}
		svg, png = none, none
	}
	for _, d := range []struct {
		flag, name  string
		html, other func(io.Writer) error
	}{{"--report", onReport, p.HTML, p.PDF}, {"--plot", onPlot, svg, png}} {
		switch strings.ToLower(filepath.Ext(d.name)) {
		case ".pdf", ".png":
			d.html = d.other
		}
		if d.name != "" {
			out = append(out, drawing{d.flag, d.name, d.html})
		}
	}
	return out
}

// put writes one file.
func (f *paperFlags) put(sys *system, flag, name string, draw func(io.Writer) error, quiet bool) error {
	if err := writeWhole(f.out, name, f.force.given(), draw); err != nil {
		return fmt.Errorf("%s: %w", flag, err)
	}
	if !quiet && name != standardOutput {
		fmt.Fprintln(sys.Out, "wrote", name)
	}
	return nil
}

// commandLine returns the command as it was called, in a form that a shell takes again. What names the files of the paper
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

// quoted returns a word in quotes where a shell would split it.
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
			if text, err := datafile.ReadFile(name, profiles.LargestKept); err == nil { // else it is built in
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
	if i := slices.IndexFunc(list.Problems, func(p profiles.Problem) bool { return p.Hurt }); i >= 0 {
		// What is damaged or gone may be the newest version or its approval.
		p.NoApproval = "The book is hurt, so that it cannot be told which version was approved last: " + list.Problems[i].String() + ". See `quaybench profile verify " + name + "`."
		p.Made.Extra = append(p.Made.Extra, [2]string{"the book is hurt", list.Problems[i].String()})
		return
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

// handOver shows a result that is no verdict, or prints it as JSON, and writes its papers; a boat with values of the example's ends not judged.
func (o *paperFlags) handOver(ctx context.Context, sys *system, setup *bench.Setup, value any, result report.Result, asJSON bool) error {
	if asJSON {
		if err := writeJSON(sys, value); err != nil {
			return err
		}
	} else {
		show(sys, paperOf(setup, nil, result))
	}
	if err := o.write(ctx, sys, setup, nil, result, asJSON); err != nil {
		return err
	}
	return ended(verdict.Clear, setup.Own())
}
