package main

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"quaybench/bench"
	"quaybench/bench/datafile"
	"quaybench/bench/link"
	"quaybench/bench/quantity"
	"quaybench/bench/readings"
	"quaybench/bench/record"
	"quaybench/bench/report"
	"quaybench/bench/study"
	"quaybench/bench/trial"
	"quaybench/profiles"
)

// sheetOptions are what `quaybench sheet` is asked.
type sheetOptions struct {
	boat     string
	set      []string
	trial    string
	meters   []string
	settings bool
	example  bool
	csv      tableFile
	fill     string
	record   string
	author   string
	date     string
	errors   []string // of the meters
	json     bool
	paper    paperFlags
}

func (o *sheetOptions) run(ctx context.Context, sys *system) error {
	if (o.trial == "") == !o.settings {
		return input(errors.New("name the trial to read (--trial harbour), or ask for --settings to type in"))
	}
	if o.fill != "" && (o.csv.name != "" || o.paper.wanted()) {
		return input(errors.New("--fill takes a sheet back; --csv and --report make a new one: one at a time"))
	}
	if err := o.paper.check(sys, o.json); err != nil {
		return err
	}
	if err := o.csv.check(sys, o.json); err != nil {
		return err
	}
	b, err := findBerth(sys, o.boat, o.set)
	if err != nil {
		return err
	}
	if o.fill == "" && !o.example { // what comes back is kept, whatever the file says
		if err := own(b.Setup); err != nil {
			return err
		}
	}
	if o.settings {
		return o.typeIn(ctx, sys, b)
	}
	t, err := loadTrial(sys, o.trial)
	if err != nil {
		return input(err)
	}
	var meters []string
	for _, m := range o.meters {
		meters = append(meters, strings.TrimSpace(m))
	}
	s, err := bench.MakeSheet(ctx, b.Setup, t, meters)
	if err != nil {
		if stopped(err) {
			return stopError{err}
		}
		return input(err)
	}
	if o.fill != "" {
		return o.takeReadings(ctx, sys, b, s)
	}
	return o.give(ctx, sys, b, clipboardOf(s), s, s.CSV())
}

// give prints a form, and writes it where it was asked for.
func (o *sheetOptions) give(ctx context.Context, sys *system, b *berth, form report.Result, asJSON json.Marshaler, table []byte) error {
	var err error
	switch {
	case o.json:
		err = writeJSON(sys, asJSON)
	case o.csv.name != standardOutput:
		show(sys, paperOf(b.Setup, nil, form))
	}
	if err == nil && o.csv.name != "" {
		err = writeWhole(o.csv.out, o.csv.name, o.csv.force.given(), func(w io.Writer) error {
			_, err := w.Write(table)
			return err
		})
		if err == nil && !o.json && o.csv.name != standardOutput {
			fmt.Fprintln(sys.Out, "wrote", o.csv.name)
		}
	}
	if err != nil {
		return err
	}
	return o.paper.write(ctx, sys, b.Setup, nil, form, o.json)
}

// clipboardOf returns a sheet for screen and paper.
func clipboardOf(s *bench.Sheet) *report.Clipboard {
	c := &report.Clipboard{Trial: s.Trial.Name, About: s.Trial.About, Moored: s.Trial.Moored, Warnings: examplesLeft(s.Setup)}
	c.Conditions = fmt.Sprintf("air %s, water %s, charge %.0f %%", quantity.Format(s.Trial.Air, "°C", 2), quantity.Format(s.Trial.Water, "°C", 2), 100*s.Trial.Charge)
	if s.Trial.Moored {
		c.Conditions += ", moored"
	}
	if s.Missing > 0 {
		c.Warnings = append(c.Warnings, quantity.Sentence("the bands leave out %.2g %% of the boats that the file's tolerances allow, which cannot be simulated: they may be too narrow", 100*s.Missing))
	}
	for _, m := range s.Meters {
		c.Meters = append(c.Meters, report.ClipboardMeter{Name: m.Name, Unit: m.Unit, With: m.With})
	}
	for _, r := range s.Rows {
		k := report.ClipboardRow{At: r.At, Lever: r.Lever, Over: r.Over, Move: r.Move}
		for _, e := range r.Expected {
			k.Low, k.High = append(k.Low, e.Low), append(k.High, e.High)
		}
		c.Rows = append(c.Rows, k)
	}
	for _, b := range s.Stops {
		c.Stops = append(c.Stops, fmt.Sprintf("%s passes %s: %s", quantity.Spoken(b.Channel), b.Range(), b.Why))
	}
	return c
}

