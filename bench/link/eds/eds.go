// Package eds reads an electronic data sheet (EDS) or a device configuration (DCF) of a CANopen device, as CiA 306 has them: a
// maker's list of the device's objects.
//
// Numbers are decimal, hexadecimal with 0x, or octal with a leading 0, as in C; a limit of a signed type may be written as
// its two's complement. $NODEID may be added on either side. Unknown sections and keys are passed over.
package eds

import (
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"quaybench/bench/datafile"
	"quaybench/bench/link/canopen"
	"quaybench/bench/link/guard"
)

// File is a data sheet that has been read.
type File struct {
	Vendor, Product string // names
	VendorNumber    uint32
	ProductNumber   uint32
	NodeID          byte // of a device configuration, 0: none
	Rate            int  // of a device configuration, kbit/s; 0: none
	Objects         []Object
	Octal           []int // lines with a number that a leading 0 makes octal
}

// Object is one value of the device.
type Object struct {
	canopen.Object
	Name     string
	Type     uint16     // data type (CiA 301)
	Kind     guard.Kind // "" for texts, domains and what is longer than 32 bits
	Access   string     // ro, wo, rw, rwr, rww, const; "" not told
	Low      *Value
	High     *Value
	Default  *Value
	Value    *Value // of a device configuration
	Mappable bool
	Line     int
}

// Readable and Writable say what the access allows.
func (o Object) Readable() bool { return o.Access != "wo" }

// Writable reports whether the object can be told.
func (o Object) Writable() bool { return o.Access != "ro" && o.Access != "const" }

// Value is a number, or a text where Number is nil.
type Value struct {
	Text     string
	Number   *int64
	PlusNode bool // the node number is to be added
}

// Of returns the number on a node; ok is false for a text.
func (v *Value) Of(node byte) (n int64, ok bool) {
	if v == nil || v.Number == nil {
		return 0, false
	}
	n = *v.Number
	if v.PlusNode {
		n += int64(node)
	}
	return n, true
}

// Find returns the object at a place; ok is false where the sheet has none.
func (f *File) Find(o canopen.Object) (found Object, ok bool) {
	i := slices.IndexFunc(f.Objects, func(have Object) bool { return have.Object == o })
	if i < 0 {
		return found, false
	}
	return f.Objects[i], true
}

// The bounds of what is read.
const (
	largest     = 4 << 20 // bytes
	mostObjects = 50_000
)

// kinds are the data types that a setting or reading may have (CiA 301).
var kinds = map[uint16]guard.Kind{
	0x01: guard.Bool, 0x02: guard.S8, 0x03: guard.S16, 0x04: guard.S32, 0x05: guard.U8, 0x06: guard.U16, 0x07: guard.U32, 0x08: guard.F32,
	0x10: guard.S24, 0x16: guard.U24,
}

// signedBits is the width of the signed types, also those longer than any kind.
var signedBits = map[uint16]int{0x02: 8, 0x03: 16, 0x04: 32, 0x10: 24, 0x12: 40, 0x13: 48, 0x14: 56, 0x15: 64}

// texts are the types whose values are no whole numbers: reals, strings, times, domains.
var texts = map[uint16]bool{0x08: true, 0x09: true, 0x0A: true, 0x0B: true, 0x0C: true, 0x0D: true, 0x0F: true, 0x11: true}

// entry is one key of a section.
type entry struct {
	value        string
	line, column int // of the value
}

type section struct {
	name string // as written
	line int
	keys map[string]entry
}

// reader gathers sections and problems.
type reader struct {
	name     string
	sections map[string]*section // by lower-case name
	problems datafile.Problems
	file     *File
}

func (r *reader) problem(line, column int, format string, args ...any) {
	if len(r.problems) < 1000 {
		r.problems = append(r.problems, datafile.Problem{File: r.name, Line: line, Column: column, Text: fmt.Sprintf(format, args...)})
	}
}

