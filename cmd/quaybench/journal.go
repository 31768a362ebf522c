package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"quaybench/bench/datafile"
	"quaybench/bench/layout"
	"quaybench/bench/link"
	"quaybench/profiles"
)

// A boat's journal tells what is in its controller, also after a crash or with the line unplugged: a file of lines, one per
// step of a write, on the disk before the next step begins. The last line about a setting tells what is known of it.
const journalFile = profiles.JournalFile

// bookJournal returns the place of the journal of a boat of the book, and of a demo boat before it is in the book: so it is
// there when the boat comes. A demo boat's lay beside the book once; it is moved.
func bookJournal(dir, boat string) (string, error) {
	name, old := filepath.Join(dir, boat, journalFile), filepath.Join(filepath.Dir(dir), "demo", boat, journalFile)
	if isThere(name) || !isThere(old) {
		return name, nil
	}
	if err := os.MkdirAll(filepath.Dir(name), 0o755); err != nil {
		return "", fmt.Errorf("the journal cannot be moved into the book: %w", err)
	}
	if err := os.Rename(old, name); err != nil {
		return "", fmt.Errorf("the journal cannot be moved into the book: %w", err)
	}
	return name, nil
}

// copyJournals copies the journals of demo boats that are not in the user's book to another book, which has these boats.
func copyJournals(sys *system, to string) error {
	dir, err := bookDir(sys)
	if err != nil {
		return nil // nothing was kept
	}
	for _, boat := range boatNames(demoBook()) {
		from, err := bookJournal(dir, boat)
		if err != nil {
			return err
		}
		text, err := datafile.ReadFile(from, largestJournal)
		if err == nil && !hasBoat(dir, boat) {
			err = os.WriteFile(filepath.Join(to, boat, journalFile), text, 0o644)
		}
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			return fmt.Errorf("the journal cannot be copied: %w", err)
		}
	}
	return nil
}

// journal is a journal that is being written.
type journal struct {
	file *os.File
	on   string
	now  func() time.Time
	show func(key string, value float64) string
}

// entry is a line of the journal.
type entry struct {
	At     time.Time  `json:"at"`
	On     string     `json:"on"`
	State  link.State `json:"state"`
	Key    string     `json:"key"`
	From   string     `json:"from"`
	To     string     `json:"to"`
	FromSI float64    `json:"from_si"`
	ToSI   float64    `json:"to_si"`

	open bool // a write that touches it has begun, and its end was not noted
}

// openJournal opens a journal for what is on a port. show prints the value of a setting.
func openJournal(name, on string, now func() time.Time, show func(key string, value float64) string) (*journal, error) {
	fail := func(err error) (*journal, error) {
		return nil, fmt.Errorf("the journal %s cannot be opened, so nothing is written to the controller: %w", name, err)
	}
	if err := os.MkdirAll(filepath.Dir(name), 0o755); err != nil {
		return fail(err)
	}
	f, err := os.OpenFile(name, os.O_CREATE|os.O_APPEND|os.O_RDWR, 0o644)
	if err != nil {
		return fail(err)
	}
	if err := endLine(f); err != nil {
		return fail(errors.Join(err, f.Close()))
	}
	return &journal{file: f, on: on, now: now, show: show}, nil
}

// endLine ends the line that a crash may have left half written, or the next would be lost with it.
func endLine(f *os.File) error {
	size, err := f.Seek(0, io.SeekEnd)
	if err != nil || size == 0 {
		return err
	}
	last := make([]byte, 1)
	if _, err := f.ReadAt(last, size-1); err != nil || last[0] == '\n' {
		return err
	}
	_, err = f.WriteString("\n")
	return err
}

// Note implements link.Journal.
func (j *journal) Note(state link.State, changes ...link.Change) error {
	var text []byte
	for _, c := range changes {
		line, err := json.Marshal(entry{
			At: j.now().UTC(), On: j.on, State: state, Key: c.Key,
			From: j.show(c.Key, c.From), To: j.show(c.Key, c.To), FromSI: c.From, ToSI: c.To,
		})
		if err != nil {
			return err
		}
		text = append(append(text, line...), '\n')
	}
	if _, err := j.file.Write(text); err != nil {
		return err
	}
	return j.file.Sync()
}

