package profiles

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"slices"
	"strings"
	"time"

	"github.com/pelletier/go-toml/v2"
)

// Version is one saved profile of a boat. It is never changed.
type Version struct {
	Boat   string `json:"boat"`
	Hash   Hash   `json:"hash"`   // of the version's file
	Number int    `json:"number"` // 1 for v1, ...: its place in the order of time; may shift when versions are copied in

	Time     time.Time `json:"time"`           // never before its parents'
	Clock    time.Time `json:"clock,omitzero"` // what the machine's clock said, where that was before a parent's time
	Author   string    `json:"author"`
	Reason   string    `json:"reason"`
	Tool     string    `json:"tool"`               // the tool's version that saved it
	Parents  []Hash    `json:"parents"`            // what it continues: none for the first, several where heads were joined
	Restores Hash      `json:"restores,omitempty"` // the older version whose content it brings back
	// Seen are the tips of the boat's entries when it was saved, marks included; nil in a version from before the chain.
	Seen []Hash `json:"seen"`

	Result   Result    `json:"result"` // the worst of the verdicts, empty if nothing was tried
	Verdicts []Verdict `json:"verdicts"`
	Kept     []Kept    `json:"kept"`
	Settings string    `json:"settings,omitempty"` // the text of settings.toml; empty in a Listing
}

// BoatFile returns the kept boat file of the version.
func (v *Version) BoatFile() Kept {
	for _, k := range v.Kept {
		if k.Role == RoleBoat {
			return k
		}
	}
	return Kept{}
}

// The formats of versions and marks: in the first they name no tips.
const (
	unchainedFormat = 1
	stampedFormat   = 2
)

func formatOf(seen []Hash) int64 {
	if seen == nil {
		return unchainedFormat
	}
	return stampedFormat
}

// checkSeen checks the tips of an entry against its format.
func checkSeen(format int, seen []Hash) ([]Hash, error) {
	if format == unchainedFormat {
		if seen != nil {
			return nil, errNotCanonical
		}
		return nil, nil
	}
	if len(seen) > maxSeen {
		return nil, fmt.Errorf("%d tips are more than the %d an entry names", len(seen), maxSeen)
	}
	for i, h := range seen {
		if !h.valid() || i > 0 && h <= seen[i-1] {
			return nil, fmt.Errorf("seen %q is not a hash, or out of order", Printable(string(h)))
		}
	}
	return listed(seen), nil
}

func (v *Version) encode() []byte {
	e := encoder{out: make([]byte, 0, 1024+len(v.Settings))}
	e.comment("A version in a quaybench book. It is never changed: its name is its time and the SHA-256 of these bytes.")
	e.integer("format", formatOf(v.Seen))
	e.line("boat", v.Boat)
	e.time("time", v.Time)
	if !v.Clock.IsZero() {
		e.time("clock", v.Clock)
	}
	e.line("author", v.Author)
	e.line("reason", v.Reason)
	e.line("tool", v.Tool)
	e.hashes("parents", v.Parents)
	e.optional("restores", string(v.Restores))
	e.seen(v.Seen)
	e.verdicts(v.Verdicts)
	e.kept(v.Kept)
	e.table("[settings]")
	e.text("text", v.Settings)
	return e.out
}

// parseVersion reads a version's file. Only what encode writes is accepted, so whatever is read is
// within the limits and safe to show.
func parseVersion(content []byte) (*Version, error) {
	var file struct {
		Format   int
		Boat     string
		Time     time.Time
		Clock    time.Time
		Author   string
		Reason   string
		Tool     string
		Parents  []Hash
		Restores Hash
		Seen     []Hash
		Verdict  []Verdict
		Kept     []Kept
		Settings struct{ Text string }
	}
	if err := readTOML(content, &file, &file.Format); err != nil {
		return nil, err
	}
	v := &Version{
		Boat: file.Boat, Time: file.Time, Clock: file.Clock,
		Author: file.Author, Reason: file.Reason, Tool: file.Tool,
		Parents: listed(file.Parents), Restores: file.Restores,
		Verdicts: listed(file.Verdict), Kept: file.Kept, Settings: file.Settings.Text,
		Hash: HashOf(content), Result: worstResult(file.Verdict),
	}
	var err error
	if v.Seen, err = checkSeen(file.Format, file.Seen); err != nil {
		return nil, err
	}
	if err := v.check(); err != nil {
		return nil, err
	}
	if !bytes.Equal(v.encode(), content) {
		return nil, errNotCanonical
	}
	return v, nil
}

