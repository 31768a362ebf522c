package profiles

import (
	"bytes"
	"context"
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
	// MarkMeasured: something was measured on the boat; its records, and the files they were made of, are kept.
	MarkMeasured MarkKind = "measured"
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
		m.Kind == MarkLabel && len(m.Kept) > 0 || m.Kind == MarkMeasured && len(m.Kept) == 0 {
		return fmt.Errorf("a mark of kind %q with something of another kind", Printable(string(m.Kind)))
	}
	switch m.Kind {
	case MarkLabel:
		return checkLabel(m.Label)
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
	case MarkMeasured:
		return nil
	}
	return &InputError{Field: "kind", Value: string(m.Kind), Why: "of a mark is not known"}
}

// needsReason reports whether an approval goes against its verdict, or rests on none: a test that stopped proves nothing.
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

// checkLabel reports whether a label can be told from a hash, a version number and the words with a
// meaning: letters, digits, ".", "-" and "_", and not all of them hexadecimal digits.
func checkLabel(label string) error {
	lower := strings.ToLower(label)
	switch {
	case !isLabel(label):
		return &InputError{Field: "label", Value: label, Why: `takes 1 to 64 letters, digits, ".", "-" and "_", and starts with a letter or digit`}
	case isLowerHex(lower), isNumber(lower), slices.Contains([]string{RefHead, RefWorking}, lower):
		return &InputError{Field: "label", Value: label, Why: "could be taken for a hash, a version number or a word with a meaning here; choose another"}
	}
	return nil
}

// LabelOptions say who labels.
type LabelOptions struct {
	Author string // required
	Tool   string // the tool's version; required
	Note   string
}

// Label names a version. A label is on one version at a time: the one it was put on last. The
// earlier ones stay on record.
func (b *Book) Label(ctx context.Context, boat, ref, label string, o LabelOptions) (*Mark, error) {
	m := &Mark{Kind: MarkLabel, Label: label, Author: o.Author, Tool: o.Tool, Note: o.Note}
	return b.mark(ctx, boat, ref, m, nil, nil)
}

// ApproveOptions say who approves, and on what evidence.
type ApproveOptions struct {
	Author string // who approves; required
	Tool   string // the tool's version; required
	Note   string

	// Verdicts and Evidence are what was found on these settings after they were saved, for instance the
	// record of a step test on the bench.
	Verdicts []Verdict
	Evidence []File

	// Despite is the reason to approve a version whose verdict is over or not judged, or that was never tried. It stays
	// on record.
	Despite string
}

// Approve records that somebody approves a version. What counts is the worst verdict, the version's own
// or a later one; evidence of one trial stands for no version that was never tried. RefusedError is returned while that is over or not judged, or there is none, unless there is a
// reason to approve despite it.
func (b *Book) Approve(ctx context.Context, boat, ref string, o ApproveOptions) (*Mark, error) {
	m := &Mark{Kind: MarkApproval, Author: o.Author, Tool: o.Tool, Note: o.Note, Verdicts: o.Verdicts, Despite: o.Despite}
	return b.mark(ctx, boat, ref, m, o.Evidence, func(v *Version, earlier []*Mark, hurt []Problem) error {
		m.Result = v.Result
		judged := [][]Verdict{o.Verdicts}
		for _, e := range earlier {
			judged = append(judged, e.Verdicts)
		}
		for _, verdicts := range judged {
			if r := worstResult(verdicts); r.rank() > m.Result.rank() && (v.Result != "" || r.rank() >= NotJudged.rank()) {
				m.Result = r
			}
		}
		if m.needsReason() && m.Despite == "" {
			return &RefusedError{Version: v.Hash, Result: m.Result}
		}
		for _, p := range hurt {
			// What cannot be read might be the verdict that speaks against it.
			if p.Hurt && m.Despite == "" {
				return &DamageError{p}
			}
		}
		return nil
	})
}

// WrittenOptions say which controller a version was written to.
type WrittenOptions struct {
	Author     string // who wrote it; required
	Tool       string // the tool's version; required
	Note       string
	Controller string // which one: a serial number or another name of it, not of the port it is plugged into; required
	ReadBack   bool   // every setting was read back and found equal
	// Evidence is what it rests on, the register map for instance.
	Evidence []File
}

