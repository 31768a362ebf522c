package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"time"

	"github.com/google/renameio/v2/maybe"

	"quaybench/bench/datafile"
	"quaybench/bench/link"
	"quaybench/bench/link/instrument"
	"quaybench/bench/link/lines"
	"quaybench/bench/link/port"
	"quaybench/bench/measure"
	"quaybench/bench/quantity"
	"quaybench/bench/readings"
)

// loggers are the instruments that a command line names.
type loggers struct {
	sys   *system
	keys  *keyboard
	berth *berth
	list  []string // each PORT or PORT=FILE
	known map[string]instrument.Format
}

// newLoggers reads the flags --logger and --columns.
func newLoggers(sys *system, keys *keyboard, b *berth, controller string, list []string, columns string) (*loggers, error) {
	switch {
	case columns != "" && len(list) == 0:
		return nil, input(errors.New("--columns says what a logger sends: name its port too (--logger PORT)"))
	case columns != "" && len(list) > 1:
		return nil, input(errors.New("--columns is for one logger; of several write --logger PORT=FILE"))
	case columns != "" && strings.Contains(list[0], "="):
		return nil, input(fmt.Errorf("--logger %s names a file already: leave out --columns", list[0]))
	case columns != "":
		list = []string{list[0] + "=" + columns}
	}
	taken := []string{portName(controller)}
	for _, text := range list {
		name := portName(text)
		if name == taken[0] && name != "" {
			return nil, input(fmt.Errorf("%s is named by --on and by --logger: controller and instrument have a port each", name))
		}
		if slices.Contains(taken, name) {
			return nil, input(fmt.Errorf("--logger %s is named twice: one port has one instrument", name))
		}
		taken = append(taken, name)
	}
	return &loggers{sys: sys, keys: keys, berth: b, list: list, known: map[string]instrument.Format{}}, nil
}

// portName returns the port in NAME@RATE or NAME@RATE=FILE.
func portName(text string) string {
	on, _, _ := strings.Cut(text, "=")
	if at := strings.LastIndexByte(on, '@'); at >= 0 {
		return on[:at]
	}
	return on
}

// open opens all of them. What is named first is believed where two measure the same.
func (l *loggers) open(ctx context.Context) (beside []measure.Beside, shut func() error, err error) {
	var ports []port.Port
	shut = func() (err error) {
		for _, p := range slices.Backward(ports) {
			err = errors.Join(err, p.Close())
		}
		return err
	}
	for _, text := range l.list {
		on, file, _ := strings.Cut(text, "=")
		address, err := port.ParseAddress(on)
		if err != nil {
			return nil, shut, input(err)
		}
		var format instrument.Format
		if file != "" {
			if format, err = loadInstrument(file); err != nil {
				return nil, shut, err
			}
		}
		p, err := l.sys.Open(address)
		if err != nil {
			return nil, shut, err
		}
		ports = append(ports, p)
		if err := discardOld(ctx, p); err != nil {
			return nil, shut, fmt.Errorf("%s: %w", on, err)
		}
		if format == nil {
			if format, err = l.find(ctx, on, address, p); err != nil {
				return nil, shut, err
			}
		}
		beside = append(beside, measure.Beside{
			Instrument: format.Open(p, l.sys.Clock), Name: fmt.Sprintf("%s on %s", format.Title(), on),
			Stale: min(format.StaleAfter(), oldestReading(format.Channels())), // a frozen instrument shows nothing more
		})
	}
	return beside, shut, nil
}

// discardOld discards input that has waited in the system since nobody knows when.
func discardOld(ctx context.Context, p port.Port) error {
	buffer := make([]byte, 4096)
	for range 1000 {
		switch _, err := p.Read(ctx, buffer, 0); {
		case errors.Is(err, port.ErrTimeout):
			return nil
		case err != nil:
			return err
		}
	}
	return nil
}

func loadInstrument(file string) (instrument.Format, error) {
	text, err := datafile.ReadFile(file, largestText)
	if err != nil {
		return nil, input(fmt.Errorf("what the instrument sends cannot be read: %w", err))
	}
	f, err := instrument.Load(file, text)
	if err != nil {
		return nil, input(err)
	}
	return f, nil
}

