package main

import (
	"bufio"
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"regexp"
	"slices"
	"strings"
	"time"

	"quaybench/bench"
	"quaybench/bench/datafile"
	"quaybench/bench/link"
	"quaybench/bench/quantity"
)

// scaleConfirmed is the journal's line that somebody has compared a value of a register map with the controller's own
// display. It is about no setting, so that what reads settings passes it over.
type scaleConfirmed struct {
	At        time.Time `json:"at"`
	On        string    `json:"on"`
	Confirmed string    `json:"confirmed_scale"`
	Map       string    `json:"map"` // hash of the register map
	By        string    `json:"by"`  // key whose value was compared
	Shown     string    `json:"shown"`
}

// scaleOf returns the name of a setting's scale; "" for a choice, which has none.
func scaleOf(s link.Setting) string {
	if len(s.Words) > 0 {
		return ""
	}
	return fmt.Sprintf("%s in steps of %g", cmp.Or(s.Unit, "1"), s.Step)
}

// zero is a shown value that proves nothing; an older quaybench took it.
var zero = regexp.MustCompile(`^[-+]?0*[.,]?0*([^0-9.,]|$)`)

// confirmedScales reads which scales of a register map were compared before.
func confirmedScales(journal, hash string) (map[string]bool, error) {
	done := map[string]bool{}
	text, err := datafile.ReadFile(journal, largestJournal)
	if errors.Is(err, os.ErrNotExist) {
		return done, nil
	}
	if err != nil {
		return nil, fmt.Errorf("the journal cannot be read: %w", err)
	}
	lines := bufio.NewScanner(bytes.NewReader(text))
	lines.Buffer(nil, 1<<20)
	for lines.Scan() {
		var line scaleConfirmed
		if json.Unmarshal(lines.Bytes(), &line) == nil && line.Map == hash && line.Confirmed != "" && !zero.MatchString(line.Shown) {
			done[line.Confirmed] = true
		}
	}
	return done, lines.Err()
}

// confirmScales compares, before the first write with a register map, one value of each scale with what the controller's own
// display shows: a wrong scale reads back as right what it wrote wrong.
func (c *conversation) confirmScales(ctx context.Context, order []link.Change) error {
	if c.sim() {
		return nil
	}
	done, err := confirmedScales(c.journ, c.hash)
	if err != nil {
		return err
	}
	keys := newKeyboard(c.sys)
	for _, ch := range order {
		i := slices.IndexFunc(c.held, func(h bench.ComparedSetting) bool { return h.Key == ch.Key })
		if i < 0 {
			continue
		}
		scale := scaleOf(c.held[i].Setting)
		if scale == "" || done[scale] {
			continue
		}
		h, steps := proofOf(c.held, scale)
		if steps < fewestSteps {
			return input(fmt.Errorf("nothing was written: this is the first write with this map, and of all settings in its scale the controller holds at most %s (%s), too little to tell a right scale from a wrong one: set one of them to more with its maker's program, or take the map as it is with --unconfirmed", heldText(h.Setting, h.Controller), h.Key))
		}
		if !keys.person() {
			return input(fmt.Errorf("nothing was written: this is the first write with this map, so a person compares one value of each scale with the controller's own display: run it in a terminal, or take the map as it is with --unconfirmed"))
		}
		fmt.Fprintln(c.sys.Out, wrapped(fmt.Sprintf("First write with this map. Look at the controller's own display, or its maker's program: what is %s there? With its unit:", h.Key), c.sys.width()))
		shown, text, err := askShown(ctx, keys, h.Setting)
		if err != nil {
			return err
		}
		if err := sameAsShown(h.Setting, h.Controller, shown); err != nil {
			return input(fmt.Errorf("nothing was written: %w", err))
		}
		done[scale] = true
		if err := c.noteConfirmed(scale, h.Key, text); err != nil {
			return err
		}
	}
	return nil
}

// fewestSteps is how many steps of a scale a value has to have to prove it: zero is zero at any scale.
const fewestSteps = 5

// proofOf returns the setting of a scale of which the controller holds most, whether it is to be changed or not, and how many steps
// that is.
func proofOf(held []bench.ComparedSetting, scale string) (best bench.ComparedSetting, steps float64) {
	steps = -1
	for _, h := range held {
		if scaleOf(h.Setting) != scale {
			continue
		}
		n := size(h.Setting, h.Controller)
		switch {
		case h.Step > 0:
			n /= h.Step
		case n > 0: // a floating-point number shows any scale
			n = math.Inf(1)
		}
		if n > steps {
			best, steps = h, n
		}
	}
	return best, steps
}

// size returns how large a value is on its scale, SI; of a temperature, from 0 °C.
func size(s link.Setting, value float64) float64 {
	return math.Abs(value - zeroOf(s.Unit))
}

// askShown asks what a display shows until the answer is a value with its unit.
func askShown(ctx context.Context, keys *keyboard, s link.Setting) (shown float64, text string, err error) {
	unit := quantity.MustUnit(cmp.Or(s.Unit, "1"))
	for {
		keys.empty()
		fmt.Fprint(keys.sys.Out, "> ")
		text, err := keys.line(ctx)
		text = strings.TrimSpace(text)
		switch {
		case stopped(err):
			return 0, "", stopError{err}
		case err != nil && !errors.Is(err, io.EOF):
			return 0, "", err
		case err != nil && text == "":
			return 0, "", input(errors.New("nothing was written: the input ended before the value was given"))
		}
		v, err := quantity.Parse(text, unit)
		if err == nil {
			return v.SI, text, nil
		}
		fmt.Fprintln(keys.sys.Out, wrapped(err.Error()+"; once more (Ctrl-C ends it, and nothing is written):", keys.sys.width()))
	}
}

// sameAsShown compares a value as the register map has it with what the display shows, to 1 % or a step, of few steps half a one: displays round.
func sameAsShown(s link.Setting, read, shown float64) error {
	if value := size(s, read); math.Abs(read-shown) <= max(min(s.Step, value/10), 0.01*value) {
		return nil
	}
	show := func(v float64) string { return quantity.FormatStated(v, s.Unit) }
	text := fmt.Sprintf("by the map %s is %s, and the controller's own display shows %s", s.Key, show(read), show(shown))
	if ratio := read / shown; shown != 0 && ratio > 0 && s.Unit != "°C" {
		text += fmt.Sprintf(": the map's scale is %.3g times what it should be, its register another's, or its word order wrong", ratio)
	} else {
		text += ": the map's scale, offset, type or register is wrong"
	}
	return errors.New(text)
}

// noteConfirmed writes a comparison into the journal.
func (c *conversation) noteConfirmed(scale, key, shown string) error {
	j, err := openJournal(c.journ, c.on, c.sys.Clock.Now, c.show)
	if err != nil {
		return err
	}
	line, err := json.Marshal(scaleConfirmed{At: j.now().UTC(), On: c.on, Confirmed: scale, Map: c.hash, By: key, Shown: shown})
	if err == nil {
		_, err = j.file.Write(append(line, '\n'))
	}
	if err == nil {
		err = j.file.Sync()
	}
	return errors.Join(err, j.Close())
}
