package main

import (
	"cmp"
	"encoding/json"
	"fmt"
	"maps"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/benchtest"
	"quaybench/bench/thermal"
	"quaybench/bench/trial"
)

// setting returns a whole number from the environment, for suites whose seed and size are chosen at a desk.
func setting(t *testing.T, name string, fallback int) int {
	t.Helper()
	text := os.Getenv(name)
	if text == "" {
		return fallback
	}
	n, err := strconv.Atoi(text)
	require.NoError(t, err, name)
	return n
}

// randomBoat is the folder of a boat that nobody has looked at, and what is asked of it.
type randomBoat struct {
	dir    string
	scale  float64 // currents over the demo boat's
	args   []string
	clumsy string // what was done to the file besides; "": nothing
}

// quantityText is a number with its unit between quotes, as boat and settings files have it.
var quantityText = regexp.MustCompile(`"(-?[0-9]+(?:\.[0-9]+)?)( ([^" ,]+))?([ ,][^"]*)?"`)

// drawBoat writes a boat. Half of the boats are the demo boats made larger or smaller as a whole, from a hundred watts to a
// megawatt, each number off by some; in the other half each number is off by itself, up to a factor of 100,000, so that nothing
// fits. Some files are clumsy besides.
func drawBoat(t *testing.T, r *rand.Rand, dir string) randomBoat {
	t.Helper()
	b := randomBoat{dir: dir, scale: 1}
	name := []string{"petrel", "bracken"}[r.IntN(2)]
	volts, each, share := 1.0, []float64{0.02, 0.1, 0.3}[r.IntN(3)], []float64{0.05, 0.3, 1}[r.IntN(3)]
	whole := r.IntN(2) == 0
	if whole {
		b.scale = math.Pow(10, -1.7+3.2*r.Float64())
		volts = []float64{0.25, 0.5, 1, 1, 2, 4}[r.IntN(6)]
	} else {
		each, share = []float64{0.3, 1, 2, 5}[r.IntN(4)], []float64{0.01, 0.03, 0.1}[r.IntN(3)]
	}
	off := func() float64 {
		if r.Float64() > share {
			return 1
		}
		return math.Pow(10, each*(2*r.Float64()-1))
	}
	for _, file := range []string{"boat.toml", "settings.toml"} {
		data, err := demoFiles.ReadFile("demo/" + name + "/" + file)
		require.NoError(t, err)
		section, key, lines := "", "", strings.Split(string(data), "\n")
		var column map[string]float64 // a table's columns are off as a whole, or no table would rise
		for i, line := range lines {
			if strings.HasPrefix(line, "[") {
				section = line
			}
			if name, _, isKey := strings.Cut(line, " = "); isKey {
				key, column = name, map[string]float64{}
			}
			if key == "cells" && strings.HasPrefix(line, key) {
				var cells int
				_, err := fmt.Sscanf(line, "cells = %d", &cells)
				require.NoError(t, err)
				lines[i] = fmt.Sprintf("cells = %d", max(1, int(math.Round(float64(cells)*volts))))
			} else if key != "name" && key != "about" {
				lines[i] = quantityText.ReplaceAllStringFunc(line, func(text string) string {
					m := quantityText.FindStringSubmatch(text)
					x, err := strconv.ParseFloat(m[1], 64)
					require.NoError(t, err)
					if _, known := column[m[3]]; !known {
						column[m[3]] = off()
					}
					return `"` + scaled(x, m[3], section, key, b.scale, volts, column[m[3]]) + m[2] + m[4] + `"`
				})
			}
		}
		if file == "boat.toml" && r.IntN(8) == 0 {
			b.clumsy = spoil(r, lines)
		}
		require.NoError(t, os.WriteFile(filepath.Join(dir, file), []byte(strings.Join(lines, "\n")), 0o600))
	}
	b.args = []string{dir, "--set", fmt.Sprintf("limits.motor_current=%.3g A", 140*b.scale*math.Pow(10, 0.8*(2*r.Float64()-1)))}
	if r.IntN(2) == 0 {
		b.args = append(b.args, "--set", fmt.Sprintf("ramp.rise=%.3g s", math.Pow(10, 2*r.Float64()-1)))
	}
	for _, k := range r.Perm(len(trial.Names()))[:3] {
		b.args = append(b.args, "--trial", trial.Names()[k])
	}
	return b
}

