package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"quaybench/bench/link"
	"quaybench/bench/quantity"
)

// panelMeters are the meters that a panel may have.
var panelMeters = func() (list []link.Channel) {
	for _, k := range link.Kinds() {
		if k.Panel {
			list = append(list, link.Channel{Name: k.Name, Unit: k.Unit})
		}
	}
	return list
}()

// panel asks a person what the panel meters show. It is a measure.Person.
type panel struct {
	keys *keyboard
	show func(text string) // in its place among what else a running test shows; nil: no test runs
}

// print shows a text.
func (p *panel) print(text string) {
	if p.show != nil {
		p.show(text)
		return
	}
	fmt.Fprint(p.keys.sys.Out, text)
}

// meters asks the person which meters there are.
func (p *panel) meters(ctx context.Context) ([]link.Channel, error) {
	p.print(wrapped(fmt.Sprintf("Which meters are there? Of %s: their names in one line, in the order you read them, or all.", strings.Join(names(panelMeters), ", ")), p.keys.sys.width()) + "\n")
	for {
		p.keys.empty()
		p.print("> ")
		text, err := p.answer(ctx)
		switch {
		case stopped(err):
			return nil, stopError{err}
		case errors.Is(err, errEnded):
			return nil, input(errors.New("nobody says which meters there are"))
		case err != nil:
			return nil, err
		}
		list, err := chosen(text)
		if err == nil {
			return list, nil
		}
		p.print(wrapped(err.Error(), p.keys.sys.width()) + "\n")
	}
}

var errEnded = errors.New("the input has ended")

// answer returns the line after a prompt. What comes through a pipe is shown, as a terminal shows what is typed.
func (p *panel) answer(ctx context.Context) (string, error) {
	text, err := p.keys.line(ctx)
	if !p.keys.person() || err != nil {
		p.print(text + "\n")
	}
	if errors.Is(err, io.EOF) {
		err = errEnded
	}
	return text, err
}

func names(channels []link.Channel) (list []string) {
	for _, c := range channels {
		list = append(list, c.Name)
	}
	return list
}

// chosen reads the names of meters.
func chosen(text string) (list []link.Channel, err error) {
	words := strings.FieldsFunc(text, func(r rune) bool { return r == ' ' || r == ',' || r == '\t' })
	if slices.Equal(words, []string{"all"}) {
		return panelMeters, nil
	}
	current := false
	for _, w := range words {
		i := slices.Index(names(panelMeters), w)
		if i < 0 {
			return nil, fmt.Errorf("no meter is called %q", w)
		}
		if slices.Contains(list, panelMeters[i]) {
			return nil, fmt.Errorf("%s is named twice", w)
		}
		list = append(list, panelMeters[i])
		k, _ := link.KindOf(w)
		current = current || k.Current != ""
	}
	if !current {
		return nil, errors.New(link.CurrentNames() + " is needed: nothing can be inferred without either")
	}
	return list, nil
}

// Readings implements measure.Person.
func (p *panel) Readings(ctx context.Context, channels []link.Channel) ([]float64, bool, error) {
	var wanted []string
	for _, c := range channels {
		wanted = append(wanted, fmt.Sprintf("%s [%s]", c.Name, c.Unit))
	}
	for {
		p.keys.empty()
		p.print(wrapped("read "+strings.Join(wanted, ", ")+"; stop ends the test", p.keys.sys.width()) + "\n> ")
		text, err := p.answer(ctx)
		if err != nil {
			return nil, false, err
		}
		if strings.TrimSpace(text) == "stop" {
			return nil, false, nil
		}
		values, err := parseReadings(text, channels)
		if err == nil {
			return values, true, nil
		}
		p.print(wrapped(err.Error(), p.keys.sys.width()) + "\n")
	}
}

// parseReadings reads one number per channel, in the channel's unit.
func parseReadings(text string, channels []link.Channel) (values []float64, err error) {
	fields := strings.Fields(text)
	if len(fields) != len(channels) {
		return nil, fmt.Errorf("%d readings are wanted, got %d", len(channels), len(fields))
	}
	for i, c := range channels {
		v, err := quantity.Parse(fields[i]+" "+c.Unit, quantity.MustUnit(c.Unit))
		if err != nil {
			return nil, fmt.Errorf("%s: %w", c.Name, err)
		}
		values = append(values, v.SI)
	}
	return values, nil
}
