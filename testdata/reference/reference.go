// Package reference holds what the tool is compared with: circuits solved by ngspice, and the whole drive and a fuse
// element solved by SciPy from equations written down a second time, in Python.
//
// Each folder has its inputs (read by both sides), its program, and its golden results. The script regenerate makes the
// golden results anew; plain `go test ./...` needs none of the programs. Where they are installed, the tests run them
// live as well and compare the live results with the golden ones.
package reference

import (
	"embed"
	"encoding/csv"
	"encoding/json"
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"quaybench/bench/boat"
	"quaybench/bench/settings"
	"quaybench/bench/trial"
)

//go:embed boats
var boats embed.FS

// Boat reads a frozen boat and its settings; "petrel strained" is petrel with strained.toml in place of settings.toml.
// They are invented.
func Boat(name string) (*boat.Boat, settings.Set, error) {
	name, set, other := strings.Cut(name, " ")
	if !other {
		set = "settings"
	}
	file := "boats/" + name + "/boat.toml"
	text, err := boats.ReadFile(file)
	if err != nil {
		return nil, settings.Set{}, fmt.Errorf("no frozen boat %q: %w", name, err)
	}
	b, _, err := boat.Read(file, text)
	if err != nil {
		return nil, settings.Set{}, err
	}
	file = "boats/" + name + "/" + set + ".toml"
	if text, err = boats.ReadFile(file); err != nil {
		return nil, settings.Set{}, err
	}
	s, _, err := settings.Read(file, text)
	return b, s, err
}

// Update asks the tests to write what the reference programs take from the tool: go test -update-reference.
var Update = flag.Bool("update-reference", false, "write what the reference programs in testdata/reference take from the tool")

// Derived is what the tool itself fits to a boat's data and the reference programs take as given; the topics fuse and
// battery of testdata/checks hold those fits to the outside world.
type Derived struct {
	Fuse struct {
		Rating float64   `json:"rating"` // A
		Shares []float64 `json:"a"`      // of the melting state
		Times  []float64 `json:"tau"`    // s
	} `json:"fuse"` // the fastest curve
	Wells struct {
		Capacity float64   `json:"capacity"` // A·s, all wells
		Shares   []float64 `json:"shares"`   // of each well's lag in the level
		Rates    []float64 `json:"rates"`    // 1/s
	} `json:"wells"`
}

// Dir returns the folder testdata/reference, found from a test's working folder.
func Dir() (string, error) {
	dir, err := os.Getwd()
	if err != nil {
		return "", err
	}
	for ; dir != filepath.Dir(dir); dir = filepath.Dir(dir) {
		if _, err := os.Stat(filepath.Join(dir, "go.mod")); err == nil {
			return filepath.Join(dir, "testdata", "reference"), nil
		}
	}
	return "", fmt.Errorf("no go.mod above the working folder")
}

// CheckDerived compares what the tool derives for a boat with what the golden results were made from, or with Update
// writes it.
func CheckDerived(boat string, now Derived) error {
	dir, err := Dir()
	if err != nil {
		return err
	}
	file := filepath.Join(dir, "drive", "derived", boat+".json")
	text, err := json.MarshalIndent(now, "", "  ")
	if err != nil {
		return err
	}
	if *Update {
		return os.WriteFile(file, append(text, '\n'), 0o644)
	}
	kept, err := os.ReadFile(file)
	if err != nil {
		return err
	}
	var before Derived
	if err := json.Unmarshal(kept, &before); err != nil {
		return fmt.Errorf("%s: %w", file, err)
	}
	near := func(a, b []float64) bool {
		return slices.EqualFunc(a, b, func(x, y float64) bool { return math.Abs(x-y) <= 1e-6*(math.Abs(x)+math.Abs(y)) })
	}
	same := near([]float64{before.Fuse.Rating, before.Wells.Capacity}, []float64{now.Fuse.Rating, now.Wells.Capacity}) &&
		near(before.Fuse.Shares, now.Fuse.Shares) && near(before.Fuse.Times, now.Fuse.Times) &&
		near(before.Wells.Shares, now.Wells.Shares) && near(before.Wells.Rates, now.Wells.Rates)
	if !same {
		return fmt.Errorf("the tool now fits the fuse or the wells of %s otherwise: run testdata/reference/regenerate", boat)
	}
	return nil
}

//go:embed trials
var trials embed.FS

// Trial reads a frozen trial.
func Trial(name string) (*trial.Trial, error) {
	file := "trials/" + name + ".toml"
	text, err := trials.ReadFile(file)
	if err != nil {
		return nil, fmt.Errorf("no frozen trial %q: %w", name, err)
	}
	return trial.Read(file, text)
}

// Golden is a table of results of a reference program.
type Golden struct {
	Columns map[string][]float64
	Events  map[string]float64 // s, by device
}

//go:embed drive/golden circuits/golden fuse/golden
var golden embed.FS

// ReadGolden reads the golden results FOLDER/golden/NAME.csv.
func ReadGolden(folder, name string) (Golden, error) {
	file := folder + "/golden/" + name + ".csv"
	text, err := golden.ReadFile(file)
	if err != nil {
		return Golden{}, err
	}
	return ParseGolden(file, text)
}

// ParseGolden reads a table with a header; lines "# event,DEVICE,TIME" give events, other lines with # are remarks.
func ParseGolden(file string, text []byte) (Golden, error) {
	g := Golden{Columns: map[string][]float64{}, Events: map[string]float64{}}
	for line := range strings.Lines(string(text)) {
		if rest, ok := strings.CutPrefix(strings.TrimSpace(line), "# event,"); ok {
			device, at, _ := strings.Cut(rest, ",")
			t, err := strconv.ParseFloat(at, 64)
			if err != nil {
				return g, fmt.Errorf("%s: %w", file, err)
			}
			g.Events[device] = t
		}
	}
	in := csv.NewReader(strings.NewReader(string(text)))
	in.Comment = '#'
	rows, err := in.ReadAll()
	if err != nil || len(rows) < 2 {
		return g, fmt.Errorf("%s: needs a header and rows: %w", file, err)
	}
	for i, name := range rows[0] {
		for _, r := range rows[1:] {
			x, err := strconv.ParseFloat(r[i], 64)
			if err != nil {
				return g, fmt.Errorf("%s: column %s: %w", file, name, err)
			}
			g.Columns[name] = append(g.Columns[name], x)
		}
	}
	return g, nil
}

// FuseElement is a fuse element solved by fuse/element.py.
type FuseElement struct {
	Alpha     float64      `json:"alpha"`  // rise of resistance from cold to melting
	Rating    float64      `json:"rating"` // A
	Least     float64      `json:"least"`  // A, melts after an endless time
	Points    [][2]float64 `json:"points"` // constant current (A) and melting time (s)
	Histories []struct {
		Segments [][2]float64 `json:"segments"` // current (A) and duration (s)
		Melts    float64      `json:"melts"`    // s
	} `json:"histories"`
}

// FuseElements reads the golden results of fuse/element.py.
func FuseElements() ([]FuseElement, error) {
	text, err := golden.ReadFile("fuse/golden/element.json")
	if err != nil {
		return nil, err
	}
	return ParseFuseElements(text)
}

// ParseFuseElements reads what fuse/element.py prints.
func ParseFuseElements(text []byte) ([]FuseElement, error) {
	var all struct {
		Elements []FuseElement `json:"elements"`
	}
	err := json.Unmarshal(text, &all)
	return all.Elements, err
}
