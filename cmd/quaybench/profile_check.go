package main

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"unicode/utf8"

	"github.com/spf13/cobra"

	"quaybench/bench"
	"quaybench/bench/datafile"
	"quaybench/bench/record"
	"quaybench/bench/verdict"
	"quaybench/profiles"
)

// evidence reads files to keep with the approval of a version, and judges the records among them: a test that was stopped is
// not judged. A record of other settings or of another boat, or one that is damaged or cut off, is refused, or
// noted where the approval is made despite it; that a test was stopped is noted, and that a file is no record. An empty file
// is refused.
func evidence(c *call, version *profiles.Entry, files []string, despite bool) (out []profiles.File, verdicts []profiles.Verdict, notes []string, err error) {
	var setup *bench.Setup
	for _, name := range files {
		content, err := datafile.ReadFile(name, profiles.LargestKept)
		if err != nil {
			return nil, nil, nil, input(fmt.Errorf("the evidence cannot be read: %w", err))
		}
		base := profiles.Printable(filepath.Base(name))
		role := profiles.RoleOther
		if len(bytes.TrimSpace(content)) == 0 {
			return nil, nil, nil, input(fmt.Errorf("%s is empty, so it is no evidence of anything: leave it out, or give the file that was meant", base))
		}
		run, err := record.Read(name, bytes.NewReader(content))
		switch isRecord := bytes.HasPrefix(content, []byte("# quaybench_record")); {
		case err != nil && isRecord && !despite:
			return nil, nil, nil, input(fmt.Errorf("%w: the record is damaged: give one that is whole, or say --despite what reason", err))
		case err != nil && isRecord:
			notes = append(notes, base+" is a record that is damaged, and was not judged")
		case err != nil:
			kind := "text"
			if !utf8.Valid(content) {
				kind = "not text"
			}
			notes = append(notes, fmt.Sprintf("%s is no record (%s), and was not judged", base, kind))
		}
		if err == nil {
			role = profiles.RoleRecord
			if setup == nil {
				if setup, err = savedSetup(c, version); err != nil {
					return nil, nil, nil, err
				}
			}
			against, remarks := heldAgainst(run, setup)
			if against != "" && !despite {
				return nil, nil, nil, input(fmt.Errorf("%s %s: give the record of this version, or say --despite what reason", base, against))
			}
			if against != "" {
				remarks = append(remarks, against)
			}
			judged, err := verdict.Judge(run)
			if err != nil {
				return nil, nil, nil, input(fmt.Errorf("%s: %w", base, err))
			}
			verdicts = append(verdicts, profileVerdict(&judged))
			for _, r := range remarks {
				notes = append(notes, base+" "+r)
			}
		}
		out = append(out, profiles.File{Role: role, Name: filepath.Base(name), Content: content})
	}
	return out, verdicts, notes, nil
}

// savedSetup returns a version's boat and settings as they were saved.
func savedSetup(c *call, e *profiles.Entry) (*bench.Setup, error) {
	boat, err := c.book.Kept(c, e.Boat, e.BoatFile().Hash)
	if err != nil {
		return nil, err
	}
	setup, err := bench.LoadTexts(e.Hash.Short()+"/"+bench.BoatFile, boat, e.Hash.Short()+"/"+bench.SettingsFile, []byte(e.Settings))
	return setup, input(err)
}

// heldAgainst returns what makes a record no evidence for a version, "" where nothing does, and what is to be noted of it.
func heldAgainst(run *record.Run, setup *bench.Setup) (against string, remarks []string) {
	switch p := run.Provenance; {
	case p.Boat == "" || p.Settings == "":
		remarks = append(remarks, "does not say of which boat and settings it is")
	case p.Boat != setup.BoatHash:
		against = fmt.Sprintf("is a record of another boat file (%s, of %s)", profiles.Printable(run.Boat), profiles.Printable(p.Boat))
	case p.Settings != setup.Settings.Hash():
		against = "is a record of other settings"
	}
	if run.Uncounted && run.Provenance.Tool != "" {
		remarks = append(remarks, "does not say how many rows it had (it is from before the row count, or its test did not end in order): whether its end is missing can't be told")
	}
	for _, e := range run.Events {
		switch {
		case e.Device == "step test" && strings.HasPrefix(e.What, "the test stopped"):
			remarks = append(remarks, "is of a test that was stopped: "+profiles.Printable(e.What))
		case e.Device == "record" && against == "": // as the reader says of a file that was cut off
			against = "is not whole: " + profiles.Printable(e.What)
		}
	}
	return against, remarks
}

