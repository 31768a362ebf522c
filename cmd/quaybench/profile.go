package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"os/user"
	"path/filepath"
	"strings"
	"syscall"

	"github.com/spf13/cobra"

	"quaybench/bench"
	"quaybench/bench/datafile"
	"quaybench/bench/record"
	"quaybench/bench/settings"
	"quaybench/profiles"
)

// openBook opens the user's book.
func openBook(cmd *cobra.Command, sys *system) (*profiles.Book, error) {
	dir, err := bookDir(cmd, sys)
	if err != nil {
		return nil, err
	}
	book, err := profiles.Open(dir, profiles.Options{Now: sys.Clock.Now, Rows: profileRows})
	return book, fromBook(err)
}

// fromBook marks the book's refusals as the user's to mend.
func fromBook(err error) error {
	var in *profiles.InputError
	var missing *profiles.NotFoundError
	var ambiguous *profiles.AmbiguousError
	var heads *profiles.HeadsError
	var refused *profiles.RefusedError
	if errors.As(err, &in) || errors.As(err, &missing) || errors.As(err, &ambiguous) || errors.As(err, &heads) || errors.As(err, &refused) ||
		errors.Is(err, profiles.ErrUnchanged) || errors.Is(err, profiles.ErrUnsaved) {
		return input(err)
	}
	return err
}

// author is who stands for a change: --author, else QUAYBENCH_AUTHOR, else the name of the machine's user.
func author(sys *system, flag string) (string, error) {
	if flag != "" {
		return flag, nil
	}
	if name := sys.Getenv("QUAYBENCH_AUTHOR"); name != "" {
		return name, nil
	}
	if u, err := user.Current(); err == nil {
		if u.Name != "" && !strings.ContainsAny(u.Name, ",;") {
			return u.Name, nil
		}
		return u.Username, nil
	}
	return "", input(fmt.Errorf("nobody stands for this: give --author NAME, or set QUAYBENCH_AUTHOR"))
}

func profileCommand(sys *system) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "profile",
		Short: "keep versions of a boat's settings: who changed what, why, with what verdict, and how to get back",
		Long: `The book keeps each saved version for ever, with the verdicts of the trials and what they rest on. Versions are named by their hash, which may be shortened
to four digits, by a label, or by "head"; v1, v2 ... stand beside it for the eye only. Books are joined by copying their files with git, rsync or a stick.`,
		Example: "  quaybench profile save petrel -m \"lower limit after the hot day\"\n  quaybench profile list petrel\n  quaybench profile diff petrel head working",
		Args:    known,
		RunE:    func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	cmd.AddCommand(profileSave(sys), profileList(sys), profileShow(sys), profileDiff(sys), profileRestore(sys), profileLabel(sys), profileApprove(sys),
		profileWritten(sys), profileVerify(sys), profileExport(sys), profileImport(sys), historyCommand(sys))
	return cmd
}

// version is how a version is shown: number, hash, labels.
func versionName(e *profiles.Entry) string {
	text := fmt.Sprintf("v%d %s", e.Number, e.Hash.Short())
	if len(e.Labels) > 0 {
		text += " (" + strings.Join(e.Labels, ", ") + ")"
	}
	return text
}

func resultText(r profiles.Result) string { return orElse(string(r), "not tried") }

