package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"quaybench/bench"
	"quaybench/bench/datafile"
	"quaybench/bench/layout"
	"quaybench/bench/link"
	"quaybench/bench/link/canopen"
	"quaybench/bench/link/modbus"
	"quaybench/bench/link/port"
	"quaybench/bench/measure"
	"quaybench/bench/quantity"
	"quaybench/bench/settings"
	"quaybench/bench/study"
	"quaybench/bench/verdict"
	"quaybench/profiles"
)

// controllerFlags are the flags of everything that talks to a controller.
type controllerFlags struct {
	writes             bool // --set is what is to be written
	boat, on, file, as string
	alone              bool
	set                []string
}

func (f *controllerFlags) add(cmd *cobra.Command, sys *system) {
	cmd.Flags().StringVar(&f.on, "on", "", "`PORT` and rate, for example /dev/ttyUSB0@115200 or /dev/ttyUSB0@19200,8E1; sim: a simulated controller")
	addMap(cmd, &f.file, &f.as)
	cmd.Flags().BoolVar(&f.alone, "alone", false, "over CAN: nothing but this controller hangs on the bus, so open it without listening to it first")
	addSet(cmd, sys, &f.set, insteadOfFile)
	cmd.ValidArgsFunction = completeBoats(sys)
}

// talk finds the boat and opens its controller for an act.
func (f *controllerFlags) talk(ctx context.Context, sys *system, act func(c *conversation) error) error {
	b, err := findBerth(sys, f.boat, f.set)
	if err != nil {
		return err
	}
	m, err := b.controllerMap(f.file, f.as, f.on)
	if err != nil {
		return err
	}
	held := *b
	if f.on == simulated && f.writes { // holds what the file says, as one on board does: --set is what is to be written
		as := *b.Setup
		as.Settings, held.Setup = b.filed, &as
	}
	l, err := openLine(ctx, sys, &held, m, f.on, f.alone, nil)
	if err != nil {
		return b.withHint(err)
	}
	err = act(&conversation{sys: sys, berth: b, line: l, hash: m.Hash, noun: m.Noun, tellsByItself: m.objects != nil && m.objects.TellsByItself(), Description: l.Describe()})
	if !l.sim() && (errors.As(err, new(*port.LostError)) || errors.Is(err, modbus.ErrNoReply) || errors.Is(err, canopen.ErrNoReply)) {
		err = b.withHint(err)
	}
	return errors.Join(err, l.close())
}

// withHint adds to the error of a line that does not answer where to look for what is in the controller.
func (b *berth) withHint(err error) error {
	if known, _ := readJournal(b.journ); len(known) > 0 && !errors.As(err, new(inputError)) {
		return fmt.Errorf("%w\n`quaybench controller journal %s` tells what is known to be in the controller", err, b.name)
	}
	return err
}

// conversation is an open controller of a boat.
type conversation struct {
	sys *system
	*berth
	*line
	hash string // of the map
	noun string // register map or object map
	// tellsByItself reports whether some readings come by TPDO.
	tellsByItself bool
	link.Description
	held []bench.ComparedSetting
	rest error // why the place of the throttle does not look as at rest; nil: it does, or cannot be read
}

func controllerCommand(sys *system) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "controller",
		Short: "read, write and compare the settings in a controller",
	}
	cmd.AddCommand(readCommand(sys), writeCommand(sys), compareCommand(sys), mapCommand(sys), objectsCommand(sys), journalCommand(sys))
	return cmd
}

// read runs `quaybench controller read`.
func (f *controllerFlags) read(ctx context.Context, sys *system) error {
	return f.talk(ctx, sys, func(c *conversation) error { return c.read(ctx) })
}

// compare runs `quaybench controller compare`.
func (f *controllerFlags) compare(ctx context.Context, sys *system) error {
	return f.talk(ctx, sys, func(c *conversation) error {
		if err := c.read(ctx); err != nil {
			return err
		}
		if list := c.differing(); len(list) > 0 {
			return fmt.Errorf("the controller does not hold %s: %s", c.source(), strings.Join(list, ", "))
		}
		return c.agree("")
	})
}

