package guard

import (
	"cmp"
	"crypto/sha256"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"quaybench/bench/datafile"
	"quaybench/bench/link"
	"quaybench/bench/link/scaling"
	"quaybench/bench/quantity"
)

// Loader checks what the tags of a map's file can't say and what does not depend on the line.
type Loader struct {
	Source *datafile.Source
	Map    *Map
	known  map[string]datafile.Field
}

// NewLoader begins a map of a file's text. known are the settings there are; nil skips that check.
func NewLoader(source *datafile.Source, data []byte, title, noun string, known []datafile.Field) *Loader {
	l := &Loader{Source: source, Map: &Map{Title: title, Hash: fmt.Sprintf("%x", sha256.Sum256(data)), Noun: noun}}
	if known != nil {
		l.known = map[string]datafile.Field{}
		for _, k := range known {
			l.known[k.Key] = k
		}
	}
	return l
}

// Problem reports something wrong at a path of the file.
func (l *Loader) Problem(path, format string, args ...any) { l.Source.Problem(path, format, args...) }

// Entry is what a setting or a reading states, but for its place.
type Entry struct {
	Key      string
	Kind     Kind
	Scaling  scaling.Text
	ReadOnly bool
	Words    []string
}

// Settings reads the entries setting[0] and on. place reads an entry's place and claims it; fixed says why it can't be
// written at all, "" where it can.
func (l *Loader) Settings(entries []Entry, place func(path string, i int) (Place, bool), fixed func(i int) string) {
	seen := map[string]int{}
	for i, e := range entries {
		path := fmt.Sprintf("setting[%d]", i)
		l.key(path, e.Key, "setting", seen, i)
		f, ok := l.field(path, e, i, place)
		if !ok {
			l.exists(path, e.Key)
			continue
		}
		s := Setting{Field: f, Setting: link.Setting{Key: e.Key, Unit: f.Unit, ReadOnly: e.ReadOnly, Step: f.StepSize()}}
		if why := fixed(i); why != "" && !e.ReadOnly {
			l.Problem(path+".table", "%s", why)
		}
		switch {
		case f.Codes != nil:
			s.Words, s.Max = words(e), float64(len(f.Codes)-1)
		default:
			s.Min, s.Max = l.bounds(path, e, f)
			for _, bound := range []struct{ key, text string }{{"min", e.Scaling.Min}, {"max", e.Scaling.Max}} {
				if !e.ReadOnly && bound.text == "" && !l.Source.Has(path+"."+bound.key) {
					l.Problem(path+"."+bound.key, "%s of %s is missing; say what the controller takes, or read_only = true", bound.key, e.Key)
				}
			}
		}
		l.compare(path, e, s)
		l.Map.Settings = append(l.Map.Settings, s)
	}
}

// Readings reads the entries reading[0] and on.
func (l *Loader) Readings(entries []Entry, place func(path string, i int) (Place, bool)) {
	seen := map[string]int{}
	for i, e := range entries {
		path := fmt.Sprintf("reading[%d]", i)
		l.key(path, e.Key, "reading", seen, i)
		if meant, ok := link.Meant(e.Key); ok {
			l.Problem(path+".key", "there is no reading %s, and nothing would watch over it: is %s meant? Another thing needs a name less like it", e.Key, meant)
		}
		for _, key := range []string{"read_only", "words"} {
			if l.Source.Has(path + "." + key) {
				l.Problem(path+"."+key, "a reading has no %s", key)
			}
		}
		e.Words = nil
		f, ok := l.field(path, e, i, place)
		if !ok {
			continue
		}
		r := Reading{Field: f, Channel: link.Channel{Name: e.Key, Unit: cmp.Or(f.Unit, "1")}}
		r.Codes = nil // a bit reads 0 or 1
		if !f.Kind.Switch() {
			l.bounds(path, e, f)
		}
		l.Map.Readings = append(l.Map.Readings, r)
	}
}

var keyForm = regexp.MustCompile(`^[a-z][a-z0-9_]*(\.[a-z][a-z0-9_]*)*$`)

