// Package checks holds the outside checks: one table per topic (a CSV file in this folder), each row a value that
// nobody here chose, with the published source beside it and how it was obtained.
//
// A room's checks_test.go says how the tool computes each row and calls [Run]:
//
//	go test ./... -run Checks -v
//
// prints topic, source, expected, got, difference and pass of every row. Status says how sure the expected value is:
//
//   - confirmed: the number or formula was seen in a stored copy of a secondary page or file;
//   - memory: from memory, not seen, and so never the only proof of anything;
//   - computed: arithmetic from a source of one of these two;
//   - common practice: a fact of the trade, no source.
//
// No standard's own text was seen. A row that the tool misses stays a failure until the tool is mended. Where a
// difference is understood and meant to stay, its column explained says why: the row is still printed and counted as
// a failure, and the test turns red once the explanation is no longer needed.
package checks

import (
	"embed"
	"encoding/csv"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"
	"text/tabwriter"
)

//go:embed *.csv
var tables embed.FS

// Check is a row of a table.
type Check struct {
	ID        string  // as in the source notes; unique over all topics
	Quantity  string  // what is checked, with its conditions
	Expected  float64 // in Unit
	Unit      string
	Tolerance float64 // above zero
	Kind      string  // "abs": in Unit; "rel": share of Expected
	Source    string  // publication and clause, or "no source"
	Status    string  // confirmed, memory, computed or common practice
	How       string  // how the expected value and its tolerance were obtained
	Explained string  // why the tool differs, where that is meant to stay; usually empty
}

var header = []string{"id", "quantity", "expected", "unit", "tolerance", "kind", "source", "status", "how", "explained"}

// Statuses are the values of the column status.
var Statuses = []string{"confirmed", "memory", "computed", "common practice"}

// Topics lists the topics in alphabetical order.
func Topics() []string {
	files, err := tables.ReadDir(".")
	if err != nil {
		panic("checks: " + err.Error())
	}
	var topics []string
	for _, f := range files {
		topics = append(topics, strings.TrimSuffix(f.Name(), ".csv"))
	}
	return topics
}

// Topic reads the table of a topic. The error names file and line.
func Topic(name string) ([]Check, error) {
	file := name + ".csv"
	text, err := tables.ReadFile(file)
	if err != nil {
		return nil, fmt.Errorf("no table for topic %q: there are %s", name, strings.Join(Topics(), ", "))
	}
	in := csv.NewReader(strings.NewReader(string(text)))
	in.FieldsPerRecord = len(header)
	rows, err := in.ReadAll()
	if err != nil {
		return nil, fmt.Errorf("%s: %w", file, err)
	}
	if len(rows) < 2 || !slices.Equal(rows[0], header) {
		return nil, fmt.Errorf("%s: needs the header %q and a row", file, strings.Join(header, ","))
	}
	var out []Check
	for i, r := range rows[1:] {
		c, err := row(r)
		if err != nil {
			return nil, fmt.Errorf("%s: row %d (%s): %w", file, i+1, r[0], err)
		}
		if slices.ContainsFunc(out, func(o Check) bool { return o.ID == c.ID }) {
			return nil, fmt.Errorf("%s: row %d: id %s comes twice", file, i+1, c.ID)
		}
		out = append(out, c)
	}
	return out, nil
}

func row(r []string) (Check, error) {
	c := Check{ID: r[0], Quantity: r[1], Unit: r[3], Kind: r[5], Source: r[6], Status: r[7], How: r[8], Explained: r[9]}
	var err error
	if c.Expected, err = strconv.ParseFloat(r[2], 64); err != nil {
		return c, fmt.Errorf("expected: %w", err)
	}
	if c.Tolerance, err = strconv.ParseFloat(r[4], 64); err != nil {
		return c, fmt.Errorf("tolerance: %w", err)
	}
	switch {
	case !(c.Tolerance > 0):
		return c, fmt.Errorf("the tolerance must be above zero")
	case c.Kind != "abs" && c.Kind != "rel":
		return c, fmt.Errorf("kind must be abs or rel")
	case c.Kind == "rel" && c.Expected == 0:
		return c, fmt.Errorf("a share of zero is no tolerance")
	case !slices.Contains(Statuses, c.Status):
		return c, fmt.Errorf("status must be one of %s", strings.Join(Statuses, ", "))
	case c.ID == "" || c.Quantity == "" || c.Source == "" || c.How == "":
		return c, fmt.Errorf("id, quantity, source and how must be given")
	case c.Status == "common practice" && !strings.Contains(c.Source, "no source"):
		return c, fmt.Errorf("a fact of the trade must say \"no source\"")
	}
	return c, nil
}

