// Package readings reads what other loggers and spreadsheets wrote, as a record of the same type as a step test's. It says what it understood, and names
// each row that it leaves out and why. Where a file may mean two things it asks; it guesses no unit.
package readings

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"math"
	"regexp"
	"slices"
	"sort"
	"strconv"
	"strings"
	"time"

	"quaybench/bench/datafile"
	"quaybench/bench/link"
	"quaybench/bench/quantity"
	"quaybench/bench/record"
)

// Most of what is taken.
const (
	mostBytes   = 256 << 20
	mostRows    = 2_000_000
	mostColumns = 500
)

// Error is a file that cannot be read, or that asks a question.
type Error struct {
	File, Why string
}

func (e *Error) Error() string { return e.File + ": " + e.Why }

// Understood is a file as it was understood.
type Understood struct {
	Name      string
	Delimiter string // in words
	Decimal   string // "point" or "comma"
	Clock     string // how its times are written
	Begins    time.Time
	Above     int // lines above the header that were passed over
	Columns   []Sense
	Rows      int // kept
	LeftOut   []Row
	Moved     int     // rows that were put back into their order
	Gap       float64 // longest time between two rows, s
	GapAt     float64

	Remarks  []string // on single readings, of whoever knows what they should be
	AnyOrder bool     // its dates may have the day or the month first: they are not used

	Run *record.Run

	start   float64 // s, of the first row by the file's own clock
	ofDay   bool    // that is the time of day,
	dated   bool    // with its date
	lines   []int   // of the rows of Run
	aligned bool
}

// Sense is what a column was taken for.
type Sense struct {
	Header, Is, Unit string
	Meter            *record.Meter
	Note             string
}

// Row is one that was left out.
type Row struct {
	Line int
	Why  string
}

// Read reads a foreign file. columns, nil for none, says what a file does not; shift is added to its clock, s.
func Read(name string, text []byte, columns *Columns, shift float64) (*Understood, error) {
	fail := func(format string, args ...any) (*Understood, error) {
		return nil, &Error{name, fmt.Sprintf(format, args...)}
	}
	if len(text) > mostBytes {
		return fail("it has more than the %d MB taken here: cut it into pieces", mostBytes>>20)
	}
	if max(bytes.Count(text, []byte{'\n'}), bytes.Count(text, []byte{'\r'})) > mostRows {
		return fail("it has more than the %d rows taken here: cut it into pieces, or keep one row in ten", mostRows)
	}
	if bytes.HasPrefix(text, []byte("PK\x03\x04")) {
		return fail("it is a spreadsheet's own file, or another archive, and no text: save its sheet as CSV")
	}
	plain, err := datafile.Text(text)
	if err != nil {
		return fail("%v", err)
	}
	u := &Understood{Name: name}
	p := &parser{Understood: u, columns: columns, shift: shift}
	if isSentences(plain) {
		if err := p.readSentences(plain); err != nil {
			return fail("%v", err)
		}
		return u, nil
	}
	if err := p.split(plain); err != nil {
		return fail("%v", err)
	}
	if err := p.understand(); err != nil {
		return fail("%v", err)
	}
	if err := p.rows(); err != nil {
		return fail("%v", err)
	}
	return u, nil
}

type parser struct {
	*Understood
	columns *Columns
	shift   float64

	cells [][]string
	at    []int // line of each row of cells
	first int   // first row of values
	comma bool
	time  int   // column; −1: none
	date  int   // column of a date of its own; −1: none
	use   []int // columns kept, in order of Columns
}

var delimiters = []struct {
	r    rune
	word string
}{{';', "semicolon"}, {'\t', "tab"}, {'|', "bar"}, {',', "comma"}, {' ', "space"}}

