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

	// Despite is the reason to approve a version whose verdict is over, or that was never tried. It stays
	// on record.
	Despite string
}

// Approve records that somebody approves a version. What counts is the worst verdict, the version's own
// or a later one. RefusedError is returned while that is over, or there is none, unless there is a
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

// mark writes a mark on a version, after decide, if given, has looked at the version and the marks that
// are on it already.
func (b *Book) mark(ctx context.Context, boat, ref string, m *Mark, files []File, decide func(v *Version, earlier []*Mark, hurt []Problem) error) (*Mark, error) {
	f, versions, err := b.openVersions(ctx, boat)
	if err != nil {
		return nil, err
	}
	defer f.close()
	defer versions.close()
	if err := b.fillMark(ctx, f, versions, ref, m, files, decide); err != nil {
		return nil, fmt.Errorf("%s of %s: %w", m.Kind, boat, err)
	}
	content := m.encode()
	if _, err := parseMark(content); err != nil {
		return nil, fmt.Errorf("the mark would not be readable: %w", err)
	}
	m.Hash = HashOf(content)
	err = f.keep(ctx, files)
	if err == nil {
		err = f.publishStamped(ctx, marksDir, newStamp(m.Time, m.Hash), content)
	}
	if err != nil {
		return nil, fmt.Errorf("%s of %s: %w", m.Kind, boat, err)
	}
	return m, nil
}

func (b *Book) fillMark(ctx context.Context, f *folder, versions *shelf, ref string, m *Mark, files []File, decide func(v *Version, earlier []*Mark, hurt []Problem) error) error {
	h, err := f.resolve(ctx, versions, ref)
	if err != nil {
		return err
	}
	v, err := versions.byHash(h)
	if err != nil {
		return err
	}
	m.Boat, m.Version = versions.boat, h
	for _, file := range files {
		m.Kept = append(m.Kept, file.kept())
	}
	m.Time = b.now().UTC().Round(0)
	marks, hurt, err := f.marks(ctx, versions.boat)
	if err != nil {
		return err
	}
	var earlier []*Mark
	for _, other := range marks {
		if other.Version == h {
			earlier = append(earlier, other)
		}
		// Which version a label is on is told by time, so a clock that went back must not undo this one.
		if m.Kind == MarkLabel && other.Label == m.Label && !m.Time.After(other.Time) {
			m.Time = other.Time.Add(1)
		}
	}
	if decide != nil {
		if err := decide(v, earlier, hurt); err != nil {
			return err
		}
	}
	return m.check()
}
