package main

import (
	"context"
	"path/filepath"

	"github.com/spf13/cobra"

	"quaybench/bench"
	"quaybench/bench/learn"
	"quaybench/bench/report"
)

// compareOptions are what `quaybench compare` is asked.
type compareRecordOptions struct {
	recordFlags
	boat, record string
	json         bool
	paper        paperFlags
}

func (o *compareRecordOptions) run(ctx context.Context, sys *system) error {
	if err := o.paper.check(sys, o.json); err != nil {
		return err
	}
	b, records, _, err := o.read(sys, o.boat, []string{o.record})
	if err != nil {
		return err
	}
	compared, err := bench.CompareRecord(ctx, b.Setup, records[0])
	if err != nil {
		return learnFailed(err)
	}
	out := comparedResult(compared)
	return o.paper.handOver(ctx, sys, b.Setup, compared, out, o.json)
}

// comparedResult returns a record over its prediction, for screen and paper.
func comparedResult(c *bench.ComparedRecord) *report.Overlaid {
	out := &report.Overlaid{Record: filepath.Base(c.Record.Name), Suspects: suspectsOf(c.Suspects), Warnings: examplesLeft(c.Setup)}
	for i := range c.Channels {
		k := &c.Channels[i]
		out.Channels = append(out.Channels, report.OverlaidChannel{
			Name: k.Trace, Unit: k.Unit, Time: k.Time, Measured: k.Measured, Model: k.Model, Half: k.Half, Largest: k.Largest, At: k.At, RMS: k.RMS,
			Outside: k.Outside, From: k.From, Parts: bench.Departs(k),
		})
	}
	for _, note := range c.Notes {
		out.Warnings = append(out.Warnings, "Of the record: "+note+".")
	}
	if c.Doubtful() {
		out.Warnings = append(out.Warnings, learn.DoubtSentence(1, c.Doubt))
	}
	out.Warnings = append(out.Warnings, c.Meters...)
	return out
}

func compareRecordCommand(sys *system) *cobra.Command {
	var o compareRecordOptions
	cmd := &cobra.Command{
		Use:   "compare BOAT RECORD",
		Short: "lay a record over its prediction: where they part, and what may be the cause",
		Long: `Simulates the boat for the lever and the weather of a record and lays what was measured over it: where and by how much they part, beyond what the meters and the
boat file's tolerances explain. Then it holds causes against the record, one by one: a joint whose resistance is up, a fouled propeller, blocked cooling, a tired
battery, weak magnets. A cause is named when the record speaks for it beyond chance; those that the record can't tell apart are named together.

"controller compare" is another command: it compares the settings in a controller with the file.

Exit code: 0 done, 2 bad use, or a record of another boat, of other settings, without a current, or too short; 4 not judged (values are still the example's); 1 any other failure.`,
		Example: "  quaybench compare petrel monday.csv\n  quaybench compare petrel monday.csv --report monday.html",
		Args:    arguments(2, 2, "BOAT RECORD"),
		RunE: func(cmd *cobra.Command, args []string) error {
			o.boat, o.record = args[0], args[1]
			return o.run(cmd.Context(), sys)
		},
	}
	o.add(cmd, sys)
	cmd.Flags().BoolVar(&o.json, "json", false, "print one JSON object")
	o.paper.add(cmd)
	return cmd
}
