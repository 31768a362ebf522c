// Package maptable makes the first draft of a register map or an object map of a table: the list of registers or objects of a
// controller's manual, as a CSV file.
//
//	name;address;table;type;unit;scale;min;max;access;key
//	Motor current limit;16;holding;u16;A;0.1;0;400;rw;limits.motor_current
//	Battery voltage;1;input;u16;V;0.01;;;ro;
//
// A table with a column index (and sub, or 2010:01 in one) makes an object map. Nothing is guessed: what the table does not say
// stands in the draft as a comment that asks for it, and so does each line whose key nobody gave.
//
// What manuals' tables have in common is taken as it is: lines above the header and headings between, an index, address table or
// other cell that stands for several rows and is empty in the next ones, hexadecimal with 0x or h, units in brackets behind a name, decimal commas,
// and files of any usual encoding.
package maptable

import (
	"cmp"
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"unicode"

	"quaybench/bench/datafile"
	"quaybench/bench/link"
	"quaybench/bench/quantity"
)

// Draft is a map to be looked through.
type Draft struct {
	Text    string
	Objects bool // an object map, else a register map
	Keyed   int  // lines whose key is given
	Open    int  // lines that wait for a key, as comments
	Texts   int  // lines that hold a text or more than 32 bits, which no map has
	Perhaps []Perhaps
	Unknown []string // headers of the table that are none of the columns here
}

// Perhaps is a line that waits for a key, and which it may be.
type Perhaps struct {
	Line int // of the table
	Name string
	Keys []string
}

// Options of a draft.
type Options struct {
	Title string
	Known []datafile.Field // the settings there are
}

// types are how manuals write types.
var types = map[string]string{
	"u8": "u8", "uint8": "u8", "unsigned8": "u8", "byte": "u8", "usint": "u8", "s8": "s8", "int8": "s8", "integer8": "s8", "sint": "s8",
	"u16": "u16", "uint16": "u16", "unsigned16": "u16", "word": "u16", "uint": "u16", "s16": "s16", "int16": "s16", "integer16": "s16", "int": "s16", "short": "s16",
	"u24": "u24", "unsigned24": "u24", "s24": "s24", "integer24": "s24",
	"u32": "u32", "uint32": "u32", "unsigned32": "u32", "dword": "u32", "udint": "u32", "s32": "s32", "int32": "s32", "integer32": "s32", "dint": "s32", "long": "s32",
	"f32": "f32", "float": "f32", "float32": "f32", "real": "f32", "real32": "f32",
	"bit": "bit", "bool": "bool", "boolean": "bool",
}

// mostRows is more than any manual lists.
const mostRows = 20_000

// Make returns a draft. name appears in messages only. The error is [datafile.Problems], with line and column.
func Make(name string, data []byte, o Options) (*Draft, error) {
	t := &table{name: name}
	rows := t.read(data)
	if len(t.problems) == 0 {
		rows = t.header(rows)
	}
	if len(t.problems) > 0 {
		return nil, t.problems
	}
	d := &Draft{Unknown: t.unknown}
	_, d.Objects = t.at["index"]
	var settings, readings strings.Builder
	for _, r := range rows {
		name, _ := t.cell(r, "name")
		switch {
		case t.isHeading(r):
			if name = cmp.Or(name, firstFilled(r.cells)); name != "" {
				fmt.Fprintf(&settings, "# ---- %s\n\n", oneLine(name))
			}
			continue
		case t.isText(r):
			d.Texts++
			continue
		}
		e := t.entry(r, d.Objects, o.Known)
		into := &settings
		if e.reading {
			into = &readings
		}
		into.WriteString(e.text)
		if e.keyed {
			d.Keyed++
			continue
		}
		d.Open++
		if len(e.perhaps) > 0 {
			d.Perhaps = append(d.Perhaps, Perhaps{r.line, e.name, e.perhaps})
		}
	}
	if len(t.problems) > 0 {
		return nil, t.problems
	}
	head, foot := registerHead, registerFoot
	if d.Objects {
		head, foot = objectHead, objectFoot
	}
	d.Text = fmt.Sprintf("# A draft made of %s. Each line was copied as it stands there: compare it with the manual once more.\n# `quaybench controller map BOAT --check` explains each line, and says what is missing.\ntitle = %s\n%s", oneLine(name), quoted(cmp.Or(o.Title, "controller")), head)
	d.Text += settings.String() + readings.String() + foot
	return d, nil
}

