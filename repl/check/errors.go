package check

import (
	"go/token"
	"strings"
)

// An Error says what is wrong with a source, and where.
type Error struct {
	Pos token.Position
	Msg string
	// Instead says how to write it, for what Go knows and scripts can't do.
	Instead string
}

func (e *Error) Error() string {
	s := e.Msg
	if e.Pos.IsValid() {
		s = e.Pos.String() + ": " + s
	}
	if e.Instead != "" {
		s += "; instead: " + e.Instead
	}
	return s
}

// Errors are all that was found, in the order of the source.
type Errors []*Error

func (es Errors) Error() string {
	var lines []string
	for _, e := range es {
		lines = append(lines, e.Error())
	}
	return strings.Join(lines, "\n")
}

// Unwrap lets errors.As find the single errors.
func (es Errors) Unwrap() []error {
	var list []error
	for _, e := range es {
		list = append(list, e)
	}
	return list
}
