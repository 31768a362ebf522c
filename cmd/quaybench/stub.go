package main

import (
	"io"

	"quaybench/bench/record"
)

func recordWrite(io.Writer, *record.Run) error { return nil }
