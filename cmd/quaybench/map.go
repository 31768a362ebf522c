package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"quaybench/bench"
	"quaybench/bench/datafile"
	"quaybench/bench/layout"
	"quaybench/bench/link"
	"quaybench/bench/link/eds"
	"quaybench/bench/link/guard"
	"quaybench/bench/link/maptable"
	"quaybench/bench/link/regmap"
	"quaybench/bench/quantity"
	"quaybench/bench/settings"
	"quaybench/bench/study"
)

// mapOptions are what `quaybench controller map` is asked.
type mapOptions struct {
	controllerFlags
	table, to, sheet string
	check            bool
	force            bool
}

func (o *mapOptions) run(ctx context.Context, sys *system) error {
	if n := len(slices.DeleteFunc([]bool{o.table != "", o.check, o.on != ""}, func(b bool) bool { return !b })); n != 1 {
		return input(errors.New("say what to do with the map: write a first one from a table (--new TABLE.csv), explain it (--check), or read all with it (--try PORT)"))
	}
	b, err := findBerth(sys, o.boat, o.set)
	if err != nil {
		return err
	}
	if o.table != "" {
		return o.draft(sys, b)
	}
	m, err := b.controllerMap(o.file, o.as, o.on)
	if err != nil {
		return err
	}
	if o.check {
		return o.explain(sys, b, m)
	}
	l, err := openLine(ctx, sys, b, m, o.on, o.alone, nil)
	if err != nil {
		return err
	}
	return errors.Join(o.survey(ctx, sys, b, m, l), l.close())
}

// draft writes a first map from a table.
func (o *mapOptions) draft(sys *system, b *berth) error {
	text, err := datafile.ReadFile(o.table, largestText)
	if err != nil {
		return input(fmt.Errorf("the table cannot be read: %w", err))
	}
	d, err := maptable.Make(o.table, text, maptable.Options{Title: b.Boat.Name + "'s controller", Known: settings.Fields()})
	if err != nil {
		return input(err)
	}
	file := o.to
	if file == "" {
		if b.home == "" {
			return input(fmt.Errorf("%s is a demo boat, with no folder of its own: name the new file with --to FILE", b.name))
		}
		file = filepath.Join(b.home, registerMap)
		if d.Objects {
			file = filepath.Join(b.home, objectMap)
		}
	}
	if err := writeWhole(sys.Out, file, o.force, func(w io.Writer) error { _, err := io.WriteString(w, d.Text); return err }); err != nil {
		return err
	}
	if file == standardOutput {
		return nil
	}
	say := func(text string, args ...any) {
		fmt.Fprintln(sys.Out, wrapped(fmt.Sprintf(text, args...), sys.width()))
	}
	texts := ""
	if d.Texts > 0 {
		texts = fmt.Sprintf("; %s of texts or 64 bits, which no map has, left out", study.Plural(d.Texts, "line"))
	}
	say("%s is a draft of %s from %s: %d with a key, %d as comments that wait for one%s.", file, study.Plural(d.Keyed+d.Open, "line"), o.table, d.Keyed, d.Open, texts)
	if len(d.Unknown) > 0 {
		say("Columns of the table that are not used: %s.", strings.Join(d.Unknown, ", "))
	}
	if len(d.Perhaps) > 0 {
		tab := &layout.Table{Right: map[int]bool{0: true}}
		tab.Add("line", "in the table", "perhaps the key")
		for _, p := range d.Perhaps {
			tab.Add(fmt.Sprint(p.Line), p.Name, strings.Join(p.Keys, " or "))
		}
		sys.table(tab)
	}
	switch {
	case d.Open > 0 && d.Keyed > 0:
		say("Lines without a key stay comments. Where one counts after all, write its key into the table and make the draft again with --force before you complete it, since that writes the whole file anew.")
	case d.Open > 0:
		say("The quickest way on: give the table a column with the header key, write the key of each line that counts (`quaybench settings` explains them; a reading is one of %s), and make the draft again with --force before you complete it, since that writes the whole file anew. Lines without a key stay comments.", link.StandardChannels())
	}
	if d.Keyed > 0 {
		say("Look up what the draft asks for in the manual, then: quaybench controller map %s --check --map %s", word(b.name), word(file))
	}
	return nil
}

