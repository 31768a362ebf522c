package profiles

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"runtime"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"time"
)

// shelf is the open folder of the versions or of the marks of a boat, in the order of time.
type shelf struct {
	boat   string
	dir    *folder // nil where there is none yet
	stamps []stamp
	strays []Problem    // what has no business there; it is left alone
	held   atomic.Int64 // bytes read that a caller may hold on to, settings not counted
}

func (s *shelf) close() {
	if s.dir != nil {
		s.dir.close()
	}
}

// shelf opens a folder of files written once.
func (f *folder) shelf(ctx context.Context, boat, name string) (*shelf, error) {
	dir, err := f.sub(name)
	if errors.Is(err, fs.ErrNotExist) {
		return &shelf{boat: boat}, nil // git keeps no empty folders
	}
	if err != nil {
		return nil, err
	}
	names, err := dir.list(ctx)
	if err != nil {
		dir.close()
		return nil, err
	}
	s := &shelf{boat: boat, dir: dir}
	for _, name := range names {
		if st, ok := parseStamp(name); ok {
			s.stamps = append(s.stamps, st)
		} else {
			s.strays = append(s.strays, Problem{Path: dir.at(name), What: "is no file of the book; it is not read"})
		}
	}
	return s, nil
}

func (s *shelf) has(h Hash) bool {
	return slices.ContainsFunc(s.stamps, func(st stamp) bool { return st.hash == h })
}

// read reads one file and checks that it is what its name says.
func (s *shelf) read(st stamp) ([]byte, error) {
	content, err := s.dir.read(st.name, maxStampedBytes)
	if err != nil {
		return nil, err
	}
	if HashOf(content) != st.hash {
		return nil, errors.New(describeDamage(content, st.hash))
	}
	return content, nil
}

// describeDamage returns how content differs from what its hash promises, as far as that can be told.
func describeDamage(content []byte, want Hash) string {
	unix := []byte(strings.ReplaceAll(string(content), "\r\n", "\n"))
	switch {
	case len(content) == 0:
		return "is empty"
	case HashOf(unix) == want:
		return "had its line ends changed, by git or an editor"
	}
	return errHashDiffers.Error()
}

// belongs checks what a file says of itself against where it lies.
func (s *shelf) belongs(st stamp, boat string, t time.Time) error {
	if boat != s.boat {
		return fmt.Errorf("is of the boat %q", boat)
	}
	if newStamp(t, st.hash) != st {
		return fmt.Errorf("was renamed: it is of %s", t.Format(time.RFC3339))
	}
	return nil
}

// unread returns what a file that could not be read means: damage, or only that the system has no more file handles or
// memory at the moment.
func (s *shelf) unread(st stamp, err error) error {
	if isShortage(err) {
		return err
	}
	return s.damage(st, err)
}

// isShortage reports whether an error tells of this moment and not of the file.
func isShortage(err error) bool {
	return errors.Is(err, syscall.EMFILE) || errors.Is(err, syscall.ENFILE) || errors.Is(err, syscall.ENOMEM) ||
		errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded)
}

func (s *shelf) damage(st stamp, err error) *DamageError {
	return &DamageError{Problem{Path: s.dir.at(st.name), Hash: st.hash, What: err.Error(), Hurt: true}}
}

// version reads the version at a place in the order.
func (s *shelf) version(place int) (*Version, error) {
	st := s.stamps[place]
	content, err := s.read(st)
	if err != nil {
		return nil, s.unread(st, err)
	}
	v, err := parseVersion(content)
	if err == nil {
		err = s.belongs(st, v.Boat, v.Time)
	}
	if err != nil {
		return nil, s.damage(st, err)
	}
	v.Number = place + 1
	return v, s.countBytes(len(content) - len(v.Settings))
}

func (s *shelf) mark(place int) (*Mark, error) {
	st := s.stamps[place]
	content, err := s.read(st)
	if err != nil {
		return nil, s.unread(st, err)
	}
	m, err := parseMark(content)
	if err == nil {
		err = s.belongs(st, m.Boat, m.Time)
	}
	if err != nil {
		return nil, s.damage(st, err)
	}
	return m, s.countBytes(len(content))
}

// countBytes adds to the bytes read into memory and refuses too many, so that a folder from elsewhere cannot fill it.
func (s *shelf) countBytes(bytes int) error {
	if s.held.Add(int64(bytes)) > maxHeldBytes {
		return fmt.Errorf("%s holds more than %d MiB beside the settings: this is no folder of a book", s.dir.path, maxHeldBytes>>20)
	}
	return nil
}

// versions reads all versions in order, without their settings; visit, if given, sees each with them.
func (s *shelf) versions(ctx context.Context, visit func(*Version)) (all []*Version, hurt []Problem, err error) {
	return every(ctx, s, s.version, func(v *Version) {
		if visit != nil {
			visit(v)
		}
		v.Settings = ""
	})
}

// byHash reads the version with a whole hash.
func (s *shelf) byHash(h Hash) (*Version, error) {
	err := error(&NotFoundError{What: "version", Name: h.Short()})
	// A file copied under another time has the same hash in its name; only one of them can be right.
	for place, st := range s.stamps {
		if st.hash != h {
			continue
		}
		v, readErr := s.version(place)
		if readErr == nil {
			return v, nil
		}
		err = readErr
	}
	return nil, err
}

// batch is how many files are read beside each other before they are looked at in order: enough to keep
// all cores busy, few enough that the largest settings files fit into 16 MiB.
const batch = 64

// every reads a whole shelf and gives visit, if there is one, each file in order; what cannot be used is
// left out and told in hurt.
func every[T any](ctx context.Context, s *shelf, read func(place int) (*T, error), visit func(*T)) (whole []*T, hurt []Problem, err error) {
	for first := 0; first < len(s.stamps); first += batch {
		if err := ctx.Err(); err != nil {
			return nil, nil, err
		}
		items := make([]*T, min(batch, len(s.stamps)-first))
		errs := make([]error, len(items))
		var next atomic.Int64
		var workers sync.WaitGroup
		for range min(runtime.GOMAXPROCS(0), len(items)) {
			workers.Go(func() {
				for i := next.Add(1) - 1; i < int64(len(items)); i = next.Add(1) - 1 {
					items[i], errs[i] = read(first + int(i))
				}
			})
		}
		workers.Wait()
		for i, item := range items {
			var damage *DamageError
			switch {
			case errors.As(errs[i], &damage):
				hurt = append(hurt, damage.Problem)
			case errs[i] != nil:
				return nil, nil, errs[i]
			default:
				if visit != nil {
					visit(item)
				}
				whole = append(whole, item)
			}
		}
	}
	return whole, hurt, nil
}
