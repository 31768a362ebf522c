package learn

import (
	"context"
	"errors"
	"slices"

	"quaybench/bench/boat"
	"quaybench/bench/settings"
)

// Track is one value that wears, over several records.
type Track struct {
	Key, Unit string
	Factor    bool   // on a table
	Cause     string // of a value that moved the way of what wears, in the trade's words; empty of one that did not move, or went back: somebody mended something
	Day       []float64
	// Value is what the value was in each record; SI. Low and High are its 95 % interval within the row of records: what they share, as the level of all of them, is left out.
	Value, Low, High []float64
	// Change is the last value less the first, with its 95 % interval.
	Change, ChangeLow, ChangeHigh float64
	// Chance is the probability that a value which stayed as it is differs so much from record to record, all values asked counted. Moved: it is below 0.02, and
	// no other value that moved explains it.
	Chance float64
	Moved  bool
	// Like lists the values that the records can't tell from this one: any of them may have moved in its place.
	Like []string
	// Furthest is the index of the record in which a value that moved is furthest from the first; Returned: by the last record most of that was gone again.
	Furthest int
	Returned bool
	// Step is the index of the record from which on a value that moved at once is another; 0: it did not, or nobody can tell.
	Step int
	// Pace is how fast it moves, SI a day, with its 95 % interval; NaN with fewer than three records, or all of one day, or where it moved at once.
	Pace, PaceLow, PaceHigh float64
	// Reach is where a value that moves at this pace ends, nil where it leads nowhere for sure.
	Reach *Reach

	unknown Unknown
}

// Drifting is what the records of a boat, one after the other, say of what wears.
type Drifting struct {
	Tracks  []Track  // those that moved beyond chance first
	Used    []int    // records, in the order given
	LeftOut []string // the others, and why
	Runs    int      // simulations it took

	problem *problem
	fit     *fitted
	row     *row // while nothing is said to have moved
}

const (
	byChance     = 0.02
	fewest       = 3 // records from which there is a pace
	quickestDays = 1.0 / 24
	// blind is a change, in those that are usual for what wears, below which a standard deviation has to lie for a value to count as asked.
	blind = 1.0
	// alikeShare is the share of what the best value explains above which another explains the same, the model being bent on so long a way.
	alikeShare = 0.9
	// abrupt is how much better, as a sum of squares, a change at once has to fit than a steady one.
	abrupt = 9.0
	// stray is how many times its usual size a channel's slow error may have in a record that fits, and odd the share of its rows that may be outliers (common practice, no source).
	stray, odd = 8.0, 0.3
	refits     = 3 // at most
	// restless is by how many of its standard deviations a value may still move when a fit ends.
	restless = 1.0
)

// ErrRestless is said of records whose common fit does not come to rest, though that of each does.
var ErrRestless = errors.New("the fit of these records together does not come to rest, so nothing is said of what moved; leave some of them out")

// ErrFewRecords is said of fewer than two records that can be used.
var ErrFewRecords = errors.New("two records of the boat that say when they were made and fit it are the fewest to see a drift in")

// Drift learns from several records together, in order of their days, and asks what wears (see wear) whether it differs between them: by a trend over the days, or by a step between
// two records. Everything else is the same in all records; meters, levers, charges and weather are each record's own. What differs beyond chance is fitted anew, with a value of its
// own in each record. A record that cannot be used, or does not fit whatever is worn, is left out with the reason.
func Drift(ctx context.Context, b *boat.Boat, s settings.Set, records []*Record, days []float64) (*Drifting, error) {
	return drifting(ctx, b, s, records, days, func(Unknown) bool { return true })
}

// drifting does what Drift does with some of the values; the others are as the file has them.
func drifting(ctx context.Context, b *boat.Boat, s settings.Set, records []*Record, days []float64, take func(Unknown) bool) (*Drifting, error) {
	out := &Drifting{}
	for i, rec := range records {
		why := repeated(rec, records[:i])
		if why == nil {
			why = out.tries(ctx, b, s, rec)
		}
		if ctx.Err() != nil {
			return nil, context.Cause(ctx)
		}
		if why != nil {
			out.LeftOut = append(out.LeftOut, why.Error())
			continue
		}
		out.Used = append(out.Used, i)
	}
	for {
		if len(out.Used) < 2 {
			return out, ErrFewRecords
		}
		var some []*Record
		var on []float64
		for _, i := range out.Used {
			some, on = append(some, records[i]), append(on, days[i])
		}
		p, err := newProblem(b, s, some)
		if err != nil {
			return nil, err
		}
		p.drifts, p.values = true, slices.DeleteFunc(p.values, func(u Unknown) bool { return !take(u) })
		p.size()
		tracks, f, w, worst, err := p.drift(ctx, on)
		out.Runs += p.runs
		if err != nil {
			return nil, err
		}
		if worst.why == "" && f.moves > restless {
			if worst, err = out.restless(ctx, b, s, some, take); err != nil {
				return nil, err
			}
		}
		if worst.why == "" {
			out.Tracks, out.problem, out.fit, out.row = tracks, p, f, w
			return out, nil
		}
		out.LeftOut = append(out.LeftOut, worst.why)
		out.Used = slices.Delete(out.Used, worst.record, worst.record+1)
	}
}

