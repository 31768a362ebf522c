//go:build slow && linux

package main

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"text/tabwriter"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/link"
)

// misfortune is one trial of the matrix under way.
type misfortune struct {
	*yard
	*foreign
	d       *desk
	writing bool
	moment  int // ms since the throttle was released, or requests since the first write of a transfer
	random  *rand.Rand
	small   string // the small disk that fills; "": none
}

// happening is what may go wrong.
type happening struct {
	name string
	do   func(m *misfortune)
}

var happenings = []happening{
	{"kill -9", func(m *misfortune) { _ = syscall.Kill(m.d.pid(), syscall.SIGKILL) }},
	{"stopped for 5 s", func(m *misfortune) { m.stopFor(5 * time.Second) }},
	{"stopped for 0.6 s", func(m *misfortune) { m.stopFor(600 * time.Millisecond) }},
	{"line pulled", func(m *misfortune) { m.cut() }},
	{"noise", func(m *misfortune) { m.noise.Store(true) }},
	{"slow", func(m *misfortune) { m.slow.Store(true) }},
	{"stalled", func(m *misfortune) { m.stall.Store(true) }},
	{"terminal closed", func(m *misfortune) { m.d.hangUp() }},
	{"Ctrl-C five times", func(m *misfortune) {
		for range 5 {
			m.d.interrupt()
			time.Sleep(20 * time.Millisecond)
		}
	}},
	{"peer reset", func(m *misfortune) {
		m.kill()
		m.set(0x80, 0)
		m.reset()
		m.start()
	}},
	{"second tool", func(m *misfortune) {
		args := [][]string{
			{"controller", "read", "petrel", "--on", m.foreign.port},
			{"controller", "write", "petrel", "--yes", "--unconfirmed", "--on", m.foreign.port, "--set", "limits.battery_current=90 A"},
			{"step", "petrel", "--trial", fileOf(m.yard.t, "hop2.toml", hop), "--on", m.foreign.port},
		}[m.random.IntN(3)]
		code, _, stderr := m.run("", args...)
		if m.runs() {
			assert.NotZero(m.yard.t, code)
			assert.Contains(m.yard.t, stderr, "in use by another quaybench", args)
		}
	}},
	{"disk full", func(*misfortune) {}}, // it fills by itself
}

func (m *misfortune) stopFor(d time.Duration) {
	_ = syscall.Kill(m.d.pid(), syscall.SIGSTOP)
	time.Sleep(d)
	_ = syscall.Kill(m.d.pid(), syscall.SIGCONT)
}

// runs reports whether the program is still there.
func (m *misfortune) runs() bool {
	stat, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", m.d.pid()))
	return err == nil && !strings.Contains(string(stat), ") Z ")
}

// next runs the next command, again where the peer was too busy to answer it in time.
func (m *misfortune) next() (stdout string) {
	for again := range 5 {
		code, stdout, stderr := m.run("", "controller", "read", "petrel", "--on", m.foreign.port)
		if code != 0 && strings.Contains(stderr, ": no reply: ") && again < 4 {
			continue
		}
		assert.Zero(m.yard.t, code, stderr)
		return stdout
	}
	return ""
}

// disk mounts a disk of so many kilobytes at a folder.
func (m *misfortune) disk(folder string, kilobytes int) {
	t := m.yard.t
	require.NoError(t, os.MkdirAll(folder, 0o755))
	if err := syscall.Mount("tmpfs", folder, "tmpfs", 0, fmt.Sprintf("size=%dk", kilobytes)); err != nil {
		t.Skipf("NOT TESTED ON A FULL DISK: no small file system can be mounted here: %v", err)
	}
	m.small = folder
	t.Cleanup(func() { _ = syscall.Unmount(folder, 0) })
}

// journalFile returns where petrel's journal lies.
func (m *misfortune) journalFile() string {
	return filepath.Join(m.home, "quaybench", "book", "petrel", journalFile)
}

// fill copies petrel into the book on the small disk, begins the journal with so many bytes, and fills what is left.
func (m *misfortune) fill(begun int) {
	t := m.yard.t
	code, _, stderr := m.run("", "profile", "label", "petrel", "head", "mine")
	require.Zero(t, code, stderr)
	require.NoError(t, os.WriteFile(m.journalFile(), bytes.Repeat([]byte("# room\n"), max(0, begun)/7), 0o644))
	fillUp(t, m.small, 0)
}

