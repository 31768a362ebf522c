package datafile

import (
	"fmt"
	"math"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"sync"

	"quaybench/bench/quantity"
)

// Kind says what a field holds.
type Kind string

// The kinds of fields.
const (
	KindQuantity Kind = "quantity"        // quantity.Value or float64: a text with its unit
	KindText     Kind = "text"            // string
	KindInteger  Kind = "whole number"    // any int or uint
	KindBoolean  Kind = "true or false"   // bool
	KindRows     Kind = "table of rows"   // Table: an array of rows of quantities
	KindList     Kind = "list"            // []float64: an array of quantities
	KindTexts    Kind = "list of texts"   // []string
	KindGroup    Kind = "table"           // struct or pointer to struct: [table]
	KindGroups   Kind = "array of tables" // slice of structs: [[table]]
)

// Table is a table of numbers in SI units, one row after the other, each as long
// as its unit tag has columns.
type Table [][]float64

// Field describes one key of a file, as its struct tags state it.
type Field struct {
	Key      string // dotted path: "battery.resistance", "joint[].resistance"
	Kind     Kind
	Unit     string  // unit, or the units of the columns joined by |; "" if none
	Min, Max string  // inclusive bounds as written, "" if none
	Above    string  // exclusive lower bound
	Below    string  // exclusive upper bound
	Low      float64 // either lower bound of a quantity, SI; -Inf if none
	High     float64 // the upper bound
	Default  string  // what holds if the key is absent, "" if there is none
	Optional bool    // may be absent
	One      []string
	Example  string            // an example of the value as it is written in the file
	Stated   bool              // the example is the tag's own, not made up from unit and bounds
	Doc      string            // what it is
	Find     string            // where to find it on a data sheet, or how to measure it
	Tags     reflect.StructTag // all tags, for those that only one room reads
	Ask      string            // "yes": a short form of the file asks for it although it has a default; "no": it does not, although it has none
}

// Fields lists the keys of the struct (or pointer to one) in declaration order. A
// table comes before its keys. It panics on tags that make no sense.
func Fields(of any) []Field {
	t := reflect.TypeOf(of)
	for t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	if known, ok := described.Load(t); ok {
		return slices.Clone(known.([]Field))
	}
	var fields []Field
	schemaOf(t).each("", func(path string, f *field) {
		fields = append(fields, f.describe(path))
	})
	described.Store(t, slices.Clone(fields))
	return fields
}

var described sync.Map // reflect.Type → []Field: a study asks for a boat's keys again and again

// describe returns what the tags say of the key.
func (f *field) describe(path string) Field {
	low, high := 0.0, 0.0
	if f.kind == KindQuantity {
		low, high = f.columns[0].bounds()
	}
	return Field{
		Low: low, High: high,
		Key: path, Kind: f.kind, Unit: f.tag("unit"), Min: f.tag("min"), Max: f.tag("max"), Above: f.tag("above"), Below: f.tag("below"),
		Default: f.fallback, Optional: f.optional, One: f.one, Example: f.example(), Stated: f.tag("example") != "", Doc: f.tag("doc"), Find: f.tag("find"),
		Ask: f.tag("ask"), Tags: f.tags,
	}
}

// schema is what the tags of one struct type say.
type schema struct {
	of     reflect.Type
	fields []*field
	byKey  map[string]*field
}

// field is one tagged struct field.
type field struct {
	key      string
	index    int
	kind     Kind
	columns  []column // units and bounds: one for a quantity, several for rows
	one      []string
	fallback string // the default
	hasDef   bool
	optional bool
	sub      *schema // of a table or tables
	pointer  bool    // *struct
	where    string  // Type.Field, for panics
	tags     reflect.StructTag
	whole    [2]*int64 // min and max of a whole number
}

// column holds the unit and bounds (SI) of one number.
type column struct {
	unit                   quantity.Unit
	text                   string
	min, max, above, below *float64
	minText, maxText       string
	aboveText, belowText   string
}

func (f *field) tag(name string) string { return f.tags.Get(name) }

func (f *field) group() bool { return f.kind == KindGroup || f.kind == KindGroups }