func profileSave(sys *system) *cobra.Command {
	var reason, by string
	var parents []string
	var untried, asJSON bool
	cmd := &cobra.Command{
		Use:   "save BOAT",
		Short: "save the working files as a version, with the verdicts of all built-in trials",
		Example: `  quaybench profile save petrel -m "lower limit after the hot day"
  quaybench profile save petrel -m "join both yards" --parent 3fa2 --parent 90bc`,
		Args: arguments(1, 1, "BOAT"),
		RunE: func(cmd *cobra.Command, args []string) error {
			book, err := openBook(cmd, sys)
			if err != nil {
				return err
			}
			o := profiles.SaveOptions{Reason: reason, Tool: bench.Version, Parents: parents}
			if o.Author, err = author(sys, by); err != nil {
				return err
			}
			if !untried {
				texts, err := book.Texts(cmd.Context(), args[0])
				if err != nil {
					return fromBook(err)
				}
				tried, err := tryTexts(cmd, sys, book, args[0], texts)
				if err != nil {
					return err
				}
				o.Verdicts, o.Tried = profileVerdicts(tried), &texts
			}
			if m, err := os.ReadFile(filepath.Join(book.Dir(), args[0], registerMap)); err == nil {
				o.Evidence = append(o.Evidence, profiles.File{Role: profiles.RoleMap, Name: registerMap, Content: m})
			}
			v, err := book.Save(cmd.Context(), args[0], o)
			if err != nil {
				return fromBook(err)
			}
			if asJSON {
				return writeJSON(sys, v)
			}
			fmt.Fprintf(sys.Out, "saved v%d %s of %s: %s\n%s\n", v.Number, v.Hash.Short(), v.Boat, resultText(v.Result), wrapped(bench.Caution, sys.width()))
			return nil
		},
	}
	cmd.Flags().StringVarP(&reason, "message", "m", "", "why, in one line (required)")
	_ = cmd.MarkFlagRequired("message")
	cmd.Flags().StringVar(&by, "author", "", "who saves (default: QUAYBENCH_AUTHOR, else the machine's user)")
	cmd.Flags().StringArrayVar(&parents, "parent", nil, "version that this one continues (repeated: joins them)")
	cmd.Flags().BoolVar(&untried, "untried", false, "save without running the trials")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	cmd.ValidArgsFunction = completeBoats(sys)
	return cmd
}

// tryTexts runs all built-in trials on the texts of a boat's working files.
func tryTexts(cmd *cobra.Command, sys *system, book *profiles.Book, boat string, texts profiles.Texts) (*bench.Tried, error) {
	setup, err := bench.LoadTexts(filepath.Join(book.Dir(), boat, bench.BoatFile), texts.Boat, filepath.Join(book.Dir(), boat, bench.SettingsFile), texts.Settings)
	if err != nil {
		return nil, input(err)
	}
	return try(cmd.Context(), sys, setup, bench.TryOptions{NoChange: true})
}

func profileList(sys *system) *cobra.Command {
	var asJSON bool
	cmd := &cobra.Command{
		Use:     "list [BOAT]",
		Short:   "list the versions of a boat, or the boats of the book",
		Example: "  quaybench profile list\n  quaybench profile list petrel --json",
		Args:    arguments(0, 1, "[BOAT]"),
		RunE: func(cmd *cobra.Command, args []string) error {
			book, err := openBook(cmd, sys)
			if err != nil {
				return err
			}
			if len(args) == 0 {
				boats, err := book.Boats(cmd.Context())
				if err != nil {
					return fromBook(err)
				}
				if asJSON {
					return writeJSON(sys, map[string]any{"format": 1, "boats": append([]string{}, boats...)})
				}
				for _, b := range boats {
					fmt.Fprintln(sys.Out, b)
				}
				return nil
			}
			l, err := book.List(cmd.Context(), args[0])
			if err != nil {
				return fromBook(err)
			}
			if asJSON {
				return writeJSON(sys, l)
			}
			tab := &table{}
			tab.add("version", "hash", "when", "author", "verdict", "marks", "why")
			for i := range l.Versions {
				e := &l.Versions[i]
				var marks []string
				marks = append(marks, e.Labels...)
				if a := e.Approvals(); len(a) > 0 {
					mark := "approved"
					if a[len(a)-1].Despite != "" {
						mark += " despite its verdict"
					}
					marks = append(marks, mark)
				}
				if n := len(e.Written()); n > 0 {
					marks = append(marks, "in a controller")
				}
				if e.Head {
					marks = append(marks, "head")
				}
				if e.Continued {
					marks = append(marks, "working files")
				}
				tab.add(fmt.Sprintf("v%d", e.Number), e.Hash.Short(), e.Time.Format("2006-01-02 15:04"), e.Author, resultText(e.Result), strings.Join(marks, ", "), e.Reason)
			}
			for _, line := range tab.lines() {
				fmt.Fprintln(sys.Out, line)
			}
			showStatus(sys, l)
			for _, p := range l.Problems {
				fmt.Fprintln(sys.Out, "mind:", p)
			}
			return nil
		},
	}
	cmd.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	cmd.ValidArgsFunction = completeBoats(sys)
	return cmd
}

