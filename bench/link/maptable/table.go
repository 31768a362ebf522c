package maptable

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"quaybench/bench/datafile"
	"quaybench/bench/quantity"
)

// column is what a table may have, and what manuals call it: the first that is there is taken where weak says so, else two are an error.
type column struct {
	name string
	also []string
	weak bool
}

var columns = []column{
	{"name", []string{"parameter", "parameter name", "object name", "bezeichnung", "benennung", "designation", "meaning", "function", "funktion", "description", "beschreibung"}, true},
	{"key", nil, false},
	{"table", []string{"register type", "registertyp", "registerart", "tabelle", "area", "function code", "fc"}, false},
	{"address", []string{"register", "addr", "register address", "adresse"}, false},
	{"index", []string{"object", "index:sub", "objekt"}, false},
	{"sub", []string{"subindex", "sub-index", "sub index", "s-idx"}, false},
	{"type", []string{"data type", "datatype", "datentyp", "typ", "format"}, false},
	{"order", []string{"word order"}, false},
	{"unit", []string{"units", "einheit"}, false},
	{"scale", []string{"factor", "resolution", "scaling", "faktor", "auflösung", "skalierung"}, false},
	{"offset", nil, false},
	{"min", []string{"min.", "minimum", "low", "lowest"}, false},
	{"max", []string{"max.", "maximum", "high", "highest"}, false},
	{"access", []string{"r/w", "rw", "access type", "zugriff"}, false},
	{"words", []string{"values", "choices", "werte"}, false},
	{"remark", []string{"remarks", "comment", "comments", "notes", "bemerkung", "bemerkungen", "hinweis"}, true},
}

// table reads a CSV file.
type table struct {
	name     string
	problems datafile.Problems
	at       map[string]int // column of each name
	comma    bool           // a number of it has a decimal comma
	point    bool           // one has a decimal point
	unknown  []string       // headers that are no column
}

func (t *table) problem(line, column int, format string, args ...any) {
	if len(t.problems) < 1000 {
		t.problems = append(t.problems, datafile.Problem{File: t.name, Line: line, Column: column, Text: fmt.Sprintf(format, args...)})
	}
}

// row is a line of the table.
type row struct {
	line  int
	cells []string
	cols  []int // where each begins
}

func blank(cells []string) bool {
	return !slices.ContainsFunc(cells, func(c string) bool { return strings.TrimSpace(c) != "" })
}

func firstFilled(cells []string) string {
	for _, c := range cells {
		if c = strings.TrimSpace(c); c != "" {
			return c
		}
	}
	return ""
}

// read returns the cells of the file without empty rows.
func (t *table) read(data []byte) (rows []row) {
	text, err := datafile.Text(data)
	if err != nil {
		t.problem(1, 1, "%v", err)
		return nil
	}
	in := csv.NewReader(strings.NewReader(text))
	in.Comma, in.FieldsPerRecord, in.LazyQuotes, in.Comment = delimiterOf(text), -1, true, '#'
	for {
		cells, err := in.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		if wrong := new(csv.ParseError); errors.As(err, &wrong) {
			t.problem(wrong.Line, wrong.Column, "%v", wrong.Err)
			return nil
		}
		r := row{cells: cells}
		for i := range cells {
			line, column := in.FieldPos(i)
			if i == 0 {
				r.line = line
			}
			r.cols = append(r.cols, column)
		}
		if !blank(cells) {
			rows = append(rows, r)
		}
		if len(rows) > mostRows {
			t.problem(r.line, 1, "more than %d lines: this is no list of a controller's manual", mostRows)
			return nil
		}
	}
	if len(rows) < 2 {
		t.problem(1, 1, "the table has no lines: write a header (name;address;table;type;unit;scale;min;max;access;key, or index and sub in place of address and table), then a line for each register or object")
	}
	return rows
}

// delimiterOf returns what parts the cells: that of which the first lines have most.
func delimiterOf(text string) rune {
	const lines = 30
	head := strings.Join(strings.SplitN(text, "\n", lines+1)[:min(lines, strings.Count(text, "\n")+1)], "\n")
	best, most := ';', 0
	for _, r := range ";,\t" {
		if n := strings.Count(head, string(r)); n > most {
			best, most = r, n
		}
	}
	return best
}

// behind is a unit or a remark in brackets behind a name.
var behind = regexp.MustCompile(`^(.*?)\s*[\[(]([^\[\]()]*)[\])]\s*$`)

// column returns the column that a cell of the header names, and how good the name is: 0 for the best.
func columnOf(cell string) (name string, rank int, ok bool) {
	low := strings.ToLower(strings.TrimSpace(cell))
	if m := behind.FindStringSubmatch(low); m != nil {
		low = m[1]
	}
	for _, c := range columns {
		if low == c.name {
			return c.name, 0, true
		}
		if i := slices.Index(c.also, low); i >= 0 {
			return c.name, i + 1, true
		}
	}
	return "", 0, false
}

