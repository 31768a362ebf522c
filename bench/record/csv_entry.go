package record

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"reflect"
	"slices"
	"strings"
	"unicode/utf8"

	"github.com/pelletier/go-toml/v2"

	"quaybench/bench/quantity"
)

// entry is what one comment line says: one of its fields.
type entry struct {
	Format     int              `toml:"quaybench_record,omitempty"`
	Boat       string           `toml:"boat,omitempty"`
	Trial      string           `toml:"trial,omitempty"`
	Source     string           `toml:"source,omitempty"`
	Tool       string           `toml:"tool_version,omitempty"`
	Settings   string           `toml:"settings_hash,omitempty"`
	BoatHash   string           `toml:"boat_hash,omitempty"`
	Version    string           `toml:"profile_version,omitempty"`
	Clock      string           `toml:"clock,omitempty"`
	Program    string           `toml:"program,omitempty"`
	Rows       *int             `toml:"rows,omitempty"`
	Stopped    string           `toml:"stopped,omitempty"`
	Expect     []string         `toml:"expect,omitempty"`
	Assumed    []string         `toml:"assumed,omitempty"`
	LeftOut    []string         `toml:"left_out,omitempty"`
	Doubts     []string         `toml:"doubts,omitempty"`
	Gain       *gainEntry       `toml:"gain,omitempty,inline"`
	Energy     *energyEntry     `toml:"energy,omitempty,inline"`
	Statistics *statisticsEntry `toml:"statistics,omitempty,inline"`
	Part       *partEntry       `toml:"part,omitempty,inline"`
	Trace      *traceEntry      `toml:"trace,omitempty,inline"`
	Event      *eventEntry      `toml:"event,omitempty,inline"`
}

type gainEntry struct {
	TopSpeed  string `toml:"top_speed,omitempty"`
	Thrust    string `toml:"thrust,omitempty"`
	Endurance string `toml:"endurance,omitempty"`
	Distance  string `toml:"distance,omitempty"`
}

type energyEntry struct {
	Battery    string `toml:"battery"`
	Heat       string `toml:"heat"`
	Shaft      string `toml:"shaft"`
	Stored     string `toml:"stored"`
	Residual   string `toml:"residual"`
	Throughput string `toml:"throughput"`
}

type statisticsEntry struct {
	Steps       int     `toml:"steps"`
	Rejected    int     `toml:"rejected"`
	Evaluations int     `toml:"evaluations"`
	States      int     `toml:"states"`
	Suspect     float64 `toml:"suspect"`
}

type partEntry struct {
	Name        string `toml:"name"`
	Trace       string `toml:"trace"`
	Unit        string `toml:"unit"`
	Limit       string `toml:"limit"`
	Start       string `toml:"start"`
	Measure     string `toml:"measure"`
	Close       string `toml:"close"`
	Consequence string `toml:"consequence,omitempty"`
	Current     string `toml:"current,omitempty"`
	Unsure      string `toml:"unsure,omitempty"`
}

type traceEntry struct {
	Name     string `toml:"name"`
	Inferred bool   `toml:"inferred,omitempty"`
	Band     bool   `toml:"band,omitempty"`
	Gaps     bool   `toml:"gaps,omitempty"`
	Source   string `toml:"source,omitempty"`
	Gain     string `toml:"meter_gain,omitempty"`
	Offset   string `toml:"meter_offset,omitempty"`
	ReadsLow string `toml:"meter_reads_low,omitempty"`
}

type eventEntry struct {
	At     string `toml:"at"`
	Device string `toml:"device"`
	What   string `toml:"what,omitempty"`
	Kind   string `toml:"kind"`
	Until  string `toml:"until,omitempty"`
	Count  int    `toml:"count,omitempty"`
	Latest string `toml:"latest,omitempty"`
}

const never = "never" // an instant that does not come

// line returns the entry as a comment line; nothing for an entry that says nothing.
func (e entry) line() ([]byte, error) {
	text, err := toml.Marshal(e)
	if err != nil || len(text) == 0 {
		return nil, err
	}
	return append([]byte("# "), text...), nil
}