// write runs `quaybench controller write`.
func (f *controllerFlags) write(ctx context.Context, sys *system, yes, unconfirmed bool) error {
	f.writes = true
	return f.talk(ctx, sys, func(c *conversation) error { return c.write(ctx, yes, unconfirmed) })
}

func readCommand(sys *system) *cobra.Command {
	var f controllerFlags
	cmd := &cobra.Command{
		Use:     "read BOAT --on PORT",
		Short:   "show the controller's settings beside the file's",
		Example: "  quaybench controller read petrel --on /dev/ttyUSB0@115200\n  quaybench controller read petrel --on sim",
		Args:    arguments(1, 1, "BOAT"),
		RunE: func(cmd *cobra.Command, args []string) error {
			f.boat = args[0]
			return f.read(cmd.Context(), sys)
		},
	}
	f.add(cmd, sys)
	_ = cmd.MarkFlagRequired("on")
	return cmd
}

func compareCommand(sys *system) *cobra.Command {
	var f controllerFlags
	cmd := &cobra.Command{
		Use:     "compare BOAT --on PORT",
		Aliases: []string{"verify"},
		Short:   "tell whether the controller holds the file's settings; exit code 1 if not, 4 if none can be compared",
		Example: "  quaybench controller compare petrel --on sim\n  quaybench controller compare petrel --on /dev/ttyUSB0@115200",
		Args:    arguments(1, 1, "BOAT"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if cmd.CalledAs() == "verify" {
				sys.hint("controller verify", "controller compare")
			}
			f.boat = args[0]
			return f.compare(cmd.Context(), sys)
		},
	}
	f.add(cmd, sys)
	_ = cmd.MarkFlagRequired("on")
	return cmd
}

func writeCommand(sys *system) *cobra.Command {
	var f controllerFlags
	var yes, unconfirmed bool
	cmd := &cobra.Command{
		Use:   "write BOAT --on PORT",
		Short: "write the file's settings to the controller, each read back",
		Long: `Shows what differs, judges the settings in all built-in trials, asks, and writes in an order that is safe at each step: what makes things gentler comes
first. After each value all settings are read: it must be there, and nothing else may have changed; if not, everything is put back as it was. A journal beside
the boat file tells after any crash or unplugged line what is in the controller. Refused while the motor runs, while the verdict is over, or where the register
map says read-only. The first write with a map asks what the controller's own display shows for one value of each scale: a wrong scale would read
back as right what it wrote wrong. A controller that takes longer than 200 ms to begin an answer needs a line at the top of its register
map, such as turnaround = "500 ms".

If the boat's files are a saved version, the book notes that it was written.`,
		Example: `  quaybench controller write petrel --on /dev/ttyUSB0@115200
  quaybench controller write petrel --on /dev/ttyUSB0@115200 --set limits.motor_current="120 A"`,
		Args: arguments(1, 1, "BOAT"),
		RunE: func(cmd *cobra.Command, args []string) error {
			f.boat = args[0]
			return f.write(cmd.Context(), sys, yes, unconfirmed)
		},
	}
	f.add(cmd, sys)
	_ = cmd.MarkFlagRequired("on")
	cmd.Flags().BoolVar(&yes, "yes", false, "do not ask")
	cmd.Flags().BoolVar(&unconfirmed, "unconfirmed", false, "take the scales of a map as they are that nobody compared with the controller's own display")
	return cmd
}

// tellJournal runs `quaybench controller journal`.
func tellJournal(sys *system, boat string) error {
	b, err := findBerth(sys, boat, nil)
	if err != nil {
		return err
	}
	known, err := readJournal(b.journ)
	if err != nil {
		return err
	}
	if len(known) == 0 && holdsSomething(b.journ) {
		return fmt.Errorf("the journal %s is damaged: no line of it can be read, so what the controller holds is not known; read it first (quaybench controller read)", b.journ)
	}
	if len(known) == 0 {
		why := "no journal " + b.journ
		if b.journ == "" {
			why = "there is no book, so there is no journal"
		}
		sys.tell("nothing was written to %s's controller from here (%s)\n", b.Boat.Name, why)
		return nil
	}
	sys.tell("%s: what was last read from or written to its controller (%s)\n", b.Boat.Name, b.journ)
	showJournal(sys, known)
	if len(unsure(known)) > 0 {
		fmt.Fprintln(sys.Out, "read the controller before anything else: a write was cut off")
	}
	return nil
}

