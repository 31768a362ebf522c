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
	Marks     []Mark   `json:"marks"` // labels, approvals and writings to a controller, by time
}

// Approvals are the approvals of the version, by time.
func (e *Entry) Approvals() []Mark { return e.marks(MarkApproval) }

// Written are the writings of the version to a controller, by time.
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
	Boat     string    `json:"boat"`
	Versions []Entry   `json:"versions"`
	Working  Status    `json:"working"`
	Problems []Problem `json:"problems"` // what could not be read; Verify looks closer
}

// Last gives the newest mark of a kind and the version it is on, nil where there is none: which version
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

// List reads the versions of a boat.
func (b *Book) List(ctx context.Context, boat string) (*Listing, error) {
	f, versions, err := b.openVersions(ctx, boat)
	if err != nil {
		return nil, err
	}
	defer f.close()
	defer versions.close()
	all, problems, err := versions.versions(ctx, nil)
	if err != nil {
		return nil, err
	}
	marks, markProblems, err := f.marks(ctx, boat)
	if err != nil {
		return nil, err
	}
	working, workingProblems := f.status(versions, headsOf(all))
	return &Listing{
		Boat: boat, Versions: entries(all, marks, working), Working: working,
		Problems: listed(slices.Concat(problems, versions.strays, markProblems, workingProblems)),
	}, nil
}

// Show reads one version, with its settings.
func (b *Book) Show(ctx context.Context, boat, ref string) (*Entry, error) {
	f, versions, err := b.openVersions(ctx, boat)
	if err != nil {
		return nil, err
	}
	defer f.close()
	defer versions.close()
	h, err := f.resolve(ctx, versions, ref)
	if err != nil {
		return nil, err
	}
	shown, err := versions.byHash(h)
	if err != nil {
		return nil, err
	}
	all, _, err := versions.versions(ctx, nil)
	if err != nil {
		return nil, err
	}
	marks, _, err := f.marks(ctx, boat)
	if err != nil {
		return nil, err
	}
	st, _ := f.status(versions, headsOf(all))
	for _, e := range entries(all, marks, st) {
		if e.Hash == h {
			e.Settings = shown.Settings
			return &e, nil
		}
	}
	return nil, &NotFoundError{What: "version", Name: ref}
}

// Heads are the versions of a boat that none continues: one as a rule, more after others' versions
// were copied in.
func (b *Book) Heads(ctx context.Context, boat string) ([]Hash, error) {
	f, versions, err := b.openVersions(ctx, boat)
	if err != nil {
		return nil, err
	}
	defer f.close()
	defer versions.close()
	all, _, err := versions.versions(ctx, nil)
	return headsOf(all), err
}

// listed is a list that JSON shows as one even where it is empty.
func listed[T any](list []T) []T {
	if list == nil {
		return []T{}
	}
	return list
}

func entries(all []*Version, marks []*Mark, st Status) []Entry {
	on := map[Hash][]Mark{}
	for _, m := range marks {
		on[m.Version] = append(on[m.Version], *m)
	}
	labels := map[Hash][]string{}
	for label, h := range labelled(marks) {
		labels[h] = append(labels[h], label)
	}
	out := make([]Entry, len(all))
	for i, v := range all {
		slices.Sort(labels[v.Hash])
		out[i] = Entry{
			Version: *v, Labels: listed(labels[v.Hash]), Marks: listed(on[v.Hash]),
			Head: slices.Contains(st.Heads, v.Hash), Continued: v.Hash == st.Continues,
		}
	}
	return out
}
