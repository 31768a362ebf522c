package main

import (
	"errors"
	"fmt"

	"quaybench/bench/link/lines"
	"quaybench/bench/link/port"
)

// logger is an open data logger.
type logger struct {
	*lines.Logger
	port port.Port
}

// shut closes it and its port.
func (l *logger) shut() error { return errors.Join(l.Close(), l.port.Close()) }

// openLogger opens a data logger whose columns a file describes.
func openLogger(sys *system, on, columns string) (*logger, *lines.Format, error) {
	text, err := readFile(columns, largestText)
	if err != nil {
		return nil, nil, input(fmt.Errorf("the column list cannot be read: %w", err))
	}
	format, err := lines.Load(columns, text)
	if err != nil {
		return nil, nil, input(err)
	}
	address, err := port.ParseAddress(on)
	if err != nil {
		return nil, nil, input(err)
	}
	p, err := sys.Open(address)
	if err != nil {
		return nil, nil, err
	}
	return &logger{lines.NewLogger(format, p, sys.Clock), p}, format, nil
}
