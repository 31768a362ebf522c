package bench

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"quaybench/bench/link"
	"quaybench/bench/measure"
	"quaybench/bench/quantity"
	"quaybench/bench/record"
)

// doubtful returns a note for each channel of which a reading stands alone beyond all that was predicted in the whole programme, by more than
// that range again, while the readings before and after it do not: a damaged line, a receiver that jumped. It stays in the record as it
// came; two in a row stop a test.
func (p *Prediction) doubtful(measured *measure.Result) (notes []record.Event) {
	for _, band := range p.Channels {
		k := slices.IndexFunc(measured.Channels, func(c link.Channel) bool { return c.Name == band.Channel })
		if k < 0 {
			continue
		}
		low, high := band.Range()
		beyond := func(v float64) bool { return v < low-(high-low) || v > high+(high-low) }
		var at, value []float64
		for i := range measured.Samples {
			s := &measured.Samples[i]
			if was := s.Time(k); !math.IsNaN(s.Values[k]) && (len(at) == 0 || was != at[len(at)-1]) {
				at, value = append(at, was), append(value, s.Values[k])
			}
		}
		var note record.Event
		for i := 1; i < len(at)-1; i++ {
			if !beyond(value[i]) || beyond(value[i-1]) || beyond(value[i+1]) {
				continue
			}
			if note.Count++; note.Count == 1 {
				show := func(v float64) string { return quantity.Format(v, cmp.Or(band.Unit, "1"), 3) }
				note.At, note.Device, note.Kind = at[i], "readings", record.Note
				note.What = fmt.Sprintf("doubtful: %s was %s in one reading, %s before it and %s after it; %s to %s was predicted of the whole programme",
					quantity.Spoken(link.TraceName(band.Channel)), show(value[i]), show(value[i-1]), show(value[i+1]), show(low), show(high))
			}
			note.Until = at[i]
		}
		if note.Count > 0 {
			notes = append(notes, note)
		}
	}
	return notes
}

// Range returns the lowest and highest value predicted of a channel at any time of the programme, SI.
func (p *PredictedChannel) Range() (low, high float64) {
	low, high = math.Inf(1), math.Inf(-1)
	for i := range p.Time {
		low, high = min(low, p.Low[i]), max(high, p.High[i])
	}
	return low, high
}
