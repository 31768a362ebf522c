package profiles

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"slices"
	"strings"
	"time"
)

// Report is what Verify found.
type Report struct {
	Boats    []string  `json:"boats"`
	Versions int       `json:"versions"` // read and found whole
	Marks    int       `json:"marks"`
	Kept     int       `json:"kept"`
	Problems []Problem `json:"problems"`
	Swept    []string  `json:"swept"` // old leftovers of killed processes, removed
}

// Hurt tells whether something of the book is damaged or missing.
func (r *Report) Hurt() bool {
	return slices.ContainsFunc(r.Problems, func(p Problem) bool { return p.Hurt })
}

// Verify reads everything of a boat, or with an empty name of all boats, and names each file that is not as
// it was written. It changes nothing but that it removes old leftovers of killed processes. A damaged
// file is best copied again from another book, or imported from an export; all others stay usable.
func (b *Book) Verify(ctx context.Context, boat string) (*Report, error) {
	boats := []string{boat}
	r := &Report{Problems: []Problem{}, Swept: []string{}}
	if boat == "" {
		all, err := b.Boats(ctx)
		if err != nil {
			return nil, err
		}
		boats = all
		if err := b.verifyRoot(ctx, r); err != nil {
			return nil, err
		}
	}
	r.Boats = boats
	for _, name := range boats {
		err := b.verifyBoat(ctx, name, r)
		var missing *NotFoundError
		switch {
		case ctx.Err() != nil:
			return r, ctx.Err()
		case errors.As(err, &missing):
			return r, err
		case err != nil:
			r.hurt(name, "", Printable(err.Error()))
		}
	}
	slices.SortStableFunc(r.Problems, func(a, b Problem) int { return strings.Compare(a.Path, b.Path) })
	return r, nil
}

// verifyRoot looks at the book's own folder.
func (b *Book) verifyRoot(ctx context.Context, r *Report) error {
	root, err := b.openRoot()
	if err != nil {
		return err
	}
	defer root.close()
	names, err := root.list(ctx)
	if err != nil {
		return err
	}
	for _, name := range names {
		named := CheckBoatName(name) == nil
		hidden := strings.HasPrefix(name, ".")
		if named != root.isFolder(name) && (named || !hidden) {
			r.note(root.at(name), "is no folder of a boat; it is not read")
		}
	}
	for name, text := range map[string]string{attributesFile: attributesText, ignoreFile: ignoreText} {
		if have, err := root.read(name, maxStampedBytes); err != nil || string(have) != text {
			r.note(root.at(name), "is missing or was changed; git may then change line ends, or track what is one machine's own")
		}
	}
	return nil
}

func (r *Report) note(path, what string) {
	r.Problems = append(r.Problems, Problem{Path: path, What: what})
}

func (r *Report) hurt(path string, h Hash, what string) {
	r.Problems = append(r.Problems, Problem{Path: path, Hash: h, What: what, Hurt: true})
}

func (b *Book) verifyBoat(ctx context.Context, boat string, r *Report) error {
	f, versions, err := b.openVersions(ctx, boat)
	if err != nil {
		return err
	}
	defer f.close()
	defer versions.close()
	all, hurt, err := versions.versions(ctx, nil)
	if err != nil {
		return err
	}
	marks, markProblems, err := f.marks(ctx, boat)
	if err != nil {
		return err
	}
	r.Versions += len(all)
	r.Marks += len(marks)
	r.Problems = append(append(append(r.Problems, hurt...), versions.strays...), markProblems...)
	needed := map[Hash]Kept{}
	for _, v := range all {
		r.checkLinks(f, versions, v, b.now())
		for _, k := range v.Kept {
			needed[k.Hash] = k
		}
	}
	for _, m := range marks {
		if !versions.has(m.Version) {
			r.hurt(f.at(marksDir+"/"+newStamp(m.Time, m.Hash).name), m.Hash, "is about the version "+m.Version.Short()+", which is missing")
		}
		for _, k := range m.Kept {
			needed[k.Hash] = k
		}
	}
	if err := r.checkKept(ctx, f, needed); err != nil {
		return err
	}
	for _, name := range []string{BoatFile, SettingsFile} {
		text, err := f.read(name, maxBoatBytes)
		if err == nil {
			err = checkWorking(name, text)
		}
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			r.hurt(f.at(name), "", err.Error())
		}
	}
	swept, err := f.sweepAll(ctx, b.now())
	r.Swept = append(r.Swept, swept...)
	if err != nil {
		r.note(f.at("."), "old temporary files could not be removed: "+err.Error())
	}
	return nil
}

