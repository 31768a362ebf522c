package profiles

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"time"

	"github.com/pelletier/go-toml/v2"
)

// The names in a book; see the package's documentation.
const (
	// BoatFile and SettingsFile are the working files of a boat.
	BoatFile     = "boat.toml"
	SettingsFile = "settings.toml"

	// MapFile and ObjectMapFile are the maps of the boat's controller, of its registers (Modbus) or its objects (CANopen), and JournalFile
	// what was written to the controller from here, where it has them.
	MapFile       = "registers.toml"
	ObjectMapFile = "objects.toml"
	JournalFile   = "controller-journal.jsonl"

	continuesFile = "continues.toml"
	versionsDir   = "versions"
	marksDir      = "marks"
	keptDir       = "kept"

	attributesFile = ".gitattributes"
	ignoreFile     = ".gitignore"
)

// attributesText keeps git from changing bytes, whatever core.autocrlf or a folder above says.
const attributesText = `# The files here are known by the hash of their bytes: git must not touch line ends or keywords.
* -text -ident -filter
`

// ignoreText keeps out of git what belongs to one machine and would conflict. Versions hold the
// content of the working files, so nothing saved is missing from a clone.
const ignoreText = firstIgnoreText + `/*/` + lockFile + "\n"

// firstIgnoreText is that of books made before there was a lock file.
const firstIgnoreText = `# Each machine's own: the working files, what they continue, and unfinished writes.
# What is to be shared is saved as a version, which holds their content.
/*/` + BoatFile + `
/*/` + SettingsFile + `
/*/` + continuesFile + `
` + temporaryPrefix + `*
`

// Options are what a book takes from outside.
type Options struct {
	// Now is the clock; nil is the system's.
	Now func() time.Time
	// Rows reads a settings text into rows for Diff and History, and refuses a text that should not be
	// saved. Nil is plainRows, which knows no keys.
	Rows func(settings []byte) ([]Row, error)
	// OnProblem is called by each verb for each damaged or missing version and mark it comes by, and for what two machines
	// say differently. It may be called by several goroutines. Nil drops them.
	OnProblem func(Problem)
	// DespiteDamage lets verbs write where damage leaves open which version is the newest.
	DespiteDamage bool
}

// Book is the profiles of all boats in one folder.
type Book struct {
	dir  string
	now  func() time.Time
	rows func([]byte) ([]Row, error)

	onProblem     func(Problem)
	despiteDamage bool

	fault func(op, path string) error // set by tests
	opens func(path string) error     // set by tests
}

func newBook(dir string, o Options) *Book {
	b := &Book{dir: dir, now: o.Now, rows: o.Rows, onProblem: o.OnProblem, despiteDamage: o.DespiteDamage}
	if b.now == nil {
		b.now = time.Now
	}
	if b.rows == nil {
		b.rows = plainRows
	}
	return b
}

// Open opens a book that is there. It reads nothing yet and needs no closing.
func Open(dir string, o Options) (*Book, error) {
	info, err := os.Stat(dir)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, &NotFoundError{What: "book", Name: dir}
	case err != nil:
		return nil, fmt.Errorf("open the book: %w", err)
	case !info.IsDir():
		return nil, &InputError{Field: "book", Value: dir, Why: "is a file, not a folder"}
	}
	return newBook(dir, o), nil
}

// Create creates the folder of a book, with what keeps git from changing it, and opens it. A folder that
// is there already is taken as it is.
func Create(dir string, o Options) (*Book, error) {
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return nil, fmt.Errorf("make the book: %w", err)
	}
	b := newBook(dir, o)
	f, err := b.openRoot()
	if err != nil {
		return nil, err
	}
	defer f.close()
	for name, text := range map[string]string{attributesFile: attributesText, ignoreFile: ignoreText} {
		if _, err := f.root.Lstat(name); err == nil {
			continue
		}
		if err := f.replace(context.Background(), name, []byte(text)); err != nil {
			return nil, fmt.Errorf("make the book: %w", err)
		}
	}
	return b, nil
}

// Dir returns the book's folder.
func (b *Book) Dir() string { return b.dir }

func (b *Book) openRoot() (*folder, error) {
	root, err := os.OpenRoot(b.dir)
	if err != nil {
		return nil, fmt.Errorf("open the book: %w", err)
	}
	return &folder{root: root, fault: b.fault, opens: b.opens}, nil
}

// openBoat opens the folder of a boat.
func (b *Book) openBoat(boat string) (*folder, error) {
	if err := CheckBoatName(boat); err != nil {
		return nil, err
	}
	root, err := b.openRoot()
	if err != nil {
		return nil, err
	}
	defer root.close()
	f, err := root.sub(boat)
	if err == nil && !f.isBoat() {
		f.close()
		err = fs.ErrNotExist
	}
	if errors.Is(err, fs.ErrNotExist) {
		have, _ := b.Boats(context.Background())
		return nil, &NotFoundError{What: "boat", Name: boat, Have: have}
	}
	return f, err
}

// isBoat reports whether a folder is a boat's.
func (f *folder) isBoat() bool {
	// AddBoat writes the settings last, so a boat file alone is a boat that was not finished.
	for _, name := range []string{versionsDir, SettingsFile} {
		if _, err := f.root.Lstat(name); err == nil {
			return true
		}
	}
	return false
}

// Boats lists the boats in the book by name.
func (b *Book) Boats(ctx context.Context) ([]string, error) {
	root, err := b.openRoot()
	if err != nil {
		return nil, err
	}
	defer root.close()
	names, err := root.list(ctx)
	if err != nil {
		return nil, err
	}
	var boats []string
	for _, name := range names {
		if CheckBoatName(name) != nil || !root.isFolder(name) {
			continue
		}
		f, err := root.sub(name)
		if err != nil {
			boats = append(boats, name) // a folder that cannot be read is not hidden
			continue
		}
		if f.isBoat() {
			boats = append(boats, name)
		}
		f.close()
	}
	return boats, nil
}