// headerWithin is in how many rows from the top the header is looked for: manuals have titles above it.
const headerWithin = 30

// header finds the row that names the columns, and returns those below it with what merged cells stand for.
func (t *table) header(rows []row) []row {
	names := func(r row) map[string]bool {
		found := map[string]bool{}
		for _, cell := range r.cells {
			if name, _, ok := columnOf(cell); ok {
				found[name] = true
			}
		}
		return found
	}
	at := slices.IndexFunc(rows[:min(len(rows), headerWithin)], func(r row) bool {
		found := names(r)
		return (found["address"] || found["index"]) && (found["type"] || found["name"])
	})
	at = max(at, 0) // what is missing in the first row is told then
	head := rows[at]
	t.at = map[string]int{}
	ranks := map[string]int{}
	for i, cell := range head.cells {
		name, rank, ok := columnOf(cell)
		if !ok {
			if cell = strings.TrimSpace(cell); cell != "" {
				t.unknown = append(t.unknown, cell)
			}
			continue
		}
		have, twice := t.at[name]
		weak := slices.ContainsFunc(columns, func(c column) bool { return c.name == name && c.weak })
		if twice && !weak {
			t.problem(head.line, head.cols[i], "%q and %q are both the column %s", head.cells[have], cell, name)
		}
		if !twice || rank < ranks[name] {
			t.at[name], ranks[name] = i, rank
		}
	}
	_, address := t.at["address"]
	_, index := t.at["index"]
	switch {
	case address && index:
		t.problem(head.line, 1, "columns for registers (address) and for objects (index) in one table: which is it?")
	case address == index:
		t.problem(head.line, 1, "no column says where things are: the header needs address (Modbus) or index (CANopen); known are %s", known())
	}
	if _, ok := t.at["type"]; !ok {
		t.problem(head.line, 1, "the column type is missing (u16, s16, ...)")
	}
	if _, ok := t.at["name"]; !ok {
		t.problem(head.line, 1, "the column name is missing: what the manual calls each")
	}
	rows = rows[at+1:]
	t.fill(rows)
	t.decimals(rows)
	return rows
}

func known() string {
	var list []string
	for _, c := range columns {
		list = append(list, c.name)
	}
	return strings.Join(list, ", ")
}

func (t *table) cell(r row, name string) (text string, column int) {
	i, ok := t.at[name]
	if !ok || i >= len(r.cells) {
		return "", 1
	}
	return strings.TrimSpace(r.cells[i]), r.cols[i]
}

// isHeading reports whether a row stands for no value: a heading, or an object that only holds others.
func (t *table) isHeading(r row) bool {
	kind, _ := t.cell(r, "type")
	if kind = plainType(kind); kind != "" {
		return slices.Contains([]string{"record", "array", "structure"}, kind)
	}
	address, _ := t.cell(r, "address")
	index, _ := t.cell(r, "index")
	if _, err := parseAddress(address); err != nil && !place.MatchString(index) {
		return true
	}
	for _, name := range []string{"address", "sub", "access", "scale", "min", "max"} {
		if text, _ := t.cell(r, name); text != "" {
			return false
		}
	}
	return true
}

// texts are types that no map reads.
var texts = []string{"visiblestring", "octetstring", "unicodestring", "string", "char", "domain", "timeofday", "timedifference", "unsigned64", "u64", "uint64", "integer64", "s64", "int64", "real64", "double"}

// isText reports whether a row holds what no map reads.
func (t *table) isText(r row) bool {
	kind, _ := t.cell(r, "type")
	kind, _, _ = strings.Cut(plainType(kind), "[")
	return slices.Contains(texts, kind)
}

func plainType(kind string) string {
	return strings.ToLower(strings.NewReplacer(" ", "", "_", "", "-", "").Replace(kind))
}

// fill writes into the cells below a merged one what it stands for: a spreadsheet saves a merged cell as one filled cell and empty ones.
// Only an index or a table of registers is filled in: an empty factor or unit says nothing of the row above.
func (t *table) fill(rows []row) {
	above := map[string]string{}
	for i := range rows {
		r := &rows[i]
		kind, _ := t.cell(*r, "type")
		for _, name := range []string{"index", "table"} {
			at, ok := t.at[name]
			if !ok || at >= len(r.cells) {
				continue
			}
			text := strings.TrimSpace(r.cells[at])
			sub, _ := t.cell(*r, "sub")
			switch {
			case text != "":
				above[name] = text
			case kind != "" && (name != "index" || sub != ""):
				r.cells[at] = above[name]
			}
		}
	}
}

