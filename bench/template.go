package bench

import (
	"fmt"
	"slices"
	"strings"

	"quaybench/bench/boat"
	"quaybench/bench/datafile"
	"quaybench/bench/layout"
	"quaybench/bench/quantity"
	"quaybench/bench/settings"
)

// Template says how much of a file to write.
type Template int

const (
	ShortTemplate Template = iota // the values that matter: those a file cannot do without, and what a default might hide
	WholeTemplate                 // every key
)

// NewBoatFile returns a boat file to fill in: valid as it stands, each value with what it is and where to find it. Each says that it
// is an example; while one does, nothing is judged.
func NewBoatFile(name string, t Template) []byte {
	head := `# The drive of ` + name + `. Every value below is an EXAMPLE: replace it by your own, and the word "example" by where yours
# comes from: "data sheet", "measured" or "estimated". What is no quantity says so in a comment: cells = 16  # data sheet
# Each number carries its unit ("14 mΩ" or "14 mohm"; "8.5 in" and "75 lb" are read too), and if you like its tolerance
# ("14 mΩ ± 10 %", "+/- 10 %"). While one value says example, nothing is judged. Lines that begin with # may be left so.
`
	if t == ShortTemplate {
		head += `# These are the values that matter most; quaybench new NAME --all writes every key there is.
`
	}
	return []byte(head + strings.ReplaceAll(withMotorCable(template(boat.Boat{}, t)), `"NAME"`, fmt.Sprintf("%q", name)))
}

// withMotorCable repeats the battery cable of a template as the motor's, without the comments: a boat has both, and rules and trials judge what its file lists.
func withMotorCable(text string) string {
	const table = "[[cable]]"
	at := strings.Index(text, table)
	end := at + strings.Index(text[at:], "\n# Repeat this table")
	lines := []string{"", "# The motor cable: its current is the larger one at low speed. Repeat this table for each further cable."}
	for line := range strings.SplitSeq(text[at:end], "\n") {
		if line != "" && !strings.HasPrefix(line, "#") {
			if strings.Contains(line, "battery") { // a cable's name and circuit are no examples here
				line, _, _ = strings.Cut(strings.ReplaceAll(line, "battery", "motor"), "  #")
			}
			lines = append(lines, line)
		}
	}
	return text[:end] + strings.Join(lines, "\n") + "\n" + text[end:]
}

// NewSettingsFile returns a settings file to fill in, valid as it stands.
func NewSettingsFile(name string, t Template) []byte {
	head := `# What the controller of ` + name + ` is told. Every value below is an EXAMPLE: copy yours from the controller, and take the
# word "example" away (or write "measured", where you read it off). While one value says example, nothing is judged.
# Motor current and battery current are different things: at low speed the battery carries a small part of the motor's.
`
	return []byte(head + template(settings.Set{}, t))
}

// asked reports whether a short template holds a key.
func asked(f datafile.Field) bool {
	return !f.Optional || f.Ask == "yes" || f.Ask != "no" && f.Stated && f.Default == ""
}

// template writes the keys of a file type with their docs. An optional key without an example of its own is commented out.
func template(of any, t Template) string {
	var b strings.Builder
	fields := datafile.Fields(of)
	if t == ShortTemplate {
		fields = slices.DeleteFunc(fields, func(f datafile.Field) bool {
			return f.Kind != datafile.KindGroup && f.Kind != datafile.KindGroups && !asked(f)
		})
	}
	first := false // below its table's header
	for i, f := range fields {
		if f.Kind == datafile.KindGroup || f.Kind == datafile.KindGroups {
			if t == ShortTemplate && idle(fields[i:], f.Key+".x") {
				continue
			}
			group(&b, fields[i:], f)
			first = true
			continue
		}
		if !first {
			b.WriteByte('\n')
		}
		first = false
		hidden := f.Optional && !f.Stated || idle(fields, f.Key)
		for _, text := range []string{f.Doc, found(f.Find), bounds(f)} {
			wrap(&b, text)
		}
		if hidden {
			b.WriteString("# ")
		}
		fmt.Fprintf(&b, "%s = %s\n", f.Key[strings.LastIndex(f.Key, ".")+1:], marked(f))
	}
	return b.String()
}

// marked returns the example of a key with the word that says so.
func marked(f datafile.Field) string {
	switch {
	case f.Kind == datafile.KindQuantity:
		text, _, _ := strings.Cut(strings.Trim(f.Example, `"`), ",")
		return datafile.Quote(text + ", " + quantity.Example)
	case f.Kind == datafile.KindText && len(f.One) == 0, f.Kind == datafile.KindTexts:
		return f.Example
	}
	return f.Example + "  # " + quantity.Example
}

func group(b *strings.Builder, rest []datafile.Field, f datafile.Field) {
	b.WriteByte('\n')
	wrap(b, f.Doc)
	open, close := "[", "]"
	if f.Kind == datafile.KindGroups {
		open, close = "[[", "]]"
		wrap(b, "Repeat this table, with the line in brackets, for each further one.")
	}
	if idle(rest, f.Key+".x") {
		b.WriteString("# ")
	}
	fmt.Fprintf(b, "%s%s%s\n", open, strings.ReplaceAll(f.Key, "[]", ""), close)
}

// idle reports whether the table of a key is one that no field of has an example for: it is then written commented out.
func idle(fields []datafile.Field, key string) bool {
	dot := strings.LastIndex(key, ".")
	if dot < 0 {
		return false
	}
	table := strings.TrimSuffix(key[:dot], "[]")
	for _, f := range fields {
		at := strings.LastIndex(f.Key, ".")
		if at >= 0 && strings.TrimSuffix(f.Key[:at], "[]") == table && (f.Stated || !f.Optional && f.Default != "") {
			return false
		}
	}
	return true
}

func found(text string) string {
	if text == "" {
		return ""
	}
	return "Where: " + text
}

func bounds(f datafile.Field) string {
	var parts []string
	if len(f.One) > 0 {
		parts = append(parts, "One of: "+strings.Join(f.One, ", "))
	}
	for _, p := range []struct{ word, text string }{{"from ", f.Min}, {"above ", f.Above}, {"to ", f.Max}, {"below ", f.Below}} {
		if p.text != "" && !strings.Contains(p.text, "|") {
			parts = append(parts, p.word+p.text)
		}
	}
	if f.Default != "" {
		parts = append(parts, "left out: "+f.Default)
	}
	if len(parts) == 0 {
		return ""
	}
	return "(" + strings.Join(parts, "; ") + ")"
}

// wrap writes a comment in lines of readable length.
func wrap(b *strings.Builder, text string) {
	if text != "" {
		b.WriteString("# " + strings.ReplaceAll(layout.Wrap(text, 96), "\n", "\n#   ") + "\n")
	}
}