// split finds the delimiter and cuts the lines: that which gives most rows the same number of cells, two at least.
func (p *parser) split(text string) error {
	best, score := -1, 0.0
	var cells [][]string
	var at []int
	for i, d := range delimiters {
		rows, lines := cut(text, d.r, 400)
		counts := map[int]int{}
		for _, r := range rows {
			if len(r) > 1 {
				counts[len(r)]++
			}
		}
		width, most := 0, 0
		for w, n := range counts {
			if n > most || n == most && w > width {
				width, most = w, n
			}
		}
		if most == 0 {
			continue
		}
		s := float64(most) / float64(len(rows))
		if d.r == ',' && s > 0 && allNumbersPaired(rows, width) { // 12,5;... is no list of cells
			s *= 0.5
		}
		if s > score+0.05 {
			best, score = i, s
		}
		_ = lines
	}
	if best < 0 || score < 0.4 {
		rows, at := cut(text, 0, 1)
		if len(rows) == 0 {
			return errors.New("it is empty")
		}
		return fmt.Errorf("it has one column, or no delimiter that its rows agree on: semicolon, tab, comma, bar or spaces; line %d is %q", at[0], short(strings.TrimSpace(rows[0][0])))
	}
	cells, at = cut(text, delimiters[best].r, mostRows)
	p.Delimiter, p.cells, p.at = delimiters[best].word, cells, at
	return nil
}

// inLine returns in words in which line the headers stand.
func (p *parser) inLine() string {
	if p.first == 0 {
		return "its headers"
	}
	return fmt.Sprintf("its headers, in line %d,", p.at[p.Above])
}

// allNumbersPaired reports whether a comma cuts decimals in two: every cell after the first of a row is made of digits, and the cells are two.
func allNumbersPaired(rows [][]string, width int) bool {
	if width != 2 {
		return false
	}
	for _, r := range rows {
		if len(r) == 2 && strings.TrimLeft(strings.TrimSpace(r[1]), "0123456789") != "" {
			return false
		}
	}
	return true
}

// cut splits lines into cells, quotes respected; at are the lines' numbers.
func cut(text string, delimiter rune, most int) (rows [][]string, at []int) {
	line := 0
	for len(text) > 0 && len(rows) < most {
		line++
		end := strings.IndexAny(text, "\r\n")
		row := text
		if end < 0 {
			text = ""
		} else {
			row = text[:end]
			if strings.HasPrefix(text[end:], "\r\n") {
				end++
			}
			text = text[end+1:]
		}
		if strings.TrimSpace(row) == "" {
			continue
		}
		var cells []string
		switch {
		case delimiter == ' ':
			cells = strings.Fields(row)
		case strings.Contains(row, `"`):
			r := csv.NewReader(strings.NewReader(row))
			r.Comma, r.LazyQuotes, r.FieldsPerRecord = delimiter, true, -1
			var err error
			if cells, err = r.Read(); err != nil {
				cells = strings.Split(row, string(delimiter))
			}
		default:
			cells = strings.Split(row, string(delimiter))
		}
		rows, at = append(rows, cells), append(at, line)
	}
	ends := func(r []string) bool { return len(r) > 1 && strings.TrimSpace(r[len(r)-1]) == "" }
	if !slices.ContainsFunc(rows, func(r []string) bool { return len(r) > 1 && !ends(r) }) { // a delimiter at the end of each line
		for i, r := range rows {
			if ends(r) {
				rows[i] = r[:len(r)-1]
			}
		}
	}
	return rows, at
}

// Numbers whose thousands are set apart: by commas where the decimal is a point, else by points.
var (
	grouped       = regexp.MustCompile(`^[+-]?\d{1,3}(,\d{3})+(\.\d*)?$`)
	groupedPoints = regexp.MustCompile(`^[+-]?[1-9]\d{0,2}(\.\d{3})+(,\d*)?[^\d.,]*$`)
)

// numeric reports whether a cell is a number or a time, with either decimal.
func numeric(cell string) bool {
	cell = withoutUnit(cell)
	if cell == "" {
		return false
	}
	if slices.Contains(blanks, strings.ToLower(cell)) || cell[0] == '=' {
		return true // no number, and where one belongs
	}
	digits := 0
	for _, r := range cell {
		switch {
		case r >= '0' && r <= '9':
			digits++
		case strings.ContainsRune("+-.,:/TZeE APMapm", r):
		default:
			return false
		}
	}
	return digits > 0
}