// key checks the form of a key and that it comes once.
func (l *Loader) key(path, key, what string, seen map[string]int, i int) {
	if key == "" {
		return // already reported
	}
	if !keyForm.MatchString(key) {
		l.Problem(path+".key", "%q is no key; write lower-case words joined by _, groups joined by a dot, as in limits.motor_current", key)
	}
	if first, twice := seen[key]; twice {
		line, _, _ := l.Source.Position(fmt.Sprintf("%s[%d].key", what, first))
		l.Problem(path+".key", "%s %s is already in line %d", what, key, line)
		return
	}
	seen[key] = i
}

// field reads place and codec of an entry; ok is false where it is too wrong
// to go on.
func (l *Loader) field(path string, e Entry, i int, place func(path string, i int) (Place, bool)) (f Field, ok bool) {
	problem := func(key, format string, args ...any) { l.Problem(path+"."+key, format, args...) }
	k := e.Kind
	if k == "" { // already reported; what does not hang on it is judged all the same
		if e.Words == nil {
			scaling.Read(e.Scaling, problem)
		}
		return f, false
	}
	if f.Place, ok = place(path, i); !ok {
		return f, false
	}
	f.Codec = Codec{Kind: k}
	f.Line, _, _ = l.Source.Position(path + ".key")
	if e.Words == nil && !k.Switch() {
		f.Scaling, ok = scaling.Read(e.Scaling, problem)
		return f, ok
	}
	f.Scaling = scaling.Scaling{Factor: 1, Max: 1}
	for _, key := range []string{"unit", "scale", "offset", "min", "max"} {
		if l.Source.Has(path + "." + key) {
			l.Problem(path+"."+key, "%s makes no sense beside words or a %s", key, cmp.Or(map[Kind]string{Bool: "bool"}[k], "bit"))
		}
	}
	f.Codes = []float64{0, 1}
	if !k.Switch() || e.Words != nil {
		f.Codes = l.codes(path, e, k)
	}
	return f, f.Codes != nil
}

// codes reads the counts of the words of a choice.
func (l *Loader) codes(path string, e Entry, k Kind) []float64 {
	if k.Switch() || k == F32 {
		l.Problem(path+".words", "a %s holds no words: it is off and on, or a number", k)
		return nil
	}
	if len(e.Words) < 2 {
		l.Problem(path+".words", `a choice needs two words at least, for example ["torque = 0", "voltage = 2"]`)
		return nil
	}
	low, high := k.Limits()
	var codes []float64
	seen := map[string]bool{}
	for i, text := range e.Words {
		at := fmt.Sprintf("%s.words[%d]", path, i)
		word, number, _ := cutWord(text)
		code, err := strconv.ParseInt(number, 0, 64)
		switch {
		case err != nil || word == "":
			l.Problem(at, `%q is not a word and its count, as in "torque = 0"`, text)
			return nil
		case float64(code) < low || float64(code) > high:
			l.Problem(at, "count %d is not what a %s holds (%g to %g)", code, k, low, high)
			return nil
		case seen[word] || slices.Contains(codes, float64(code)):
			l.Problem(at, "word %q or count %d comes twice", word, code)
			return nil
		}
		seen[word] = true
		codes = append(codes, float64(code))
	}
	return codes
}

func cutWord(text string) (word, number string, ok bool) {
	word, number, ok = strings.Cut(text, "=")
	return strings.TrimSpace(word), strings.TrimSpace(number), ok
}

// words returns the choices of a setting; those of a bit are false and true.
func words(e Entry) []string {
	if e.Words == nil {
		return []string{"false", "true"}
	}
	var list []string
	for _, text := range e.Words {
		word, _, _ := cutWord(text)
		list = append(list, word)
	}
	return list
}

// bounds checks that the type can hold min and max, and gives them moved
// inward to what it can hold. Where they are not given they are the type's.
func (l *Loader) bounds(path string, e Entry, f Field) (low, high float64) {
	lowest, highest := f.Kind.Limits()
	low, high = f.SI(lowest), f.SI(highest)
	if f.Factor < 0 {
		low, high = high, low
	}
	for _, bound := range []struct {
		key, text string
		value     float64
		into      *float64
	}{{"min", e.Scaling.Min, f.Min, &low}, {"max", e.Scaling.Max, f.Max, &high}} {
		if bound.text == "" {
			continue
		}
		*bound.into = f.Inward(bound.value, bound.key == "max")
		if _, held := f.Encode(bound.value); !held {
			l.Problem(path+"."+bound.key, "%s would be count %.0f, but a %s holds %g to %g; see type, scale and offset",
				bound.text, math.Round(f.Count(bound.value)), f.Kind, lowest, highest)
		}
	}
	if low > high {
		l.Problem(path+".max", "between min and max there is no count: see scale")
	}
	return low, high
}

