package measure

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"quaybench/bench/boat"
	"quaybench/bench/drive"
	"quaybench/bench/link"
	"quaybench/bench/ode"
	"quaybench/bench/quantity"
	"quaybench/bench/record"
	"quaybench/bench/trial"
)

// inference finds what nobody measured. What went on before the first row and in stretches without readings nobody knows, so it is done twice where that
// matters: for the least that may have gone on there and for the most. A part is judged where both say the same of it.
type inference struct {
	record  *record.Run
	model   *drive.Model
	boat    *boat.Boat
	program *trial.Trial
	in      *instruments
	unseen  []unseen
	before  before
	denied  Contradictions
	parts   []record.Part
}

// infer adds the parts and their traces.
func infer(ctx context.Context, r *record.Run, model *drive.Model, b *boat.Boat, program *trial.Trial, in *instruments) error {
	f := &inference{record: r, model: model, boat: b, program: program, in: in}
	if !in.thinned {
		f.denied = newAgreeing(model, b, program, in).contradictions()
	}
	f.unseen = in.unseen(model)
	f.before = f.whatWasBefore()
	least, err := f.pass(ctx, nothing)
	if err != nil {
		if lines := f.denied.Lines(); lines != nil && ctx.Err() == nil {
			return errors.New(strings.Join(lines, "; "))
		}
		return err
	}
	var most [][][]float64
	var ways []way
	switch {
	case len(f.unseen) > 0:
		ways = []way{fully, halfway, stalled}
	case f.before.warm != nil:
		ways = []way{fully}
	}
	for _, w := range ways {
		values, err := f.pass(ctx, w)
		if err != nil && ctx.Err() != nil {
			return err
		}
		most = append(most, values) // NaN from where a drive that carries all that can flow has no solution: nobody knows
	}
	f.nameAssumptions()
	f.keep(least, most)
	return nil
}

// way is how the drive may have been driven while nobody saw it.
type way int

const (
	nothing way = iota // no current flowed
	fully              // all that the controller can pass, at full duty
	halfway            // at half of it, where its ripple is largest
	stalled            // at a standstill, where most of the current freewheels and the same bars carry all of it
)

// start returns what is known of the state that the record begins in.
func (f *inference) start(first drive.Seen) drive.Start {
	or := func(x, fallback float64) float64 {
		if math.IsNaN(x) {
			return fallback
		}
		return x
	}
	p, nan := f.program, math.NaN()
	return drive.Start{
		Charge: p.Charge, Speed: or(first.Boat, p.BoatSpeed),
		Winding: p.Start.Winding.Or(first.Motor), Housing: p.Start.Housing.Or(first.Motor),
		Sink: p.Start.Sink.Or(first.Sink), Battery: p.Start.Battery.Or(first.Battery),
		Cables: p.Start.Cables.Or(nan), Air: p.Compartment.Or(nan),
		Each: p.Start.Named(),
	}
}

// stated returns the part of it that the programme states.
func (f *inference) stated() drive.Start { return f.start(drive.Unseen()) }

