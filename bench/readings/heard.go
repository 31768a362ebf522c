package readings

import (
	"errors"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"

	"quaybench/bench/datafile"
	"quaybench/bench/link"
	"quaybench/bench/link/lines"
	"quaybench/bench/link/nmea"
	"quaybench/bench/quantity"
)

// HeardLines is what the lines of a logger seem to be, of which nobody has written a column list. Each column of which Ask is not
// empty waits for an answer.
type HeardLines struct {
	Delimiter string        // as a column list has it: ; , tab space
	Comma     bool          // a decimal comma
	XOR       bool          // a check sum ends each line
	Header    string        // the line above the readings; "": none was heard, or it begins with #
	Example   string        // the newest line of readings
	Every     time.Duration // about as often as a line comes; 0: not known
	Columns   []HeardColumn
}

// HeardColumn is one column.
type HeardColumn struct {
	Header  string // the text above it; "": there is none
	Is      string // a channel, a name of its own, Time (the logger's clock), or Ignore; "": nobody knows yet
	Unit    string // "": nobody knows yet
	Ask     string // what is to be asked
	Example string // its newest value
}

// Hear looks at lines as they came, of which the first may have been cut.
func Hear(came []string) (*HeardLines, error) {
	h := &HeardLines{}
	var data, heads []string
	sums := 0
	for _, line := range came {
		text, err := datafile.Text([]byte(line))
		if err != nil || strings.TrimSpace(text) == "" {
			continue
		}
		body, ok := unsealed(text)
		switch {
		case !strings.ContainsAny(body, "0123456789") || headLike.MatchString(body):
			heads = append(heads, text)
		case strings.HasPrefix(text, "#"):
		default:
			data = append(data, text)
			if ok {
				sums++
			}
		}
	}
	if len(data) > 1 {
		data = data[1:] // it may have been cut
	}
	if len(data) < 2 {
		return nil, errors.New("no two lines of numbers came")
	}
	h.XOR = sums >= len(data) && sums > 1
	if h.XOR {
		for i := range data {
			data[i], _ = unsealed(data[i])
		}
	}
	if err := h.cut(data); err != nil {
		return nil, err
	}
	h.head(heads)
	for i := range h.Columns {
		h.understand(i)
	}
	return h, nil
}

// headLike is a line of names, with a digit in one of them.
var headLike = regexp.MustCompile(`^[#\s]*[A-Za-z\p{L}].*[\[(/].*\p{L}`)

// unsealed removes *hh from a line where it is the check sum.
func unsealed(line string) (body string, ok bool) {
	n := len(line) - 3
	if n < 0 || line[n] != '*' {
		return line, false
	}
	want, err := strconv.ParseUint(line[n+1:], 16, 8)
	body = strings.TrimPrefix(line[:n], "$")
	if err != nil || nmea.CheckSum([]byte(body)) != byte(want) {
		return line, false
	}
	return body, true
}

var listDelimiters = []struct {
	word string
	r    rune
}{{";", ';'}, {"tab", '\t'}, {",", ','}, {"space", ' '}}

// cut finds what parts the columns: that which gives all lines the same number of them, all numbers.
func (h *HeardLines) cut(data []string) error {
	newest := data[len(data)-1]
	for _, d := range listDelimiters {
		width, agree := len(cells(newest, d.r)), 0
		comma, good := false, true
		for _, line := range data {
			c := cells(line, d.r)
			if len(c) == width {
				agree++
			}
			for _, cell := range c {
				comma = comma || d.r != ',' && strings.Contains(cell, ",")
			}
		}
		for _, cell := range cells(newest, d.r) {
			good = good && cell != ""
		}
		if width < 2 || !good || 10*agree < 9*len(data) {
			continue
		}
		h.Delimiter, h.Comma = d.word, comma
		break
	}
	if h.Delimiter == "" { // one number in a line
		h.Delimiter = ";"
		h.Comma = strings.Contains(newest, ",")
	}
	numbers := 0
	for _, cell := range cells(newest, h.rune()) {
		c := HeardColumn{Example: cell}
		text := cell
		if h.Comma {
			text = strings.ReplaceAll(text, ",", ".")
		}
		if _, err := strconv.ParseFloat(text, 64); err == nil && strings.Trim(text, "0123456789+-.eE") == "" {
			numbers++
		} else {
			c.Is = Ignore // a time of day, a word: no reading
		}
		h.Columns = append(h.Columns, c)
	}
	if numbers == 0 {
		return fmt.Errorf("no column of its lines is a number: %q", short(newest))
	}
	h.Example = newest
	return nil
}