func (j *journal) Close() error { return j.file.Close() }

// readJournal returns the last entry about each setting, by key. Where there is no journal there are none. A line that is no
// entry, as a crash leaves one, counts as not written.
func readJournal(name string) (list []entry, err error) {
	if name == "" { // no place for one, so there is none
		return nil, nil
	}
	text, err := datafile.ReadFile(name, largestJournal)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("the journal cannot be read: %w", err)
	}
	last := map[string]entry{}
	var all link.Knowledge
	lines := bufio.NewScanner(bytes.NewReader(text))
	lines.Buffer(nil, 1<<20)
	for lines.Scan() {
		var e entry
		if json.Unmarshal(lines.Bytes(), &e) == nil && e.Key != "" {
			_ = all.Note(e.State, link.Change{Key: e.Key, From: e.FromSI, To: e.ToSI})
			if _, noted := last[e.Key]; e.State != link.Ends && (e.State != link.Begins || !noted) {
				last[e.Key] = e
			}
		}
	}
	for _, e := range last {
		_, sure := all.Value(e.Key)
		e.open = all.Open(e.Key) && !sure
		list = append(list, e)
	}
	slices.SortFunc(list, func(a, b entry) int { return strings.Compare(a.Key, b.Key) })
	return list, lines.Err()
}

// holdsSomething reports whether a journal's file is there and not empty.
func holdsSomething(name string) bool {
	text, err := datafile.ReadFile(name, largestJournal)
	return err == nil && len(bytes.TrimSpace(text)) > 0
}

// known returns what an entry tells of its setting, and whether it is sure.
func (e *entry) known() (text string, sure bool) {
	switch {
	case !e.open:
	case e.From == e.To:
		return e.From + ", or what a write whose end was not noted left there", false
	default:
		return e.From + " or " + e.To, false
	}
	switch e.State {
	case link.Found, link.RolledBack:
		return e.From, true
	case link.Holds:
		return e.To, true
	case link.Intends:
		return e.From + " or " + e.To, false
	}
	return "nobody knows: it was " + e.From + ", and " + e.To + " was being written", false
}

// value returns what an entry that is sure tells, SI.
func (e *entry) value() float64 {
	if e.State == link.Holds {
		return e.ToSI
	}
	return e.FromSI
}

// unsure returns the entries that do not tell what is in the controller.
func unsure(list []entry) []entry {
	return slices.DeleteFunc(slices.Clone(list), func(e entry) bool { _, sure := e.known(); return sure })
}

// showJournal prints what a journal knows.
func showJournal(sys *system, list []entry) {
	tab := &layout.Table{}
	tab.Add("setting", "in the controller", "since", "on")
	for i := range list {
		e := &list[i]
		text, _ := e.known()
		tab.Add(e.Key, text, e.At.Local().Format("2006-01-02 15:04:05"), e.On)
	}
	sys.table(tab)
}

// relock locks a controller again that a killed write may have left unlocked, and says so.
func (b *berth) relock(ctx context.Context, sys *system, l *line) error {
	known, err := readJournal(b.journ)
	if err != nil || l.sim() {
		return err
	}
	pending := unsure(known)
	if len(pending) == 0 {
		return nil
	}
	when := pending[0].At.Local().Format("2006-01-02 15:04:05")
	if err := l.Lock(ctx); err != nil {
		return fmt.Errorf("a write was cut off (%s), so the controller may still be unlocked, and it could not be locked: %w", when, err)
	}
	now := "it is locked now"
	if !l.locks {
		now = "its map has no lock: if it has one of its own, switch the controller off and on"
	}
	sys.tell("mind: a write was cut off (%s) and may have left the controller unlocked; %s", when, now)
	return nil
}
