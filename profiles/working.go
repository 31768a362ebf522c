package profiles

import (
	"context"
	"errors"
	"fmt"
	"io/fs"

	"github.com/pelletier/go-toml/v2"
)

// continues tells which version the working files of this machine continue, empty if that is not
// known: they are new, or another machine's.
func (f *folder) continues(versions *shelf) Hash {
	var file struct{ Version, Before Hash }
	content, err := f.read(continuesFile, maxStampedBytes)
	if err != nil || toml.Unmarshal(content, &file) != nil {
		return ""
	}
	for _, h := range []Hash{file.Version, file.Before} {
		if versions.has(h) {
			return h
		}
	}
	return ""
}

// setContinues records what the working files continue. It is written before the version itself is,
// and holds from the moment that version is there; a crash in between leaves what was before.
func (f *folder) setContinues(ctx context.Context, version, before Hash) error {
	var e encoder
	e.comment("Which version this machine's " + BoatFile + " and " + SettingsFile + " continue; the one before, until that is written.")
	e.line("version", string(version))
	e.optional("before", string(before))
	return f.replace(ctx, continuesFile, e.out)
}

// base is the version that the working files continue: the recorded one, else the only head. It is
// empty where there is no version yet.
func (s *view) base() (Hash, error) {
	if h := s.continues(s.versions); h != "" {
		return h, nil
	}
	h, err := s.onlyHead()
	var missing *NotFoundError
	if errors.As(err, &missing) {
		return "", nil
	}
	return h, err
}

// texts reads the working files. One that is missing, as in a fresh clone of the book, is as in the
// version that they continue; derived is then that version.
func (s *view) texts(ctx context.Context) (t Texts, derived Hash, err error) {
	boat, boatErr := s.read(BoatFile, maxBoatBytes)
	settings, settingsErr := s.read(SettingsFile, maxSettingsBytes)
	missing := errors.Is(boatErr, fs.ErrNotExist) || errors.Is(settingsErr, fs.ErrNotExist)
	if missing && len(s.versions.stamps) > 0 {
		base, err := s.base()
		if err != nil {
			return Texts{}, "", err
		}
		saved, err := s.savedTexts(ctx, base)
		if err != nil {
			return Texts{}, "", err
		}
		derived = base
		if errors.Is(boatErr, fs.ErrNotExist) {
			boat, boatErr = saved.Boat, nil
		}
		if errors.Is(settingsErr, fs.ErrNotExist) {
			settings, settingsErr = saved.Settings, nil
		}
	}
	if err := errors.Join(boatErr, settingsErr); err != nil {
		return Texts{}, "", fmt.Errorf("%s: working files: %w", s.versions.boat, err)
	}
	return Texts{Boat: boat, Settings: settings}, derived, nil
}

// savedTexts are the texts as a version holds them.
func (s *view) savedTexts(ctx context.Context, h Hash) (Texts, error) {
	v, err := s.versions.byHash(h)
	if err != nil {
		return Texts{}, err
	}
	boat, err := s.kept(ctx, v.BoatFile().Hash)
	if err != nil {
		return Texts{}, err
	}
	return Texts{Boat: boat, Settings: []byte(v.Settings)}, nil
}

// Texts reads the working files of a boat. In a fresh clone, which has none, they are as in the only
// head.
func (b *Book) Texts(ctx context.Context, boat string) (t Texts, err error) {
	err = b.read(ctx, boat, nil, func(s *view) (err error) {
		t, _, err = s.texts(ctx)
		return err
	})
	return t, err
}

// Edit changes a working file, BoatFile or SettingsFile, in one step: edit gets its text and returns
// the new one. Two edits at once follow each other, and neither is lost.
func (b *Book) Edit(ctx context.Context, boat, file string, edit func(text []byte) ([]byte, error)) error {
	if file != BoatFile && file != SettingsFile {
		return &InputError{Field: "working file", Value: file, Why: "is neither " + BoatFile + " nor " + SettingsFile}
	}
	return b.edit(ctx, boat, func(s *view) error {
		texts, derived, err := s.texts(ctx)
		if err != nil {
			return err
		}
		text := texts.Settings
		if file == BoatFile {
			text = texts.Boat
		}
		text, err = edit(text)
		if err == nil {
			err = checkWorking(file, text)
		}
		if err == nil && derived != "" {
			err = s.setContinues(ctx, derived, "")
		}
		if err == nil {
			err = s.replace(ctx, file, text)
		}
		if err != nil {
			return fmt.Errorf("edit %s of %s: %w", file, boat, err)
		}
		return nil
	})
}

// Status is how the working files stand to the versions.
type Status struct {
	Continues       Hash   `json:"continues,omitempty"` // the version they continue; empty if there is none, or it must be chosen
	Heads           []Hash `json:"heads"`               // the versions that none continues; two after others' versions were copied in
	BoatChanged     bool   `json:"boat_changed"`        // against Continues
	SettingsChanged bool   `json:"settings_changed"`
}

// status compares the working files with what they continue. A file that cannot be read is a problem
// to tell, and no reason to hide the versions.
func (s *view) status() (st Status, problems []Problem) {
	f, versions, heads := s.folder, s.versions, headsOf(s.all)
	st = Status{Heads: heads, Continues: f.continues(versions)}
	if st.Continues == "" && len(heads) == 1 {
		st.Continues = heads[0]
	}
	if st.Continues == "" {
		return st, nil
	}
	v, err := versions.byHash(st.Continues)
	if err != nil {
		return st, nil // a damaged version is told where the versions are read
	}
	differs := func(name string, limit int64, saved Hash) bool {
		text, err := f.read(name, limit)
		switch {
		case errors.Is(err, fs.ErrNotExist):
			return false // a fresh clone works from the version itself
		case err != nil:
			problems = append(problems, Problem{Path: f.at(name), What: err.Error(), Hurt: !isShortage(err)})
			return true
		}
		// Compared by hash, so that a damaged kept file does not hide a change.
		return HashOf(text) != saved
	}
	st.BoatChanged = differs(BoatFile, maxBoatBytes, v.BoatFile().Hash)
	st.SettingsChanged = differs(SettingsFile, maxSettingsBytes, HashOf([]byte(v.Settings)))
	return st, problems
}

// headsOf gives the versions that no other continues, in order.
func headsOf(all []*Version) []Hash {
	continued := map[Hash]bool{}
	for _, v := range all {
		for _, p := range v.Parents {
			continued[p] = true
		}
	}
	heads := []Hash{}
	for _, v := range all {
		if !continued[v.Hash] {
			heads = append(heads, v.Hash)
		}
	}
	return heads
}
