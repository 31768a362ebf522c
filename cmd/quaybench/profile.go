package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"quaybench/bench"
	"quaybench/bench/datafile"
	"quaybench/bench/layout"
	"quaybench/bench/quantity"
	"quaybench/bench/report"
	"quaybench/bench/settings"
	"quaybench/profiles"
)

// fromBook marks the book's refusals as bad input.
func fromBook(err error) error {
	var in *profiles.InputError
	var missing *profiles.NotFoundError
	var ambiguous *profiles.AmbiguousError
	var heads *profiles.HeadsError
	var refused *profiles.RefusedError
	var doubt *profiles.DoubtError
	var damage *profiles.DamageError
	if errors.As(err, &doubt) {
		return input(fmt.Errorf("%w (--despite-damage)", err))
	}
	if errors.As(err, &damage) || errors.As(err, &in) || errors.As(err, &missing) || errors.As(err, &ambiguous) || errors.As(err, &heads) || errors.As(err, &refused) ||
		errors.Is(err, profiles.ErrUnchanged) || errors.Is(err, profiles.ErrUnsaved) {
		return input(err)
	}
	return err
}

func profileCommand(sys *system) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "profile",
		Short: "keep versions of a boat's settings: who changed what, why, with what verdict, and how to get back",
		Long: `The book keeps each saved version for ever, with the verdicts of the trials and what they rest on. Versions are named by their hash, which may be shortened
to four digits, by a label, or by "head"; v1, v2 ... stand beside it for the eye only. Books are joined by copying their files with git, rsync or a stick.

Each entry names those before it, so one that is deleted or changed is missed. That a whole book was rewritten by who holds it, or its newest entries were
deleted, shows only against a hash noted elsewhere: reports print it, and "profile verify --tip" takes it.

A demo boat has an invented history. The first command that changes it copies it into your book.

Exit code: 0 done, 1 failed or differs (verify), 2 bad use or refused.`,
		Example: "  quaybench profile save petrel -m \"lower limit after the hot day\"\n  quaybench profile list petrel\n  quaybench profile diff petrel spring working",
		Args:    known,
		RunE:    func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	cmd.PersistentFlags().BoolVar(&sys.DespiteDamage, "despite-damage", false, "write although a damaged or missing file may be the newest version")
	cmd.AddCommand(profileSave(sys), profileList(sys), profileShow(sys), profileDiff(sys), profileRestore(sys), profileLabel(sys), profileApprove(sys),
		profileWritten(sys), profileVerify(sys), profileExport(sys), profileImport(sys), profileHistory(sys))
	return cmd
}

// verb is what every profile command has: a boat in an open book whose problems are told, the author, --json, completion.
type verb struct {
	cobra.Command
	least, most int
	changes     bool   // it writes to the book
	author      string // help of --author; "" where nobody needs to stand for it
	versions    int    // how many of the arguments after BOAT name versions
	run         func(c *call) (*outcome, error)
}

// call is one run of a verb.
type call struct {
	context.Context
	cmd  *cobra.Command
	sys  *system
	book *profiles.Book
	args []string
	boat string // args[0], "" where there is none
	who  string
}

// outcome is what a verb found or did: a value for --json, and how it is shown to a person.
type outcome struct {
	value any
	show  func()
	err   error // ends the command after the outcome was shown, as of a book that is hurt
}

