package regmap

import (
	"cmp"
	"crypto/sha256"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"quaybench/bench/datafile"
	"quaybench/bench/link"
	"quaybench/bench/link/modbus"
	"quaybench/bench/link/scaling"
	"quaybench/bench/quantity"
)

// Map is a register map that has been read and checked. It does not change and
// is safe for several goroutines.
type Map struct {
	title    string
	hash     string
	unit     byte
	settings []setting
	readings []reading
	running  *running
	unlock   []write1
	lock     []write1
	throttle *throttle
}

// running is the mark of a driven motor.
type running struct {
	place
	mask      uint16 // 0: compare with above
	above     float64
	signed    bool
	whenClear bool
}

// write1 is one write of an unlock or lock sequence.
type write1 struct {
	place
	value uint16
}

// throttle is the throttle command, in counts.
type throttle struct {
	place
	codec
	zero, ahead, astern float64
	takesAstern         bool
	timeout             time.Duration
	direction           *direction
}

type direction struct {
	place
	neutral, ahead, astern uint16
}

// Load reads a register map. name appears in messages only. known are the
// settings there are (datafile.Fields of the table of settings): a key, unit
// or word that is not among them is an error; nil skips that check.
//
// The error is [datafile.Problems]: everything wrong with the file, with line
// and column.
func Load(name string, data []byte, known []datafile.Field) (*Map, error) {
	var f file
	source, _ := datafile.Decode(name, data, &f)
	l := loader{source: source, file: &f, m: &Map{title: f.Title, hash: fmt.Sprintf("%x", sha256.Sum256(data)), unit: byte(f.UnitID)}}
	if known != nil {
		l.known = map[string]datafile.Field{}
		for _, k := range known {
			l.known[k.Key] = k
		}
	}
	l.settings()
	l.readings()
	l.steps("unlock", f.Unlock, &l.m.unlock)
	l.steps("lock", f.Lock, &l.m.lock)
	l.throttle()
	l.running()
	l.overlaps()
	if err := source.Err(); err != nil {
		return nil, err
	}
	return l.m, nil
}

// Hash tells one map's text from another's.
func (m *Map) Hash() string { return m.hash }

// Describe says what a controller with this map has.
func (m *Map) Describe() link.Description {
	d := link.Description{Title: m.title}
	for _, s := range m.settings {
		d.Settings = append(d.Settings, s.Setting)
	}
	for _, r := range m.readings {
		d.Channels = append(d.Channels, r.Channel)
	}
	if m.throttle != nil {
		d.Throttle = &link.Throttle{Astern: m.throttle.takesAstern, CommandTimeout: m.throttle.timeout}
	}
	return d
}

// loader checks what the tags of the file can't say.
type loader struct {
	source *datafile.Source
	file   *file
	known  map[string]datafile.Field
	m      *Map
	uses   []use
}

// use is a claim on registers.
type use struct {
	place
	path string // in the file: setting[2]
	what string // for messages
}

func (l *loader) problem(path, format string, args ...any) { l.source.Problem(path, format, args...) }

func (l *loader) claim(p place, path, what string) { l.uses = append(l.uses, use{p, path, what}) }

var keyForm = regexp.MustCompile(`^[a-z][a-z0-9_]*(\.[a-z][a-z0-9_]*)*$`)

var tables = map[string]modbus.Table{
	"coil": modbus.Coils, "discrete": modbus.DiscreteInputs, "holding": modbus.HoldingRegisters, "input": modbus.InputRegisters,
}

// at makes a place; ok is false where the file does not state one.
func (l *loader) at(path, table string, address int, k kind) (p place, ok bool) {
	p.table, ok = tables[table]
	p.address, p.registers = address, k.registers()
	if ok && p.end() > 1<<16 {
		l.problem(path+".address", "a %s at %d goes beyond the last address, 65535", k, address)
		ok = false
	}
	return p, ok
}