const registerHead = `unit_id = 1   # Modbus unit id: look it up in the manual

# What marks a driven motor. Without it no setting may be written: complete these lines and take the # away.
#[running]
#table = "input"       # coil, discrete, holding or input
#address = 0
#mask = 0x0001         # the bits that tell; or above = 0 for a speed or current

# Only where the controller wants a code before it takes a setting:
#[[unlock]]
#address = 0x00F0
#value = 0xA5
#[[lock]]
#address = 0x00F0
#value = 0

`

const objectHead = `node_id = 1               # look it up in the manual
rate = "250 kbit/s"       # of the bus: look it up in the manual; a wrong one disturbs a live bus
#heartbeat = "1 s"        # how often the controller beats its heart (object 1017), if it does

# What the controller says of itself (object 1018, see quaybench controller objects): another device is refused then.
#[identity]
#vendor = 0x00000000
#product = 0x00000000

# What marks a driven motor. Without it no setting may be written: complete these lines and take the # away.
#[running]
#index = 0x6041
#type = "u16"
#mask = 0x006F            # the bits that tell
#equals = ["0x0027", "0x0007"]

# Only where the controller wants a code before it takes a setting:
#[[unlock]]
#index = 0x2FF0
#type = "u16"
#value = 0xA5
#[[lock]]
#index = 0x2FF0
#type = "u16"
#value = 0

`

const registerFoot = `# Only for step tests with the throttle over the line. It turns a propeller: a controller without a time-out of its own, proven on
# the line before each test, takes none. Complete these lines by the manual and take the # away.
#[throttle]
#address = 0x0020
#type = "s16"
#zero = 0                    # count of no throttle
#ahead = 1000                # count of full ahead
#astern = -1000              # of full astern; leave out if there is none
#command_timeout = "300 ms"  # after so long without a command the controller itself goes to zero
`

const objectFoot = `# Only for step tests with the throttle over the line. It turns a propeller: a controller without a time-out of its own, proven on
# the line before each test, takes none. Complete these lines by the manual and take the # away; heartbeat and [identity] are needed too.
#[throttle]
#index = 0x2300
#sub = 1
#type = "s16"
#zero = 0                    # count of no throttle
#ahead = 1000                # count of full ahead
#astern = -1000              # of full astern; leave out if there is none
#rpdo = 1                    # the receive PDO that carries it; leave out if it is written by SDO
#watch = "commands"          # what the controller watches: our commands, or our heartbeat (then our_node too, as object 1016 has it)
#command_timeout = "300 ms"  # after so long without what it watches the controller itself goes to zero
`

var place = regexp.MustCompile(`(?i)^(?:0x|16#)?([0-9a-f]{4})h?(?:\s*(?:sub|[:./])\s*(?:0x)?([0-9a-f]{1,2})h?)?$`)

// entry is what one row makes.
type entry struct {
	text, name     string
	reading, keyed bool
	perhaps        []string // keys that it may have
}

