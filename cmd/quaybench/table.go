package main

import (
	"regexp"
	"slices"
	"strings"
	"unicode/utf8"
)

// table is text in columns. Cells are padded by characters, not bytes. A row of one cell is a heading: it takes the
// whole line and widens no column. A cell of parting alone parts two groups of columns.
type table struct {
	rows  [][]string
	right map[int]bool // columns that are set flush right
}

func (t *table) add(cells ...string) { t.rows = append(t.rows, cells) }

func (t *table) lines() []string {
	var width []int
	for _, row := range t.rows {
		for i, cell := range row {
			if i == len(width) {
				width = append(width, 0)
			}
			if len(row) > 1 {
				width[i] = max(width[i], visible(cell))
			}
		}
	}
	var lines []string
	for _, row := range t.rows {
		var b strings.Builder
		for i, cell := range row {
			pad := strings.Repeat(" ", max(0, width[i]-visible(cell)))
			switch {
			case i == 0:
			case cell == parting || row[i-1] == parting:
				b.WriteString(" ")
			default:
				b.WriteString("  ")
			}
			if t.right[i] && len(row) > 1 {
				b.WriteString(pad + cell)
			} else {
				b.WriteString(cell + pad)
			}
		}
		lines = append(lines, strings.TrimRight(b.String(), " "))
	}
	return lines
}

// fitted is lines in no more columns than a screen has: the widest columns of text are folded, as far as their words allow.
func (t *table) fitted(most int) []string {
	lines := t.lines()
	if widest(lines) <= most {
		return lines
	}
	var width, floor []int
	for _, row := range t.rows {
		if len(row) == 1 {
			continue
		}
		for i, cell := range row {
			if i == len(width) {
				width, floor = append(width, 0), append(floor, 0)
			}
			width[i] = max(width[i], visible(cell))
			for _, word := range glued(strings.Fields(cell)) {
				floor[i] = max(floor[i], visible(word)+len(cell)-len(strings.TrimLeft(cell, " ")))
			}
		}
	}
	for over := widest(lines) - most; over > 0; over-- {
		widestColumn := -1
		for i := range width {
			if width[i] > floor[i] && (widestColumn < 0 || width[i] > width[widestColumn]) {
				widestColumn = i
			}
		}
		if widestColumn < 0 {
			break
		}
		width[widestColumn]--
	}
	folded := &table{right: t.right}
	for _, row := range t.rows {
		if len(row) == 1 {
			indent := row[0][:len(row[0])-len(strings.TrimLeft(row[0], " "))]
			for _, line := range strings.Split(hung(indent, row[0], most), "\n") {
				folded.rows = append(folded.rows, []string{line})
			}
			continue
		}
		var cells [][]string
		height := 1
		for i, cell := range row {
			indent := cell[:len(cell)-len(strings.TrimLeft(cell, " "))]
			parts := []string{cell}
			if visible(cell) > width[i] {
				parts = strings.Split(hung(indent, cell, width[i]), "\n")
			}
			cells, height = append(cells, parts), max(height, len(parts))
		}
		for n := range height {
			line := make([]string, len(row))
			for i, parts := range cells {
				switch {
				case n < len(parts):
					line[i] = parts[n]
				case row[i] == parting:
					line[i] = parting
				}
			}
			folded.rows = append(folded.rows, line)
		}
	}
	return folded.lines()
}

// without is a table with a column left out.
func (t *table) without(column int) *table {
	out := &table{right: map[int]bool{}}
	for i, right := range t.right {
		if i < column {
			out.right[i] = right
		} else if i > column {
			out.right[i-1] = right
		}
	}
	for _, row := range t.rows {
		if len(row) > column {
			row = slices.Delete(slices.Clone(row), column, column+1)
		}
		out.rows = append(out.rows, row)
	}
	return out
}

const parting = "|"

// visible is how many columns a text takes; colour takes none.
func visible(text string) int { return utf8.RuneCountInString(escapes.ReplaceAllString(text, "")) }

var escapes = regexp.MustCompile("\x1b\\[[0-9;]*m")

func widest(lines []string) (w int) {
	for _, l := range lines {
		w = max(w, visible(l))
	}
	return w
}
