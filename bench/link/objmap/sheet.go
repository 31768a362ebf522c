package objmap

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"quaybench/bench/link/canopen"
	"quaybench/bench/link/eds"
	"quaybench/bench/link/guard"
)

// What names what the map has of an object, "" for nothing.
func (m *Map) What(o canopen.Object) string {
	is := func(p guard.Place) bool { return p.(place).Object == o }
	for _, s := range m.Settings {
		if is(s.Place) {
			return s.Key
		}
	}
	for _, r := range m.Readings {
		if is(r.Place) {
			return r.Name
		}
	}
	if m.Running != nil && is(m.Running.Place) {
		return "[running]"
	}
	if m.drive != nil {
		for _, p := range m.carried() {
			if is(p) {
				return "[throttle]"
			}
		}
	}
	for _, list := range [][]guard.Step{m.Unlock, m.Lock} {
		for _, s := range list {
			if is(s.Place) {
				return "[[unlock]]"
			}
		}
	}
	return ""
}

// Against returns what a data sheet has against a field of the map, "" for nothing.
func (m *Map) Against(sheet *eds.File, f guard.Field) string {
	p := f.Place.(place)
	o, ok := sheet.Find(p.Object)
	writes := slices.ContainsFunc(m.Settings, func(s guard.Setting) bool { return s.Place == f.Place && !s.ReadOnly })
	switch {
	case !ok:
		return "the data sheet has no such object"
	case o.Kind != p.kind:
		return fmt.Sprintf("by the data sheet (line %d) it is a %s", o.Line, cmp.Or(string(o.Kind), fmt.Sprintf("type %04X", o.Type)))
	case !o.Readable():
		return fmt.Sprintf("by the data sheet (line %d) it can be written only", o.Line)
	case writes && !o.Writable():
		return fmt.Sprintf("by the data sheet (line %d) it can be read only: say read_only = true", o.Line)
	}
	if number := m.tpdo[p]; number > 0 {
		if against := m.mappedAgainst(sheet, canopen.Transmit, number, o); against != "" {
			return against
		}
	}
	if high, ok := o.High.Of(m.node); ok && writes && f.Codes == nil {
		for _, s := range m.Settings {
			if s.Place == f.Place && math.Round(s.Count(s.Max)) > float64(high) && s.Factor > 0 {
				return fmt.Sprintf("by the data sheet (line %d) the highest count is %d, and max is %.0f", o.Line, high, s.Count(s.Max))
			}
		}
	}
	return ""
}

// ThrottleAgainst returns what a data sheet has against the throttle of the map, "" for nothing.
func (m *Map) ThrottleAgainst(sheet *eds.File) string {
	if m.Throttle == nil {
		return ""
	}
	for _, p := range m.carried() {
		o, ok := sheet.Find(p.Object)
		switch {
		case !ok:
			return fmt.Sprintf("the data sheet has no %v", p)
		case o.Kind != p.kind:
			return fmt.Sprintf("by the data sheet (line %d) %v is a %s", o.Line, p, cmp.Or(string(o.Kind), fmt.Sprintf("type %04X", o.Type)))
		case !o.Writable():
			return fmt.Sprintf("by the data sheet (line %d) %v can be read only", o.Line, p)
		case m.drive.rpdo > 0:
			if against := m.mappedAgainst(sheet, canopen.Receive, m.drive.rpdo, o); against != "" {
				return fmt.Sprintf("%v: %s", p, against)
			}
		}
	}
	return ""
}

// mappedAgainst returns why an object may not be in a PDO by its data sheet. What the sheet has as a default may be changed in the
// controller, which tells by itself when it is opened.
func (m *Map) mappedAgainst(sheet *eds.File, d canopen.Direction, number int, o eds.Object) string {
	if !o.Mappable {
		return fmt.Sprintf("by the data sheet (line %d) no PDO can carry it", o.Line)
	}
	count, ok := sheet.Find(canopen.Object{Index: d.Mapping(number)})
	if !ok {
		return fmt.Sprintf("the data sheet has no %v %d (%04X)", d, number, d.Mapping(number))
	}
	stands := func(o eds.Object) (int64, bool) {
		if n, ok := o.Value.Of(m.node); ok {
			return n, true
		}
		return o.Default.Of(m.node)
	}
	n, ok := stands(count)
	if !ok || n == 0 {
		return "" // it is mapped in the controller
	}
	for sub := int64(1); sub <= min(n, 64); sub++ {
		entry, _ := sheet.Find(canopen.Object{Index: d.Mapping(number), Sub: byte(sub)})
		if v, ok := stands(entry); ok && uint64(v)>>8 == uint64(o.Index)<<8|uint64(o.Sub) {
			return ""
		}
	}
	return fmt.Sprintf("by the data sheet (line %d) %v %d does not carry it, unless it was changed in the controller", count.Line, d, number)
}