// entry returns the lines of one row.
func (t *table) entry(r row, objects bool, settings []datafile.Field) (e entry) {
	var b strings.Builder
	line := func(format string, args ...any) { fmt.Fprintf(&b, format+"\n", args...) }
	name, unit := t.nameAndUnit(r)
	e.name = name
	key, keyAt := t.cell(r, "key")
	access, accessAt := t.cell(r, "access")
	access = strings.ToLower(strings.NewReplacer("/", "", " ", "").Replace(access))
	switch access {
	case "r", "read", "readonly", "const":
		access = "ro"
	case "rw", "wr", "readwrite", "rwr", "rww", "w", "wo", "ro", "":
	default:
		t.problem(r.line, accessAt, "access %q is none of ro, rw", access)
	}
	at := slices.IndexFunc(settings, func(f datafile.Field) bool { return f.Key == key && f.Kind != datafile.KindGroup })
	isSetting := at >= 0
	_, isChannel := link.KindOf(key)
	if meant, ok := link.Meant(key); ok && !isSetting {
		t.problem(r.line, keyAt, "there is no reading %s: is %s meant?", key, meant)
	}
	e.reading = !isSetting && (isChannel || access == "ro")
	if key != "" && !isSetting && !e.reading && settings != nil {
		t.problem(r.line, keyAt, "there is no setting %s; `quaybench settings` lists them, and a thing that is only read has access ro", key)
	}
	header := "[[setting]]"
	if e.reading {
		header = "[[reading]]"
	}
	line("%s   # %s", header, oneLine(name))
	if e.keyed = key != ""; e.keyed {
		line("key = %s", quoted(key))
	} else {
		e.perhaps = suggest(name, t.unit(r, unit), e.reading, settings)
		line("key = \"?\"   %s", question(e.perhaps))
	}
	t.where(r, objects, line)
	kind, kindAt := t.cell(r, "type")
	short, ok := types[plainType(kind)]
	switch {
	case ok:
	case kind == "":
		t.problem(r.line, kindAt, "the type of %q is missing; write u8, s8, u16, s16, u32, s32, f32 or bool", name)
	default:
		t.problem(r.line, kindAt, "type %q is not known here; write u8, s8, u16, s16, u32, s32, f32 or bool", kind)
	}
	if !objects && short == "bool" {
		short = "bit"
	}
	line("type = %q", short)
	if !objects && (short == "u32" || short == "s32" || short == "f32") {
		order, _ := t.cell(r, "order")
		if order == "" {
			line(`word_order = "?"   # "high first" or "low first": the manual or a known value tells`)
		} else {
			line("word_order = %s", quoted(order))
		}
	}
	words := t.choices(r)
	switch {
	case len(words) > 0:
		line("words = [%s]   # what they are called here: `quaybench settings`", strings.Join(words, ", "))
	case short == "bit" || short == "bool":
	case isSetting && settings[at].Kind == datafile.KindBoolean:
		line(`words = ["false = ?", "true = ?"]   # the count of each: the manual tells`)
	case isSetting && len(settings[at].One) > 0:
		line(`words = ["%s = ?"]   # the count of each: the manual tells`, strings.Join(settings[at].One, ` = ?", "`))
	default:
		t.scaling(r, unit, line)
	}
	if access == "ro" && !e.reading {
		line("read_only = true")
	}
	if remark, _ := t.cell(r, "remark"); remark != "" && len(words) == 0 {
		line("# the table says: %s", oneLine(remark))
	}
	e.text = b.String() + "\n"
	if !e.keyed {
		text := strings.TrimRight(b.String(), "\n")
		e.text = "#" + strings.ReplaceAll(text, "\n", "\n#") + "\n\n"
	}
	return e
}

// where writes where the value is.
func (t *table) where(r row, objects bool, line func(string, ...any)) {
	if !objects {
		table, tableAt := t.cell(r, "table")
		switch low := strings.ToLower(table); {
		case low == "":
			line(`table = "?"   # holding, input, coil or discrete: the manual tells, often by the function code (3, 4, 1, 2)`)
		case slices.Contains([]string{"holding", "input", "coil", "discrete"}, low):
			line("table = %q", low)
		case tables[low] != "":
			line("table = %q   # %s", tables[low], oneLine(table))
		default:
			t.problem(r.line, tableAt, "table %q is none of holding, input, coil, discrete", table)
		}
		address, at := t.cell(r, "address")
		n, err := parseAddress(address)
		switch {
		case err != nil:
			t.problem(r.line, at, "address %q is no number", address)
		case n > 65535:
			t.problem(r.line, at, "address %d is beyond 65535: addresses count from 0 as in the frame; manuals' 40001 is holding 0", n)
		case n >= 30001 && n < 50000:
			line("address = %d   # counted from 0? A manual's 40001 is holding 0, its 30001 input 0", n)
		default:
			line("address = %d", n)
		}
		return
	}
	index, at := t.cell(r, "index")
	m := place.FindStringSubmatch(index)
	if m == nil {
		t.problem(r.line, at, "index %q is not four hexadecimal digits, as in 2010, 0x2010, 2010h or 2010:01", index)
		return
	}
	line("index = 0x%s", strings.ToUpper(m[1]))
	sub, subAt := t.cell(r, "sub")
	sub = cmp.Or(sub, m[2], "0")
	n, err := strconv.ParseUint(strings.TrimSuffix(strings.TrimPrefix(strings.ToLower(sub), "0x"), "h"), 16, 8)
	if err != nil {
		t.problem(r.line, subAt, "sub-index %q is not one or two hexadecimal digits", sub)
		return
	}
	if n > 9 && decimal.MatchString(sub) {
		line("sub = %d   # %s hexadecimal, as standards write it; write %s here if the manual counts in tens", n, sub, sub)
		return
	}
	line("sub = %d", n)
}

