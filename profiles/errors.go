package profiles

import (
	"errors"
	"fmt"
	"strings"
)

var (
	// ErrUnchanged is returned by Save when the newest version already holds the same.
	ErrUnchanged = errors.New("nothing to save")
	// ErrUnsaved is returned by Restore when a working file holds text that is in no version.
	ErrUnsaved = errors.New("unsaved changes")
	// ErrBusy is returned when another process changes the same boat.
	ErrBusy = errors.New("another process is changing this boat")
)

// InputError reports what is wrong with a value handed to the book.
type InputError struct {
	Field string // "author", "settings.toml", ...
	Value string // empty where it is too long to show
	Why   string
}

func (e *InputError) Error() string {
	if e.Value == "" {
		return fmt.Sprintf("%s %s", e.Field, e.Why)
	}
	value := []rune(e.Value)
	if len(value) > 64 { // the beginning shows which is meant
		return fmt.Sprintf("%s %q... %s", e.Field, string(value[:64]), e.Why)
	}
	return fmt.Sprintf("%s %q %s", e.Field, e.Value, e.Why)
}

// NotFoundError reports that the book has no such thing.
type NotFoundError struct {
	What string   // "boat", "version", "setting"
	Name string   // as it was asked for
	Have []string // what there is instead
}

func (e *NotFoundError) Error() string {
	msg := fmt.Sprintf("no %s %q", e.What, e.Name)
	if len(e.Have) > 0 {
		const most = 12
		msg += "; there is " + strings.Join(e.Have[:min(most, len(e.Have))], ", ")
		if n := len(e.Have) - most; n > 0 {
			msg += fmt.Sprintf(" and %d more", n)
		}
	}
	return msg
}

// AmbiguousError reports that a shortened hash fits more than one version.
type AmbiguousError struct {
	Prefix     string
	Candidates []Hash
}

func (e *AmbiguousError) Error() string {
	const most = 10
	var list []string
	for _, h := range e.Candidates[:min(most, len(e.Candidates))] {
		list = append(list, string(h[:min(len(h), len(e.Prefix)+4)]))
	}
	if n := len(e.Candidates) - most; n > 0 {
		list = append(list, fmt.Sprintf("and %d more", n))
	}
	return fmt.Sprintf("%q fits %d versions (%s): give more digits", e.Prefix, len(e.Candidates), strings.Join(list, ", "))
}

// HeadsError reports that a boat has several heads and one must be chosen.
type HeadsError struct {
	Boat  string
	Heads []Hash
}

func (e *HeadsError) Error() string {
	var list []string
	for _, h := range e.Heads {
		list = append(list, h.Short())
	}
	return fmt.Sprintf("%s has %d heads (%s): restore the one to go on from, or name all of them as parents to join them", e.Boat, len(e.Heads), strings.Join(list, ", "))
}

// RefusedError reports that a version is not approved as things stand.
type RefusedError struct {
	Version Hash
	Result  Result // over, or empty where no trial was run
}

func (e *RefusedError) Error() string {
	if e.Result == "" {
		return fmt.Sprintf("%s is not approved: no trial of it is on record; try it first, or say despite what reason", e.Version.Short())
	}
	return fmt.Sprintf("%s is not approved: its verdict is %s; change the settings, or say despite what reason", e.Version.Short(), e.Result)
}

// Problem is something found in the book's folder that is not as it was written, or not of the book.
type Problem struct {
	Path string `json:"path"` // from the book's folder, printable
	Hash Hash   `json:"hash,omitempty"`
	What string `json:"what"`
	// Hurt is true where something of the book is damaged or missing, false for a mere remark.
	Hurt bool `json:"hurt"`
}

func (p Problem) String() string { return p.Path + ": " + p.What }

// DoubtError reports that nothing is written, since something is damaged or missing on which the change rests.
type DoubtError struct {
	Boat    string
	Problem Problem
	Why     string
}

func newestDoubt(boat string, p Problem) error {
	return &DoubtError{Boat: boat, Problem: p, Why: "that entry may be a newer version than those here"}
}

func (e *DoubtError) Error() string {
	return fmt.Sprintf("%s: %s; %s, so nothing is written: copy that entry again from another book or an export, or go on despite the damage", e.Boat, e.Problem, e.Why)
}

// DamageError reports that a file of the book cannot be used.
type DamageError struct{ Problem Problem }

func (e *DamageError) Error() string {
	return e.Problem.String() + "; copy it again from another book or an export, the rest is usable"
}