// each visits all fields below the prefix in declaration order.
func (s *schema) each(prefix string, visit func(path string, f *field)) {
	for _, f := range s.fields {
		path := prefix + f.key
		visit(path, f)
		switch f.kind {
		case KindGroup:
			f.sub.each(path+".", visit)
		case KindGroups:
			f.sub.each(path+"[].", visit)
		}
	}
}

var schemas sync.Map // reflect.Type → *schema

func schemaOf(t reflect.Type) *schema {
	if s, ok := schemas.Load(t); ok {
		return s.(*schema)
	}
	s := buildSchema(t, nil)
	schemas.Store(t, s)
	return s
}

var (
	valueType = reflect.TypeFor[quantity.Value]()
	tableType = reflect.TypeFor[Table]()
)

func buildSchema(t reflect.Type, outer []reflect.Type) *schema {
	if t.Kind() != reflect.Struct {
		panic(fmt.Sprintf("datafile: %s is not a struct", t))
	}
	for _, o := range outer {
		if o == t {
			panic(fmt.Sprintf("datafile: %s contains itself", t))
		}
	}
	s := &schema{of: t, byKey: map[string]*field{}}
	for i := range t.NumField() {
		sf := t.Field(i)
		key, ok := sf.Tag.Lookup("key")
		if !ok {
			continue
		}
		f := &field{key: key, index: i, tags: sf.Tag, where: t.String() + "." + sf.Name}
		if !sf.IsExported() || key == "" || s.byKey[key] != nil {
			f.misuse("its key is empty, there twice, or the field is not exported")
		}
		f.fallback, f.hasDef = sf.Tag.Lookup("default")
		f.optional = f.hasDef || f.tag("optional") == "yes"
		if f.tag("one") != "" {
			f.one = strings.Split(f.tag("one"), "|")
		}
		f.classify(sf.Type, append(outer, t))
		s.fields = append(s.fields, f)
		s.byKey[key] = f
	}
	return s
}

func (f *field) misuse(format string, args ...any) {
	panic(fmt.Sprintf("datafile: %s: %s", f.where, fmt.Sprintf(format, args...)))
}

// classify finds the kind of the field from its type and reads the tags that go with it.
func (f *field) classify(t reflect.Type, outer []reflect.Type) {
	switch kind := t.Kind(); {
	case t == valueType, kind == reflect.Float64:
		f.kind = KindQuantity
	case t == tableType:
		f.kind = KindRows
	case kind == reflect.Slice && t.Elem().Kind() == reflect.Float64:
		f.kind = KindList
	case kind == reflect.Slice && t.Elem().Kind() == reflect.String:
		f.kind = KindTexts
	case kind == reflect.String:
		f.kind = KindText
	case kind == reflect.Bool:
		f.kind = KindBoolean
	case kind >= reflect.Int && kind <= reflect.Uint64:
		f.kind = KindInteger
	case kind == reflect.Struct:
		f.kind, f.sub = KindGroup, buildSchema(t, outer)
	case kind == reflect.Pointer && t.Elem().Kind() == reflect.Struct:
		f.kind, f.sub, f.pointer, f.optional = KindGroup, buildSchema(t.Elem(), outer), true, true
	case kind == reflect.Slice && t.Elem().Kind() == reflect.Struct:
		f.kind, f.sub = KindGroups, buildSchema(t.Elem(), outer)
	default:
		f.misuse("fields of type %s are not read", t)
	}
	switch f.kind {
	case KindQuantity, KindRows, KindList:
		f.readColumns()
	case KindInteger:
		for i, name := range []string{"min", "max"} {
			if bound := f.tag(name); bound != "" {
				n, err := strconv.ParseInt(bound, 10, 64)
				if err != nil {
					f.misuse("%s is not a whole number", name)
				}
				f.whole[i] = &n
			}
		}
	default:
		if f.tag("unit") != "" {
			f.misuse("a %s has no unit", f.kind)
		}
	}
	if f.hasDef && !f.group() {
		if f.kind == KindRows || f.kind == KindList || f.kind == KindTexts {
			f.misuse("a %s has no default", f.kind)
		}
		if err := f.setText(reflect.New(t).Elem(), f.fallback); err != nil {
			f.misuse("default: %v", err)
		}
	}
}