// pass infers all parts at all rows for a way in which the drive may have been driven where nobody saw it; for all but the first way from the warmest start. Where its
// equations have no solution it returns what it reached, NaN from there on, with an error.
func (f *inference) pass(ctx context.Context, w way) ([][]float64, error) {
	r, model, program := f.record, f.model, f.program
	run := model.NewRun(program.Lever(r.Time[0]))
	y := run.Begin(f.start(f.in.at(r.Time[0])))
	var within *unseen
	follow := run.Follow(func(t float64) drive.Seen {
		seen := f.in.at(t)
		if within != nil {
			f.bound(&seen, w)
		}
		return seen
	})
	if f.parts == nil {
		p := follow.Point(r.Time[0], y)
		for i := range model.Parts {
			f.parts = append(f.parts, model.Parts[i].Reference(p, y))
		}
	}
	if w != nothing && f.before.warm != nil {
		copy(y, f.before.warm)
	}
	values := make([][]float64, len(model.Parts))
	for i := range values {
		values[i] = make([]float64, len(r.Time))
		for k := range values[i] {
			values[i][k] = math.NaN()
		}
	}
	next := 0
	take := func(t float64, y []float64) {
		p := follow.Point(t, y)
		for i := range model.Parts {
			values[i][next] = model.Parts[i].Value(p, y)
		}
		next++
	}
	within = f.inside(r.Time[0])
	run.Changed()
	take(r.Time[0], y)
	state := make([]float64, len(y))
	var integrator ode.Integrator
	last := len(r.Time) - 1
	options := ode.Options{
		RelTol: 1e-5, AbsTol: model.Tolerances(1e-5), MaxStep: 2 * (r.Time[last] - r.Time[0]) / float64(last), Check: ode.CheckOptions{Every: -1},
		MaxSteps: leastSteps + stepsPerRow*len(r.Time),
	}
	from := r.Time[0]
	for _, until := range f.changes() {
		run.CoolingLost = from >= program.CoolingLostFrom
		if from >= program.LoadFrom && !run.Loaded && program.Load != "normal" {
			run.Loaded = true
			if program.Load == "locked" {
				run.Lock(y)
			}
		}
		within = f.inside((from + until) / 2)
		pieces := 1
		if within != nil && w != nothing {
			pieces = int(min(mostPieces, 1+(until-from)/piece))
		}
		for k := range pieces {
			end := from + (until-from)/float64(pieces-k)
			run.Changed()
			result, err := integrator.Solve(ctx, ode.Problem{System: follow, T0: from, T1: end, Y0: y, Observe: func(st *ode.Step) error {
				for next <= last && r.Time[next] <= st.T1 && r.Time[next] < until {
					st.At(r.Time[next], state)
					take(r.Time[next], state)
				}
				return nil
			}}, options)
			if err != nil {
				return values, fmt.Errorf("what nobody measured could not be inferred: %w", ode.Plain(result.T, err))
			}
			if from, y = end, result.Y; pieces > 1 {
				follow.Cap(y, burnt)
			}
		}
		from, within = until, f.inside(until)
		run.Changed()
		if next <= last && r.Time[next] <= until { // a row at the end of a hole was read
			take(r.Time[next], y)
		}
	}
	return values, nil
}

// How many steps a record may take. Each row is a corner, and the noise of a meter makes half a dozen steps between two, so the number goes with the rows.
const (
	leastSteps  = 100_000
	stepsPerRow = 100
)

// The most that may go on where nobody saw it heats a winding without end. So it is followed in pieces, and no part gets hotter than what burns it.
const (
	piece      = 10.0 // s
	mostPieces = 1000
	burnt      = 50.0 // K above the limit
)

// inside returns the stretch that nobody saw around t; nil: there is none.
func (f *inference) inside(t float64) *unseen {
	for i := range f.unseen {
		if u := &f.unseen[i]; t > u.From && t < u.To {
			return u
		}
	}
	return nil
}

// changes returns the instants after the first at which load, cooling or what is known changes, and the last.
func (f *inference) changes() (at []float64) {
	r := f.record
	first, last := r.Time[0], r.Time[len(r.Time)-1]
	edges := []float64{f.program.LoadFrom, f.program.CoolingLostFrom}
	for _, u := range f.unseen {
		edges = append(edges, u.From, u.To)
	}
	for _, t := range edges {
		if t > first && t < last {
			at = append(at, t)
		}
	}
	at = append(at, last)
	slices.Sort(at)
	return slices.Compact(at)
}

// bound sets the currents that nobody measured to the bounds that other readings leave them.
func (f *inference) bound(seen *drive.Seen, w way) {
	most, k := f.boat.Stage.Current.SI, f.in.known
	noMotor, noBattery := math.IsNaN(seen.MotorCurrent), math.IsNaN(seen.BatteryCurrent)
	if noMotor && (k.MotorCurrent || k.Complete()) {
		switch {
		case w == nothing:
			seen.MotorCurrent = 0
		case w == halfway && !noBattery:
			seen.MotorCurrent = min(most, 2*math.Abs(seen.BatteryCurrent))
		default:
			seen.MotorCurrent = most
		}
	}
	if noBattery && (k.BatteryCurrent || k.Complete()) {
		motor := most
		if !noMotor { // no controller takes more from the battery than it gives the motor
			motor = math.Abs(seen.MotorCurrent)
		}
		switch w {
		case nothing:
			seen.BatteryCurrent = 0
		case fully:
			seen.BatteryCurrent = motor
		case halfway:
			seen.BatteryCurrent = motor / 2
		case stalled:
			if k.MotorCurrent || k.Complete() {
				seen.Speed, seen.Duty = 0, math.NaN()
			} else {
				seen.BatteryCurrent = motor
			}
		}
	}
}

