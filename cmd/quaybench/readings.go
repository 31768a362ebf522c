package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/google/renameio/v2/maybe"
	"github.com/spf13/cobra"

	"quaybench/bench"
	"quaybench/bench/datafile"
	"quaybench/bench/quantity"
	"quaybench/bench/readings"
	"quaybench/bench/record"
	"quaybench/bench/report"
	"quaybench/bench/study"
	"quaybench/bench/trial"
	"quaybench/bench/verdict"
	"quaybench/profiles"
)

// readingsOptions are what `quaybench readings` is asked.
type readingsOptions struct {
	boat    string
	files   []string
	set     []string
	columns string
	trial   string
	meters  []string
	shifts  []string
	record  string
	air     string
	charge  string
	date    string
	author  string
	moored  bool
	dry     bool
	json    bool
	paper   paperFlags
}

func (o *readingsOptions) run(ctx context.Context, sys *system) error {
	if err := o.paper.check(sys, o.json); err != nil {
		return err
	}
	b, err := findBerth(sys, o.boat, o.set)
	if err != nil {
		return err
	}
	t, err := o.weather(sys)
	if err != nil {
		return input(err)
	}
	var columns *readings.Columns
	if o.columns != "" {
		text, err := datafile.ReadFile(o.columns, largestText)
		if err != nil {
			return input(fmt.Errorf("the columns file cannot be read: %w", err))
		}
		if columns, err = readings.ReadColumns(o.columns, text); err != nil {
			return input(err)
		}
	}
	var files []*readings.Understood
	var texts [][]byte
	for i, name := range o.files {
		text, err := datafile.ReadFile(name, profiles.LargestKept)
		if err != nil {
			return input(fmt.Errorf("%s cannot be read: %w", name, err))
		}
		shift := 0.0
		if i < len(o.shifts) {
			v, err := quantity.Parse(o.shifts[i], quantity.MustUnit("s"))
			if err != nil {
				return input(fmt.Errorf("--shift: %w", err))
			}
			shift = v.SI
		}
		u, err := readings.Read(name, text, columns, shift)
		if err != nil {
			return input(err)
		}
		files, texts = append(files, u), append(texts, text)
	}
	if err := o.errors(files); err != nil {
		return input(err)
	}
	return o.take(ctx, sys, b, t, files, texts)
}

// take records what was understood, and saves it.
func (o *readingsOptions) take(ctx context.Context, sys *system, b *berth, t *trial.Trial, files []*readings.Understood, texts [][]byte) error {
	wrong := bench.CheckLogged(files)
	if wrong == nil {
		wrong = o.dates(sys, files)
	}
	if wrong == nil {
		wrong = readings.Align(files)
	}
	if !o.json { // what was understood says also why it is not enough
		for _, u := range files {
			showUnderstood(sys, u)
		}
	}
	if wrong != nil {
		return input(wrong)
	}
	logged, err := bench.JudgeReadings(ctx, b.Setup, files, t)
	if err != nil {
		return err
	}
	var kept []string
	if !o.dry {
		if kept, err = o.keep(ctx, sys, b, logged, texts); err != nil {
			return err
		}
	}
	judged, blank := &report.Judged{Trial: logged.Verdict}, b.Own()
	if blank != nil {
		judged.Blank = blank.Error()
	}
	for _, u := range files {
		judged.Read = append(judged.Read, append([]string{u.Name}, understood(u)...))
	}
	if o.json {
		err := errors.Join(writeJSON(sys, understoodJSON(b, logged, kept, o.dry)), o.paper.write(ctx, sys, b.Setup, nil, judged, true))
		return errors.Join(err, ended(verdict.Clear, blank))
	}
	out := sys.Out
	if logged.NotInferred != "" {
		fmt.Fprintln(out, wrapped("nothing was inferred of the parts: "+logged.NotInferred, sys.width()))
	} else {
		show(sys, &report.Paper{Boat: b.Boat, Settings: b.Settings, Result: judged})
	}
	if o.dry {
		fmt.Fprintln(out, wrapped("nothing was kept (--dry-run)", sys.width()))
	}
	for _, k := range kept {
		fmt.Fprintln(out, hung("kept ", k, sys.width()))
	}
	if len(kept) > 0 && logged.Run.Provenance.Clock == "" {
		fmt.Fprintln(out, wrapped("It does not say when it was read, so `quaybench drift` cannot use it: --date says it.", sys.width()))
	}
	fmt.Fprintln(out, wrapped(bench.Caution, sys.width()))
	return errors.Join(o.paper.write(ctx, sys, b.Setup, nil, judged, false), ended(verdict.Clear, blank))
}