func (v *verb) command(sys *system) *cobra.Command {
	cmd := &v.Command
	_, words, _ := strings.Cut(cmd.Use, " ")
	cmd.Args = arguments(v.least, v.most, words)
	asJSON := cmd.Flags().Bool("json", false, "print one JSON object")
	by := new(string)
	if v.author != "" {
		cmd.Flags().StringVar(by, "author", "", v.author+" (default: QUAYBENCH_AUTHOR, else the machine's user)")
	}
	if v.most > 0 {
		cmd.ValidArgsFunction = completeVersions(sys, v.versions)
	}
	cmd.RunE = func(cmd *cobra.Command, args []string) (err error) {
		c := &call{Context: cmd.Context(), cmd: cmd, sys: sys, args: args}
		if len(args) > 0 {
			c.boat = args[0]
		}
		var done func()
		if c.book, done, err = openBookWith(cmd.Context(), sys, c.boat, v.changes); err != nil {
			return err
		}
		defer done()
		if v.author != "" {
			if c.who, err = author(sys, *by); err != nil {
				return err
			}
		}
		o, err := v.run(c)
		if err != nil {
			return fromBook(err)
		}
		if *asJSON {
			return errors.Join(writeJSON(sys, o.value), o.err)
		}
		o.show()
		return o.err
	}
	return cmd
}

func (c *call) print(format string, args ...any) { fmt.Fprintf(c.sys.Out, format, args...) }

func (c *call) table(t *layout.Table) {
	most := c.sys.tableWidth()
	if layout.Widest(t.Fitted(most)) > most {
		t = t.Below()
	}
	for _, line := range t.Fitted(most) {
		fmt.Fprintln(c.sys.Out, line)
	}
}

// wrapped prints running text in lines that fit.
func (c *call) wrapped(format string, args ...any) {
	c.print("%s\n", wrapped(fmt.Sprintf(format, args...), c.sys.width()))
}

func (c *call) caution() { fmt.Fprintln(c.sys.Out, wrapped(bench.Caution, c.sys.width())) }

// version returns the argument that names a version, or what stands for it where it is left out.
func (c *call) version(place int, otherwise string) string {
	if len(c.args) > place {
		return c.args[place]
	}
	return otherwise
}

// versionName returns how a version is shown: number, hash, labels.
func versionName(e *profiles.Entry) string {
	text := fmt.Sprintf("v%d %s", e.Number, e.Hash.Short())
	if len(e.Labels) > 0 {
		text += " (" + strings.Join(e.Labels, ", ") + ")"
	}
	return text
}

func resultText(r profiles.Result) string { return cmp.Or(string(r), "not tried") }

func profileSave(sys *system) *cobra.Command {
	var reason string
	var parents []string
	var untried bool
	v := &verb{least: 1, most: 1, changes: true, author: "who saves", Command: cobra.Command{
		Use:   "save BOAT",
		Short: "save the working files as a version, with the verdicts of all built-in trials",
		Example: `  quaybench profile save petrel -m "lower limit after the hot day"
  quaybench profile save petrel -m "join both yards" --parent spring --parent summer`,
	}}
	v.run = func(c *call) (*outcome, error) {
		o := profiles.SaveOptions{Reason: reason, Author: c.who, Tool: bench.Version, Parents: parents}
		if !untried {
			texts, err := c.book.Texts(c, c.boat)
			if err != nil {
				return nil, err
			}
			tried, err := tryTexts(c.cmd.Context(), sys, c.book, c.boat, texts)
			if err != nil {
				return nil, err
			}
			o.Verdicts, o.Tried = profileVerdicts(tried), &texts
		}
		for _, m := range []profiles.File{{Role: profiles.RoleMap, Name: registerMap}, {Role: profiles.RoleObjects, Name: objectMap}} {
			var err error
			switch m.Content, err = datafile.ReadFile(filepath.Join(c.book.Dir(), c.boat, m.Name), largestText); {
			case err == nil:
				o.Evidence = append(o.Evidence, m)
			case !errors.Is(err, fs.ErrNotExist):
				return nil, input(fmt.Errorf("the boat's map of its controller, which is kept with each version, cannot be read: %w", err))
			}
		}
		v, err := c.book.Save(c, c.boat, o)
		if err != nil {
			return nil, err
		}
		return &outcome{value: v, show: func() {
			c.print("saved v%d %s of %s: %s\n", v.Number, v.Hash.Short(), v.Boat, resultText(v.Result))
			c.caution()
		}}, nil
	}
	cmd := v.command(sys)
	cmd.Flags().StringVarP(&reason, "message", "m", "", "why, in one line (required)")
	_ = cmd.MarkFlagRequired("message")
	cmd.Flags().StringArrayVar(&parents, "parent", nil, "version that this one continues (repeated: joins them)")
	cmd.Flags().BoolVar(&untried, "untried", false, "save without running the trials")
	_ = cmd.RegisterFlagCompletionFunc("parent", func(cmd *cobra.Command, args []string, _ string) ([]string, cobra.ShellCompDirective) {
		return versionsOf(cmd, sys, args), cobra.ShellCompDirectiveNoFileComp
	})
	return cmd
}