// fillText returns what came back: a file, or what is typed row by row.
func (o *sheetOptions) fillText(ask func(keys *keyboard) ([]byte, error), sys *system) (name string, text []byte, err error) {
	if o.fill == standardOutput {
		text, err = ask(newKeyboard(sys))
		return "typed", text, err
	}
	if text, err = datafile.ReadFile(o.fill, largestText); err != nil {
		return "", nil, input(fmt.Errorf("%s cannot be read: %w", o.fill, err))
	}
	return o.fill, text, nil
}

// takeReadings keeps what was read by hand as a record, in the way of `quaybench readings`.
func (o *sheetOptions) takeReadings(ctx context.Context, sys *system, b *berth, s *bench.Sheet) error {
	r := readingsOptions{boat: o.boat, files: []string{"sheet-" + s.Trial.Name + ".csv"}, record: o.record, author: o.author, json: o.json, date: o.date, meters: o.errors}
	if o.fill != standardOutput {
		r.files[0] = o.fill
	}
	if _, err := r.recordName(); err != nil { // before anything is typed
		return err
	}
	name, text, err := o.fillText(func(keys *keyboard) ([]byte, error) { return askReadings(ctx, keys, s) }, sys)
	if err != nil {
		return err
	}
	if n, all := filledRows(text); n < 2 {
		return input(fmt.Errorf("%s: %d of %d rows have a reading, and two are the fewest: fill in what the meters showed and take it back with --fill", name, n, all))
	}
	u, err := readings.Read(name, text, nil, 0)
	if err != nil {
		return input(err)
	}
	if err := r.errors([]*readings.Understood{u}); err != nil {
		return input(err)
	}
	if at, shown, asked, ok := otherLever(u.Run, s.Trial); ok {
		return input(fmt.Errorf("%s: at %s its lever is at %.0f %%, in %s at %.0f %%: is it the sheet of another trial? What was driven otherwise `quaybench readings` takes", name, shownTime(at), 100*shown, s.Trial.Name, 100*asked))
	}
	if s, err = s.WithMeters(ctx, u); err != nil {
		return err
	}
	u.Remarks = s.Outside(u.Run)
	return r.take(ctx, sys, b, s.Trial, []*readings.Understood{u}, [][]byte{text})
}

// otherLever returns where the lever that a sheet names is not the trial's, if in half of its rows it is not: its numbers belong to another trial's weather then.
func otherLever(run *record.Run, t *trial.Trial) (at, shown, asked float64, ok bool) {
	lever, has := run.Trace(record.Lever)
	if !has {
		return 0, 0, 0, false
	}
	other := 0
	for i, x := range run.Time {
		if is := t.Lever(x)(x); math.Abs(is-lever.Values[i]) > 0.06 {
			if other++; other == 1 {
				at, shown, asked = x, lever.Values[i], is
			}
		}
	}
	return at, shown, asked, 2*other >= len(run.Time)
}

// filledRows counts the rows of a sheet's table that hold a reading, and all of them. Another table has none to count, and is for the reader to judge.
func filledRows(text []byte) (filled, all int) {
	r := csv.NewReader(bytes.NewReader(bytes.TrimPrefix(text, []byte("\ufeff"))))
	r.FieldsPerRecord = -1
	rows, err := r.ReadAll()
	if err != nil || len(rows) < 2 || len(rows[0]) < 3 || rows[0][0] != "time [s]" {
		return 2, 2
	}
	for _, row := range rows[1:] {
		all++
		if len(row) > 2 && slices.ContainsFunc(row[2:], func(cell string) bool { return strings.Trim(cell, " -") != "" }) {
			filled++
		}
	}
	return filled, all
}