// oldestReading returns the age of the oldest reading of an instrument that a test believes, whatever its file says: what a hard
// limit watches may not be older than moments. A temperature alone moves slowly.
func oldestReading(channels []link.Channel) time.Duration {
	oldest := time.Minute
	for _, c := range channels {
		if k, _ := link.KindOf(c.Name); k.Limit != "" {
			oldest = min(oldest, map[bool]time.Duration{true: 15 * time.Second, false: 2 * time.Second}[k.Unit == "°C"])
		}
	}
	return oldest
}

var notFileName = regexp.MustCompile(`[^A-Za-z0-9._-]+`)

// kept returns the name of the file beside the boat with what was learned of the instrument on a port; "" where the boat has no folder.
func (l *loggers) kept(a port.Address) string {
	if l.berth.home == "" {
		return ""
	}
	return filepath.Join(l.berth.home, "logger-"+notFileName.ReplaceAllString(filepath.Base(a.Name), "-")+".toml")
}

// find finds out what the instrument on a port sends: as it was kept beside the boat, as it is heard, or as a person says.
func (l *loggers) find(ctx context.Context, on string, a port.Address, p port.Port) (instrument.Format, error) {
	if f := l.known[on]; f != nil { // for the programme before, of the same script
		return f, nil
	}
	f, err := l.findAnew(ctx, on, a, p)
	if err == nil {
		l.known[on] = f
	}
	return f, err
}

func (l *loggers) findAnew(ctx context.Context, on string, a port.Address, p port.Port) (instrument.Format, error) {
	file := l.kept(a)
	if file != "" {
		switch text, err := datafile.ReadFile(file, largestText); {
		case err == nil:
			f, err := instrument.Load(file, text)
			if err != nil {
				return nil, input(err)
			}
			l.say("%s is read as %s has it (remove that file to have it looked at anew)", on, file)
			return f, l.stillFits(ctx, on, file, f, p)
		case !errors.Is(err, fs.ErrNotExist):
			return nil, input(fmt.Errorf("what is kept of the instrument cannot be read: %w", err))
		}
	}
	const listening = 4 * time.Second
	l.say("listening to %s for up to %v", on, listening)
	heard, err := instrument.Listen(ctx, p, l.sys.Clock, listening)
	if stopped(err) {
		return nil, stopError{err}
	}
	if err != nil {
		return nil, fmt.Errorf("%s: %w", on, err)
	}
	if f, kinds, is := heard.Sentences(); is {
		if f == nil {
			return nil, input(fmt.Errorf("%s sends sentences of NMEA 0183, but none with a speed (RMC, VTG or VHW): switch one on in the instrument", on))
		}
		l.say("%s speaks NMEA 0183: %s from %s", on, strings.Join(names(f.Channels()), ", "), strings.Join(kinds, ", "))
		return f, nil
	}
	if err := heard.Wrong(listening); err != nil {
		return nil, input(unheard{fmt.Errorf("%s: %w", on, err)})
	}
	h, err := readings.Hear(heard.Lines)
	if err != nil {
		return nil, input(unheard{fmt.Errorf("%s: %w: check the baud rate, or describe its lines in a file (--logger %s=FILE)", on, err, on)})
	}
	h.Every = heard.Took / time.Duration(len(heard.Lines))
	return l.learn(ctx, on, file, h)
}

// stillFits listens whether lines come that fit what was kept: today another instrument may hang on a port of that name.
func (l *loggers) stillFits(ctx context.Context, on, file string, f instrument.Format, p port.Port) error {
	list, ok := f.(*lines.Format)
	if !ok {
		return nil
	}
	heard, err := instrument.Listen(ctx, p, l.sys.Clock, 2*time.Second)
	if stopped(err) {
		return stopError{err}
	}
	if err != nil {
		return fmt.Errorf("%s: %w", on, err)
	}
	parser, why := lines.NewParser(list), error(nil)
	parser.Feed([]byte("\n"+strings.Join(heard.Lines, "\n")+"\n"), l.sys.Clock.Now(), func(_ link.Sample, err error) {
		if err != nil {
			why = err
		}
	})
	if len(heard.Lines) < 3 || parser.Stats().Samples > 0 {
		return nil
	}
	if why == nil {
		why = errors.New("they are of another kind")
	}
	return input(fmt.Errorf("%d lines came from %s and none is as %s has it: is another instrument there today? Remove that file, or name the right one (--logger %s=FILE). The newest: %w", len(heard.Lines), on, file, on, why))
}