func journalCommand(sys *system) *cobra.Command {
	cmd := &cobra.Command{
		Use:     "journal BOAT",
		Short:   "tell what is known to be in the controller, with nothing plugged in",
		Example: "  quaybench controller journal petrel",
		Args:    arguments(1, 1, "BOAT"),
		RunE: func(cmd *cobra.Command, args []string) error {
			return tellJournal(sys, args[0])
		},
	}
	cmd.ValidArgsFunction = completeBoats(sys)
	return cmd
}

// source returns where the settings come from that the controller is held against.
func (b *berth) source() string {
	text := "the settings of " + b.SettingsFile
	if b.home == "" {
		text = fmt.Sprintf("the settings of the demo boat %s", b.name)
	}
	if len(b.assume) > 0 {
		text += " with --set"
	}
	return text
}

// assignments returns those of --set, as a shell takes them.
func (b *berth) assignments() (text string) {
	for _, a := range b.assume {
		key, value, _ := strings.Cut(a, "=")
		text += " --set " + assigned(key, value)
	}
	return text
}

// differing lists the settings that the controller does not hold.
func (c *conversation) differing() (list []string) {
	for _, h := range c.held {
		if !h.Same {
			list = append(list, h.Key)
		}
	}
	return list
}

// agree prints that no setting differs, of how many that could be compared; none at all is no answer.
func (c *conversation) agree(more string) error {
	rest := len(c.unmapped())
	if len(c.held) == 0 {
		return notJudgedError{why: fmt.Sprintf("the %s has none of the %d settings, so nothing was compared: look at the controller itself", c.noun, rest)}
	}
	text := fmt.Sprintf("the controller holds %s%s: all %d compared", c.source(), more, len(c.held))
	if rest > 0 {
		text = fmt.Sprintf("the controller holds %s%s, as far as can be seen: %d of %d compared, the other %d are not in the %s", c.source(), more, len(c.held), len(c.held)+rest, rest, c.noun)
	}
	fmt.Fprintln(c.sys.Out, wrapped(text, c.sys.width()))
	return nil
}

// read reads the controller and prints its settings beside the file's. What the journal did not know is known then.
func (c *conversation) read(ctx context.Context) error {
	out := c.sys.Out
	if err := c.relock(ctx, c.sys, c.line); err != nil {
		return err
	}
	values, err := c.ReadSettings(ctx)
	if err != nil {
		return fmt.Errorf("the controller's settings cannot be read: %w", err)
	}
	c.held = bench.CompareSettings(c.berth.Settings, c.Description, values)
	if err := c.settle(); err != nil {
		c.sys.say("quaybench: " + err.Error())
	}
	if c.rest = c.AtRest(ctx); c.rest != nil {
		fmt.Fprintln(out, wrapped("mind: "+c.rest.Error(), c.sys.width()))
	}
	c.sys.tell("%s: %s on %s\n", c.Boat.Name, cmp.Or(c.Title, "controller"), c.on)
	tab := &layout.Table{Right: map[int]bool{1: true, 2: true}}
	tab.Add("setting", "controller", "file", "")
	for _, h := range c.held {
		note := "same"
		if !h.Same {
			note = "differs"
		}
		if h.ReadOnly {
			note += ", read-only"
		}
		tab.Add(h.Key, heldText(h.Setting, h.Controller), heldText(h.Setting, h.File), note)
	}
	c.sys.table(tab)
	if rest := c.unmapped(); len(rest) > 0 {
		fmt.Fprintln(out, wrapped(fmt.Sprintf("not in the %s, so look at the controller itself for these %d: %s", c.noun, len(rest), strings.Join(rest, ", ")), c.sys.width()))
	}
	return c.readings(ctx)
}