// compare checks a setting against the table of settings.
func (l *Loader) compare(path string, e Entry, s Setting) {
	if l.known == nil || e.Key == "" {
		return
	}
	if !l.exists(path, e.Key) {
		return
	}
	k := l.known[e.Key]
	switch k.Kind {
	case datafile.KindQuantity:
		if s.Words != nil {
			l.Problem(path, "%s is a quantity in %s, no choice", e.Key, k.Unit)
		} else if _, err := quantity.Parse("1 "+e.Scaling.Unit, quantity.MustUnit(k.Unit)); err != nil {
			l.Problem(path+".unit", "%s is in %s: %v", e.Key, k.Unit, err)
		}
	case datafile.KindBoolean:
		if slices.Compare(s.Words, []string{"false", "true"}) != 0 {
			l.Problem(path, `%s is a switch: use a bit, or words = ["false = 0", "true = 1"]`, e.Key)
		}
	default:
		if s.Words == nil {
			l.Problem(path, "%s is a choice: write words = [%q]", e.Key, strings.Join(k.One, ` = 0", "`)+" = 1")
			return
		}
		for i, word := range s.Words {
			if !slices.Contains(k.One, word) {
				l.Problem(fmt.Sprintf("%s.words[%d]", path, i), "%s is one of %s: give a count the word of what it does, and leave out those that do something else", e.Key, strings.Join(k.One, ", "))
			}
		}
	}
}

// exists reports a setting that is not in the table of settings.
func (l *Loader) exists(path, key string) bool {
	if l.known == nil || key == "" {
		return true
	}
	if k, ok := l.known[key]; !ok || k.Kind == datafile.KindGroup {
		l.Problem(path+".key", "there is no setting %s", key)
		return false
	}
	return true
}

// NeedsRunning reports settings that can be written where the file has no mark of a driven motor.
func (l *Loader) NeedsRunning(settings int, readOnly func(i int) bool) {
	for i := range settings {
		if !readOnly(i) {
			l.Problem(fmt.Sprintf("setting[%d].key", i), "[running] is missing: without a mark of a driven motor no setting may be written; add it, or say read_only = true")
			return
		}
	}
}

// Throttle reads the throttle command with its counts: the keys below [throttle] are called the same in every map.
func (l *Loader) Throttle(t *Throttle) {
	low, high := t.Kind.Limits()
	for _, count := range []struct {
		key   string
		value float64
	}{{"zero", t.Zero}, {"ahead", t.Ahead}, {"astern", t.Astern}} {
		if count.value < low || count.value > high {
			l.Problem("throttle."+count.key, "count %.0f is not what a %s holds (%.0f to %.0f)", count.value, t.Kind, low, high)
		}
	}
	if t.Ahead == t.Zero && l.Source.Has("throttle.ahead") {
		l.Problem("throttle.ahead", "full ahead is the same count as zero")
	}
	t.TakesAstern = l.Source.Has("throttle.astern")
	if t.TakesAstern && (t.Astern-t.Zero)*(t.Ahead-t.Zero) >= 0 && t.Direction == nil {
		l.Problem("throttle.astern", "full astern lies on the same side of zero as full ahead; leave astern out, or add [throttle.direction] where a second %s chooses", l.thing())
	}
	if d := t.Direction; d != nil {
		if t.TakesAstern {
			l.Problem("throttle.astern", "with [throttle.direction] the count is the same ahead and astern; leave this out")
		}
		t.TakesAstern, t.Astern = l.Source.Has("throttle.direction.astern"), t.Ahead
		if d.Neutral == d.Ahead || t.TakesAstern && (d.Astern == d.Ahead || d.Astern == d.Neutral) {
			l.Problem("throttle.direction", "neutral, ahead and astern must be different counts")
		}
	}
	l.Map.Throttle = t
}

// thing returns what a map maps: a register, an object.
func (l *Loader) thing() string { thing, _, _ := strings.Cut(l.Map.Noun, " "); return thing }
