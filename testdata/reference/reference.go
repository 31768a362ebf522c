// Package reference holds what the tool is compared with: circuits solved by ngspice, and the whole drive and a fuse
// element solved by SciPy from equations written down a second time, in Python.
//
// Each folder has its inputs (read by both sides), its program, and its golden results. The script regenerate makes the
// golden results anew; plain `go test ./...` needs none of the programs. Where they are installed, the tests run them
// live as well and compare the live results with the golden ones.
package reference

import (
	"embed"
	"fmt"

	"quaybench/bench/boat"
	"quaybench/bench/settings"
)

//go:embed boats
var boats embed.FS

// Boat reads a frozen boat and its settings. They are invented.
func Boat(name string) (*boat.Boat, settings.Set, error) {
	file := "boats/" + name + "/boat.toml"
	text, err := boats.ReadFile(file)
	if err != nil {
		return nil, settings.Set{}, fmt.Errorf("no frozen boat %q: %w", name, err)
	}
	b, _, err := boat.Read(file, text)
	if err != nil {
		return nil, settings.Set{}, err
	}
	file = "boats/" + name + "/settings.toml"
	if text, err = boats.ReadFile(file); err != nil {
		return nil, settings.Set{}, err
	}
	s, _, err := settings.Read(file, text)
	return b, s, err
}
