package readings

import (
	"cmp"
	"fmt"
	"strings"
	"time"

	"quaybench/bench/quantity"
)

// How times may be written.
const (
	plainSeconds = "plain numbers"
	clockOfDay   = "time of day"
	dateAndTime  = "date and time"

	clockOfSentences = clockOfDay + ", UTC"
)

var daytimes = []string{"15:04:05.999999999", "15:04:05", "15:04", "3:04:05.999999999 PM", "3:04:05 PM", "3:04 PM", "3:04:05PM", "3:04PM", "15.04.05"}

var dates = []struct {
	layout string
	order  string // of what may be read in two ways
}{
	{"2006-01-02", ""}, {"2006/01/02", ""}, {"2006.01.02", ""}, {"20060102", ""}, {"02.01.2006", ""}, {"02.01.06", ""}, {"2-Jan-2006", ""}, {"2 Jan 2006", ""}, {"Jan 2, 2006", ""}, {"02-01-2006", "day first"},
	{"02/01/2006", "day first"}, {"01/02/2006", "month first"}, {"2/1/2006", "day first"}, {"1/2/2006", "month first"}, {"02/01/06", "day first"}, {"01/02/06", "month first"},
}

// clock returns how times are read, s.
func (p *parser) clock() (func(cell string) (float64, error), error) {
	var cells []string
	line := 0 // of the first
	for i, r := range p.cells[p.first:] {
		if p.time < len(r) && strings.TrimSpace(r[p.time]) != "" {
			line = cmp.Or(line, p.at[p.first+i])
			c := strings.TrimSpace(r[p.time])
			if p.date >= 0 && p.date < len(r) {
				c = strings.TrimSpace(r[p.date]) + " " + c
			}
			cells = append(cells, c)
		}
		if len(cells) == 5000 {
			break
		}
	}
	if len(cells) == 0 {
		return nil, fmt.Errorf("its times are empty")
	}
	unit := ""
	for i, c := range p.Columns {
		if p.use[i] == p.time {
			unit = c.Unit
		}
	}
	clean := func(c string) string { return strings.Trim(strings.TrimSpace(c), `"'`) }
	good := func(read func(string) (float64, error)) bool {
		n := 0
		for _, c := range cells {
			if _, err := read(clean(c)); err == nil {
				n++
			}
		}
		return float64(n) >= 0.8*float64(len(cells))
	}
	if _, _, err := p.number(clean(cells[0]), unit); err == nil && !strings.Contains(cells[0], ":") && !strings.Contains(withoutUnit(cells[0]), " ") {
		if unit == "" {
			days := ""
			if v, _, _ := p.number(clean(cells[0]), ""); v > 2e4 && v < 8e4 { // 1954 to 2119
				days = "; a date and time as a spreadsheet counts them is \"time [d]\""
			}
			return nil, fmt.Errorf("its times are plain numbers without a unit: write it in the header, \"time [s]\", or in a columns file%s", days)
		}
		u, err := quantity.ParseUnit(unit)
		if err != nil || u.Name() != "time" {
			return nil, fmt.Errorf("the unit %q of its times is no time", unit)
		}
		p.Clock = plainSeconds
		if v, _, _ := p.number(clean(cells[0]), unit); toSI(u, v) > 1e6 { // seconds since 1970, or of a logger that has run for days
			p.Clock = "numbers since an instant of the logger's own"
		}
		return func(c string) (float64, error) {
			v, ok, err := p.number(clean(c), unit)
			if err == nil && !ok {
				err = fmt.Errorf("empty")
			}
			return toSI(u, v), err
		}, nil
	}
	if read := since; good(read) && looksElapsed(cells, unit) {
		p.Clock = "hours, minutes and seconds"
		return func(c string) (float64, error) { return read(clean(c)) }, nil
	}
	for _, layout := range daytimes {
		read := func(c string) (float64, error) {
			t, err := time.Parse(layout, strings.ToUpper(point(c)))
			return float64(t.Sub(t.Truncate(24*time.Hour))) / 1e9, err
		}
		if good(read) {
			p.Clock = clockOfDay
			return func(c string) (float64, error) { return read(clean(c)) }, nil
		}
	}
	type fit struct {
		read   func(string) (float64, error)
		order  string
		layout string
		span   float64
	}
	var fits []fit
	for _, d := range dates {
		for _, sep := range []string{" ", "T", ", ", ""} {
			for _, tod := range append([]string{"15:04:05.999999999Z07:00", "15:04:05Z07:00", "15:04:05.999999999 Z07:00"}, daytimes...) {
				layout := d.layout + sep + tod
				read := func(c string) (float64, error) {
					t, err := time.Parse(layout, point(c))
					return float64(t.UnixNano()) / 1e9, err
				}
				if _, err := read(clean(cells[0])); err == nil && good(read) {
					a, _ := read(clean(cells[0]))
					b, _ := read(clean(cells[len(cells)-1]))
					fits = append(fits, fit{read, d.order, layout, b - a})
				}
			}
		}
	}
	if len(fits) == 0 {
		for _, d := range dates {
			if good(func(c string) (float64, error) { _, err := time.Parse(d.layout, c); return 0, err }) {
				return nil, fmt.Errorf("its times, such as %q in line %d, are dates without a time of day: say in a columns file which column is the time", short(cells[0]), line)
			}
		}
		return nil, fmt.Errorf("its times, such as %q in line %d, are in no format known here: write seconds, 14:05:30, or 2026-05-01 14:05:30", short(cells[0]), line)
	}
	best := fits[0]
	begins := func(f fit) time.Time {
		t, _ := time.Parse(f.layout, point(clean(cells[0])))
		return t
	}
	for _, f := range fits[1:] {
		if f.order == best.order || f.order == "" || best.order == "" {
			continue
		}
		if f.span != best.span {
			return nil, fmt.Errorf("its dates, such as %q in line %d, may have the day or the month first: write them as 2026-05-01", short(cells[0]), line)
		}
		p.AnyOrder = p.AnyOrder || !begins(f).Equal(begins(best)) // of one day: its times are known, and which day it was is not
	}
	p.Clock = dateAndTime
	if !p.AnyOrder {
		p.Begins = begins(best)
	}
	return func(c string) (float64, error) { return best.read(clean(c)) }, nil
}

// point writes a comma in front of fractions of a second as a point.
func point(c string) string {
	if i := strings.LastIndex(c, ","); i > 0 && strings.Contains(c[:i], ":") {
		return c[:i] + "." + c[i+1:]
	}
	return c
}

// since reads 0:05, 12:30, 1:02:03.5 as time since a start, s.
func since(c string) (float64, error) {
	parts := strings.Split(point(c), ":")
	if len(parts) < 2 || len(parts) > 3 {
		return 0, fmt.Errorf("no time since a start")
	}
	total := 0.0
	for _, part := range parts {
		var v float64
		if n, err := fmt.Sscanf(part, "%g", &v); err != nil || n != 1 || v < 0 || strings.ContainsAny(part, " AaPp") {
			return 0, fmt.Errorf("no time since a start")
		}
		total = total*60 + v
	}
	return total, nil
}

// looksElapsed reports whether times with colons count from a start: the first is within a minute of zero, and two parts are minutes and seconds.
func looksElapsed(cells []string, _ string) bool {
	first, err := since(strings.Trim(cells[0], `"'`))
	return err == nil && first < 60
}
