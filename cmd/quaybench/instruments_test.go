package main

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/link"
	"quaybench/bench/link/linksim"
	"quaybench/bench/link/nmea"
	"quaybench/bench/link/port"
	"quaybench/bench/record"
)

const meterFile = `
title = "shunt meter (invented)"
speaks = "SCPI"
identity = "simulated meter"
[[query]]
ask = "MEAS:VOLT?"
name = "voltage"
unit = "V"
scale = "1 V"
error = "± 0.5 % ± 0.1 V"
[[query]]
ask = "MEAS:CURR?"
name = "battery_current"
unit = "A"
scale = "1 A"
`

// plugBeside plugs in a simulated instrument on petrel.
func plugBeside(y *yard, p *pontoon, name string) (on string, unplug func()) {
	for _, b := range linksim.Instruments() {
		if b.Name == name {
			on, unplug = y.plug(func(ctx context.Context, far port.Port) { _ = b.Serve(ctx, p.Controller, far) })
			return fmt.Sprintf("%s@%d", on, b.Baud), unplug
		}
	}
	y.t.Fatalf("no instrument %s", name)
	return "", nil
}

// say plugs in something that says a text again and again.
func say(y *yard, every time.Duration, text func(n int) string) (on string, unplug func()) {
	on, unplug = y.plug(func(ctx context.Context, far port.Port) {
		for n := 0; ; n++ {
			if far.Write(ctx, []byte(text(n))) != nil || (port.WallClock{}).Sleep(ctx, every) != nil {
				return
			}
		}
	})
	return on + "@9600", unplug
}

func sealedSentence(body string) string {
	return fmt.Sprintf("$%s*%02X\r\n", body, nmea.CheckSum([]byte(body)))
}

