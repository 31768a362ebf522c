package learn

import (
	"context"
	"fmt"
	"math"
	"runtime"
	"slices"
	"sort"
	"strings"

	"golang.org/x/sync/errgroup"

	"quaybench/bench/boat"
	"quaybench/bench/drive"
	"quaybench/bench/record"
	"quaybench/bench/settings"
	"quaybench/bench/simulate"
	"quaybench/bench/trial"
)

// Record is a run to learn from, with the trial it was made in: its weather, and the lever where the run has none.
type Record struct {
	Name  string // for messages
	Hash  string // of its file
	Run   *record.Run
	Trial *trial.Trial

	planned bool // nobody has made it yet: what goes on in it is the trial, however seldom somebody reads
}

// recorded is a record made ready: what it is compared with, and the unknowns that belong to it alone. These are the charge at its start,
// each meter's offset and gain, and how late each movement of the lever came.
type recorded struct {
	*Record
	trial    *trial.Trial // with the lever that the record shows
	channels []*channel
	blocks   [][]block // per channel: which readings make a row
	corners  []float64 // s
	edges    []edge    // of a lever whose movements lie between samples; nil: it moves as the programme says
	instants []float64 // of a simulation
	timing   float64   // standard deviation of a reading's own time, s
	first    int       // of its unknowns in a point
	model    func(*drive.Model)
	seen     *seen // nil: driven by the lever

	worn []int // values, as indices into the problem's, that differ in this record from what all share: see wear

	clock      float64      // s that the model's clock is ahead of the record's
	cool, warm *trial.Trial // the coolest and warmest start of one that begins under load; nil: it begins at rest
	notes      []string     // what of it is not used or not known
}

// LeastRows is the number of rows below which a record teaches nothing.
const LeastRows = 6

// block is the readings from one to before another.
type block struct{ from, to int }

const (
	late        = 0.3 // s by which a movement of the lever comes early or late, common practice, no source; the readings show it better
	typedTiming = 3.0 // s by which a person reads early or late, common practice, no source
)

// prepare checks a record and sets up its simulation.
func prepare(rec *Record, b *boat.Boat, s settings.Set) (*recorded, error) {
	run, notes := rec.Run, []string(nil)
	clock, loaded, asked, first := 0.0, false, rec.planned, drive.Seen{}
	if !rec.planned {
		if run, notes = throughout(run); len(run.Time) < LeastRows {
			return nil, &UselessError{rec.Name, fmt.Sprintf("%d rows of it are not enough: %s; cut it there and take it in pieces", len(run.Time), strings.Join(notes, "; "))}
		}
		if lever, has := run.Trace(record.Lever); has && run.Time[0] <= record.Hole(record.Usual(run.Time)) {
			asked = follows(rec.Trial, run.Time, lever.Values)
		}
		if begin := run.Time[0]; begin > record.Hole(record.Usual(run.Time)) { // by a clock of the logger's own
			clock = -begin
		}
		if first, loaded = beginning(run, b); asked {
			loaded = false // the programme tells how it came to that
		}
		if loaded {
			clock = underWay - run.Time[0]
		}
		if clock != 0 {
			run = moved(run, clock)
		}
	}
	used := *rec
	used.Run = run
	r := &recorded{Record: &used, timing: 0.02, notes: notes, clock: clock}
	t := *rec.Trial
	t.CoolingLostFrom += clock
	t.Duration = run.Time[len(run.Time)-1]
	typed := spacing(run.Time) > sparse
	if typed {
		r.timing = typedTiming
	}
	lever, has := run.Trace(record.Lever)
	switch {
	case has && asked:
	case has:
		if t.Throttle, r.edges = leverSteps(run.Time, lever.Values); loaded && lever.Values[0] != 0 {
			t.Throttle[0].At = 1 // from neutral, where a controller has to be to start
		}
	}
	t.Throttle = slices.DeleteFunc(slices.Clone(t.Throttle), func(s trial.Step) bool { return s.At >= t.Duration })
	t.Electrical, t.Expect, t.EndAfterExpected = false, nil, 0
	r.trial = &t
	r.channels = channels(run, b, s.Derating.MotorSensor)
	driven := has || slices.ContainsFunc(t.Throttle, func(s trial.Step) bool { return s.To != 0 })
	if !driven {
		if err := r.driveByCurrent(); err != nil {
			return nil, err
		}
		t.Throttle, r.edges = nil, nil
	}
	if loaded {
		if err := r.openStart(b, s, first); err != nil {
			return nil, err
		}
	}
	if len(r.channels) == 0 {
		return nil, &UselessError{rec.Name, "nothing in it is left that the model could be held against"}
	}
	if !typed && r.seen == nil {
		r.corners = corners(&t)
	}
	r.instants = grid(&t)
	for _, c := range r.channels {
		for _, at := range c.t {
			if typed {
				r.instants = append(r.instants, at-1, at, at+1)
			}
		}
		r.blocks = append(r.blocks, r.rows(c))
	}
	slices.Sort(r.instants)
	r.instants = slices.DeleteFunc(slices.Compact(r.instants), func(x float64) bool { return x <= 0 || x >= t.Duration })
	return r, nil
}