// explain shows each line of a map with an example, and what is doubtful about it.
func (o *mapOptions) explain(sys *system, b *berth, m *controllerMap) error {
	var sheet *eds.File
	if o.sheet != "" {
		if m.objects == nil {
			return input(errors.New("--eds goes with an object map; this is a register map"))
		}
		text, err := datafile.ReadFile(o.sheet, largestRecord)
		if err != nil {
			return input(fmt.Errorf("the data sheet cannot be read: %w", err))
		}
		if sheet, err = eds.Read(o.sheet, text); err != nil {
			return input(err)
		}
	}
	sys.tell("%s: %s with %s and %s\n", m.Title, m.Noun, study.Plural(len(m.Settings), "setting"), study.Plural(len(m.Readings), "reading"))
	doubts := 0
	tab := &layout.Table{Right: map[int]bool{0: true}}
	tab.Add("line", "what", "where", "type", "for example", "")
	row := func(f guard.Field, key, example, doubt string) {
		if doubt == "" && sheet != nil {
			doubt = m.objects.Against(sheet, f)
		}
		doubt = cmp.Or(doubt, regmap.AsInManual(f.Place))
		if doubt != "" {
			doubts++
		}
		tab.Add(fmt.Sprint(f.Line), key, f.Place.String(), string(f.Kind), example, doubt)
	}
	for _, s := range m.Settings {
		example, doubt := explainSetting(b, s)
		row(s.Field, s.Key, example, doubt)
	}
	for _, r := range m.Readings {
		example, doubt := explainReading(r)
		row(r.Field, r.Name, example, doubt)
	}
	sys.table(tab)
	say := func(text string) { fmt.Fprintln(sys.Out, wrapped(text, sys.width())) }
	number := func(what string, p guard.Place) {
		if hint := regmap.AsInManual(p); hint != "" {
			doubts++
			say(what + ": " + hint)
		}
	}
	switch {
	case m.Running == nil:
		say("no mark of a driven motor ([running]): no setting can be written with this map")
	default:
		say(fmt.Sprintf("a driven motor shows at %v", m.Running.Place))
		number("the mark of a driven motor", m.Running.Place)
	}
	if m.objects != nil && !m.objects.Identified() {
		say(fmt.Sprintf("without [identity] whatever has the node number %d is taken for this controller: quaybench controller objects reads what it says of itself (object 1018)", m.objects.Node()))
	}
	switch {
	case m.Throttle != nil:
		if m.objects != nil && sheet != nil {
			if against := m.objects.ThrottleAgainst(sheet); against != "" {
				doubts++
				say("the throttle: " + against)
			}
		}
		say(fmt.Sprintf("throttle goes to %v: %g is zero, %g full ahead; the controller forgets it after %s, by its manual, which a step test proves first", m.Throttle.Place, m.Throttle.Zero, m.Throttle.Ahead, quantity.FormatDuration(m.Throttle.Timeout)))
		number("the throttle", m.Throttle.Place)
		if m.Throttle.Direction != nil {
			number("the direction", m.Throttle.Direction.Place)
		}
	default:
		say("no throttle over the line: step tests are made by hand with the lever (quaybench step --prompted)")
	}
	if err := bench.CheckCurrent(m.Describe().Channels); err != nil {
		say("without an instrument beside the controller (--logger) a step test is refused: " + err.Error())
	}
	if doubts > 0 {
		return fmt.Errorf("%s of the map: see above", study.Plural(doubts, "doubtful line"))
	}
	say(fmt.Sprintf("nothing in it contradicts itself. Whether it is true only the controller tells: quaybench controller map %s --try PORT", word(b.name)))
	return nil
}

