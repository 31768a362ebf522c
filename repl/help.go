package repl

import (
	"fmt"
	"go/doc"
	"slices"
	"strings"

	"quaybench/bench"
	"quaybench/bench/boat"
	"quaybench/bench/datafile"
	"quaybench/bench/settings"
	"quaybench/bench/trial"
	"quaybench/repl/check"
)

// An example is a line that works in a fresh session and shows what a name is for. A test runs them all; what a name does
// is said by its doc comment.
type example struct {
	name, line string
	first      bool // among the first things to try
}

var examples = []example{
	{"bench.Script.Try", `boat.Try("limits.motor_current=160 A")`, true},
	{"bench.Script.TryIn", `boat.TryIn("hot-day")`, true},
	{"plot", `plot("hot-day", "motor current", "winding")`, true},
	{"bench.Script.Highest", `boat.Highest("limits.motor_current")`, true},
	{"bench.Script.Envelope", `boat.Envelope("100 A", "300 A")`, true},
	{"bench.Script.Odds", `boat.Odds(50, "hot-restart")`, true},
	{"bench.Script.Step", `boat.Step(steps)`, true},
	{"bench.Script.Save", `boat.Save("why it is so")`, true},
	{"bench.Script", `boat.Try("limits.motor_current=160 A")`, false},
	{"bench.Script.Boat", `boat.Boat()`, false},
	{"bench.Script.Get", `boat.Get("limits.motor_current")`, false},
	{"bench.Script.Check", `boat.Check()`, false},
	{"bench.Script.Simulate", `boat.Simulate(steps)`, false},
	{"bench.Script.With", `lower, err := boat.With("limits.motor_current", "120 A")`, false},
	{"bench.Script.Context", `ctx, cancel := context.WithTimeout(boat.Context(), time.Minute); boat.WithContext(ctx).Simulate(steps); cancel()`, false},
	{"bench.Script.WithContext", `ctx, cancel := context.WithTimeout(boat.Context(), time.Minute); boat.WithContext(ctx).Simulate(steps); cancel()`, false},
	{"bench.Script.Setup", `boat.Setup.Settings`, false},
	{"bench.Script.Args", `boat.Args`, false},
	{"bench.NewProgramme", `bench.NewProgramme("steps", 20).To(1, 0.5, 0).To(15, 0, 0)`, false},
	{"bench.Programme", `bench.NewProgramme("steps", 20).To(1, 0.5, 0).To(15, 0, 0)`, false},
	{"bench.Programme.To", `bench.NewProgramme("ahead", 60).To(2, 0.8, 1.5)`, false},
	{"bench.Programme.Underway", `boat.Simulate(bench.NewProgramme("away", 60).To(1, 1, 2).Underway())`, false},
	{"bench.Programme.StopWhen", `boat.Step(bench.NewProgramme("ahead", 60).To(2, 0.8, 1.5).StopWhen("motor current", "above 120 A"))`, false},
	{"bench.Programme.Loaded", `boat.Simulate(bench.NewProgramme("rope", 10).To(1, 0.4, 0).Loaded("locked"))`, false},
	{"bench.Flags", `r, err := boat.Simulate(steps); bench.Flags(r.Verdict)`, false},
	{"bench.Format", `bench.Format(0.014, "mΩ")`, false},
	{"bench.ValueAt", `r, err := boat.Simulate(steps); v, err := bench.ValueAt(r.Run, "motor current", 10); bench.Format(v, "A")`, false},
	{"bench.MeanBetween", `r, err := boat.Simulate(steps); mean, err := bench.MeanBetween(r.Run, "motor speed", 5, 15); bench.Format(mean, "rpm")`, false},
	{"bench.Max", `r, err := boat.Simulate(steps); most, err := bench.Max(r.Run, "winding"); bench.Format(most, "°C")`, false},
	{"bench.Script.Sweep", `table, err := boat.Sweep(steps, "limits.motor_current", "100 A, 140 A"); fmt.Print(table)`, false},
	{"bench.Script.Profile", `earlier, err := boat.Profile("petrel", "spring"); boat.Differences(earlier)`, false},
	{"bench.Script.Readings", `// in a script: readings, err := s.Readings(s.Args[0])`, false},
	{"bench.Script.Compare", `// in a script: compared, err := s.Compare(s.Args[0]); fmt.Print(compared.Summary())`, false},
	{"bench.Script.Learn", `// of a record that the command line names: boat.Learn(boat.Args[0])`, false},
	{"bench.Script.Drift", `// of records that the book keeps: boat.Drift()`, false},
	{"bench.Script.Sheet", `boat.Sheet("harbour", "voltage", "battery_current")`, false},
	{"bench.Script.Next", `// it takes some seconds: boat.Next("voltage", "winding resistance")`, false},
	{"bench.Script.Report", `// in a script: s.Report(tried)`, false},
	{"bench.Script.Differences", `earlier, err := boat.Profile("petrel", "spring"); boat.Differences(earlier)`, false},
	{"bench.Load", `other, err := bench.Load("bracken"); boat.Setup = other`, false},
	{"bench.RunScript", `// func main() { bench.RunScript(yourFunction) }`, false},
	{"bench.StepResult.Summary", `r, err := boat.Step(steps); fmt.Print(r.Summary())`, false},
}

