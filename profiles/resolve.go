package profiles

import (
	"context"
	"regexp"
	"slices"
	"strconv"
	"strings"
)

// minPrefix is the fewest digits of a hash that are taken for one.
const minPrefix = 4

var hexRef = regexp.MustCompile(`^[0-9a-f]+$`)

// Resolve gives the whole hash of the version that ref names: a hash, shortened to no less than four
// digits, a label, or "head" where there is only one.
func (b *Book) Resolve(ctx context.Context, boat, ref string) (Hash, error) {
	f, versions, err := b.openVersions(ctx, boat)
	if err != nil {
		return "", err
	}
	defer f.close()
	defer versions.close()
	return f.resolve(ctx, versions, ref)
}

func (f *folder) resolve(ctx context.Context, versions *shelf, ref string) (Hash, error) {
	lower := strings.ToLower(ref)
	switch {
	case lower == RefHead:
		return f.onlyHead(ctx, versions)
	case hexRef.MatchString(lower):
		return versions.byPrefix(lower)
	case numberName.MatchString(lower):
		why := "is a place in the list, which shifts when versions are copied in: name the version by its hash"
		if n, err := strconv.Atoi(lower[1:]); err == nil && n >= 1 && n <= len(versions.stamps) {
			why += "; this one is now " + versions.stamps[n-1].hash.Short()
		}
		return "", &InputError{Field: "version", Value: ref, Why: why}
	}
	marks, _, err := f.marks(ctx, versions.boat)
	if err != nil {
		return "", err
	}
	labels := labelled(marks)
	if h, ok := labels[ref]; ok {
		return h, nil
	}
	var have []string
	for l := range labels {
		have = append(have, l)
	}
	slices.Sort(have)
	return "", &NotFoundError{What: "label or version", Name: Printable(ref), Have: have}
}

func (f *folder) onlyHead(ctx context.Context, versions *shelf) (Hash, error) {
	all, _, err := versions.versions(ctx, nil)
	if err != nil {
		return "", err
	}
	switch heads := headsOf(all); len(heads) {
	case 0:
		return "", &NotFoundError{What: "version", Name: RefHead}
	case 1:
		return heads[0], nil
	default:
		return "", &HeadsError{Boat: versions.boat, Heads: heads}
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

// marks reads all marks of a boat in the order of time.
func (f *folder) marks(ctx context.Context, boat string) ([]*Mark, []Problem, error) {
	shelf, err := f.shelf(ctx, boat, marksDir)
	if err != nil {
		return nil, nil, err
	}
	defer shelf.close()
	marks, hurt, err := every(ctx, shelf, shelf.mark, nil)
	return marks, append(hurt, shelf.strays...), err
}

// labelled gives the version each label is on: the one it was put on last.
func labelled(marks []*Mark) map[string]Hash {
	on := map[string]Hash{}
	for _, m := range marks {
		if m.Kind == MarkLabel {
			on[m.Label] = m.Version
		}
	}
	return on
}