// understand finds the header, the decimal, and what each column is.
func (p *parser) understand() error {
	width := 0
	counts := map[int]int{}
	for _, r := range p.cells {
		counts[len(r)]++
		if counts[len(r)] > counts[width] {
			width = len(r)
		}
	}
	if width > mostColumns {
		line := p.at[slices.IndexFunc(p.cells, func(r []string) bool { return len(r) == width })]
		return fmt.Errorf("line %d of it has %d columns, more than the %d taken here", line, width, mostColumns)
	}
	first := slices.IndexFunc(p.cells, func(r []string) bool {
		n, filled := 0, 0
		for _, c := range r {
			if numeric(c) {
				n++
			}
			if strings.TrimSpace(c) != "" {
				filled++
			}
		}
		return len(r) >= 2 && len(r) >= width-1 && n > 0 && 2*n >= filled
	})
	if first < 0 {
		return fmt.Errorf("no row of it holds numbers")
	}
	p.first = first
	headers, unitRow := make([]string, width), make([]string, width)
	if first > 0 {
		h := p.cells[first-1]
		all := len(h) > 1
		for _, c := range h {
			c = strings.Trim(strings.TrimSpace(c), "[]()")
			all = all && (c == "" || knownUnit(c) || numeric(c) || strings.Contains(strings.ToLower(c), "hh:mm"))
		}
		if all && first > 1 { // a row of units below that of names
			copy(unitRow, h)
			h = p.cells[first-2]
			p.Above = first - 2
		} else {
			p.Above = first - 1
		}
		copy(headers, h)
	} else if p.columns == nil {
		return fmt.Errorf("it has no header row: say what its columns are in a columns file (--columns)")
	}
	// A comma is the decimal where cells hold one and none holds a point, or a point stands before it.
	commas, points := 0, 0
	for _, r := range p.cells[first:min(len(p.cells), first+2000)] {
		for _, c := range r {
			c = withoutUnit(c)
			if !numeric(c) || strings.ContainsAny(c, ":/") || strings.Count(c, ".") > 1 {
				continue
			}
			i, j := strings.LastIndex(c, ","), strings.LastIndex(c, ".")
			switch {
			case i > j:
				commas++
			case j > i:
				points++
			}
		}
	}
	p.comma = p.Delimiter != "comma" && commas > points || p.quotedCommas(points)
	p.Decimal = map[bool]string{true: "comma", false: "point"}[p.comma]
	p.time, p.date = -1, -1
	var questions, ignored []string
	taken := map[string]string{}
	for i := range width {
		name, unit := heading(headers[i])
		if u := strings.Trim(strings.TrimSpace(unitRow[i]), "[]()"); unit == "" && knownUnit(u) {
			unit = cleanUnit(u)
		}
		s := Sense{Header: strings.TrimSpace(headers[i]), Unit: unit}
		var ask string
		if unit == "" {
			unit = p.cellUnit(i)
			s.Unit = unit
		}
		s.Is, ask = meaning(name, unit)
		if strings.Contains(strings.ToLower(s.Header), "infrared") && p.said(i, s.Header, name) == nil { // until somebody says that the spot was taped
			s.Meter, s.Note = &record.Meter{Offset: 2, ReadsLow: bareMetal}, bareNote
		}
		if c := p.said(i, s.Header, name); c != nil {
			s.Is, ask = c.Is, ""
			if c.Unit != "" {
				s.Unit = cleanUnit(c.Unit)
			}
			m, err := ParseError(c.Error, s.Is, s.Unit)
			if err != nil {
				return err
			}
			s.Meter = m
			if c.Spot == "bare metal" {
				if s.Is == "winding" || s.Is == link.MotorTemperature {
					return fmt.Errorf("column %q: an infrared thermometer sees a surface, never the winding: say motor housing", s.Header)
				}
				if s.Meter == nil {
					s.Meter = &record.Meter{Offset: 2}
				}
				s.Meter.ReadsLow = bareMetal
				s.Note = bareNote
			}
		} else if p.columns != nil && headers[i] == "" {
			s.Is = Ignore
		}
		if s.Is == "" && ask != "" {
			questions = append(questions, fmt.Sprintf("column %d, %q: is it %s?", i+1, s.Header, ask))
			continue
		}
		switch {
		case s.Is == "" || s.Is == Ignore:
			ignored = append(ignored, s.Header)
			s.Is = Ignore
		case s.Is == Time && p.time < 0:
			p.time = i
		case s.Is == Time:
			s.Is = Ignore
		case s.Is == Date:
			p.date = i
		case taken[s.Is] != "":
			questions = append(questions, fmt.Sprintf("columns %q and %q both seem to be %s: which one counts?", taken[s.Is], s.Header, s.Is))
		}
		if s.Is != Ignore && s.Is != Time && s.Is != Date {
			taken[s.Is] = s.Header
			if s.Unit == "" {
				if wantedUnit(s.Is) == "%" {
					questions = append(questions, fmt.Sprintf("column %d, %q, has no unit: per cent, or a share of 1?", i+1, s.Header))
				} else {
					questions = append(questions, fmt.Sprintf("column %d, %q, has no unit: write it behind the name, as in %q, or in a columns file", i+1, s.Header, strings.TrimSpace(name+" ["+wantedUnit(s.Is)+"]")))
				}
			} else if err := sameKind(s.Unit, wantedUnit(s.Is)); err != nil && s.Is == Lever {
				questions = append(questions, fmt.Sprintf("column %d, %q: what is the lever's travel in %s? Write it in per cent of full ahead, or leave it out (is = \"ignore\")", i+1, s.Header, s.Unit))
			} else if err != nil {
				questions = append(questions, fmt.Sprintf("column %d, %q: %v", i+1, s.Header, err))
			}
			if s.Is == link.SpeedOverGround && s.Meter == nil {
				s.Meter, s.Note = overGround()
			}
		}
		p.Columns = append(p.Columns, s)
		p.use = append(p.use, i)
	}
	if p.time < 0 && p.date >= 0 {
		p.time, p.date = p.date, -1
	}
	if len(questions) > 0 {
		return fmt.Errorf("%s (%s say no more; answer in a columns file, --columns)", strings.Join(questions, "; "), p.inLine())
	}
	if p.time < 0 {
		return fmt.Errorf("no column is a time: say which one in a columns file (--columns); %s are %s", p.inLine(), strings.Join(headers, ", "))
	}
	if len(taken) == 0 {
		return fmt.Errorf("no column of it is understood: say what they are in a columns file (--columns); %s are %s", p.inLine(), strings.Join(ignored, ", "))
	}
	return nil
}