// UselessError is a record that nothing can be learned from.
type UselessError struct{ Record, Why string }

func (e *UselessError) Error() string { return e.Record + ": " + e.Why }

// rows divides a channel's readings: half a second each within 15 s of a movement, 4 s elsewhere; a person's readings stand for themselves.
func (r *recorded) rows(c *channel) (out []block) {
	for i := 0; i < len(c.t); {
		j := i + 1
		if !c.typed {
			width := 4.0
			if c.t[i]-r.moved(c.t[i]) < 15 {
				width = 0.5
			}
			for j < len(c.t) && c.t[j] < c.t[i]+width-1e-9 {
				j++
			}
		}
		out = append(out, block{i, j})
		i = j
	}
	return out
}

// moved returns when the last movement of the lever up to an instant began, −Inf before the first.
func (r *recorded) moved(at float64) float64 {
	last := math.Inf(-1)
	for _, s := range r.trial.Throttle {
		if s.At-0.8 <= at {
			last = max(last, s.At)
		}
	}
	return last
}

// own returns the number of unknowns that belong to the record alone.
func (r *recorded) own() int {
	return r.unseen() + len(r.worn) + r.seen.unknowns()
}

// unseen returns the number of those that no simulation needs, and the charge: they stand first.
func (r *recorded) unseen() int {
	n := 1 + 2*len(r.channels) + len(r.corners)
	if r.warm != nil {
		n++
	}
	return n
}

// problem is a boat with records to learn from.
type problem struct {
	boat     *boat.Boat
	settings settings.Set
	values   []Unknown // that the records may tell
	quiet    []Unknown // that they do not reach
	drifts   bool      // what wears is kept among the values, however little is told of it
	records  []*recorded
	runs     int // simulations so far
}

// size returns the number of unknowns: the values, then each record's own.
func (p *problem) size() int {
	n := len(p.values)
	for _, r := range p.records {
		r.first = n
		n += r.own()
	}
	return n
}

// local returns the part of a point that a record's series know: the values, then the record's own.
func (p *problem) local(r *recorded, x []float64) []float64 {
	return append(slices.Clone(x[:len(p.values)]), x[r.first:r.first+r.own()]...)
}

// run simulates a record with values z and charge c, both coordinates; own is what else belongs to the record.
func (p *problem) run(ctx context.Context, r *recorded, z []float64, own []float64) (*record.Run, error) {
	b, t := place(p.boat, r.trial, p.values, p.scores(r, z, own), own[0])
	return p.simulate(ctx, r, b, t, own)
}

// scores returns the scores of the values as they were in a record.
func (p *problem) scores(r *recorded, z, own []float64) []float64 {
	z = slices.Clone(z)
	for i, j := range r.worn {
		u := &p.values[j]
		z[j] = wearOf(p.boat, u.Key).worn(u, z[j], own[r.unseen()+i])
	}
	return z
}

// simulate runs a record with a boat.
func (p *problem) simulate(ctx context.Context, r *recorded, b *boat.Boat, t *trial.Trial, own []float64) (*record.Run, error) {
	if r.seen != nil {
		return r.seen.run(ctx, b, p.settings, t, r.instants, own[len(own)-r.seen.unknowns():])
	}
	run, err := simulate.Run(ctx, b, p.settings, t, simulate.Options{At: r.instants, Model: r.model, Check: noCheck})
	if err == nil && run.Time[len(run.Time)-1] < r.trial.Duration-1 {
		err = &UselessError{r.Name, "the model stops before the record's end"}
	}
	return run, err
}

// predict reads what each channel would have shown.
func (r *recorded) predict(run *record.Run) ([][]float64, error) {
	out := make([][]float64, len(r.channels))
	for i, c := range r.channels {
		from, err := r.reader(run, c)
		if err != nil {
			return nil, err
		}
		out[i] = from.all(c.t)
	}
	return out, nil
}

