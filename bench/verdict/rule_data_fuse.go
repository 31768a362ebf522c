package verdict

import (
	"math"

	"quaybench/bench/boat"
	"quaybench/bench/datafile"
	"quaybench/bench/quantity"
)

// directVoltages returns the range of rated direct voltages of a fuse or contactor on a bank of so many volts. Below the bank's own
// is another rule's finding.
func directVoltages(bank float64) (usual, possible span) {
	return span{0, min(max(10*bank, 500), 1500)}, span{0, 1500}
}

// dataFuse holds the fuse against what standards ask of fuses, all from memory: carried for ever and melted at last are, over the rating,
// 1.25 and 1.6 (IEC 60269-2 gG, above 16 A; 1.5 and 1.9 below), 1.13 and 1.45 (IEC 60269-6, photovoltaic), 1.1 and 1.35 (ISO 8820,
// road vehicles), 1.5 and 2.1 (IEC 60127, miniature); IEC 60269-2 aM (motors) melts in a minute at 6.3 and not at 4, IEC 60269-4 aR
// (semiconductors) states no such current.
var dataFuse = dataRule("data-fuse", "the fuse's ratings and curves are those of fuses", func(b *boat.Boat) (out []comparison) {
	f := &b.Fuse
	usual, possible := directVoltages(HighestVoltage(b))
	out = append(out, comparison{
		says:  quantity.Sentence("the fuse is rated for %s", written(f.Rating.SI, "A")+" of battery current"),
		value: f.Rating.SI, unit: "A", usual: span{5, 1500}, possible: span{1, 6000}, look: "fuse.rating",
	}, comparison{
		says:  quantity.Sentence("the fuse is rated for %s direct, and the bank reaches %s", written(f.Voltage.SI, "V"), written(HighestVoltage(b), "V")),
		value: f.Voltage.SI, unit: "V", usual: usual, possible: possible, look: "fuse.voltage (the direct-current rating, not the alternating one)",
	}, comparison{
		says:  quantity.Sentence("the fuse breaks %s of battery current", written(f.BreakingCapacity.SI, "kA")),
		value: f.BreakingCapacity.SI, unit: "kA", usual: span{300, 150e3}, possible: span{50, 350e3}, look: "fuse.breaking_capacity",
	}, comparison{
		says:  quantity.Sentence("the arc of the fuse lasts %s", written(f.ArcingTime.SI, "ms")),
		value: f.ArcingTime.SI, unit: "ms", usual: span{0.5e-3, 0.05}, possible: span{0, 1}, look: "fuse.arcing_time",
	})
	if f.Class != "" { // its curves are the class's
		return out
	}
	if f.Carries.Given {
		out = append(out, comparison{
			says:  quantity.Sentence("the fuse carries %.3g times its rating for ever", f.Carries.SI),
			value: f.Carries.SI, unit: "times", usual: span{1, 1.6}, possible: span{0.9, 4.5}, look: "fuse.carries",
		})
	}
	if f.Melts.Given {
		out = append(out, comparison{
			says:  quantity.Sentence("a slow fuse melts at %.3g times its rating at last", f.Melts.SI),
			value: f.Melts.SI, unit: "times", usual: span{1.3, 2.2}, possible: span{1.2, 6.6}, look: "fuse.melts",
		})
	}
	if f.Carries.Given && f.Melts.Given {
		ratio := f.Melts.SI / f.Carries.SI
		out = append(out, comparison{
			says:  quantity.Sentence("the current at which a slow fuse melts at last is %.3g times the one that a fast one carries for ever", ratio),
			value: ratio, unit: "times", usual: span{1.15, 2}, possible: span{1.02, 5}, look: "fuse.melts, fuse.carries",
		})
	}
	if f.MeltingI2t.Given {
		seconds := f.MeltingI2t.SI / (f.Rating.SI * f.Rating.SI)
		out = append(out, comparison{
			says:  quantity.Sentence("the fastest element melts with %s, at %.3g A²·s for each square ampere of its rating", written(f.MeltingI2t.SI, "A²·s"), seconds),
			value: seconds, usual: span{0.02, 12}, possible: span{0.002, 100}, look: "fuse.melting_i2t, fuse.rating",
		})
	}
	for _, curve := range []struct {
		key  string
		rows datafile.Table
	}{{"fastest", f.Fastest}, {"slowest", f.Slowest}} {
		if c := farthest(curve.key, curve.rows, f.Rating.SI); c != nil {
			out = append(out, *c)
		}
	}
	return out
})

// farthest compares the point of a curve that lies farthest from where fuses of any kind melt. Of one melting time that is, over the
// rating, from what semiconductor fuses take to what motor fuses take: 3.0 to 35 times in 10 ms, 2.0 to 21 in 0.1 s, 1.3 to 9.7 in 5 s
// and 1.04 to 4.3 in an hour (drawn around data sheets from memory).
func farthest(curve string, rows datafile.Table, rating float64) (out *comparison) {
	most := math.Inf(-1)
	for i, row := range rows {
		times, t := row[0]/rating, row[1]
		usual := span{1 + 0.5*math.Pow(t, -0.3), 3 + 10*math.Pow(t, -0.25)}
		if off := max(times/usual.high, usual.low/times); off > most {
			most = off
			out = &comparison{
				says:  quantity.Sentence("the %s curve of the fuse melts at %s of battery current, %.3g times its rating, in %s", curve, written(row[0], "A"), times, written(t, "s")),
				value: times, unit: "times", usual: usual, possible: span{1, 3 * usual.high}, look: quantity.Sentence("fuse.%s[%d], fuse.rating", curve, i),
			}
		}
	}
	return out
}
