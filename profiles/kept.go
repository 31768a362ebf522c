package profiles

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"slices"
)

// Role says what a kept file is for.
type Role string

// The roles of kept files.
const (
	RoleBoat    Role = "boat"         // the boat file; each version keeps one
	RoleMap     Role = "register map" // which register of the controller holds which setting
	RoleObjects Role = "object map"   // which object of the controller does
	RoleTrial   Role = "trial"        // a trial that is a file of its own
	RoleRecord  Role = "record"       // a simulated or measured run
	RoleOther   Role = "other"
)

// File is something to keep with a version or an approval.
type File struct {
	Role    Role
	Name    string // the name it had, for people; it is kept under its hash
	Content []byte // up to 256 MiB
}

// Kept points to a file that the book keeps by its content.
type Kept struct {
	Role  Role   `json:"role" toml:"role"`
	Name  string `json:"name" toml:"name"`
	Bytes int64  `json:"bytes" toml:"bytes"`
	Hash  Hash   `json:"hash" toml:"hash"`
}

func (f File) kept() Kept {
	return Kept{Role: f.Role, Name: f.Name, Bytes: int64(len(f.Content)), Hash: HashOf(f.Content)}
}

func keepsFile(kept []Kept, role Role, hash Hash) bool {
	return slices.ContainsFunc(kept, func(k Kept) bool { return k.Role == role && k.Hash == hash })
}

func checkKept(kept []Kept) error {
	if len(kept) > maxKept {
		return fmt.Errorf("%d kept files are more than the %d a version takes", len(kept), maxKept)
	}
	for _, k := range kept {
		if !slices.Contains([]Role{RoleBoat, RoleMap, RoleObjects, RoleTrial, RoleRecord, RoleOther}, k.Role) {
			return &InputError{Field: "role", Value: string(k.Role), Why: "of a kept file is not known"}
		}
		if err := checkLine("name of a kept file", k.Name, maxLineBytes); err != nil {
			return err
		}
		if !k.Hash.valid() {
			return fmt.Errorf("kept file %q: %q is not a hash", k.Name, Printable(string(k.Hash)))
		}
		if k.Bytes < 0 || k.Bytes > maxKeptBytes {
			return fmt.Errorf("kept file %q: %d bytes are not between 0 and %d", k.Name, k.Bytes, maxKeptBytes)
		}
	}
	return nil
}

// Kept reads a kept file of a boat; its content has exactly this hash. The content is as it was handed
// in and may hold anything: pass it through Printable before it goes to a terminal.
func (b *Book) Kept(ctx context.Context, boat string, hash Hash) ([]byte, error) {
	f, err := b.openBoat(boat)
	if err != nil {
		return nil, err
	}
	defer f.close()
	return f.kept(ctx, hash)
}

func (f *folder) kept(ctx context.Context, hash Hash) ([]byte, error) {
	if !hash.valid() {
		return nil, &InputError{Field: "hash", Value: string(hash), Why: "is not a whole hash"}
	}
	dir, err := f.sub(keptDir)
	if err != nil {
		return nil, f.unkept(hash, err)
	}
	defer dir.close()
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	content, err := dir.read(string(hash), maxKeptBytes)
	if err == nil && HashOf(content) != hash {
		err = errHashDiffers
	}
	if err != nil {
		return nil, f.unkept(hash, err)
	}
	return content, nil
}

var errHashDiffers = errors.New("its content is not what was saved")

// unkept returns what it means that a kept file could not be used: damage, or a shortage of the machine.
func (f *folder) unkept(hash Hash, err error) error {
	if isShortage(err) {
		return err
	}
	return f.keptProblem(hash, err)
}

// keptProblem returns what is wrong with a kept file.
func (f *folder) keptProblem(hash Hash, err error) *DamageError {
	what := err.Error()
	if errors.Is(err, fs.ErrNotExist) {
		what = "is missing"
	}
	return &DamageError{Problem{Path: f.at(keptDir + "/" + string(hash)), Hash: hash, What: what, Hurt: true}}
}

// keep stores files under the boat's folder, by content.
func (f *folder) keep(ctx context.Context, files []File) error {
	if len(files) == 0 {
		return nil
	}
	dir, err := f.ensure(keptDir)
	if err != nil {
		return err
	}
	defer dir.close()
	for _, file := range files {
		hash := HashOf(file.Content)
		if _, err := dir.publish(ctx, string(hash), bytes.NewReader(file.Content), hash); err != nil {
			return fmt.Errorf("keep %s: %w", file.Name, err)
		}
	}
	return nil
}

// smallKept is up to how many bytes a kept file is read through by every verb; boat files and register maps are below.
const smallKept = 128 << 10