func showStatus(sys *system, l *profiles.Listing) {
	switch w := l.Working; {
	case len(l.Versions) == 0:
		fmt.Fprintln(sys.Out, "nothing is saved yet")
	case len(w.Heads) > 1:
		var heads []string
		for _, h := range w.Heads {
			heads = append(heads, "--parent "+h.Short())
		}
		fmt.Fprintf(sys.Out, "there are %d heads: look at them with `profile diff`, put what shall hold into the working files, and join them with\n  quaybench profile save %s -m WHY %s\n", len(w.Heads), l.Boat, strings.Join(heads, " "))
	case w.BoatChanged || w.SettingsChanged:
		fmt.Fprintln(sys.Out, "the working files hold changes that are in no version")
	}
}

func profileShow(sys *system) *cobra.Command {
	var asJSON bool
	cmd := &cobra.Command{
		Use:     "show BOAT [VERSION]",
		Short:   "show a version with its settings, verdicts and marks (default: head)",
		Example: "  quaybench profile show petrel\n  quaybench profile show petrel 3fa2",
		Args:    arguments(1, 2, "BOAT [VERSION]"),
		RunE: func(cmd *cobra.Command, args []string) error {
			book, err := openBook(cmd, sys)
			if err != nil {
				return err
			}
			ref := profiles.RefHead
			if len(args) == 2 {
				ref = args[1]
			}
			e, err := book.Show(cmd.Context(), args[0], ref)
			if err != nil {
				return fromBook(err)
			}
			if asJSON {
				return writeJSON(sys, e)
			}
			fmt.Fprintf(sys.Out, "%s %s\nsaved %s by %s with quaybench %s: %s\n", e.Boat, versionName(e), e.Time.Format("2006-01-02 15:04:05 MST"), e.Author, e.Tool, e.Reason)
			for _, p := range e.Parents {
				fmt.Fprintf(sys.Out, "continues %s\n", p.Short())
			}
			if e.Restores != "" {
				fmt.Fprintf(sys.Out, "restores %s\n", e.Restores.Short())
			}
			fmt.Fprintf(sys.Out, "\nverdict: %s\n", resultText(e.Result))
			tab := &table{right: map[int]bool{3: true}}
			for _, v := range e.Verdicts {
				used := ""
				if v.Used != nil {
					used = shownShare(*v.Used)
				}
				tab.add("  "+v.Trial, string(v.Result), v.Part, used, v.First)
			}
			for _, line := range tab.lines() {
				fmt.Fprintln(sys.Out, line)
			}
			for _, m := range e.Marks {
				fmt.Fprintln(sys.Out, markText(m))
			}
			fmt.Fprintf(sys.Out, "\nsettings:\n%s\n%s\n", strings.TrimRight(e.Settings, "\n"), wrapped(bench.Caution, sys.width()))
			return nil
		},
	}
	cmd.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	cmd.ValidArgsFunction = completeBoats(sys)
	return cmd
}

func markText(m profiles.Mark) string {
	when := m.Time.Format("2006-01-02 15:04")
	switch m.Kind {
	case profiles.MarkLabel:
		return fmt.Sprintf("labelled %s, %s by %s", m.Label, when, m.Author)
	case profiles.MarkApproval:
		text := fmt.Sprintf("approved %s by %s on a verdict of %s", when, m.Author, resultText(m.Result))
		if m.Despite != "" {
			text += ", DESPITE it: " + m.Despite
		}
		return text
	}
	back := "not read back"
	if m.ReadBack {
		back = "read back"
	}
	return fmt.Sprintf("written to controller %s, %s, %s by %s", m.Controller, back, when, m.Author)
}

func profileDiff(sys *system) *cobra.Command {
	var asJSON bool
	cmd := &cobra.Command{
		Use:     "diff BOAT [A] [B]",
		Short:   "compare two versions setting by setting, and their verdicts (default: head with the working files)",
		Example: "  quaybench profile diff petrel\n  quaybench profile diff petrel 3fa2 90bc\n  quaybench profile diff petrel summer working",
		Args:    arguments(1, 3, "BOAT [A] [B]"),
		RunE: func(cmd *cobra.Command, args []string) error {
			book, err := openBook(cmd, sys)
			if err != nil {
				return err
			}
			a, b := profiles.RefHead, profiles.RefWorking
			if len(args) > 1 {
				a = args[1]
			}
			if len(args) > 2 {
				b = args[2]
			}
			d, err := book.Diff(cmd.Context(), args[0], a, b)
			if err != nil {
				return fromBook(err)
			}
			if asJSON {
				return writeJSON(sys, d)
			}
			showDiff(sys, d)
			return nil
		},
	}
	cmd.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	cmd.ValidArgsFunction = completeBoats(sys)
	return cmd
}

