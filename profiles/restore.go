package profiles

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"slices"
)

// RestoreOptions say how a version is brought back.
type RestoreOptions struct {
	Author string // who restores; required
	Reason string // why; empty is "restore HASH"
	Tool   string // the tool's version; required

	// Parents name the versions the new one continues. Nil is the restored one if it is a head, else the
	// only head, or, of several, the one that the working files continue.
	Parents []string

	// SettingsOnly leaves the boat file as it is now. The verdicts, which rest on the old one, are then
	// left out.
	SettingsOnly bool
	// Discard overwrites working files whose text is in no version. Without it that is ErrUnsaved.
	Discard bool
}

// Restore brings a version's settings, boat file, verdicts and evidence back as a new version, and
// into the working files. Where the version to be continued holds the same already, as a head that is
// restored does, only the working files are set to it, and it is returned itself.
func (b *Book) Restore(ctx context.Context, boat, ref string, o RestoreOptions) (v *Version, err error) {
	saved := map[Hash]bool{} // settings texts in versions
	err = b.write(ctx, boat, func(v *Version) { saved[HashOf([]byte(v.Settings))] = true }, func(s *view) (err error) {
		if v, err = s.restore(ctx, ref, o, saved); err != nil {
			return fmt.Errorf("restore %q of %s: %w", ref, boat, err)
		}
		return nil
	})
	return v, err
}

func (s *view) restore(ctx context.Context, ref string, o RestoreOptions, savedSettings map[Hash]bool) (*Version, error) {
	settings, err := s.read(SettingsFile, maxSettingsBytes)
	saved := errors.Is(err, fs.ErrNotExist) || o.Discard || savedSettings[HashOf(settings)]
	h, err := s.resolve(ref)
	if err != nil {
		return nil, err
	}
	old, err := s.versions.byHash(h)
	if err != nil {
		return nil, err
	}
	texts, err := s.restored(ctx, old, o.SettingsOnly)
	if err != nil {
		return nil, err
	}
	if !saved && string(settings) != string(texts.Settings) {
		return nil, fmt.Errorf("%w: %s is in no version; save it first, or discard it", ErrUnsaved, SettingsFile)
	}
	if boat, err := s.read(BoatFile, maxBoatBytes); err == nil && !o.Discard && string(boat) != string(texts.Boat) {
		hash := HashOf(boat)
		if !slices.ContainsFunc(s.all, func(v *Version) bool { return v.BoatFile().Hash == hash }) {
			return nil, fmt.Errorf("%w: %s is in no version; save it first, or discard it", ErrUnsaved, BoatFile)
		}
	}
	v := &Version{
		Boat: old.Boat, Author: o.Author, Reason: o.Reason, Tool: o.Tool, Restores: h,
		Settings: old.Settings, Kept: old.Kept, Verdicts: old.Verdicts,
	}
	if v.Reason == "" {
		v.Reason = "restore " + h.Short()
	}
	var files []File
	if o.SettingsOnly {
		files = []File{{Role: RoleBoat, Name: BoatFile, Content: texts.Boat}}
		v.Kept, v.Verdicts = []Kept{files[0].kept()}, nil
	}
	parents, err := s.restoreParents(h, o.Parents)
	if err != nil {
		return nil, err
	}
	// The working files first: until the record follows, their content is simply not saved yet.
	if err := s.setTexts(ctx, texts); err != nil {
		return nil, err
	}
	if len(parents) == 1 {
		if p, err := s.versions.byHash(parents[0]); err == nil && p.covers(v) {
			return p, s.setContinues(ctx, p.Hash, "")
		}
	}
	if err := s.add(ctx, v, parents, files); err != nil {
		return nil, err
	}
	return v, nil
}

// restored gives the working texts after the restoring, and checks that all they rest on is whole.
func (s *view) restored(ctx context.Context, old *Version, settingsOnly bool) (Texts, error) {
	if settingsOnly {
		now, _, err := s.texts(ctx)
		return Texts{Boat: now.Boat, Settings: []byte(old.Settings)}, err
	}
	for _, k := range old.Kept {
		if err := s.checkKeptFile(ctx, k); err != nil {
			return Texts{}, err
		}
	}
	return s.savedTexts(ctx, old.Hash)
}

func (s *view) restoreParents(old Hash, refs []string) ([]Hash, error) {
	heads := headsOf(s.all)
	if refs != nil {
		return s.parents(refs)
	}
	for _, h := range []Hash{old, s.continues(s.versions)} {
		if slices.Contains(heads, h) {
			return []Hash{h}, nil
		}
	}
	if len(heads) > 1 {
		return nil, &HeadsError{Boat: s.versions.boat, Heads: heads}
	}
	return heads, nil
}

// setTexts gives both working files new content.
func (f *folder) setTexts(ctx context.Context, t Texts) error {
	if err := f.replace(ctx, BoatFile, t.Boat); err != nil {
		return err
	}
	return f.replace(ctx, SettingsFile, t.Settings)
}