// Numbers that are thousands, or have three decimals.
var (
	commaGroup = regexp.MustCompile(`^[+-]?[1-9]\d{0,2}(,\d{3})+(\.\d+)?$`)
	pointGroup = regexp.MustCompile(`^[+-]?[1-9]\d{0,2}(\.\d{3})+(,\d+)?$`)
)

// decimals finds out how decimals are written, by the numbers that cannot be thousands.
func (t *table) decimals(rows []row) {
	for _, r := range rows {
		for _, name := range []string{"scale", "offset", "min", "max"} {
			text, _ := t.cell(r, name)
			m := withNumber.FindStringSubmatch(text)
			if m == nil || commaGroup.MatchString(m[1]) || pointGroup.MatchString(m[1]) {
				continue
			}
			t.comma = t.comma || strings.Contains(m[1], ",")
			t.point = t.point || strings.Contains(m[1], ".")
		}
	}
}

// withNumber is a number, and what stands behind it.
var withNumber = regexp.MustCompile(`^([+-]?[\d.,]+(?:[eE][+-]?\d+)?)\s*(\D.*)?$`)

// fraction is a factor as a fraction: 1/10, /10.
var fraction = regexp.MustCompile(`^1?\s*[/÷:]\s*(\d+)$`)

// number reads a number as the table writes it, with decimal commas or not, and the unit behind it.
func (t *table) number(text string) (number, rest string, err error) {
	text = strings.NewReplacer("\u2212", "-", "\u2013", "-", "\u00a0", " ").Replace(text)
	if m := fraction.FindStringSubmatch(text); m != nil {
		by, _ := strconv.ParseFloat(m[1], 64)
		if by == 0 {
			return "", "", errors.New("divides by zero")
		}
		return strconv.FormatFloat(1/by, 'g', -1, 64), "", nil
	}
	m := withNumber.FindStringSubmatch(strings.TrimLeft(text, "x×* "))
	if m == nil {
		return "", "", errors.New("is neither a number nor a number with its unit")
	}
	number, rest = m[1], strings.TrimSpace(m[2])
	comma, point := commaGroup.MatchString(number), pointGroup.MatchString(number)
	switch {
	case comma && t.point == t.comma, point && t.point && t.comma:
		return "", "", errors.New("may be thousands or have three decimals: write it without a mark between, or with fewer decimals")
	case point && t.comma:
		number = strings.ReplaceAll(number, ".", "") // beside decimal commas 10.000 is ten thousand
	case comma && t.point:
		number = strings.ReplaceAll(number, ",", "") // and beside decimal points 10,000 is
	}
	number = strings.ReplaceAll(number, ",", ".")
	if _, err := strconv.ParseFloat(number, 64); err != nil {
		return "", "", errors.New("is neither a number nor a number with its unit")
	}
	return number, rest, nil
}

// nameAndUnit returns what a row is called, and the unit behind it in brackets; "" where there is none.
func (t *table) nameAndUnit(r row) (name, unit string) {
	name, _ = t.cell(r, "name")
	m := behind.FindStringSubmatch(name)
	if m == nil {
		return name, ""
	}
	unit = strings.TrimSpace(m[2])
	if other := units[strings.ToLower(unit)]; other != "" {
		unit = other
	}
	if _, err := quantity.ParseUnit(unit); err != nil || unit == "" {
		return name, ""
	}
	return m[1], unit
}

// choice begins a count and its word, in a remark: 0 = linear, 1: soft. Where one ends only the next tells, or a sign.
var (
	choice    = regexp.MustCompile(`\b(\d+)\s*[=:]\s*`)
	choiceEnd = regexp.MustCompile(`[,;|/\n=:]`)
)

// choices returns the words of a row and their counts, as a map has them: "torque = 0".
func (t *table) choices(r row) (list []string) {
	for _, name := range []string{"words", "remark"} {
		text, _ := t.cell(r, name)
		for _, m := range choice.FindAllStringSubmatchIndex(text, -1) {
			word := text[m[1]:]
			if next := choice.FindStringIndex(word); next != nil {
				word = word[:next[0]]
			}
			if end := choiceEnd.FindStringIndex(word); end != nil {
				word = word[:end[0]]
			}
			if word = strings.TrimSpace(word); word == "" {
				list = nil
				break
			}
			list = append(list, quoted(word+" = "+text[m[2]:m[3]]))
		}
		if len(list) > 1 {
			return list
		}
		list = nil
		if name == "words" && text != "" {
			for w := range strings.FieldsFuncSeq(text, func(c rune) bool { return c == '|' || c == '/' }) {
				list = append(list, quoted(strings.TrimSpace(w)))
			}
			return list
		}
	}
	return nil
}
