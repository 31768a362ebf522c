package main

import (
	"math"

	"quaybench/bench"
	"quaybench/bench/datafile"
	"quaybench/bench/quantity"
	"quaybench/bench/settings"
	"quaybench/bench/verdict"
	"quaybench/profiles"
)

// profileRows reads a settings text into the rows that the book compares: every parameter of the table in its order, with
// its unit, defaults included. It refuses a text that is no settings file.
func profileRows(text []byte) ([]profiles.Row, error) {
	s, _, err := settings.Read(bench.SettingsFile, text)
	if err != nil {
		return nil, err
	}
	var rows []profiles.Row
	for _, f := range settings.Table() {
		shown, _ := s.Shown(f.Key)
		row := profiles.Row{Key: f.Key, Text: shown}
		if v, ok := s.Number(f.Key); ok && f.Kind == datafile.KindQuantity {
			row.Number, row.Unit, row.Value = true, f.Unit, quantity.MustUnit(f.Unit).FromSI(v)
		}
		rows = append(rows, row)
	}
	return rows, nil
}

// profileVerdicts returns the verdicts of one side in the short form that the book keeps: the static rules first, then the trials.
func profileVerdicts(t *bench.Tried) []profiles.Verdict {
	if t.NotJudged != nil {
		return []profiles.Verdict{{Trial: "rules", Result: profiles.NotJudged, First: t.NotJudged.Error(), Tool: bench.Version}}
	}
	side := t.Side()
	var out []profiles.Verdict
	rules := profiles.Verdict{Trial: "rules", Result: profiles.Clear, Tool: bench.Version}
	for _, f := range side.Findings {
		if r := profiles.Result(f.Level.String()); f.Level.String() != "clear" && (rules.Result == profiles.Clear || r == profiles.Over) {
			rules.Result, rules.First = r, f.Rule
		}
	}
	out = append(out, rules)
	for i := range side.Trials {
		out = append(out, profileVerdict(&side.Trials[i]))
	}
	return out
}

// profileVerdict returns the verdict of one run in the short form that the book keeps.
func profileVerdict(k *verdict.Trial) profiles.Verdict {
	v := profiles.Verdict{Trial: k.Name, Result: profiles.Result(k.Level.String()), Tool: bench.Version}
	for _, p := range k.Parts {
		if used := p.Used; !math.IsInf(used, 0) && (v.Used == nil || used > *v.Used) {
			v.Part, v.Used = p.Name, &used
		}
	}
	if k.First != nil {
		v.First = k.First.What
	}
	return v
}