// askReadings asks for each row of a sheet in turn. What was typed before it is stopped goes into a file that --fill takes.
func askReadings(ctx context.Context, keys *keyboard, s *bench.Sheet) ([]byte, error) {
	p := &panel{keys: keys}
	out := keys.sys.Out
	say := func(text string) { fmt.Fprintln(out, wrapped(text, keys.sys.width())) }
	say("Type what was read, numbers in one line, in the order and the units that are asked for; - for what was not read, back to type the row before again, end when no more was read.")
	rows := slices.DeleteFunc(slices.Clone(s.Rows), func(r bench.SheetRow) bool { return r.Move })
	var typed [][]string
	for len(typed) < len(rows) {
		r := rows[len(typed)]
		var wanted []string
		for i, e := range r.Expected {
			if !e.Skip {
				wanted = append(wanted, quantity.Spoken(s.Meters[i].Name)+" ["+s.Meters[i].Unit+"]")
			}
		}
		fmt.Fprint(out, wrapped(fmt.Sprintf("at %s: %s", shownTime(r.At), strings.Join(wanted, ", ")), keys.sys.width())+"\n> ")
		text, err := p.answer(ctx)
		text = strings.TrimSpace(text)
		switch {
		case stopped(err):
			return nil, errors.Join(stopError{err}, keepTyped(keys.sys, s, typed))
		case errors.Is(err, errEnded) || text == "end":
			return s.Filled(typed), nil
		case err != nil:
			return nil, errors.Join(err, keepTyped(keys.sys, s, typed))
		case text == "back":
			typed = typed[:max(0, len(typed)-1)]
			continue
		}
		words := strings.Fields(strings.NewReplacer(";", " ", ", ", " ").Replace(text))
		if len(words) != len(wanted) {
			say(fmt.Sprintf("That is %s, and %d are asked for. Type all of them with blanks between, and - for what was not read.", study.Plural(len(words), "number"), len(wanted)))
			continue
		}
		row, bad := make([]string, len(s.Meters)), ""
		for i, e := range r.Expected {
			if e.Skip {
				continue
			}
			w := strings.ReplaceAll(words[0], ",", ".")
			words = words[1:]
			if w == "-" {
				continue
			}
			if _, err := quantity.Parse(w+" "+s.Meters[i].Unit, quantity.MustUnit(s.Meters[i].Unit)); err != nil {
				bad = w
			}
			row[i] = w
		}
		if bad != "" {
			say(fmt.Sprintf("%q is no number. Type the row again, as in 53.4, without units, and - for what was not read.", bad))
			continue
		}
		typed = append(typed, row)
	}
	return s.Filled(typed), nil
}

// keepTyped writes what was typed so far into a new file, so that nothing is lost, and says so.
func keepTyped(sys *system, s *bench.Sheet, typed [][]string) error {
	if len(typed) == 0 {
		return nil
	}
	base := "sheet-" + s.Trial.Name
	for n := 1; n < 1000; n++ {
		name := base + ".csv"
		if n > 1 {
			name = fmt.Sprintf("%s-%d.csv", base, n)
		}
		f, err := os.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
		if errors.Is(err, os.ErrExist) {
			continue
		}
		if err != nil {
			return fmt.Errorf("what was typed is lost: %w", err)
		}
		_, err = f.Write(s.Filled(typed))
		if err = errors.Join(err, f.Close()); err != nil {
			return fmt.Errorf("what was typed is lost: %w", err)
		}
		sys.say(fmt.Sprintf("%s typed so far: kept in %s; fill in the rest there and take it back with --fill %s", study.Plural(len(typed), "row"), name, name))
		return nil
	}
	return nil
}