func (l *loader) settings() {
	seen := map[string]int{}
	for i, e := range l.file.Settings {
		path := fmt.Sprintf("setting[%d]", i)
		l.key(path, e.Key, "setting", seen, i)
		f, ok := l.field(path, e)
		if !ok {
			l.exists(path, e.Key)
			continue
		}
		s := setting{field: f, Setting: link.Setting{Key: e.Key, Unit: f.Unit, ReadOnly: e.ReadOnly, Step: f.step()}}
		if !e.ReadOnly && (f.table == modbus.DiscreteInputs || f.table == modbus.InputRegisters) {
			l.problem(path+".table", "the %s table can't be written; use holding or coil, or say read_only = true", e.Table)
		}
		switch {
		case f.codes != nil:
			s.Words, s.Max = words(e), float64(len(f.codes)-1)
		default:
			s.Min, s.Max = l.bounds(path, e, f)
			for _, bound := range []struct{ key, text string }{{"min", e.Min}, {"max", e.Max}} {
				if !e.ReadOnly && bound.text == "" && !l.source.Has(path+"."+bound.key) {
					l.problem(path+"."+bound.key, "%s of %s is missing; say what the controller takes, or read_only = true", bound.key, e.Key)
				}
			}
		}
		l.compare(path, e, s)
		l.m.settings = append(l.m.settings, s)
	}
}

func (l *loader) readings() {
	seen := map[string]int{}
	for i, e := range l.file.Readings {
		path := fmt.Sprintf("reading[%d]", i)
		l.key(path, e.Key, "reading", seen, i)
		if meant, ok := link.Meant(e.Key); ok {
			l.problem(path+".key", "there is no reading %s, and nothing would watch over it: is %s meant? Another thing needs a name less like it", e.Key, meant)
		}
		for _, key := range []string{"read_only", "words"} {
			if l.source.Has(path + "." + key) {
				l.problem(path+"."+key, "a reading has no %s", key)
			}
		}
		e.Words = nil
		f, ok := l.field(path, e)
		if !ok {
			continue
		}
		r := reading{field: f, Channel: link.Channel{Name: e.Key, Unit: cmp.Or(f.Unit, "1")}}
		r.codes = nil // a bit reads 0 or 1
		if f.kind != bit {
			l.bounds(path, e, f)
		}
		l.m.readings = append(l.m.readings, r)
	}
}

// key checks the form of a key and that it comes once.
func (l *loader) key(path, key, what string, seen map[string]int, i int) {
	if key == "" {
		return // already reported
	}
	if !keyForm.MatchString(key) {
		l.problem(path+".key", "%q is no key; write lower-case words joined by _, groups joined by a dot, as in limits.motor_current", key)
	}
	if first, twice := seen[key]; twice {
		line, _, _ := l.source.Position(fmt.Sprintf("%s[%d].key", what, first))
		l.problem(path+".key", "%s %s is already in line %d", what, key, line)
		return
	}
	seen[key] = i
}

// field reads place and codec of an entry; ok is false where it is too wrong
// to go on.
func (l *loader) field(path string, e entry) (f field, ok bool) {
	k := kind(e.Type)
	if k == "" { // already reported; what does not hang on it is judged all the same
		if e.Words == nil {
			scaling.Read(e.scaling(), func(key, format string, args ...any) { l.problem(path+"."+key, format, args...) })
		}
		return f, false
	}
	if f.place, ok = l.at(path, e.Table, e.Address, k); !ok {
		return f, false
	}
	l.claim(f.place, path, e.Key)
	if f.bits() != (k == bit) {
		l.problem(path+".type", "type %s does not go with table %s: bit is for coil and discrete, the others for holding and input", k, e.Table)
		return f, false
	}
	f.codec = codec{kind: k, lowFirst: e.WordOrder == "low first"}
	switch has := l.source.Has(path + ".word_order"); {
	case has && k.registers() == 1:
		l.problem(path+".word_order", "a %s has no word order", k)
	case !has && k.registers() == 2:
		l.problem(path+".word_order", `word_order of a %s is missing: write "high first" or "low first"; the controller's manual or a known value tells which`, k)
	}
	if e.Words == nil && k != bit {
		f.Scaling, ok = scaling.Read(e.scaling(), func(key, format string, args ...any) { l.problem(path+"."+key, format, args...) })
		return f, ok
	}
	f.Scaling = scaling.Scaling{Factor: 1, Max: 1}
	for _, key := range []string{"unit", "scale", "offset", "min", "max"} {
		if l.source.Has(path + "." + key) {
			l.problem(path+"."+key, "%s makes no sense beside words or a bit", key)
		}
	}
	f.codes = []float64{0, 1}
	if k != bit || e.Words != nil {
		f.codes = l.codes(path, e, k)
	}
	return f, f.codes != nil
}