// MarkWritten records that a version was written to a controller.
func (b *Book) MarkWritten(ctx context.Context, boat, ref string, o WrittenOptions) (*Mark, error) {
	m := &Mark{Kind: MarkWritten, Author: o.Author, Tool: o.Tool, Note: o.Note, Controller: o.Controller, ReadBack: o.ReadBack}
	return b.mark(ctx, boat, ref, m, o.Evidence, nil)
}

// MarkReplaced records that a controller no longer holds the version that was written to it last, as something that is no
// version is written to it. Where it held none, nothing is recorded and the mark is nil.
func (b *Book) MarkReplaced(ctx context.Context, boat, controller string, o WrittenOptions) (mark *Mark, err error) {
	err = b.write(ctx, boat, nil, func(s *view) error {
		held := s.controllers(controller)[controller]
		if held == nil {
			return nil
		}
		m := &Mark{Kind: MarkReplaced, Author: o.Author, Tool: o.Tool, Note: o.Note, Controller: controller}
		if err := s.mark(ctx, string(held.Version), m, nil, nil); err != nil {
			return fmt.Errorf("%s of %s: %w", m.Kind, boat, err)
		}
		mark = m
		return nil
	})
	return mark, err
}

// MeasuredOptions say who measured, and hold what was measured.
type MeasuredOptions struct {
	Author   string // required
	Tool     string // the tool's version; required
	Note     string
	Evidence []File // the record, and the files it was made of; one at least
}

// MarkMeasured records that something was measured on a boat while it was as a version has it.
func (b *Book) MarkMeasured(ctx context.Context, boat, ref string, o MeasuredOptions) (*Mark, error) {
	return b.mark(ctx, boat, ref, &Mark{Kind: MarkMeasured, Author: o.Author, Tool: o.Tool, Note: o.Note}, o.Evidence, nil)
}

// mark writes a mark on a version, after decide, if given, has looked at the version and the marks that
// are on it already.
func (b *Book) mark(ctx context.Context, boat, ref string, m *Mark, files []File, decide func(v *Version, earlier []*Mark, hurt []Problem) error) (*Mark, error) {
	err := b.write(ctx, boat, nil, func(s *view) error {
		if err := s.mark(ctx, ref, m, files, decide); err != nil {
			return fmt.Errorf("%s of %s: %w", m.Kind, boat, err)
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	return m, nil
}

func (s *view) mark(ctx context.Context, ref string, m *Mark, files []File, decide func(v *Version, earlier []*Mark, hurt []Problem) error) error {
	if err := s.fillMark(ctx, ref, m, files, decide); err != nil {
		return err
	}
	content := m.encode()
	if _, err := parseMark(content); err != nil {
		return fmt.Errorf("the mark would not be readable: %w", err)
	}
	m.Hash = HashOf(content)
	if err := s.keep(ctx, files); err != nil {
		return err
	}
	return s.publishStamped(ctx, marksDir, newStamp(m.Time, m.Hash), content)
}

func (s *view) fillMark(ctx context.Context, ref string, m *Mark, files []File, decide func(v *Version, earlier []*Mark, hurt []Problem) error) error {
	h, err := s.resolve(ref)
	if err != nil {
		return err
	}
	v, err := s.versions.byHash(h)
	if err != nil {
		return err
	}
	m.Boat, m.Version, m.Seen = s.versions.boat, h, s.chain.seen()
	for _, file := range files {
		m.Kept = append(m.Kept, file.kept())
	}
	if err := s.restsOn(ctx, v, m.Kept); err != nil {
		return err
	}
	m.Time = s.book.now().UTC().Round(0)
	var earlier []*Mark
	controller := s.controllerOf(m.Controller)
	for _, other := range s.marks {
		if other.Version == h {
			earlier = append(earlier, other)
		}
		// What holds is told by the chain, and by time where there is none: so a clock that went back must not undo this one.
		same := m.Kind == MarkLabel && other.Label == m.Label || m.Controller != "" && controller(other) == controller(m)
		if same && !m.Time.After(other.Time) {
			m.Time = other.Time.Add(1)
		}
	}
	if decide != nil {
		if err := decide(v, earlier, s.hurtMarks); err != nil {
			return err
		}
	}
	return m.check()
}
