package profiles

import (
	"bytes"
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"
)

// MarkKind says what a mark records about a version.
type MarkKind string

// The kinds of marks.
const (
	MarkLabel    MarkKind = "label"
	MarkApproval MarkKind = "approval"
	MarkWritten  MarkKind = "written"
	// MarkReplaced: something that is no version was written to the controller that held this one.
	MarkReplaced MarkKind = "replaced"
)

// Mark is something recorded about a version after it was saved. It is never changed.
type Mark struct {
	Kind    MarkKind  `json:"kind"`
	Hash    Hash      `json:"hash"` // of the mark's own file
	Boat    string    `json:"boat"`
	Version Hash      `json:"version"`
	Time    time.Time `json:"time"`
	Author  string    `json:"author"`
	Tool    string    `json:"tool"`
	Note    string    `json:"note,omitempty"`
	// Seen are the tips of the boat's entries when it was written; nil in a mark from before the chain.
	Seen []Hash `json:"seen"`

	Label string `json:"label,omitempty"` // of a label

	// Of an approval: the result it rests on, and the reason where that result spoke against it.
	Result   Result    `json:"result,omitempty"`
	Despite  string    `json:"despite,omitempty"`
	Verdicts []Verdict `json:"verdicts,omitempty"` // reached after the version was saved, on its settings
	Kept     []Kept    `json:"kept,omitempty"`     // records and maps it rests on

	// Of settings written to a controller: which one, and whether they were read back and found equal.
	Controller string `json:"controller,omitempty"`
	ReadBack   bool   `json:"read_back,omitempty"`
}

func (m *Mark) encode() []byte {
	var e encoder
	e.comment("A mark in a quaybench book. It is never changed: its name is its time and the SHA-256 of these bytes.")
	e.integer("format", formatOf(m.Seen))
	e.line("kind", string(m.Kind))
	e.line("boat", m.Boat)
	e.line("version", string(m.Version))
	e.time("time", m.Time)
	e.line("author", m.Author)
	e.line("tool", m.Tool)
	e.optional("note", m.Note)
	e.seen(m.Seen)
	e.optional("label", m.Label)
	e.optional("result", string(m.Result))
	e.optional("despite", m.Despite)
	e.optional("controller", m.Controller)
	e.flag("read_back", m.ReadBack)
	e.verdicts(m.Verdicts)
	e.kept(m.Kept)
	return e.out
}

// parseMark reads a mark's file and accepts only what encode writes.
func parseMark(content []byte) (*Mark, error) {
	var file struct {
		Format     int
		Kind       MarkKind
		Boat       string
		Version    Hash
		Time       time.Time
		Author     string
		Tool       string
		Note       string
		Seen       []Hash
		Label      string
		Result     Result
		Despite    string
		Controller string
		ReadBack   bool `toml:"read_back"`
		Verdict    []Verdict
		Kept       []Kept
	}
	if err := readTOML(content, &file, &file.Format); err != nil {
		return nil, err
	}
	m := &Mark{
		Kind: file.Kind, Hash: HashOf(content), Boat: file.Boat, Version: file.Version, Time: file.Time,
		Author: file.Author, Tool: file.Tool, Note: file.Note, Label: file.Label,
		Result: file.Result, Despite: file.Despite, Verdicts: file.Verdict, Kept: file.Kept,
		Controller: file.Controller, ReadBack: file.ReadBack,
	}
	var err error
	if m.Seen, err = checkSeen(file.Format, file.Seen); err != nil {
		return nil, err
	}
	if err := m.check(); err != nil {
		return nil, err
	}
	if !bytes.Equal(m.encode(), content) {
		return nil, errNotCanonical
	}
	return m, nil
}

func (m *Mark) check() error {
	for _, err := range []error{
		CheckBoatName(m.Boat),
		checkTime(m.Time),
		checkLine("author", m.Author, maxLineBytes),
		checkLine("tool", m.Tool, maxLineBytes),
		checkOptionalLine("note", m.Note, maxProseBytes),
		checkKept(m.Kept),
		checkVerdicts(m.Verdicts, m.Kept),
	} {
		if err != nil {
			return err
		}
	}
	if !m.Version.valid() {
		return fmt.Errorf("version %q is not a hash", Printable(string(m.Version)))
	}
	if m.Kind != MarkLabel && m.Label != "" ||
		m.Kind != MarkApproval && (m.Result != "" || m.Despite != "" || len(m.Verdicts) > 0) ||
		m.Kind != MarkWritten && m.Kind != MarkReplaced && m.Controller != "" || m.Kind != MarkWritten && m.ReadBack ||
		m.Kind == MarkLabel && len(m.Kept) > 0 {
		return fmt.Errorf("a mark of kind %q with something of another kind", Printable(string(m.Kind)))
	}
	switch m.Kind {
	case MarkLabel:
		return CheckLabel(m.Label)
	case MarkApproval:
		if m.Result != "" && m.Result.rank() == 0 {
			return &InputError{Field: "result", Value: string(m.Result), Why: "is none of clear, close, not judged, over"}
		}
		if m.needsReason() {
			return checkLine("reason to approve despite the verdict", m.Despite, maxProseBytes)
		}
		return checkOptionalLine("reason to approve despite the verdict", m.Despite, maxProseBytes)
	case MarkWritten, MarkReplaced:
		return checkLine("controller", m.Controller, maxLineBytes)
	}
	return &InputError{Field: "kind", Value: string(m.Kind), Why: "of a mark is not known"}
}

// needsReason tells whether an approval goes against its verdict, or rests on none: a test that stopped proves nothing.
func (m *Mark) needsReason() bool { return m.Result.rank() >= NotJudged.rank() || m.Result == "" }

// isLabel reports whether a label is 1 to 64 letters, digits, ".", "-" and "_", and starts with a letter or digit. (A
// regular expression of these classes takes 13 ms to compile, at each start of the program.)
func isLabel(s string) bool {
	n := 0
	for _, r := range s {
		first := unicode.IsLetter(r) || unicode.IsNumber(r)
		if r == utf8.RuneError || !first && (n == 0 || !unicode.IsMark(r) && !strings.ContainsRune("._-", r)) {
			return false
		}
		n++
	}
	return n >= 1 && n <= 64
}

// isNumber reports whether a reference is a place in the list: "v12".
func isNumber(ref string) bool {
	digits, found := strings.CutPrefix(ref, "v")
	return found && digits != "" && strings.Trim(digits, "0123456789") == ""
}

// The words that stand for a version without naming one.
const (
	// RefHead is the only head of a boat.
	RefHead = "head"
	// RefWorking is, in Diff, the working files as they are.
	RefWorking = "working"
)

// CheckLabel tells whether a label can be told from a hash, a version number and the words with a
// meaning: letters, digits, ".", "-" and "_", and not all of them hexadecimal digits.
func CheckLabel(label string) error {
	lower := strings.ToLower(label)
	switch {
	case !isLabel(label):
		return &InputError{Field: "label", Value: label, Why: `takes 1 to 64 letters, digits, ".", "-" and "_", and starts with a letter or digit`}
	case isLowerHex(lower), isNumber(lower), slices.Contains([]string{RefHead, RefWorking}, lower):
		return &InputError{Field: "label", Value: label, Why: "could be taken for a hash, a version number or a word with a meaning here; choose another"}
	}
	return nil
}
