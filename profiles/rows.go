package profiles

import (
	"errors"
	"fmt"
	"regexp"
	"strconv"
	"strings"

	"github.com/pelletier/go-toml/v2"
	"github.com/pelletier/go-toml/v2/unstable"
)

// Row is one setting as Diff and History see it.
type Row struct {
	Key  string // "limits.motor_current"
	Text string // the value as it is to be shown: "220 A"
	// Number tells that Value holds the value, in Unit, for the change to be computed. Values of a key are
	// compared as numbers only where their units are the same.
	Number bool
	Value  float64
	Unit   string
}

// maxKeyParts is far more than a settings file has tables in tables.
const maxKeyParts = 16

var numberWithUnit = regexp.MustCompile(`^([+-]?[0-9][0-9_]*(?:\.[0-9]+)?(?:[eE][+-]?[0-9]+)?)[ \x{a0}]*(|%|°.*|1/.*|\pL.*)$`)

// PlainRows reads any TOML text into rows in the order of the file, without knowing its keys. A number
// with a unit, "220 A", is a text in the file and a number in its row.
func PlainRows(settings []byte) ([]Row, error) {
	if len(settings) > maxBoatBytes {
		return nil, fmt.Errorf("the text is longer than %d bytes", maxBoatBytes)
	}
	var rows []Row
	var table []string
	arrays := map[string]int{}
	var p unstable.Parser
	p.Reset(settings)
	for p.NextExpression() {
		node := p.Expression()
		key, err := keyParts(node)
		if err != nil {
			return nil, err
		}
		switch node.Kind {
		case unstable.Table:
			table = key
		case unstable.ArrayTable:
			name := strings.Join(key, ".")
			arrays[name]++
			table = append(key[:len(key)-1:len(key)-1], fmt.Sprintf("%s[%d]", key[len(key)-1], arrays[name]))
		case unstable.KeyValue:
			text, err := valueText(node.Value(), 0)
			if err != nil {
				return nil, err
			}
			rows = append(rows, newRow(strings.Join(append(table[:len(table):len(table)], key...), "."), text))
		}
	}
	if err := p.Error(); err != nil {
		return nil, errors.New(Printable(err.Error()))
	}
	// The parser alone lets doubled keys and tables pass.
	var whole map[string]any
	if err := toml.Unmarshal(settings, &whole); err != nil {
		var at *toml.DecodeError
		if errors.As(err, &at) {
			line, column := at.Position()
			return nil, fmt.Errorf("line %d, column %d: %s", line, column, Printable(err.Error()))
		}
		return nil, errors.New(Printable(err.Error()))
	}
	return rows, nil
}

func newRow(key, text string) Row {
	row := Row{Key: Printable(key), Text: Printable(text)}
	value, _ := cutTolerance(text)
	if m := numberWithUnit.FindStringSubmatch(strings.TrimSpace(value)); m != nil {
		value, err := strconv.ParseFloat(strings.ReplaceAll(m[1], "_", ""), 64)
		row.Number, row.Value, row.Unit = err == nil, value, Printable(m[2])
	}
	return row
}

// cutTolerance parts "14 mΩ ± 10 %" into value and tolerance.
func cutTolerance(text string) (value, tolerance string) {
	text = strings.ReplaceAll(text, "+/-", "±")
	value, tolerance, _ = strings.Cut(text, "±")
	return value, tolerance
}

func keyParts(node *unstable.Node) ([]string, error) {
	var parts []string
	for it := node.Key(); it.Next(); {
		parts = append(parts, string(it.Node().Data))
		if len(parts) > maxKeyParts {
			return nil, fmt.Errorf("a key has more than %d parts", maxKeyParts)
		}
	}
	return parts, nil
}

// valueText writes a value in one line.
func valueText(node *unstable.Node, depth int) (string, error) {
	if depth > maxKeyParts {
		return "", fmt.Errorf("a value is nested deeper than %d", maxKeyParts)
	}
	var items []string
	switch node.Kind {
	case unstable.Array:
		for it := node.Children(); it.Next(); {
			text, err := valueText(it.Node(), depth+1)
			if err != nil {
				return "", err
			}
			items = append(items, text)
		}
		return "[" + strings.Join(items, ", ") + "]", nil
	case unstable.InlineTable:
		for it := node.Children(); it.Next(); {
			key, err := keyParts(it.Node())
			if err != nil {
				return "", err
			}
			text, err := valueText(it.Node().Value(), depth+1)
			if err != nil {
				return "", err
			}
			items = append(items, strings.Join(key, ".")+" = "+text)
		}
		return "{" + strings.Join(items, ", ") + "}", nil
	}
	return string(node.Data), nil
}