func showDiff(sys *system, d *profiles.Difference) {
	side := func(s profiles.Side) string {
		if s.Hash == "" {
			return "working files"
		}
		return fmt.Sprintf("v%d %s", s.Number, s.Hash.Short())
	}
	fmt.Fprintf(sys.Out, "from %s to %s\n", side(d.A), side(d.B))
	if len(d.Settings) == 0 {
		fmt.Fprintln(sys.Out, "  no setting differs")
	}
	tab := &table{right: map[int]bool{1: true, 2: true, 3: true}}
	for _, c := range d.Settings {
		change := ""
		if c.Percent != nil {
			change = fmt.Sprintf("%+.3g %%", *c.Percent)
		} else if c.Change != nil {
			change = fmt.Sprintf("%+.4g %s", *c.Change, c.Unit)
		}
		tab.add("  "+c.Key, orElse(c.Was, "-"), orElse(c.Now, "-"), change)
	}
	for _, line := range tab.lines() {
		fmt.Fprintln(sys.Out, line)
	}
	for _, k := range d.Kept {
		if d.B.Hash == "" && k.Role != profiles.RoleBoat { // the working files keep no evidence beside them
			continue
		}
		fmt.Fprintf(sys.Out, "  %s %s differs\n", k.Role, profiles.Printable(k.Name))
	}
	if d.A.Hash != "" && d.B.Hash != "" {
		fmt.Fprintf(sys.Out, "verdict: %s, then %s\n", resultText(d.A.Result), resultText(d.B.Result))
	}
	for _, v := range d.Verdicts {
		if d.A.Hash == "" || d.B.Hash == "" {
			break // the working files have not been tried
		}
		fmt.Fprintf(sys.Out, "  %s: %s, then %s\n", v.Trial, verdictText(v.Was), verdictText(v.Now))
	}
}

func verdictText(v *profiles.Verdict) string {
	if v == nil {
		return "not tried"
	}
	text := string(v.Result)
	if v.Part != "" && v.Used != nil {
		text += fmt.Sprintf(" (%s %s)", v.Part, shownShare(*v.Used))
	}
	return text
}

func profileRestore(sys *system) *cobra.Command {
	var by, reason string
	var only, discard, asJSON bool
	cmd := &cobra.Command{
		Use:     "restore BOAT VERSION",
		Short:   "bring a version back, as a new version and into the working files",
		Example: "  quaybench profile restore petrel 3fa2\n  quaybench profile restore petrel summer --discard",
		Args:    arguments(2, 2, "BOAT VERSION"),
		RunE: func(cmd *cobra.Command, args []string) error {
			book, err := openBook(cmd, sys)
			if err != nil {
				return err
			}
			who, err := author(sys, by)
			if err != nil {
				return err
			}
			v, err := book.Restore(cmd.Context(), args[0], args[1], profiles.RestoreOptions{Author: who, Reason: reason, Tool: bench.Version, SettingsOnly: only, Discard: discard})
			if err != nil {
				return fromBook(err)
			}
			if asJSON {
				return writeJSON(sys, v)
			}
			fmt.Fprintf(sys.Out, "the working files of %s hold v%d %s: %s\n%s\n", v.Boat, v.Number, v.Hash.Short(), resultText(v.Result), wrapped(bench.Caution, sys.width()))
			return nil
		},
	}
	cmd.Flags().StringVar(&by, "author", "", "who restores")
	cmd.Flags().StringVarP(&reason, "message", "m", "", "why (default: restore HASH)")
	cmd.Flags().BoolVar(&only, "settings-only", false, "leave the boat file as it is")
	cmd.Flags().BoolVar(&discard, "discard", false, "overwrite working files whose text is in no version")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	cmd.ValidArgsFunction = completeBoats(sys)
	return cmd
}