// means returns what predict does, row by row: all that a direction is needed for.
func (r *recorded) means(run *record.Run) ([][]float64, error) {
	out := make([][]float64, len(r.channels))
	for i, c := range r.channels {
		from, err := r.reader(run, c)
		if err != nil {
			return nil, err
		}
		out[i] = make([]float64, len(r.blocks[i]))
		for k, b := range r.blocks[i] {
			sum := 0.0
			for _, t := range c.t[b.from:b.to] {
				sum += from.at(t)
			}
			out[i][k] = sum / float64(b.to-b.from)
		}
	}
	return out, nil
}

// reader returns a reader of what a channel is compared with.
func (r *recorded) reader(run *record.Run, c *channel) (*reader, error) {
	tr, ok := run.Trace(c.trace)
	if !ok {
		return nil, &UselessError{r.Name, "the model has no " + c.trace}
	}
	values := tr.Values
	if c.size {
		values = make([]float64, len(tr.Values))
		for i, v := range tr.Values {
			values[i] = math.Abs(v)
		}
	}
	return &reader{time: run.Time, values: values}, nil
}

// reader reads a trace as record.Between does, at instants one after the other: it goes on from where the last one lay.
type reader struct {
	time, values []float64
	next         int // the first sample that does not lie before the last instant
}

func (r *reader) at(t float64) float64 {
	if r.next > 0 && r.time[r.next-1] >= t {
		r.next = 0
	}
	for r.next < len(r.time) && r.time[r.next] < t {
		r.next++
	}
	switch i := r.next; i {
	case 0:
		return r.values[0]
	case len(r.time):
		return r.values[i-1]
	default:
		w := (t - r.time[i-1]) / (r.time[i] - r.time[i-1])
		return r.values[i-1]*(1-w) + r.values[i]*w
	}
}

// all returns the values at several instants.
func (r *reader) all(at []float64) []float64 {
	out := make([]float64, len(at))
	for i, t := range at {
		out[i] = r.at(t)
	}
	return out
}

// read returns the values of a trace at several instants.
func read(time, values, at []float64) []float64 {
	return (&reader{time: time, values: values}).all(at)
}

// slopes returns the rates of change of each channel at its readings.
func (r *recorded) slopes(run *record.Run) [][]float64 {
	const h = 0.15
	out := make([][]float64, len(r.channels))
	for i, c := range r.channels {
		from, err := r.reader(run, c)
		if err != nil {
			continue // predict has said so
		}
		early, later := make([]float64, len(c.t)), make([]float64, len(c.t))
		for k, t := range c.t {
			early[k], later[k] = t-h, t+h
		}
		a, b := from.all(early), from.all(later)
		for k := range a {
			a[k] = (b[k] - a[k]) / (2 * h)
		}
		out[i] = a
	}
	return out
}

// lateness returns how late a movement of the lever that begins at an instant may come, a standard deviation, s.
func (r *recorded) lateness(corner float64) float64 {
	for _, e := range r.edges {
		if e.after == corner {
			return max(late, e.within/math.Sqrt(3))
		}
	}
	return late
}

// blurs returns, for each reading of each channel, by how much the prediction changes within the time by which the last movement of the lever before it may
// have come earlier or later: near a movement a reading says little, since nobody knows when it began.
func (r *recorded) blurs(run *record.Run) [][]float64 {
	out := make([][]float64, len(r.channels))
	for i, c := range r.channels {
		out[i] = make([]float64, len(c.t))
		from, err := r.reader(run, c)
		if err != nil {
			continue // predict has said so
		}
		values, last := from.values, -1
		for k, t := range c.t {
			for last+1 < len(r.edges) && r.edges[last+1].after < t {
				last++
			}
			if last < 0 {
				continue
			}
			begin, end := t-r.edges[last].within, t+r.edges[last].within
			if last+1 < len(r.edges) {
				end = min(end, max(t, r.edges[last+1].after))
			}
			low := record.Between(run.Time, values, begin)
			high := low
			take := func(v float64) { low, high = min(low, v), max(high, v) }
			take(record.Between(run.Time, values, end))
			for j := sort.SearchFloat64s(run.Time, begin); j < len(run.Time) && run.Time[j] < end; j++ {
				take(values[j])
			}
			out[i][k] = high - low
		}
	}
	return out
}

// difference is the step of a difference quotient, in prior units.
const difference = 0.15

