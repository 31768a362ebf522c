package bench

import (
	"bytes"
	"cmp"
	"context"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"

	"quaybench/bench/datafile"
	"quaybench/bench/learn"
	"quaybench/bench/link"
	"quaybench/bench/measure"
	"quaybench/bench/quantity"
	"quaybench/bench/readings"
	"quaybench/bench/record"
	"quaybench/bench/settings"
	"quaybench/bench/trial"
)

// housing is the part that a thermometer may be held to.
const housing = "motor housing"

// sheetMeters returns what a person may read by hand, in the order of a sheet, with the instrument for it.
func sheetMeters() (list []SheetColumn) {
	for _, k := range link.Kinds() {
		if k.ByHand != "" {
			list = append(list, SheetColumn{k.Name, k.ByHand, cmp.Or(k.HandUnit, k.Unit)})
		}
	}
	return append(list, SheetColumn{housing, "infrared thermometer on a spot with tape or matt paint, always the same one", "°C"})
}

// UsualMeters returns those that most people have.
func UsualMeters(moored bool) []string {
	return append(link.Names(func(k link.Kind) bool { return k.Usual != "" && !(moored && k.Afloat) }), housing)
}

// Sheet is a form for the clipboard: what to do, what to read, what to expect.
type Sheet struct {
	Setup  *Setup
	Trial  *trial.Trial
	Meters []SheetColumn
	Rows   []SheetRow
	Stops  []measure.Bound
	// Missing is the share of the boats drawn for the bands that no simulation holds: the bands are of the others.
	Missing float64
}

// SheetColumn is what one meter shows.
type SheetColumn struct {
	Name string // of the channel, or of the part
	With string
	Unit string
}

// SheetRow is one instant: a movement of the lever, or a reading.
type SheetRow struct {
	At       float64 // s
	Lever    float64 // −1..1, from then on
	Over     float64 // s, of a movement
	Move     bool
	Expected []Expected // of a reading, one for each meter
}

// Expected is what the boat file predicts for a reading with its 95 % band, SI; Skip: nothing is read there.
type Expected struct {
	Value, Low, High float64
	Skip             bool
}

// Times of readings: so long after a movement and so long before the next at least, and how often in between, s (common practice, no source: a person who also steers).
const (
	settle     = 8.0
	beforeMove = 3.0
	readEvery  = 120.0
	mostReads  = 28
)

// readingTimes returns when a person reads in a trial, and at the end and in the middle of which a thermometer is held to the motor.
func readingTimes(t *trial.Trial) (at, thermometer []float64) {
	every := readEvery
	for {
		at = nil
		from := 0.0
		ends := []float64{}
		for _, s := range t.Throttle {
			ends = append(ends, s.At)
		}
		ends = append(ends, t.Duration)
		for i, end := range ends {
			first, last := from, end-beforeMove
			if i > 0 {
				first += t.Throttle[i-1].Over + settle
			} else {
				first = max(0, min(1, last))
			}
			if last < first {
				last = first
			}
			if last < end {
				n := math.Floor((last - first) / every)
				for k := n; k >= 0; k-- {
					at = append(at, math.Round(last-k*every))
				}
			}
			from = end
		}
		at = slices.Compact(at)
		if len(at) <= mostReads || every > t.Duration {
			break
		}
		every *= 1.5
	}
	at = withoutHoles(t, slices.DeleteFunc(at, func(x float64) bool { return x < 0 || x > t.Duration }))
	if n := len(at); n > 0 {
		thermometer = slices.Compact([]float64{at[0], at[n/2], at[n-1]})
	}
	return at, thermometer
}

// withoutHoles adds readings in the middle of pauses that a record would have for a hole, where the lever stands still.
func withoutHoles(t *trial.Trial, at []float64) []float64 {
	for more := true; more; {
		more = false
		for _, h := range record.Holes(at) {
			middle := math.Round((h.From + h.To) / 2)
			if !slices.ContainsFunc(t.Throttle, func(s trial.Step) bool { return middle > s.At-beforeMove && middle < s.At+s.Over+settle }) {
				at, more = append(at, middle), true
			}
		}
		slices.Sort(at)
	}
	return at
}

// handPlan returns a trial read by hand.
func handPlan(t *trial.Trial, meters []string) *learn.Plan {
	at, thermometer := readingTimes(t)
	p := &learn.Plan{Trial: t, At: at, Only: map[string][]float64{housing: thermometer}}
	for _, m := range meters {
		p.Traces = append(p.Traces, traceOfMeter(m))
	}
	return p
}

func traceOfMeter(m string) string {
	if m == housing {
		return m
	}
	return link.TraceName(m)
}

