package main

import (
	"regexp"
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