// idleError is a variance of the motor's speed with the lever at neutral, (rad/s)²: how fast the shaft windmills depends so sharply on friction, seal
// and hull that a difference quotient there is noise.
const idleError = 1e3 * 1e3

// linear is the problem made linear around a point: for each record a series for each channel.
type linear struct {
	x    []float64
	sets [][]*series
	base []*record.Run
}

// linearise simulates the point and one step in each direction, on all cores. before, if not nil, hands its noise on. To keep derivatives is to take those of before for
// the values, but for some that are renewed, and for the charge: a fiftieth of the simulations.
func (p *problem) linearise(ctx context.Context, x []float64, before *linear, keep bool, renewed ...int) (*linear, error) {
	n := len(p.values)
	l := &linear{x: slices.Clone(x), sets: make([][]*series, len(p.records)), base: make([]*record.Run, len(p.records))}
	type job struct{ rec, j int }
	var jobs []job
	predicted := make([][][][]float64, len(p.records)) // record, direction, channel, row; the last is the point itself, reading by reading
	moving := make([][]int, len(p.records))            // the local places of the directions
	for k, r := range p.records {
		dirs := make([]int, 0, n+1)
		for j := range n + 1 { // the values and the charge
			if !keep || slices.Contains(renewed, j) {
				dirs = append(dirs, j)
			}
		}
		for j := range r.seen.unknowns() {
			dirs = append(dirs, n+r.own()-r.seen.unknowns()+j)
		}
		moving[k] = dirs
		predicted[k] = make([][][]float64, len(dirs)+1)
		for d := range len(dirs) + 1 {
			jobs = append(jobs, job{k, d})
		}
	}
	var group errgroup.Group
	group.SetLimit(runtime.GOMAXPROCS(0))
	for _, a := range jobs {
		group.Go(func() error {
			if err := ctx.Err(); err != nil {
				return context.Cause(ctx)
			}
			r := p.records[a.rec]
			at := p.local(r, x)
			if a.j < len(moving[a.rec]) {
				at[moving[a.rec][a.j]] += difference
			}
			run, err := p.run(ctx, r, at[:n], at[n:])
			if err != nil && a.j < len(moving[a.rec]) { // a step to the other side may hold
				at[moving[a.rec][a.j]] -= 2 * difference
				if run, err = p.run(ctx, r, at[:n], at[n:]); err == nil {
					predicted[a.rec][a.j], err = r.means(run)
					negate(predicted[a.rec][a.j])
					return err
				}
			}
			if err != nil {
				return err
			}
			if a.j < len(moving[a.rec]) {
				predicted[a.rec][a.j], err = r.means(run)
				return err
			}
			l.base[a.rec] = run
			predicted[a.rec][a.j], err = r.predict(run)
			return err
		})
	}
	if err := group.Wait(); err != nil {
		return nil, err
	}
	p.runs += len(jobs)
	for k, r := range p.records {
		var kept []*series
		if keep {
			kept = before.sets[k]
		}
		l.sets[k] = p.series(r, p.local(r, x), l.base[k], predicted[k], moving[k], kept)
		if err := p.warm(ctx, r, p.local(r, x), l.sets[k]); err != nil {
			return nil, err
		}
		if before != nil {
			for i, s := range l.sets[k] {
				s.noise, s.robust = before.sets[k][i].noise, slices.Clone(before.sets[k][i].robust)
			}
		}
	}
	return l, nil
}

// warm fills in what a record's start does to its series, which is half of the way from its coolest to its warmest.
func (p *problem) warm(ctx context.Context, r *recorded, at []float64, sets []*series) error {
	if r.warm == nil {
		return nil
	}
	n := len(p.values)
	var ends [2][][]float64
	for k, t := range []*trial.Trial{r.cool, r.warm} {
		run, err := p.run(ctx, r.started(t), at[:n], at[n:])
		if err != nil {
			return err
		}
		if ends[k], err = r.means(run); err != nil {
			return err
		}
		p.runs++
	}
	for i, s := range sets {
		for k := range r.blocks[i] {
			half := (ends[1][i][k] - ends[0][i][k]) / 2
			place := n + 1 + 2*len(r.channels) + len(r.corners)
			s.cols[place][k] = half
			s.error[k] -= half * at[place]
		}
	}
	return nil
}

// negate marks predictions as those of a step backwards, by a NaN first in each channel.
func negate(predicted [][]float64) {
	for i := range predicted {
		predicted[i] = append([]float64{math.NaN()}, predicted[i]...)
	}
}

