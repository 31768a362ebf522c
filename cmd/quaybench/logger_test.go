//go:build unix

package main

import (
	"context"
	"fmt"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

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

// lugs is a data logger on a pseudo-terminal of its own, clamped around petrel's motor cable: 50 lines a second.
func lugs(t *testing.T, p *pontoon) (on string, unplug func()) {
	t.Helper()
	near, far, err := port.Pseudo()
	require.NoError(t, err)
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan bool)
	go func() {
		defer close(ended)
		for ctx.Err() == nil {
			text := fmt.Sprintf("%.0f;%.0f", 10*p.Reading(link.MotorCurrent), 251.0)
			sum := byte(0)
			for i := range len(text) {
				sum ^= text[i]
			}
			_ = near.Write(ctx, []byte(fmt.Sprintf("%s*%02X\r\n", text, sum)))
			_ = port.WallClock{}.Sleep(ctx, 20*time.Millisecond)
		}
	}()
	unplug = func() {
		stop()
		<-ended
		_ = near.Close()
	}
	t.Cleanup(unplug)
	return far + "@1000000", unplug
}

// hand moves the lever as a person does, from when it is told until it is told again.
func hand(d *desk, p *pontoon, share float64, from, to string) {
	d.t.Helper()
	d.await(from)
	ctx, stop := context.WithCancel(context.Background())
	done := make(chan bool)
	go func() {
		defer close(done)
		for ctx.Err() == nil {
			p.Controller.Throttle(share)
			_ = port.WallClock{}.Sleep(ctx, 50*time.Millisecond)
		}
		p.Controller.Throttle(0)
	}()
	d.await(to)
	stop()
	<-done
}

// TestStepWithLogger: a logger measures beside the controller, or alone where a person moves the lever.
func TestStepWithLogger(t *testing.T) {
	if !inRealTime(t) {
		return
	}
	home, p := t.TempDir(), moor(t)
	lines, unplug := lugs(t, p)
	script, columns := fileOf(t, "hop.toml", hop), fileOf(t, "logger.toml", loggerColumns)

	both := filepath.Join(home, "both.csv")
	d := sit(t, home, "step", "petrel", "--script", script, "--on", p.port, "--lines", lines, "--columns", columns, "--record", both)
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

	alone := filepath.Join(home, "alone.csv")
	d = sit(t, home, "step", "petrel", "--script", script, "--prompted", "--lines", lines, "--columns", columns, "--record", alone)
	d.await("type ready ")
	d.line("ready")
	hand(d, p, 0.5, "NOW: lever to 50 % ahead", "NOW: lever to neutral")
	assert.Contains(t, d.ended(0), ">> The programme has ended. Lever to neutral.")
	r = readRecord(t, alone)
	_, ok := r.Trace("winding")
	assert.True(t, ok)
	_, ok = r.Trace("fuse")
	assert.False(t, ok, "nobody measured the battery current")

	d = sit(t, home, "step", "petrel", "--script", fileOf(t, "long.toml", long), "--prompted", "--lines", lines, "--columns", columns)
	d.await("type ready ")
	d.line("ready")
	d.await("in 0.5 s: ")
	unplug()
	assert.Regexp(t, `>> STOP, lever to neutral now! (instrument: |the newest telemetry is )`, d.ended(1))
}
