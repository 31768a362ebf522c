package repl

import (
	"slices"
	"strings"

	"quaybench/bench/boat"
	"quaybench/bench/datafile"
	"quaybench/bench/record"
	"quaybench/bench/settings"
	"quaybench/bench/trial"
)

// Complete offers what may stand at the end of what is typed, which may be of several lines: names of Go; inside a string
// what its place asks for, such as keys of settings, or names of trials and boats. It returns the endings, and how many
// characters of the text they complete.
func (s *Session) Complete(text string) (endings []string, length int) {
	if rest, ok := strings.CutPrefix(strings.TrimLeft(text, " "), "help "); ok {
		spot := s.interp.Env().Complete(rest)
		var names []string
		for _, n := range spot.Names {
			names = append(names, strings.TrimSuffix(rest, spot.Word)+n.Name)
		}
		return matching(slices.Concat(names, settingKeys(), boatKeys(), trial.Names()), rest)
	}
	spot := s.interp.Env().Complete(text)
	if spot.InString {
		return matching(s.strings(spot.Call, spot.Argument), spot.Word)
	}
	var names []string
	for _, n := range spot.Names {
		if n.Kind == "function" || n.Kind == "method" {
			n.Name += "("
		}
		names = append(names, n.Name)
	}
	if spot.Word == text && text != "" {
		names = append(names, "help", "trials", "script")
	}
	return matching(names, spot.Word)
}

// strings lists what may stand in a string: an argument of a call, or in none.
func (s *Session) strings(call string, argument int) []string {
	assignments := func() (out []string) {
		for _, k := range settingKeys() {
			out = append(out, k+"=")
		}
		return out
	}
	first := argument == 0
	switch call[strings.LastIndexByte(call, '.')+1:] {
	case "Try":
		return assignments()
	case "TryIn":
		if !first {
			return assignments()
		}
		return trial.Names()
	case "Builtin":
		return trial.Names()
	case "Get":
		return append(settingKeys(), boatKeys()...)
	case "With", "Number", "WithNumber", "Unit", "Range":
		if !first {
			return nil
		}
		return settingKeys()
	case "Highest":
		if first {
			return settingKeys()
		}
		return trial.Names()
	case "Odds":
		return trial.Names()
	case "Load", "LoadTrial":
		return s.boats()
	case "Loaded":
		return loads()
	case "plot":
		if first {
			return trial.Names()
		}
		return s.traces()
	case "Trace", "ValueAt", "MeanBetween", "Max":
		return s.traces()
	}
	return slices.Concat(settingKeys(), trial.Names(), s.boats())
}

func (s *Session) boats() []string {
	if s.config.Boats == nil {
		return nil
	}
	return s.config.Boats()
}

// traces names the traces of the runs that the session holds, or those of every run.
func (s *Session) traces() []string {
	var names []string
	for _, v := range s.interp.Env().Vars() {
		if value, ok := s.interp.Get(v.Name); ok {
			if run := runIn(value); run != nil {
				names = append(names, traceNames(run)...)
			}
		}
	}
	if len(names) == 0 {
		return []string{record.Lever, record.MotorCurrent, record.BatteryCurrent, record.Voltage, record.CellVoltage, record.Duty, record.MotorSpeed, record.BoatSpeed,
			record.Distance, record.Thrust, record.Torque, record.Charge, record.Derating, "winding", "heat sink", "battery"}
	}
	return names
}

// loads lists what a propeller may meet.
func loads() []string {
	for _, f := range datafile.Fields(trial.Trial{}) {
		if f.Key == "load" {
			return slices.Clone(f.One)
		}
	}
	return nil
}

func settingKeys() []string { return valueKeys(settings.Fields()) }
func boatKeys() []string    { return valueKeys(datafile.Fields(boat.Boat{})) }

func valueKeys(fields []datafile.Field) (out []string) {
	for _, f := range fields {
		if f.Kind != datafile.KindGroup && f.Kind != datafile.KindGroups && !strings.Contains(f.Key, "[]") {
			out = append(out, f.Key)
		}
	}
	return out
}

// matching returns what is missing of the words that begin with start.
func matching(words []string, start string) (endings []string, length int) {
	slices.Sort(words)
	for _, w := range slices.Compact(words) {
		if rest, ok := strings.CutPrefix(w, start); ok && rest != "" {
			endings = append(endings, rest)
		}
	}
	return endings, len([]rune(start))
}
