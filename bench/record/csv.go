package record

import (
	"fmt"
	"strconv"
	"unicode"
	"unicode/utf8"
)

// A record as a file is comma-separated text that a spreadsheet opens:
//
//	# quaybench_record = 1
//	# boat = 'petrel'
//	# trial = 'full-throttle'
//	# source = 'simulation'
//	# rows = 2
//	# part = {name = 'winding', trace = 'winding', unit = '°C', limit = '155 °C', …}
//	# event = {at = '61.4 s', device = 'battery current limit', …}
//	time [s],motor current [A],winding [°C]
//	0,0,25
//	0.1,12.5,25.02
//
// A line that begins with "# " is one key of TOML; one that begins with "##" is a remark and is skipped. Both may
// stand between the rows too: an event that is only known later. "rows" is the number
// of samples, by which a file that was cut at a line's end is told; one written while it is measured has none. The header row
// names each column and its unit; a trace with a band is followed by its low and its high. Numbers are in the unit of
// their column and come back as the same SI value to the last bit.
//
// A key that is not known is an error, so a build from before a key refuses files that have it. The number goes up with a
// change once a version has been released; "rows" came before 0.1.0 was, so files with it are of format 1.
const (
	formatVersion = 1
	remark        = "## Simulated or measured, these values are no proof of safety: follow the makers' limits and the codes that apply where you are.\n"
)

// Limits of what Read takes: far above a two-hour outing, far below what would fill the memory of a small computer.
const (
	maxLine    = 1 << 20
	maxColumns = 2000
	maxCells   = 20_000_000
	maxEntries = 200_000
	maxNumber  = 100 // characters
)

// FormatError is something wrong with a record's file, and where.
type FormatError struct {
	File         string
	Line, Column int // from 1; columns count characters
	Reason       string
}

// Error returns "file:line:column: reason".
func (e *FormatError) Error() string {
	return fmt.Sprintf("%s:%d:%d: %s", printable(e.File), e.Line, e.Column, e.Reason)
}

// ValueError is something in a run that no file can hold or no reader would understand.
type ValueError struct {
	Where  string // which field, trace or event
	Reason string
}

func (e *ValueError) Error() string { return fmt.Sprintf("record: %s %s", e.Where, e.Reason) }

// printable quotes a text that would otherwise move the cursor of the terminal it is shown on.
func printable(s string) string {
	for _, r := range s {
		if !unicode.IsPrint(r) || r == utf8.RuneError {
			return strconv.Quote(s)
		}
	}
	return s
}

// shown returns a text from a file as a message quotes it: short and printable.
func shown(s string) string {
	const most = 40
	if runes := []rune(s); len(runes) > most {
		s = string(runes[:most]) + "…"
	}
	return strconv.Quote(s)
}