// Passes reports whether got is within the row's tolerance.
func (c Check) Passes(got float64) bool {
	allowed := c.Tolerance
	if c.Kind == "rel" {
		allowed *= math.Abs(c.Expected)
	}
	return math.Abs(got-c.Expected) <= allowed // false for NaN
}

// difference is got less expected in the row's kind, as text beside the tolerance.
func (c Check) difference(got float64) (difference, tolerance string) {
	if c.Kind == "rel" {
		return fmt.Sprintf("%+.3g %%", 100*(got-c.Expected)/math.Abs(c.Expected)), fmt.Sprintf("%.3g %%", 100*c.Tolerance)
	}
	return fmt.Sprintf("%+.3g", got-c.Expected), fmt.Sprintf("%.3g", c.Tolerance)
}

// Run computes each row of a topic and logs the table. It fails on a row outside its tolerance, on a row without a
// function, on a function without a row, and on an explanation that is no longer needed. compute maps the row's id to
// the tool's own value, in the row's unit.
func Run(t *testing.T, topic string, compute map[string]func() float64) {
	t.Helper()
	rows, err := Topic(topic)
	if err != nil {
		t.Fatal(err)
	}
	var text strings.Builder
	table := tabwriter.NewWriter(&text, 0, 0, 2, ' ', 0)
	fmt.Fprintf(table, "\ntopic\tid\texpected\tgot\tunit\tdifference\tallowed\tpass\tquantity\tsource\n")
	var bad, notes []string
	failed := 0
	known := map[string]bool{}
	for _, c := range rows {
		known[c.ID] = true
		f, ok := compute[c.ID]
		if !ok {
			bad = append(bad, fmt.Sprintf("%s %s: no function computes it", topic, c.ID))
			continue
		}
		got := f()
		difference, tolerance := c.difference(got)
		pass := "yes"
		if !c.Passes(got) {
			failed++
			pass = "NO"
			note := fmt.Sprintf("%s %s: %s: got %.6g %s, expected %.6g (%s; %s): difference %s, allowed %s",
				topic, c.ID, c.Quantity, got, c.Unit, c.Expected, c.Source, c.Status, difference, tolerance)
			if c.Explained == "" {
				bad = append(bad, note)
			} else {
				notes = append(notes, note+"; explained: "+c.Explained)
			}
		} else if c.Explained != "" {
			bad = append(bad, fmt.Sprintf("%s %s passes now: take its explanation out of the table", topic, c.ID))
		}
		fmt.Fprintf(table, "%s\t%s\t%.6g\t%.6g\t%s\t%s\t%s\t%s\t%s\t%s; %s\n",
			topic, c.ID, c.Expected, got, c.Unit, difference, tolerance, pass, c.Quantity, c.Source, c.Status)
	}
	for id := range compute {
		if !known[id] {
			bad = append(bad, fmt.Sprintf("%s: function %q has no row in %s.csv", topic, id, topic))
		}
	}
	_ = table.Flush()
	fmt.Fprintf(&text, "%s: %d rows, %d pass, %d fail", topic, len(rows), len(rows)-failed, failed)
	for _, n := range notes {
		fmt.Fprintf(&text, "\n  fails: %s", n)
	}
	t.Log(text.String())
	slices.Sort(bad)
	for _, b := range bad {
		t.Error(b)
	}
}