// parseEntry reads what follows "# ". The offset of an error counts bytes of text.
func parseEntry(text []byte) (e entry, offset int, err error) {
	if !utf8.Valid(text) {
		return e, 0, errors.New("this line is no UTF-8 text")
	}
	err = toml.NewDecoder(bytes.NewReader(text)).DisallowUnknownFields().Decode(&e)
	var unknown *toml.StrictMissingError
	var wrong *toml.DecodeError
	switch {
	case errors.As(err, &unknown):
		_, column := unknown.Errors[0].Position()
		return e, column - 1, fmt.Errorf("a record has no %s; a remark begins with ##", shown(strings.Join(unknown.Errors[0].Key(), ".")))
	case errors.As(err, &wrong):
		_, column := wrong.Position()
		return e, column - 1, fmt.Errorf("%s; a remark begins with ##", wrong.Error())
	case err != nil:
		return e, 0, err
	case reflect.ValueOf(e).IsZero():
		return e, 0, errors.New("this comment line says nothing; a remark begins with ##")
	}
	return e, 0, nil
}

// head lists the entries of a run that stand above its rows; rows is how many there will be, nil where nobody knows yet.
func (r *Run) head(rows *int) (list []entry, err error) {
	add := func(e entry, fault error) {
		list = append(list, e)
		if err == nil {
			err = fault
		}
	}
	p := r.Provenance
	list = []entry{
		{Format: formatVersion}, {Boat: r.Boat}, {Trial: r.Trial}, {Source: p.Source}, {Tool: p.Tool},
		{Settings: p.Settings}, {BoatHash: p.Boat}, {Version: p.Version}, {Clock: p.Clock}, {Program: p.Program}, {Rows: rows}, {Stopped: r.Stopped}, {Expect: r.Expect},
		{Assumed: r.Assumed}, {LeftOut: r.LeftOut}, {Doubts: r.Doubts},
	}
	add(gainOf(r.Gain))
	add(energyOf(r.Energy))
	if s := r.Statistics; s != (Statistics{}) {
		if math.IsNaN(s.Suspect) {
			return nil, &ValueError{"statistics", "hold a disagreement that is not a number"}
		}
		add(entry{Statistics: &statisticsEntry{s.Steps, s.Rejected, s.Evaluations, s.States, s.Suspect}}, nil)
	}
	for i := range r.Parts {
		add(partOf(&r.Parts[i]))
	}
	for i := range r.Traces {
		if t := &r.Traces[i]; t.Inferred || t.banded() || t.Gaps || t.Meter != nil || t.Source != "" {
			add(traceOf(t))
		}
	}
	for i := range r.Events {
		add(eventOf(&r.Events[i]))
	}
	return list, err
}

// merge sets in the run what an entry says. quote is the text in the line that an error is about.
func (r *Run) merge(e *entry) (quote string, err error) {
	p := &r.Provenance
	for _, f := range []struct {
		to   *string
		text string
	}{
		{&r.Boat, e.Boat}, {&r.Trial, e.Trial}, {&p.Source, e.Source}, {&p.Tool, e.Tool},
		{&p.Settings, e.Settings}, {&p.Boat, e.BoatHash}, {&p.Version, e.Version}, {&p.Clock, e.Clock}, {&p.Program, e.Program}, {&r.Stopped, e.Stopped},
	} {
		if f.text != "" {
			*f.to = f.text
		}
	}
	for _, f := range []struct {
		to   *[]string
		list []string
	}{{&r.Expect, e.Expect}, {&r.Assumed, e.Assumed}, {&r.LeftOut, e.LeftOut}, {&r.Doubts, e.Doubts}} {
		if len(f.list) > 0 {
			*f.to = f.list
		}
	}
	switch {
	case e.Format != 0 && e.Format != formatVersion:
		return "", fmt.Errorf("this record is of format %d; this tool reads format %d", e.Format, formatVersion)
	case e.Gain != nil:
		return e.Gain.into(&r.Gain)
	case e.Energy != nil:
		return e.Energy.into(&r.Energy)
	case e.Statistics != nil:
		s := e.Statistics
		if math.IsNaN(s.Suspect) {
			return "nan", errors.New("the disagreement is not a number")
		}
		r.Statistics = Statistics{s.Steps, s.Rejected, s.Evaluations, s.States, s.Suspect}
	case e.Part != nil:
		part, quote, err := e.Part.part()
		r.Parts = append(r.Parts, part)
		return quote, err
	case e.Event != nil:
		event, quote, err := e.Event.event()
		r.Events = append(r.Events, event)
		return quote, err
	}
	return "", nil
}

