package profiles

import (
	"context"
	"fmt"
)

// LabelOptions say who labels.
type LabelOptions struct {
	Author string // required
	Tool   string // the tool's version; required
	Note   string
}

// Label gives a version a name. A label is on one version at a time: the one it was put on last. The
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
// or a later one. RefusedError is returned while that is over or not judged, or there is none, unless there is a
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
			if r := WorstResult(verdicts); r.rank() > m.Result.rank() {
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
	Controller string // which one: a serial number or another name of it; required
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
		held := s.controllers()[controller]
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
	if err := s.fillMark(ref, m, files, decide); err != nil {
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

func (s *view) fillMark(ref string, m *Mark, files []File, decide func(v *Version, earlier []*Mark, hurt []Problem) error) error {
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
	m.Time = s.book.now().UTC().Round(0)
	var earlier []*Mark
	for _, other := range s.marks {
		if other.Version == h {
			earlier = append(earlier, other)
		}
		// What holds is told by the chain, and by time where there is none: so a clock that went back must not undo this one.
		same := m.Kind == MarkLabel && other.Label == m.Label || m.Controller != "" && other.Controller == m.Controller
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