// decimal is a number that may be meant in tens.
var decimal = regexp.MustCompile(`^\d+$`)

// tables are how manuals call the four tables of Modbus: by their names and by the function codes that read them.
var tables = map[string]string{
	"holding register": "holding", "holding registers": "holding", "3": "holding", "03": "holding", "fc3": "holding", "fc03": "holding",
	"input register": "input", "input registers": "input", "4": "input", "04": "input", "fc4": "input", "fc04": "input",
	"coils": "coil", "1": "coil", "01": "coil", "fc1": "coil", "fc01": "coil",
	"discrete input": "discrete", "discrete inputs": "discrete", "2": "discrete", "02": "discrete", "fc2": "discrete", "fc02": "discrete",
}

// parseAddress reads a register's address: decimal, 0x10 or 10h.
func parseAddress(text string) (uint64, error) {
	low := strings.ToLower(text)
	if digits, ok := strings.CutSuffix(low, "h"); ok {
		return strconv.ParseUint(digits, 16, 32)
	}
	if strings.HasPrefix(low, "0x") {
		return strconv.ParseUint(low, 0, 32)
	}
	return strconv.ParseUint(low, 10, 32) // 0016 is sixteen, not octal
}

// scaling writes unit, scale and bounds; a number alone is in the unit of its line. unit is what stands behind the name.
func (t *table) scaling(r row, unit string, line func(string, ...any)) {
	unit = t.unit(r, unit)
	if unit == "" {
		line(`unit = "?"   # for example "A"; "1" for a plain number`)
	} else {
		line("unit = %s", quoted(unit))
	}
	difference := quantity.Difference(unit)
	value := func(name, unit string, ask string) {
		text, at := t.cell(r, name)
		number, rest, err := t.number(text)
		switch {
		case text == "" && ask != "":
			line("%s = \"?\"   # %s", name, ask)
		case text == "":
		case err != nil:
			t.problem(r.line, at, "%s %q %v", name, text, err)
		case rest == "" && (unit == "" || unit == "1"):
			line("%s = %s", name, quoted(number))
		case rest == "":
			line("%s = %s", name, quoted(number+" "+unit))
		default:
			line("%s = %s", name, quoted(number+" "+rest))
		}
	}
	value("scale", difference, "what one count is, with its unit")
	value("offset", unit, "")
	value("min", unit, "")
	value("max", unit, "")
}

// unit returns a row's unit, as it is called here; behind is what stands behind its name.
func (t *table) unit(r row, behind string) string {
	if own, _ := t.cell(r, "unit"); own != "" {
		behind = strings.Trim(own, "[]()")
	}
	return cmp.Or(units[strings.ToLower(behind)], behind)
}

// units are what manuals write for units that have another name here.
var units = map[string]string{"degc": "°C", "deg c": "°C", "celsius": "°C", "c": "°C", "volt": "V", "ampere": "A", "amps": "A", "sec": "s", "u/min": "1/min", "min-1": "1/min", "percent": "%"}

