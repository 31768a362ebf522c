package main

import "quaybench/bench/report"

// Numbers are shown as the reports show them; --json and --csv have all digits.

func shown(si float64, unit string) string { return report.Shown(si, unit) }
func shownShare(x float64) string          { return report.ShownShare(x) }
func shownTime(s float64) string           { return report.ShownTime(s) }