// tries simulates a record with the boat as its file has it.
func (d *Drifting) tries(ctx context.Context, b *boat.Boat, s settings.Set, rec *Record) error {
	p, err := newProblem(b, s, []*Record{rec})
	if err != nil {
		return err
	}
	own := make([]float64, p.size())
	d.Runs++
	_, err = p.run(ctx, p.records[0], own[:len(p.values)], own[len(p.values):])
	if err != nil && !errors.As(err, new(*UselessError)) {
		err = &UselessError{rec.Name, err.Error()}
	}
	return err
}

// restless returns the record whose own fit is furthest from coming to rest, of records whose common fit does not.
func (d *Drifting) restless(ctx context.Context, b *boat.Boat, s settings.Set, records []*Record, take func(Unknown) bool) (worst unfit, err error) {
	most := restless
	for k, rec := range records {
		p, err := newProblem(b, s, []*Record{rec})
		if err != nil {
			return worst, err
		}
		p.drifts, p.values = true, slices.DeleteFunc(p.values, func(u Unknown) bool { return !take(u) })
		p.size()
		f, err := p.fit(ctx)
		d.Runs += p.runs
		switch {
		case ctx.Err() != nil:
			return worst, context.Cause(ctx)
		case err != nil:
			return unfit{k, err.Error()}, nil
		case f.moves > most:
			most, worst = f.moves, unfit{k, rec.Name + ": its fit does not come to rest, so nothing it says can be relied on"}
		}
	}
	if worst.why == "" {
		err = ErrRestless
	}
	return worst, err
}

// unfit is a record that does not fit; why is empty of none.
type unfit struct {
	record int
	why    string
}

// drift finds what moved. It ends with worst set where a record does not fit. first is what the records say while nothing is taken for moving.
func (p *problem) drift(ctx context.Context, days []float64) (tracks []Track, f *fitted, first *row, worst unfit, err error) {
	if f, err = p.fit(ctx); err != nil {
		return nil, nil, nil, worst, err
	}
	if first, err = p.row(f, days); err != nil {
		return nil, nil, nil, worst, err
	}
	var moved []Track
	w := first
	for range refits {
		more, err := w.moved()
		if err != nil {
			return nil, nil, nil, worst, err
		}
		if moved = append(moved, more...); len(more) == 0 {
			break
		}
		if f, err = p.refit(ctx, f, w, more); err != nil {
			return nil, nil, nil, worst, err
		}
		if w, err = p.row(f, days); err != nil {
			return nil, nil, nil, worst, err
		}
	}
	if worst = w.unfit(); worst.why != "" {
		return nil, f, first, worst, nil
	}
	for i, t := range moved {
		moved[i] = w.found(t)
	}
	return append(moved, w.still()...), f, first, worst, nil
}

// refit fits anew with a value of its own in each record for some tracks, and starts where the records lead to first order.
func (p *problem) refit(ctx context.Context, f *fitted, w *row, more []Track) (*fitted, error) {
	type own struct{ head, worn, tail []float64 }
	n := len(p.values)
	var parts []own
	for _, r := range p.records {
		x := p.local(r, f.x)[n:]
		parts = append(parts, own{x[:r.unseen()], x[r.unseen() : r.unseen()+len(r.worn)], x[r.unseen()+len(r.worn):]})
	}
	x := slices.Clone(f.x[:n])
	for k, r := range p.records {
		part := parts[k]
		worn := slices.Clone(part.worn)
		for _, t := range more {
			j := w.place(t.Key)
			r.worn = append(r.worn, w.value[j])
			worn = append(worn, max(-2, min(2, w.free[j][k])))
		}
		x = append(append(append(x, part.head...), worn...), part.tail...)
	}
	p.size()
	l, err := p.linearise(ctx, x, f.linear, true, p.worn()...)
	if err != nil {
		return nil, err
	}
	return p.search(ctx, l, 0)
}