// quotedCommas reports whether a file that commas part has decimal commas in cells between quotes: some that set no thousands apart, and no point anywhere.
func (p *parser) quotedCommas(points int) bool {
	return p.Delimiter == "comma" && points == 0 && slices.ContainsFunc(p.cells[p.first:min(len(p.cells), p.first+2000)], func(r []string) bool {
		return slices.ContainsFunc(r, func(c string) bool {
			c = withoutUnit(c)
			return decimalComma.MatchString(c) && !grouped.MatchString(c)
		})
	})
}

var decimalComma = regexp.MustCompile(`^[+-]?\d+,\d+$`)

// overGround returns the error of a speed over ground as one through the water, and the remark that goes with it.
func overGround() (*record.Meter, string) {
	k, _ := link.KindOf(link.SpeedOverGround)
	return &record.Meter{Offset: k.Error}, fmt.Sprintf("the water's own speed is in it, taken as up to %g m/s; two opposite runs are surer", k.Error)
}

const bareNote = "by infrared on bare metal: up to 30 K too low where it is 40 K above the air, unless a columns file says that the spot was taped"

// suffixed is a number with its unit behind it.
var suffixed = regexp.MustCompile(`^[+-]?[\d.,]+(?:[eE][+-]?\d+)?\s*([^\d\s.,].*)$`)

// withoutUnit returns a cell without blanks around it and without a unit behind its number.
func withoutUnit(cell string) string {
	cell = strings.TrimSpace(cell)
	if m := suffixed.FindStringSubmatch(cell); m != nil && knownUnit(m[1]) {
		return strings.TrimSpace(strings.TrimSuffix(cell, m[1]))
	}
	return cell
}

// cellUnit returns the unit that stands behind every number of a column; "" where there is none, or not the same.
func (p *parser) cellUnit(column int) (unit string) {
	for _, r := range p.cells[p.first:min(len(p.cells), p.first+50)] {
		if column >= len(r) {
			continue
		}
		cell := strings.TrimSpace(r[column])
		if cell == "" || slices.Contains(blanks, strings.ToLower(cell)) {
			continue
		}
		m := suffixed.FindStringSubmatch(cell)
		if m == nil || !knownUnit(m[1]) || unit != "" && cleanUnit(m[1]) != unit {
			return ""
		}
		unit = cleanUnit(m[1])
	}
	return unit
}

