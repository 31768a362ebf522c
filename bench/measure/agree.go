package measure

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"quaybench/bench/boat"
	"quaybench/bench/drive"
	"quaybench/bench/link"
	"quaybench/bench/quantity"
	"quaybench/bench/record"
	"quaybench/bench/settings"
	"quaybench/bench/trial"
)

// Contradiction is readings that deny each other, or the boat.
type Contradiction struct {
	Channels []string // that take part in it
	At       float64  // s, of the row that Text speaks of
	Text     string   // what was read and what it would have to be

	of drive.Measured
}

// String returns it as one sentence.
func (c *Contradiction) String() string {
	return fmt.Sprintf("the readings of %s cannot be right: at %s, %s", quantity.SpokenList(c.Channels), quantity.FormatTime(c.At), c.Text)
}

// Contradictions are all those of a record.
type Contradictions struct {
	List     []Contradiction
	Suspects []string // each would explain all of them, in words; nil: nothing simple does
}

// Lines returns them as sentences, and what would explain them; nothing where there are none.
func (c *Contradictions) Lines() (out []string) {
	for i := range c.List {
		out = append(out, c.List[i].String())
	}
	if len(c.Suspects) > 0 {
		out = append(out, "all readings would fit if "+strings.Join(c.Suspects, ", or if "))
	}
	return out
}

// FindContradictions holds what was measured against itself and against the boat.
func FindContradictions(b *boat.Boat, s settings.Set, program *trial.Trial, measured *Result) (Contradictions, error) {
	model, err := modelOf(b, s, program)
	if err != nil || len(measured.Samples) == 0 {
		return Contradictions{}, err
	}
	return newAgreeing(model, b, program, instrumentsOf(measured)).contradictions(), nil
}

// agreeing asks the questions of drive.Agree at the rows of a record.
type agreeing struct {
	run    *drive.Run
	y      []float64
	errors drive.MeterErrors
	in     *instruments
	gear   float64
	rows   []row
	moving bool // there are too few in which nothing moves
}

type row struct {
	t    float64
	seen drive.Seen
}

const (
	mostRows  = 400   // asked of a record
	scanned   = 20000 // looked at
	fewRows   = 3     // that have to deny
	denying   = 0.25  // of the rows
	movingToo = 0.75  // of rows in which something moves
	denied    = 30.0  // s that it lasts
	braking   = 0.5   // of the rows, where the motor brakes
	gainError = 0.02  // of a meter whose file states an offset alone (common practice, no source)
)

func newAgreeing(model *drive.Model, b *boat.Boat, program *trial.Trial, in *instruments) *agreeing {
	a := &agreeing{in: in, gear: b.Shaft.GearRatio.SI}
	a.run = model.NewRun(program.Lever(0))
	nan := math.NaN()
	a.y = a.run.Begin(drive.Start{Charge: program.Charge, Winding: nan, Housing: nan, Sink: nan, Battery: nan, Cables: nan, Air: nan})
	a.run.Loaded = program.Load != "normal"
	of := func(k *meter, offset float64) drive.MeterError {
		if k != nil && k.error != nil {
			return drive.MeterError{Share: k.error.Gain, Offset: k.error.Offset}
		}
		return drive.MeterError{Share: gainError, Offset: offset}
	}
	i := &b.Instruments
	a.errors = drive.MeterErrors{MotorCurrent: of(in.motor, i.MotorCurrent.SI), BatteryCurrent: of(in.battery, i.BatteryCurrent.SI), Voltage: of(in.voltage, i.Voltage.SI), Speed: of(in.speed, i.Speed.SI)}
	a.choose(b.Motor.RatedCurrent.SI)
	return a
}

// choose sets the rows to ask: of those in which current flows, if there are enough, those in which nothing moves, since one meter shows a movement later than another.
func (a *agreeing) choose(rated float64) {
	var at []float64
	for _, f := range followed {
		if k := *f.meter(a.in); k != nil && f.electrical != nil {
			at = append(at, k.at...)
		}
	}
	slices.Sort(at)
	at = slices.Compact(at)
	var steady, loaded, all []row
	for i := 0; i < len(at); i += 1 + len(at)/scanned {
		r := row{at[i], a.in.at(at[i])}
		all = append(all, r)
		if current := max(absent0(r.seen.MotorCurrent), absent0(r.seen.BatteryCurrent)); current > 0.05*rated {
			loaded = append(loaded, r)
			if a.stays(r, rated) {
				steady = append(steady, r)
			}
		}
	}
	rows := steady
	switch {
	case len(loaded) < fewRows:
		rows = all
	case len(steady) < 2*fewRows:
		rows, a.moving = loaded, true
	}
	for i := 0; i < len(rows); i += 1 + len(rows)/mostRows {
		a.rows = append(a.rows, rows[i])
	}
}

