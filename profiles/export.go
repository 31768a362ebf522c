package profiles

import (
	"archive/tar"
	"bytes"
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"slices"
	"strings"
)

// An export is one boat in one tar file (POSIX ustar, not compressed): export.toml, then the boat's
// register map and journal, if it has them, under carried, then its files written once under the names
// they have in the book, in the order of names: kept, marks, versions. Those names are hashes, and
// export.toml holds the hashes of the carried files, so with the hash of the list of names it covers
// every byte.

// ExportSuffix is what the name of an export ends with.
const ExportSuffix = ".quaybook"

const (
	manifestName = "export.toml"
	carriedDir   = "carried"
)

// carriedFiles are the files in a boat's folder that belong to its controller and are handed over with the boat.
var carriedFiles = []string{JournalFile, MapFile}

// carried is a file handed over beside what is written once.
type carried struct {
	Name  string
	Bytes int64
	Hash  Hash
}

// The formats of an export: in the first it carries no register map and no journal.
const (
	plainExport    = 1
	carryingExport = 2
)

// manifest is what export.toml says of the files after it.
type manifest struct {
	Format  int
	Boat    string
	Files   int64
	Bytes   int64
	List    Hash
	Carried []carried
}

func (m *manifest) encode() []byte {
	var e encoder
	e.comment("One boat of a quaybench book. Take it up with: quaybench profile import FILE")
	format := int64(plainExport)
	if len(m.Carried) > 0 {
		format = carryingExport
	}
	e.integer("format", format)
	e.line("boat", m.Boat)
	e.integer("files", m.Files)
	e.integer("bytes", m.Bytes)
	e.line("list", string(m.List))
	for _, c := range m.Carried {
		e.table("[[carried]]")
		e.line("name", c.Name)
		e.integer("bytes", c.Bytes)
		e.line("hash", string(c.Hash))
	}
	return e.out
}

func parseManifest(content []byte) (*manifest, error) {
	var m manifest
	if err := readTOML(content, &m, &m.Format); err != nil {
		return nil, err
	}
	if err := CheckBoatName(m.Boat); err != nil {
		return nil, err
	}
	for i, c := range m.Carried {
		if !slices.Contains(carriedFiles, c.Name) || i > 0 && c.Name <= m.Carried[i-1].Name || !c.Hash.valid() || c.Bytes < 0 || c.Bytes > maxKeptBytes {
			return nil, fmt.Errorf("the carried file %q is none that an export has", Printable(c.Name))
		}
	}
	if !m.List.valid() || !bytes.Equal(m.encode(), content) {
		return nil, errNotCanonical
	}
	return &m, nil
}

// listHash is the hash over the names of an export's files.
func listHash(names []string) Hash { return HashOf([]byte(strings.Join(names, "\n"))) }

// Transfer is what an export holds, or an import brought.
type Transfer struct {
	Boat     string `json:"boat"`
	Hash     Hash   `json:"hash"` // of the whole file: the giver and the taker can compare it
	Bytes    int64  `json:"bytes"`
	Versions int    `json:"versions"`
	Marks    int    `json:"marks"`
	Kept     int    `json:"kept"`
	// Carried are the register map and the journal. After an import each says where it lies: under its own name, or, where
	// the boat has another already, beside it; empty where the boat has the same.
	Carried []Carried `json:"carried"`
}

// Carried is a file of a boat's controller that an export carries.
type Carried struct {
	Name string `json:"name"`
	As   string `json:"as"`
}

func (t *Transfer) count(name string) {
	switch folder, _, _ := strings.Cut(name, "/"); folder {
	case versionsDir:
		t.Versions++
	case marksDir:
		t.Marks++
	case keptDir:
		t.Kept++
	}
}

// Export writes all versions of a boat, its marks, and what they rest on as one file. The same content
// gives the same bytes. Everything is checked on the way; after an error what was written to w is
// unfinished and good for nothing.
func (b *Book) Export(ctx context.Context, boat string, w io.Writer) (*Transfer, error) {
	var t *Transfer
	err := b.read(ctx, boat, nil, func(s *view) (err error) {
		if t, err = s.export(ctx, w); err != nil {
			return fmt.Errorf("export %s: %w", boat, err)
		}
		return nil
	})
	return t, err
}