// tryTexts runs all built-in trials on the texts of a boat's working files.
func tryTexts(ctx context.Context, sys *system, book *profiles.Book, boat string, texts profiles.Texts) (*bench.Tried, error) {
	setup, err := bench.LoadTexts(filepath.Join(book.Dir(), boat, bench.BoatFile), texts.Boat, filepath.Join(book.Dir(), boat, bench.SettingsFile), texts.Settings)
	if err != nil {
		return nil, input(err)
	}
	return try(ctx, sys, setup, bench.TryOptions{NoChange: true})
}

func profileList(sys *system) *cobra.Command {
	v := &verb{least: 0, most: 1, Command: cobra.Command{
		Use:     "list [BOAT]",
		Short:   "list the versions of a boat, or the boats of the book",
		Example: "  quaybench profile list\n  quaybench profile list petrel --json",
	}}
	v.run = func(c *call) (*outcome, error) {
		if c.boat == "" {
			boats, err := c.book.Boats(c)
			return &outcome{value: map[string]any{"format": 1, "boats": append([]string{}, boats...)}, show: func() {
				for _, b := range boats {
					c.print("%s\n", b)
				}
				if len(boats) == 0 {
					c.print("the book %s has no boats yet: `quaybench new NAME` makes one\n", c.book.Dir())
				}
			}}, err
		}
		l, err := c.book.List(c, c.boat)
		return &outcome{value: l, show: func() { showListing(c, l) }}, err
	}
	return v.command(sys)
}

func showListing(c *call, l *profiles.Listing) {
	tab := &layout.Table{}
	tab.Add("version", "hash", "when", "author", "verdict", "marks", "why")
	for i := range l.Versions {
		e := &l.Versions[i]
		tab.Add(fmt.Sprintf("v%d", e.Number), e.Hash.Short(), e.Time.Format("2006-01-02 15:04"), e.Author, resultText(e.Result), strings.Join(marksOf(e), ", "), e.Reason)
	}
	c.table(tab)
	c.showMoves(l.Moves, "")
	showStatus(c.sys, l)
	for _, p := range l.Problems {
		if !p.Hurt && !strings.Contains(p.What, "two machines") { // the others are told by every verb
			c.print("mind: %s\n", p)
		}
	}
}

// marksOf lists in a few words what was recorded about a version later.
func marksOf(e *profiles.Entry) (marks []string) {
	marks = append(marks, e.Labels...)
	if a := e.Approvals(); len(a) > 0 {
		mark := "approved"
		if a[len(a)-1].Despite != "" {
			mark += " despite its verdict"
		}
		marks = append(marks, mark)
	}
	switch n := len(e.Controllers); {
	case n == 1:
		marks = append(marks, "in a controller")
	case n > 1:
		marks = append(marks, fmt.Sprintf("in %d controllers", n))
	case len(e.Written()) > 0:
		marks = append(marks, "was in a controller")
	}
	if e.Head {
		marks = append(marks, "head")
	}
	if e.Continued {
		marks = append(marks, "working files")
	}
	return marks
}