// stays reports whether currents and speed stay about as they are for a while before and after a row.
func (a *agreeing) stays(r row, rated float64) bool {
	const (
		time  = 3.0  // s that a meter may be late
		share = 0.15 // of a value by which it may change
	)
	for _, t := range []float64{r.t - time, r.t + time} {
		beside := a.in.at(t)
		for _, v := range []struct{ now, then, least float64 }{
			{r.seen.MotorCurrent, beside.MotorCurrent, 0.02 * rated}, {r.seen.BatteryCurrent, beside.BatteryCurrent, 0.02 * rated}, {r.seen.Speed, beside.Speed, 2}, {r.seen.Duty, beside.Duty, 0.02},
		} {
			if math.Abs(v.now-v.then) > share*max(math.Abs(v.now), math.Abs(v.then))+v.least {
				return false
			}
		}
	}
	return true
}

// absent0 returns the size of a value, 0 where there is none.
func absent0(v float64) float64 {
	if math.IsNaN(v) {
		return 0
	}
	return math.Abs(v)
}

// question is how often one was asked, and denied.
type question struct {
	name          string
	asked, denied int
	longest       int     // rows denied in a row
	lasted        float64 // s of those
	share         float64 // of the rows that has to deny
	of            drive.Measured
	words         func() string
	at            float64
}

// broken reports whether what was read cannot be: in a share of the rows, or, where less than half is enough, in a row of them that lasts.
func (q *question) broken() bool {
	few := min(fewRows, q.asked)
	if q.denied == 0 || q.denied < few {
		return false
	}
	return float64(q.denied) >= q.share*float64(q.asked) || q.share < braking && q.longest >= few && q.lasted >= denied
}

// ask tests every question on every row, with the readings changed.
func (a *agreeing) ask(change func(*drive.Seen)) questions {
	var out questions
	index := map[string]*question{}
	running := map[string]struct {
		n    int
		from float64
	}{}
	for _, r := range a.rows {
		seen := r.seen
		change(&seen)
		for _, k := range a.run.Agree(a.y, seen, a.errors) {
			q := index[k.Name]
			if q == nil {
				q = &question{name: k.Name, share: denying}
				switch {
				case a.moving:
					q.share = movingToo
				case k.Name == "brakes":
					q.share = braking
				}
				index[k.Name] = q
				out = append(out, q)
			}
			q.asked++
			run := running[k.Name]
			if !k.Denied {
				run.n = 0
				running[k.Name] = run
				continue
			}
			if run.n == 0 {
				run.from = r.t
			}
			run.n++
			running[k.Name] = run
			q.denied++
			if run.n > q.longest {
				q.longest, q.lasted = run.n, r.t-run.from
			}
			if q.denied == 1 || q.denied == 1+q.asked/2 { // one from the middle of them
				q.of, q.words, q.at = k.Of, k.Words, r.t
			}
		}
	}
	return out
}

// questions are all that were asked.
type questions []*question

// broken lists those whose answer is that it cannot be.
func (list questions) broken() questions {
	return slices.DeleteFunc(slices.Clone(list), func(q *question) bool { return !q.broken() })
}

// heal reports whether all is well with a change, and each question that was broken without it is still asked.
func (list questions) heal(broken questions) bool {
	if len(list.broken()) > 0 {
		return false
	}
	for _, b := range broken {
		if !slices.ContainsFunc(list, func(q *question) bool { return q.name == b.name && 2*q.asked >= b.asked }) {
			return false
		}
	}
	return true
}

// contradictions lists what cannot be, and what would explain all of it.
func (a *agreeing) contradictions() (out Contradictions) {
	broken := a.ask(func(*drive.Seen) {}).broken()
	if len(broken) == 0 {
		return out
	}
	for _, q := range broken {
		out.List = append(out.List, Contradiction{Channels: channelsOf(q.of), At: q.at, Text: q.words(), of: q.of})
	}
	const most = 3
	for _, s := range a.suspicions() {
		if len(out.Suspects) < most && a.ask(s.change).heal(broken) {
			out.Suspects = append(out.Suspects, s.words)
		}
	}
	return out
}

