package profiles

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"
)

// The names in a book; see the package's documentation.
const (
	// BoatFile and SettingsFile are the working files of a boat.
	BoatFile     = "boat.toml"
	SettingsFile = "settings.toml"

	// MapFile is the boat's register map, and JournalFile what was written to its controller from here, where it has them.
	MapFile     = "registers.toml"
	JournalFile = "controller-journal.jsonl"

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
	// saved. Nil is PlainRows, which knows no keys.
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
		b.rows = PlainRows
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

// Create makes the folder of a book, with what keeps git from changing it, and opens it. A folder that
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

// Dir is the book's folder.
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

// isBoat tells a boat's folder from a folder of something else.
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

// AddBoat makes the folder of a new boat with its working files.
func (b *Book) AddBoat(ctx context.Context, boat string, texts Texts) error {
	if err := CheckBoatName(boat); err != nil {
		return err
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