// tellMoves tells the user which labels of a boat were on another version before: those of one version, "" for all.
func (c *call) tellMoves(boat string, of profiles.Hash) {
	if l, err := c.book.List(c, boat); err == nil { // else it was told already
		c.showMoves(l.Moves, of)
	}
}

func (c *call) showMoves(list []profiles.Move, of profiles.Hash) {
	const day = "2006-01-02 15:04"
	for _, m := range list {
		if of == "" || of == m.From || of == m.To {
			c.wrapped("%s moved the label %s of %s on %s: from %s, where %s had put it on %s, to %s", m.Author, m.Label, m.Boat, m.Time.Format(day), m.From.Short(), m.PutBy, m.Put.Format(day), m.To.Short())
		}
	}
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
		sys.tell("there are %d heads: look at them with `profile diff`, put what shall hold into the working files, and join them with", len(w.Heads))
		fmt.Fprintln(sys.Out, layout.Command(fmt.Sprintf("quaybench profile save %s -m WHY %s", l.Boat, strings.Join(heads, " ")), sys.width()))
	case w.BoatChanged || w.SettingsChanged:
		fmt.Fprintln(sys.Out, "the working files hold changes that are in no version")
	}
}

func profileShow(sys *system) *cobra.Command {
	v := &verb{least: 1, most: 2, versions: 1, Command: cobra.Command{
		Use:     "show BOAT [VERSION]",
		Short:   "show a version with its settings, verdicts and marks (default: head)",
		Example: "  quaybench profile show petrel\n  quaybench profile show petrel summer",
	}}
	v.run = func(c *call) (*outcome, error) {
		e, err := c.book.Show(c, c.boat, c.version(1, profiles.RefHead))
		return &outcome{value: e, show: func() { showVersion(c, e) }}, err
	}
	return v.command(sys)
}

func showVersion(c *call, e *profiles.Entry) {
	c.print("%s %s\n", e.Boat, versionName(e))
	c.wrapped("saved %s by %s with quaybench %s: %s", e.Time.Format("2006-01-02 15:04:05 MST"), e.Author, e.Tool, e.Reason)
	for _, p := range e.Parents {
		c.print("continues %s\n", p.Short())
	}
	if e.Restores != "" {
		c.print("restores %s\n", e.Restores.Short())
	}
	if e.Seen == nil {
		c.print("from before the chain: whether an entry before it was deleted can't be told\n")
	}
	c.print("\nverdict: %s\n", resultText(e.Result))
	tab := &layout.Table{Right: map[int]bool{3: true}}
	for _, v := range e.Verdicts {
		used := ""
		if v.Used != nil {
			used = shownShare(*v.Used)
		}
		tab.Add("  "+v.Trial, string(v.Result), v.Part, used, v.First)
	}
	c.table(tab)
	for _, m := range e.Marks {
		text := markText(m)
		if m.Kind == profiles.MarkWritten && !e.Holds(m) {
			text += " (something else was written to it since)"
		}
		c.wrapped("%s", text)
	}
	c.tellMoves(e.Boat, e.Hash)
	c.print("\nsettings:\n%s\n", strings.TrimRight(e.Settings, "\n"))
	c.caution()
}

func markText(m profiles.Mark) (text string) {
	when := m.Time.Format("2006-01-02 15:04")
	switch m.Kind {
	case profiles.MarkLabel:
		text = fmt.Sprintf("labelled %s, %s by %s", m.Label, when, m.Author)
	case profiles.MarkApproval:
		text = fmt.Sprintf("approved %s by %s on a verdict of %s", when, m.Author, resultText(m.Result))
		if m.Despite != "" {
			text += ", DESPITE it: " + m.Despite
		}
	case profiles.MarkMeasured:
		var names []string
		for _, k := range m.Kept {
			names = append(names, k.Name)
		}
		text = fmt.Sprintf("measured on the boat as this version has it, kept %s by %s: %s", when, m.Author, strings.Join(names, ", "))
	case profiles.MarkReplaced:
		text = fmt.Sprintf("controller %s was written with something else, %s by %s", m.Controller, when, m.Author)
	default:
		back := "not read back"
		if m.ReadBack {
			back = "read back"
		}
		text = fmt.Sprintf("written to controller %s, %s, %s by %s", m.Controller, back, when, m.Author)
	}
	if m.Note != "" {
		text += " (" + m.Note + ")"
	}
	return text
}

