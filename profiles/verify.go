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
	Swept    []string  `json:"swept"`          // old leftovers of killed processes, removed
	Tips     []Tip     `json:"tips"`           // the newest entries of each boat's chain
	Moves    []Move    `json:"moved,omitzero"` // labels that were on another version before
	// BeforeChain counts entries from before the chain: of them, it can't be told whether one was deleted or put in.
	BeforeChain int `json:"before_chain"`

	found map[string]bool // tips that a boat has
}

// Tip is the hash of one of the newest entries of a boat: it stands for all entries before it.
type Tip struct {
	Boat string `json:"boat"`
	Hash Hash   `json:"hash"`
}

// Hurt reports whether something of the book is damaged or missing.
func (r *Report) Hurt() bool {
	return slices.ContainsFunc(r.Problems, func(p Problem) bool { return p.Hurt })
}

// Verify reads everything of a boat, or with an empty name of all boats, and names each file that is not as
// it was written. It changes nothing but that it removes old leftovers of killed processes. A damaged
// file is best copied again from another book, or imported from an export; all others stay usable.
//
// tips are hashes noted earlier, on a report for instance, of at least 16 digits: each must be there, and so all entries
// before it. Without them a deletion of the newest entries goes unseen, and so does a book that was rewritten as a whole.
func (b *Book) Verify(ctx context.Context, boat string, tips ...string) (*Report, error) {
	if err := checkTips(tips); err != nil {
		return nil, err
	}

	boats := []string{boat}
	r := &Report{Problems: []Problem{}, Swept: []string{}, Tips: []Tip{}, found: map[string]bool{}}
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
		err := b.verifyBoat(ctx, name, r, tips)
		var missing *NotFoundError
		switch {
		case ctx.Err() != nil:
			return r, ctx.Err()
		case isShortage(err):
			return r, err
		case errors.As(err, &missing):
			return r, err
		case err != nil:
			r.hurt(name, "", Printable(err.Error()))
		}
	}
	for _, t := range tips {
		if !r.found[t] {
			r.hurt(strings.Join(boats, ", "), "", "has no entry "+t+": it was deleted, and perhaps others before it, or the book was rewritten, or this is another book")
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
		if have, err := root.read(name, maxStampedBytes); err != nil || string(have) != text && string(have) != firstIgnoreText {
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

func (b *Book) verifyBoat(ctx context.Context, boat string, r *Report, tips []string) error {
	f, err := b.openBoat(boat)
	if err != nil {
		return err
	}
	defer f.close()
	s, err := b.openView(ctx, f, boat, nil)
	if err != nil {
		return err
	}
	defer s.versions.close()
	r.Versions += len(s.all)
	r.Marks += len(s.marks)
	r.Problems = append(r.Problems, slices.DeleteFunc(s.problems, func(p Problem) bool { return slices.Contains(s.lostKept, p) })...) // those are read through below
	for _, h := range s.chain.readable() {
		r.Tips = append(r.Tips, Tip{Boat: boat, Hash: h})
	}
	for _, n := range s.chain.nodes {
		if n.path != "" && !n.chained {
			r.BeforeChain++
		}
	}
	r.Moves = append(r.Moves, s.moves()...)
	r.holdAgainst(s.chain, tips)
	needed := map[Hash]Kept{}
	for _, v := range s.all {
		r.checkTime(f, v, b.now())
		for _, k := range v.Kept {
			needed[k.Hash] = k
		}
	}
	for _, m := range s.marks {
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
		if isShortage(err) {
			return err
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

// minTip is the fewest digits of a tip that Verify takes: fewer could be forged by trying.
const minTip = 16

func checkTips(tips []string) error {
	for _, t := range tips {
		if len(t) < minTip || !isLowerHex(strings.ToLower(t)) {
			return &InputError{Field: "tip", Value: Printable(t), Why: fmt.Sprintf("is not the start of a hash of at least %d digits, as reports print it", minTip)}
		}
	}
	return nil
}

// holdAgainst looks for the tips in a boat's chain, and for entries dated before them that they have not seen.
func (r *Report) holdAgainst(c *chain, tips []string) {
	for _, tip := range tips {
		for h, n := range c.nodes {
			if n.path == "" || !strings.HasPrefix(string(h), strings.ToLower(tip)) {
				continue
			}
			r.found[tip] = true
			for _, apart := range c.holdAgainst(h) {
				r.note(apart.path, "is dated before the tip "+tip+" and unknown to it: it was written on another machine and copied here later, or put in afterwards")
			}
		}
	}
}

// clockSlack is how far two machines' clocks may be apart without a remark.
const clockSlack = 24 * time.Hour

// checkTime reports a version that is dated in the future.
func (r *Report) checkTime(f *folder, v *Version, now time.Time) {
	path := f.at(versionsDir + "/" + newStamp(v.Time, v.Hash).name)
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
		case isShortage(err):
			return err
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
		return f.unkept(k.Hash, err)
	}
	defer dir.close()
	have, _, err := dir.hash(ctx, string(k.Hash), maxKeptBytes)
	if err == nil && have != k.Hash {
		err = errHashDiffers
	}
	if err != nil {
		return f.unkept(k.Hash, err)
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