func profileVerify(sys *system) *cobra.Command {
	var tips []string
	var again bool
	v := &verb{least: 0, most: 1, Command: cobra.Command{
		Use:   "verify [BOAT]",
		Short: "read the whole book and name each file that is not as it was written",
		Long: `Reads every file of a boat, or of all boats, and holds it against its hash and against the entries that came after it. --tip holds the book against a hash that
was printed on a report: all that was written up to it must still be there. --again runs the trials of every version anew and compares the verdicts.

Not seen without --tip: that the newest entries were deleted, or that the whole book was rewritten by who holds it. Entries from before the chain name
only what they continue, so one of them that nothing continues can be deleted unseen.

Exit code: 0 whole, 1 something is damaged, missing or differs, 2 bad use.`,
		Example: "  quaybench profile verify\n  quaybench profile verify petrel --json\n  quaybench profile verify petrel --again",
	}}
	v.run = func(c *call) (*outcome, error) {
		r, err := c.book.Verify(c, c.boat, tips...)
		if err != nil {
			return nil, err
		}
		result := struct {
			*profiles.Report
			Again []retrial `json:"again,omitempty"`
		}{Report: r}
		out := &outcome{}
		if again {
			for _, boat := range r.Boats {
				more, err := tryAgain(c, boat)
				if err != nil {
					return nil, err
				}
				result.Again = append(result.Again, more...)
			}
		}
		differ := slices.ContainsFunc(result.Again, func(t retrial) bool { return len(t.Differences) > 0 })
		switch {
		case r.Hurt():
			out.err = fmt.Errorf("the book is hurt in the places named; everything else stays usable: copy those files from another book, or import an export")
		case differ:
			out.err = fmt.Errorf("a verdict in the book is not what the trials say now: it was reached by another version of quaybench, or changed")
		}
		out.value, out.show = result, func() { showReport(c, r, result.Again, len(tips) > 0) }
		return out, nil
	}
	cmd := v.command(sys)
	cmd.Flags().StringArrayVar(&tips, "tip", nil, "`HASH` of the book as a report prints it, 16 digits or more: what was written up to it must be there (may be repeated)")
	cmd.Flags().BoolVar(&again, "again", false, "run the trials of every version anew and compare")
	return cmd
}

func showReport(c *call, r *profiles.Report, again []retrial, held bool) {
	for _, p := range r.Problems {
		c.print("%s\n", p)
	}
	for _, t := range again {
		for _, d := range t.Differences {
			c.print("%s v%d %s: %s\n", t.Boat, t.Number, t.Hash.Short(), d)
		}
	}
	c.print("%s: %d versions, %d marks and %d kept files are whole\n", cmp.Or(strings.Join(r.Boats, ", "), "no boat"), r.Versions, r.Marks, r.Kept)
	c.showMoves(r.Moves, "")
	if n := len(again); n > 0 {
		c.print("the trials of %d versions were run anew\n", n)
	}
	if !r.Hurt() { // nobody is to note an older tip
		for _, t := range r.Tips {
			c.print("tip of %s: %s\n", t.Boat, t.Hash)
		}
	}
	if r.BeforeChain > 0 {
		c.print("%d entries are from before the chain: whether one of them was deleted or put in can't be told\n", r.BeforeChain)
	}
	if !held {
		c.print("%s\n", wrapped("not seen without --tip and a hash noted elsewhere: a deletion of the newest entries, or a book that was rewritten as a whole", c.sys.width()))
	}
}

// retrial is a version whose trials were run anew.
type retrial struct {
	Boat        string        `json:"boat"`
	Hash        profiles.Hash `json:"hash"`
	Number      int           `json:"number"`
	Differences []string      `json:"differences"`
}

// tryAgain runs the trials of all versions of a boat that have verdicts, on what the book keeps, and compares.
func tryAgain(c *call, boat string) (all []retrial, err error) {
	l, err := c.book.List(c, boat)
	if err != nil {
		return nil, err
	}
	for i := range l.Versions {
		e := &l.Versions[i]
		if len(e.Verdicts) == 0 {
			continue
		}
		t := retrial{Boat: boat, Hash: e.Hash, Number: e.Number, Differences: []string{}}
		whole, err := c.book.Show(c, boat, string(e.Hash))
		if err != nil {
			return nil, err
		}
		setup, err := savedSetup(c, whole)
		if err != nil {
			t.Differences = append(t.Differences, "cannot be tried by today's rules: "+err.Error())
			all = append(all, t)
			continue
		}
		tried, err := try(c, c.sys, setup, bench.TryOptions{NoChange: true})
		if err != nil {
			return nil, err
		}
		t.Differences = append(t.Differences, verdictDifferences(e.Verdicts, profileVerdicts(tried))...)
		all = append(all, t)
	}
	return all, nil
}

// sameShare is how far two runs of one trial may differ in the share of a limit that they use.
const sameShare = 0.002

// verdictDifferences compares the verdicts in the book with those of trials run anew.
func verdictDifferences(saved, now []profiles.Verdict) (differences []string) {
	for _, s := range saved {
		i := slices.IndexFunc(now, func(n profiles.Verdict) bool { return n.Trial == s.Trial })
		if i < 0 {
			differences = append(differences, fmt.Sprintf("%s: is no trial of this quaybench, so it can't be compared", s.Trial))
			continue
		}
		n := now[i]
		used := s.Used == nil && n.Used == nil || s.Used != nil && n.Used != nil && max(*s.Used, *n.Used)-min(*s.Used, *n.Used) <= sameShare
		if s.Result != n.Result || s.Part != n.Part || s.First != n.First || !used {
			text := fmt.Sprintf("%s: the book says %s, the trial says %s", s.Trial, verdictText(&s), verdictText(&n))
			if s.Tool != n.Tool {
				text += fmt.Sprintf(" (the book's is by quaybench %s, this is %s)", s.Tool, n.Tool)
			}
			differences = append(differences, text)
		}
	}
	return differences
}

