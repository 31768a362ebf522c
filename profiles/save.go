package profiles

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"
)

// SaveOptions say what goes into a version beside the working files.
type SaveOptions struct {
	Author string // who saves; required
	Reason string // why, in one line; required
	Tool   string // the tool's version; required

	// Parents name the versions this one continues, by hash (may be shortened) or label. Nil is what the
	// working files continue. Naming all heads joins them.
	Parents []string

	// Verdicts are those of the trials run on Tried. The texts must be given with them: Save refuses if
	// the working files are others by now, so that no version carries the verdict of another.
	Verdicts []Verdict
	Tried    *Texts

	// Evidence is kept with the version: register map, trials, records. The boat file is kept anyway.
	Evidence []File
}

// Save makes a version of the working files. When it returns without error the version is on the disk;
// when it does not, nothing that was there has changed. It returns ErrUnchanged if the version they
// continue holds the same, and HeadsError if there are several heads and it is not known which of them
// they continue.
func (b *Book) Save(ctx context.Context, boat string, o SaveOptions) (v *Version, err error) {
	err = b.write(ctx, boat, nil, func(s *view) (err error) {
		if v, err = s.save(ctx, o); err != nil {
			return fmt.Errorf("save %s: %w", boat, err)
		}
		// Sweeping is no part of saving: what it cannot remove, Verify tells.
		_, _ = s.sweepAll(ctx, b.now())
		return nil
	})
	return v, err
}

func (s *view) save(ctx context.Context, o SaveOptions) (*Version, error) {
	texts, _, err := s.texts(ctx)
	if err != nil {
		return nil, err
	}
	if err := errors.Join(checkWorking(BoatFile, texts.Boat), checkWorking(SettingsFile, texts.Settings)); err != nil {
		return nil, err
	}
	if _, err := s.book.rows(texts.Settings); err != nil {
		return nil, fmt.Errorf("%s: %w", SettingsFile, err)
	}
	switch {
	case len(o.Verdicts) > 0 && o.Tried == nil:
		return nil, &InputError{Field: "verdicts", Why: "are given without the texts they were reached on"}
	case o.Tried != nil && !texts.equal(*o.Tried):
		return nil, &InputError{Field: "working files", Why: "have changed since they were tried: try again"}
	}
	parents, err := s.parents(o.Parents)
	if err != nil {
		return nil, err
	}
	files := append([]File{{Role: RoleBoat, Name: BoatFile, Content: texts.Boat}}, o.Evidence...)
	v := &Version{
		Boat: s.versions.boat, Author: o.Author, Reason: o.Reason, Tool: o.Tool,
		Verdicts: o.Verdicts, Settings: string(texts.Settings),
	}
	for _, file := range files {
		v.Kept = append(v.Kept, file.kept())
	}
	if len(parents) == 1 {
		// A parent that is damaged cannot be compared with; a new whole version is the more welcome.
		if p, err := s.versions.byHash(parents[0]); err == nil && p.covers(v) {
			return nil, fmt.Errorf("%w: v%d %s holds the same", ErrUnchanged, p.Number, p.Hash.Short())
		}
	}
	if err := s.add(ctx, v, parents, files); err != nil {
		return nil, err
	}
	return v, nil
}

// covers tells whether saving v as a child of p would add nothing.
func (p *Version) covers(v *Version) bool {
	return p.Settings == v.Settings &&
		(len(v.Verdicts) == 0 || slices.EqualFunc(p.Verdicts, v.Verdicts, Verdict.equal)) &&
		!slices.ContainsFunc(v.Kept, func(k Kept) bool { return !keeps(p.Kept, k.Role, k.Hash) })
}

func (v Verdict) equal(w Verdict) bool {
	used := v.Used == w.Used || v.Used != nil && w.Used != nil && *v.Used == *w.Used
	v.Used, w.Used = nil, nil
	return used && v == w
}

// parents gives the whole hashes of the versions that a new one continues.
func (s *view) parents(refs []string) ([]Hash, error) {
	if refs == nil {
		base, err := s.base()
		if err != nil || base == "" {
			return nil, err
		}
		return []Hash{base}, nil
	}
	var parents []Hash
	for _, ref := range refs {
		h, err := s.resolve(ref)
		if err != nil {
			return nil, err
		}
		if !slices.Contains(parents, h) {
			parents = append(parents, h)
		}
	}
	return parents, nil
}

// add dates the version, and puts it and its files on the disk: first what it rests on, then itself.
func (s *view) add(ctx context.Context, v *Version, parents []Hash, files []File) error {
	v.Seen = s.chain.seen()
	v.Parents, v.Verdicts = listed(parents), listed(v.Verdicts)
	if err := s.date(v); err != nil {
		return err
	}
	v.Result = WorstResult(v.Verdicts)
	if err := v.check(); err != nil {
		return err
	}
	content := v.encode()
	// What cannot be read back must not be written.
	if _, err := parseVersion(content); err != nil {
		return fmt.Errorf("the version would not be readable: %w", err)
	}
	v.Hash = HashOf(content)
	if err := s.keep(ctx, files); err != nil {
		return err
	}
	if err := s.setContinues(ctx, v.Hash, s.continues(s.versions)); err != nil {
		return err
	}
	st := newStamp(v.Time, v.Hash)
	if err := s.publishStamped(ctx, versionsDir, st, content); err != nil {
		return err
	}
	place, _ := slices.BinarySearchFunc(s.versions.stamps, st.name, func(have stamp, name string) int {
		return strings.Compare(have.name, name)
	})
	v.Number = place + 1
	return nil
}

func (f *folder) publishStamped(ctx context.Context, shelfName string, st stamp, content []byte) error {
	dir, err := f.ensure(shelfName)
	if err != nil {
		return err
	}
	defer dir.close()
	_, err = dir.publish(ctx, st.name, bytes.NewReader(content), st.hash)
	return err
}

// date sets the version's time: the clock's, but after each parent's. A clock that went back, or a
// machine that runs behind, would else sort a version before what it continues.
func (s *view) date(v *Version) error {
	v.Time = s.book.now().UTC().Round(0)
	if err := checkTime(v.Time); err != nil {
		return err
	}
	clock := v.Time
	for _, st := range s.versions.stamps {
		if !slices.Contains(v.Parents, st.hash) {
			continue
		}
		t, err := time.Parse(stampLayout, st.time)
		if err != nil {
			return err
		}
		if !v.Time.After(t) {
			v.Time, v.Clock = t.Add(1), clock
		}
	}
	if checkTime(v.Time) != nil {
		return errors.New("the version to be continued is dated at the end of time, so none can follow it: restore another")
	}
	return nil
}