// weather returns the trial that the readings were made in.
func (o *readingsOptions) weather(sys *system) (*trial.Trial, error) {
	t := &trial.Trial{}
	if o.trial != "" {
		found, err := loadTrial(sys, o.trial)
		if err != nil {
			return nil, err
		}
		copied := *found
		t = &copied
	} else {
		fair, err := bench.FairReadings()
		if err != nil {
			return nil, err
		}
		t = fair
	}
	for _, f := range []struct{ flag, key, text string }{{"--air", "air", o.air}, {"--charge", "charge", o.charge}} {
		if f.text == "" {
			continue
		}
		if err := datafile.SetField(t, f.key, f.text); err != nil {
			return nil, fmt.Errorf("%s: %w", f.flag, err)
		}
	}
	if o.moored {
		t.Moored = true
	}
	return t, nil
}

// Help of flags that sheet has too.
const (
	meterHelp = "error of the meter of a channel: `CHANNEL=ERROR`, for example voltage=\"± 0.5 % ± 0.2 V\" (may be repeated)"
	dateHelp  = "`DATE` of the first row, where the file does not say: 2026-05-01, or \"2026-05-01 14:30\""
)

// dates sets the date of --date in files that hold none.
func (o *readingsOptions) dates(sys *system, files []*readings.Understood) error {
	if o.date == "" {
		return nil
	}
	if began := files[0].Begins; !began.IsZero() {
		return fmt.Errorf("--date: %s says itself when it was read: %s", files[0].Name, began.Format(time.RFC3339))
	}
	now := sys.Clock.Now()
	for _, layout := range []string{time.DateOnly, "2006-01-02 15:04", time.RFC3339} {
		if at, err := time.ParseInLocation(layout, o.date, now.Location()); err == nil {
			if at.After(now) {
				return fmt.Errorf("--date %s is still to come", o.date)
			}
			files[0].Begins = at
			return nil
		}
	}
	return fmt.Errorf("--date %q: write 2026-05-01, or \"2026-05-01 14:30\"", o.date)
}

// errors sets the meters' errors of --meter in what was read.
func (o *readingsOptions) errors(files []*readings.Understood) error {
	for _, text := range o.meters {
		is, what, ok := strings.Cut(text, "=")
		if !ok {
			return fmt.Errorf("--meter %q: write for example battery_current=\"± 2 %% ± 3 A\"", text)
		}
		found := false
		for _, u := range files {
			for _, c := range u.Columns {
				if c.Is != strings.TrimSpace(is) {
					continue
				}
				m, err := readings.ParseError(what, c.Is, c.Unit)
				if err != nil {
					return fmt.Errorf("--meter %s: %w", is, err)
				}
				u.SetMeter(c.Is, m)
				found = true
			}
		}
		if !found {
			return fmt.Errorf("--meter %s: no column was taken for it", is)
		}
	}
	return nil
}

// recordName returns the name of the record's file, which must be a new one.
func (o *readingsOptions) recordName() (string, error) {
	name := o.record
	if name == "" {
		base := filepath.Base(o.files[0])
		name = strings.TrimSuffix(base, filepath.Ext(base)) + ".record.csv"
	}
	if name == "-" {
		return "", errNoStream
	}
	if _, err := os.Stat(name); err == nil {
		return "", input(fmt.Errorf("%s exists already: name a new file with --record", name))
	}
	return name, nil
}

// keep writes the record, and puts it and the original bytes under the boat in the book.
func (o *readingsOptions) keep(ctx context.Context, sys *system, b *berth, l *bench.Logged, texts [][]byte) (kept []string, err error) {
	var text bytes.Buffer
	if err := record.Write(&text, l.Run); err != nil {
		return nil, err
	}
	name, err := o.recordName()
	if err != nil {
		return nil, err
	}
	if err := maybe.WriteFile(name, text.Bytes(), 0o644); err != nil {
		return kept, err
	}
	kept = append(kept, name+": the record, for `quaybench learn` and `compare`")
	evidence := []profiles.File{{Role: profiles.RoleRecord, Name: filepath.Base(name), Content: text.Bytes()}}
	for i, original := range texts {
		evidence = append(evidence, profiles.File{Role: profiles.RoleOther, Name: filepath.Base(o.files[i]), Content: original})
	}
	said, err := keepMeasured(ctx, sys, b, o.author, "readings of "+fileNames(o.files), evidence)
	return append(kept, said), err
}