func (s *view) export(ctx context.Context, w io.Writer) (*Transfer, error) {
	boat := s.versions.boat
	files, err := s.exported()
	if err != nil {
		return nil, err
	}
	extra, err := s.carried()
	if err != nil {
		return nil, err
	}
	sum := sha256.New()
	out := &countingWriter{to: io.MultiWriter(w, sum)}
	t := &Transfer{Boat: boat, Carried: []Carried{}}
	archive := tar.NewWriter(out)
	m := manifest{Boat: boat, Files: int64(len(extra) + len(files))}
	var names []string
	for _, file := range extra {
		m.Carried = append(m.Carried, carried{file.Name, int64(len(file.Content)), HashOf(file.Content)})
		m.Bytes += int64(len(file.Content))
		names = append(names, carriedDir+"/"+file.Name)
		t.Carried = append(t.Carried, Carried{Name: file.Name})
	}
	for _, file := range files {
		m.Bytes += file.size
		names = append(names, file.name)
		t.count(file.name)
	}
	m.List = listHash(names)
	head := m.encode()
	err = archive.WriteHeader(tarHeader(manifestName, int64(len(head))))
	if err == nil {
		_, err = archive.Write(head)
	}
	for _, file := range extra {
		if err == nil {
			err = archive.WriteHeader(tarHeader(carriedDir+"/"+file.Name, int64(len(file.Content))))
		}
		if err == nil {
			_, err = archive.Write(file.Content)
		}
	}
	for _, file := range files {
		if err == nil {
			err = s.exportFile(ctx, archive, file)
		}
	}
	if err == nil {
		err = archive.Close()
	}
	if err != nil {
		return nil, err
	}
	t.Bytes = out.n
	t.Hash = Hash(hex.EncodeToString(sum.Sum(nil)))
	return t, nil
}

func tarHeader(name string, size int64) *tar.Header {
	return &tar.Header{Typeflag: tar.TypeReg, Name: name, Size: size, Mode: 0o444, Format: tar.FormatUSTAR}
}

// exportedFile is a file of the boat with the hash its name promises.
type exportedFile struct {
	name string // "kept/..."
	size int64
	hash Hash
}

// exported lists the files of an export in order. A damaged one is an error: what is handed over must
// be whole.
func (s *view) exported() ([]exportedFile, error) {
	for _, p := range s.problems {
		// An entry that is gone for good must not lock the rest in: that is handed over despite the damage.
		if p.Hurt && !(s.book.despiteDamage && s.chain.nodes[p.Hash] == nil) {
			return nil, &DamageError{p}
		}
	}
	if len(s.all) == 0 {
		return nil, &NotFoundError{What: "version", Name: "of " + s.versions.boat}
	}
	stamps := map[string]Hash{}
	kept := map[Hash]bool{}
	for _, v := range s.all {
		stamps[versionsDir+"/"+newStamp(v.Time, v.Hash).name] = v.Hash
		for _, k := range v.Kept {
			kept[k.Hash] = true
		}
	}
	for _, m := range s.marks {
		stamps[marksDir+"/"+newStamp(m.Time, m.Hash).name] = m.Hash
		for _, k := range m.Kept {
			kept[k.Hash] = true
		}
	}
	for h := range kept {
		stamps[keptDir+"/"+string(h)] = h
	}
	var files []exportedFile
	for name, h := range stamps {
		info, err := s.root.Lstat(name)
		if err != nil {
			return nil, &DamageError{Problem{Path: s.at(name), Hash: h, What: err.Error(), Hurt: true}}
		}
		files = append(files, exportedFile{name: name, size: info.Size(), hash: h})
	}
	slices.SortFunc(files, func(a, b exportedFile) int { return cmp.Compare(a.name, b.name) })
	return files, nil
}

// carried reads the files of the boat's controller.
func (s *view) carried() (files []File, err error) {
	for _, name := range carriedFiles {
		content, err := s.read(name, maxKeptBytes)
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			return nil, err
		}
		files = append(files, File{Name: name, Content: content})
	}
	return files, nil
}

func (f *folder) exportFile(ctx context.Context, archive *tar.Writer, file exportedFile) error {
	in, _, err := f.open(file.name, maxKeptBytes)
	if err != nil {
		return err
	}
	defer in.Close()
	if err := archive.WriteHeader(tarHeader(file.name, file.size)); err != nil {
		return err
	}
	have, _, err := copyHashed(ctx, archive, in)
	if err == nil && have != file.hash {
		err = &DamageError{Problem{Path: f.at(file.name), Hash: file.hash, What: errHashDiffers.Error(), Hurt: true}}
	}
	return err
}

type countingWriter struct {
	to io.Writer
	n  int64
}

func (c *countingWriter) Write(p []byte) (int, error) {
	n, err := c.to.Write(p)
	c.n += int64(n)
	return n, err
}
