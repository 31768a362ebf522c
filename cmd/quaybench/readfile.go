package main

import (
	"fmt"
	"io"
	"os"
)

// largestText is more than anybody writes by hand into a register map or a column list, in bytes.
const largestText = 1 << 20

// readFile reads a file that a person named, and stops with an error above most bytes: a device such as /dev/zero has no end,
// and would take all memory with it.
func readFile(name string, most int64) ([]byte, error) {
	file, err := os.Open(name)
	if err != nil {
		return nil, err
	}
	defer file.Close()
	text, err := io.ReadAll(io.LimitReader(file, most+1))
	if err == nil && int64(len(text)) > most {
		return nil, fmt.Errorf("%s has more than the %d bytes taken up here", name, most)
	}
	return text, err
}