// scaled returns the text of a number of the demo boat in a boat with so many times the current and voltage, off by some.
func scaled(x float64, unit, section, key string, amps, volts, off float64) string {
	power := amps * volts
	times, known := map[string]float64{
		"A": amps, "V": volts, "mΩ": volts / amps, "Ω": volts / amps, "W": power, "kW": power, "J/K": power, "kJ/K": power,
		"K/W": 1 / power, "kg": power, "A·h": amps, "kA": amps, "mF": amps / volts, "µH": volts / amps, "N·m": power, "V·s/rad": volts,
		"N·m·s/rad": power, "kg·m²": power, "mm²": amps, "J": power,
	}[unit]
	switch {
	case unit == "°C": // degrees are counted from where the boat lies
		return fmt.Sprintf("%.4g", x+20*math.Log10(off))
	case key == "ocv" && unit == "%":
		return text(x)
	case key == "ocv" || strings.HasPrefix(key, "cell_") || key == "brush_drop":
		times = 1
	case strings.HasPrefix(section, "[hull") || strings.HasPrefix(section, "[propeller"):
		switch unit {
		case "m/s", "m": // Froude's law, near enough
			times, known = math.Pow(power, 0.2), true
		}
	}
	if !known {
		times = 1
	}
	x *= times * off
	if unit == "%" && off < 10 {
		x = min(x, 100)
	}
	if unit == "mm²" && off < 10 && amps*off != 1 { // as cables are made
		x = nearest([]float64{0.5, 0.75, 1, 1.5, 2.5, 4, 6, 10, 16, 25, 35, 50, 70, 95, 120, 150, 185, 240, 300, 400, 500, 630}, x)
	}
	if key == "rating" && strings.HasPrefix(section, "[fuse") {
		if class, err := thermal.Class("gG"); err == nil && len(class.Ratings) > 0 && amps != 1 {
			x = nearest(class.Ratings, x)
		}
	}
	return text(x)
}

func text(x float64) string {
	return strconv.FormatFloat(x, 'f', max(0, 4-int(math.Log10(math.Abs(x)+1e-12))), 64)
}

// nearest returns the one of a list that is nearest to x.
func nearest(list []float64, x float64) float64 {
	return slices.MinFunc(list, func(a, b float64) int { return cmp.Compare(math.Abs(a-x), math.Abs(b-x)) })
}

// spoil makes one of the slips that a file may have, in place, and says which.
func spoil(r *rand.Rand, lines []string) string {
	var at []int
	for i, line := range lines {
		if strings.Contains(line, " = ") {
			at = append(at, i)
		}
	}
	i := at[r.IntN(len(at))]
	was := lines[i]
	key, value, _ := strings.Cut(was, " = ")
	switch r.IntN(7) {
	case 0:
		lines[i] = ""
	case 1:
		lines[i] = was + "\n" + was
	case 2:
		lines[i] = key + "x = " + value
	case 3:
		lines[i] = quantityText.ReplaceAllString(was, `"-$1$2"`)
	case 4:
		lines[i] = quantityText.ReplaceAllString(was, `"$1"`)
	case 5:
		lines[i] = quantityText.ReplaceAllString(was, `"$1 furlong"`)
	case 6:
		lines[i] = quantityText.ReplaceAllString(was, `"$1$2 ± 80 %"`)
	}
	return was + " -> " + lines[i]
}

// solversWords are what a boat builder need not understand. They end a refusal in a test, and so would a bug.
var solversWords = regexp.MustCompile(`(?i)nan|[+-]inf\b|infinit|%!|panic|goroutine|runtime|nil\b|0x|jacobian|singular|residual|step size|converge|integrat|state \d|index|matrix|root|bug|\be[+-]\d\d`)