// clockSlack is how far two machines' clocks may be apart without a remark.
const clockSlack = 24 * time.Hour

// checkLinks looks for what a version refers to.
func (r *Report) checkLinks(f *folder, versions *shelf, v *Version, now time.Time) {
	path := f.at(versionsDir + "/" + newStamp(v.Time, v.Hash).name)
	for _, p := range v.Parents {
		if !versions.has(p) {
			r.hurt(path, v.Hash, "continues the version "+p.Short()+", which is missing")
		}
	}
	if v.Restores != "" && !versions.has(v.Restores) {
		r.hurt(path, v.Hash, "restores the version "+v.Restores.Short()+", which is missing")
	}
	if v.Time.Sub(now) > clockSlack {
		r.note(path, "is dated in the future, "+v.Time.Format(time.DateTime)+" UTC: a clock was wrong")
	}
}

// checkKept reads the kept files through.
func (r *Report) checkKept(ctx context.Context, f *folder, needed map[Hash]Kept) error {
	dir, err := f.sub(keptDir)
	if errors.Is(err, fs.ErrNotExist) {
		for h, k := range needed {
			r.hurt(f.at(keptDir+"/"+string(h)), h, "is missing ("+string(k.Role)+" "+k.Name+")")
		}
		return nil
	}
	if err != nil {
		return err
	}
	defer dir.close()
	names, err := dir.list(ctx)
	if err != nil {
		return err
	}
	for _, name := range names {
		h := Hash(name)
		k, used := needed[h]
		delete(needed, h)
		if !h.valid() {
			r.note(dir.at(name), "is no file of the book; it is not read")
			continue
		}
		have, _, err := dir.hash(ctx, name, maxKeptBytes)
		switch {
		case ctx.Err() != nil:
			return ctx.Err()
		case err != nil:
			r.hurt(dir.at(name), h, err.Error())
		case have != h:
			r.hurt(dir.at(name), h, fmt.Sprintf("%s (%s %s)", errHashDiffers, k.Role, k.Name))
		case !used:
			r.note(dir.at(name), "belongs to no version: it was left by a save that did not end, or its version is damaged")
		default:
			r.Kept++
		}
	}
	for h, k := range needed {
		r.hurt(dir.at(string(h)), h, "is missing ("+string(k.Role)+" "+k.Name+")")
	}
	return nil
}

// checkKeptFile reads one kept file through.
func (f *folder) checkKeptFile(ctx context.Context, k Kept) error {
	dir, err := f.sub(keptDir)
	if err != nil {
		return f.keptProblem(k.Hash, err)
	}
	defer dir.close()
	have, _, err := dir.hash(ctx, string(k.Hash), maxKeptBytes)
	if err == nil && have != k.Hash {
		err = errHashDiffers
	}
	if err != nil {
		return f.keptProblem(k.Hash, err)
	}
	return nil
}

// sweepAll sweeps the boat's folder and those in it.
func (f *folder) sweepAll(ctx context.Context, now time.Time) ([]string, error) {
	swept, err := f.sweep(ctx, now)
	for _, name := range []string{versionsDir, marksDir, keptDir} {
		dir, subErr := f.sub(name)
		if errors.Is(subErr, fs.ErrNotExist) {
			continue
		}
		if subErr == nil {
			var more []string
			more, subErr = dir.sweep(ctx, now)
			swept = append(swept, more...)
			dir.close()
		}
		err = errors.Join(err, subErr)
	}
	return swept, err
}