func (h *HeardLines) rune() rune {
	for _, d := range listDelimiters {
		if d.word == h.Delimiter {
			return d.r
		}
	}
	return ';'
}

func cells(line string, delimiter rune) (out []string) {
	if delimiter == ' ' {
		return strings.Fields(line)
	}
	for cell := range strings.SplitSeq(line, string(delimiter)) {
		out = append(out, strings.TrimSpace(cell))
	}
	return out
}

// head sets the header to the newest line of names that has as many columns.
func (h *HeardLines) head(heads []string) {
	for _, line := range slices.Backward(heads) {
		text := strings.TrimLeft(strings.TrimSpace(line), "# ")
		names := cells(text, h.rune())
		if len(names) != len(h.Columns) {
			continue
		}
		for i := range names {
			h.Columns[i].Header = strings.Trim(names[i], `"`)
		}
		if !strings.HasPrefix(strings.TrimSpace(line), "#") { // the list passes over remarks anyway
			h.Header = strings.TrimSpace(line)
		}
		return
	}
}

// understand sets what a column is by its header, or what to ask the person.
func (h *HeardLines) understand(i int) {
	c := &h.Columns[i]
	if c.Is == Ignore {
		if ofDay.MatchString(c.Example) {
			h.clock(i, "")
		}
		return
	}
	if c.Header == "" {
		c.Ask = "what is it?"
		return
	}
	name, unit := heading(c.Header)
	is, ask := meaning(name, unit)
	switch is {
	case Time:
		h.clock(i, unit)
		return
	case Date, Lever, "motor housing":
		c.Is = Ignore // a lever is told by the programme
		return
	case "":
		if ask == "" && unit == "" {
			c.Is = Ignore
			return
		}
		if ask == "" { // nothing would watch over what has a name of its own, so somebody has to say that it is none that counts
			c.Ask = fmt.Sprintf("is it one of %s, or another thing, for example: %s %s?", link.StandardChannels(), ownName(name), unit)
			return
		}
	}
	if ask != "" {
		c.Ask = "is it " + ask + "?"
		return
	}
	if err := c.take(is, unit, h.names(i)); err != nil {
		c.Ask = err.Error()
	}
}

// ofDay is a time of day, whatever stands about it.
var ofDay = regexp.MustCompile(`\d{1,2}:\d{2}`)

// clock treats a column as the logger's clock, by which one that hangs is told; the first one counts. The readings' own times are the tool's.
func (h *HeardLines) clock(i int, unit string) {
	c := &h.Columns[i]
	c.Is, c.Ask = Ignore, ""
	if h.names(i)[Time] {
		return
	}
	c.Is = Time
	if unit = cleanUnit(unit); unit != "" && sameKind(unit, "s") == nil {
		c.Unit = unit
	}
}

// names returns what the other columns are.
func (h *HeardLines) names(but int) map[string]bool {
	seen := map[string]bool{}
	for i, c := range h.Columns {
		if i != but && c.Is != "" && c.Is != Ignore {
			seen[c.Is] = true
		}
	}
	return seen
}

var notName = regexp.MustCompile(`[^a-z0-9]+`)

func ownName(text string) string {
	return strings.Trim(notName.ReplaceAllString(strings.ToLower(strings.NewReplacer("ä", "ae", "ö", "oe", "ü", "ue", "ß", "ss").Replace(strings.ToLower(text))), "_"), "_0123456789")
}

