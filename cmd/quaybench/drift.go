package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"quaybench/bench"
	"quaybench/bench/learn"
	"quaybench/bench/report"
	"quaybench/profiles"
)

// driftOptions are what `quaybench drift` is asked.
type driftOptions struct {
	boat    string
	records []string
	recordFlags
	json  bool
	paper paperFlags
}

func (o *driftOptions) run(ctx context.Context, sys *system) error {
	if err := o.paper.check(sys, o.json); err != nil {
		return err
	}
	b, records, _, err := o.read(sys, o.boat, o.records)
	if err != nil {
		return err
	}
	var leftOut []string
	if b.book != nil && b.home != "" {
		if records, leftOut, err = keptRecords(ctx, b.book, b.name, b.Setup, records); err != nil {
			return err
		}
	}
	bar := newBar(sys, "learning from the records")
	d, err := bench.FindDrift(ctx, b.Setup, records)
	bar.done()
	if err != nil {
		if ctx.Err() != nil {
			return learnFailed(err)
		}
		for _, l := range leftOut {
			fmt.Fprintln(sys.Err, hung("left out: ", l, sys.width()))
		}
		if len(records)+len(leftOut) == 0 {
			err = fmt.Errorf("%w: the book keeps none of %s yet; `quaybench readings`, `sheet --fill` and `learn --write` keep them", err, b.name)
		}
		return input(err)
	}
	d.LeftOut = append(d.LeftOut, leftOut...)
	out := driftResult(d)
	return o.paper.handOver(ctx, sys, b.Setup, d, out, o.json)
}

// keptRecords returns the records that a book keeps of a boat, and those given behind them; simulations and what nothing can be learned from are left out, with the
// reason.
func keptRecords(ctx context.Context, book *profiles.Book, boat string, s *bench.Setup, given []*learn.Record) (list []*learn.Record, leftOut []string, err error) {
	all, err := book.List(ctx, boat)
	if err != nil {
		return nil, nil, fromBook(err)
	}
	have := map[string]bool{}
	for _, r := range given {
		have[r.Hash] = true
	}
	for _, k := range all.Records() {
		text, err := book.Kept(ctx, boat, k.Hash)
		if err != nil {
			return nil, nil, fromBook(err)
		}
		r, err := bench.ReadRecord(s, k.Name, text, nil)
		switch {
		case errors.As(err, new(*bench.RecordError)):
			leftOut = append(leftOut, err.Error())
		case err != nil:
			leftOut = append(leftOut, k.Name+": "+err.Error())
		case !have[r.Hash]:
			have[r.Hash] = true
			list = append(list, r)
		}
	}
	return append(list, given...), leftOut, nil
}

// driftResult returns a drift for screen and paper.
func driftResult(d *bench.Drifted) *report.Drift {
	out := &report.Drift{First: d.Records[0].At, LeftOut: d.LeftOut, Warnings: examplesLeft(d.Setup)}
	for _, r := range d.Records {
		out.Records = append(out.Records, fmt.Sprintf("%s (%s), %s", r.Name, r.Hash, r.At.Format(time.DateOnly)))
	}
	for i := range d.Tracks {
		t := &d.Tracks[i]
		unit := cmp.Or(t.Unit, "1")
		name := d.Setup.Boat.KeyName(t.Key)
		if t.Factor {
			unit, name = "%", name+" (factor)"
		}
		k := report.DriftTrack{Name: name, Unit: unit, Day: t.Day, Value: t.Value, Low: t.Low, High: t.High, Chance: t.Chance, Moved: t.Moved}
		for _, other := range t.Like {
			k.Like = append(k.Like, d.Setup.Boat.KeyName(other))
		}
		k.Reaches, k.AtOnce = d.Reaches(t, "2 January 2006"), d.AtOnce(t, "2 January 2006")
		if t.Returned {
			k.Returned = fmt.Sprintf("furthest on %s, %s", d.Records[t.Furthest].At.Format("2 January 2006"), report.Shown(t.Value[t.Furthest], unit))
		}
		k.Pace, k.PaceLow, k.PaceHigh = t.Pace, t.PaceLow, t.PaceHigh
		k.Cause, k.Change, k.ChangeLow, k.ChangeHigh = t.Cause, t.Change, t.ChangeLow, t.ChangeHigh
		out.Tracks = append(out.Tracks, k)
	}
	return out
}

func driftCommand(sys *system) *cobra.Command {
	var o driftOptions
	cmd := &cobra.Command{
		Use:   "drift BOAT [RECORD...]",
		Short: "follow the boat's values over its records: what moved beyond chance, and when it reaches a limit",
		Long: `Learns from the records of the boat together, those that its book keeps and those given, and asks what wears: joints and cables, contacts, battery, magnets, brushes,
bearings and seal, cooling, propeller and hull. Everything else is the same in all records. What differs between them by more than chance is told, with how much, and from
three records on, where the pace is sure enough, between which dates a part reaches its limit. A record that does not fit, whatever is worn, is left out and named.

The book keeps records of "readings", "sheet --fill" and "learn --write", and those that an approval rests on.

Exit code: 0 done, 2 bad use, or fewer than two records that say when they were made; 4 not judged (values are still the example's); 1 any other failure.`,
		Example: "  quaybench drift petrel\n  quaybench drift petrel may.csv june.csv july.csv --report drift.html",
		Args:    arguments(1, 100, "BOAT [RECORD...]"),
		RunE: func(cmd *cobra.Command, args []string) error {
			o.boat, o.records = args[0], args[1:]
			return o.run(cmd.Context(), sys)
		},
	}
	o.add(cmd, sys)
	cmd.Flags().BoolVar(&o.json, "json", false, "print one JSON object")
	o.paper.add(cmd)
	return cmd
}