// requests counts what reached the peer.
func (f *foreign) requests() (n int) {
	for _, w := range f.lines() {
		if w[1] == "write" || w[1] == "fetch" {
			n++
		}
	}
	return n
}

// awaitTransfer waits until so many requests came since the first write of a transfer, or nothing comes any more.
func (f *foreign) awaitTransfer(n int) {
	writes := func() bool {
		for _, w := range f.lines() {
			if w[1] == "write" {
				return true
			}
		}
		return false
	}
	for end := time.Now().Add(aLot); !writes() && time.Now().Before(end); {
		time.Sleep(time.Millisecond)
	}
	for from, end := f.requests(), time.Now().Add(3*time.Second); f.requests() < from+n && time.Now().Before(end); {
		time.Sleep(time.Millisecond)
	}
}

// begin starts what is to be disturbed, and returns at the moment.
func (m *misfortune) begin(name string) {
	t, full := m.yard.t, name == "disk full"
	if m.writing {
		m.pace.Store(8)            // as at 9600 baud: something can come between
		if name == "second tool" { // it takes a while to come
			m.pace.Store(60)
			m.moment %= 10
		}
		if full {
			m.disk(filepath.Join(m.home, "quaybench"), 900)
			m.fill(8192 - 1500 - 60*m.moment)
		}
		patient := fileOf(t, "patient.toml", petrelMap(t, "unit_id = 17\n", "unit_id = 17\nturnaround = \"1 s\"\n")) // a busy machine's peer
		m.d = m.sitInTerminal("controller", "write", "petrel", "--yes", "--unconfirmed", "--on", m.foreign.port, "--map", patient,
			"--set", "limits.motor_current=120 A", "--set", "limits.astern_current=110 A", "--set", "ramp.rise=3 s", "--set", "ramp.reversal=2 s")
		if full {
			return
		}
		m.d.await("to write, in this order")
		m.awaitTransfer(m.moment)
		return
	}
	file := filepath.Join(m.home, "run.csv")
	if full {
		m.disk(filepath.Join(m.home, "small"), 2048)
		file = filepath.Join(m.small, "run.csv")
	}
	m.d = m.sitInTerminal("step", "petrel", "--trial", fileOf(t, "hop.toml", hop), "--on", m.foreign.port, "--record", file)
	m.d.await("type release")
	if full {
		fillUp(t, m.small, 8192)
	}
	m.d.line("release")
	if !full {
		time.Sleep(time.Duration(m.moment) * time.Millisecond)
	}
}

// repair mends line, peer, noise and disk: what the next command needs.
func (m *misfortune) repair(pulled bool) {
	m.noise.Store(false)
	m.slow.Store(false)
	m.stall.Store(false)
	m.pace.Store(0)
	if m.small != "" {
		require.NoError(m.yard.t, syscall.Mount("", m.small, "", syscall.MS_REMOUNT, "size=4m"))
	}
	if pulled {
		m.foreign.plug()
	}
}

// journal reads what the journal knows, and holds what it is sure of against what the peer holds. A reset after the last
// reading is nothing that it could know.
func (m *misfortune) journal() (unsure int) {
	t := m.yard.t
	known, err := readJournal(m.journalFile())
	require.NoError(t, err)
	resets, readSince := 0, false
	for _, w := range m.foreign.lines() {
		switch w[1] {
		case "ready":
			resets, readSince = resets+1, false
		case "fetch":
			readSince = true
		}
	}
	for i := range known {
		e := &known[i]
		for _, h := range petrelHolds {
			if e.Key != h.key {
				continue
			}
			if _, sure := e.known(); !sure {
				unsure++
				continue
			}
			if resets > 1 && !readSince {
				continue
			}
			value := e.FromSI
			if e.State == link.Holds {
				value = e.ToSI
			}
			held := float64(m.holding(h.address))*h.factor + h.offset
			assert.InDelta(t, held, value, h.factor/2+1e-9, "%s: the journal is surer than the truth", e.Key)
		}
	}
	return unsure
}