// suspicion is a usual mistake, and what the readings would be without it.
type suspicion struct {
	words  string
	change func(*drive.Seen)
}

// suspicions lists the mistakes that people make with meters and columns, the likeliest first.
func (a *agreeing) suspicions() (list []suspicion) {
	add := func(words string, change func(*drive.Seen)) { list = append(list, suspicion{words, change}) }
	in := a.in
	if in.motor != nil && in.battery != nil {
		add("the columns of motor current and battery current are swapped", func(s *drive.Seen) { s.MotorCurrent, s.BatteryCurrent = s.BatteryCurrent, s.MotorCurrent })
	}
	scale := func(words string, factor float64, only ...string) {
		for _, f := range followed {
			name := quantity.Spoken(f.channel)
			if f.electrical != nil && *f.meter(in) != nil && (only == nil || slices.Contains(only, name)) {
				add("the "+name+" "+words, func(s *drive.Seen) { *f.seen(s) *= factor })
			}
		}
	}
	scale("is shown as a tenth of what it is", 10)
	scale("is shown ten times as large as it is", 0.1)
	scale("is counted the other way round (a clamp that points the other way)", -1, "motor current", "battery current")
	scale("is counted the other way round", -1, "motor speed")
	if in.motor != nil && in.speed != nil {
		add("the tachometer does not show the direction", func(s *drive.Seen) { s.Speed = math.Copysign(s.Speed, s.MotorCurrent) })
		add("the motor ammeter does not show the direction", func(s *drive.Seen) { s.MotorCurrent = math.Copysign(s.MotorCurrent, s.Speed) })
	}
	scale("is shown as the half of what it is (a clamp round one of two cables)", 2, "motor current", "battery current")
	scale("is shown as the half of what it is", 2, "voltage", "motor speed")
	scale("is shown twice as large as it is", 0.5, "motor current", "battery current", "voltage", "motor speed")
	if g := a.gear; g > 1.2 || g < 0.8 {
		scale("is that of the propeller's shaft", g, "motor speed")
	}
	scale("is in radians per second, and taken for rpm", 60/(2*math.Pi), "motor speed")
	scale("is in rpm, and taken for radians per second", 2*math.Pi/60, "motor speed")
	scale("is in rpm, and taken for 1/s", 1.0/60, "motor speed")
	scale("is in 1/s, and taken for rpm", 60, "motor speed")
	scale("is in per cent, and taken for a share", 0.01, "duty")
	scale("is a share, and taken for per cent", 100, "duty")
	return list
}

func channelsOf(m drive.Measured) (list []string) {
	for _, f := range followed {
		if f.electrical != nil && *f.electrical(&m) {
			list = append(list, f.channel)
		}
	}
	return list
}

// without returns what is known where some of it denies each other: nothing follows from anything else, and what takes part shows nothing.
func without(known drive.Measured, denied Contradictions) drive.Measured {
	for _, c := range denied.List {
		known.Denied = true
		for _, f := range followed {
			if f.electrical != nil && *f.electrical(&c.of) {
				*f.electrical(&known) = false
			}
		}
	}
	return known
}

// ResultOf returns a result with a record's measured channels: a sample at each of its instants, every value taken as read just then.
// Where the record has no lever, the samples have zero. Lines, discarded samples and the stop are not in a record, and are left empty.
func ResultOf(r *record.Run) *Result {
	out := new(Result)
	var columns []*record.Trace
	for _, k := range link.Kinds() {
		if tr, ok := r.Trace(link.TraceName(k.Name)); ok && !tr.Inferred {
			c := link.Channel{Name: k.Name, Unit: k.Unit, Source: tr.Source}
			if m := tr.Meter; m != nil {
				c.Meter = link.Meter{Gain: m.Gain, Offset: m.Offset}
			}
			out.Channels = append(out.Channels, c)
			columns = append(columns, tr)
		}
	}
	lever, hasLever := r.Trace(record.Lever)
	for i, at := range r.Time {
		x := Sample{At: at, Due: at, Since: at}
		if hasLever {
			x.Lever = r.At(lever, at)
		}
		for _, c := range columns {
			x.Values = append(x.Values, c.Values[i])
		}
		out.Samples = append(out.Samples, x)
	}
	return out
}
