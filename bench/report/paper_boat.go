package report

import (
	"cmp"
	"fmt"
	"math"
	"strings"

	"quaybench/bench/boat"
	"quaybench/bench/datafile"
	"quaybench/bench/quantity"
)

// boat writes the section with every value of the boat file, its tolerance and where it comes from.
func (p *Paper) boat(d *document) {
	s := d.section("boat", "The boat's data", "Every value the result rests on. A value without a tolerance takes one by where it comes from and what it is (common practice, no source); what is not stated in the file is taken from the default.")
	t := &table{Columns: []column{{Title: "value of", Wide: 2}, {Title: "is", Right: true, Wide: 1.3}, {Title: "±", Right: true, Wide: 0.6}, {Title: "comes from", Wide: 1.2}, {Title: "what it is", Wide: 3.6}}}
	for _, v := range boatValues(p.Boat) {
		if v.group != "" {
			t.Rows = append(t.Rows, row{Cells: words(v.group), Group: true})
			continue
		}
		t.Rows = append(t.Rows, row{Cells: words(v.key, v.text, v.tolerance, v.from, v.doc), Quiet: v.from == "default" || v.from == boat.LeftOut})
	}
	if estimates := p.Boat.Estimates(); len(estimates) > 0 {
		s.add(block{Text: "Estimated:", List: estimates})
	}
	s.add(block{Table: t})
}

// boatValue is a line of the boat's data: a value, or the heading of a group.
type boatValue struct {
	group                           string
	key, text, tolerance, from, doc string
}

// boatValues lists what a boat states, in the order of its file.
func boatValues(b *boat.Boat) (out []boatValue) {
	states := *b // Walk may change what it walks
	quantities := map[string]quantity.Value{}
	datafile.Walk(&states, func(path string, v *quantity.Value) { quantities[path] = *v })
	fields := datafile.Fields(boat.Boat{})
	group := ""
	add := func(f datafile.Field, key string) {
		text, ok := datafile.Get(b, key)
		if !ok || text == "" {
			return
		}
		heading, short := "", key
		if i := strings.LastIndex(key, "."); i >= 0 {
			heading, short = key[:i], key[i+1:]
		}
		if heading != group {
			if group = heading; heading != "" {
				out = append(out, boatValue{group: headingOf(b, heading)})
			}
		}
		v := boatValue{key: short, text: text, doc: f.Doc}
		q, isQuantity := quantities[key]
		switch {
		case isQuantity:
			v.text = statedText(q, f)
			v.tolerance, v.from = tolerance(q, f.Unit), q.Provenance
			if v.from == "" && isDefault(f, q) {
				v.from = "default"
			}
		case f.Default != "" && text == f.Default:
			v.from = "default"
		}
		if v.from == "" && isQuantity {
			v.from = "not stated"
			if b.Origin(key, q) == boat.LeftOut {
				v.from = boat.LeftOut
			}
		}
		out = append(out, v)
	}
	for i := 0; i < len(fields); {
		list, _, repeated := strings.Cut(fields[i].Key, "[]")
		if !repeated {
			if fields[i].Kind != datafile.KindGroup && fields[i].Kind != datafile.KindGroups {
				add(fields[i], fields[i].Key)
			}
			i++
			continue
		}
		end := i
		for end < len(fields) && strings.HasPrefix(fields[end].Key, list+"[]") {
			end++
		}
		for n := 0; ; n++ {
			if _, ok := datafile.Get(b, element(fields[i].Key, n)); !ok {
				break
			}
			for _, f := range fields[i:end] {
				add(f, element(f.Key, n))
			}
		}
		i = end
	}
	return out
}

func element(key string, n int) string {
	return strings.Replace(key, "[]", fmt.Sprintf("[%d]", n), 1)
}

// headingOf returns the heading of a table of the boat file: a cable or a joint by its own name.
func headingOf(b *boat.Boat, table string) string {
	if name, ok := datafile.Get(b, table+".name"); ok && strings.Contains(table, "[") {
		kind, _, _ := strings.Cut(table, "[")
		return kind + " “" + name + "”"
	}
	return strings.ReplaceAll(table, ".", ", ")
}

// tolerance returns a tolerance in per cent of the value; of a temperature or of zero in its own unit.
func tolerance(q quantity.Value, unit string) string {
	switch {
	case q.Tolerance == 0:
		return ""
	case unit == "°C":
		return quantity.Format(q.Tolerance, "K", 2)
	case q.SI == 0:
		return quantity.Format(q.Tolerance, cmp.Or(unit, "1"), 2)
	}
	return percent(q.Tolerance / math.Abs(q.SI))
}

// isDefault reports whether a value is that of the table, so that nobody need have written it.
func isDefault(f datafile.Field, q quantity.Value) bool {
	if f.Default == "" || q.Tolerance != 0 {
		return false
	}
	unit, err := quantity.ParseUnit(cmp.Or(f.Unit, "1"))
	if err != nil {
		return false
	}
	v, err := quantity.Parse(f.Default, unit)
	return err == nil && math.Abs(v.SI-q.SI) <= 1e-12*math.Abs(q.SI)
}