// endedByWatchdog reports whether the peer's watchdog ended the last throttle, before any zero came.
func (f *foreign) endedByWatchdog() (so bool) {
	on := false
	for _, w := range f.lines() {
		switch {
		case w[1] == "watchdog":
			so, on = so || on, false
		case w[1] == "write" && w[2] == "128" && w[3] != "0":
			so, on = false, true
		case w[1] == "write" && w[2] == "128":
			on = false
		}
	}
	return so
}

// TestForeignPeerFaultMatrix: the built program in a terminal, against a controller of libmodbus with a watchdog of its own.
// Something goes wrong at a random moment of a step test or of a transfer of settings. Afterwards the throttle is zero, no
// stale one came, and the journal is never surer than the truth; when line and disk are mended, the next command finds the
// controller locked, or locks it and says so, and the journal is sure again and right. QUAYBENCH_TRIALS says how many trials
// (200), QUAYBENCH_SEED which; -run ForeignPeerFaultMatrix/068 runs one of them again. The table is printed.
func TestForeignPeerFaultMatrix(t *testing.T) {
	trials, err := strconv.Atoi(os.Getenv("QUAYBENCH_TRIALS"))
	if err != nil {
		trials = 200
	}
	seed, _ := strconv.ParseUint(os.Getenv("QUAYBENCH_SEED"), 10, 64)
	type tally struct{ tried, tool, watchdog, unsure, unlocked int }
	counts := map[string]*tally{}
	names := []string{}
	for n := range trials {
		random := rand.New(rand.NewPCG(seed, uint64(n)))
		act, writing := happenings[n%len(happenings)], n/len(happenings)%2 == 1
		what := map[bool]string{false: "step test", true: "write"}[writing] + ", " + act.name
		moment := 300 + random.IntN(7500)
		switch {
		case writing:
			moment = 1 + random.IntN(46) // of 52
		case act.name == "stopped for 0.6 s": // in the proof
			moment = 300 + random.IntN(2500)
		case act.name == "second tool": // while the first surely has the line
			moment = 300 + random.IntN(3000)
		}
		t.Run(fmt.Sprintf("%03d %s", n, what), func(t *testing.T) {
			m := &misfortune{yard: ofProcesses(t), foreign: plugForeign(t), writing: writing, moment: moment, random: random}
			c := counts[what]
			if c == nil {
				c = &tally{}
				counts[what] = c
				names = append(names, what)
			}
			c.tried++
			defer func() {
				if t.Failed() || os.Getenv("QUAYBENCH_TRACE") != "" {
					text, _ := os.ReadFile(m.log)
					t.Logf("seed %d, moment %d\n%s\n%s", seed, moment, text, lastOf(m.d.screen(), 3000))
				}
			}()
			m.begin(act.name)
			act.do(m)
			m.d.code()
			time.Sleep(600 * time.Millisecond)
			assert.Zero(t, m.holding(0x80), "the throttle")
			assert.Empty(t, m.stale(), "stale throttle")
			if m.endedByWatchdog() {
				c.watchdog++
			} else {
				c.tool++
			}
			unsure := m.journal()
			c.unsure += unsure

			m.repair(act.name == "line pulled")
			unlocked := m.holding(1000) != 0
			stdout := m.next()
			assert.Zero(t, m.holding(1000), "locked")
			if unlocked {
				assert.Contains(t, unwrapped(stdout), "it is locked now")
				c.unlocked++
			}
			if unsure > 0 {
				assert.Contains(t, stdout, "mind: ")
			}
			assert.Zero(t, m.journal(), "sure again")
		})
	}
	var table strings.Builder
	tab := tabwriter.NewWriter(&table, 0, 0, 2, ' ', 0)
	fmt.Fprintln(tab, "what, and what goes wrong\ttrials\tzero by the tool\tby the watchdog\tsettings left unsure\tleft unlocked, locked by the next command")
	for _, name := range names {
		c := counts[name]
		fmt.Fprintf(tab, "%s\t%d\t%d\t%d\t%d\t%d\n", name, c.tried, c.tool, c.watchdog, c.unsure, c.unlocked)
	}
	_ = tab.Flush()
	fmt.Println(table.String())
}

// lastOf returns the end of a text.
func lastOf(text string, most int) string { return text[max(0, len(text)-most):] }