// keepMeasured keeps what was measured on a boat in its book, under a mark on the version that the boat's files continue; where nothing was saved yet, a version
// is saved first.
func keepMeasured(ctx context.Context, sys *system, b *berth, by, note string, evidence []profiles.File) (said string, err error) {
	if b.book == nil || b.home == "" {
		return "nothing in a book: the boat is in none", nil
	}
	who, err := author(sys, by)
	if err != nil {
		return "", err
	}
	list, err := b.book.List(ctx, b.name)
	if err != nil {
		return "", fromBook(err)
	}
	on := string(list.Working.Continues)
	if on == "" {
		v, err := b.book.Save(ctx, b.name, profiles.SaveOptions{Author: who, Tool: bench.Version, Reason: "as it stood: " + note})
		if err != nil {
			return "", fromBook(err)
		}
		on = string(v.Hash)
	}
	mark, err := b.book.MarkMeasured(ctx, b.name, on, profiles.MeasuredOptions{Author: who, Tool: bench.Version, Note: note, Evidence: evidence})
	if err != nil {
		return "", fromBook(err)
	}
	var names []string
	for _, k := range mark.Kept {
		names = append(names, k.Name+" ("+k.Hash.Short()+")")
	}
	return fmt.Sprintf("in the book, on version %s of %s, byte for byte: %s", mark.Version.Short(), b.name, strings.Join(names, ", ")), nil
}

func fileNames(paths []string) string {
	var names []string
	for _, p := range paths {
		names = append(names, filepath.Base(p))
	}
	return strings.Join(names, ", ")
}

// showUnderstood prints what was understood of a file.
func showUnderstood(sys *system, u *readings.Understood) {
	fmt.Fprintln(sys.Out, u.Name)
	for _, text := range understood(u) {
		fmt.Fprintln(sys.Out, hung("  ", text, sys.width()))
	}
}

// understood returns what was understood of a file, line by line.
func understood(u *readings.Understood) (lines []string) {
	say := func(text string) { lines = append(lines, text) }
	text := fmt.Sprintf("columns parted by %s, decimal %s, times as %s", u.Delimiter, u.Decimal, u.Clock)
	if u.Delimiter == readings.Sentences {
		text = fmt.Sprintf("%s, times as %s", u.Delimiter, u.Clock)
	}
	if !u.Begins.IsZero() {
		text += ", from " + u.Begins.Format(time.DateTime)
	}
	if u.AnyOrder && u.Begins.IsZero() {
		text += "; its dates may have the day or the month first, so the day is not known: say it with --date"
	}
	if u.Above > 0 {
		text += fmt.Sprintf("; %s above the header passed over", study.Plural(u.Above, "line"))
	}
	say(text)
	for _, c := range u.Columns {
		what := c.Is
		if c.Is == readings.Ignore {
			say(fmt.Sprintf("%q is not used", c.Header))
			continue
		}
		if c.Unit != "" {
			what += " in " + c.Unit
		}
		if c.Meter != nil {
			what += ", ± " + strings.TrimPrefix(meterText(c.Meter, readings.ErrorUnit(c.Is, c.Unit)), "± ")
		}
		if c.Note != "" {
			what += " (" + c.Note + ")"
		}
		say(fmt.Sprintf("%q is %s", c.Header, what))
	}
	text = fmt.Sprintf("%s kept, %s", study.Plural(u.Rows, "row"), report.ShownTime(u.Run.Time[len(u.Run.Time)-1]))
	if u.Moved > 0 {
		text += fmt.Sprintf("; out of order and put into it: %d", u.Moved)
	}
	if u.Gap > 0 {
		text += fmt.Sprintf("; longest gap %s, at %s", report.ShownTime(u.Gap), report.ShownTime(u.GapAt))
	}
	say(text)
	const most = 20
	for i, r := range u.LeftOut {
		if i == most {
			say(fmt.Sprintf("and %d more rows left out (--json lists all)", len(u.LeftOut)-most))
			break
		}
		say(fmt.Sprintf("line %d left out: %s", r.Line, r.Why))
	}
	for i, text := range u.Remarks {
		if i == mostRemarks {
			say(fmt.Sprintf("and %d more such readings (--json lists all)", len(u.Remarks)-i))
			break
		}
		say(text)
	}
	return lines
}

// mostRemarks is how many remarks on readings a screen shows.
const mostRemarks = 6

func meterText(m *record.Meter, unit string) string {
	var parts []string
	if m.Gain > 0 {
		parts = append(parts, fmt.Sprintf("%.3g %%", 100*m.Gain))
	}
	if m.Offset > 0 {
		parts = append(parts, quantity.Format(m.Offset, unit, 2))
	}
	return strings.Join(parts, " ± ")
}