func (f *field) readColumns() {
	unitTag, ok := f.tags.Lookup("unit")
	if !ok {
		f.misuse("its unit is missing")
	}
	for i, name := range strings.Split(unitTag, "|") {
		unit, err := quantity.ParseUnit(name)
		if err != nil {
			f.misuse("unit: %v", err)
		}
		c := column{unit: unit, text: name}
		read := func(tag string) (*float64, string) {
			parts := strings.Split(f.tag(tag), "|")
			if i >= len(parts) || parts[i] == "" {
				return nil, ""
			}
			v, err := quantity.Parse(parts[i], unit)
			if err != nil {
				f.misuse("%s: %v", tag, err)
			}
			return &v.SI, parts[i]
		}
		c.min, c.minText = read("min")
		c.max, c.maxText = read("max")
		c.above, c.aboveText = read("above")
		c.below, c.belowText = read("below")
		f.columns = append(f.columns, c)
	}
	if len(f.columns) > 1 && f.kind != KindRows {
		f.misuse("only a Table has several units")
	}
}

// bounds returns the lowest and highest value that is read, SI; infinite where there is none.
func (c *column) bounds() (low, high float64) {
	low, high = math.Inf(-1), math.Inf(1)
	for _, b := range []*float64{c.min, c.above} {
		if b != nil {
			low = max(low, *b)
		}
	}
	for _, b := range []*float64{c.max, c.below} {
		if b != nil {
			high = min(high, *b)
		}
	}
	return low, high
}

// check returns what is wrong with the SI value against the bounds, or "".
func (c *column) check(si float64, written string) string {
	switch {
	case c.min != nil && si < *c.min:
		return fmt.Sprintf("%s is below the lowest value allowed, %s", written, c.minText)
	case c.max != nil && si > *c.max:
		return fmt.Sprintf("%s is above the highest value allowed, %s", written, c.maxText)
	case c.above != nil && si <= *c.above:
		return fmt.Sprintf("%s is too low; it must be more than %s", written, c.aboveText)
	case c.below != nil && si >= *c.below:
		return fmt.Sprintf("%s is too high; it must be less than %s", written, c.belowText)
	}
	return c.beyond(si, written)
}

// example returns a number with unit that lies inside the bounds.
func (c *column) example() string {
	inside := func(text string) bool {
		v, err := quantity.Parse(text, c.unit)
		return err == nil && c.check(v.SI, "") == ""
	}
	for _, number := range []string{"10", "100", "1", "0.5", "50", "20", "1000"} {
		text := number
		if c.text != "1" {
			text += " " + c.text
		}
		if inside(text) {
			return text
		}
	}
	for _, text := range []string{c.minText, c.maxText} {
		if text != "" && inside(text) {
			return text
		}
	}
	low, high := c.bounds()
	switch {
	case math.IsInf(low, 0):
		low = high / 2
	case math.IsInf(high, 0):
		high = 2 * low
	}
	return c.unit.Format((low+high)/2, 3)
}

// example returns a value for the key as it stands in a file.
func (f *field) example() string {
	if text := f.tag("example"); text != "" {
		return f.quote(text)
	}
	if f.hasDef && f.fallback != "" && !f.group() {
		return f.quote(f.fallback)
	}
	switch f.kind {
	case KindQuantity:
		return strconv.Quote(f.columns[0].example())
	case KindList:
		return "[" + strconv.Quote(f.columns[0].example()) + "]"
	case KindRows:
		row := make([]string, len(f.columns))
		for i := range f.columns {
			row[i] = strconv.Quote(f.columns[i].example())
		}
		return "[[" + strings.Join(row, ", ") + "]]"
	case KindInteger:
		for i := range f.whole {
			if f.whole[i] != nil {
				return strconv.FormatInt(*f.whole[i], 10)
			}
		}
		return "1"
	case KindBoolean:
		return "true"
	case KindText, KindTexts:
		word := "…"
		if f.one != nil {
			word = f.one[0]
		}
		if f.kind == KindTexts {
			return `["` + word + `"]`
		}
		return `"` + word + `"`
	}
	return ""
}

// quote writes the text of a value as it stands in a file.
func (f *field) quote(text string) string {
	switch f.kind {
	case KindQuantity, KindText:
		return Quote(text)
	}
	return text
}
