package main

import "quaybench/profiles"

// The largest files that commands read, in bytes: more than anybody writes by hand into a register map, a column list or a
// script, and what an export carries of a journal.
const (
	largestText    = 1 << 20
	largestJournal = profiles.LargestKept
)