// MakeSheet lays out the readings of a trial with what the boat file predicts for each, meters by name; none: those most people have.
func MakeSheet(ctx context.Context, s *Setup, t *trial.Trial, meters []string) (*Sheet, error) {
	if len(meters) == 0 {
		meters = UsualMeters(t.Moored)
	}
	t = s.Variant().Trials([]*trial.Trial{t})[0]
	out := &Sheet{Setup: s, Trial: t}
	var channels []link.Channel
	all := sheetMeters()
	for _, m := range meters {
		i := slices.IndexFunc(all, func(k SheetColumn) bool { return k.Name == m })
		if i < 0 {
			return nil, fmt.Errorf("nobody reads %q by hand: the meters are %s", m, strings.Join(sheetNames(), ", "))
		}
		if k, ok := link.KindOf(m); ok {
			channels = append(channels, link.Channel{Name: m, Unit: k.Unit})
		}
		out.Meters = append(out.Meters, all[i])
	}
	out.Stops = HardLimits(s, channels)
	plan := handPlan(t, meters)
	if len(plan.At) == 0 {
		return nil, fmt.Errorf("trial %s moves the lever too fast to read anything by hand: take a longer one", t.Name)
	}
	var forecast []learn.Expected
	var err error
	forecast, out.Missing, err = learn.Forecast(ctx, s.Boat, s.Settings, plan)
	if err != nil {
		return nil, err
	}
	for _, at := range plan.At {
		row := SheetRow{At: at, Lever: t.Lever(at)(at)}
		for _, m := range out.Meters {
			e := Expected{Skip: true}
			if i := slices.IndexFunc(forecast, func(o learn.Expected) bool { return o.Trace == traceOfMeter(m.Name) }); i >= 0 {
				if k := slices.Index(forecast[i].Time, at); k >= 0 {
					e = Expected{Value: forecast[i].Model[k], Low: forecast[i].Low[k], High: forecast[i].High[k]}
				}
			}
			row.Expected = append(row.Expected, e)
		}
		out.Rows = append(out.Rows, row)
	}
	for _, step := range t.Throttle {
		out.Rows = append(out.Rows, SheetRow{At: step.At, Lever: step.To, Over: step.Over, Move: true})
	}
	slices.SortStableFunc(out.Rows, func(a, b SheetRow) int {
		switch {
		case a.At < b.At:
			return -1
		case a.At > b.At:
			return 1
		}
		return 0
	})
	return out, nil
}

func sheetNames() (list []string) {
	for _, m := range sheetMeters() {
		list = append(list, m.Name)
	}
	return list
}

// CSV returns the sheet's table of readings with its blanks empty: what `sheet --fill` takes when they are filled in.
func (s *Sheet) CSV() []byte { return s.Filled(nil) }

// Filled is that table with readings, in the units of its columns as they were typed, row by row and meter by meter; nil, "" or "-": none.
func (s *Sheet) Filled(typed [][]string) []byte {
	var text bytes.Buffer
	w := csv.NewWriter(&text)
	head := []string{"time [s]", "lever [%]"}
	for _, m := range s.Meters {
		head = append(head, m.Name+" ["+m.Unit+"]")
	}
	_ = w.Write(head) // into memory
	n := 0
	for _, r := range s.Rows {
		if r.Move {
			continue
		}
		row := []string{fmt.Sprintf("%g", r.At), fmt.Sprintf("%.4g", 100*r.Lever)}
		for i := range s.Meters {
			cell := ""
			if n < len(typed) && i < len(typed[n]) {
				cell = typed[n][i]
			}
			row = append(row, cell)
		}
		_ = w.Write(row)
		n++
	}
	w.Flush()
	return text.Bytes()
}

// WithMeters returns the sheet with the meters of what was read.
func (s *Sheet) WithMeters(ctx context.Context, u *readings.Understood) (*Sheet, error) {
	var names []string
	more := false
	for _, m := range sheetMeters() {
		if slices.ContainsFunc(u.Columns, func(c readings.Sense) bool { return c.Is == m.Name }) {
			names = append(names, m.Name)
			more = more || !slices.ContainsFunc(s.Meters, func(k SheetColumn) bool { return k.Name == m.Name })
		}
	}
	if !more {
		return s, nil
	}
	return MakeSheet(ctx, s.Setup, s.Trial, names)
}

