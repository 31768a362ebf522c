package main

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"quaybench/bench/link"
	"quaybench/bench/link/canopen"
	"quaybench/bench/link/modbus"
	"quaybench/bench/link/port"
)

// openedPorts are the ports that a command opened or tried to.
type openedPorts struct {
	sys     *system
	names   []string
	refused bool // one could not be opened
}

// watchPorts records from now on which ports are opened.
func watchPorts(sys *system) *openedPorts {
	o := &openedPorts{sys: sys}
	open := sys.Open
	sys.Open = func(a port.Address) (port.Port, error) {
		if !slices.Contains(o.names, a.Name) {
			o.names = append(o.names, a.Name)
		}
		p, err := open(a)
		o.refused = o.refused || err != nil
		return p, err
	}
	return o
}

// withUsers adds to the error of a port that cannot be opened, or of a line on which nothing or nonsense comes, which other programs hold
// the ports of this command: each takes bytes that the others wait for.
func (o *openedPorts) withUsers(err error) error {
	silent := o.refused || errors.Is(err, modbus.ErrNoReply) || errors.Is(err, canopen.ErrNoReply) || errors.Is(err, link.ErrStale) || errors.Is(err, errHeardNothing)
	if err == nil || !silent || o.sys.Users == nil {
		return err
	}
	for _, name := range o.names {
		if others := o.sys.Users(name); len(others) > 0 {
			err = fmt.Errorf("%w\n%s is also open in %s, which takes bytes that quaybench waits for: end that first", err, name, strings.Join(others, ", "))
		}
	}
	return err
}

// errHeardNothing lies behind the error of a port on which no line that makes sense was heard.
var errHeardNothing = errors.New("nothing that makes sense was heard")

// unheard is an error of such a port, in its own words.
type unheard struct{ error }

func (e unheard) Unwrap() []error { return []error{e.error, errHeardNothing} }