// before is what may have been before the first row.
type before struct {
	warm    []float64 // the hottest state that the record may have begun in; nil: as cool as what is around it
	assumed string    // what that takes for granted, in words
	limits  bool      // nothing bounds it but the parts' limits
}

// sameShare is the share of a limit by which what nobody saw may move a part without a word about it.
const sameShare = 0.01

// whatWasBefore finds the hottest state that the record may have begun in: at rest under the currents of its first row; where a thermometer shows more than
// that explains, under the highest of the record; and where that does not explain it either, each part at its limit.
func (f *inference) whatWasBefore() (out before) {
	t0 := f.record.Time[0]
	first := f.in.at(t0)
	run := f.model.NewRun(f.program.Lever(t0))
	cold := run.Begin(f.start(first))
	held := run.KnownTemperatures(f.stated(), first)
	var now drive.Seen
	follow := run.Follow(func(float64) drive.Seen { return now })
	settled := func(seen drive.Seen) ([]float64, bool) {
		now = seen
		free := slices.Clone(cold)
		if !follow.Settle(t0, free, run.KnownTemperatures(f.stated(), drive.Unseen())) {
			return nil, false
		}
		if run.Hotter(first, free, record.CloseMargin+f.boat.Instruments.Temperature.SI) {
			return nil, true
		}
		y := slices.Clone(cold)
		return y, follow.Settle(t0, y, held)
	}
	bare := first
	bare.Sink, bare.Motor, bare.Battery = math.NaN(), math.NaN(), math.NaN()
	y, rests := settled(bare)
	denied := rests && y == nil
	switch {
	case y != nil && rests:
		out = before{warm: y, assumed: fmt.Sprintf("the record begins under load: what has no thermometer began as hot as if %s had flowed for ever before (had it run harder, it was hotter)", f.currents(first))}
	case denied:
		hardest := f.hardest()
		hardest.Sink, hardest.Motor, hardest.Battery = math.NaN(), math.NaN(), math.NaN()
		if y, rests = settled(hardest); y != nil && rests {
			out = before{warm: y, assumed: fmt.Sprintf("%s when the record begins: what has no thermometer began as hot as if the record's highest currents, %s, had flowed for ever before", f.warmer(first), f.currents(hardest))}
		}
	}
	if out.warm == nil {
		y = slices.Clone(cold)
		now = bare
		follow.HeatToLimits(y, held)
		out = before{warm: y, limits: true, assumed: "nothing tells how hot the drive was when the record begins; no part was beyond its limit"}
		if denied {
			out.assumed = f.warmer(first) + " when the record begins, more than its highest currents explain: " + out.assumed
		}
	}
	idle := slices.Clone(cold) // a closed contactor warms itself: that is no load
	now = standing(bare)
	rests = follow.Settle(t0, idle, held)
	now = first
	run.Changed()
	share := func(y []float64) (list []float64) {
		p := follow.Point(t0, y)
		for i := range f.model.Parts {
			part := f.model.Parts[i].Reference(p, y)
			list = append(list, part.Used(f.model.Parts[i].Value(p, y)))
		}
		return list
	}
	known := f.model.Known(f.in.known)
	was, may := share(idle), share(out.warm)
	for i := range was {
		if !rests || known[i] && math.Abs(may[i]-was[i]) > sameShare {
			return out
		}
	}
	return before{}
}

// standing returns what would be seen with the same channels while nothing turns.
func standing(seen drive.Seen) drive.Seen {
	for _, v := range []*float64{&seen.MotorCurrent, &seen.BatteryCurrent, &seen.Duty, &seen.Speed} {
		if !math.IsNaN(*v) {
			*v = 0
		}
	}
	return seen
}