// readings prints what the controller measures, where its map says that some of it comes by itself: with the source of each value
// and how old it can be.
func (c *conversation) readings(ctx context.Context) error {
	if !c.tellsByItself {
		return nil
	}
	now, err := c.ReadTelemetry(ctx)
	if err != nil {
		return fmt.Errorf("the readings: %w", err)
	}
	tab := &layout.Table{Right: map[int]bool{1: true, 3: true}}
	tab.Add("reading", "value", "by", "at most")
	for i, ch := range c.Channels {
		from := now.Origins[i]
		tab.Add(quantity.Spoken(ch.Name), quantity.FormatStated(now.Values[i], ch.Unit), from.Source, fmt.Sprintf("%d ms old", port.Age(from.Since, c.clock.Now()).Milliseconds()))
	}
	fmt.Fprintln(c.sys.Out)
	c.sys.table(tab)
	return nil
}

// settle shows what came of writes that were cut off, and what something else changed since the journal's last word of it, and writes it
// into the journal.
func (c *conversation) settle() error {
	if c.sim() {
		return nil
	}
	known, err := readJournal(c.journ)
	if err != nil {
		return err
	}
	var found []link.Change
	for _, h := range c.held {
		i := slices.IndexFunc(known, func(e entry) bool { return e.Key == h.Key })
		if i < 0 {
			continue
		}
		if text, sure := known[i].known(); sure && math.Abs(known[i].value()-h.Controller) > h.Step/2 {
			c.sys.tell("%s\n", wrapped(fmt.Sprintf("mind: %s was %s on %s (%s), and the controller holds %s: something else changed it, or this is another controller",
				h.Key, text, known[i].At.Local().Format("2006-01-02 15:04:05"), known[i].On, heldText(h.Setting, h.Controller)), c.sys.width()))
			found = append(found, link.Change{Key: h.Key, From: h.Controller, To: h.Controller})
		}
	}
	pending := unsure(known)
	if len(pending)+len(found) == 0 {
		return nil
	}
	for _, e := range pending {
		was := fmt.Sprintf("a write of %s from %s to %s was cut off", e.Key, e.From, e.To)
		if e.From == e.To { // what it was is all that is known
			was = fmt.Sprintf("%s is of a transfer that was cut off", e.Key)
		}
		was += fmt.Sprintf(" on %s (%s)", e.At.Local().Format("2006-01-02 15:04:05"), e.On)
		i := slices.IndexFunc(c.held, func(h bench.ComparedSetting) bool { return h.Key == e.Key })
		if i < 0 {
			c.sys.tell("mind: %s; this %s does not have it: look at the controller itself\n", was, c.noun)
			continue
		}
		h := c.held[i]
		c.sys.tell("mind: %s; the controller holds %s\n", was, heldText(h.Setting, h.Controller))
		found = append(found, link.Change{Key: h.Key, From: h.Controller, To: h.Controller})
	}
	j, err := openJournal(c.journ, c.on, c.sys.Clock.Now, c.show)
	if err != nil {
		return err
	}
	return errors.Join(j.Note(link.Found, found...), j.Note(link.Ends, found...), j.Close())
}

// unmapped lists the settings that the register map does not have.
func (c *conversation) unmapped() (list []string) {
	for _, f := range settings.Fields() {
		if f.Kind != datafile.KindGroup && !slices.ContainsFunc(c.Description.Settings, func(s link.Setting) bool { return s.Key == f.Key }) {
			list = append(list, f.Key)
		}
	}
	return list
}

// show prints the value of a setting.
func (c *conversation) show(key string, value float64) string {
	for _, s := range c.Description.Settings {
		if s.Key == key {
			return heldText(s, value)
		}
	}
	return fmt.Sprint(value)
}

// heldText returns a setting's value in words or with its unit.
func heldText(k link.Setting, v float64) string {
	if len(k.Words) > 0 {
		if i := int(v); i >= 0 && i < len(k.Words) {
			return k.Words[i]
		}
		return "?"
	}
	return quantity.FormatStated(v, k.Unit)
}

