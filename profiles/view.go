package profiles

import (
	"context"
	"maps"
	"slices"
	"strconv"
	"strings"
)

// view is a boat's folder as one verb sees it: everything written once has been read, and what is wrong with it was
// handed to Options.OnProblem. Every verb that reads or changes versions goes through read or write.
type view struct {
	*folder
	book      *Book
	versions  *shelf
	last      continued  // what this machine saved or restored last
	all       []*Version // without their settings
	marks     []*Mark
	chain     *chain
	problems  []Problem // damaged and missing files, and remarks
	unsure    []Problem // those of problems that may be versions
	hurtMarks []Problem
	lostKept  []Problem // those of problems that are kept files
}

// read opens a boat for reading and calls do. visit, if given, sees each version with its settings before do is called.
func (b *Book) read(ctx context.Context, boat string, visit func(*Version), do func(*view) error) error {
	f, err := b.openBoat(boat)
	if err != nil {
		return err
	}
	defer f.close()
	return b.see(ctx, f, boat, visit, do)
}

// write opens a boat for a change and calls do: no other process changes the boat until do returns. It refuses where
// damage leaves open which version is the newest, unless Options.DespiteDamage is set.
func (b *Book) write(ctx context.Context, boat string, visit func(*Version), do func(*view) error) error {
	return b.lock(ctx, boat, visit, func(s *view) error {
		if p := s.doubt(); p != nil && !b.despiteDamage {
			return newestDoubt(boat, *p)
		}
		return do(s)
	})
}

// edit does what write does for the working files, which damage to the versions does not touch. Where they are missing, and are made
// from the newest version, that must be certain.
func (b *Book) edit(ctx context.Context, boat string, do func(*view) error) error {
	return b.lock(ctx, boat, nil, func(s *view) error {
		for _, name := range []string{BoatFile, SettingsFile} {
			if _, err := s.root.Lstat(name); err != nil && s.doubt() != nil && !b.despiteDamage {
				return newestDoubt(boat, *s.doubt())
			}
		}
		return do(s)
	})
}

func (b *Book) lock(ctx context.Context, boat string, visit func(*Version), do func(*view) error) error {
	f, err := b.openBoat(boat)
	if err != nil {
		return err
	}
	defer f.close()
	unlock, err := f.lock(ctx)
	if err != nil {
		return err
	}
	defer unlock()
	return b.see(ctx, f, boat, visit, do)
}

func (b *Book) see(ctx context.Context, f *folder, boat string, visit func(*Version), do func(*view) error) error {
	s, err := b.openView(ctx, f, boat, visit)
	if err != nil {
		return err
	}
	defer s.versions.close()
	if b.onProblem != nil {
		doubt := s.doubt()
		for _, p := range s.problems {
			if doubt != nil && p == *doubt {
				p.What += "; that entry may be a newer version than those shown"
			}
			b.onProblem(p)
		}
	}
	return do(s)
}

func (b *Book) openView(ctx context.Context, f *folder, boat string, visit func(*Version)) (*view, error) {
	last := f.continued() // before the list, or a save meanwhile would seem deleted
	versions, err := f.shelf(ctx, boat, versionsDir)
	if err != nil {
		return nil, err
	}
	s := &view{folder: f, book: b, versions: versions, last: last}
	if err := s.load(ctx, visit); err != nil {
		versions.close()
		return nil, err
	}
	return s, nil
}

func (s *view) load(ctx context.Context, visit func(*Version)) error {
	all, hurt, err := s.versions.versions(ctx, visit)
	if err != nil {
		return err
	}
	shelf, err := s.folder.shelf(ctx, s.versions.boat, marksDir)
	if err != nil {
		return err
	}
	defer shelf.close()
	marks, hurtMarks, err := every(ctx, shelf, shelf.mark, nil)
	if err != nil {
		return err
	}
	s.all, s.marks = all, marks
	s.chain = newChain(s.folder, all, marks, append(slices.Clone(s.versions.stamps), shelf.stamps...))
	missing := s.chain.missing()
	if h := s.last.Version; s.last.Saved && s.chain.nodes[h] == nil && s.chain.named[h] == nil {
		missing = append(missing, Problem{Path: s.at(continuesFile), Hash: h, Hurt: true,
			What: "the working files continue the version " + h.Short() + ", which is missing: it was deleted, or not copied here"})
	}
	s.hurtMarks = hurtMarks
	s.unsure = slices.Concat(hurt, missing)
	s.lostKept, err = s.lost(ctx)
	s.problems = slices.Concat(hurt, s.versions.strays, hurtMarks, shelf.strays, missing, s.lostKept, s.contested())
	return err
}

// doubt returns a damaged or missing entry that may be the newest version: one that no readable version has seen. It is
// nil where there is none.
func (s *view) doubt() *Problem {
	var versions []Hash
	for _, v := range s.all {
		versions = append(versions, v.Hash)
	}
	seen := s.chain.reached(versions...)
	for _, p := range s.unsure {
		if !seen[p.Hash] {
			return &p
		}
	}
	return nil
}

// minPrefix is the fewest digits of a hash that are taken for one.
const minPrefix = 4

// resolve returns the whole hash of the version that ref names: a hash, shortened to no less than four
// digits, a label, or "head" where there is only one.
func (s *view) resolve(ref string) (Hash, error) {
	lower := strings.ToLower(ref)
	switch {
	case lower == RefHead:
		return s.onlyHead()
	case lower != "" && isLowerHex(lower):
		return s.versions.byPrefix(lower)
	case isNumber(lower):
		why := "is a place in the list, which shifts when versions are copied in: name the version by its hash"
		if n, err := strconv.Atoi(lower[1:]); err == nil && n >= 1 && n <= len(s.versions.stamps) {
			why += "; this one is now " + s.versions.stamps[n-1].hash.Short()
		}
		return "", &InputError{Field: "version", Value: ref, Why: why}
	}
	labels := s.labelled()
	if m, ok := labels[ref]; ok {
		return m.Version, nil
	}
	return "", &NotFoundError{What: "label or version", Name: Printable(ref), Have: slices.Sorted(maps.Keys(labels))}
}

func (s *view) onlyHead() (Hash, error) {
	switch heads := headsOf(s.all); len(heads) {
	case 0:
		return "", &NotFoundError{What: "version", Name: RefHead}
	case 1:
		return heads[0], nil
	default:
		return "", &HeadsError{Boat: s.versions.boat, Heads: heads}
	}
}

func (s *shelf) byPrefix(prefix string) (Hash, error) {
	if len(prefix) < minPrefix {
		return "", &InputError{Field: "hash", Value: prefix, Why: "is too short: give at least four digits"}
	}
	var fits []Hash
	for _, st := range s.stamps {
		if strings.HasPrefix(string(st.hash), prefix) && !slices.Contains(fits, st.hash) {
			fits = append(fits, st.hash)
		}
	}
	switch len(fits) {
	case 0:
		return "", &NotFoundError{What: "version", Name: prefix}
	case 1:
		return fits[0], nil
	}
	return "", &AmbiguousError{Prefix: prefix, Candidates: fits}
}