// ownDocs are the names that only a session has.
var ownDocs = map[string]string{
	"plot":  "plot draws traces over time: of a trial by its name, which it runs first, or of what boat.Simulate, boat.Step or boat.TryIn returned. Without names it draws those that say most.",
	"steps": "steps is a programme to begin with: half throttle after 1 s, back to zero after 15 s, 20 s in all.",
	"boat":  "boat is the boat the session began with.",
}

// wordDocs are the words that a session takes beside Go.
var wordDocs = map[string]string{
	"help":   "help lists what to try first; help NAME explains a name.",
	"trials": "trials lists the built-in trials; help NAME explains one, as in help hot-day.",
	"script": "script FILE writes the session out as a script, as in script session.go.",
	"quit":   "quit leaves, as exit and Ctrl-D do.",
	"exit":   "exit leaves, as quit and Ctrl-D do.",
}

// overview prints what to try first.
func (s *Session) overview() {
	fmt.Fprintf(s.config.Out, "boat is %s. Try:\n", s.config.Boat)
	for _, e := range examples {
		if e.first {
			fmt.Fprintf(s.config.Out, "  %s\n%s\n", e.line, s.indented(new(doc.Package).Synopsis(s.doc(e.name)), "      "))
		}
	}
	fmt.Fprintln(s.config.Out, s.indented("help NAME explains a name, with units and an example: help boat.Try, help limits.motor_current, help hot-day, help bench. "+
		"trials lists the built-in trials; script FILE writes the session out as a script. Tab completes, Ctrl-R searches what was typed before, Ctrl-C stops what runs, quit or Ctrl-D leaves.", ""))
}

// trials prints the built-in trials with what they are for.
func (s *Session) trials() error {
	for _, name := range trial.Names() {
		t, err := trial.Builtin(name)
		if err != nil {
			return err
		}
		fmt.Fprintf(s.config.Out, "%s\n%s\n", name, s.indented(t.About, "    "))
	}
	return nil
}

// help explains a name: a setting, a value of the boat file, a trial, or what Go knows by it here.
func (s *Session) help(name string) error {
	if text, ok := s.keyHelp(name); ok {
		fmt.Fprintln(s.config.Out, text)
		return nil
	}
	if text, ok := trial.Text(name); ok {
		fmt.Fprintf(s.config.Out, "%s\nexample: boat.TryIn(%q)\n", strings.TrimRight(text, "\n"), name)
		return nil
	}
	text, ok := s.nameHelp(name)
	if word, isWord := wordDocs[name]; !ok && isWord {
		text, ok = s.indented(word, ""), true
	}
	if !ok {
		return fmt.Errorf("no help on %q: it is no setting, no value of the boat file, no trial, and nothing that Go knows here", name)
	}
	fmt.Fprintln(s.config.Out, text)
	return nil
}