// take sets what a column is.
func (c *HeardColumn) take(is, unit string, others map[string]bool) (err error) {
	lines.CheckName(is, others, "", func(text string, args ...any) { err = fmt.Errorf(text, args...) })
	if err != nil {
		return err
	}
	if unit = cleanUnit(unit); unit == "" {
		return fmt.Errorf("in which unit is %s? There is none in its header", is)
	}
	if _, err := quantity.ParseUnit(unit); err != nil {
		return fmt.Errorf("the unit %q of %s is not known here", unit, is)
	}
	if k, ok := link.KindOf(is); ok {
		if err := sameKind(unit, k.Unit); err != nil {
			return fmt.Errorf("%s: %w", is, err)
		}
	}
	c.Is, c.Unit, c.Ask = is, unit, ""
	return nil
}

// Answer stores what a person says of a column: "voltage V", "lug_temperature °C", "clock", "clock ms", "ignore".
func (h *HeardLines) Answer(column int, text string) error {
	words := strings.Fields(text)
	c := &h.Columns[column]
	switch {
	case len(words) == 1 && words[0] == Ignore:
		c.Is, c.Ask = Ignore, ""
		return nil
	case len(words) > 0 && len(words) < 3 && words[0] == "clock":
		unit := strings.Join(words[1:], "")
		if h.names(column)[Time] {
			return errors.New("another column is the clock already: ignore this one")
		}
		if unit != "" && sameKind(cleanUnit(unit), "s") != nil {
			return fmt.Errorf("the unit %q of a clock is no time: write for example clock s", unit)
		}
		h.clock(column, unit)
		return nil
	case len(words) == 1:
		return c.take(words[0], "", h.names(column))
	case len(words) != 2:
		return errors.New("write its name and its unit, for example: battery_current A; or: clock; or: ignore")
	}
	return c.take(words[0], words[1], h.names(column))
}

// remarkOf returns in words what an ignored column was.
func remarkOf(c HeardColumn) string {
	return printable(strings.TrimSpace(short(c.Header) + " " + short(c.Example)))
}

// printable returns a text in one line of a file.
func printable(text string) string {
	return strings.Map(func(r rune) rune {
		if !unicode.IsPrint(r) {
			return ' '
		}
		return r
	}, text)
}

// List returns the column list that the lines make, once nothing is left to be asked.
func (h *HeardLines) List(title, remark string) (string, error) {
	var b strings.Builder
	line := func(format string, args ...any) { fmt.Fprintf(&b, format+"\n", args...) }
	line("# %s", printable(remark))
	line("title = %s", datafile.Quote(title))
	line("delimiter = %q", h.Delimiter)
	if h.Comma {
		line(`decimal = "comma"`)
	}
	line("checksum = %q", map[bool]string{true: "xor", false: "none"}[h.XOR])
	if h.Header != "" {
		line("header = %s", datafile.Quote(h.Header))
	}
	if stale := 3 * h.Every; stale > time.Second { // a line may be lost
		line("stale_after = \"%.0f s\"   # no line for so long is an error", min(math.Ceil(stale.Seconds()), 60))
	} else {
		line("#stale_after = \"1 s\"   # no line for so long is an error")
	}
	line("#delay = \"0 s\"         # how long after the fact its readings come")
	readings := 0
	for _, c := range h.Columns {
		line("\n[[column]]")
		switch c.Is {
		case "":
			return "", fmt.Errorf("%s is not known yet", c.Header)
		case Ignore:
			line("ignore = true   # %s", remarkOf(c))
			continue
		case Time:
			line("clock = true    # %s; where it stands still the logger hangs", remarkOf(c))
			if c.Unit != "" {
				line("unit = %q", c.Unit)
			}
			continue
		}
		readings++
		scale := "1 " + c.Unit
		if c.Unit == "°C" {
			scale = "1 K"
		}
		line("name = %q\nunit = %q\nscale = %q\n#min = \"\"   # outside min and max it cannot be true\n#max = \"\"\n#error = \"\"   # of the instrument, for example ± 1 %% ± 0.2 A", c.Is, c.Unit, scale)
	}
	if readings == 0 {
		return "", errors.New("no column is a reading: nothing is left to read")
	}
	return b.String(), nil
}