// said returns what the columns file says of a column.
func (p *parser) said(i int, header, name string) *Column {
	if p.columns == nil {
		return nil
	}
	for k := range p.columns.Columns {
		c := &p.columns.Columns[k]
		if c.Number == i+1 || c.Header != "" && (strings.EqualFold(c.Header, header) || strings.EqualFold(c.Header, name)) {
			return c
		}
	}
	return nil
}

// wantedUnit returns a unit of the kind that a channel has.
func wantedUnit(is string) string {
	if k, ok := link.KindOf(is); ok {
		return k.Unit
	}
	if is == Lever {
		return "%"
	}
	return "°C"
}

func sameKind(unit, wanted string) error {
	name := ""
	if f, ok := foreign[unit]; ok {
		unit = f.unit
	}
	u, err := quantity.ParseUnit(unit)
	if err != nil {
		return fmt.Errorf("the unit %q is not known", unit)
	}
	name = u.Name()
	w := quantity.MustUnit(wanted)
	if name != w.Name() && !(wanted == "rpm" && (unit == "1/min" || unit == "1/s" || unit == "Hz")) {
		return fmt.Errorf("%s is a unit of %s, and a %s belongs here", unit, name, w.Name())
	}
	return nil
}

// foreign are units that boat files do not have.
var foreign = map[string]struct {
	unit          string
	factor, shift float64
}{
	"mph": {"m/s", 0.44704, 0},                                         // 1609.344 m in an hour
	"°F":  {"°C", 5.0 / 9, -32 * 5.0 / 9},                              // NIST SP 811, B.8
	"Hz":  {"rad/s", 2 * math.Pi, 0}, "1/s": {"rad/s", 2 * math.Pi, 0}, // of a shaft
}

// conversion returns the function from a number in a unit to its SI value.
func conversion(unit, is string) func(float64) float64 {
	if is == link.MotorSpeed && unit == "1/min" {
		unit = "rpm"
	}
	factor, shift := 1.0, 0.0
	if f, ok := foreign[unit]; ok {
		unit, factor, shift = f.unit, f.factor, f.shift
	}
	u := quantity.MustUnit(unit)
	return func(v float64) float64 { return toSI(u, v*factor+shift) }
}

// blanks are what loggers write where there is no value.
var blanks = []string{"-", "--", "---", "nan", "n/a", "na", "null", "none", "#n/a", "#value!", "err", "error", "?", "ovl", "ol"}

// number reads a cell; ok is false for one that holds no value.
func (p *parser) number(cell, unit string) (v float64, ok bool, err error) {
	cell = strings.Trim(strings.TrimSpace(cell), `"'`)
	cell = strings.NewReplacer("\u00a0", "", "\u202f", "", "\u2212", "-").Replace(cell)
	if cell == "" || slices.Contains(blanks, strings.ToLower(cell)) {
		return 0, false, nil
	}
	if cell[0] == '=' {
		return 0, false, fmt.Errorf("holds the formula %q, not its value", short(cell))
	}
	text := cell
	if p.comma {
		if strings.Contains(text, ".") {
			if !groupedPoints.MatchString(text) { // "95.6" is no 956
				return 0, false, fmt.Errorf("holds %q, and the file's decimal is a comma", short(cell))
			}
			text = strings.ReplaceAll(text, ".", "")
		}
		text = strings.ReplaceAll(text, ",", ".")
	} else if grouped.MatchString(text) {
		text = strings.ReplaceAll(text, ",", "")
	}
	if v, err = strconv.ParseFloat(text, 64); err != nil {
		if m := suffixed.FindStringSubmatch(text); m != nil && knownUnit(m[1]) { // "12.5 V"
			if u := cleanUnit(m[1]); u != unit {
				return 0, false, fmt.Errorf("holds %q, and its unit is %s", short(cell), unit)
			}
			text = strings.TrimSpace(strings.TrimSuffix(text, m[1]))
			v, err = strconv.ParseFloat(text, 64)
		}
	}
	if err != nil || math.IsInf(v, 0) || math.IsNaN(v) || strings.ContainsAny(text, "xX_") {
		return 0, false, fmt.Errorf("holds %q, which is no number", short(cell))
	}
	return v, true, nil
}