func profileLabel(sys *system) *cobra.Command {
	var by, note string
	var asJSON bool
	cmd := &cobra.Command{
		Use:     "label BOAT VERSION LABEL",
		Short:   "give a version a name",
		Example: "  quaybench profile label petrel head summer",
		Args:    arguments(3, 3, "BOAT VERSION LABEL"),
		RunE: func(cmd *cobra.Command, args []string) error {
			book, err := openBook(cmd, sys)
			if err != nil {
				return err
			}
			who, err := author(sys, by)
			if err != nil {
				return err
			}
			m, err := book.Label(cmd.Context(), args[0], args[1], args[2], profiles.LabelOptions{Author: who, Tool: bench.Version, Note: note})
			if err != nil {
				return fromBook(err)
			}
			return marked(sys, m, asJSON)
		},
	}
	cmd.Flags().StringVar(&by, "author", "", "who labels")
	cmd.Flags().StringVarP(&note, "message", "m", "", "a note")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	cmd.ValidArgsFunction = completeBoats(sys)
	return cmd
}

func marked(sys *system, m *profiles.Mark, asJSON bool) error {
	if asJSON {
		return writeJSON(sys, m)
	}
	fmt.Fprintf(sys.Out, "%s %s: %s\n", m.Boat, m.Version.Short(), markText(*m))
	return nil
}

// evidence reads files to keep with a mark.
func evidence(files []string) ([]profiles.File, error) {
	var out []profiles.File
	for _, name := range files {
		content, err := os.ReadFile(name)
		if err != nil {
			return nil, input(fmt.Errorf("the evidence cannot be read: %w", err))
		}
		role := profiles.RoleOther
		if _, err := record.Read(name, strings.NewReader(string(content))); err == nil {
			role = profiles.RoleRecord
		}
		out = append(out, profiles.File{Role: role, Name: filepath.Base(name), Content: content})
	}
	return out, nil
}

func profileApprove(sys *system) *cobra.Command {
	var by, note, despite string
	var files []string
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "approve BOAT VERSION",
		Short: "approve a version on the evidence of its verdict, and of records given",
		Long:  `Refused while the verdict is over, or where nothing was tried, unless --despite gives a reason, which stays on the record.`,
		Example: `  quaybench profile approve petrel head --author "yard"
  quaybench profile approve petrel 3fa2 --evidence run.csv --despite "ferry home at dead slow only"`,
		Args: arguments(2, 2, "BOAT VERSION"),
		RunE: func(cmd *cobra.Command, args []string) error {
			book, err := openBook(cmd, sys)
			if err != nil {
				return err
			}
			o := profiles.ApproveOptions{Tool: bench.Version, Note: note, Despite: despite}
			if o.Author, err = author(sys, by); err != nil {
				return err
			}
			if o.Evidence, err = evidence(files); err != nil {
				return err
			}
			m, err := book.Approve(cmd.Context(), args[0], args[1], o)
			if err != nil {
				return fromBook(err)
			}
			if err := marked(sys, m, asJSON); err != nil || asJSON {
				return err
			}
			fmt.Fprintln(sys.Out, wrapped(bench.Caution, sys.width()))
			return nil
		},
	}
	cmd.Flags().StringVar(&by, "author", "", "who approves")
	cmd.Flags().StringVarP(&note, "message", "m", "", "a note")
	cmd.Flags().StringVar(&despite, "despite", "", "reason to approve although the verdict is over or nothing was tried")
	cmd.Flags().StringArrayVar(&files, "evidence", nil, "file to keep with the approval, such as the record of a step test (may be repeated)")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	cmd.ValidArgsFunction = completeBoats(sys)
	return cmd
}

func profileWritten(sys *system) *cobra.Command {
	var by, note string
	var asJSON, back bool
	cmd := &cobra.Command{
		Use:     "written BOAT VERSION CONTROLLER",
		Short:   "note that a version was written to a controller",
		Example: "  quaybench profile written petrel head serial-1234 --read-back",
		Args:    arguments(3, 3, "BOAT VERSION CONTROLLER"),
		RunE: func(cmd *cobra.Command, args []string) error {
			book, err := openBook(cmd, sys)
			if err != nil {
				return err
			}
			who, err := author(sys, by)
			if err != nil {
				return err
			}
			m, err := book.MarkWritten(cmd.Context(), args[0], args[1], profiles.WrittenOptions{Author: who, Tool: bench.Version, Note: note, Controller: args[2], ReadBack: back})
			if err != nil {
				return fromBook(err)
			}
			return marked(sys, m, asJSON)
		},
	}
	cmd.Flags().StringVar(&by, "author", "", "who wrote it")
	cmd.Flags().StringVarP(&note, "message", "m", "", "a note")
	cmd.Flags().BoolVar(&back, "read-back", false, "every setting was read back and found equal")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	cmd.ValidArgsFunction = completeBoats(sys)
	return cmd
}