// typeIn prints the settings to type into a controller, or takes back what it shows.
func (o *sheetOptions) typeIn(ctx context.Context, sys *system, b *berth) error {
	form := &report.TypeIn{Hash: b.Settings.Hash(), Warnings: examplesLeft(b.Setup)}
	form.Rows = report.SettingRows(paperOf(b.Setup, nil, form))
	var table bytes.Buffer
	w := csv.NewWriter(&table)
	_ = w.Write([]string{"setting", "value", "after"}) // into memory
	for _, r := range form.Rows {
		_ = w.Write([]string{r.Key, r.Value, ""})
	}
	w.Flush()
	if o.fill == "" {
		return o.give(ctx, sys, b, form, typeInJSON(b, form), table.Bytes())
	}
	name, text, err := o.fillText(func(keys *keyboard) ([]byte, error) { return askSettings(ctx, keys, form) }, sys)
	if err != nil {
		return err
	}
	list, err := bench.ReadTypedSettings(name, text, b.Settings)
	if err != nil {
		return input(err)
	}
	var found []link.Change
	var differs []string
	shown := map[string]string{}
	for _, t := range list {
		shown[t.Key] = t.Shown
		if t.Number {
			found = append(found, link.Change{Key: t.Key, From: t.SI, To: t.SI})
		}
		if t.File != t.Shown {
			differs = append(differs, fmt.Sprintf("%s: the controller shows %s, the file says %s", t.Key, t.Shown, t.File))
		}
	}
	j, err := openJournal(b.journ, "what its maker's software showed, typed in", sys.Clock.Now, func(key string, _ float64) string { return shown[key] })
	if err != nil {
		return err
	}
	if err := errors.Join(j.Note(link.Found, found...), j.Note(link.Ends, found...), j.Close()); err != nil {
		return err
	}
	said := fmt.Sprintf("%s typed in; the journal of %s knows them now (quaybench controller journal %s)", study.Plural(len(list), "setting"), b.Boat.Name, b.name)
	if kept, err := keepMeasured(ctx, sys, b, o.author, "settings as the controller showed them", []profiles.File{{Role: profiles.RoleOther, Name: "settings-shown.csv", Content: text}}); err != nil {
		return err
	} else if b.book != nil {
		said += "; " + kept
	}
	if !o.json {
		fmt.Fprintln(sys.Out, wrapped(said, sys.width()))
		for _, d := range differs {
			fmt.Fprintln(sys.Out, hung("differs: ", d, sys.width()))
		}
		fmt.Fprintln(sys.Out, wrapped(bench.Caution, sys.width()))
	} else if err := writeJSON(sys, filledJSON(b, list, differs)); err != nil {
		return err
	}
	if len(differs) > 0 {
		return fmt.Errorf("the controller does not show %s: %d differ", b.source(), len(differs))
	}
	return nil
}

// askSettings asks what the controller shows of each setting.
func askSettings(ctx context.Context, keys *keyboard, form *report.TypeIn) ([]byte, error) {
	p := &panel{keys: keys}
	var text bytes.Buffer
	w := csv.NewWriter(&text)
	_ = w.Write([]string{"setting", "value", "after"}) // into memory
	fmt.Fprintln(keys.sys.Out, wrapped("Type what the controller shows, with its unit; an empty line for what it has no place for; end for no more.", keys.sys.width()))
	for _, r := range form.Rows {
		fmt.Fprintf(keys.sys.Out, "%s (file: %s)\n> ", r.Key, r.Value)
		answer, err := p.answer(ctx)
		switch {
		case stopped(err):
			return nil, stopError{err}
		case errors.Is(err, errEnded) || strings.TrimSpace(answer) == "end":
			w.Flush()
			return text.Bytes(), nil
		case err != nil:
			return nil, err
		}
		if answer = strings.TrimSpace(answer); answer == "-" {
			answer = ""
		}
		_ = w.Write([]string{r.Key, r.Value, answer})
	}
	w.Flush()
	return text.Bytes(), nil
}

// raw is JSON made of a value.
type raw struct{ value any }

func (r raw) MarshalJSON() ([]byte, error) { return json.Marshal(r.value) }

