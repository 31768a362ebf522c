// Package layout sets text in columns and lines of a screen: tables, running text behind a heading. It counts characters, not
// bytes, and leaves the colours of a terminal out of the count. All of it is safe for use from several goroutines.
package layout

import (
	"slices"
	"strings"
)

// Table is text in columns. A row of one cell is a heading: it takes the whole line and widens no column. A cell of Parting
// alone parts two groups of columns.
type Table struct {
	Rows  [][]string
	Right map[int]bool // columns that are set flush right
}

// Add adds a row.
func (t *Table) Add(cells ...string) { t.Rows = append(t.Rows, cells) }

// Lines returns the table, a line each row.
func (t *Table) Lines() []string {
	var width []int
	for _, row := range t.Rows {
		for i, cell := range row {
			if i == len(width) {
				width = append(width, 0)
			}
			if len(row) > 1 {
				width[i] = max(width[i], Visible(cell))
			}
		}
	}
	var lines []string
	for _, row := range t.Rows {
		var b strings.Builder
		for i, cell := range row {
			pad := strings.Repeat(" ", max(0, width[i]-Visible(cell)))
			switch {
			case i == 0:
			case cell == Parting || row[i-1] == Parting:
				b.WriteString(" ")
			default:
				b.WriteString("  ")
			}
			if t.Right[i] && len(row) > 1 {
				b.WriteString(pad + cell)
			} else {
				b.WriteString(cell + pad)
			}
		}
		lines = append(lines, strings.TrimRight(b.String(), " "))
	}
	return lines
}

// Fitted returns Lines in no more columns than most: the widest columns of text are folded, as far as their words allow.
func (t *Table) Fitted(most int) []string {
	lines := t.Lines()
	if Widest(lines) <= most {
		return lines
	}
	var width, floor []int
	for _, row := range t.Rows {
		if len(row) == 1 {
			continue
		}
		for i, cell := range row {
			if i == len(width) {
				width, floor = append(width, 0), append(floor, 0)
			}
			width[i] = max(width[i], Visible(cell))
			for _, word := range Words(cell) {
				floor[i] = max(floor[i], Visible(word)+len(cell)-len(strings.TrimLeft(cell, " ")))
			}
		}
	}
	for over := Widest(lines) - most; over > 0; over-- {
		widestColumn := -1
		for _, least := range []int{most, mostBroken} { // at first no word is broken
			for i := range width {
				if width[i] > min(floor[i], least) && (widestColumn < 0 || width[i] > width[widestColumn]) {
					widestColumn = i
				}
			}
			if widestColumn >= 0 {
				break
			}
		}
		if widestColumn < 0 {
			break
		}
		width[widestColumn]--
	}
	folded := &Table{Right: t.Right}
	for _, row := range t.Rows {
		if len(row) == 1 {
			indent := row[0][:len(row[0])-len(strings.TrimLeft(row[0], " "))]
			for _, line := range strings.Split(Hang(indent, row[0], most), "\n") {
				folded.Rows = append(folded.Rows, []string{line})
			}
			continue
		}
		var cells [][]string
		height := 1
		for i, cell := range row {
			indent := cell[:len(cell)-len(strings.TrimLeft(cell, " "))]
			parts := []string{cell}
			if Visible(cell) > width[i] {
				parts = broken(strings.Split(Hang(indent, cell, width[i]), "\n"), width[i])
			}
			cells, height = append(cells, parts), max(height, len(parts))
		}
		for n := range height {
			line := make([]string, len(row))
			for i, parts := range cells {
				switch {
				case n < len(parts):
					line[i] = parts[n]
				case row[i] == Parting:
					line[i] = Parting
				}
			}
			folded.Rows = append(folded.Rows, line)
		}
	}
	return folded.Lines()
}

// mostBroken is the width that a column keeps when its words are broken: a long label or name is, a number or a short word never.
const mostBroken = 16

// broken cuts lines that are a word too long for a width; coloured ones stay as they are.
func broken(lines []string, width int) (out []string) {
	for _, line := range lines {
		runes := []rune(line)
		for len(runes) > width && Plain(line) == line {
			out, runes = append(out, string(runes[:width])), runes[width:]
		}
		out = append(out, string(runes))
	}
	return out
}

// Without returns the table with a column left out.
func (t *Table) Without(column int) *Table {
	out := &Table{Right: map[int]bool{}}
	for i, right := range t.Right {
		if i < column {
			out.Right[i] = right
		} else if i > column {
			out.Right[i-1] = right
		}
	}
	for _, row := range t.Rows {
		if len(row) > column {
			row = slices.Delete(slices.Clone(row), column, column+1)
		}
		out.Rows = append(out.Rows, row)
	}
	return out
}

// Below returns the table with its last column, that of running text, in a line of its own below each row, which takes less width; its title goes.
func (t *Table) Below() *Table {
	last := 0
	for _, row := range t.Rows {
		last = max(last, len(row)-1)
	}
	out := t.Without(last)
	out.Rows = nil
	for i, row := range t.Rows {
		out.Rows = append(out.Rows, row[:min(last, len(row))])
		if i > 0 && len(row) > last && row[last] != "" {
			out.Rows = append(out.Rows, []string{"  " + row[last]})
		}
	}
	return out
}

// Parting is the cell that parts two groups of columns.
const Parting = "|"