func profileDiff(sys *system) *cobra.Command {
	v := &verb{least: 1, most: 3, versions: 2, Command: cobra.Command{
		Use:     "diff BOAT [A] [B]",
		Short:   "compare two versions setting by setting, and their verdicts (default: head with the working files)",
		Example: "  quaybench profile diff petrel\n  quaybench profile diff petrel spring summer\n  quaybench profile diff petrel spring working",
	}}
	v.run = func(c *call) (*outcome, error) {
		d, err := c.book.Diff(c, c.boat, c.version(1, profiles.RefHead), c.version(2, profiles.RefWorking))
		return &outcome{value: d, show: func() { showDiff(sys, d) }}, err
	}
	return v.command(sys)
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
	tab := &layout.Table{Right: map[int]bool{1: true, 2: true, 3: true}}
	for _, c := range d.Settings {
		tab.Add("  "+c.Key, cmp.Or(c.Was, "-"), cmp.Or(c.Now, "-"), changeText(c))
	}
	sys.table(tab)
	for _, k := range d.Kept {
		if d.B.Hash == "" && k.Role != profiles.RoleBoat { // the working files keep no evidence beside them
			continue
		}
		fmt.Fprintf(sys.Out, "  %s %s differs\n", k.Role, profiles.Printable(k.Name))
	}
	if d.A.Hash != "" && d.B.Hash != "" {
		sys.tell("verdict: %s, then %s\n", resultText(d.A.Result), resultText(d.B.Result))
	}
	for _, v := range d.Verdicts {
		if d.A.Hash == "" || d.B.Hash == "" {
			break // the working files have not been tried
		}
		sys.tell("  %s: %s, then %s\n", v.Trial, verdictText(v.Was), verdictText(v.Now))
	}
}

// changeText returns by how much a setting changed, as a person says it: of its former value, of a temperature in kelvin, of a share in points.
func changeText(c profiles.SettingChange) string {
	switch {
	case c.Change == nil:
		return ""
	case c.Unit == "1":
		return fmt.Sprintf("%+.4g points", 100**c.Change)
	case c.Unit == "°C":
		return fmt.Sprintf("%+.4g K", *c.Change)
	case c.Percent != nil:
		return fmt.Sprintf("%+.3g %%", *c.Percent)
	case c.Unit == "rad/s":
		return fmt.Sprintf("%+.4g rpm", quantity.MustUnit("rpm").FromSI(*c.Change))
	}
	return fmt.Sprintf("%+.4g %s", *c.Change, c.Unit)
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
	var reason string
	var only, discard bool
	v := &verb{least: 2, most: 2, versions: 1, changes: true, author: "who restores", Command: cobra.Command{
		Use:     "restore BOAT VERSION",
		Short:   "bring a version back, as a new version and into the working files",
		Example: "  quaybench profile restore petrel spring\n  quaybench profile restore petrel summer --discard",
	}}
	v.run = func(c *call) (*outcome, error) {
		v, err := c.book.Restore(c, c.boat, c.args[1], profiles.RestoreOptions{Author: c.who, Reason: reason, Tool: bench.Version, SettingsOnly: only, Discard: discard})
		return &outcome{value: v, show: func() {
			c.print("the working files of %s hold v%d %s: %s\n", v.Boat, v.Number, v.Hash.Short(), resultText(v.Result))
			c.caution()
		}}, err
	}
	cmd := v.command(sys)
	cmd.Flags().StringVarP(&reason, "message", "m", "", "why (default: restore HASH)")
	cmd.Flags().BoolVar(&only, "settings-only", false, "leave the boat file as it is")
	cmd.Flags().BoolVar(&discard, "discard", false, "overwrite working files whose text is in no version")
	return cmd
}

