package main

import (
	"context"
	"fmt"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"quaybench/bench/link"
	"quaybench/bench/link/port"
	"quaybench/bench/record"
)

// loggerColumns is a home-built logger's column list: one reading that the controller has too, and one that it has not.
const loggerColumns = `
title = "bench logger (invented)"
delimiter = ";"
checksum = "xor"
stale_after = "1 s"
[[column]]
name = "motor_current"
unit = "A"
scale = "0.1 A"
min = "-500 A"
max = "500 A"
[[column]]
name = "lug_temperature"
unit = "°C"
scale = "0.1 K"
offset = "0 °C"
min = "-40 °C"
max = "250 °C"
`

// lugs returns a data logger on a line of its own, clamped around petrel's motor cable: 50 lines a second.
func lugs(y *yard, p *pontoon) (on string, unplug func()) {
	name, unplug := y.plug(func(ctx context.Context, far port.Port) {
		again := time.NewTicker(20 * time.Millisecond)
		defer again.Stop()
		for {
			text := fmt.Sprintf("%.0f;%.0f", 10*p.Reading(link.MotorCurrent), 251.0)
			sum := byte(0)
			for i := range len(text) {
				sum ^= text[i]
			}
			if err := far.Write(ctx, []byte(fmt.Sprintf("%s*%02X\r\n", text, sum))); err != nil {
				return
			}
			select {
			case <-ctx.Done():
				return
			case <-again.C:
			}
		}
	})
	return name + "@1000000", unplug
}

// logged is a test with a logger.
type logged struct {
	name string
	test func(y *yard, p *pontoon, lines, columns string, unplug func())
}

var loggerTests = []logged{
	{"beside the controller", func(y *yard, p *pontoon, lines, columns string, _ func()) {
		t, both := y.t, filepath.Join(y.home, "both.csv")
		d := y.sit("step", "petrel", "--trial", fileOf(t, "hop.toml", hop), "--on", p.port, "--logger", lines, "--columns", columns, "--record", both)
		d.await("type release ")
		d.line("release")
		assert.Contains(t, d.ended(0), "the test ran to its end")
		zeroLast(t, p)
		r := readRecord(t, both)
		assert.Equal(t, "petrel's controller (invented) on "+p.port+", bench logger (invented) on "+lines, r.Provenance.Source)
		for _, name := range []string{record.Voltage, record.BatteryCurrent, record.MotorSpeed, record.MotorCurrent, "lug_temperature", "winding", "fuse"} {
			_, ok := r.Trace(name)
			assert.True(t, ok, name)
		}
		lug, _ := r.Trace("lug_temperature")
		assert.InDelta(t, 298.25, lug.Values[0], 1e-9)
	}},
	{"alone", func(y *yard, p *pontoon, lines, columns string, _ func()) {
		t, alone := y.t, filepath.Join(y.home, "alone.csv")
		d := y.sit("step", "petrel", "--trial", fileOf(t, "hop.toml", hop), "--prompted", "--logger", lines, "--columns", columns, "--record", alone)
		d.await("type ready ")
		d.line("ready")
		hand(d, p, 0.5, "NOW: lever to 50 % ahead", "NOW: lever to neutral")
		screen := d.ended(exitNotJudged)
		assert.Contains(t, screen, ">> The programme has ended. Lever to neutral.")
		assert.Contains(t, unwrapped(screen), "not judged: what was measured does not show winding, ")
		r := readRecord(t, alone)
		_, ok := r.Trace("power stage")
		assert.True(t, ok)
		for _, name := range []string{"winding", "fuse"} {
			_, ok = r.Trace(name)
			assert.False(t, ok, "a motor current alone does not show the %s", name)
			assert.Contains(t, r.LeftOut, name)
		}
	}},
	{"unplugged", func(y *yard, _ *pontoon, lines, columns string, unplug func()) {
		d := y.sit("step", "petrel", "--trial", fileOf(y.t, "long.toml", long), "--prompted", "--logger", lines, "--columns", columns)
		d.await("type ready ")
		d.line("ready")
		d.await("in 0.5 s: ")
		unplug()
		assert.Regexp(y.t, `>> STOP, lever to neutral now! bench logger \(invented\) on \S+: (lost|no new readings)`, d.ended(exitNotJudged))
	}},
}

// A frozen logger is not believed for as long as its column list would have it.
func TestFrozenLoggerStopsTheTest(t *testing.T) { inBubble(t, frozenLogger) }

func frozenLogger(y *yard) {
	name, _ := y.plug(func(ctx context.Context, far port.Port) {
		for range 15 { // 0.3 s, then nothing more
			if far.Write(ctx, []byte("0;251*3D\r\n")) != nil {
				return
			}
			time.Sleep(20 * time.Millisecond)
		}
		<-ctx.Done()
	})
	columns := strings.Replace(loggerColumns, `stale_after = "1 s"`, `stale_after = "1 min"`, 1)
	d := y.sit("step", "petrel", "--trial", fileOf(y.t, "long.toml", long), "--prompted", "--logger", name+"@1000000", "--columns", fileOf(y.t, "logger.toml", columns))
	d.await("type ready ")
	d.line("ready")
	assert.Contains(y.t, unwrapped(d.ended(exitNotJudged)), "no new readings: none of motor_current for 2")
}

// TestStepWithLogger: a logger measures beside the controller, or alone where a person moves the lever.
func TestStepWithLogger(t *testing.T) {
	eachInBubble(t, loggerTests, func(l logged) string { return l.name }, stepWithLogger)
}

func stepWithLogger(y *yard, l logged) {
	p := y.petrel()
	lines, unplug := lugs(y, p)
	l.test(y, p, lines, fileOf(y.t, "logger.toml", loggerColumns), unplug)
}