// explainSetting returns an example of a setting and what is doubtful about it, held against the boat's file.
func explainSetting(b *berth, s guard.Setting) (example, doubt string) {
	if s.Words != nil {
		return fmt.Sprintf("raw %g is %s", s.Codes[0], s.Words[0]), ""
	}
	value, ok := b.Settings.Number(s.Key)
	if !ok || math.IsInf(value, 0) {
		value = (s.Min + s.Max) / 2
	}
	show := func(v float64) string { return heldText(s.Setting, v) }
	switch e, held := s.Example(value); {
	case !held:
		low, high := s.Kind.Limits()
		doubt = fmt.Sprintf("the file has %s, which a %s with this scale cannot hold (%s to %s): is the scale ten times off?", show(value), s.Kind, show(s.SI(low)), show(s.SI(high)))
		e, _ = s.Example(s.Max)
		return fmt.Sprintf("raw %g is %s", e.Count, show(e.Value)), doubt
	default:
		example = fmt.Sprintf("raw %g is %s", e.Count, show(e.Value))
		switch {
		case !s.Takes(value):
			doubt = fmt.Sprintf("the file has %s, outside min and max (%s to %s)", show(value), show(s.Min), show(s.Max))
		case s.Step > 0 && value != 0 && s.Step > math.Abs(value-zeroOf(s.Unit))/5:
			doubt = fmt.Sprintf("one count is %s, coarse beside the file's %s: is the scale ten times off?", differenceText(s.Setting, s.Step), show(value))
		}
	}
	return example, doubt
}

// zeroOf returns what a temperature's count is measured from.
func zeroOf(unit string) float64 {
	if unit == "°C" {
		return 273.15
	}
	return 0
}

// differenceText shows a step, of a temperature in K.
func differenceText(s link.Setting, step float64) string {
	s.Unit = quantity.Difference(s.Unit)
	return heldText(s, step)
}

// explainReading returns an example of a reading and what is doubtful about it.
func explainReading(r guard.Reading) (example, doubt string) {
	if r.Kind.Switch() {
		return "raw 1 is on", ""
	}
	low, high := r.Kind.Limits()
	at := math.Round(high / 4)
	if r.Kind == guard.F32 {
		low, high, at = -1000, 1000, 100
	}
	if most := r.Scaling.Max; !math.IsInf(most, 0) {
		zero := zeroOf(r.Channel.Unit)
		at = math.Round(r.Scaling.Count(zero + (most-zero)/2))
	}
	show := func(v float64) string { return heldText(link.Setting{Unit: r.Channel.Unit}, v) }
	example = fmt.Sprintf("raw %g is %s", at, show(r.SI(at)))
	if k, ok := link.KindOf(r.Name); ok && k.Limit != "" && math.IsInf(r.Scaling.Min, 0) && math.IsInf(r.Scaling.Max, 0) {
		doubt = fmt.Sprintf("without min and max any count from %s to %s is believed", show(r.SI(low)), show(r.SI(high)))
	}
	return example, doubt
}

