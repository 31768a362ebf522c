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
func (b *Book) Restore(ctx context.Context, boat, ref string, o RestoreOptions) (*Version, error) {
	f, versions, done, err := b.change(ctx, boat)
	if err != nil {
		return nil, err
	}
	defer done()
	v, err := b.restore(ctx, f, versions, ref, o)
	if err != nil {
		return nil, fmt.Errorf("restore %q of %s: %w", ref, boat, err)
	}
	return v, nil
}

func (b *Book) restore(ctx context.Context, f *folder, versions *shelf, ref string, o RestoreOptions) (*Version, error) {
	settings, err := f.read(SettingsFile, maxSettingsBytes)
	saved := errors.Is(err, fs.ErrNotExist) || o.Discard
	all, _, err := versions.versions(ctx, func(v *Version) { saved = saved || v.Settings == string(settings) })
	if err != nil {
		return nil, err
	}
	h, err := f.resolve(ctx, versions, ref)
	if err != nil {
		return nil, err
	}
	old, err := versions.byHash(h)
	if err != nil {
		return nil, err
	}
	texts, err := f.restored(ctx, versions, old, o.SettingsOnly)
	if err != nil {
		return nil, err
	}
	if !saved && string(settings) != string(texts.Settings) {
		return nil, fmt.Errorf("%w: %s is in no version; save it first, or discard it", ErrUnsaved, SettingsFile)
	}
	if boat, err := f.read(BoatFile, maxBoatBytes); err == nil && !o.Discard && string(boat) != string(texts.Boat) {
		hash := HashOf(boat)
		if !slices.ContainsFunc(all, func(v *Version) bool { return v.BoatFile().Hash == hash }) {
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
	parents, err := b.restoreParents(ctx, f, versions, headsOf(all), h, o.Parents)
	if err != nil {
		return nil, err
	}
	// The working files first: until the record follows, their content is simply not saved yet.
	if err := f.setTexts(ctx, texts); err != nil {
		return nil, err
	}
	if len(parents) == 1 {
		if p, err := versions.byHash(parents[0]); err == nil && p.covers(v) {
			return p, f.setContinues(ctx, p.Hash, "")
		}
	}
	return v, b.write(ctx, f, versions, v, parents, files)
}

// restored gives the working texts after the restoring, and checks that all they rest on is whole.
func (f *folder) restored(ctx context.Context, versions *shelf, old *Version, settingsOnly bool) (Texts, error) {
	if settingsOnly {
		now, _, err := f.texts(ctx, versions)
		return Texts{Boat: now.Boat, Settings: []byte(old.Settings)}, err
	}
	for _, k := range old.Kept {
		if err := f.checkKeptFile(ctx, k); err != nil {
			return Texts{}, err
		}
	}
	return f.savedTexts(ctx, versions, old.Hash)
}

func (b *Book) restoreParents(ctx context.Context, f *folder, versions *shelf, heads []Hash, old Hash, refs []string) ([]Hash, error) {
	if refs != nil {
		return b.parents(ctx, f, versions, refs)
	}
	for _, h := range []Hash{old, f.continues(versions)} {
		if slices.Contains(heads, h) {
			return []Hash{h}, nil
		}
	}
	if len(heads) > 1 {
		return nil, &HeadsError{Boat: versions.boat, Heads: heads}
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
