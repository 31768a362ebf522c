package profiles

import (
	"context"
	"slices"
)

// Entry is a version with what was recorded about it later.
type Entry struct {
	Version
	Head      bool     `json:"head"`      // no version continues it
	Continued bool     `json:"continued"` // this machine's working files continue it
	Labels    []string `json:"labels"`
	Marks     []Mark   `json:"marks"` // labels, approvals, writings to a controller and measurements, by time
	// Controllers are those that hold this version: it was written to them last.
	Controllers []string `json:"controllers"`
	// Problems are what could not be read in the boat's book, the newest version perhaps; given by Show only.
	Problems []Problem `json:"problems,omitzero"`
}

// Holds reports whether the controller of one of its marks holds this version: it was written to it last.
func (e *Entry) Holds(m Mark) bool {
	title, _, _ := cutPort(m.Controller)
	return slices.Contains(e.Controllers, m.Controller) || slices.Contains(e.Controllers, title)
}

// Approvals returns the approvals of the version, by time.
func (e *Entry) Approvals() []Mark { return e.marks(MarkApproval) }

// Written returns the writings of the version to a controller, by time.
func (e *Entry) Written() []Mark { return e.marks(MarkWritten) }

func (e *Entry) marks(kind MarkKind) []Mark {
	var some []Mark
	for _, m := range e.Marks {
		if m.Kind == kind {
			some = append(some, m)
		}
	}
	return some
}

// Listing is all of a boat's versions that can be read, from the oldest on, without their settings.
type Listing struct {
	Boat     string  `json:"boat"`
	Versions []Entry `json:"versions"`
	Working  Status  `json:"working"`
	// Tips are the newest entries of the chain, one as a rule: each stands for all entries before it. Verify holds the
	// book against one that was noted elsewhere.
	Tips     []Hash    `json:"tips"`
	Moves    []Move    `json:"moved,omitzero"` // labels that were on another version before
	Problems []Problem `json:"problems"`       // what could not be read; Verify looks closer
}

// Last returns the newest mark of a kind and the version it is on, nil where there is none: which version
// was approved last, or written to a controller last.
func (l *Listing) Last(kind MarkKind) (*Entry, *Mark) {
	var entry *Entry
	var last *Mark
	for i := range l.Versions {
		for j := range l.Versions[i].Marks {
			m := &l.Versions[i].Marks[j]
			if m.Kind == kind && (last == nil || m.Time.After(last.Time)) {
				entry, last = &l.Versions[i], m
			}
		}
	}
	return entry, last
}

// Records returns the records kept with a boat's versions and marks, each once, in the order in which they came.
func (l *Listing) Records() (list []Kept) {
	add := func(kept []Kept) {
		for _, k := range kept {
			if k.Role == RoleRecord && !slices.ContainsFunc(list, func(o Kept) bool { return o.Hash == k.Hash }) {
				list = append(list, k)
			}
		}
	}
	for i := range l.Versions {
		add(l.Versions[i].Kept)
		for j := range l.Versions[i].Marks {
			add(l.Versions[i].Marks[j].Kept)
		}
	}
	return list
}

// List reads the versions of a boat.
func (b *Book) List(ctx context.Context, boat string) (l *Listing, err error) {
	err = b.read(ctx, boat, nil, func(s *view) error {
		working, problems := s.status()
		l = &Listing{Boat: boat, Versions: s.entries(working), Working: working, Tips: s.chain.readable(), Moves: s.moves(), Problems: listed(slices.Concat(s.problems, problems))}
		return nil
	})
	return l, err
}

// Show reads one version, with its settings.
func (b *Book) Show(ctx context.Context, boat, ref string) (shown *Entry, err error) {
	err = b.read(ctx, boat, nil, func(s *view) error {
		h, err := s.resolve(ref)
		if err != nil {
			return err
		}
		v, err := s.versions.byHash(h)
		if err != nil {
			return err
		}
		working, problems := s.status()
		for _, e := range s.entries(working) {
			if e.Hash == h {
				e.Settings, e.Problems = v.Settings, listed(slices.Concat(s.problems, problems))
				shown = &e
				return nil
			}
		}
		return &NotFoundError{What: "version", Name: ref}
	})
	return shown, err
}

// listed returns a list that JSON shows as one even where it is empty.
func listed[T any](list []T) []T {
	if list == nil {
		return []T{}
	}
	return list
}

func (s *view) entries(st Status) []Entry {
	on := map[Hash][]Mark{}
	for _, m := range s.marks {
		on[m.Version] = append(on[m.Version], *m)
	}
	labels, controllers := map[Hash][]string{}, map[Hash][]string{}
	for label, m := range s.labelled() {
		labels[m.Version] = append(labels[m.Version], label)
	}
	for name, m := range s.controllers() {
		controllers[m.Version] = append(controllers[m.Version], name)
	}
	out := make([]Entry, len(s.all))
	for i, v := range s.all {
		slices.Sort(labels[v.Hash])
		slices.Sort(controllers[v.Hash])
		out[i] = Entry{
			Version: *v, Labels: listed(labels[v.Hash]), Marks: listed(on[v.Hash]), Controllers: listed(controllers[v.Hash]),
			Head: slices.Contains(st.Heads, v.Hash), Continued: v.Hash == st.Continues,
		}
	}
	return out
}
