package report

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"quaybench/bench/quantity"
	"quaybench/bench/record"
	"quaybench/bench/settings"
)

// runView draws the charts of one run.
type runView struct {
	run    *record.Run
	beside *record.Run   // the same trial with the settings as they stand, thin; nil for none
	set    *settings.Set // whose limits are drawn; nil for none
	marks  []Mark
	shown  map[string]bool // traces that have a chart
}

func newRunView(run, beside *record.Run, set *settings.Set) *runView {
	v := &runView{run: run, beside: beside, set: set, shown: map[string]bool{}}
	for i, e := range run.Events {
		if !finite(e.At) {
			continue
		}
		until := e.At
		if e.Until > e.At {
			until = e.Until
		} else if e.Until == 0 && e.Kind == record.Limiting && len(run.Time) > 0 {
			until = run.Time[len(run.Time)-1]
		}
		v.marks = append(v.marks, Mark{Number: i + 1, At: e.At, Until: until})
	}
	return v
}

func (v *runView) charts() (out []Figure) {
	if len(v.run.Time) < 2 {
		return nil
	}
	add := func(c *Chart) {
		if len(c.Series) > 0 {
			out = append(out, c)
		}
	}
	add(v.chart("Throttle", "%", "share", record.Lever, record.DemandTrace))
	add(v.currents())
	for _, g := range temperatureGroups {
		add(v.temperatures(g.title, g.parts))
	}
	add(v.temperatures("Battery, cables and joints", nil))
	add(v.voltage())
	add(v.limited("Motor speed", "rpm", "motor speed", record.MotorSpeed))
	add(v.chart("Boat speed", "m/s", "boat speed", record.BoatSpeed))
	add(v.limited("Fuse (battery current)", "%", "melting state", "fuse"))
	add(v.chart("What the controller does", "%", "share", record.Duty, record.Derating))
	for _, p := range v.run.Parts { // nothing that is close or over goes without a picture
		if value, _, err := v.run.Peak(p); err == nil && p.IsClose(value) && !v.shown[p.Trace] {
			add(v.limited(title(p.Name), p.Unit, p.Name, p.Trace))
		}
	}
	return out
}

// temperatureGroups puts parts that are read together into one chart; all others share the last.
var temperatureGroups = []struct {
	title string
	parts []string
}{
	{"Motor temperatures", []string{"winding", "hottest phase", "commutator", "commutator bars", "magnets"}},
	{"Controller temperatures", []string{"switch junction", "freewheel junction", "heat sink", "link capacitor"}},
}

// chart returns a chart of traces that the run has.
func (v *runView) chart(title, unit, label string, traces ...string) *Chart {
	c := &Chart{Title: title, X: Axis{Label: "time", Time: true}, Y: Axis{Label: label, Unit: unit}, Marks: v.marks}
	for _, name := range traces {
		shown := name
		if len(traces) == 1 && v.beside != nil {
			shown = "proposed" // the title says of what
		}
		v.add(c, name, shown)
	}
	return c
}

// add draws a trace under a name, and beside it that of the run to compare with.
func (v *runView) add(c *Chart, trace, name string) {
	tr, ok := v.run.Trace(trace)
	if !ok || len(tr.Values) != len(v.run.Time) {
		return
	}
	v.shown[trace] = true
	s := Series{Name: name, X: v.run.Time, Y: convert(tr.Values, c.Y.Unit), Ink: v.ink(c) + 1}
	if tr.Inferred {
		s.Name += " (inferred)"
	}
	c.Series = append(c.Series, s)
	if tr.Low != nil && tr.High != nil {
		c.Bands = append(c.Bands, Band{X: v.run.Time, Low: convert(tr.Low, c.Y.Unit), High: convert(tr.High, c.Y.Unit), Series: len(c.Series) - 1})
	}
	if v.beside == nil {
		return
	}
	if was, ok := v.beside.Trace(trace); ok && v.differs(tr, was) {
		beside := name + ", present"
		if name == "proposed" {
			beside = "present"
		}
		c.Series = append(c.Series, Series{Name: beside, X: v.beside.Time, Y: convert(was.Values, c.Y.Unit), Drawn: Aside, Ink: s.Ink})
	}
}

// ink returns the number of the next line of a chart, lines to compare with apart: they have the ink of what they are beside.
func (v *runView) ink(c *Chart) (n int) {
	for _, s := range c.Series {
		if s.Drawn == Firm {
			n++
		}
	}
	return n
}

