package main

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/link"
)

func plainly(_ string, v float64) string { return fmt.Sprintf("%g A", v) }

func morning() time.Time { return time.Date(2026, 1, 2, 10, 0, 0, 0, time.UTC) }

// TestJournal: the last line about a setting tells what is known of it.
func TestJournal(t *testing.T) {
	name := filepath.Join(t.TempDir(), "petrel", journalFile)
	j, err := openJournal(name, "/dev/ttyUSB0@115200", morning, plainly)
	require.NoError(t, err)
	change := link.Change{Key: "limits.motor_current", From: 100, To: 140}
	for _, c := range []struct {
		state link.State
		want  string
		sure  bool
	}{
		{link.Found, "100 A", true},
		{link.Intends, "100 A or 140 A", false},
		{link.Holds, "140 A", true},
		{link.Failed, "nobody knows: it was 100 A, and 140 A was being written", false},
		{link.RolledBack, "100 A", true},
	} {
		require.NoError(t, j.Note(c.state, change, link.Change{Key: "ramp.rise", From: 2, To: 2}))
		list, err := readJournal(name)
		require.NoError(t, err)
		require.Len(t, list, 2)
		text, sure := list[0].known()
		assert.Equal(t, c.want, text)
		assert.Equal(t, c.sure, sure)
		value, known := c.state.Known(change)
		assert.Equal(t, c.sure, known, "the library and the file agree")
		if known {
			assert.Equal(t, c.want, plainly("", value))
		}
	}
	require.NoError(t, j.Close())
}

// TestJournalAfterATornLine: what a crash left half written is lost, and nothing after it.
func TestJournalAfterATornLine(t *testing.T) {
	name := filepath.Join(t.TempDir(), journalFile)
	for i := range 3 {
		j, err := openJournal(name, "/dev/ttyUSB0@115200", morning, plainly)
		require.NoError(t, err)
		require.NoError(t, j.Note(link.Holds, link.Change{Key: "limits.motor_current", From: 100, To: 140 + float64(i)}))
		list, err := readJournal(name)
		require.NoError(t, err)
		require.Len(t, list, 1)
		text, _ := list[0].known()
		assert.Equal(t, fmt.Sprintf("%d A", 140+i), text)
		_, err = j.file.WriteString(`{"at":"2026-01-02T10:00:04Z","on":"/dev/ttyUSB0@11`)
		require.NoError(t, err)
		require.NoError(t, j.Close())
	}
}

// TestJournalUnreadable: a journal that is there and cannot be read is no empty one.
func TestJournalUnreadable(t *testing.T) {
	folder := t.TempDir()
	_, err := readJournal(folder)
	assert.ErrorContains(t, err, "the journal cannot be read")
	_, err = openJournal(folder, "sim", morning, plainly)
	assert.ErrorContains(t, err, "so nothing is written to the controller")
	none, err := readJournal(filepath.Join(folder, "none"))
	assert.NoError(t, err)
	assert.Empty(t, none)
}

// FuzzJournal: whatever is in the file, it is read or refused.
func FuzzJournal(f *testing.F) {
	f.Add([]byte(`{"state":"holds","key":"ramp.rise","from":"1 s","to":"2 s"}` + "\n"))
	f.Add([]byte("{\n\x00\xff{}\n"))
	f.Fuzz(func(t *testing.T, text []byte) {
		name := filepath.Join(t.TempDir(), journalFile)
		if err := os.WriteFile(name, text, 0o600); err != nil {
			t.Fatal(err)
		}
		list, err := readJournal(name)
		for i := range list {
			if list[i].Key == "" || err != nil && len(list) == 0 {
				t.Fatalf("%+v, %v", list[i], err)
			}
			list[i].known()
		}
	})
}
