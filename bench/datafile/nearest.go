package datafile

import "strings"

// nearest returns the candidate closest to the word, or "" if none is close. A
// candidate that differs only in case or in - for _ always counts as close, and then
// the shortest that the word is the beginning of.
func nearest(word string, candidates []string) string {
	fold := func(s string) string { return strings.ToLower(strings.ReplaceAll(s, "-", "_")) }
	best, bestDistance := "", max(2, len(word)/3)+1
	if len(word) > 64 {
		return ""
	}
	begun := ""
	for _, c := range candidates {
		switch {
		case fold(c) == fold(word):
			return c
		case len(word) > 2 && strings.HasPrefix(fold(c), fold(word)) && (begun == "" || len(c) < len(begun)):
			begun = c
		}
		if d := Distance(fold(word), fold(c)); d < bestDistance && d < len(c) {
			best, bestDistance = c, d
		}
	}
	if begun != "" {
		return begun
	}
	return best
}

// Distance returns the number of single-character insertions, deletions, changes and
// swaps of neighbours that turn a into b (optimal string alignment).
func Distance(a, b string) int {
	x, y := []rune(a), []rune(b)
	rows := make([][]int, len(x)+1)
	for i := range rows {
		rows[i] = make([]int, len(y)+1)
		rows[i][0] = i
	}
	for j := range rows[0] {
		rows[0][j] = j
	}
	for i := 1; i <= len(x); i++ {
		for j := 1; j <= len(y); j++ {
			change := 1
			if x[i-1] == y[j-1] {
				change = 0
			}
			rows[i][j] = min(rows[i-1][j]+1, rows[i][j-1]+1, rows[i-1][j-1]+change)
			if i > 1 && j > 1 && x[i-1] == y[j-2] && x[i-2] == y[j-1] {
				rows[i][j] = min(rows[i][j], rows[i-2][j-2]+1)
			}
		}
	}
	return rows[len(x)][len(y)]
}