// write writes what differs.
func (c *conversation) write(ctx context.Context, yes, unconfirmed bool) error {
	out := c.sys.Out
	if err := own(c.Setup); err != nil {
		return fmt.Errorf("nothing was written: %w", err)
	}
	var absent []string
	for _, a := range c.assume {
		key, _, _ := strings.Cut(a, "=")
		if key = strings.TrimSpace(key); slices.Contains(c.unmapped(), key) {
			absent = append(absent, key)
		}
	}
	if len(absent) > 0 {
		return input(fmt.Errorf("nothing was written: the map has no %s, so --set cannot bring it to the controller: put it into the map, or set it at the controller itself", strings.Join(absent, ", ")))
	}
	if err := c.read(ctx); err != nil {
		return err
	}
	if len(c.differing()) == 0 {
		if err := c.agree(" already: nothing to write"); err != nil {
			return err
		}
		return c.mark(ctx, false)
	}
	if c.rest != nil {
		return fmt.Errorf("nothing was written: %w", c.rest)
	}
	order, err := bench.WriteOrder(c.Setup, c.held)
	if err != nil {
		return input(fmt.Errorf("nothing was written: %w", err))
	}
	tried, err := try(ctx, c.sys, c.Setup, bench.TryOptions{NoChange: true})
	if err != nil {
		return err
	}
	fmt.Fprintln(out, "\n"+wrapped(fmt.Sprintf("verdict of %s in all built-in trials: %s", c.source(), c.sys.painted(tried.Level(), tried.Level().String())), c.sys.width()))
	if tried.Level() == verdict.Over {
		c.sys.say(fmt.Sprintf("quaybench: nothing was written: these settings are over a limit; see `quaybench try %s%s`", word(c.name), c.assignments()))
		return overError{}
	}
	fmt.Fprintln(out, "to write, in this order:")
	for _, ch := range order {
		fmt.Fprintf(out, "  %s from %s to %s\n", ch.Key, c.show(ch.Key, ch.From), c.show(ch.Key, ch.To))
	}
	fmt.Fprintln(out, wrapped(bench.Caution, c.sys.width()))
	if !yes {
		if err := newKeyboard(c.sys).confirm(ctx, c.Boat.Name, "to write them"); err != nil {
			return err
		}
	}
	if !c.sim() {
		if err := c.shelve(ctx, c.sys); err != nil { // the journal comes to lie there
			return fmt.Errorf("nothing was written: %w", err)
		}
	}
	if unconfirmed {
		fmt.Fprintln(out, wrapped("the "+c.noun+"'s scales are taken as they are: nobody compared them with the controller's own display", c.sys.width()))
	} else if err := c.confirmScales(ctx, order); err != nil {
		return err
	}
	err = c.transfer(ctx, order)
	if err != nil && !errors.As(err, new(*link.UnnotedError)) {
		return errors.Join(err, c.takeBack(ctx, order))
	}
	fmt.Fprintf(out, "%s written and read back\n", study.Plural(len(order), "setting"))
	return errors.Join(err, c.mark(ctx, true))
}

// transfer writes changes, with a journal where the controller is a real one.
func (c *conversation) transfer(ctx context.Context, order []link.Change) (err error) {
	if c.sim() {
		return link.Transfer(ctx, c, order, noJournal{})
	}
	j, err := openJournal(c.journ, c.on, c.sys.Clock.Now, c.show)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, j.Close()) }()
	defer c.sys.Guard()() // a second Ctrl-C would leave the first's undoing half done
	// A shaft that still coasts is waited for, as before a step test; what Transfer then asks, it answers for itself.
	_, _ = measure.AwaitRest(ctx, c.sys.Clock, measure.RestPause, c.Running)
	if ctx.Err() != nil {
		return fmt.Errorf("nothing was written: %w", context.Cause(ctx))
	}
	return link.Transfer(ctx, c, order, j)
}

// noJournal is for a controller that is gone with the command.
type noJournal struct{}

func (noJournal) Note(link.State, ...link.Change) error { return nil }

// title returns the controller's name in the book: by its register map's title, whatever port it is plugged into today, or by the
// port where the map has none.
func (c *conversation) title() string { return cmp.Or(c.Title, "controller on "+c.on) }