// learn writes a column list from the lines that were heard.
func (l *loggers) learn(ctx context.Context, on, file string, h *readings.HeardLines) (instrument.Format, error) {
	how := "learned from its header"
	for i := range h.Columns {
		c := &h.Columns[i]
		if c.Is == "" {
			how = "as somebody said"
			if err := l.ask(ctx, on, h, i); err != nil {
				return nil, err
			}
			continue
		}
		what := c.Is
		switch c.Is {
		case readings.Ignore:
			what = "not used"
		case readings.Time:
			what = "the logger's clock: where it stands still, the logger hangs"
		default:
			what += " " + c.Unit
		}
		l.say("  column %d, %q: %s", i+1, c.Header, what)
	}
	text, err := h.List("logger", fmt.Sprintf("What the logger on %s sends, %s. Complete it as you like.", on, how))
	if err != nil {
		return nil, input(fmt.Errorf("%s: %w", on, err))
	}
	if file == "" {
		if err := l.berth.shelve(ctx, l.sys); err != nil {
			return nil, err
		}
		if a, err := port.ParseAddress(on); err == nil {
			file = l.kept(a)
		}
	}
	f, err := instrument.Load(file, []byte(text))
	if err != nil {
		return nil, fmt.Errorf("%s: %w", on, err)
	}
	if err := maybe.WriteFile(file, []byte(text), 0o644); err != nil {
		return nil, fmt.Errorf("what was learned of %s cannot be kept: %w", on, err)
	}
	l.say("kept in %s", file)
	return f, nil
}

// ask asks the person what a column is.
func (l *loggers) ask(ctx context.Context, on string, h *readings.HeardLines, column int) error {
	c := &h.Columns[column]
	head := ""
	if c.Header != "" {
		head = fmt.Sprintf(" %q,", c.Header)
	}
	question := fmt.Sprintf("%s sends lines such as %q. Column %d,%s now %s: %s", on, h.Example, column+1, head, c.Example, c.Ask)
	if !l.keys.person() {
		return input(fmt.Errorf("%s (run it in a terminal to answer, or describe the columns in a file: --logger %s=FILE)", question, on))
	}
	fmt.Fprintln(l.sys.Out, wrapped(question+" Write its name and unit, for example: battery_current A; or: clock, if it is the logger's own time or count; or: ignore. Names are "+link.StandardChannels()+", or others for what no limit watches.", l.sys.width()))
	for {
		l.keys.empty()
		fmt.Fprint(l.sys.Out, "> ")
		text, err := l.keys.line(ctx)
		switch {
		case stopped(err):
			return stopError{err}
		case err != nil:
			return input(errors.New("nobody says what the columns are"))
		}
		if err := h.Answer(column, text); err != nil {
			fmt.Fprintln(l.sys.Out, wrapped(err.Error(), l.sys.width()))
			continue
		}
		return nil
	}
}

func (l *loggers) say(format string, args ...any) {
	fmt.Fprintln(l.sys.Out, wrapped(fmt.Sprintf(format, args...), l.sys.width()))
}

// showNow shows what instruments read before a test, and which is believed.
func showNow(sys *system, now link.Sample, channels []link.Channel) {
	fmt.Fprintln(sys.Out, "read now:")
	for i, c := range channels {
		from := c.Source
		if from == "" {
			from = "the controller"
		}
		fmt.Fprintln(sys.Out, hung("  ", fmt.Sprintf("%s %s, by %s", quantity.Spoken(c.Name), shownReading(now.Values[i], cmp.Or(c.Unit, "1")), from), sys.width()))
	}
}

// shownReading shows a reading, or that there is none.
func shownReading(v float64, unit string) string {
	if math.IsNaN(v) {
		return "no reading"
	}
	return quantity.Format(v, unit, 3)
}
