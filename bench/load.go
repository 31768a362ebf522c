package bench

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"quaybench/bench/boat"
	"quaybench/bench/datafile"
	"quaybench/bench/drive"
	"quaybench/bench/settings"
	"quaybench/bench/trial"
)

// Setup is a boat with the settings in its controller.
type Setup struct {
	Boat     *boat.Boat
	Settings settings.Set

	BoatFile, SettingsFile string // names, for messages
	BoatHash               string // of the boat file's text, and of what With changed of it

	Conditions trial.Conditions // what With set for all trials alike; nil: each has its own
	Assumed    []Assumed        // what With changed

	Basis Basis // where the values come from

	// Draws is how many boats are drawn over the tolerances, at most, for a band that nobody gave a number for: of a prediction, of
	// what is inferred, of a margin. 0: as many as each kind of band wants to be a smooth one.
	Draws int
}

// draws returns how many boats are drawn for a band that wants n.
func (s *Setup) draws(n int) int {
	if s.Draws > 0 {
		return min(n, s.Draws)
	}
	return n
}

// Names of the two files in a boat's folder.
const (
	BoatFile     = "boat.toml"
	SettingsFile = "settings.toml"
)

// Load reads a boat and its settings from a folder that holds boat.toml and settings.toml, or from a boat file that
// has settings.toml beside it. Everything wrong in both files is reported at once, each with file:line:column.
func Load(path string) (*Setup, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, unreadable(path, err)
	}
	name, dir := path, filepath.Dir(path)
	if info.IsDir() {
		dir, name = path, filepath.Join(path, BoatFile)
	}
	return LoadFS(os.DirFS(dir), filepath.Base(name), SettingsFile, func(file string) string { return filepath.Join(dir, file) })
}

// LoadFS is Load from a file system; show gives the names that messages use.
func LoadFS(files fs.FS, boatFile, settingsFile string, show func(string) string) (*Setup, error) {
	boatText, err := readFile(files, boatFile, show(boatFile))
	if err != nil {
		return nil, err
	}
	settingsText, missing := readFile(files, settingsFile, show(settingsFile))
	if missing == nil {
		return LoadTexts(show(boatFile), boatText, show(settingsFile), settingsText)
	}
	if _, _, err := readBoat(show(boatFile), boatText); err != nil {
		return nil, fmt.Errorf("%w\n%w", err, missing)
	}
	return nil, missing
}

// LoadTexts is Load from the texts of the two files; the names are for messages.
func LoadTexts(boatName string, boatText []byte, settingsName string, settingsText []byte) (*Setup, error) {
	s := &Setup{BoatFile: boatName, SettingsFile: settingsName}
	var problems datafile.Problems
	var err error
	var boatSource, settingsSource *datafile.Source
	s.Boat, boatSource, err = readBoat(boatName, boatText)
	if err := gather(&problems, err); err != nil {
		return nil, err
	}
	s.Settings, settingsSource, err = settings.Read(settingsName, settingsText)
	if err := gather(&problems, err); err != nil {
		return nil, err
	}
	if len(problems) > 0 {
		return nil, problems
	}
	sum := sha256.Sum256(boatText)
	s.BoatHash = hex.EncodeToString(sum[:8])
	s.Basis = basis(boatSource, settingsSource)
	return s, nil
}

// readBoat reads a boat file and tries whether its model can be built.
func readBoat(name string, text []byte) (*boat.Boat, *datafile.Source, error) {
	b, source, err := boat.Read(name, text)
	if err != nil {
		return nil, nil, err
	}
	for _, p := range drive.Problems(b) {
		source.Problem(p.Key, "%v", p.Err)
	}
	if source.Err() == nil {
		if model, err := drive.New(b, settings.Set{}, drive.Conditions{}); err != nil {
			source.Problem("", "%v", err) // no single key is at fault
		} else {
			checkCloseFor(b, source, model)
		}
	}
	return b, source, source.Err()
}

// checkCloseFor finds a share that is for no part, or for one that has another.
func checkCloseFor(b *boat.Boat, source *datafile.Source, model *drive.Model) {
	var names []string
	for _, p := range model.Parts {
		names = append(names, p.Name)
	}
	for i, c := range b.CloseFor {
		key := fmt.Sprintf("close_for[%d].part", i)
		if !slices.Contains(names, c.Part) {
			source.Problem(key, "no part is called %q; this boat has %s", c.Part, strings.Join(names, ", "))
		}
		if first := slices.IndexFunc(b.CloseFor, func(o boat.CloseFor) bool { return o.Part == c.Part }); first < i {
			source.Problem(key, "%q has a share already; keep one", c.Part)
		}
	}
}

func readFile(files fs.FS, name, shown string) ([]byte, error) {
	text, err := datafile.ReadFrom(files, name, largestFile)
	if err != nil {
		return nil, unreadable(shown, err)
	}
	return text, nil
}

// largestFile is more than anybody writes by hand into a boat, settings or trial file, in bytes.
const largestFile = 1 << 20

func unreadable(name string, err error) error {
	if errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("there is no file %s", name)
	}
	var path *fs.PathError
	if errors.As(err, &path) {
		err = path.Err
	}
	return fmt.Errorf("%s cannot be read: %w", name, err)
}

// gather adds problems of a file to a list; any other error comes back.
func gather(list *datafile.Problems, err error) error {
	var problems datafile.Problems
	if errors.As(err, &problems) {
		*list = append(*list, problems...)
		return nil
	}
	return err
}

// LoadTrial finds a trial: a built-in one by name, else a file.
func LoadTrial(nameOrFile string) (*trial.Trial, error) {
	builtin, err := trial.Builtin(nameOrFile)
	if err == nil {
		return builtin, nil
	}
	if _, statErr := os.Stat(nameOrFile); statErr != nil && filepath.Ext(nameOrFile) != ".toml" {
		return nil, fmt.Errorf("%w; nor is there a file of that name", err)
	}
	text, err := readFile(os.DirFS(filepath.Dir(nameOrFile)), filepath.Base(nameOrFile), nameOrFile)
	if err != nil {
		return nil, err
	}
	return trial.Read(nameOrFile, text)
}

// AllTrials returns the built-in trials in order.
func AllTrials() ([]*trial.Trial, error) {
	var all []*trial.Trial
	for _, name := range trial.Names() {
		t, err := trial.Builtin(name)
		if err != nil {
			return nil, err
		}
		all = append(all, t)
	}
	return all, nil
}