// onPort returns a mark's note, with the port: two controllers under one title are told apart by it alone.
func (c *conversation) onPort(note string) string {
	if c.Title == "" {
		return note
	}
	return strings.TrimPrefix(note+"; on "+c.on, "; ")
}

// takeBack records in the book that the controller no longer holds the version written last, unless a failed write was undone
// in every setting.
func (c *conversation) takeBack(ctx context.Context, order []link.Change) error {
	if c.sim() || c.book == nil {
		return nil
	}
	known, err := readJournal(c.journ)
	if err != nil {
		return err
	}
	undone := true
	for i := range known {
		e := &known[i]
		for _, ch := range order {
			if e.Key == ch.Key {
				_, sure := e.known()
				holds := e.FromSI
				if e.State == link.Holds {
					holds = e.ToSI
				}
				undone = undone && sure && holds == ch.From
			}
		}
	}
	if undone {
		return nil
	}
	return c.replaced(context.WithoutCancel(ctx), "a write did not end; the journal tells what is known")
}

// replaced records in the book that something else is in the controller than the version written last.
func (c *conversation) replaced(ctx context.Context, note string) error {
	who, err := author(c.sys, "")
	if err == nil {
		_, err = c.book.MarkReplaced(ctx, c.name, c.title(), profiles.WrittenOptions{Author: who, Tool: bench.Version, Note: c.onPort(note)})
	}
	return fromBook(err)
}

// mark records in the book which version is in the controller, as all was read back: because it was written, or was found
// to be there. That it cannot be noted does not undo a write.
func (c *conversation) mark(ctx context.Context, written bool) error {
	if c.sim() {
		return nil
	}
	if err := c.shelve(ctx, c.sys); err != nil {
		return fmt.Errorf("the controller holds the settings, but the book does not say so: %w", err)
	}
	if c.book == nil {
		return nil
	}
	if len(c.assume) > 0 {
		return c.replaced(ctx, "settings that are in no version")
	}
	v := c.version(ctx)
	if v == nil {
		if err := c.replaced(ctx, "settings that are in no version"); err != nil {
			return err
		}
		c.sys.tell("these settings are in no version of the book: `quaybench profile save %s -m REASON` keeps them\n", c.name)
		return nil
	}
	if !written && slices.Contains(v.Controllers, c.title()) {
		c.sys.tell("the book says so already: %s is in the controller\n", versionName(v))
		return nil
	}
	who, err := author(c.sys, "")
	if err == nil {
		note := ""
		if n := len(c.unmapped()); n > 0 {
			note = fmt.Sprintf("%d settings are not in the %s", n, c.noun)
		}
		_, err = c.book.MarkWritten(ctx, c.name, string(v.Hash), profiles.WrittenOptions{
			Author: who, Tool: bench.Version, Controller: c.title(), ReadBack: true, Note: c.onPort(note),
		})
	}
	if err != nil {
		return fmt.Errorf("the controller holds the settings, but the book does not say so: %w", fromBook(err))
	}
	c.sys.tell("noted in the book: %s is in the controller\n", versionName(v))
	if c.Title != "" {
		c.tellOtherPort(ctx)
	}
	return nil
}

// tellOtherPort tells the user that the book takes two ports for one controller, where the last write to this title but one was on another.
func (c *conversation) tellOtherPort(ctx context.Context) {
	l, err := c.book.List(ctx, c.name)
	if err != nil {
		return
	}
	var writes []profiles.Mark
	for i := range l.Versions {
		for _, m := range l.Versions[i].Written() {
			if m.Controller == c.title() {
				writes = append(writes, m)
			}
		}
	}
	slices.SortFunc(writes, func(a, b profiles.Mark) int { return b.Time.Compare(a.Time) })
	if len(writes) > 1 && !strings.HasSuffix(writes[1].Note, "on "+c.on) {
		fmt.Fprintln(c.sys.Out, wrapped(fmt.Sprintf("the book takes it for the controller that was on another port before (%s), since both are called %s; if there are two, give each a map with a title of its own",
			profiles.Printable(writes[1].Note), profiles.Printable(c.title())), c.sys.width()))
	}
}