func profileVerify(sys *system) *cobra.Command {
	var asJSON bool
	cmd := &cobra.Command{
		Use:     "verify [BOAT]",
		Short:   "read everything and name each file that is not as it was written; exit code 1 if one is hurt",
		Example: "  quaybench profile verify\n  quaybench profile verify petrel --json",
		Args:    arguments(0, 1, "[BOAT]"),
		RunE: func(cmd *cobra.Command, args []string) error {
			book, err := openBook(cmd, sys)
			if err != nil {
				return err
			}
			boat := ""
			if len(args) == 1 {
				boat = args[0]
			}
			r, err := book.Verify(cmd.Context(), boat)
			if err != nil {
				return fromBook(err)
			}
			if asJSON {
				if err := writeJSON(sys, r); err != nil {
					return err
				}
			} else {
				for _, p := range r.Problems {
					fmt.Fprintln(sys.Out, p)
				}
				fmt.Fprintf(sys.Out, "%s: %d versions, %d marks and %d kept files are whole\n", strings.Join(r.Boats, ", "), r.Versions, r.Marks, r.Kept)
			}
			if r.Hurt() {
				return fmt.Errorf("the book is hurt in the places named; everything else stays usable: copy those files from another book, or import an export")
			}
			return nil
		},
	}
	cmd.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	cmd.ValidArgsFunction = completeBoats(sys)
	return cmd
}

func profileExport(sys *system) *cobra.Command {
	var asJSON bool
	cmd := &cobra.Command{
		Use:     "export BOAT FILE",
		Short:   "write all versions of a boat and what they rest on as one file to hand over",
		Example: "  quaybench profile export petrel petrel.book",
		Args:    arguments(2, 2, "BOAT FILE"),
		RunE: func(cmd *cobra.Command, args []string) error {
			book, err := openBook(cmd, sys)
			if err != nil {
				return err
			}
			var t *profiles.Transfer
			err = writeWhole(args[1], func(w io.Writer) (err error) {
				t, err = book.Export(cmd.Context(), args[0], w)
				return err
			})
			if err != nil {
				return fromBook(err)
			}
			return transferred(sys, "exported", t, asJSON)
		},
	}
	cmd.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	cmd.ValidArgsFunction = completeBoats(sys)
	return cmd
}

// writeWhole writes a file beside its name first, so that there is a whole file or none.
func writeWhole(name string, write func(io.Writer) error) error {
	f, err := os.CreateTemp(filepath.Dir(name), "."+filepath.Base(name)+".*")
	if err != nil {
		return input(fmt.Errorf("%s cannot be written: %w", name, err))
	}
	defer os.Remove(f.Name()) // gone already once it has its name
	if err := errors.Join(write(f), f.Sync(), f.Close()); err != nil {
		return err
	}
	if err := os.Rename(f.Name(), name); err != nil {
		return input(fmt.Errorf("%s cannot be written: %w", name, err))
	}
	return nil
}

func transferred(sys *system, word string, t *profiles.Transfer, asJSON bool) error {
	if asJSON {
		return writeJSON(sys, t)
	}
	fmt.Fprintf(sys.Out, "%s %s: %d versions, %d marks, %d kept files; hash of the whole file %s\n", word, t.Boat, t.Versions, t.Marks, t.Kept, t.Hash)
	return nil
}