// field is one value of an entry: its text, its unit, and where it belongs in the run.
type field struct {
	name, unit string
	text       *string
	value      *float64
}

func write(where string, fields []field) error {
	for _, f := range fields {
		text, err := quantityText(where+", "+f.name, *f.value, f.unit)
		if err != nil {
			return err
		}
		*f.text = text
	}
	return nil
}

func read(fields []field) (quote string, err error) {
	for _, f := range fields {
		v, err := quantityValue(*f.text, f.unit)
		if err != nil {
			return *f.text, fmt.Errorf("%s: %w", f.name, err)
		}
		*f.value = v
	}
	return "", nil
}

// optional returns each value of a gain that exists.
func (g *gainEntry) optional(to *Gain) []struct {
	name, unit string
	text       *string
	value      **float64
} {
	return []struct {
		name, unit string
		text       *string
		value      **float64
	}{
		{"top_speed", "m/s", &g.TopSpeed, &to.TopSpeed}, {"thrust", "N", &g.Thrust, &to.Thrust},
		{"endurance", "s", &g.Endurance, &to.Endurance}, {"distance", "m", &g.Distance, &to.Distance},
	}
}

func gainOf(from Gain) (entry, error) {
	if from == (Gain{}) {
		return entry{}, nil
	}
	g := new(gainEntry)
	for _, f := range g.optional(&from) {
		if *f.value == nil {
			continue
		}
		if err := write("gain", []field{{f.name, f.unit, f.text, *f.value}}); err != nil {
			return entry{}, err
		}
	}
	return entry{Gain: g}, nil
}

func (g *gainEntry) into(to *Gain) (quote string, err error) {
	*to = Gain{}
	for _, f := range g.optional(to) {
		if *f.text == "" {
			continue
		}
		*f.value = new(float64)
		if quote, err := read([]field{{f.name, f.unit, f.text, *f.value}}); err != nil {
			return quote, err
		}
	}
	return "", nil
}

func (e *energyEntry) fields(to *Energy) []field {
	return []field{
		{"battery", "J", &e.Battery, &to.Battery}, {"heat", "J", &e.Heat, &to.Heat}, {"shaft", "J", &e.Shaft, &to.Shaft},
		{"stored", "J", &e.Stored, &to.Stored}, {"residual", "J", &e.Residual, &to.Residual}, {"throughput", "J", &e.Throughput, &to.Throughput},
	}
}

func energyOf(from Energy) (entry, error) {
	if from == (Energy{}) {
		return entry{}, nil
	}
	e := new(energyEntry)
	return entry{Energy: e}, write("energy", e.fields(&from))
}

func (e *energyEntry) into(to *Energy) (quote string, err error) { return read(e.fields(to)) }

func (e *partEntry) fields(p *Part) []field {
	return []field{{"limit", p.Unit, &e.Limit, &p.Limit}, {"start", p.Unit, &e.Start, &p.Start}, {"close", "%", &e.Close, &p.Close}}
}

func partOf(p *Part) (entry, error) {
	where := fmt.Sprintf("part %q", p.Name)
	if p.Name == "" {
		return entry{}, &ValueError{"a part", "has no name"}
	}
	if p.Measure < 0 || int(p.Measure) >= len(measureNames) {
		return entry{}, &ValueError{where, fmt.Sprintf("has the unknown measure %d", p.Measure)}
	}
	e := &partEntry{Name: p.Name, Trace: p.Trace, Unit: p.Unit, Measure: p.Measure.String(), Consequence: p.Consequence, Current: p.Current, Unsure: p.Unsure}
	return entry{Part: e}, write(where, e.fields(p))
}