// keyHelp explains a setting or a value of the boat file.
func (s *Session) keyHelp(key string) (string, bool) {
	setting := true
	find := func(fields []datafile.Field) *datafile.Field {
		i := slices.IndexFunc(fields, func(f datafile.Field) bool { return f.Key == key && f.Kind != datafile.KindGroup })
		if i < 0 {
			return nil
		}
		return &fields[i]
	}
	f := find(settings.Fields())
	if f == nil {
		setting = false
		if f = find(datafile.Fields(boat.Boat{})); f == nil {
			return "", false
		}
	}
	lines := []string{f.Key, s.indented(f.Doc, "    ")}
	add := func(what, text string) {
		if text != "" {
			lines = append(lines, s.indented(what+text, "    "))
		}
	}
	add("unit: ", f.ReaderUnit())
	if f.Min != "" || f.Max != "" {
		add("", strings.TrimSpace("from "+f.Min+f.Above+" to "+f.Max+f.Below))
	}
	add("one of: ", strings.Join(f.One, ", "))
	add("default: ", f.Default)
	add("where to find it: ", f.Find)
	if b, ok := s.interp.Get("boat"); ok {
		if b, ok := b.(*bench.Script); ok && b != nil {
			if now, err := b.Get(f.Key); err == nil {
				add("now: ", now)
			}
		}
	}
	line := fmt.Sprintf("boat.Get(%q)", f.Key)
	if setting {
		line = fmt.Sprintf("boat.Try(%q)", f.Key+"="+strings.Trim(f.Example, `"`))
	}
	return strings.Join(append(lines, "example: "+line), "\n"), true
}

// nameHelp explains a name by what the checker and the doc comments know.
func (s *Session) nameHelp(name string) (string, bool) {
	n, declared := s.named(name)
	known := knownAs(name, n)
	var lines []string
	switch n.Kind {
	case "function", "method":
		lines = append(lines, s.indented(name+strings.TrimPrefix(n.Type, "func"), ""))
	case "variable", "field":
		lines = append(lines, name+" is a "+n.Kind+" of type "+n.Type)
	case "constant":
		lines = append(lines, name+" is a constant of type "+n.Type)
	}
	text := s.doc(known)
	if text == "" && n.Kind == "field" {
		text = s.doc(strings.TrimLeft(n.Type, "*[]"))
	}
	if own, ok := ownDocs[name]; ok {
		text = own
	}
	if text == "" && !declared {
		return "", false
	}
	if text != "" {
		lines = append(lines, s.fitted(text))
	}
	for _, e := range examples {
		if e.name == known || e.name == name {
			lines = append(lines, "example: "+e.line)
			break
		}
	}
	var members []string
	for _, m := range s.interp.Env().Complete(name + ".").Names {
		about := new(doc.Package).Synopsis(s.doc(knownAs(name+"."+m.Name, m)))
		if about == "" {
			about = m.Type
		}
		members = append(members, "  "+name+"."+m.Name+"\n"+s.indented(about, "      "))
	}
	if len(members) > 0 {
		lines = append(lines, "It has:\n"+strings.Join(members, "\n"))
	}
	return strings.Join(lines, "\n"), true
}

// named returns what the checker knows of a name, dots and all.
func (s *Session) named(name string) (check.Name, bool) {
	for _, n := range s.interp.Env().Complete(name).Names {
		if n.Name == name[strings.LastIndexByte(name, '.')+1:] {
			return n, true
		}
	}
	return check.Name{}, false
}

// knownAs returns the name by which the doc comments know a name of the session: bench.Script.Try for boat.Try, and for a
// variable the name of its type.
func knownAs(name string, n check.Name) string {
	switch {
	case n.Of != "":
		return n.Of + "." + n.Name
	case n.Kind == "variable" && !strings.Contains(name, "."):
		return strings.TrimLeft(n.Type, "*[]")
	}
	return name
}

func (s *Session) doc(name string) string {
	if text, ok := ownDocs[name]; ok {
		return text
	}
	text, _ := s.library.Doc(name)
	return strings.TrimSpace(text)
}

// indented breaks text into lines that fit, each behind a margin.
func (s *Session) indented(text, margin string) string {
	var lines []string
	line := margin
	for _, word := range strings.Fields(text) {
		if line != margin && len([]rune(line))+1+len([]rune(word)) > s.config.Width() {
			lines = append(lines, line)
			line = margin
		}
		if line != margin {
			line += " "
		}
		line += word
	}
	return strings.Join(append(lines, line), "\n")
}

// fitted breaks the paragraphs of a doc comment that are too wide, and leaves the rest as it is set.
func (s *Session) fitted(text string) string {
	paragraphs := strings.Split(text, "\n\n")
	for i, p := range paragraphs {
		set := strings.HasPrefix(p, " ") || strings.Contains(p, "\n ") || strings.Contains(p, "\t")
		if !set {
			paragraphs[i] = s.indented(p, "")
		}
	}
	return strings.Join(paragraphs, "\n\n")
}
