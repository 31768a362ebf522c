package reference

import (
	"bytes"
	"context"
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// Circuit is a netlist circuits/NAME.cir with its golden results: a table whose columns are parameters that the case
// sets, in front, and measured values.
type Circuit struct {
	Name  string
	Cases []map[string]float64
	order []string
}

// set reports whether a column is a parameter of the netlist.
func (c *Circuit) set(netlist string, column string) bool {
	return regexp.MustCompile(`(?m)^\.param.*\b` + regexp.QuoteMeta(column) + `=`).MatchString(netlist)
}

// ReadCircuit reads a circuit's golden results.
func ReadCircuit(name string) (*Circuit, error) {
	g, err := ReadGolden("circuits", name)
	if err != nil {
		return nil, err
	}
	text, err := golden.ReadFile("circuits/golden/" + name + ".csv")
	if err != nil {
		return nil, err
	}
	in := csv.NewReader(bytes.NewReader(text))
	in.Comment = '#'
	header, err := in.Read()
	if err != nil {
		return nil, err
	}
	c := &Circuit{Name: name, order: header}
	for i := range g.Columns[header[0]] {
		row := map[string]float64{}
		for _, column := range header {
			row[column] = g.Columns[column][i]
		}
		c.Cases = append(c.Cases, row)
	}
	return c, nil
}

// CheckLive runs the netlist where ngspice is installed and compares with the golden results, within a thousandth. With
// Update it writes them instead. Where ngspice is not there it says so and skips.
func (c *Circuit) CheckLive(t *testing.T) {
	t.Helper()
	program, err := exec.LookPath("ngspice")
	if err != nil {
		t.Skip("ngspice is not installed (Debian package ngspice): its golden results are compared, the netlist was NOT RUN")
	}
	dir, err := Dir()
	if err != nil {
		t.Fatal(err)
	}
	netlist, err := os.ReadFile(filepath.Join(dir, "circuits", c.Name+".cir"))
	if err != nil {
		t.Fatal(err)
	}
	for i, row := range c.Cases {
		measured, err := c.run(t.Context(), program, string(netlist), row)
		if err != nil {
			t.Fatal(err)
		}
		if *Update {
			for range 3 { // start where the last run found the cycle, so that nothing but the cycle is left
				if _, ok := row["i0"]; !ok {
					break
				}
				row["i0"], row["v0"] = measured["motor_low"], measured["link"]
				if measured, err = c.run(t.Context(), program, string(netlist), row); err != nil {
					t.Fatal(err)
				}
			}
			for name, x := range measured {
				row[name] = x
			}
			continue
		}
		for name, x := range measured {
			if want, ok := row[name]; !ok || !(math.Abs(x-want) <= 1e-3*math.Abs(want)+1e-9) {
				t.Errorf("%s, case %d: ngspice now gives %s %g, golden is %g", c.Name, i+1, name, x, want)
			}
		}
	}
	if *Update {
		if err := c.write(filepath.Join(dir, "circuits", "golden", c.Name+".csv"), string(netlist)); err != nil {
			t.Fatal(err)
		}
	}
}

var measuredValue = regexp.MustCompile(`(?m)^(\w+)\s+=\s+(\S+)`)

func (c *Circuit) run(ctx context.Context, program, netlist string, row map[string]float64) (map[string]float64, error) {
	wanted := map[string]bool{}
	for _, m := range regexp.MustCompile(`(?m)^\.meas tran (\w+)`).FindAllStringSubmatch(netlist, -1) {
		wanted[m[1]] = true
	}
	for name, x := range row {
		if c.set(netlist, name) {
			netlist = regexp.MustCompile(`(?m)^(\.param.*\b`+regexp.QuoteMeta(name)+`=)\S+`).ReplaceAllString(netlist, "${1}"+strconv.FormatFloat(x, 'g', 9, 64))
		}
	}
	file, err := os.CreateTemp("", c.Name+"-*.cir")
	if err != nil {
		return nil, err
	}
	defer os.Remove(file.Name())
	if _, err := file.WriteString(netlist); err != nil {
		return nil, err
	}
	if err := file.Close(); err != nil {
		return nil, err
	}
	out, err := exec.CommandContext(ctx, program, "-b", file.Name()).Output()
	if err != nil {
		return nil, fmt.Errorf("ngspice on %s.cir: %w\n%s", c.Name, err, out)
	}
	measured := map[string]float64{}
	for _, m := range measuredValue.FindAllStringSubmatch(string(out), -1) {
		if wanted[m[1]] {
			if measured[m[1]], err = strconv.ParseFloat(m[2], 64); err != nil {
				return nil, fmt.Errorf("ngspice on %s.cir: %w", c.Name, err)
			}
		}
	}
	if len(measured) != len(wanted) {
		return nil, fmt.Errorf("ngspice on %s.cir measured %d of %d values:\n%s", c.Name, len(measured), len(wanted), out)
	}
	return measured, nil
}

func (c *Circuit) write(file, netlist string) error {
	var b strings.Builder
	fmt.Fprintf(&b, "# ngspice on %s.cir. The first columns are what the case sets, the rest what was measured. Invented numbers.\n", c.Name)
	header := slices.DeleteFunc(slices.Clone(c.order), func(name string) bool { return !c.set(netlist, name) })
	for _, m := range regexp.MustCompile(`(?m)^\.meas tran (\w+)`).FindAllStringSubmatch(netlist, -1) {
		header = append(header, m[1])
	}
	fmt.Fprintln(&b, strings.Join(header, ","))
	for _, row := range c.Cases {
		for i, name := range header {
			if i > 0 {
				b.WriteByte(',')
			}
			b.WriteString(strconv.FormatFloat(row[name], 'g', 7, 64))
		}
		b.WriteByte('\n')
	}
	return os.WriteFile(file, []byte(b.String()), 0o644)
}