var errNotCanonical = errors.New("it is not written as quaybench writes it")

// readTOML decodes a file that is written once; format is where its format number goes.
func readTOML(content []byte, file any, format *int) error {
	if len(content) > maxStampedBytes {
		return fmt.Errorf("it is larger than %d bytes", maxStampedBytes)
	}
	if err := toml.Unmarshal(content, file); err != nil {
		return errors.New(Printable(err.Error()))
	}
	if *format != unchainedFormat && *format != stampedFormat {
		return formatError(*format)
	}
	return nil
}

// check reports whether the version may be written, or used after reading.
func (v *Version) check() error {
	for _, err := range []error{
		CheckBoatName(v.Boat),
		checkTime(v.Time),
		checkLine("author", v.Author, maxLineBytes),
		checkLine("reason", v.Reason, maxProseBytes),
		checkLine("tool", v.Tool, maxLineBytes),
		checkText(SettingsFile, v.Settings, maxSettingsBytes),
		checkKept(v.Kept),
		checkVerdicts(v.Verdicts, v.Kept),
	} {
		if err != nil {
			return err
		}
	}
	if !v.Clock.IsZero() {
		if err := checkTime(v.Clock); err != nil {
			return err
		}
	}
	if len(v.Parents) > maxParents {
		return fmt.Errorf("%d parents are more than the %d a version takes", len(v.Parents), maxParents)
	}
	for i, p := range v.Parents {
		if !p.valid() || slices.Contains(v.Parents[:i], p) {
			return fmt.Errorf("parent %q is not a hash, or named twice", Printable(string(p)))
		}
	}
	if v.Restores != "" && !v.Restores.valid() {
		return fmt.Errorf("restores %q, which is not a hash", Printable(string(v.Restores)))
	}
	boats := 0
	for _, k := range v.Kept {
		if k.Role == RoleBoat {
			boats++
		}
	}
	if boats != 1 {
		return fmt.Errorf("it keeps %d boat files, not one", boats)
	}
	return nil
}

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

// Save adds a version of the working files. When it returns without error the version is on the disk;
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
	for _, h := range parents {
		// A parent that is damaged cannot be compared with; a new whole version is the more welcome.
		p, err := s.versions.byHash(h)
		if err != nil {
			continue
		}
		if err := s.restsOn(ctx, p, v.Kept); err != nil {
			return nil, err
		}
		if len(parents) == 1 && p.covers(v) {
			if len(s.lostKept) > 0 { // what is kept anew may be lost
				if err := s.keep(ctx, files); err != nil {
					return nil, err
				}
			}
			return nil, fmt.Errorf("%w: v%d %s holds the same", ErrUnchanged, p.Number, p.Hash.Short())
		}
	}
	if err := s.add(ctx, v, parents, files); err != nil {
		return nil, err
	}
	return v, nil
}

// covers reports whether saving v as a child of p would add nothing.
func (p *Version) covers(v *Version) bool {
	return p.Settings == v.Settings &&
		(len(v.Verdicts) == 0 || slices.EqualFunc(p.Verdicts, v.Verdicts, Verdict.equal)) &&
		!slices.ContainsFunc(v.Kept, func(k Kept) bool { return !keepsFile(p.Kept, k.Role, k.Hash) })
}

func (v Verdict) equal(w Verdict) bool {
	used := v.Used == w.Used || v.Used != nil && w.Used != nil && *v.Used == *w.Used
	v.Used, w.Used = nil, nil
	return used && v == w
}

// parents returns the whole hashes of the versions that a new one continues.
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
	v.Result = worstResult(v.Verdicts)
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
	if err := s.beginContinues(ctx, v.Hash, s.continues(s.versions)); err != nil {
		return err
	}
	st := newStamp(v.Time, v.Hash)
	if err := s.publishStamped(ctx, versionsDir, st, content); err != nil {
		return err
	}
	_ = s.setContinues(ctx, v.Hash) // the version is saved; without this its deletion goes unseen until the next
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
			return p, s.setContinues(ctx, p.Hash)
		}
	}
	if err := s.add(ctx, v, parents, files); err != nil {
		return nil, err
	}
	return v, nil
}

// restored returns the working texts after the restoring, and checks that all they rest on is whole.
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

// setTexts writes both working files.
func (f *folder) setTexts(ctx context.Context, t Texts) error {
	if err := f.replace(ctx, BoatFile, t.Boat); err != nil {
		return err
	}
	return f.replace(ctx, SettingsFile, t.Settings)
}