// synonyms are what manuals call what has another name here.
var synonyms = map[string]string{
	"cutback": "start", "motorstrom": "motor", "motordrehzahl": "motor", "reverse": "astern", "regen": "braking", "regenerative": "braking", "acceleration": "rise", "deceleration": "fall", "undervoltage": "low_voltage low voltage",
	"overvoltage": "high_voltage high voltage", "dead": "deadband", "strom": "current", "spannung": "voltage", "temperatur": "temperature", "drehzahl": "speed", "batterie": "battery",
	"rampe": "ramp", "begrenzung": "limit", "abregelung": "derating", "endstufe": "stage", "beginn": "start", "ende": "end", "totband": "deadband", "rückwärts": "astern", "vorwärts": "ahead", "max": "limit", "heatsink": "stage heat sink", "sink": "stage", "controller": "stage",
}

// suggest returns the keys that a line may have, by the words of its name and by its unit: for a comment, no more.
func suggest(name, unit string, reading bool, settings []datafile.Field) []string {
	type candidate struct {
		key   string
		words string
		unit  string
	}
	var list []candidate
	if reading {
		for _, k := range link.Kinds() {
			list = append(list, candidate{k.Name, k.Name + " " + k.Doc + " " + strings.Join(k.Also, " "), k.Unit})
		}
	} else {
		for _, f := range settings {
			if f.Kind != datafile.KindGroup {
				list = append(list, candidate{f.Key, f.Key + " " + f.Doc + " " + f.Tags.Get("title"), f.Unit})
			}
		}
	}
	var asked []string
	for _, w := range words(strings.ReplaceAll(strings.ToLower(name), "cut-back", "cutback")) {
		asked = append(append(asked, w), words(synonyms[w])...)
		for part, means := range synonyms { // of a compound: motorstrombegrenzung
			if len(part) >= 5 && w != part && strings.Contains(w, part) {
				asked = append(asked, words(means)...)
			}
		}
	}
	var best []string
	score := 1
	for _, c := range list {
		if !fits(unit, c.unit) {
			continue
		}
		n := 0
		have := words(c.words)
		own := words(c.key)
		if len(own) > 0 && (own[0] == "stall" || own[0] == "boost") && !slices.Contains(asked, own[0]) {
			continue // a state of its own, whose name a manual would say: the highest speed is no speed of a stall
		}
		for _, w := range asked {
			switch {
			case slices.Contains(own, w): // the key's own words weigh more than those of its explanation
				n += 2
			case slices.ContainsFunc(have, func(h string) bool { return h == w || len(w) > 3 && strings.HasPrefix(h, w) }):
				n++
			}
		}
		switch {
		case n > score:
			best, score = []string{c.key}, n
		case n == score && n > 1:
			best = append(best, c.key)
		}
	}
	if len(best) > 3 {
		return nil
	}
	return best
}

// fits reports whether a value in a unit may be one in another; what has no unit, or one that is not known here, may be anything.
func fits(unit, other string) bool {
	if unit == "" || other == "" {
		return true
	}
	if _, err := quantity.ParseUnit(unit); err != nil {
		return true
	}
	wanted, err := quantity.ParseUnit(other)
	if err != nil {
		return true
	}
	_, err = quantity.Parse("1 "+unit, wanted)
	return err == nil
}

// question returns the comment that asks for a key.
func question(perhaps []string) string {
	if len(perhaps) == 0 {
		return "# which setting or reading is it? Leave the lines as comments if it is none"
	}
	return "# perhaps " + strings.Join(perhaps, " or ") + "? Write the key and take the # away"
}

func words(text string) []string {
	return strings.FieldsFunc(strings.ToLower(text), func(c rune) bool { return !unicode.IsLetter(c) && !unicode.IsDigit(c) })
}

// quoted returns a text as TOML has it.
func quoted(text string) string {
	return `"` + strings.NewReplacer(`\`, `\\`, `"`, `\"`).Replace(oneLine(text)) + `"`
}

// oneLine replaces line breaks, so that a comment stays one.
func oneLine(text string) string {
	return strings.Map(func(c rune) rune {
		if !unicode.IsPrint(c) {
			return ' '
		}
		return c
	}, text)
}