// cannotBe returns why nothing shows a value (SI) in a column: most often a unit is wrong. "" where it can be.
func cannotBe(c Sense, v float64) string {
	switch {
	case wantedUnit(c.Is) == "%" && math.Abs(v) > fullLever:
		return "it goes from -100 % to 100 %"
	case wantedUnit(c.Is) == "°C" && v <= 0:
		return "that is below absolute zero"
	}
	return ""
}

// fullLever allows for a lever whose ends were set a little short.
const fullLever = 1.05

func short(s string) string {
	const most = 24
	if r := []rune(s); len(r) > most {
		return string(r[:most]) + "…"
	}
	return s
}

type sample struct {
	line   int
	t      float64
	values []float64
}

// rows reads the rows, in order of time.
func (p *parser) rows() error {
	clock, err := p.clock()
	if err != nil {
		return err
	}
	var list []sample
	leave := func(line int, format string, args ...any) {
		p.LeftOut = append(p.LeftOut, Row{line, fmt.Sprintf(format, args...)})
	}
	converts := make([]func(float64) float64, len(p.Columns))
	for i, s := range p.Columns {
		if s.Is != Ignore && s.Is != Time && s.Is != Date {
			converts[i] = conversion(s.Unit, s.Is)
		}
	}
	back, last := 0, math.Inf(-1)
	var setBack []int // lines from which on the clock may have been set back
	wrap := 0.0
row:
	for k := p.first; k < len(p.cells); k++ {
		cells, line := p.cells[k], p.at[k]
		if len(cells) <= p.time {
			leave(line, "it has %d of %d columns", len(cells), len(p.Columns))
			continue
		}
		when := cells[p.time]
		if p.date >= 0 && p.date < len(cells) {
			when = strings.TrimSpace(cells[p.date]) + " " + strings.TrimSpace(when)
		}
		t, err := clock(when)
		if err != nil {
			leave(line, "its time %q cannot be read", short(when))
			continue
		}
		if t+wrap < last-12*3600 && p.Clock == clockOfDay { // past midnight
			wrap += 24 * 3600
		}
		t += wrap
		s := sample{line: line, t: t, values: make([]float64, len(p.Columns))}
		any := false
		for i, c := range p.Columns {
			s.values[i] = math.NaN()
			at := p.use[i]
			if c.Is == Ignore || c.Is == Time || c.Is == Date || at >= len(cells) {
				continue
			}
			v, ok, err := p.number(cells[at], c.Unit)
			if err != nil {
				leave(line, "column %q %v", c.Header, err)
				continue row
			}
			if ok {
				s.values[i] = converts[i](v)
				if why := cannotBe(c, s.values[i]); why != "" {
					leave(line, "column %q holds %q: %s", c.Header, short(strings.TrimSpace(cells[at])), why)
					continue row
				}
				any = any || c.Is != Lever
			}
		}
		if !any {
			leave(line, "it holds no value")
			continue
		}
		if t < last {
			back++
			if (p.Clock == clockOfDay || p.Clock == dateAndTime) && clockSetBack(list, t) {
				setBack = append(setBack, line)
			}
		}
		last = t
		list = append(list, s)
	}
	if len(list) < 2 {
		why := ""
		if len(p.LeftOut) > 0 {
			why = fmt.Sprintf("; of line %d: %s", p.LeftOut[0].Line, p.LeftOut[0].Why)
		}
		return fmt.Errorf("fewer than 2 rows of it can be used%s", why)
	}
	if len(setBack) == 1 && back == 1 {
		return fmt.Errorf("its clock goes back by an hour in line %d and runs on: where summer time ended then, cut the file there and give both pieces, with --shift 0s --shift 1h; where not, put its rows in order", setBack[0])
	}
	newest := back == len(list)-1
	if back > len(list)/5 && !newest {
		return fmt.Errorf("time runs backwards in %d of %d rows: these are several records, or the wrong column is taken for the time", back, len(list))
	}
	p.Moved = back
	sort.SliceStable(list, func(i, j int) bool { return list[i].t < list[j].t })
	var kept []sample
	for _, s := range list {
		if n := len(kept); n > 0 && kept[n-1].t == s.t {
			if same(kept[n-1].values, s.values) {
				leave(s.line, "it is line %d again", kept[n-1].line)
			} else {
				leave(s.line, "line %d has the same time and other values; the first one counts", kept[n-1].line)
			}
			continue
		}
		kept = append(kept, s)
	}
	sort.Slice(p.LeftOut, func(i, j int) bool { return p.LeftOut[i].Line < p.LeftOut[j].Line })
	p.keep(kept)
	return nil
}