// Read reads a sheet. name appears in messages only. The error is [datafile.Problems]: everything wrong with it, with line
// and column.
func Read(name string, data []byte) (*File, error) {
	r := &reader{name: name, sections: map[string]*section{}, file: &File{}}
	if len(data) > largest {
		r.problem(1, 1, "this is no data sheet: it has more than %d MB", largest>>20)
		return nil, r.problems
	}
	r.split(decoded(data))
	if len(r.sections) == 0 && len(r.problems) == 0 {
		r.problem(1, 1, "this is no data sheet: it has no [section]")
	}
	r.head()
	r.objects()
	r.lists()
	if len(r.problems) > 0 {
		slices.SortStableFunc(r.problems, func(a, b datafile.Problem) int { return a.Line - b.Line })
		return nil, r.problems
	}
	if len(r.file.Objects) == 0 {
		r.problem(1, 1, "this data sheet has no objects")
		return nil, r.problems
	}
	return r.file, nil
}

// decoded returns the text without a byte order mark; what is no UTF-8 is taken for Latin-1.
func decoded(data []byte) string {
	text := strings.TrimPrefix(string(data), "\uFEFF")
	if utf8.ValidString(text) {
		return text
	}
	runes := make([]rune, len(text))
	for i := range len(text) {
		runes[i] = rune(text[i])
	}
	return string(runes)
}

// split reads the sections of the text with their keys.
func (r *reader) split(text string) {
	text = strings.NewReplacer("\r\n", "\n", "\r", "\n").Replace(text)
	var s *section
	number := 0
	for line := range strings.SplitSeq(text, "\n") {
		number++
		trimmed := strings.TrimSpace(line)
		column := func(part string) int { return utf8.RuneCountInString(line[:max(strings.Index(line, part), 0)]) + 1 }
		switch {
		case strings.IndexFunc(trimmed, func(c rune) bool { return c < ' ' && c != '\t' || c == utf8.RuneError }) >= 0:
			r.problem(number, 1, "this is not text: there are control characters in the line")
			return
		case trimmed == "" || trimmed[0] == ';' || trimmed[0] == '#':
		case trimmed[0] == '[':
			name, rest, ok := strings.Cut(trimmed[1:], "]")
			name = strings.TrimSpace(name)
			if rest = strings.TrimSpace(rest); !ok || name == "" || rest != "" && rest[0] != ';' {
				r.problem(number, column("["), "this is no [section]")
				s = nil
				continue
			}
			low := strings.ToLower(name)
			if have := r.sections[low]; have != nil {
				r.problem(number, column("["), "section [%s] is in line %d already", name, have.line)
				s = &section{name: name, line: number, keys: map[string]entry{}} // read, and not used
				continue
			}
			s = &section{name: name, line: number, keys: map[string]entry{}}
			r.sections[low] = s
		default:
			key, value, ok := strings.Cut(line, "=")
			key, value = strings.TrimSpace(key), strings.TrimSpace(value)
			switch {
			case !ok || key == "":
				r.problem(number, column(trimmed), "neither a [section] nor key = value")
			case s == nil:
				r.problem(number, column(trimmed), "%s stands before any [section]", key)
			default:
				low := strings.ToLower(key)
				if have, twice := s.keys[low]; twice {
					r.problem(number, column(key), "%s of [%s] is in line %d already", key, s.name, have.line)
					continue
				}
				at := utf8.RuneCountInString(line[:strings.IndexByte(line, '=')]) + 2
				s.keys[low] = entry{value, number, at}
			}
		}
	}
}

// text returns a key's text, "" where it is not there.
func (s *section) text(key string) string {
	if s == nil {
		return ""
	}
	return s.keys[strings.ToLower(key)].value
}

var nodeSum = regexp.MustCompile(`(?i)^\s*(?:\$NODEID\s*\+\s*(\S+)|(\S+?)\s*\+\s*\$NODEID|(\$NODEID))\s*$`)

// value reads a key as a value of a data type; nil where there is none.
func (r *reader) value(s *section, key string, kind uint16) *Value {
	e, ok := s.keys[key]
	if !ok || e.value == "" {
		return nil
	}
	if texts[kind] {
		return &Value{Text: e.value}
	}
	return r.number(s, key, kind)
}