func typeInJSON(b *berth, form *report.TypeIn) json.Marshaler {
	type row struct {
		Key   string `json:"key"`
		Value string `json:"value"`
		What  string `json:"what"`
	}
	out := struct {
		Format   int    `json:"format"`
		Boat     string `json:"boat"`
		Caution  string `json:"caution"`
		Hash     string `json:"settings_hash"`
		Settings []row  `json:"settings"`
	}{1, b.Boat.Name, bench.Caution, form.Hash, nil}
	for _, r := range form.Rows {
		out.Settings = append(out.Settings, row{r.Key, r.Value, r.What})
	}
	return raw{out}
}

func filledJSON(b *berth, list []bench.TypedSetting, differs []string) json.Marshaler {
	type row struct {
		Key   string `json:"key"`
		File  string `json:"file"`
		Shown string `json:"shown"`
	}
	out := struct {
		Format   int      `json:"format"`
		Boat     string   `json:"boat"`
		Caution  string   `json:"caution"`
		Settings []row    `json:"settings"`
		Differs  []string `json:"differs"`
	}{1, b.Boat.Name, bench.Caution, nil, append([]string{}, differs...)}
	for _, t := range list {
		out.Settings = append(out.Settings, row{t.Key, t.File, t.Shown})
	}
	return raw{out}
}

func sheetCommand(sys *system) *cobra.Command {
	var o sheetOptions
	cmd := &cobra.Command{
		Use:   "sheet BOAT",
		Short: "print the form for the clipboard: what to do and read in a trial, or which settings to type in",
		Long: `With --trial it lays out a trial to be read by hand: what to do with the lever and when, what to read with which meter, the predicted value's band, a blank for what
the meter shows, when to stop. With --settings it lists the values to type into a controller that only its maker's software reaches, with a blank for what it shows
afterwards. --report makes an A4 PDF or a page of HTML of it, --csv a table with blanks.

--fill takes it back: the table with its blanks filled in, or - to type the answers here. Readings become a record, as with "readings": say with --date when they were
read, and with --set what the day was like (air, water, charge). Settings go into the controller's journal, as with "controller read".

Exit code: 0 done, 1 the controller shows other settings than the file, 4 not judged (values are still the example's: there is no sheet, and what is taken back is kept), 2 bad use or input.`,
		Example: `  quaybench sheet petrel --trial harbour --report sheet.pdf --csv sheet.csv
  quaybench sheet petrel --trial harbour --meters voltage,battery_current,boat_speed
  quaybench sheet petrel --trial harbour --fill sheet.csv
  quaybench sheet petrel --settings`,
		Args: arguments(1, 1, "BOAT"),
		RunE: func(cmd *cobra.Command, args []string) error {
			o.boat = args[0]
			return o.run(cmd.Context(), sys)
		},
	}
	addSet(cmd, sys, &o.set, insteadOfFile)
	addTrial(cmd, &o.trial, "that is run")
	cmd.Flags().StringSliceVar(&o.meters, "meters", nil, "`METERS` at hand, parted by commas (default: voltage, battery_current, motor_current, boat_speed, motor housing)")
	cmd.Flags().BoolVar(&o.settings, "settings", false, "list the settings to type in")
	cmd.Flags().BoolVar(&o.example, "example", false, "make a sheet although values are still the example's, to practise: its numbers are another boat's, and it says so")
	cmd.Flags().StringVar(&o.fill, "fill", "", "take back this `FILE`, which --csv wrote and somebody filled in; - asks for the answers here")
	cmd.Flags().StringVar(&o.record, "record", "", "with --fill: write the record to this new `FILE` (default: monday.csv gives monday.record.csv)")
	cmd.Flags().StringVar(&o.author, "author", "", "with --fill: who read (default: QUAYBENCH_AUTHOR, else the machine's user)")
	cmd.Flags().StringVar(&o.date, "date", "", dateHelp)
	cmd.Flags().StringArrayVar(&o.errors, "meter", nil, meterHelp)
	cmd.Flags().StringVar(&o.csv.name, "csv", "", "write the table with its blanks to this `FILE`; - is the standard output")
	cmd.Flags().BoolVar(&o.json, "json", false, "print one JSON object")
	o.paper.tables = true
	o.paper.add(cmd)
	o.csv.force = o.paper.force
	cmd.ValidArgsFunction = completeBoats(sys)
	return cmd
}