// figures are taken out of a refusal, to count those of a kind.
var figures = regexp.MustCompile(`-?[0-9][0-9.,]*(e[+-]?[0-9]+)?`)

// TestAnyBoatIsJudgedOrRefused: present settings and a proposal in three trials. Whatever the file holds, there is a verdict with
// finite figures or a refusal that a boat builder understands; nothing panics, and no run goes on without end.
func TestAnyBoatIsJudgedOrRefused(t *testing.T) {
	benchtest.Computes(t)
	seed, n := setting(t, "QUAYBENCH_SEED", 1), setting(t, "QUAYBENCH_BOATS", randomBoats)
	first := setting(t, "QUAYBENCH_FIRST", 0)
	refused, codes, most := map[string]int{}, map[int]int{}, 0.0
	for i := first; i < first+n; i++ {
		r := rand.New(rand.NewPCG(uint64(seed), uint64(i)))
		b := drawBoat(t, r, t.TempDir())
		code, stdout, stderr := quaybench(t, nil, append([]string{"try", "--json"}, b.args...)...)
		codes[code]++
		why := fmt.Sprintf("seed %d, boat %d %s: try %s\n%s", seed, i, b.clumsy, strings.Join(b.args, " "), stderr)
		switch code {
		case exitClear, exitOver:
			steps := checkFigures(t, stdout, why)
			if most = max(most, steps); steps > 2e5 {
				t.Errorf("%g steps: %s", steps, why)
			}
		case exitInput, exitOther:
			assert.NotEmpty(t, stderr, why)
			assert.Empty(t, stdout, why)
			assert.NotRegexp(t, solversWords, strings.ReplaceAll(stderr, b.dir, ""), why)
			for _, line := range strings.Split(strings.TrimSpace(stderr), "\n") {
				if strings.HasPrefix(line, "    ") { // the place, shown
					continue
				}
				refused[figures.ReplaceAllString(strings.ReplaceAll(line, b.dir, ""), "#")]++
			}
		default:
			assert.Fail(t, "exit code", "%d: %s", code, why)
		}
		if t.Failed() && os.Getenv("QUAYBENCH_KEEP") != "" {
			require.NoError(t, os.CopyFS(filepath.Join(os.Getenv("QUAYBENCH_KEEP"), fmt.Sprintf("%d-%d", seed, i)), os.DirFS(b.dir)))
		}
	}
	t.Logf("seed %d: %d boats, exit codes %v, at most %g steps a run", seed, n, codes, most)
	kinds := slices.SortedFunc(maps.Keys(refused), func(a, b string) int { return refused[b] - refused[a] })
	for _, k := range kinds {
		t.Logf("%5d  %s", refused[k], k)
	}
	if n > 20 {
		assert.Greater(t, 4*(codes[exitClear]+codes[exitOver]), n, "a quarter of the boats at least is judged")
	}
}

// checkFigures requires the text of one JSON object whose every text is free of a solver's words, and returns the steps of the
// longest run. JSON itself has no number that is none.
func checkFigures(t *testing.T, text, why string) (steps float64) {
	t.Helper()
	var whole any
	require.NoError(t, json.Unmarshal([]byte(text), &whole), why)
	var walk func(path string, v any)
	walk = func(path string, v any) {
		switch v := v.(type) {
		case map[string]any:
			for k, x := range v {
				walk(path+"."+k, x)
			}
		case []any:
			for _, x := range v {
				walk(path, x)
			}
		case string:
			if regexp.MustCompile(`(?i)\bnan\b|\binf\b|%!`).MatchString(v) {
				assert.Fail(t, "no figure", "%s is %q: %s", path, v, why)
			}
		case float64:
			if strings.HasSuffix(path, ".steps") {
				steps = max(steps, v)
			}
			if strings.HasSuffix(path, ".peak") && math.Abs(v) > 1e7 {
				assert.Fail(t, "beyond all bounds", "%s is %g: %s", path, v, why)
			}
		}
	}
	walk("", whole)
	return steps
}