// lost returns a problem for each kept file that versions or marks rest on and that is missing or damaged. Of a large one
// only the length is looked at here; Verify reads it through.
func (s *view) lost(ctx context.Context) (problems []Problem, err error) {
	dir, err := s.sub(keptDir)
	switch {
	case err == nil:
		defer dir.close()
	case !errors.Is(err, fs.ErrNotExist):
		return nil, err
	}
	seen := map[Hash]bool{}
	look := func(kept []Kept, of Hash) error {
		for _, k := range kept {
			if seen[k.Hash] {
				continue
			}
			seen[k.Hash] = true
			err := ctx.Err()
			if err == nil {
				err = dir.wholeKept(ctx, k)
			}
			if isShortage(err) {
				return err
			}
			if err != nil {
				p := s.keptProblem(k.Hash, err).Problem
				p.What += fmt.Sprintf(" (%s %s of %s)", k.Role, k.Name, of.Short())
				problems = append(problems, p)
			}
		}
		return nil
	}
	for _, v := range s.all {
		if err := look(v.Kept, v.Hash); err != nil {
			return nil, err
		}
	}
	for _, m := range s.marks {
		if err := look(m.Kept, m.Hash); err != nil {
			return nil, err
		}
	}
	return problems, nil
}

// wholeKept returns what is wrong with a kept file, read through where it is small. f is their folder, nil where there is none.
func (f *folder) wholeKept(ctx context.Context, k Kept) error {
	if f == nil {
		return fs.ErrNotExist
	}
	if k.Bytes > smallKept {
		info, err := f.root.Lstat(string(k.Hash))
		if err == nil && (!info.Mode().IsRegular() || info.Size() != k.Bytes) {
			err = errHashDiffers
		}
		return err
	}
	have, _, err := f.hash(ctx, string(k.Hash), maxKeptBytes)
	if err == nil && have != k.Hash {
		err = errHashDiffers
	}
	return err
}

// restsOn refuses a change that rests on a version whose kept files are not all whole, but for those that are kept anew,
// unless Options.DespiteDamage is set.
func (s *view) restsOn(ctx context.Context, v *Version, anew []Kept) error {
	for _, k := range v.Kept {
		if s.book.despiteDamage || keepsFile(anew, k.Role, k.Hash) {
			continue
		}
		var damage *DamageError
		switch err := s.checkKeptFile(ctx, k); {
		case errors.As(err, &damage):
			return &DoubtError{Boat: v.Boat, Problem: damage.Problem, Why: fmt.Sprintf("%s rests on this %s", v.Hash.Short(), k.Role)}
		case err != nil:
			return err
		}
	}
	return nil
}

// Result is the outcome of a trial as the book stores it.
type Result string

// The results, from best to worst. The zero Result means that nothing was tried.
const (
	Clear     Result = "clear"
	Close     Result = "close"
	NotJudged Result = "not judged"
	Over      Result = "over"
)

// MarshalJSON writes null where nothing was tried.
func (r Result) MarshalJSON() ([]byte, error) {
	if r == "" {
		return []byte("null"), nil
	}
	return json.Marshal(string(r))
}

func (r Result) rank() int {
	switch r {
	case Clear:
		return 1
	case Close:
		return 2
	case NotJudged:
		return 3
	case Over:
		return 4
	}
	return 0
}

// Verdict is what one trial said of a version, in the short form that the book keeps. The full record
// it rests on can be kept beside it.
type Verdict struct {
	Trial  string   `json:"trial" toml:"trial"`
	Result Result   `json:"result" toml:"result"`
	Part   string   `json:"part,omitempty" toml:"part"`     // the part that uses most of its limit
	Used   *float64 `json:"used" toml:"used"`               // share of that limit used, 1 being all of it; nil if there is none
	First  string   `json:"first,omitempty" toml:"first"`   // what acts first, empty if nothing
	Tool   string   `json:"tool" toml:"tool"`               // the tool's version that reached the verdict
	Record Hash     `json:"record,omitempty" toml:"record"` // of a kept file of RoleRecord
}

// worstResult returns the worst result among verdicts, empty if there is none.
func worstResult(verdicts []Verdict) Result {
	var worst Result
	for _, v := range verdicts {
		if v.Result.rank() > worst.rank() {
			worst = v.Result
		}
	}
	return worst
}

// maxUsed is far beyond any share that means something; it keeps numbers short and finite.
const maxUsed = 1e6

func checkVerdicts(verdicts []Verdict, kept []Kept) error {
	if len(verdicts) > maxVerdicts {
		return fmt.Errorf("%d verdicts are more than the %d a version takes", len(verdicts), maxVerdicts)
	}
	for _, v := range verdicts {
		for _, err := range []error{
			checkLine("trial", v.Trial, maxLineBytes),
			checkOptionalLine("part", v.Part, maxLineBytes),
			checkOptionalLine("what acts first", v.First, maxLineBytes),
			checkLine("tool", v.Tool, maxLineBytes),
		} {
			if err != nil {
				return err
			}
		}
		if v.Result.rank() == 0 {
			return &InputError{Field: "result", Value: string(v.Result), Why: "is none of clear, close, not judged, over"}
		}
		if v.Used != nil && !(*v.Used >= 0 && *v.Used <= maxUsed) {
			return fmt.Errorf("used %g is not between 0 and %g", *v.Used, maxUsed)
		}
		if v.Record != "" && !keepsFile(kept, RoleRecord, v.Record) {
			return fmt.Errorf("the record %q of trial %q is not among the kept files", v.Record.Short(), v.Trial)
		}
	}
	return nil
}