// instrumentTests are step tests with instruments beside petrel's controller.
var instrumentTests = []struct {
	name string
	test func(y *yard, p *pontoon)
}{
	{"a GPS, a meter and a logger at once", func(y *yard, p *pontoon) {
		t, file := y.t, filepath.Join(y.home, "all.csv")
		gps, _ := plugBeside(y, p, "gps")
		meter, _ := plugBeside(y, p, "meter")
		lines, _ := plugBeside(y, p, "logger")
		d := y.sit("step", "petrel", "--trial", fileOf(t, "hop.toml", hop), "--on", p.port, "--logger", gps, "--logger", meter+"="+fileOf(t, "meter.toml", meterFile), "--logger", lines, "--record", file)
		d.await("type release ")
		d.line("release")
		screen := unwrapped(d.ended(0))
		zeroLast(t, p)
		assert.Contains(t, screen, "speaks NMEA 0183: speed_over_ground, boat_speed from RMC, VTG, VHW")
		assert.Contains(t, screen, `column 2, "motor current [A]": motor_current A`)
		assert.Contains(t, screen, "battery current 0.375 A, by shunt meter (invented) on "+meter)
		r := readRecord(t, file)
		for name, want := range map[string]string{
			record.Voltage: "shunt meter (invented) on " + meter, record.BatteryCurrent: "shunt meter (invented) on " + meter,
			record.OverGround: "NMEA 0183 on " + gps, record.BoatSpeed: "NMEA 0183 on " + gps, record.MotorCurrent: "logger on " + lines, record.MotorSpeed: "",
		} {
			tr, ok := r.Trace(name)
			if assert.True(t, ok, name) {
				assert.Equal(t, want, tr.Source, name)
			}
		}
		volts, _ := r.Trace(record.Voltage)
		assert.Equal(t, &record.Meter{Gain: 0.005, Offset: 0.1}, volts.Meter)
		kept, err := os.ReadFile(filepath.Join(y.home, "quaybench", "book", "petrel", "logger-"+filepath.Base(strings.TrimSuffix(lines, "@115200"))+".toml"))
		require.NoError(t, err, "what the header said is kept beside the boat")
		assert.Contains(t, string(kept), `header = "time [s];motor current [A];motor temperature [°C]"`)

		// The next time nothing is looked at anew.
		d = y.sit("step", "petrel", "--trial", fileOf(t, "hop.toml", hop), "--on", p.port, "--logger", lines)
		d.await("type release ")
		assert.Contains(t, unwrapped(d.screen()), "(remove that file to have it looked at anew)")
		d.line("no")
		d.ended(exitInput)
	}},
	{"what its columns are is asked once", func(y *yard, p *pontoon) {
		t := y.t
		lines, _ := say(y, 50*time.Millisecond, func(int) string { return fmt.Sprintf("%.2f,250\r\n", p.Reading(link.MotorCurrent)) })
		d := y.sit("step", "petrel", "--trial", fileOf(t, "hop.toml", hop), "--on", p.port, "--logger", lines)
		d.await("Column 1, now ")
		d.line("amps A")
		d.await("is motor_current meant?")
		d.line("motor_current A")
		d.await("Column 2, now 250: what is it?")
		d.line("ignore")
		d.await("type release ")
		assert.Contains(t, unwrapped(d.screen()), "motor current 0 A, by logger on "+lines)
		d.line("no")
		d.ended(exitInput)
		code, _, stderr := y.run("", "step", "petrel", "--trial", fileOf(t, "hop.toml", hop), "--on", p.port, "--logger", lines)
		assert.Equal(t, exitInput, code)
		assert.Contains(t, stderr, "a person at the terminal releases the throttle", "nothing was asked the second time")
	}},
	{"another instrument on the port that is known", func(y *yard, p *pontoon) {
		var gps atomic.Bool
		lines, _ := say(y, 200*time.Millisecond, func(n int) string {
			if gps.Load() {
				return sealedSentence(fmt.Sprintf("GPRMC,1020%02d.%d0,A,", n/5%60, 2*(n%5)) + "5230.00000,N,01320.00000,E,0.02,,050624,,,A")
			}
			return "motor current [A]\r\n1.5\r\n1.6\r\n"
		})
		args := []string{"step", "petrel", "--trial", fileOf(y.t, "hop.toml", hop), "--on", p.port, "--logger", lines}
		_, stdout, _ := y.run("", args...)
		assert.Contains(y.t, unwrapped(stdout), "kept in ")
		gps.Store(true)
		code, _, stderr := y.run("", args...)
		assert.Equal(y.t, exitInput, code)
		assert.Contains(y.t, unwrapped(stderr), "is another instrument there today? Remove that file")
	}},
	{"asked where nobody can answer", func(y *yard, p *pontoon) {
		lines, _ := say(y, 50*time.Millisecond, func(int) string { return "1.5,250\r\n" })
		code, _, stderr := y.run("", "step", "petrel", "--trial", fileOf(y.t, "hop.toml", hop), "--on", p.port, "--logger", lines)
		assert.Equal(y.t, exitInput, code)
		assert.Contains(y.t, unwrapped(stderr), `sends lines such as "1.5,250". Column 1, now 1.5: what is it? (run it in a terminal to answer, or describe the columns in a file: --logger `+lines+"=FILE)")
	}},
	{"a GPS that loses its fix", func(y *yard, p *pontoon) {
		t, file := y.t, filepath.Join(y.home, "lost.csv")
		begun := time.Now()
		gps, _ := say(y, time.Second, func(n int) string {
			if s := time.Since(begun); s > 12*time.Second && s < 16*time.Second { // in the test
				return sealedSentence("GPRMC,102030.00,V,,,,,,,050624,,,N")
			}
			return sealedSentence(fmt.Sprintf("GPRMC,10%02d%02d.00,A,5230.00000,N,01320.00000,E,0.02,,050624,,,A", n/60, n%60))
		})
		d := y.sit("step", "petrel", "--trial", fileOf(t, "long.toml", long), "--on", p.port, "--logger", gps, "--record", file)
		d.await("type release ")
		d.line("release")
		screen := unwrapped(d.ended(0))
		assert.True(t, strings.Contains(screen, "speed over ground no reading"))
		tr, ok := readRecord(t, file).Trace(record.OverGround)
		require.True(t, ok)
		assert.True(t, tr.Gaps)
		_, note, _ := strings.Cut(screen, " readings of NMEA 0183 on ")
		assert.Regexp(t, `^\S+ [345] were none \(no fix, overload, nothing to measure\)`, note[:min(len(note), 200)])
	}},
	{"a GPS that hangs on one fix", func(y *yard, p *pontoon) {
		gps, _ := say(y, time.Second, func(n int) string {
			n = min(n, 12)
			return sealedSentence(fmt.Sprintf("GPRMC,10%02d%02d.00,A,5230.00000,N,01320.00000,E,0.02,,050624,,,A", n/60, n%60))
		})
		d := y.sit("step", "petrel", "--trial", fileOf(y.t, "long.toml", long), "--on", p.port, "--logger", gps)
		d.await("type release ")
		d.line("release")
		assert.Contains(y.t, unwrapped(d.ended(exitNotJudged)), "telemetry is stale: NMEA 0183 on "+gps+": no new readings")
		zeroLast(y.t, p)
	}},
	{"a GPS that jumps once", func(y *yard, p *pontoon) {
		file := filepath.Join(y.home, "jumps.csv")
		var tested atomic.Bool
		after := 0
		gps, _ := say(y, time.Second, func(int) string {
			if tested.Load() {
				after++
			}
			if after == 6 {
				return sealedSentence("GPVTG,,T,,M,42.0,N,77.8,K,A")
			}
			return sealedSentence("GPVTG,,T,,M,0.1,N,0.2,K,A")
		})
		d := y.sit("step", "petrel", "--trial", fileOf(y.t, "long.toml", long), "--on", p.port, "--logger", gps, "--record", file)
		d.await("type release ")
		assert.Contains(y.t, unwrapped(d.screen()), "NMEA 0183 on "+gps+": what it sends carries no time, so if it hangs and goes on sending its last value, that cannot be told")
		tested.Store(true)
		d.line("release")
		const doubtful = "doubtful: speed over ground was 42.0 kn in one reading, 0.100 kn before it and 0.100 kn after it"
		assert.Contains(y.t, unwrapped(d.ended(exitClear)), doubtful)
		text, err := os.ReadFile(file)
		require.NoError(y.t, err)
		assert.Contains(y.t, string(text), doubtful, "the record has it too")
	}},
	{"a logger whose clock stands still", func(y *yard, p *pontoon) {
		logger, _ := say(y, 100*time.Millisecond, func(n int) string {
			return fmt.Sprintf("time [s];voltage [V]\r\n%.1f;53.3\r\n", min(float64(n)/10, 12))
		})
		d := y.sit("step", "petrel", "--trial", fileOf(y.t, "long.toml", long), "--on", p.port, "--logger", logger)
		d.await("type release ")
		assert.Contains(y.t, unwrapped(d.screen()), "the logger's clock: where it stands still, the logger hangs")
		assert.NotContains(y.t, unwrapped(d.screen()), "carries no time")
		d.line("release")
		assert.Contains(y.t, unwrapped(d.ended(exitNotJudged)), "its lines keep coming, but its own clock stands still")
		zeroLast(y.t, p)
	}},
	{"a GPS that is unplugged", func(y *yard, p *pontoon) {
		gps, unplug := plugBeside(y, p, "gps")
		d := y.sit("step", "petrel", "--trial", fileOf(y.t, "long.toml", long), "--on", p.port, "--logger", gps)
		d.await("type release ")
		d.release(p, 0.3)
		unplug()
		screen := unwrapped(d.ended(exitNotJudged))
		assert.Contains(y.t, screen, "the line failed: NMEA 0183 on "+gps+": lost the line")
		zeroLast(y.t, p)
	}},
	{"an overload of the meter", func(y *yard, p *pontoon) {
		on, _ := y.plug(func(ctx context.Context, far port.Port) {
			var over atomic.Bool
			p.on(0.3, func() { over.Store(true) })
			buffer := make([]byte, 64)
			for {
				n, err := far.Read(ctx, buffer, time.Hour)
				if err != nil {
					return
				}
				answer := "+5.3E+01\n"
				switch ask := string(buffer[:n]); {
				case strings.HasPrefix(ask, "*IDN"):
					answer = "Yard,simulated meter,0,1\n"
				case strings.Contains(ask, "CURR") && over.Load():
					answer = "9.9E37\n"
				case strings.Contains(ask, "CURR"):
					answer = "0.375\n"
				}
				_ = far.Write(ctx, []byte(answer))
			}
		})
		d := y.sit("step", "petrel", "--trial", fileOf(y.t, "long.toml", long), "--on", p.port, "--logger", on+"@9600="+fileOf(y.t, "meter.toml", meterFile))
		d.await("type release ")
		d.line("release")
		assert.Contains(y.t, unwrapped(d.ended(exitNotJudged)), "battery current has no reading (overload, or nothing to measure), so its limit watches over nothing")
		zeroLast(y.t, p)
	}},
	{"another header in the middle", func(y *yard, p *pontoon) {
		var changed atomic.Bool
		lines, _ := say(y, 50*time.Millisecond, func(n int) string {
			switch amps := p.Reading(link.MotorCurrent); {
			case n%40 == 0 && !changed.Load():
				return "motor current [A];battery current [A]\r\n"
			case changed.Load() && n%40 == 0:
				return "battery current [A];motor current [A]\r\n"
			default:
				return fmt.Sprintf("%.2f;%.2f\r\n", amps, p.Reading(link.BatteryCurrent))
			}
		})
		d := y.sit("step", "petrel", "--trial", fileOf(y.t, "long.toml", long), "--on", p.port, "--logger", lines)
		d.await("type release ")
		d.release(p, 0.3)
		changed.Store(true)
		assert.Contains(y.t, unwrapped(d.ended(exitNotJudged)), "the instrument sends something else than it was said to: another header stands above its columns now")
		zeroLast(y.t, p)
	}},
	{"a wrong baud rate", func(y *yard, p *pontoon) {
		lines, _ := say(y, 20*time.Millisecond, func(n int) string { return string([]byte{0xF0, byte(n), 0x0F, 0x80 + byte(n)}) })
		for _, more := range []string{"", "=" + fileOf(y.t, "logger.toml", loggerColumns), "=" + fileOf(y.t, "meter.toml", meterFile)} {
			code, _, stderr := y.run("", "step", "petrel", "--trial", fileOf(y.t, "hop.toml", hop), "--prompted", "--logger", lines+more)
			assert.NotZero(y.t, code)
			assert.Contains(y.t, unwrapped(stderr), "check the baud rate", more)
		}
	}},
	{"nothing there, and nothing that counts", func(y *yard, p *pontoon) {
		quiet, _ := y.plug(func(ctx context.Context, far port.Port) { <-ctx.Done() })
		other, _ := say(y, 500*time.Millisecond, func(int) string { return sealedSentence("GPGSV,1,1,00") })
		for _, c := range []struct{ on, want string }{
			{quiet + "@9600", `nothing came within 4s: check that it runs, its plug and the port; a meter that answers only when it is asked needs a file that says what to ask (speaks = "SCPI")`},
			{other, "sends sentences of NMEA 0183, but none with a speed (RMC, VTG or VHW)"},
			{quiet + "@9600=" + fileOf(y.t, "meter.toml", meterFile), "*IDN?: no answer within 1s, nor to SYST:ERR?"},
			{quiet + "@9600=none.toml", "none.toml"},
			{quiet + "@9600 --logger " + quiet + "@9600", "is named twice"},
			{quiet + "@9600 --logger " + quiet + "@4800", "is named twice"},
		} {
			args := []string{"step", "petrel", "--trial", fileOf(y.t, "hop.toml", hop), "--prompted"}
			for on := range strings.SplitSeq(c.on, " --logger ") {
				args = append(args, "--logger", on)
			}
			code, _, stderr := y.run("", args...)
			assert.NotZero(y.t, code)
			assert.Contains(y.t, unwrapped(stderr), c.want)
		}
		code, _, stderr := y.run("", "step", "petrel", "--trial", fileOf(y.t, "hop.toml", hop), "--on", p.port, "--logger", strings.TrimSuffix(p.port, "@115200")+"@4800")
		assert.Equal(y.t, exitInput, code)
		assert.Contains(y.t, unwrapped(stderr), "is named by --on and by --logger: controller and instrument have a port each")
	}},
}

// TestStepWithInstruments: whatever hangs beside the controller is read with its source, or the test ends at zero and says why.
func TestStepWithInstruments(t *testing.T) {
	for _, c := range instrumentTests {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			inBubble(t, func(y *yard) { c.test(y, y.petrel()) })
		})
	}
}