func profileImport(sys *system) *cobra.Command {
	var asJSON, join bool
	cmd := &cobra.Command{
		Use:     "import FILE",
		Short:   "take up a file that export wrote, checked by hash before anything is written",
		Example: "  quaybench profile import petrel.book",
		Args:    arguments(1, 1, "FILE"),
		RunE: func(cmd *cobra.Command, args []string) error {
			dir, err := bookDir(cmd, sys)
			if err != nil {
				return err
			}
			book, err := profiles.Create(dir, profiles.Options{Now: sys.Clock.Now, Rows: profileRows})
			if err != nil {
				return fromBook(err)
			}
			f, err := os.Open(args[0])
			if err != nil {
				return input(fmt.Errorf("the export cannot be read: %w", err))
			}
			defer f.Close()
			t, err := book.Import(cmd.Context(), f, profiles.ImportOptions{Join: join})
			if err != nil {
				if cmd.Context().Err() == nil && !errors.Is(err, syscall.ENOSPC) { // else it is the file that is at fault
					return input(err)
				}
				return err
			}
			return transferred(sys, "imported", t, asJSON)
		},
	}
	cmd.Flags().BoolVar(&join, "join", false, "take it up although the book has another boat of this name")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	return cmd
}

func historyCommand(sys *system) *cobra.Command {
	var asJSON bool
	cmd := &cobra.Command{
		Use:     "history BOAT KEY",
		Short:   "who set this value, when and why, over time",
		Example: "  quaybench profile history petrel limits.motor_current",
		Args:    arguments(2, 2, "BOAT KEY"),
		RunE: func(cmd *cobra.Command, args []string) error {
			book, err := openBook(cmd, sys)
			if err != nil {
				return err
			}
			events, err := book.History(cmd.Context(), args[0], args[1])
			if err != nil {
				return fromBook(err)
			}
			if asJSON {
				return writeJSON(sys, append([]profiles.SettingEvent{}, events...))
			}
			tab := &table{right: map[int]bool{3: true}}
			tab.add("version", "hash", "when", args[1], "author", "verdict", "why")
			for _, e := range events {
				tab.add(fmt.Sprintf("v%d", e.Number), e.Version.Short(), e.Time.Format("2006-01-02 15:04"), orElse(e.Now, "-"), e.Author, resultText(e.Result), e.Reason)
			}
			for _, line := range tab.lines() {
				fmt.Fprintln(sys.Out, line)
			}
			return nil
		},
	}
	cmd.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	cmd.ValidArgsFunction = completeBoats(sys)
	return cmd
}

func setCommand(sys *system) *cobra.Command {
	return &cobra.Command{
		Use:   "set BOAT KEY=VALUE...",
		Short: "change values in a boat's working settings file, keeping its comments and order",
		Example: `  quaybench set petrel limits.motor_current="150 A"
  quaybench set petrel ramp.rise="3 s" stall.time="5 s"`,
		Args: arguments(2, 100, "BOAT KEY=VALUE..."),
		RunE: func(cmd *cobra.Command, args []string) error {
			book, err := openBook(cmd, sys)
			if err != nil {
				return err
			}
			var was settings.Set
			var now settings.Set
			err = book.Edit(cmd.Context(), args[0], profiles.SettingsFile, func(text []byte) ([]byte, error) {
				name := filepath.Join(book.Dir(), args[0], profiles.SettingsFile)
				before, _, err := settings.Read(name, text)
				if err != nil {
					return nil, err
				}
				was = before
				for _, a := range args[1:] {
					if text, err = assign(name, text, a); err != nil {
						return nil, err
					}
				}
				now, _, err = settings.Read(name, text)
				return text, err
			})
			if err != nil {
				var problems datafile.Problems
				var bad inputError
				if errors.As(err, &problems) || errors.As(err, &bad) {
					return input(err)
				}
				return fromBook(err)
			}
			for _, d := range differences(was, now) {
				fmt.Fprintln(sys.Out, d)
			}
			return nil
		},
		ValidArgsFunction: func(cmd *cobra.Command, args []string, word string) ([]string, cobra.ShellCompDirective) {
			if len(args) == 0 {
				return completeBoats(sys)(cmd, args, word)
			}
			return completeKeys(cmd, args, word)
		},
	}
}

// assign changes one value in the text of a settings file.
func assign(name string, text []byte, assignment string) ([]byte, error) {
	key, value, ok := strings.Cut(assignment, "=")
	if !ok {
		return nil, input(fmt.Errorf("%q is no assignment; write for example limits.motor_current=\"240 A\"", assignment))
	}
	value = strings.TrimSpace(value)
	if n := len(value); n >= 2 && value[0] == '"' && value[n-1] == '"' {
		value = value[1 : n-1]
	}
	_, source, err := settings.Read(name, text)
	if err != nil {
		return nil, err
	}
	next, err := source.Set(strings.TrimSpace(key), value)
	return next, input(err)
}