// hardest returns what was seen when the current that drives most was highest.
func (f *inference) hardest() drive.Seen {
	k := f.in.motor
	if k == nil {
		k = f.in.battery
	}
	best := 0
	for i, v := range k.values {
		if math.Abs(v) > math.Abs(k.values[best]) {
			best = i
		}
	}
	return f.in.at(k.at[best])
}

// currents returns the names of the currents measured at an instant.
func (f *inference) currents(seen drive.Seen) string {
	var list []string
	if !math.IsNaN(seen.MotorCurrent) {
		list = append(list, quantity.Format(math.Abs(seen.MotorCurrent), "A", 3)+" of motor current")
	}
	if !math.IsNaN(seen.BatteryCurrent) {
		list = append(list, quantity.Format(math.Abs(seen.BatteryCurrent), "A", 3)+" of battery current")
	}
	return strings.Join(list, " and ")
}

// warmer returns in words what the thermometers show and how warm the air is.
func (f *inference) warmer(first drive.Seen) string {
	var list []string
	for _, k := range followed {
		if kind, _ := link.KindOf(k.channel); kind.Unit == "°C" && !math.IsNaN(*k.seen(&first)) {
			list = append(list, quantity.Spoken(k.channel)+" shows "+quantity.Format(*k.seen(&first), kind.Unit, 3))
		}
	}
	return fmt.Sprintf("%s in air of %s", quantity.List(list), quantity.Format(f.program.Air, "°C", 3))
}

// nameAssumptions lists in the record what its inferred traces take for granted.
func (f *inference) nameAssumptions() {
	r, b, program := f.record, f.boat, f.program
	assume := func(if_ bool, text string) {
		if if_ {
			r.Assumed = append(r.Assumed, text)
		}
	}
	k := f.in.known
	with := "speed"
	if k.Duty {
		with = "duty"
	}
	all := k.Complete()
	assume(all && !k.MotorCurrent, "motor current follows from battery current and "+with)
	assume(all && !k.BatteryCurrent, "battery current follows from motor current and "+map[bool]string{true: "speed", false: "duty"}[k.Speed])
	assume(all && !k.Speed, "motor speed follows from the motor's voltage; while no current flows, from propeller and hull as the boat file has them")
	assume(!k.Voltage, fmt.Sprintf("voltage follows from the bank's resistance and a charge of %.0f %% at the start", 100*program.Charge))
	without := "what has no thermometer"
	if st := &program.Start; st.Winding.Given || st.Housing.Given || st.Sink.Given || st.Battery.Given || st.Cables.Given || len(st.Cable) > 0 {
		without = "what has no thermometer, and no temperature in the trial,"
	}
	assume(f.before.warm == nil && (!k.Sink || !k.Motor || !k.Battery), fmt.Sprintf("%s began at the temperature around it, with air of %s", without, quantity.Format(program.Air, "°C", 3)))
	assume(f.before.warm != nil, f.before.assumed)
	assume(f.in.ground != nil, "the water stood still: the boat's speed is that over ground")
	assume(b.Charging != nil && program.Charging, "the charging source gave what the boat file says")
	assume(true, "cooling is as the boat file has it")
	if !k.Speed { // where no current flows, the shaft turns as these have it
		r.Assumed = append(r.Assumed, b.Estimates()...)
	}
}

