package boat

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"

	"quaybench/bench/datafile"
)

// Resolved returns a key with the number of a cable or joint in place of its name: "cable[motor cable].section" is
// "cable[1].section". Where the boat has one only, its name may be left out. Other keys come back as they are.
func (b *Boat) Resolved(key string) (string, error) {
	table, rest, _ := strings.Cut(key, ".")
	table, _, named := strings.Cut(table, "[")
	names := b.elements(table)
	if names == nil {
		return key, nil
	}
	if !named {
		if len(names) == 1 {
			return fmt.Sprintf("%s[0].%s", table, rest), nil
		}
		return key, fmt.Errorf("%s: which one? write %s", key, strings.Join(b.each(table, names, rest), " or "))
	}
	_, rest, _ = strings.Cut(key, "].")
	name, _, _ := strings.Cut(key[len(table)+1:], "]")
	if _, err := strconv.Atoi(name); err == nil {
		return key, nil
	}
	for i, n := range names {
		if strings.EqualFold(n, strings.TrimSpace(name)) {
			return fmt.Sprintf("%s[%d].%s", table, i, rest), nil
		}
	}
	return key, fmt.Errorf("the boat has no %s %q; write %s", table, name, strings.Join(b.each(table, names, rest), " or "))
}

// KeyName returns a key with the name of a cable or joint in place of its number: the inverse of Resolved.
func (b *Boat) KeyName(key string) string {
	table, rest, ok := strings.Cut(key, "[")
	number, rest, ok2 := strings.Cut(rest, "]")
	i, err := strconv.Atoi(number)
	if names := b.elements(table); ok && ok2 && err == nil && i >= 0 && i < len(names) {
		return table + "[" + names[i] + "]" + rest
	}
	return key
}

// numbered is a cable or a joint by its number, as the data walk calls it.
var numbered = regexp.MustCompile(`\b(cable|joint)\[\d+\]`)

// WithNames returns a text in which each key of a cable or joint has its name in place of its number, as a person writes it.
func (b *Boat) WithNames(text string) string { return numbered.ReplaceAllStringFunc(text, b.KeyName) }

func (b *Boat) each(table string, names []string, rest string) (out []string) {
	for _, n := range names {
		out = append(out, table+"["+n+"]."+rest)
	}
	return out
}

// elements lists the names of a table's elements; nil for a table that has none.
func (b *Boat) elements(table string) (names []string) {
	switch table {
	case "cable":
		for i := range b.Cables {
			names = append(names, b.Cables[i].Name)
		}
	case "joint":
		for i := range b.Joints {
			names = append(names, b.Joints[i].Name)
		}
	}
	return names
}

// Keys lists what of the boat can be changed by one value: quantities, whole numbers, choices, yes or no. Those of cables and joints
// stand once for each, by its name.
func (b *Boat) Keys() (out []datafile.Field) {
	for _, f := range datafile.Fields(Boat{}) {
		switch f.Kind {
		case datafile.KindQuantity, datafile.KindInteger, datafile.KindBoolean:
		case datafile.KindText:
			if len(f.One) == 0 && f.Key != "fuse.class" {
				continue
			}
		default:
			continue
		}
		table, rest, repeated := strings.Cut(f.Key, "[].")
		switch {
		case !repeated:
			out = append(out, f)
		case table == "close_for" || table == "tolerance":
		default:
			for _, key := range b.each(table, b.elements(table), rest) {
				f.Key = key
				out = append(out, f)
			}
		}
	}
	return out
}

// Missing names the values that an optional table of the boat needs and has not, since only some of its values were set; nil for none.
func (b *Boat) Missing() (keys []string) {
	present := map[string]bool{"battery.management": b.Battery.Management != nil, "charging": b.Charging != nil, "precharge": b.Precharge != nil}
	for _, f := range datafile.Fields(Boat{}) {
		table := f.Key[:max(0, strings.LastIndex(f.Key, "."))]
		if !present[table] || f.Optional || f.Default != "" || f.Kind != datafile.KindQuantity {
			continue
		}
		if _, given := datafile.Number(b, f.Key); !given {
			keys = append(keys, f.Key)
		}
	}
	return keys
}
