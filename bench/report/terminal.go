package report

import (
	"fmt"
	"math"
	"strings"

	"github.com/guptarohit/asciigraph"

	"quaybench/bench/quantity"
	"quaybench/bench/record"
)

// Terminal draws traces of a run with characters, a chart below the other, each so many characters wide in all and so many
// lines high without its title and axis. Each has its own scale and unit; peaks are kept. It fails on a trace that the
// run lacks, and on a run without samples.
func Terminal(r *record.Run, width, height int, traces ...string) (string, error) {
	if len(r.Time) == 0 {
		return "", fmt.Errorf("the run has no samples to draw")
	}
	var charts []string
	for _, name := range traces {
		tr, err := r.FindTrace(name)
		if err != nil {
			return "", err
		}
		charts = append(charts, characters(r.Time, tr, width, height))
	}
	return strings.Join(charts, "\n\n"), nil
}

const (
	scaleWidth   = 10 // of the values beside a chart, and its axis
	overhang     = 5  // of the last time below the axis
	leastColumns = 20
	leastLines   = 3
)

func characters(time []float64, tr *record.Trace, width, height int) string {
	columns := max(width-scaleWidth-overhang, leastColumns)
	title := tr.Name
	if tr.Inferred {
		title += " (inferred)"
	}
	values := byColumn(time, convert(tr.Values, tr.Unit), columns)
	low, high := math.Inf(1), math.Inf(-1)
	for _, v := range values {
		if finite(v) {
			low, high = min(low, v), max(high, v)
		}
	}
	if low > high {
		return withComma(title, tr.Unit) + ": nothing but gaps"
	}
	options := []asciigraph.Option{
		asciigraph.Height(max(height, leastLines) - 1),
		asciigraph.YAxisValueFormatter(func(v float64) string { return fmt.Sprintf("%*s", scaleWidth-2, short(v)) }),
	}
	if first, last := time[0], time[len(time)-1]; last > first {
		options = append(options, asciigraph.XAxisRange(first, last), asciigraph.XAxisTickCount(max(2, min(5, columns/14))),
			asciigraph.XAxisValueFormatter(func(s float64) string { return quantity.FormatAuto(s, "s") }))
	}
	if high == low { // a level line, in the middle
		room := math.Max(math.Abs(low)*0.05, 0.5)
		options = append(options, asciigraph.LowerBound(low-room), asciigraph.UpperBound(high+room))
	}
	return withComma(title, tr.Unit) + "\n" + asciigraph.Plot(values, options...)
}

// byColumn returns one value for each column: of the samples in it the one furthest from the mean of all, so that a peak of a
// single sample shows; where a column has none, what lies between its neighbours.
func byColumn(time, values []float64, columns int) []float64 {
	out := make([]float64, columns)
	first, last := time[0], time[len(time)-1]
	mean, n := 0.0, 0
	for _, v := range values {
		if finite(v) {
			mean, n = mean+v, n+1
		}
	}
	mean /= float64(max(n, 1))
	filled := make([]bool, columns)
	for i, v := range values {
		k := 0
		if last > first {
			k = min(int((time[i]-first)/(last-first)*float64(columns)), columns-1)
		}
		if !filled[k] || finite(v) && !(math.Abs(v-mean) <= math.Abs(out[k]-mean)) {
			out[k], filled[k] = v, true
		}
	}
	i := 0 // of the last sample at or before the column
	for k := range out {
		if filled[k] {
			continue
		}
		t := first + (float64(k)+0.5)/float64(columns)*(last-first)
		for i+1 < len(time) && time[i+1] <= t {
			i++
		}
		out[k] = values[i]
		if i+1 < len(time) && time[i+1] > time[i] {
			w := (t - time[i]) / (time[i+1] - time[i])
			out[k] = values[i]*(1-w) + values[i+1]*w
		}
	}
	return out
}