// keep writes into the record what all passes say of each part: the worst where they judge it alike, else what does not hang on what nobody saw.
func (f *inference) keep(least [][]float64, most [][][]float64) {
	r := f.record
	known, sure := f.model.Known(f.in.known), f.model.Known(without(f.in.known, f.denied))
	bounded := false
	for i, part := range f.parts {
		if !known[i] || slices.ContainsFunc(least[i], math.IsNaN) {
			r.LeftOut = append(r.LeftOut, part.Name)
			continue
		}
		values := make([]float64, len(r.Time))
		if !sure[i] && !(f.shown(part.Name) && grade(part, least[i]) == over) {
			for k := range values {
				values[k] = math.NaN()
			}
			part.Unsure = "not known, since the readings behind it cannot be right"
			r.Traces = append(r.Traces, record.Trace{Name: part.Name, Unit: part.Unit, Values: values, Inferred: true, Gaps: true})
			r.Parts = append(r.Parts, part)
			continue
		}
		hangs := math.NaN()
		for k, v := range least[i] {
			values[k] = v
			for _, m := range most {
				if w := m[i][k]; part.Worse(w, values[k]) || math.IsNaN(w) {
					values[k] = w
				}
			}
			if math.IsNaN(hangs) && !(math.Abs(part.Used(values[k])-part.Used(v)) <= sameShare) {
				hangs = r.Time[k]
			}
		}
		tr := record.Trace{Name: part.Name, Unit: part.Unit, Values: values, Inferred: true}
		if !math.IsNaN(hangs) && grade(part, least[i]) == grade(part, values) {
			bounded = bounded || len(f.unseen) > 0 && hangs > f.unseen[0].From
			hangs = math.NaN()
		}
		if len(f.unseen) > 0 && math.IsNaN(hangs) && part.Measure != record.Temperature && part.Measure != record.Melting { // it has no memory that would show
			part.Unsure = f.unsure(math.Inf(1))
		}
		if !math.IsNaN(hangs) && !f.in.thinned {
			for k, v := range least[i] {
				if !(math.Abs(part.Used(values[k])-part.Used(v)) <= sameShare) {
					values[k] = math.NaN()
				}
			}
			tr.Gaps = true
			part.Unsure = f.unsure(hangs)
		}
		r.Traces = append(r.Traces, tr)
		r.Parts = append(r.Parts, part)
	}
	if bounded {
		r.Assumed = append(r.Assumed, fmt.Sprintf("where nobody saw it, the motor current was no more than the controller can pass, %s", quantity.Format(f.boat.Stage.Current.SI, "A", 3)))
	}
	r.Doubts = append(r.Doubts, f.denied.Lines()...)
	f.nameUnseen()
}

// shown reports whether a meter shows by itself what a part is judged by. Beyond its limit that counts, however it disagrees with others: a test stops by it.
func (f *inference) shown(part string) bool {
	switch part {
	case "power stage":
		return f.in.motor != nil
	case "rotor speed":
		return f.in.speed != nil
	case "link voltage":
		return f.in.voltage != nil
	}
	return false
}

// How a part is judged by the worst of some values.
const (
	_ = iota // clear
	closeTo
	over
	unknown
)

func grade(part record.Part, values []float64) (worst int) {
	for _, v := range values {
		switch {
		case math.IsNaN(v):
			return unknown
		case part.Passes(v):
			worst = over
		case part.IsClose(v):
			worst = max(worst, closeTo)
		}
	}
	return worst
}

// unsure returns why a part is not judged that depends from a row on on what nobody saw; +Inf: at no row.
func (f *inference) unsure(from float64) string {
	if math.IsInf(from, 1) {
		return "not known for the time that nobody saw"
	}
	for i := len(f.unseen) - 1; i >= 0; i-- {
		if at := f.unseen[i].From; at < from {
			return "not known from " + quantity.FormatTime(max(at, f.record.Time[0])) + " on, since nobody saw what went on"
		}
	}
	return "not known, since nobody saw what went on before the record begins"
}

// nameUnseen lists in the record the stretches in which nothing was measured.
func (f *inference) nameUnseen() {
	for _, u := range f.unseen {
		what := "no readings"
		if u.missing != nil {
			what = "no readings of " + quantity.SpokenList(u.missing)
		}
		u.From, u.To = max(u.From, f.record.Time[0]), min(u.To, f.record.Time[len(f.record.Time)-1])
		long := quantity.FormatTime(u.To - u.From)
		f.record.Events = append(f.record.Events, record.Event{At: u.From, Until: u.To, Device: "readings", What: what + " for " + long, Kind: record.Note, Count: 1})
		f.record.Doubts = append(f.record.Doubts, fmt.Sprintf("from %s to %s there are %s (%s), and what went on then nobody knows", quantity.FormatTime(u.From), quantity.FormatTime(u.To), what, long))
	}
	slices.SortStableFunc(f.record.Events, func(a, b record.Event) int { return cmp.Compare(a.At, b.At) })
}
