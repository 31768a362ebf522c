package repl

import (
	"reflect"
	"slices"
	"strings"

	"quaybench/bench/datafile"
	"quaybench/bench/settings"
	"quaybench/bench/trial"
)

// Complete offers what may stand at the end of a line: names of variables, packages, fields and methods; inside a text the
// keys of settings and the names of trials. It returns the endings, and how many characters of the line they complete.
func (s *Session) Complete(line string) (endings []string, length int) {
	if quote := strings.LastIndexByte(line, '"'); quote >= 0 && strings.Count(line, `"`)%2 == 1 {
		return matching(texts(), line[quote+1:])
	}
	at := len(line)
	for at > 0 && (isWord(line[at-1]) || line[at-1] == '.') {
		at--
	}
	word := line[at:]
	if rest, ok := strings.CutPrefix(strings.TrimLeft(line, " "), "help "); ok && !strings.Contains(rest, " ") {
		keys := append(texts(), s.names(rest)...)
		return matching(keys, rest)
	}
	return matching(s.names(word), word)
}

func isWord(c byte) bool {
	return c == '_' || c >= '0' && c <= '9' || c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z'
}

// texts are what is typed inside quotes.
func texts() (out []string) {
	for _, f := range settings.Fields() {
		if f.Kind != datafile.KindGroup {
			out = append(out, f.Key)
		}
	}
	return append(out, trial.Names()...)
}

// names are the whole names that may begin with word, dots included.
func (s *Session) names(word string) (out []string) {
	dot := strings.LastIndexByte(word, '.')
	if dot < 0 {
		for _, v := range s.interp.Env().Vars() {
			out = append(out, v.Name)
		}
		for _, path := range s.library.Paths() {
			out = append(out, s.library.Package(path).Name)
		}
		return append(out, "help", "trials")
	}
	before := word[:dot]
	for _, path := range s.library.Paths() {
		if p := s.library.Package(path); p.Name == before {
			for _, n := range p.Names {
				out = append(out, before+"."+n)
			}
			return out
		}
	}
	steps := strings.Split(before, ".")
	value, ok := s.interp.Get(steps[0])
	if !ok || value == nil {
		return nil
	}
	t := reflect.TypeOf(value)
	for _, name := range steps[1:] {
		for t.Kind() == reflect.Pointer {
			t = t.Elem()
		}
		if t.Kind() != reflect.Struct {
			return nil
		}
		f, ok := t.FieldByName(name)
		if !ok {
			return nil
		}
		t = f.Type
	}
	for i := range t.NumMethod() {
		out = append(out, before+"."+t.Method(i).Name+"(")
	}
	for t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	if t.Kind() == reflect.Struct {
		for _, f := range reflect.VisibleFields(t) {
			if f.IsExported() {
				out = append(out, before+"."+f.Name)
			}
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
