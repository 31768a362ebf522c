package main

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"time"

	"quaybench/bench/link"
)

// journal is a file of lines, one per step of a write, on the disk before the step goes on.
type journal struct {
	file *os.File
	on   string
	now  func() time.Time
}

// entry is a line of the journal.
type entry struct {
	At    time.Time  `json:"at"`
	On    string     `json:"on"`
	State link.State `json:"state"`
	Key   string     `json:"key"`
	From  float64    `json:"from_si"`
	To    float64    `json:"to_si"`
}

func openJournal(name, on string) (*journal, error) {
	f, err := os.OpenFile(name, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o644)
	if err != nil {
		return nil, fmt.Errorf("the journal cannot be opened, so nothing is written to the controller: %w", err)
	}
	return &journal{file: f, on: on, now: time.Now}, nil
}

// Note implements link.Journal.
func (j *journal) Note(state link.State, c link.Change) error {
	line, err := json.Marshal(entry{At: j.now().UTC(), On: j.on, State: state, Key: c.Key, From: c.From, To: c.To})
	if err != nil {
		return err
	}
	if _, err := j.file.Write(append(line, '\n')); err != nil {
		return err
	}
	return j.file.Sync()
}

// unfinished reads a journal and returns the writes whose outcome it does not tell: the last line about a key says intends
// or failed. A torn last line counts as not written.
func unfinished(name string) ([]entry, error) {
	text, err := os.ReadFile(name)
	if errors.Is(err, os.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	last := map[string]entry{}
	var order []string
	lines := bufio.NewScanner(bytes.NewReader(text))
	for lines.Scan() {
		var e entry
		if json.Unmarshal(lines.Bytes(), &e) != nil {
			continue
		}
		if _, seen := last[e.Key]; !seen {
			order = append(order, e.Key)
		}
		last[e.Key] = e
	}
	var out []entry
	for _, key := range order {
		if e := last[key]; e.State == link.Intends || e.State == link.Failed {
			out = append(out, e)
		}
	}
	return out, lines.Err()
}