// marked shows a mark that was made.
func (c *call) marked(m *profiles.Mark, err error) (*outcome, error) {
	return &outcome{value: m, show: func() { c.wrapped("%s %s: %s", m.Boat, m.Version.Short(), markText(*m)) }}, err
}

func profileLabel(sys *system) *cobra.Command {
	var note string
	v := &verb{least: 3, most: 3, versions: 1, changes: true, author: "who labels", Command: cobra.Command{
		Use:     "label BOAT VERSION LABEL",
		Short:   "give a version a name",
		Example: "  quaybench profile label petrel head summer",
	}}
	v.run = func(c *call) (*outcome, error) {
		return c.marked(c.book.Label(c, c.boat, c.args[1], c.args[2], profiles.LabelOptions{Author: c.who, Tool: bench.Version, Note: note}))
	}
	cmd := v.command(sys)
	cmd.Flags().StringVarP(&note, "message", "m", "", "a note")
	return cmd
}

func profileApprove(sys *system) *cobra.Command {
	var note, despite string
	var files []string
	v := &verb{least: 2, most: 2, versions: 1, changes: true, author: "who approves", Command: cobra.Command{
		Use:   "approve BOAT VERSION",
		Short: "approve a version on the evidence of its verdict, and of records given",
		Long: `Refused, whatever the reason, while values are still the example's; refused while the verdict is over or not judged, the evidence included (a test that was stopped is not judged), where nothing was tried, and where a record given as evidence is damaged, cut off, of other settings or of another boat, unless --despite
gives a reason, which stays on the record. That a record is of a test that was stopped is noted.`,
		Example: `  quaybench profile approve petrel head --author "yard"
  quaybench try petrel --trial crash-stop --csv run.csv
  quaybench profile approve petrel summer --evidence run.csv --despite "ferry home at dead slow only"`,
	}}
	v.run = func(c *call) (*outcome, error) {
		version, err := c.book.Show(c, c.boat, c.args[1])
		if err != nil {
			return nil, err
		}
		if setup, err := savedSetup(c, version); err == nil { // what cannot be read any more says so elsewhere
			if err := own(setup); err != nil {
				return nil, fmt.Errorf("%s is not approved: %w", version.Hash.Short(), err)
			}
		}
		o := profiles.ApproveOptions{Author: c.who, Tool: bench.Version, Note: note, Despite: despite}
		var notes []string
		if o.Evidence, o.Verdicts, notes, err = evidence(c, version, files, despite != ""); err != nil {
			return nil, err
		}
		o.Note = strings.Join(append(slices.DeleteFunc([]string{note}, func(s string) bool { return s == "" }), notes...), "; ")
		mark, err := c.book.Approve(c, c.boat, string(version.Hash), o)
		var refused *profiles.RefusedError
		if errors.As(err, &refused) && len(notes) > 0 { // the version's own verdict may be clear
			err = fmt.Errorf("%w; %s", err, strings.Join(notes, "; "))
		}
		out, err := c.marked(mark, err)
		if err != nil {
			return nil, err
		}
		show := out.show
		out.show = func() { show(); c.caution() }
		return out, nil
	}
	cmd := v.command(sys)
	cmd.Flags().StringVarP(&note, "message", "m", "", "a note")
	cmd.Flags().StringVar(&despite, "despite", "", "reason to approve although the verdict is over or not judged, nothing was tried, or the evidence is of something else")
	cmd.Flags().StringArrayVar(&files, "evidence", nil, "file to keep with the approval, such as the record of a step test (may be repeated)")
	return cmd
}

