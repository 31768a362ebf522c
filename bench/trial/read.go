package trial

import (
	"embed"
	"fmt"
	"path"
	"slices"
	"strings"

	"quaybench/bench/datafile"
)

//go:embed builtin/*.toml
var builtin embed.FS

// order of the built-in trials.
var order = []string{
	"full-throttle", "harbour", "crash-stop", "fouled-propeller", "locked-shaft", "dry-running",
	"hot-day", "hot-restart", "lost-cooling", "low-battery", "two-hour-outing",
}

// Devices returns the names of what a trial may expect to act.
func Devices() []string {
	return []string{"stall timer", "low-voltage derating", "controller cut-off", "management", "fuse"}
}

// Read reads a trial file. The error is datafile.Problems.
func Read(name string, data []byte) (*Trial, error) {
	t := new(Trial)
	source, err := datafile.Decode(name, data, t)
	if err != nil {
		return t, err
	}
	if len(t.Throttle) == 0 {
		source.Problem("throttle", "a trial needs one [[throttle]] or more, each with at and to")
	}
	for i, s := range t.Throttle {
		key := fmt.Sprintf("throttle[%d].at", i)
		switch {
		case i > 0 && s.At <= t.Throttle[i-1].At:
			source.Problem(key, "time goes backwards: this movement begins at %.6g s, the one before at %.6g s", s.At, t.Throttle[i-1].At)
		case s.At >= t.Duration:
			source.Problem(key, "this movement begins at %.6g s, when the trial has ended (duration %.6g s)", s.At, t.Duration)
		}
	}
	for i, d := range t.Expect {
		if !slices.Contains(Devices(), d) {
			source.Problem(fmt.Sprintf("expect[%d]", i), "no device is called %q; known are %s", d, strings.Join(Devices(), ", "))
		}
	}
	return t, source.Err()
}

// Names returns the built-in trials in order.
func Names() []string { return slices.Clone(order) }

// renamed is what trials are called now that had another name; the old one is taken until the next version.
var renamed = map[string]string{"locked-rotor": "locked-shaft"}

// Renamed returns what a built-in trial is called now; old is false for a name that is none of before.
func Renamed(name string) (now string, old bool) {
	now, old = renamed[name]
	return now, old
}

// Builtin returns a built-in trial by name, its old one too, or an error that lists them.
func Builtin(name string) (*Trial, error) {
	if now, old := renamed[name]; old {
		name = now
	}
	data, err := builtin.ReadFile(path.Join("builtin", name+".toml"))
	if err != nil {
		return nil, fmt.Errorf("no built-in trial is called %q; there are %s", name, strings.Join(order, ", "))
	}
	return Read(name+".toml", data)
}

// Text returns the file of a built-in trial, as an example to start one's own from.
func Text(name string) (string, bool) {
	data, err := builtin.ReadFile(path.Join("builtin", name+".toml"))
	return string(data), err == nil
}