// simulatedPort is what stands for a simulated controller where a port is asked for.
const simulatedPort = "sim"

// AddBoat creates the folder of a new boat with its working files. Words that stand for something else beside a boat's name
// are no names.
func (b *Book) AddBoat(ctx context.Context, boat string, texts Texts) error {
	if err := CheckBoatName(boat); err != nil {
		return err
	}
	if slices.Contains([]string{RefHead, RefWorking, simulatedPort}, boat) || isNumber(boat) {
		return &InputError{Field: "boat name", Value: boat, Why: "is a word with another meaning here; choose another"}
	}
	if err := errors.Join(checkWorking(BoatFile, texts.Boat), checkWorking(SettingsFile, texts.Settings)); err != nil {
		return err
	}
	root, err := b.openRoot()
	if err != nil {
		return err
	}
	defer root.close()
	f, err := root.ensure(boat)
	if err != nil {
		return fmt.Errorf("add %s: %w", boat, err)
	}
	defer f.close()
	unlock, err := f.lock(ctx)
	if err != nil {
		return err
	}
	defer unlock()
	if f.isBoat() {
		return &InputError{Field: "boat", Value: boat, Why: "is in the book already; choose another name"}
	}
	if have, err := f.read(BoatFile, maxBoatBytes); err == nil && !bytes.Equal(have, texts.Boat) {
		return &InputError{Field: "boat", Value: boat, Why: "has a folder with another " + BoatFile + "; move that away, or choose another name"}
	}
	for _, w := range []struct {
		name string
		text []byte
	}{{BoatFile, texts.Boat}, {SettingsFile, texts.Settings}} {
		if err := f.replace(ctx, w.name, w.text); err != nil {
			return fmt.Errorf("add %s: %w", filepath.Join(b.dir, boat), err)
		}
	}
	return nil
}

// Texts are the contents of a boat's two working files.
type Texts struct{ Boat, Settings []byte }

func (t Texts) equal(other Texts) bool {
	return bytes.Equal(t.Boat, other.Boat) && bytes.Equal(t.Settings, other.Settings)
}

func checkWorking(name string, text []byte) error {
	limit := maxBoatBytes
	if name == SettingsFile {
		limit = maxSettingsBytes
	}
	return checkText(name, string(text), limit)
}

// DefaultDir returns the place of the book: override where it is given, else the environment's
// QUAYBENCH_BOOK, else quaybench/book in the user's data directory. That directory follows the XDG
// Base Directory Specification 0.8 (XDG_DATA_HOME if it is absolute, else ~/.local/share), and the
// system's custom on Windows (LOCALAPPDATA) and macOS (~/Library/Application Support).
func DefaultDir(getenv func(string) string, override string) (string, error) {
	return defaultDir(getenv, override, runtime.GOOS)
}

func defaultDir(getenv func(string) string, override, goos string) (string, error) {
	if override != "" {
		return override, nil
	}
	if dir := getenv("QUAYBENCH_BOOK"); dir != "" {
		return dir, nil
	}
	data := getenv("XDG_DATA_HOME")
	if !filepath.IsAbs(data) {
		home := getenv("HOME")
		switch {
		case goos == "windows":
			data = getenv("LOCALAPPDATA")
		case home == "":
			data = ""
		case goos == "darwin":
			data = filepath.Join(home, "Library", "Application Support")
		default:
			data = filepath.Join(home, ".local", "share")
		}
	}
	if data == "" {
		return "", errors.New("no place for the book: neither --book, QUAYBENCH_BOOK nor a home directory is set")
	}
	return filepath.Join(data, "quaybench", "book"), nil
}

// continued is the content of continuesFile.
type continued struct {
	Version, Before Hash
	Saved           bool // Version is on the disk; false too in files from before this was noted
}

func (f *folder) continued() (c continued) {
	content, err := f.read(continuesFile, maxStampedBytes)
	if err != nil || toml.Unmarshal(content, &c) != nil {
		return continued{}
	}
	return c
}

// continues returns which version the working files of this machine continue, empty if that is not
// known: they are new, or another machine's.
func (f *folder) continues(versions *shelf) Hash {
	file := f.continued()
	for _, h := range []Hash{file.Version, file.Before} {
		if versions.has(h) {
			return h
		}
	}
	return ""
}

// beginContinues records, before a version is written, that the working files will continue it. It holds from the moment that
// version is there; a crash in between leaves what was before.
func (f *folder) beginContinues(ctx context.Context, version, before Hash) error {
	return f.writeContinues(ctx, continued{Version: version, Before: before})
}

// setContinues records that the working files continue a version that is there: if it is gone one day, it was deleted.
func (f *folder) setContinues(ctx context.Context, version Hash) error {
	return f.writeContinues(ctx, continued{Version: version, Saved: true})
}

func (f *folder) writeContinues(ctx context.Context, c continued) error {
	var e encoder
	e.comment("Which version this machine's " + BoatFile + " and " + SettingsFile + " continue; the one before, until that is written.")
	e.line("version", string(c.Version))
	e.optional("before", string(c.Before))
	e.flag("saved", c.Saved)
	return f.replace(ctx, continuesFile, e.out)
}

// base returns the version that the working files continue: the recorded one, else the only head. It is
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

// savedTexts returns the texts as a version holds them.
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
			err = s.setContinues(ctx, derived)
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

// headsOf returns the versions that no other continues, in order.
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