// series reduces the readings of a record to rows with their derivatives. predicted holds the rows of each direction of moving, then
// the readings at the point itself; kept, if not nil, has the derivatives of the others.
func (p *problem) series(r *recorded, x []float64, base *record.Run, predicted [][][]float64, moving []int, kept []*series) []*series {
	n, own := len(p.values), r.own()
	own0 := predicted[len(predicted)-1]
	slopes, blurs := r.slopes(base), r.blurs(base)
	list := make([]*series, len(r.channels))
	for i, c := range r.channels {
		rows := r.blocks[i]
		s := &series{channel: c, noise: noise{white: c.white, slow: c.slow, tau: usualTau}}
		for range n + own {
			s.cols = append(s.cols, make([]float64, len(rows)))
		}
		slope := make([]float64, len(rows))
		for k, b := range rows {
			s.at = append(s.at, (c.t[b.from]+c.t[b.to-1])/2)
			s.weight = append(s.weight, float64(b.to-b.from))
			s.robust = append(s.robust, 1)
			s.level = append(s.level, mean(own0[i][b.from:b.to]))
			slope[k] = mean(slopes[i][b.from:b.to])
			jitter := r.timing * slope[k]
			blur := slices.Max(blurs[i][b.from:b.to])
			s.jitter = append(s.jitter, jitter*jitter+blur*blur)
			if c.name == record.MotorSpeed && r.seen == nil && r.trial.Load == "normal" && r.trial.Lever(s.at[k])(s.at[k]) == 0 {
				s.jitter[k] += idleError
				s.idle = append(s.idle, k)
			}
		}
		if kept != nil {
			for j := range n + 1 {
				s.cols[j] = slices.Clone(kept[i].cols[j])
			}
		}
		for d, j := range moving {
			away, sign := predicted[d][i], 1.0
			if len(away) > len(rows) {
				away, sign = away[1:], -1
			}
			for k := range rows {
				s.cols[j][k] = (1 - c.low) * sign * (away[k] - s.level[k]) / difference
			}
		}
		offset, gain := n+1+2*i, n+2+2*i
		for k := range rows {
			s.cols[offset][k] = c.offset
			s.cols[gain][k] = c.gain * s.level[k]
			if c.low > 0 {
				s.cols[gain][k] = -c.low / 2 * (s.level[k] - r.trial.Air)
			}
			if q := sort.SearchFloat64s(r.corners, s.at[k]+0.5) - 1; q >= 0 {
				s.cols[n+1+2*len(r.channels)+q][k] = -slope[k] * r.lateness(r.corners[q])
			}
		}
		for w, j := range r.worn {
			u := &p.values[j]
			slope := wearOf(p.boat, u.Key).slope(u, x[j], x[n+r.unseen()+w])
			for k, v := range s.cols[j] {
				s.cols[n+r.unseen()+w][k] = v * slope
			}
		}
		s.error = s.errors(r, rows, own0[i], x, n)
		list[i] = s
	}
	return list
}

// errors returns measured less predicted, row by row, the meter's offset and gain and the lever's lateness at x put in. They take the derivatives of those
// as they are.
func (s *series) errors(r *recorded, rows []block, predicted, x []float64, n int) []float64 {
	out := make([]float64, len(rows))
	for k, b := range rows {
		raw := make([]float64, 0, b.to-b.from)
		for q := b.from; q < b.to; q++ {
			raw = append(raw, s.y[q]-predicted[q]+s.low*(predicted[q]-r.trial.Air))
		}
		out[k] = location(raw, s.white)
		for j := n + 1; j < n+r.unseen(); j++ {
			if x[j] != 0 {
				out[k] -= s.cols[j][k] * x[j]
			}
		}
	}
	return out
}

func mean(x []float64) float64 {
	sum := 0.0
	for _, v := range x {
		sum += v
	}
	return sum / float64(len(x))
}

// location returns the middle of raw residuals by Huber's weights (Robust estimation of a location parameter, 1964).
func location(x []float64, scale float64) float64 {
	if len(x) < 3 || scale <= 0 {
		return mean(x)
	}
	y := slices.Clone(x)
	slices.Sort(y)
	m := y[len(y)/2]
	for range 5 {
		sw, sx := 0.0, 0.0
		for _, v := range x {
			w := 1.0
			if d := math.Abs(v-m) / (1.5 * scale); d > 1 {
				w = 1 / d
			}
			sw, sx = sw+w, sx+w*v
		}
		m = sx / sw
	}
	return m
}