// survey reads everything that a map has, and shows raw and scaled beside each other.
func (o *mapOptions) survey(ctx context.Context, sys *system, b *berth, m *controllerMap, l *line) error {
	list, err := l.survey(ctx)
	tab := &layout.Table{Right: map[int]bool{0: true, 3: true, 4: true}}
	tab.Add("line", "what", "where", "raw", "is", "")
	wrong, first := 0, error(nil)
	for _, s := range list {
		raw, value, note := fmt.Sprintf("%g", s.Kind.Number(s.Raw)), "", ""
		unit := link.Setting{Unit: s.Unit}
		for _, have := range m.Settings {
			if have.Key == s.Key {
				unit = have.Setting
			}
		}
		switch {
		case s.Err != nil:
			note = s.Err.Error()
			first = cmp.Or(first, s.Err)
			wrong++
			if s.Raw == 0 {
				raw = ""
			}
		default:
			value = heldText(unit, s.Value)
			if unit.Words == nil && (s.Value < s.Scaling.Min || s.Value > s.Scaling.Max) {
				note = "outside min and max"
				wrong++
			}
		}
		tab.Add(fmt.Sprint(s.Line), s.Key, s.Place.String(), raw, value, note)
	}
	sys.table(tab)
	if err != nil {
		return err
	}
	switch running, err := l.Running(ctx); {
	case errors.Is(err, link.ErrUnknown):
	case err != nil:
		fmt.Fprintln(sys.Out, "whether the motor is driven cannot be read:", err)
		wrong++
	default:
		fmt.Fprintf(sys.Out, "the motor is driven: %v\n", running)
	}
	fmt.Fprintln(sys.Out, wrapped("nothing was written. Compare each value with the controller's own display before you write with this map: a wrong scale reads back as right what it wrote wrong.", sys.width()))
	doubt := l.AtRest(ctx) // the throttle's place
	if wrong > 0 {
		doubt = errors.Join(unread{fmt.Errorf("%s could not be read as the map says: see the last column", study.Plural(wrong, "line")), first}, doubt)
	}
	return doubt
}

// unread is the error of a survey, and the first of its lines' errors.
type unread struct {
	error
	first error
}

func (e unread) Unwrap() error { return e.first }

func mapCommand(sys *system) *cobra.Command {
	var o mapOptions
	cmd := &cobra.Command{
		Use:   "map BOAT --new TABLE.csv | --check | --try PORT",
		Short: "write, explain and try the map of a controller's registers or objects",
		Long: `The map says which register (Modbus) or object (CANopen) of a controller holds what. --new writes a first one from a table, the list in the controller's
manual as CSV, with the header

  name;address;table;type;unit;scale;min;max;access;key        for registers
  name;index;sub;type;unit;scale;min;max;access;key            for objects

of which name, type and address or index must be there. What the table does not say stands in the map as a comment that asks for it. --check explains each
line with an example (raw 1400 is 140 A) and names what is wrong or doubtful: places used twice, scalings that the boat's own settings contradict. --try reads all
that the map has, shows raw and scaled beside each other, and writes nothing.

Exit code: 0 nothing doubtful, 1 something is, 2 bad use or a map that cannot be read.

` + bench.Caution,
		Example: `  quaybench controller map petrel --new manual.csv --to -
  quaybench controller map petrel --check
  quaybench controller map petrel --try sim`,
		Args: arguments(1, 1, "BOAT"),
		RunE: func(cmd *cobra.Command, args []string) error {
			o.boat = args[0]
			return o.run(cmd.Context(), sys)
		},
	}
	addMap(cmd, &o.file, &o.as)
	cmd.Flags().StringVar(&o.table, "new", "", "write a first map from this `TABLE` (CSV)")
	cmd.Flags().StringVar(&o.to, "to", "", "with --new: the new file (default: registers.toml or objects.toml beside the boat file; -: the standard output)")
	cmd.Flags().BoolVar(&o.force, "force", false, "with --new: write over a file that is there")
	cmd.Flags().BoolVar(&o.check, "check", false, "explain each line of the map, and say what is doubtful")
	cmd.Flags().StringVar(&o.sheet, "eds", "", "with --check: hold an object map against the controller's data sheet (EDS or DCF `FILE`)")
	cmd.Flags().StringVar(&o.on, "try", "", "read all that the map has on this `PORT`, raw and scaled; sim: a simulated controller")
	cmd.Flags().BoolVar(&o.alone, "alone", false, "over CAN: nothing but this controller hangs on the bus, so open it without listening to it first")
	cmd.ValidArgsFunction = completeBoats(sys)
	return cmd
}
