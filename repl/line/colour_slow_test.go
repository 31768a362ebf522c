//go:build slow

package line_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"

	"quaybench/repl/line/linetest"
)

func TestNoColour(t *testing.T) {
	for _, c := range []struct {
		env    string
		colour bool
	}{{"NO_COLOR=1", false}, {"NO_COLOR=", true}, {"TERM=dumb", false}} {
		p := sit(t, "", 80, c.env)
		p.Sees("> ")
		p.Types("1" + linetest.Enter)
		p.Sees("got")
		p.Types(linetest.CtrlD)
		p.Sees("end: EOF")
		assert.Equal(t, c.colour, strings.Contains(p.Screen(), "\x1b[36m"), c.env)
	}
}
