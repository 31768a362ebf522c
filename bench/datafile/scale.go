package datafile

import (
	"fmt"
	"reflect"
	"sort"
	"strings"

	"quaybench/bench/quantity"
)

// ScaleColumns returns the file's text with columns of a table (from 0) multiplied by factors, each number to four digits in its own unit, keeping every comment
// and the order. Where note is not "", it stands as a comment behind the table, in place of one that stood there.
func (s *Source) ScaleColumns(key string, factors map[int]float64, note string) ([]byte, error) {
	if s.syntax {
		return nil, fmt.Errorf("correct the syntax of %s first: %w", printable(s.name), s.Err())
	}
	found, _ := s.find(key)
	if found == nil || found.kind != array {
		return nil, fmt.Errorf("%s: there is no such table in %s", key, printable(s.name))
	}
	f, _, err := lookUp(reflect.New(s.structType()).Interface(), key, true)
	if err != nil {
		return nil, err
	}
	units := strings.Split(f.tag("unit"), "|")
	type edit struct {
		start, end int
		text       string
	}
	var edits []edit
	for _, row := range found.elements {
		for column, factor := range factors {
			if column >= len(row.elements) || column >= len(units) {
				return nil, fmt.Errorf("%s has no column %d", key, column+1)
			}
			cell := row.elements[column]
			unit := units[column]
			if _, own, ok := strings.Cut(strings.TrimSpace(cell.value), " "); ok {
				unit = own
			}
			v, err := quantity.Parse(cell.value, quantity.MustUnit(units[column]))
			if err != nil {
				return nil, fmt.Errorf("%s: %w", key, err)
			}
			edits = append(edits, edit{cell.start, cell.end, Quote(quantity.Format(v.SI*factor, unit, 4))})
		}
	}
	sort.Slice(edits, func(i, j int) bool { return edits[i].start > edits[j].start })
	text := s.data
	if note != "" {
		end := found.end
		line := end
		for line < len(text) && text[line] != '\n' && text[line] != '\r' {
			line++
		}
		text = splice(text, end, line, "  # "+note)
	}
	for _, e := range edits {
		text = splice(text, e.start, e.end, e.text)
	}
	if again, err := Decode(s.name, text, reflect.New(s.structType()).Interface()); err != nil && len(again.problems) > len(s.problems) {
		return nil, fmt.Errorf("%s is left as it was: %w", key, err)
	}
	return text, nil
}

// AddTable returns the file's text with a table of rows that it leaves out put in, SI, with a comment behind it.
func (s *Source) AddTable(key string, rows Table, note string) ([]byte, error) {
	if s.syntax {
		return nil, fmt.Errorf("correct the syntax of %s first: %w", printable(s.name), s.Err())
	}
	if found, _ := s.find(key); found != nil {
		return nil, fmt.Errorf("%s: it is in %s already", key, printable(s.name))
	}
	f, _, err := lookUp(reflect.New(s.structType()).Interface(), key, true)
	if err != nil {
		return nil, err
	}
	units := strings.Split(f.tag("unit"), "|")
	var lines []string
	for _, row := range rows {
		if len(row) != len(units) {
			return nil, fmt.Errorf("%s has %d columns, and a row of %d was to be added", key, len(units), len(row))
		}
		var cells []string
		for i, v := range row {
			unit := units[i]
			if unit == "1" {
				unit = "%"
			}
			cells = append(cells, Quote(quantity.Format(v, unit, 4)))
		}
		lines = append(lines, "["+strings.Join(cells, ", ")+"]")
	}
	text, err := s.insert(key, "["+strings.Join(lines, ", ")+"]  # "+note)
	if err != nil {
		return nil, err
	}
	if again, err := Decode(s.name, text, reflect.New(s.structType()).Interface()); err != nil && len(again.problems) > len(s.problems) {
		return nil, fmt.Errorf("%s cannot be added: %w", key, err)
	}
	return text, nil
}