// codes reads the counts of the words of a choice.
func (l *loader) codes(path string, e entry, k kind) []float64 {
	if k == bit || k == f32 {
		l.problem(path+".words", "a %s holds no words: it is off and on, or a number", k)
		return nil
	}
	if len(e.Words) < 2 {
		l.problem(path+".words", `a choice needs two words at least, for example ["torque = 0", "voltage = 2"]`)
		return nil
	}
	low, high := k.limits()
	var codes []float64
	seen := map[string]bool{}
	for i, text := range e.Words {
		at := fmt.Sprintf("%s.words[%d]", path, i)
		word, number, _ := cutWord(text)
		code, err := strconv.ParseInt(number, 0, 64)
		switch {
		case err != nil || word == "":
			l.problem(at, `%q is not a word and its count, as in "torque = 0"`, text)
			return nil
		case float64(code) < low || float64(code) > high:
			l.problem(at, "count %d is not what a %s holds (%g to %g)", code, k, low, high)
			return nil
		case seen[word] || slices.Contains(codes, float64(code)):
			l.problem(at, "word %q or count %d comes twice", word, code)
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

// words names the choices of a setting: a bit's are false and true.
func words(e entry) []string {
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
func (l *loader) bounds(path string, e entry, f field) (low, high float64) {
	lowest, highest := f.kind.limits()
	low, high = f.SI(lowest), f.SI(highest)
	if f.Factor < 0 {
		low, high = high, low
	}
	for _, bound := range []struct {
		key, text string
		value     float64
		into      *float64
	}{{"min", e.Min, f.Min, &low}, {"max", e.Max, f.Max, &high}} {
		if bound.text == "" {
			continue
		}
		*bound.into = f.inward(bound.value, bound.key == "max")
		if _, held := f.encode(bound.value); !held {
			l.problem(path+"."+bound.key, "%s would be count %.0f, but a %s holds %g to %g; see type, scale and offset",
				bound.text, math.Round(f.Count(bound.value)), f.kind, lowest, highest)
		}
	}
	if low > high {
		l.problem(path+".max", "between min and max there is no count: see scale")
	}
	return low, high
}

// compare checks a setting against the table of settings.
func (l *loader) compare(path string, e entry, s setting) {
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
			l.problem(path, "%s is a quantity in %s, no choice", e.Key, k.Unit)
		} else if _, err := quantity.Parse("1 "+e.Unit, quantity.MustUnit(k.Unit)); err != nil {
			l.problem(path+".unit", "%s is in %s: %v", e.Key, k.Unit, err)
		}
	case datafile.KindBoolean:
		if slices.Compare(s.Words, []string{"false", "true"}) != 0 {
			l.problem(path, `%s is a switch: use a bit, or words = ["false = 0", "true = 1"]`, e.Key)
		}
	default:
		if s.Words == nil {
			l.problem(path, "%s is a choice: write words = [%q]", e.Key, strings.Join(k.One, ` = 0", "`)+" = 1")
			return
		}
		for i, word := range s.Words {
			if !slices.Contains(k.One, word) {
				l.problem(fmt.Sprintf("%s.words[%d]", path, i), "%s is one of %s", e.Key, strings.Join(k.One, ", "))
			}
		}
	}
}

// exists reports a setting that is not in the table of settings.
func (l *loader) exists(path, key string) bool {
	if l.known == nil || key == "" {
		return true
	}
	if k, ok := l.known[key]; !ok || k.Kind == datafile.KindGroup {
		l.problem(path+".key", "there is no setting %s", key)
		return false
	}
	return true
}

// maxSteps bounds an unlock sequence; a real one has one or two writes.
const maxSteps = 32

func (l *loader) steps(name string, steps []step, into *[]write1) {
	if len(steps) > maxSteps {
		l.problem(fmt.Sprintf("%s[%d]", name, maxSteps), "more than %d steps", maxSteps)
		steps = steps[:maxSteps]
	}
	for i, s := range steps {
		path := fmt.Sprintf("%s[%d]", name, i)
		p, ok := l.at(path, s.Table, s.Address, u16)
		if !ok {
			continue
		}
		if p.bits() && s.Value > 1 {
			l.problem(path+".value", "a coil is 0 or 1")
		}
		l.claim(p, path, "a step of the unlock sequence")
		*into = append(*into, write1{p, uint16(s.Value)})
	}
}

func (l *loader) throttle() {
	f := l.file.Throttle
	if f == nil {
		return
	}
	k := kind(f.Type)
	p, ok := l.at("throttle", "holding", f.Address, k)
	if k == "" || !ok {
		return
	}
	t := &throttle{
		place: p, codec: codec{kind: k}, zero: float64(f.Zero), ahead: float64(f.Ahead), astern: float64(f.Astern),
		takesAstern: l.source.Has("throttle.astern"), timeout: time.Duration(math.Round(f.CommandTimeout * float64(time.Second))),
	}
	low, high := k.limits()
	for key, count := range map[string]float64{"zero": t.zero, "ahead": t.ahead, "astern": t.astern} {
		if count < low || count > high {
			l.problem("throttle."+key, "count %.0f is not what a %s holds (%.0f to %.0f)", count, k, low, high)
		}
	}
	if t.ahead == t.zero && l.source.Has("throttle.ahead") {
		l.problem("throttle.ahead", "full ahead is the same count as zero")
	}
	if t.takesAstern && (t.astern-t.zero)*(t.ahead-t.zero) >= 0 && f.Direction == nil {
		l.problem("throttle.astern", "full astern lies on the same side of zero as full ahead; leave astern out, or add [throttle.direction] where a second register chooses")
	}
	l.claim(p, "throttle", "the throttle command")
	if d := f.Direction; d != nil {
		if t.takesAstern {
			l.problem("throttle.astern", "with [throttle.direction] the count is the same ahead and astern; leave this out")
		}
		at, _ := l.at("throttle.direction", "holding", d.Address, u16)
		t.direction = &direction{place: at, neutral: uint16(d.Neutral), ahead: uint16(d.Ahead), astern: uint16(d.Astern)}
		t.takesAstern, t.astern = l.source.Has("throttle.direction.astern"), t.ahead
		if d.Neutral == d.Ahead || t.takesAstern && (d.Astern == d.Ahead || d.Astern == d.Neutral) {
			l.problem("throttle.direction", "neutral, ahead and astern must be different counts")
		}
		l.claim(at, "throttle.direction", "the direction command")
	}
	l.m.throttle = t
}

func (l *loader) running() {
	f := l.file.Running
	if f == nil {
		for i, s := range l.file.Settings {
			if !s.ReadOnly {
				l.problem(fmt.Sprintf("setting[%d].key", i), "[running] is missing: without a mark of a driven motor no setting may be written; add it, or say read_only = true")
				return
			}
		}
		return
	}
	k := u16
	if f.Table == "coil" || f.Table == "discrete" {
		k = bit
	}
	p, ok := l.at("running", f.Table, f.Address, k)
	if !ok {
		return
	}
	r := &running{place: p, mask: uint16(f.Mask), above: float64(f.Above), signed: f.Signed, whenClear: f.WhenClear}
	hasMask, hasAbove := l.source.Has("running.mask"), l.source.Has("running.above")
	switch {
	case k == bit && (hasMask || hasAbove || f.Signed):
		l.problem("running", "a %s is on or off: leave out mask, above and signed", f.Table)
	case k == bit:
		r.mask = 1
	case hasMask == hasAbove:
		l.problem("running", "of a register, either mask (which bits) or above (how many counts) tells that the motor is driven; write one of them")
	case hasAbove && f.WhenClear, hasMask && f.Signed:
		l.problem("running", "when_clear goes with mask, signed with above")
	}
	l.m.running = r
	for _, u := range l.uses {
		if u.place == p && strings.HasPrefix(u.path, "reading[") {
			return // the same status or speed may well be a reading too
		}
	}
	l.claim(p, "running", "the mark of a driven motor")
}

// overlaps finds registers claimed twice.
func (l *loader) overlaps() {
	slices.SortStableFunc(l.uses, func(a, b use) int {
		return cmp.Or(cmp.Compare(a.table, b.table), cmp.Compare(a.address, b.address))
	})
	isStep := func(u use) bool { return strings.HasPrefix(u.path, "unlock[") || strings.HasPrefix(u.path, "lock[") }
	for i, u := range l.uses {
		// Nothing is longer than two registers, so an overlap starts at most one before.
		for j := i - 1; j >= 0 && l.uses[j].table == u.table && l.uses[j].address >= u.address-1; j-- {
			other := l.uses[j]
			if !other.overlaps(u.place) || isStep(u) && isStep(other) {
				continue
			}
			line, _, _ := l.source.Position(other.path + ".address")
			l.problem(u.path+".address", "%v is already %s in line %d", u.place, other.what, line)
			break
		}
	}
}
