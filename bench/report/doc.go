// Package report turns results into something a person keeps with the boat: charts, and a report in one file.
//
// A Paper says what a report is about; it writes itself as HTML (one file, no network, complete without its script) or
// PDF. A Sheet is a stack of charts, as SVG or PNG. Terminal draws traces with characters.
//
// Every chart is drawn once, over a pen; SVG, PNG and PDF are three pens. Charts and papers are plain data: they may be
// read from several goroutines. Nothing here reads a file or a clock, or prints.
//
// Why the pens are what they are (looked at: gonum/plot, go-analyze/charts, wcharczuk/go-chart, tdewolff/canvas): none
// of the chart libraries has labelled limits, event marks, direct labels with line samples, bands and log-log axes
// together, and their SVG carries no data for a read-out. tdewolff/canvas draws to all three, for 6.5 MB of program
// and 22 further modules, among them a font renderer for TeX. codeberg.org/go-pdf/fpdf (which also sets tables and
// breaks pages) and fogleman/gg cost under 2 MB together and no start time. The Go fonts come from golang.org/x/image.
package report