// differs reports whether a trace of the run and of the one beside it can be told apart in a chart.
func (v *runView) differs(tr, was *record.Trace) bool {
	const visible = 0.005 // of what the trace spans
	low, high := slices.Min(tr.Values), slices.Max(tr.Values)
	for i, t := range v.run.Time {
		if !(math.Abs(v.beside.At(was, t)-tr.Values[i]) <= visible*(high-low)) {
			return true
		}
	}
	return false
}

// convert converts SI values to a unit.
func convert(si []float64, unit string) []float64 {
	u := quantity.MustUnit(cmp.Or(unit, "1"))
	out := make([]float64, len(si))
	for i, v := range si {
		out[i] = u.FromSI(v)
	}
	return out
}

func (v *runView) currents() *Chart {
	c := v.chart("Motor current and battery current", "A", "current", record.MotorCurrent, record.BatteryCurrent)
	if v.set == nil || len(c.Series) == 0 {
		return c
	}
	limit := func(value float64, text string) {
		if value != 0 {
			c.Limits = append(c.Limits, Limit{At: value, Name: text, Value: fmt.Sprintf("%.0f A", value), Far: true})
		}
	}
	limit(v.set.Limits.MotorCurrent, "motor current limit")
	limit(v.set.Limits.BatteryCurrent, "battery current limit")
	if v.set.Boost.Current > v.set.Limits.MotorCurrent {
		limit(v.set.Boost.Current, "boost (motor current)")
	}
	return c
}

// temperatures returns the temperatures of the named parts with their limits; of nil, of all that have no chart yet.
func (v *runView) temperatures(title string, names []string) *Chart {
	c := v.chart(title, "°C", "temperature")
	beside := v.beside
	v.beside = nil // the lines would be too many
	defer func() { v.beside = beside }()
	var parts []record.Part
	for _, p := range v.run.Parts {
		if p.Measure == record.Temperature && (names == nil && !v.shown[p.Trace] || slices.Contains(names, p.Name)) {
			parts = append(parts, p)
		}
	}
	const most = 6 // lines that can be told apart
	if len(parts) > most {
		slices.SortStableFunc(parts, func(a, b record.Part) int {
			x, y := v.used(a), v.used(b)
			switch {
			case x > y:
				return -1
			case x < y:
				return 1
			}
			return 0
		})
		c.About = fmt.Sprintf("The %d of %d that use most of their limit.", most, len(parts))
		parts = parts[:most]
	}
	for _, p := range parts {
		v.add(c, p.Trace, p.Name)
		c.Limits = append(c.Limits, v.limit(p))
	}
	return c
}

func (v *runView) used(p record.Part) float64 {
	value, _, err := v.run.Peak(p)
	if err != nil {
		return math.Inf(-1)
	}
	return p.Used(value)
}

// limit returns the line of a part's limit. Where less than a third of it is used the line may lie outside the chart.
func (v *runView) limit(p record.Part) Limit {
	return Limit{At: shownIn(p.Unit, p.Limit), Name: p.Name, Value: quantity.Format(p.Limit, p.Unit, 3), Far: v.used(p) < 0.35}
}

func (v *runView) voltage() *Chart {
	c := v.chart("Voltage at the controller", "V", "battery voltage at the controller", record.Voltage)
	for _, p := range v.run.Parts {
		if p.Trace == "link voltage" && len(c.Series) > 0 {
			c.Limits = append(c.Limits, Limit{At: p.Limit, Name: "link voltage", Value: quantity.Format(p.Limit, "V", 3), Far: true})
		}
	}
	if v.set == nil || len(c.Series) == 0 {
		return c
	}
	low := &v.set.LowVoltage
	for _, l := range []struct {
		at   float64
		text string
	}{{low.Start, "derating starts"}, {low.End, "derating ends"}, {low.CutOff, "cut-off"}} {
		if l.at > 0 {
			c.Limits = append(c.Limits, Limit{At: l.at, Name: l.text, Value: quantity.Format(l.at, "V", 3), Far: true})
		}
	}
	return c
}

// limited returns a chart of a trace with the limits of the parts that are judged by it.
func (v *runView) limited(title, unit, label, trace string) *Chart {
	c := v.chart(title, unit, label, trace)
	for _, p := range v.run.Parts {
		same := p.Trace == trace || trace == record.MotorSpeed && p.Name == "rotor speed"
		if same && p.Unit == unit && len(c.Series) > 0 {
			c.Limits = append(c.Limits, v.limit(p))
		}
	}
	return c
}

// title begins with a capital.
func title(name string) string {
	r := []rune(name)
	if len(r) > 0 && r[0] >= 'a' && r[0] <= 'z' {
		r[0] -= 'a' - 'A'
	}
	return string(r)
}