func (e *partEntry) part() (p Part, quote string, err error) {
	p = Part{Name: e.Name, Trace: e.Trace, Unit: e.Unit, Consequence: e.Consequence, Current: e.Current, Unsure: e.Unsure}
	i := slices.Index(measureNames[:], e.Measure)
	switch {
	case e.Name == "":
		return p, "part", errors.New("a part needs a name")
	case i < 0:
		return p, e.Measure, fmt.Errorf("no measure is called %s; there are %v", shown(e.Measure), measureNames)
	}
	p.Measure = Measure(i)
	quote, err = read(e.fields(&p))
	return p, quote, err
}

func eventOf(v *Event) (entry, error) {
	where := fmt.Sprintf("event %q", v.Device)
	if v.Kind < 0 || int(v.Kind) >= len(kindNames) {
		return entry{}, &ValueError{where, fmt.Sprintf("is of the unknown kind %d", v.Kind)}
	}
	e := &eventEntry{Device: v.Device, What: v.What, Kind: v.Kind.String(), Count: v.Count}
	fields := []field{{"at", "s", &e.At, &v.At}}
	if v.Until != 0 {
		fields = append(fields, field{"until", "s", &e.Until, &v.Until})
	}
	switch {
	case math.IsInf(v.Latest, 1):
		e.Latest = never
	case v.Latest != 0:
		fields = append(fields, field{"latest", "s", &e.Latest, &v.Latest})
	}
	return entry{Event: e}, write(where, fields)
}

func (e *eventEntry) event() (v Event, quote string, err error) {
	v = Event{Device: e.Device, What: e.What, Count: e.Count}
	i := slices.Index(kindNames[:], e.Kind)
	if i < 0 {
		return v, e.Kind, fmt.Errorf("no kind of event is called %s; there are %v", shown(e.Kind), kindNames)
	}
	v.Kind = EventKind(i)
	fields := []field{{"at", "s", &e.At, &v.At}}
	if e.Until != "" {
		fields = append(fields, field{"until", "s", &e.Until, &v.Until})
	}
	switch e.Latest {
	case "":
	case never:
		v.Latest = math.Inf(1)
	default:
		fields = append(fields, field{"latest", "s", &e.Latest, &v.Latest})
	}
	quote, err = read(fields)
	return v, quote, err
}

func (t *Trace) banded() bool { return t.Low != nil || t.High != nil }

func traceOf(t *Trace) (entry, error) {
	e := &traceEntry{Name: t.Name, Inferred: t.Inferred, Band: t.banded(), Gaps: t.Gaps, Source: t.Source}
	if t.Meter == nil {
		return entry{Trace: e}, nil
	}
	m := *t.Meter
	return entry{Trace: e}, write(fmt.Sprintf("meter of %q", t.Name), e.meter(&m, t.Unit))
}

// meter lists the errors of a trace's meter, which is in unit.
func (e *traceEntry) meter(m *Meter, unit string) []field {
	unit = quantity.Difference(unit)
	return []field{{"meter_gain", "%", &e.Gain, &m.Gain}, {"meter_offset", unit, &e.Offset, &m.Offset}, {"meter_reads_low", unit, &e.ReadsLow, &m.ReadsLow}}
}

// readMeter returns the meter that an entry speaks of; nil: of none.
func (e *traceEntry) readMeter(unit string) (*Meter, error) {
	if e.Gain == "" && e.Offset == "" && e.ReadsLow == "" {
		return nil, nil
	}
	m := new(Meter)
	for _, f := range e.meter(m, unit) {
		if *f.text == "" {
			continue
		}
		if _, err := read([]field{f}); err != nil {
			return nil, err
		}
	}
	return m, nil
}