// number reads a key as a whole number; nil where there is none.
func (r *reader) number(s *section, key string, kind uint16) *Value {
	e, ok := s.keys[strings.ToLower(key)]
	if !ok {
		return nil
	}
	text, _, _ := strings.Cut(e.value, ";") // a comment behind it
	text = strings.TrimSpace(text)
	if text == "" {
		return nil
	}
	v := &Value{Text: text}
	if m := nodeSum.FindStringSubmatch(text); m != nil {
		v.PlusNode = true
		if text = m[1] + m[2]; text == "" {
			text = "0"
		}
	}
	digits := strings.TrimPrefix(text, "-")
	hex := strings.HasPrefix(digits, "0x") || strings.HasPrefix(digits, "0X")
	if strings.ContainsAny(digits, "_+") || len(digits) > 1 && (digits[1] == 'b' || digits[1] == 'o' || digits[1] == 'B' || digits[1] == 'O') && !hex {
		r.problem(e.line, e.column, "%s: %q is no number", key, e.value)
		return nil
	}
	n, err := strconv.ParseInt(text, 0, 64)
	if u, long := strconv.ParseUint(text, 0, 64); err != nil && long == nil {
		n, err = int64(u), nil
	}
	if err != nil {
		r.problem(e.line, e.column, "%s: %q is no number", key, e.value)
		return nil
	}
	if !hex && len(digits) > 1 && digits[0] == '0' {
		r.file.Octal = append(r.file.Octal, e.line)
	}
	if bits := signedBits[kind]; hex && bits > 0 && bits < 64 && n >= 1<<(bits-1) && n < 1<<bits {
		n -= 1 << bits
	}
	v.Number = &n
	return v
}

// whole reads a number from low to high; missing is what holds where the key is not there.
func (r *reader) whole(s *section, key string, missing, low, high int64) int64 {
	if s == nil {
		return missing
	}
	v := r.number(s, key, 0)
	if v == nil {
		return missing
	}
	if *v.Number < low || *v.Number > high {
		e := s.keys[strings.ToLower(key)]
		r.problem(e.line, e.column, "%s: %s is not from %d to %d", key, v.Text, low, high)
		return missing
	}
	return *v.Number
}

func (r *reader) head() {
	device := r.sections["deviceinfo"]
	f := r.file
	f.Vendor, f.Product = device.text("VendorName"), device.text("ProductName")
	f.VendorNumber = uint32(r.whole(device, "VendorNumber", 0, 0, 1<<32-1))
	f.ProductNumber = uint32(r.whole(device, "ProductNumber", 0, 0, 1<<32-1))
	commissioned := r.sections["devicecomissioning"] // spelt so in CiA 306
	if commissioned == nil {
		commissioned = r.sections["devicecommissioning"]
	}
	f.NodeID = byte(r.whole(commissioned, "NodeID", 0, 0, 127))
	f.Rate = int(r.whole(commissioned, "Baudrate", 0, 0, 1000))
}

var (
	objectName = regexp.MustCompile(`^([0-9a-f]{1,4})$`)
	subName    = regexp.MustCompile(`^([0-9a-f]{1,4})sub([0-9a-f]{1,2})$`)
)

func fromHex(text string) int {
	n, _ := strconv.ParseUint(text, 16, 16) // matched above
	return int(n)
}

// objects builds the objects from their sections.
func (r *reader) objects() {
	for _, low := range slices.SortedFunc(maps.Keys(r.sections), func(a, b string) int { return r.sections[a].line - r.sections[b].line }) {
		s := r.sections[low]
		if m := subName.FindStringSubmatch(low); m != nil {
			r.add(s, canopen.Object{Index: uint16(fromHex(m[1])), Sub: byte(fromHex(m[2]))})
			continue
		}
		m := objectName.FindStringSubmatch(low)
		if m == nil || fromHex(m[1]) < 0x1000 {
			continue // among the rest, types of the maker's
		}
		index := uint16(fromHex(m[1]))
		switch kind := r.whole(s, "ObjectType", 7, 0, 0xFF); {
		case kind == 7 || kind == 2: // variable, domain
			r.add(s, canopen.Object{Index: index})
		case r.whole(s, "CompactSubObj", 0, 0, 254) > 0:
			r.compact(s, low, index)
		}
	}
	slices.SortStableFunc(r.file.Objects, func(a, b Object) int {
		return (int(a.Index)<<8 | int(a.Sub)) - (int(b.Index)<<8 | int(b.Sub))
	})
}