func understoodJSON(b *berth, l *bench.Logged, kept []string, dry bool) any {
	type row struct {
		Line int    `json:"line"`
		Why  string `json:"why"`
	}
	type column struct {
		Header string `json:"header"`
		Is     string `json:"is"`
		Unit   string `json:"unit"`
		Note   string `json:"note,omitempty"`
	}
	type file struct {
		Name      string   `json:"name"`
		Delimiter string   `json:"delimiter"`
		Decimal   string   `json:"decimal"`
		Clock     string   `json:"times"`
		Columns   []column `json:"columns"`
		Rows      int      `json:"rows"`
		Moved     int      `json:"out_of_order"`
		LeftOut   []row    `json:"left_out"`
		Remarks   []string `json:"second_look"`
	}
	out := struct {
		Format  int           `json:"format"`
		Boat    string        `json:"boat"`
		Caution string        `json:"caution"`
		Files   []file        `json:"files"`
		Judged  *bench.Logged `json:"judged"`
		Kept    []string      `json:"kept"`
		DryRun  bool          `json:"dry_run"`
	}{1, b.Boat.Name, bench.Caution, nil, l, append([]string{}, kept...), dry}
	for _, u := range l.Files {
		f := file{Name: u.Name, Delimiter: u.Delimiter, Decimal: u.Decimal, Clock: u.Clock, Rows: u.Rows, Moved: u.Moved, LeftOut: []row{}, Remarks: append([]string{}, u.Remarks...)}
		for _, c := range u.Columns {
			f.Columns = append(f.Columns, column{c.Header, c.Is, c.Unit, c.Note})
		}
		for _, r := range u.LeftOut {
			f.LeftOut = append(f.LeftOut, row{r.Line, r.Why})
		}
		out.Files = append(out.Files, f)
	}
	return out
}

func readingsCommand(sys *system) *cobra.Command {
	var o readingsOptions
	cmd := &cobra.Command{
		Use:   "readings BOAT FILE...",
		Short: "take in what other loggers and spreadsheets wrote, as a record of the boat",
		Long: `Reads CSV files of other loggers, phones and spreadsheets: semicolons, tabs or commas, comma or point decimals, any usual time format or plain numbers with their unit,
gaps, rows doubled or out of order. It says what it understood of each column, and names each row that it leaves out and why. Units stand in the header
("Volts [V]") or in a columns file; none is guessed. What may mean two things it asks. Several files become one record; --shift moves a clock.
A file of NMEA 0183, as a GPS or a log sent it, gives speed over ground (RMC, VTG) and through the water (VHW); where there was no fix is a gap.

The record is of the same type as a step test's: learn, compare and the verdict work on it. The original bytes are kept in the book, under the boat.

An infrared thermometer reads bare metal tens of kelvin too low and sees a surface, never the winding: say in the columns file what it looked at (spot =
"bare metal" or "taped"). A speed over ground holds the current of the water.

Exit code: 0 done, 2 bad use, or a file that cannot be read or asks a question, 4 not judged (values are still the example's), 1 any other failure.`,
		Example: `  quaybench readings petrel logger.csv --dry-run
  quaybench readings petrel logger.csv --meter battery_current="± 2 % ± 3 A" --air "18 °C" --charge "95 %" --record outing.csv`,
		Args: arguments(1, 20, "BOAT FILE..."),
		RunE: func(cmd *cobra.Command, args []string) error {
			if o.boat, o.files = args[0], args[1:]; len(o.files) == 0 {
				return input(errors.New("name the files that the loggers wrote"))
			}
			return o.run(cmd.Context(), sys)
		},
	}
	addSet(cmd, sys, &o.set, insteadOfFile)
	cmd.Flags().StringVar(&o.columns, "columns", "", "`FILE` that says what the columns are")
	addTrial(cmd, &o.trial, "that was run: weather, charge, and the lever where none was recorded")
	cmd.Flags().StringVar(&o.air, "air", "", "outside air")
	cmd.Flags().StringVar(&o.charge, "charge", "", "state of charge at the start")
	cmd.Flags().BoolVar(&o.moored, "moored", false, "the boat was held fast")
	cmd.Flags().StringArrayVar(&o.meters, "meter", nil, meterHelp)
	cmd.Flags().StringVar(&o.date, "date", "", dateHelp)
	cmd.Flags().StringArrayVar(&o.shifts, "shift", nil, "`TIME` to add to the clock of a file, in the order of the files (may be repeated)")
	cmd.Flags().StringVar(&o.record, "record", "", "write the record to this new `FILE` (default: monday.csv gives monday.record.csv)")
	cmd.Flags().StringVar(&o.author, "author", "", "who measured (default: QUAYBENCH_AUTHOR, else the machine's user)")
	cmd.Flags().BoolVar(&o.dry, "dry-run", false, "say what was understood, and keep nothing")
	cmd.Flags().BoolVar(&o.json, "json", false, "print one JSON object")
	cmd.ValidArgsFunction = completeBoats(sys)
	o.paper.add(cmd)
	return cmd
}
