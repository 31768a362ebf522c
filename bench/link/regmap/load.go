package regmap

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"quaybench/bench/datafile"
	"quaybench/bench/link/guard"
	"quaybench/bench/link/modbus"
)

// Map is a register map that has been read and checked. It does not change and
// is safe for several goroutines.
type Map struct {
	guard.Map
	unit       byte
	turnaround time.Duration
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
	l := loader{Loader: guard.NewLoader(source, data, f.Title, "register map", known), file: &f}
	l.settings()
	l.readings()
	l.steps("unlock", f.Unlock, &l.Map.Unlock)
	l.steps("lock", f.Lock, &l.Map.Lock)
	l.throttle()
	l.running()
	l.overlaps()
	if err := source.Err(); err != nil {
		return nil, err
	}
	return &Map{Map: *l.Map, unit: byte(f.UnitID), turnaround: time.Duration(f.Turnaround * float64(time.Second))}, nil
}

// loader checks what the tags of the file can't say.
type loader struct {
	*guard.Loader
	file *file
	uses []use
}

// use is a claim on registers.
type use struct {
	place
	path string // in the file: setting[2]
	what string // for messages
}

func (l *loader) claim(p place, path, what string) { l.uses = append(l.uses, use{p, path, what}) }

var tables = map[string]modbus.Table{
	"coil": modbus.Coils, "discrete": modbus.DiscreteInputs, "holding": modbus.HoldingRegisters, "input": modbus.InputRegisters,
}

// at returns a place; ok is false where the file does not state one.
func (l *loader) at(path, table string, address int, k guard.Kind) (p place, ok bool) {
	p.table, ok = tables[table]
	p.address, p.registers = address, registersOf(k)
	if ok && p.end() > 1<<16 {
		hint := ""
		if in := AsInManual(p); in != "" {
			hint = "; " + in
		}
		l.Problem(path+".address", "a %s at %d goes beyond the last address, 65535%s", k, address, hint)
		ok = false
	}
	return p, ok
}

func (l *loader) settings() {
	list := l.file.Settings
	l.Settings(common(list), func(path string, i int) (guard.Place, bool) { return l.place(path, list[i]) }, func(i int) string {
		if list[i].Table == "discrete" || list[i].Table == "input" {
			return fmt.Sprintf("the %s table can't be written; use holding or coil, or say read_only = true", list[i].Table)
		}
		return ""
	})
}

func (l *loader) readings() {
	list := l.file.Readings
	l.Readings(common(list), func(path string, i int) (guard.Place, bool) { return l.place(path, list[i]) })
}

// common returns the entries but for their places.
func common(list []entry) (entries []guard.Entry) {
	for _, e := range list {
		entries = append(entries, guard.Entry{Key: e.Key, Kind: guard.Kind(e.Type), Scaling: e.scaling(), ReadOnly: e.ReadOnly, Words: e.Words})
	}
	return entries
}

// place reads an entry's place; ok is false where it is too wrong to go on.
func (l *loader) place(path string, e entry) (p place, ok bool) {
	k := guard.Kind(e.Type)
	if p, ok = l.at(path, e.Table, e.Address, k); !ok {
		return p, false
	}
	l.claim(p, path, e.Key)
	if p.bits() != (k == guard.Bit) {
		l.Problem(path+".type", "type %s does not go with table %s: bit is for coil and discrete, the others for holding and input", k, e.Table)
		return p, false
	}
	p.lowFirst = e.WordOrder == "low first"
	switch has := l.Source.Has(path + ".word_order"); {
	case has && p.registers == 1:
		l.Problem(path+".word_order", "a %s has no word order", k)
	case !has && p.registers == 2:
		l.Problem(path+".word_order", `word_order of a %s is missing: write "high first" or "low first"; the controller's manual or a known value tells which`, k)
	}
	return p, true
}

// maxSteps bounds an unlock sequence; a real one has one or two writes.
const maxSteps = 32

func (l *loader) steps(name string, steps []step, into *[]guard.Step) {
	if len(steps) > maxSteps {
		l.Problem(fmt.Sprintf("%s[%d]", name, maxSteps), "more than %d steps", maxSteps)
		steps = steps[:maxSteps]
	}
	for i, s := range steps {
		path := fmt.Sprintf("%s[%d]", name, i)
		p, ok := l.at(path, s.Table, s.Address, guard.U16)
		if !ok {
			continue
		}
		if p.bits() && s.Value > 1 {
			l.Problem(path+".value", "a coil is 0 or 1")
		}
		l.claim(p, path, "a step of the unlock sequence")
		*into = append(*into, guard.Step{Place: p, Raw: uint64(s.Value)})
	}
}

func (l *loader) throttle() {
	f := l.file.Throttle
	if f == nil {
		return
	}
	k := guard.Kind(f.Type)
	p, ok := l.at("throttle", "holding", f.Address, k)
	if k == "" || !ok {
		return
	}
	t := &guard.Throttle{
		Place: p, Kind: k, Zero: float64(f.Zero), Ahead: float64(f.Ahead), Astern: float64(f.Astern),
		Timeout: time.Duration(math.Round(f.CommandTimeout * float64(time.Second))),
	}
	l.claim(p, "throttle", "the throttle command")
	if d := f.Direction; d != nil {
		at, _ := l.at("throttle.direction", "holding", d.Address, guard.U16)
		t.Direction = &guard.Direction{Place: at, Neutral: uint64(d.Neutral), Ahead: uint64(d.Ahead), Astern: uint64(d.Astern)}
		l.claim(at, "throttle.direction", "the direction command")
	}
	l.Throttle(t)
}

func (l *loader) running() {
	f := l.file.Running
	if f == nil {
		l.NeedsRunning(len(l.file.Settings), func(i int) bool { return l.file.Settings[i].ReadOnly })
		return
	}
	k := guard.U16
	if f.Table == "coil" || f.Table == "discrete" {
		k = guard.Bit
	}
	p, ok := l.at("running", f.Table, f.Address, k)
	if !ok {
		return
	}
	r := &guard.Mark{Place: p, Kind: k, Mask: uint64(f.Mask), Above: float64(f.Above), WhenClear: f.WhenClear}
	if f.Signed {
		r.Kind = guard.S16
	}
	hasMask, hasAbove := l.Source.Has("running.mask"), l.Source.Has("running.above")
	switch {
	case k == guard.Bit && (hasMask || hasAbove || f.Signed):
		l.Problem("running", "a %s is on or off: leave out mask, above and signed", f.Table)
	case k == guard.Bit:
		r.Mask = 1
	case hasMask == hasAbove:
		l.Problem("running", "of a register, either mask (which bits) or above (how many counts) tells that the motor is driven; write one of them")
	case hasAbove && f.WhenClear, hasMask && f.Signed:
		l.Problem("running", "when_clear goes with mask, signed with above")
	}
	l.Map.Running = r
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
			line, _, _ := l.Source.Position(other.path + ".address")
			l.Problem(u.path+".address", "%v is already %s in line %d", u.place, other.what, line)
			break
		}
	}
}