// Outside returns in sentences which readings of a record lie outside the band that the sheet has for them.
func (s *Sheet) Outside(run *record.Run) (list []string) {
	for _, r := range s.Rows {
		k, ok := slices.BinarySearch(run.Time, r.At)
		if r.Move || !ok {
			continue
		}
		for i, e := range r.Expected {
			m := s.Meters[i]
			tr, has := run.Trace(traceOfMeter(m.Name))
			if !has || e.Skip || !(tr.Values[k] < e.Low || tr.Values[k] > e.High) {
				continue
			}
			list = append(list, fmt.Sprintf("at %s %s is %s, outside the band of %s to %s: look at it a second time; where it is right, the boat is not as its file has it", quantity.FormatTime(r.At),
				quantity.Spoken(m.Name), quantity.Format(tr.Values[k], m.Unit, 3), quantity.Format(e.Low, m.Unit, 3), quantity.Format(e.High, m.Unit, 3)))
		}
	}
	return list
}

// MarshalJSON writes the sheet as one object, format 1, SI.
func (s *Sheet) MarshalJSON() ([]byte, error) {
	type reading struct {
		Meter string   `json:"meter"`
		Unit  string   `json:"shown_in"`
		Value float64  `json:"predicted"`
		Low   *float64 `json:"low"`
		High  *float64 `json:"high"`
	}
	type row struct {
		At    float64   `json:"at_s"`
		Lever float64   `json:"lever"`
		Over  float64   `json:"over_s,omitempty"`
		Do    string    `json:"do"`
		Read  []reading `json:"read"`
	}
	type stop struct {
		Channel string   `json:"channel"`
		Low     *float64 `json:"low"`
		High    *float64 `json:"high"`
		Why     string   `json:"why"`
	}
	out := struct {
		Format  int     `json:"format"`
		Boat    string  `json:"boat"`
		Trial   string  `json:"trial"`
		Caution string  `json:"caution"`
		Missing float64 `json:"boats_left_out_of_bands"` // share
		Rows    []row   `json:"rows"`
		Stops   []stop  `json:"stop_when_outside"`
	}{1, s.Setup.Boat.Name, s.Trial.Name, Caution, s.Missing, nil, []stop{}}
	for _, r := range s.Rows {
		k := row{At: r.At, Lever: r.Lever, Over: r.Over, Do: map[bool]string{true: "move the lever", false: "read"}[r.Move], Read: []reading{}}
		for i, e := range r.Expected {
			if !e.Skip {
				k.Read = append(k.Read, reading{s.Meters[i].Name, s.Meters[i].Unit, e.Value, finite(e.Low), finite(e.High)})
			}
		}
		out.Rows = append(out.Rows, k)
	}
	for _, b := range s.Stops {
		out.Stops = append(out.Stops, stop{b.Channel, finite(b.Low), finite(b.High), b.Why})
	}
	return json.Marshal(out)
}

// TypedSetting is what somebody read off a controller's own display.
type TypedSetting struct {
	Key         string
	File, Shown string // as they are written
	SI          float64
	Number      bool // SI is the number that was shown; else it is a choice
}

// ReadTypedSettings reads the list of `sheet --settings` that was filled in: CSV with the columns setting and after, the latter a value with its unit. Rows whose blank is
// empty are left out.
func ReadTypedSettings(name string, text []byte, set settings.Set) (list []TypedSetting, err error) {
	r := csv.NewReader(bytes.NewReader(bytes.TrimPrefix(text, []byte("\ufeff"))))
	r.FieldsPerRecord, r.TrimLeadingSpace = -1, true
	rows, err := r.ReadAll()
	if err != nil {
		return nil, fmt.Errorf("%s is no list of settings: %w", name, err)
	}
	if len(rows) == 0 {
		return nil, fmt.Errorf("%s is empty", name)
	}
	key, after := slices.Index(rows[0], "setting"), slices.Index(rows[0], "after")
	if key < 0 || after < 0 {
		return nil, fmt.Errorf("%s needs the columns setting and after, as `quaybench sheet BOAT --settings --csv FILE` writes them", name)
	}
	for i, row := range rows[1:] {
		if len(row) <= max(key, after) || strings.TrimSpace(row[after]) == "" {
			continue
		}
		k := strings.TrimSpace(row[key])
		shown := set
		if err := datafile.SetField(&shown, k, strings.TrimSpace(row[after])); err != nil {
			return nil, fmt.Errorf("%s, row %d: %s: %w", name, i+2, k, err)
		}
		if slices.ContainsFunc(list, func(t TypedSetting) bool { return t.Key == k }) {
			return nil, fmt.Errorf("%s, row %d: %s is there twice", name, i+2, k)
		}
		t := TypedSetting{Key: k}
		t.File, _ = set.Get(k)
		t.Shown, _ = shown.Get(k)
		t.SI, t.Number = shown.Number(k)
		list = append(list, t)
	}
	if len(list) == 0 {
		return nil, fmt.Errorf("%s: no blank of it is filled in", name)
	}
	return list, nil
}
