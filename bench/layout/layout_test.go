package layout_test

import (
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"

	"quaybench/bench/layout"
)

func ExampleHang() {
	fmt.Println(layout.Hang("how sure: ", "certain to 0.5 % of the value, by the boat file at its face value", 40))
	// Output:
	// how sure: certain to 0.5 % of the value,
	//           by the boat file at its face
	//           value
}

func ExampleTable() {
	t := &layout.Table{Right: map[int]bool{1: true}}
	t.Add("part", "peak")
	t.Add("winding", "119 °C")
	t.Add("heat sink", "60 °C")
	for _, line := range t.Lines() {
		fmt.Println(line)
	}
	// Output:
	// part         peak
	// winding    119 °C
	// heat sink   60 °C
}

// A table is folded into the width of any screen, its words whole and colours not counted.
func TestFittedKeepsTheWidth(t *testing.T) {
	tab := &layout.Table{}
	tab.Add("part", "what ends it")
	tab.Add("\x1b[32mwinding\x1b[0m", "management opens after 12 s while the current falls to 385 A under way")
	for width := 30; width < 90; width++ {
		lines := tab.Fitted(width)
		assert.LessOrEqual(t, layout.Widest(lines), width)
		assert.NotEmpty(t, lines)
	}
}

// A command that is too wide is broken so that a shell takes it as it was.
// A label longer than its column is broken rather than the width, and nothing else is.
func TestFittedBreaksALongWord(t *testing.T) {
	const label = "a-very-long-label-of-the-summer-season-with-everything-in-it"
	tab := &layout.Table{Right: map[int]bool{2: true}}
	tab.Add("version", "label", "current", "why")
	tab.Add("42bec1bd", label+", head", "1234567.5 A", "a little more for the summer's tows")
	for width := 62; width < 130; width++ {
		lines := tab.Fitted(width)
		assert.LessOrEqual(t, layout.Widest(lines), width)
		text := strings.Join(lines, "\n")
		for _, whole := range []string{"42bec1bd", "1234567.5", "version", "summer's"} {
			assert.Contains(t, text, whole, "at %d:\n%s", width, text)
		}
		if width >= 8+2+61+2+11+2+8 {
			assert.Contains(t, text, label, "it has room")
		}
	}
}

func TestCommandIsBrokenAsAShellTakesIt(t *testing.T) {
	for _, c := range []struct{ command, want string }{
		{"go home", "  go home"},
		{`quay step petrel --set limits.motor_current="148 A"`, "  quay step petrel \\\n      --set \\\n      limits.motor_current=\"148 A\""},
		{`say 'a "long way" home' 'and back'`, "  say \\\n      'a \"long way\" home' \\\n      'and back'"},
		{`say a-word-that-is-much-too-long-for-it now`, "  say \\\n      a-word-that-is-much-too-long-for-it \\\n      now"},
	} {
		assert.Equal(t, c.want, layout.Command(c.command, 22))
	}
}