// add builds one object and adds it.
func (r *reader) add(s *section, o canopen.Object) {
	if len(r.file.Objects) >= mostObjects {
		if len(r.file.Objects) == mostObjects {
			r.problem(s.line, 1, "more than %d objects", mostObjects)
		}
		return
	}
	if _, has := s.keys["datatype"]; !has {
		if k := r.whole(s, "ObjectType", 7, 0, 0xFF); k == 7 {
			r.problem(s.line, 1, "[%s] has no DataType", s.name)
		}
		return
	}
	kind := r.dataType(s)
	access := strings.ToLower(s.text("AccessType"))
	if access != "" && !slices.Contains([]string{"ro", "wo", "rw", "rwr", "rww", "const"}, access) {
		e := s.keys["accesstype"]
		r.problem(e.line, e.column, "AccessType: %q is none of ro, wo, rw, rwr, rww, const", e.value)
	}
	r.file.Objects = append(r.file.Objects, Object{
		Object: o, Name: s.text("ParameterName"), Type: kind, Kind: kinds[kind], Access: access, Line: s.line,
		Low: r.value(s, "lowlimit", kind), High: r.value(s, "highlimit", kind), Default: r.value(s, "defaultvalue", kind), Value: r.value(s, "parametervalue", kind),
		Mappable: r.whole(s, "PDOMapping", 0, 0, 1) == 1,
	})
}

// dataType reads a type; one of the maker's own stands in a section that names another.
func (r *reader) dataType(s *section) uint16 {
	kind := uint16(r.whole(s, "DataType", 0, 1, 0xFFFF))
	if kind < 0x40 {
		return kind
	}
	for low, other := range r.sections {
		if m := objectName.FindStringSubmatch(low); m != nil && fromHex(m[1]) == int(kind) {
			if own := uint16(r.whole(other, "DataType", 0, 1, 0xFFFF)); own < 0x40 {
				return own
			}
		}
	}
	return kind
}

// compact builds the objects of an array that is described in one section, with their names and values in others.
func (r *reader) compact(s *section, low string, index uint16) {
	count := r.whole(s, "CompactSubObj", 0, 0, 254)
	before := len(r.file.Objects)
	zero := &section{name: s.name, line: s.line, keys: map[string]entry{
		"datatype": {"0x0005", s.line, 1}, "accesstype": {"ro", s.line, 1}, "parametername": {"NrOfObjects", s.line, 1}, "defaultvalue": {strconv.FormatInt(count, 10), s.line, 1},
	}}
	r.add(zero, canopen.Object{Index: index})
	for sub := int64(1); sub <= count; sub++ {
		r.add(s, canopen.Object{Index: index, Sub: byte(sub)})
	}
	names, values := r.sections[low+"name"], r.sections[low+"value"]
	for i := before; i < len(r.file.Objects); i++ {
		o := &r.file.Objects[i]
		if o.Sub == 0 {
			continue
		}
		key := strconv.Itoa(int(o.Sub))
		if name := names.text(key); name != "" {
			o.Name = name
		} else {
			o.Name += " " + key
		}
		if values != nil {
			if v := r.value(values, key, o.Type); v != nil {
				o.Value = v
			}
		}
	}
}

// lists checks that every object that the sheet lists is there.
func (r *reader) lists() {
	for _, low := range []string{"mandatoryobjects", "optionalobjects", "manufacturerobjects"} {
		s := r.sections[low]
		if s == nil {
			continue
		}
		count := r.whole(s, "SupportedObjects", 0, 0, 0xFFFF)
		for i := int64(1); i <= count; i++ {
			key := strconv.FormatInt(i, 10)
			e, ok := s.keys[key]
			if !ok {
				r.problem(s.line, 1, "[%s] says that there are %d objects, and does not list number %d", s.name, count, i)
				break
			}
			index := r.whole(s, key, -1, 0, 0xFFFF)
			if index < 0 {
				continue
			}
			there := false
			for _, form := range []string{"%x", "%04x"} {
				there = there || r.sections[fmt.Sprintf(form, index)] != nil
			}
			if !there {
				r.problem(e.line, e.column, "object %04X is listed, and there is no section [%04X]", index, index)
			}
		}
	}
}