// clockSetBack reports whether an instant follows the last row of a list by a clock that was set back by an hour in between: an hour later it is the next row.
func clockSetBack(list []sample, t float64) bool {
	n := len(list)
	if n < 3 {
		return false
	}
	next := t + 3600 - list[n-1].t
	return next > 0 && next <= 3*(list[n-1].t-list[0].t)/float64(n-1)
}

func same(a, b []float64) bool {
	for i := range a {
		if a[i] != b[i] && !(math.IsNaN(a[i]) && math.IsNaN(b[i])) {
			return false
		}
	}
	return true
}

// keep builds the record of the rows, which begins at 0 s.
func (p *parser) keep(rows []sample) {
	r := &record.Run{}
	begin := rows[0].t
	if p.Clock == plainSeconds {
		begin = min(0, begin) // a logger's own seconds are kept
	}
	p.start, p.ofDay = begin, p.Clock == clockOfDay || p.Clock == dateAndTime || p.Clock == clockOfSentences
	p.dated = p.Clock == dateAndTime
	for i, s := range rows {
		p.lines = append(p.lines, s.line)
		r.Time = append(r.Time, s.t-begin+p.shift)
		if i > 0 && s.t-rows[i-1].t > p.Gap {
			p.Gap, p.GapAt = s.t-rows[i-1].t, r.Time[i-1]
		}
	}
	for i, c := range p.Columns {
		if c.Is == Ignore || c.Is == Time || c.Is == Date {
			continue
		}
		tr := record.Trace{Name: traceOf(c.Is), Unit: wantedUnit(c.Is), Meter: c.Meter}
		for _, s := range rows {
			tr.Values = append(tr.Values, s.values[i])
		}
		tr.Gaps = slices.ContainsFunc(tr.Values, math.IsNaN)
		if c.Is == Lever && tr.Gaps { // where nobody wrote it down it stayed
			last := 0.0
			for k, v := range tr.Values {
				if math.IsNaN(v) {
					tr.Values[k] = last
				}
				last = tr.Values[k]
			}
			tr.Gaps = false
		}
		if c.Is == Lever {
			r.Traces = append([]record.Trace{tr}, r.Traces...)
		} else {
			r.Traces = append(r.Traces, tr)
		}
	}
	p.Run, p.Rows = r, len(rows)
	p.turn()
}

// turn reverses the sign of a battery current that is negative while the bank delivers, as battery monitors have it: over a run a boat takes more than it gives back.
func (p *parser) turn() {
	tr, ok := p.Run.Trace(record.BatteryCurrent)
	if !ok {
		return
	}
	sum := 0.0
	for _, v := range tr.Values {
		if !math.IsNaN(v) {
			sum += v
		}
	}
	if sum >= 0 {
		return
	}
	for i := range tr.Values {
		tr.Values[i] = -tr.Values[i]
	}
	for i := range p.Columns {
		if p.Columns[i].Is == link.BatteryCurrent {
			p.Columns[i].Note = "negative while the bank delivers: turned round"
		}
	}
}

func traceOf(is string) string {
	if is == Lever {
		return record.Lever
	}
	return link.TraceName(is)
}

// SetMeter states the error of the meter behind what a column was taken for.
func (u *Understood) SetMeter(is string, m *record.Meter) {
	for i := range u.Columns {
		if c := &u.Columns[i]; c.Is == is {
			if m != nil && c.Meter != nil {
				m.ReadsLow = c.Meter.ReadsLow
			}
			c.Meter = m
		}
	}
	if tr, ok := u.Run.Trace(traceOf(is)); ok {
		tr.Meter = m
	}
}