func profileWritten(sys *system) *cobra.Command {
	var note string
	var back bool
	v := &verb{least: 3, most: 3, versions: 1, changes: true, author: "who wrote it", Command: cobra.Command{
		Use:     "written BOAT VERSION CONTROLLER",
		Short:   "note that a version was written to a controller",
		Example: "  quaybench profile written petrel head serial-1234 --read-back",
	}}
	v.run = func(c *call) (*outcome, error) {
		return c.marked(c.book.MarkWritten(c, c.boat, c.args[1], profiles.WrittenOptions{Author: c.who, Tool: bench.Version, Note: note, Controller: c.args[2], ReadBack: back}))
	}
	cmd := v.command(sys)
	cmd.Flags().StringVarP(&note, "message", "m", "", "a note")
	cmd.Flags().BoolVar(&back, "read-back", false, "every setting was read back and found equal")
	return cmd
}

func profileHistory(sys *system) *cobra.Command {
	v := &verb{least: 2, most: 2, Command: cobra.Command{
		Use:     "history BOAT KEY",
		Short:   "who set this value, when and why, over time",
		Example: "  quaybench profile history petrel limits.motor_current",
	}}
	v.run = func(c *call) (*outcome, error) {
		events, err := c.book.History(c, c.boat, c.args[1])
		return &outcome{value: append([]profiles.SettingEvent{}, events...), show: func() {
			tab := &layout.Table{Right: map[int]bool{3: true}}
			tab.Add("version", "hash", "when", "value", "author", "verdict", "why")
			for _, e := range events {
				tab.Add(fmt.Sprintf("v%d", e.Number), e.Version.Short(), e.Time.Format("2006-01-02 15:04"), cmp.Or(e.Now, "-"), e.Author, resultText(e.Result), e.Reason)
			}
			c.table(tab)
			c.tellMoves(c.boat, "")
		}}, err
	}
	cmd := v.command(sys)
	cmd.ValidArgsFunction = func(cmd *cobra.Command, args []string, word string) ([]string, cobra.ShellCompDirective) {
		if len(args) == 1 {
			return keys(settings.Fields(), "\t"), cobra.ShellCompDirectiveNoFileComp
		}
		return completeBoats(sys)(cmd, args, word)
	}
	return cmd
}

// setOptions are what `quaybench set` is asked.
type setOptions struct {
	assignments []string
	boat        string
}

func (o *setOptions) run(ctx context.Context, sys *system) error {
	book, done, err := openBookWith(ctx, sys, o.boat, true)
	if err != nil {
		return err
	}
	defer done()
	var was settings.Set
	var now settings.Set
	err = book.Edit(ctx, o.boat, profiles.SettingsFile, func(text []byte) ([]byte, error) {
		name := filepath.Join(book.Dir(), o.boat, profiles.SettingsFile)
		before, _, err := settings.Read(name, text)
		if err != nil {
			return nil, err
		}
		was = before
		for _, a := range o.assignments {
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
	for _, d := range report.Changes(was, now) {
		fmt.Fprintln(sys.Out, d)
	}
	return nil
}

func setCommand(sys *system) *cobra.Command {
	var o setOptions
	cmd := &cobra.Command{
		Use:   "set BOAT KEY=VALUE...",
		Short: "change values in a boat's working settings file, keeping its comments and order",
		Example: `  quaybench set petrel limits.motor_current="150 A"
  quaybench set petrel ramp.rise="3 s" stall.time="5 s"`,
		Args: arguments(2, 100, "BOAT KEY=VALUE..."),
		RunE: func(cmd *cobra.Command, args []string) error {
			o.assignments = args[1:]
			o.boat = args[0]
			return o.run(cmd.Context(), sys)
		},
		ValidArgsFunction: func(cmd *cobra.Command, args []string, word string) ([]string, cobra.ShellCompDirective) {
			if len(args) == 0 {
				return completeBoats(sys)(cmd, args, word)
			}
			return completeSettings(cmd, args, word)
		},
	}
	return cmd
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