func profileExport(sys *system) *cobra.Command {
	var force bool
	v := &verb{least: 1, most: 2, Command: cobra.Command{
		Use:   "export BOAT [FILE]",
		Short: "write all versions of a boat and what they rest on as one file to hand over",
		Long: `FILE is BOAT` + profiles.ExportSuffix + ` where it is left out, and - is the standard output. It holds all versions with their marks and evidence, and the maps and
the journal of the boat's controller. A file that is there is overwritten only with --force.`,
		Example: "  quaybench profile export petrel petrel" + profiles.ExportSuffix,
	}}
	v.run = func(c *call) (*outcome, error) {
		file := c.version(1, c.boat+profiles.ExportSuffix)
		var t *profiles.Transfer
		err := writeWhole(sys.Out, file, force, func(w io.Writer) (err error) {
			t, err = c.book.Export(c, c.boat, w)
			return err
		})
		if err != nil {
			return nil, err
		}
		out := c.transferred("exported", t)
		if file == standardOutput { // the export itself is there
			out.show = func() {}
			if asJSON, _ := c.cmd.Flags().GetBool("json"); asJSON {
				return nil, input(errors.New("--json and the export cannot both go to the standard output"))
			}
		}
		return out, nil
	}
	cmd := v.command(sys)
	cmd.Flags().BoolVar(&force, "force", false, "overwrite a file that is there")
	return cmd
}

func (c *call) transferred(word string, t *profiles.Transfer) *outcome {
	return &outcome{value: t, show: func() {
		c.wrapped("%s %s: %d versions, %d marks, %d kept files; hash of the whole file %s", word, t.Boat, t.Versions, t.Marks, t.Kept, t.Hash)
		for _, f := range t.Carried {
			switch {
			case word == "exported" || f.As == f.Name:
				c.print("%s goes with it\n", f.Name)
			case f.As != "":
				c.print("%s differs from yours, which stays; the other is beside it as %s\n", f.Name, f.As)
			}
		}
	}}
}

func profileImport(sys *system) *cobra.Command {
	var asJSON, join bool
	cmd := &cobra.Command{
		Use:   "import FILE",
		Short: "take up a file that export wrote, checked by hash before anything is written",
		Long: `Adds what the book does not have yet, and heals damaged files of the book that the export has whole. Nothing is written if anything is wrong with the file. A file
of more than 4 GiB is refused; - is the standard input.`,
		Example: "  quaybench profile export petrel petrel" + profiles.ExportSuffix + "\n  quaybench profile import petrel" + profiles.ExportSuffix,
		Args:    arguments(1, 1, "FILE"),
		RunE: func(cmd *cobra.Command, args []string) error {
			book, err := makeBook(sys)
			if err != nil {
				return err
			}
			f, err := openExport(sys.In, args[0])
			if err != nil {
				return err
			}
			defer f.Close()
			t, err := book.Import(cmd.Context(), f, profiles.ImportOptions{Join: join})
			if err != nil {
				return input(err) // the file is at fault
			}
			c := &call{Context: cmd.Context(), cmd: cmd, sys: sys}
			out := c.transferred("imported", t)
			if asJSON {
				return writeJSON(sys, out.value)
			}
			out.show()
			return nil
		},
		ValidArgsFunction: func(*cobra.Command, []string, string) ([]string, cobra.ShellCompDirective) {
			return []string{strings.TrimPrefix(profiles.ExportSuffix, ".")}, cobra.ShellCompDirectiveFilterFileExt
		},
	}
	cmd.Flags().BoolVar(&join, "join", false, "take it up although the book has another boat of this name")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	return cmd
}

// openExport opens the file of an import, to be read from its start more than once: what comes through a pipe is put into a file
// without a name first. A device has no end.
func openExport(in io.Reader, name string) (*os.File, error) {
	cannot := func(err error) error { return fmt.Errorf("the export cannot be read: %w", err) }
	if name != standardOutput {
		info, err := os.Stat(name)
		if err == nil && !info.Mode().IsRegular() { // a pipe would wait for somebody who writes
			err = fmt.Errorf("%s is not a plain file; what comes through a pipe is taken from the standard input, -", name)
		}
		if err != nil {
			return nil, input(cannot(err))
		}
		f, err := os.Open(name)
		if err != nil {
			return nil, input(cannot(err))
		}
		return f, nil
	}
	f, err := os.CreateTemp("", "quaybench-import-*")
	if err != nil {
		return nil, cannot(err)
	}
	_ = os.Remove(f.Name()) // where a file in use keeps its name (Windows), it stays in the folder for such files
	n, err := io.Copy(f, io.LimitReader(in, profiles.LargestImport+1))
	switch {
	case err != nil:
		_ = f.Close()
		return nil, cannot(err)
	case n == 0:
		_ = f.Close()
		return nil, input(cannot(errors.New("nothing came")))
	}
	return f, nil
}
