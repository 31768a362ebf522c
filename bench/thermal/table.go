package thermal

import (
	"embed"
	"encoding/csv"
	"fmt"
	"strconv"
	"strings"
)

//go:embed tables/*.csv
var tables embed.FS

// table reads a built-in table, header line included. A table that does not read
// is a fault of this program.
func table(name string) [][]string {
	text, err := tables.ReadFile("tables/" + name)
	if err != nil {
		panic(fmt.Sprintf("thermal: %v", err))
	}
	r := csv.NewReader(strings.NewReader(string(text)))
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		panic(fmt.Sprintf("thermal: tables/%s: %v", name, err))
	}
	return rows
}

// numbers reads the rows below the header of a built-in table of numbers.
func numbers(name string) [][]float64 {
	rows := table(name)[1:]
	out := make([][]float64, len(rows))
	for i, row := range rows {
		for _, cell := range row {
			out[i] = append(out[i], number(name, cell))
		}
	}
	return out
}

func number(name, cell string) float64 {
	v, err := strconv.ParseFloat(cell, 64)
	if err != nil {
		panic(fmt.Sprintf("thermal: tables/%s: %v", name, err))
	}
	return v
}
