package profiles

import (
	"context"
	"maps"
	"slices"
	"strconv"
	"strings"
)

// minPrefix is the fewest digits of a hash that are taken for one.
const minPrefix = 4

// Resolve gives the whole hash of the version that ref names: a hash, shortened to no less than four
// digits, a label, or "head" where there is only one.
func (b *Book) Resolve(ctx context.Context, boat, ref string) (h Hash, err error) {
	err = b.read(ctx, boat, nil, func(s *view) (err error) {
		h, err = s.resolve(ref)
		return err
	})
	return h, err
}

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
